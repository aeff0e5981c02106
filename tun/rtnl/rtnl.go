// Package rtnl holds what the packages that ask the kernel over rtnetlink share.
package rtnl

import (
	"errors"
	"net"
	"net/netip"

	"github.com/vishvananda/netlink"
)

// dumpAttempts bounds how often Dump asks.
const dumpAttempts = 5

// Dump calls list, and again if the kernel's table changed while it was being read.
// After five interrupted attempts it returns netlink.ErrDumpInterrupted.
func Dump[T any](list func() ([]T, error)) (all []T, err error) {
	for range dumpAttempts {
		if all, err = list(); !errors.Is(err, netlink.ErrDumpInterrupted) {
			break
		}
	}
	return all, err
}

// IPNet returns p in the form that package netlink takes.
func IPNet(p netip.Prefix) *net.IPNet {
	return &net.IPNet{IP: p.Addr().AsSlice(), Mask: net.CIDRMask(p.Bits(), p.Addr().BitLen())}
}

// Prefix returns n as a prefix, or the zero prefix if n is nil or no valid network.
func Prefix(n *net.IPNet) netip.Prefix {
	if n == nil {
		return netip.Prefix{}
	}
	a, ok := netip.AddrFromSlice(n.IP)
	bits, _ := n.Mask.Size()
	if !ok {
		return netip.Prefix{}
	}
	return netip.PrefixFrom(a, bits)
}
