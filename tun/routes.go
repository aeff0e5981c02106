package tun

import (
	"encoding/binary"
	"fmt"
	"net/netip"

	"github.com/vishvananda/netlink"
	"github.com/vishvananda/netlink/nl"
	"golang.org/x/sys/unix"

	"culvert/tun/rtnl"
)

// The kernel adds the routes of the mesh together with the addresses. It does not add
// them again after another program removed them ("ip -6 route flush dev mesh0").

// Routed reports whether the kernel routes packets for nodes to this interface.
func (d *Device) Routed() bool {
	b := d.opts.Prefix.Addr().As16()
	binary.BigEndian.PutUint64(b[8:], unusedIID)
	found, err := d.handle.RouteGet(b[:])
	return err == nil && len(found) > 0 && found[0].LinkIndex == d.index
}

// unusedIID is an interface identifier that this host does not have: a reserved one (RFC
// 2526, section 2) that is no anycast address of Linux.
const unusedIID = 0xfdffffffffffff80

// aboutRoute reports whether a notification is about a route to our interface.
func (d *Device) aboutRoute(data []byte) bool {
	if len(data) < unix.SizeofRtMsg {
		return false
	}
	attrs, err := nl.ParseRouteAttr(data[unix.SizeofRtMsg:])
	if err != nil {
		return true // unknown: check
	}
	for _, a := range attrs {
		if a.Attr.Type == unix.RTA_OIF && len(a.Value) >= 4 {
			return int(binary.NativeEndian.Uint32(a.Value)) == d.index
		}
	}
	return false
}

// restoreRoutes adds routes again that another program removed, and reports whether any
// was missing. If it fails it records a fault.
func (d *Device) restoreRoutes() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	addrs := []netip.Addr{d.opts.Gateway}
	if d.linkLocal.IsValid() {
		addrs = append(addrs, d.linkLocal)
	}
	missing, err := d.missingRoute(addrs)
	if err == nil && !missing.IsValid() {
		return false
	}
	switch {
	case err != nil:
	case missing.IsSingleIP():
		err = fmt.Errorf("the kernel adds the route to %v only with the address", missing.Addr())
	default:
		err = d.addRoutes(addrs)
	}
	if err != nil {
		_ = d.fail(ErrDown, fmt.Sprintf("its route was removed by another program and could not be restored (%v)", err))
		return true
	}
	d.opts.Log.Warn("a route of the mesh was removed by another program; restored", "route", missing.String())
	return true
}

// addRoutes sets the existing addresses again, so that the kernel adds their missing
// routes.
func (d *Device) addRoutes(addrs []netip.Addr) error {
	link, err := d.link()
	if err != nil {
		return err
	}
	for _, a := range addrs {
		if err := d.addAddress(link, a); err != nil {
			return err
		}
	}
	if missing, err := d.missingRoute(addrs); err != nil || missing.IsValid() {
		return fmt.Errorf("route to %v is still missing (%v)", missing, err)
	}
	return nil
}

// missingRoute returns one of our prefixes that has no route; invalid if none lacks one.
func (d *Device) missingRoute(addrs []netip.Addr) (netip.Prefix, error) {
	all, err := rtnl.Dump(func() ([]netlink.Route, error) {
		return d.handle.RouteListFiltered(unix.AF_INET6, &netlink.Route{LinkIndex: d.index, Table: unix.RT_TABLE_UNSPEC},
			netlink.RT_FILTER_OIF|netlink.RT_FILTER_TABLE)
	})
	if err != nil {
		return netip.Prefix{}, fmt.Errorf("list routes: %w", err)
	}
	have := map[netip.Prefix]int{}
	for _, r := range all {
		if r.Dst != nil {
			a, _ := netip.AddrFromSlice(r.Dst.IP)
			bits, _ := r.Dst.Mask.Size()
			have[netip.PrefixFrom(a, bits)] = r.Table
		}
	}
	for _, a := range addrs {
		if p := netip.PrefixFrom(a, 64).Masked(); have[p] != unix.RT_TABLE_MAIN {
			return p, nil
		}
		if p := netip.PrefixFrom(a, 128); have[p] != unix.RT_TABLE_LOCAL {
			return p, nil
		}
	}
	return netip.Prefix{}, nil
}
