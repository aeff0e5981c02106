package lan

import (
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"slices"

	"github.com/vishvananda/netlink"
	"github.com/vishvananda/netlink/nl"
	"golang.org/x/sys/unix"

	"culvert/tun/rtnl"
)

// Constants of the kernel that no imported package defines.
const (
	iflaAFSpec        = 26        // IFLA_AF_SPEC (linux/if_link.h)
	iflaInet6Conf     = 2         // IFLA_INET6_CONF
	devconfForwarding = 0         // DEVCONF_FORWARDING (linux/ipv6.h)
	devconfAcceptRA   = 3         // DEVCONF_ACCEPT_RA
	nlaTypeMask       = 1<<14 - 1 // NLA_TYPE_MASK (linux/netlink.h)
	netconfIndex      = 1         // NETCONFA_IFINDEX (linux/netconf.h)
	netconfForwarding = 2         // NETCONFA_FORWARDING
	netconfAll        = -1        // NETCONFA_IFINDEX_ALL
	netconfDefault    = -2        // NETCONFA_IFINDEX_DEFAULT
)

// link is one interface of this host.
type link struct {
	index      int
	name       string
	up         bool // IFF_UP, with a carrier
	mac        net.HardwareAddr
	local      netip.Addr     // a usable link-local address; invalid if there is none
	onLink     []netip.Prefix // prefixes that this host reaches without a router
	acceptRA   int            // kernel parameters, -1 if unknown
	forwarding int
}

// host is the state of this host's interfaces. It is read over netlink, since a service
// manager's sandbox may hide /proc/sys.
type host struct {
	links             map[string]*link
	forwarding        bool // net.ipv6.conf.all.forwarding
	defaultForwarding bool
}

// readHost reads the current state of the host. It leaves out our own routes, which say
// nothing about the site's network.
func readHost(h *netlink.Handle) (host, error) {
	s := host{links: map[string]*link{}}
	byIndex := map[int]*link{}
	if err := s.readLinks(byIndex); err != nil {
		return s, fmt.Errorf("list interfaces: %w", err)
	}
	if err := s.readForwarding(); err != nil {
		return s, fmt.Errorf("read whether this host forwards: %w", err)
	}
	addrs, err := rtnl.Dump(func() ([]netlink.Addr, error) { return h.AddrList(nil, unix.AF_INET6) })
	if err != nil {
		return s, fmt.Errorf("list addresses: %w", err)
	}
	for _, a := range addrs {
		l := byIndex[a.LinkIndex]
		ip, ok := netip.AddrFromSlice(a.IP)
		if l == nil || !ok || !ip.IsLinkLocalUnicast() || l.local.IsValid() || a.Flags&(unix.IFA_F_TENTATIVE|unix.IFA_F_DADFAILED) != 0 {
			continue
		}
		l.local = ip
	}
	routes, err := rtnl.Dump(func() ([]netlink.Route, error) {
		return h.RouteListFiltered(unix.AF_INET6, &netlink.Route{Table: unix.RT_TABLE_MAIN}, netlink.RT_FILTER_TABLE)
	})
	if err != nil {
		return s, fmt.Errorf("list routes: %w", err)
	}
	for _, r := range routes {
		l, dst := byIndex[r.LinkIndex], rtnl.Prefix(r.Dst)
		if l == nil || r.Gw != nil || r.Via != nil || len(r.MultiPath) > 0 || r.Type != unix.RTN_UNICAST || r.Protocol == routeProtocol ||
			!dst.IsValid() || dst.Bits() == 0 || dst.Bits() > 64 || dst.Addr().IsLinkLocalUnicast() || dst.Addr().IsMulticast() {
			continue
		}
		l.onLink = append(l.onLink, dst)
	}
	return s, nil
}

func (s *host) readLinks(byIndex map[int]*link) error {
	req := nl.NewNetlinkRequest(unix.RTM_GETLINK, unix.NLM_F_DUMP)
	req.AddData(nl.NewIfInfomsg(unix.AF_UNSPEC))
	messages, err := rtnl.Dump(func() ([][]byte, error) { return req.Execute(unix.NETLINK_ROUTE, unix.RTM_NEWLINK) })
	if err != nil {
		return err
	}
	for _, m := range messages {
		dev, err := netlink.LinkDeserialize(nil, m)
		if err != nil {
			return err
		}
		a := dev.Attrs()
		l := &link{index: a.Index, name: a.Name, mac: a.HardwareAddr, acceptRA: -1, forwarding: -1}
		// IFF_RUNNING follows IFF_UP on interfaces without carrier detection.
		l.up = a.RawFlags&(unix.IFF_UP|unix.IFF_RUNNING) == unix.IFF_UP|unix.IFF_RUNNING
		attrs, err := nl.ParseRouteAttr(m[unix.SizeofIfInfomsg:])
		if err != nil {
			return err
		}
		for _, a := range attrs {
			if a.Attr.Type&nlaTypeMask == iflaAFSpec {
				l.readParameters(a.Value)
			}
		}
		s.links[l.name], byIndex[l.index] = l, l
	}
	return nil
}

func (l *link) readParameters(spec []byte) {
	families, err := nl.ParseRouteAttr(spec)
	if err != nil {
		return
	}
	for _, f := range families {
		if f.Attr.Type&nlaTypeMask != unix.AF_INET6 {
			continue
		}
		attrs, err := nl.ParseRouteAttr(f.Value)
		if err != nil {
			return
		}
		for _, a := range attrs {
			if a.Attr.Type&nlaTypeMask == iflaInet6Conf && len(a.Value) >= 4*(devconfAcceptRA+1) {
				l.forwarding = int(int32(binary.NativeEndian.Uint32(a.Value[4*devconfForwarding:])))
				l.acceptRA = int(int32(binary.NativeEndian.Uint32(a.Value[4*devconfAcceptRA:])))
			}
		}
	}
}

func (s *host) readForwarding() error {
	req := nl.NewNetlinkRequest(unix.RTM_GETNETCONF, unix.NLM_F_DUMP)
	req.AddRawData([]byte{unix.AF_INET6, 0, 0, 0}) // struct netconfmsg, padded
	messages, err := rtnl.Dump(func() ([][]byte, error) { return req.Execute(unix.NETLINK_ROUTE, unix.RTM_NEWNETCONF) })
	if err != nil {
		return err
	}
	seen := false
	for _, m := range messages {
		if len(m) < 4 {
			continue
		}
		attrs, err := nl.ParseRouteAttr(m[4:])
		if err != nil {
			return err
		}
		index, on := int32(0), false
		for _, a := range attrs {
			if len(a.Value) < 4 {
				continue
			}
			switch v := int32(binary.NativeEndian.Uint32(a.Value)); a.Attr.Type {
			case netconfIndex:
				index = v
			case netconfForwarding:
				on = v != 0
			}
		}
		switch index {
		case netconfAll:
			s.forwarding, seen = on, true
		case netconfDefault:
			s.defaultForwarding = on
		}
	}
	if !seen {
		return errors.New("the kernel does not report it: is IPv6 enabled (CONFIG_IPV6, ipv6.disable)?")
	}
	return nil
}

// shares reports whether an on-link prefix of l overlaps p: hosts there then look for
// addresses of p on the link.
func (l *link) shares(p netip.Prefix) bool {
	return slices.ContainsFunc(l.onLink, func(q netip.Prefix) bool { return q.Overlaps(p) })
}

// usable reports whether advertisements can be sent on l: their source must be a
// link-local address (RFC 4861, section 4.2).
func (l *link) usable() bool { return l != nil && l.up && l.local.IsValid() }
