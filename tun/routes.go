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

// The kernel adds the routes of the mesh with its addresses, and does not add them
// again when another program removes them ("ip -6 route flush dev mesh0").

// Routed asks the kernel whether packets for nodes go to this interface.
func (d *Device) Routed() bool {
	b := d.opts.Prefix.Addr().As16()
	binary.BigEndian.PutUint64(b[8:], nobody)
	found, err := d.handle.RouteGet(b[:])
	return err == nil && len(found) > 0 && found[0].LinkIndex == d.index
}

// nobody is an interface identifier that is no address of this host: a reserved one
// (RFC 2526, section 2), and not that of an anycast address which Linux knows.
const nobody = 0xfdffffffffffff80

// aboutRoute tells whether a notice is about a route to our interface.
func (d *Device) aboutRoute(data []byte) bool {
	if len(data) < unix.SizeofRtMsg {
		return false
	}
	attrs, err := nl.ParseRouteAttr(data[unix.SizeofRtMsg:])
	if err != nil {
		return true // look
	}
	for _, a := range attrs {
		if a.Attr.Type == unix.RTA_OIF && len(a.Value) >= 4 {
			return int(binary.NativeEndian.Uint32(a.Value)) == d.index
		}
	}
	return false
}

// restoreRoutes adds the routes again that another program removed, and tells whether
// it had to. Where that fails, the interface has to be made again.
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
		err = fmt.Errorf("the kernel adds that to %v only with the address", missing.Addr())
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

// addRoutes sets addresses again that are there; the kernel then adds the routes that
// go with them, where they are missing.
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

// missingRoute returns a prefix of ours to which there is no route.
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
