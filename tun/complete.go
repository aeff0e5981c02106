package tun

import (
	"fmt"
	"net/netip"

	"github.com/vishvananda/netlink"
	"golang.org/x/sys/unix"
)

// RulesComplete reports whether all policy rules of a mesh are installed, in their order.
// It changes nothing.
func RulesComplete(o Options) (bool, error) {
	if err := o.check(); err != nil {
		return false, err
	}
	h, err := netlink.NewHandle(unix.NETLINK_ROUTE)
	if err != nil {
		return false, fmt.Errorf("tun: open netlink: %w", err)
	}
	defer h.Close()
	ok, err := ruleSet{handle: h, log: o.Log, name: o.Name, prefix: o.Prefix,
		own: netip.PrefixFrom(o.Gateway, 128), shared: o.Shared}.complete()
	if err != nil {
		return false, fmt.Errorf("tun: %s: %w", o.Name, err)
	}
	return ok, nil
}
