// Package membership joins many multicast groups on one interface.
package membership

import (
	"errors"
	"fmt"
	"net/netip"

	"golang.org/x/sys/unix"
)

const (
	// Max bounds the groups joined on one interface: each takes memory in the kernel
	// and in every switch that snoops on joins.
	Max = 2048
	// groupsPerSocket is what every kernel allows one socket by default
	// (net.core.optmem_max, 20,480 octets before Linux 6.8).
	groupsPerSocket = 256
)

// Groups are the multicast groups of which this host is a member on one interface.
// A group joined twice must be left twice. Groups is for one goroutine at a time.
type Groups struct {
	index   int   // of the interface
	sockets []int // used for memberships only
	joined  map[netip.Addr]*member
	all     bool // the interface receives every group
	closed  bool
}

type member struct{ socket, users int }

// New returns Groups for the interface with the given index.
func New(index int) *Groups {
	return &Groups{index: index, joined: map[netip.Addr]*member{}}
}

// Len returns the number of groups joined.
func (g *Groups) Len() int { return len(g.joined) }

// Closed reports whether Close was called.
func (g *Groups) Closed() bool { return g.closed }

// Join makes the host a member of a.
func (g *Groups) Join(a netip.Addr) error {
	if m := g.joined[a]; m != nil {
		m.users++
		return nil
	}
	if len(g.joined) >= Max {
		return fmt.Errorf("%d multicast groups are joined, which is the limit", Max)
	}
	// Groups that were left free places in older sockets, so all sockets are tried.
	if len(g.sockets)*groupsPerSocket <= len(g.joined) {
		fd, err := unix.Socket(unix.AF_INET6, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
		if err != nil {
			return fmt.Errorf("open a socket for multicast groups: %w", err)
		}
		g.sockets = append(g.sockets, fd)
	}
	err := errors.New("no socket")
	for i := len(g.sockets) - 1; i >= 0 && err != nil; i-- {
		if err = unix.SetsockoptIPv6Mreq(g.sockets[i], unix.IPPROTO_IPV6, unix.IPV6_JOIN_GROUP, g.mreq(a)); err == nil {
			g.joined[a] = &member{g.sockets[i], 1}
		}
	}
	return err
}

// Leave ends one Join of a. The last one ends the membership.
func (g *Groups) Leave(a netip.Addr) {
	m := g.joined[a]
	if m == nil {
		return
	}
	if m.users--; m.users == 0 {
		delete(g.joined, a)
		// An error means that the interface is gone, and the membership with it.
		_ = unix.SetsockoptIPv6Mreq(m.socket, unix.IPPROTO_IPV6, unix.IPV6_LEAVE_GROUP, g.mreq(a))
	}
}

// ReceiveAll makes the interface receive every multicast group. set applies an option
// to a packet socket; the setting lasts as long as that socket. A second call does
// nothing and returns false.
func (g *Groups) ReceiveAll(set func(func(fd int) error)) bool {
	if g.all {
		return false
	}
	g.all = true
	set(func(fd int) error {
		return unix.SetsockoptPacketMreq(fd, unix.SOL_PACKET, unix.PACKET_ADD_MEMBERSHIP,
			&unix.PacketMreq{Ifindex: int32(g.index), Type: unix.PACKET_MR_ALLMULTI})
	})
	return true
}

func (g *Groups) mreq(a netip.Addr) *unix.IPv6Mreq {
	return &unix.IPv6Mreq{Multiaddr: a.As16(), Interface: uint32(g.index)}
}

// Close leaves all groups. Groups cannot be used afterwards.
func (g *Groups) Close() error {
	var errs []error
	for _, fd := range g.sockets {
		errs = append(errs, unix.Close(fd))
	}
	g.sockets, g.closed = nil, true
	clear(g.joined)
	return errors.Join(errs...)
}
