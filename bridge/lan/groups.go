package lan

import (
	"errors"
	"fmt"
	"net/netip"

	"golang.org/x/sys/unix"
)

// maxGroups bounds the multicast groups that are joined on one interface: each is
// memory in the kernel and in every switch that watches joins. groupsPerSocket is
// what each kernel allows one socket by default (net.core.optmem_max, 20,480 octets
// before Linux 6.8).
const (
	maxGroups       = 2048
	groupsPerSocket = 256
)

// groups are the multicast groups that this host is a member of on one interface,
// each as often as somebody wants it.
type groups struct {
	index   int
	sockets []int // they have no other purpose
	joined  map[netip.Addr]*membership
	all     bool // the interface takes all groups
	closed  bool
}

type membership struct{ socket, wanted int }

func newGroups(index int) *groups {
	return &groups{index: index, joined: map[netip.Addr]*membership{}}
}

// join makes the host a member.
func (g *groups) join(a netip.Addr) error {
	if m := g.joined[a]; m != nil {
		m.wanted++
		return nil
	}
	if len(g.joined) >= maxGroups {
		return fmt.Errorf("%d multicast groups are joined, which is as many as there may be", maxGroups)
	}
	// Groups that were left make room in an old socket, but the number of sockets is
	// bounded all the same.
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
			g.joined[a] = &membership{g.sockets[i], 1}
		}
	}
	return err
}

func (g *groups) leave(a netip.Addr) {
	m := g.joined[a]
	if m == nil {
		return
	}
	if m.wanted--; m.wanted == 0 {
		delete(g.joined, a)
		// An error means that the interface is gone, and the membership with it.
		_ = unix.SetsockoptIPv6Mreq(m.socket, unix.IPPROTO_IPV6, unix.IPV6_LEAVE_GROUP, g.mreq(a))
	}
}

func (g *groups) mreq(a netip.Addr) *unix.IPv6Mreq {
	return &unix.IPv6Mreq{Multiaddr: a.As16(), Interface: uint32(g.index)}
}

// close leaves all groups, for good.
func (g *groups) close() error {
	var errs []error
	for _, fd := range g.sockets {
		errs = append(errs, unix.Close(fd))
	}
	g.sockets, g.closed = nil, true
	clear(g.joined)
	return errors.Join(errs...)
}
