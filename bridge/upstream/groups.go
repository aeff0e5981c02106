package upstream

import (
	"fmt"
	"net/netip"

	"golang.org/x/sys/unix"
)

// maxGroups bounds the multicast groups that are joined on one interface: each is
// memory in the kernel and in every switch that watches joins.
const maxGroups = 2048

// groups are the multicast groups that a host is a member of on one interface,
// each as often as somebody wants it.
type groups struct {
	fd     int // of a socket that has no other purpose; -1 when closed
	index  int
	joined map[netip.Addr]int
	all    bool // the interface takes all groups
}

func newGroups(index int) (*groups, error) {
	fd, err := unix.Socket(unix.AF_INET6, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("open a socket for multicast groups: %w", err)
	}
	return &groups{fd: fd, index: index, joined: map[netip.Addr]int{}}, nil
}

// join reports whether the host is a member.
func (g *groups) join(a netip.Addr) bool {
	if g.joined[a] == 0 {
		if len(g.joined) >= maxGroups ||
			unix.SetsockoptIPv6Mreq(g.fd, unix.IPPROTO_IPV6, unix.IPV6_JOIN_GROUP, g.mreq(a)) != nil {
			return false
		}
	}
	g.joined[a]++
	return true
}

func (g *groups) leave(a netip.Addr) {
	switch g.joined[a] {
	case 0:
	case 1:
		delete(g.joined, a)
		// An error means that the interface is gone, and the membership with it.
		_ = unix.SetsockoptIPv6Mreq(g.fd, unix.IPPROTO_IPV6, unix.IPV6_LEAVE_GROUP, g.mreq(a))
	default:
		g.joined[a]--
	}
}

func (g *groups) mreq(a netip.Addr) *unix.IPv6Mreq {
	return &unix.IPv6Mreq{Multiaddr: a.As16(), Interface: uint32(g.index)}
}

// close leaves all groups.
func (g *groups) close() error {
	if g.fd < 0 {
		return nil
	}
	err := unix.Close(g.fd)
	g.fd = -1
	return err
}
