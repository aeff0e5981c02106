package tun

import (
	"fmt"
	"log/slog"
	"net/netip"
	"strings"
)

// The limits of IPv6 and of the kernel.
const (
	minMTU  = 1280  // RFC 8200, section 5
	maxMTU  = 65535 // the largest that the kernel's TUN driver takes
	maxName = 15    // IFNAMSIZ without the final zero; the kernel truncates longer names silently
)

// Options configure Open.
type Options struct {
	// Name of the interface, at most 15 characters. An existing persistent TUN interface
	// of this name is used, and remains after Close.
	Name string
	// Prefix of the mesh, a /64.
	Prefix netip.Prefix
	// Gateway is this host's own address in Prefix; Prefix::1 if not given.
	Gateway netip.Addr
	// LinkLocal is this host's link-local address on the mesh. It may be set later, by
	// SetLinkLocal.
	LinkLocal netip.Addr
	// Shared lists interfaces on whose network Prefix is on-link too, as with a neighbour
	// proxy (RFC 4861, section 7.2.8). Packets with a source in Prefix are accepted from
	// them, except from the gateway's own address. The reader of the device must then
	// check that such a source is no node's address.
	Shared []string
	// MTU in octets; 1280 if zero.
	MTU int
	// Log takes warnings; nil discards them.
	Log *slog.Logger
}

// check fills in defaults, and refuses what the kernel would refuse with a less clear
// error.
func (o *Options) check() error {
	if err := checkName(o.Name); err != nil {
		return err
	}
	if err := o.checkAddresses(); err != nil {
		return fmt.Errorf("tun: %s: %w", o.Name, err)
	}
	for _, name := range o.Shared {
		if err := checkName(name); err != nil {
			return err
		}
		if name == o.Name {
			return fmt.Errorf("tun: %s: the mesh shares its prefix with another network, not with itself", o.Name)
		}
	}
	if o.MTU == 0 {
		o.MTU = minMTU
	}
	if o.MTU < minMTU || o.MTU > maxMTU {
		return fmt.Errorf("tun: %s: MTU %d: allowed are %d (RFC 8200, section 5) to %d octets", o.Name, o.MTU, minMTU, maxMTU)
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	o.Log = o.Log.With("part", "tun", "interface", o.Name)
	return nil
}

func (o *Options) checkAddresses() error {
	p := o.Prefix
	switch {
	case !p.IsValid() || !p.Addr().Is6() || p.Addr().Is4In6() || p.Bits() != 64:
		return fmt.Errorf("prefix %v: an IPv6 prefix of 64 bits is needed", p)
	case p != p.Masked():
		return fmt.Errorf("prefix %v has bits set after the first 64; did you mean %v?", p, p.Masked())
	case p.Addr().IsMulticast() || p.Addr().IsLinkLocalUnicast() || p.Addr().IsUnspecified():
		return fmt.Errorf("prefix %v: nodes need a unicast prefix that can be routed", p)
	}
	if !o.Gateway.IsValid() {
		a := p.Addr().As16()
		a[15] = 1
		o.Gateway = netip.AddrFrom16(a)
	}
	if o.Gateway.Zone() != "" || !p.Contains(o.Gateway) || o.Gateway == p.Addr() {
		return fmt.Errorf("gateway address %v: an address in %v other than its first is needed", o.Gateway, p)
	}
	if o.LinkLocal.IsValid() {
		return checkLinkLocal(o.LinkLocal)
	}
	return nil
}

func checkLinkLocal(a netip.Addr) error {
	// RFC 4291, section 2.5.6: the 54 bits after fe80::/10 are zero.
	if all := netip.MustParsePrefix("fe80::/64"); a.Zone() != "" || !all.Contains(a) || a == all.Addr() {
		return fmt.Errorf("link-local address %v: an address in %v other than its first is needed", a, all)
	}
	return nil
}

// checkName accepts the names that the kernel accepts (dev_valid_name), except those with
// another meaning in paths and rules.
func checkName(name string) error {
	switch {
	case name == "":
		return fmt.Errorf("tun: the interface has no name")
	case len(name) > maxName:
		return fmt.Errorf("tun: interface name %q has %d characters; %d are allowed", name, len(name), maxName)
	case name == "." || name == ".." || name == "lo" || name == "all" || name == "default":
		return fmt.Errorf("tun: interface name %q has another meaning to the kernel; choose a different one", name)
	}
	bad := func(r rune) bool { return r <= ' ' || r >= 0x7f || strings.ContainsRune("/:%", r) }
	if i := strings.IndexFunc(name, bad); i >= 0 {
		return fmt.Errorf("tun: interface name %q: the character at position %d is not allowed; use letters, digits, '-', '_' and '.'", name, i+1)
	}
	return nil
}
