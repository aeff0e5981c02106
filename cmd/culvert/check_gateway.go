package main

import (
	"context"
	"fmt"
	"net"
	"net/netip"
	"strings"
	"time"

	"github.com/vishvananda/netlink"

	"culvert/bridge/ipv6"
	"culvert/tun"
)

// These checks look at this host as the gateway between other hosts and the nodes.
// Most of them make sense only while the daemon runs, which makes the interfaces.

// eachMesh calls look for each mesh of the configuration, and keeps the worst of what
// it finds.
func (h *host) eachMesh(f *finding, look func(m meshConfig, f *finding)) {
	if h.cfg == nil || !h.running {
		f.set(verdictNotTried, "there is no mesh while no daemon runs with a valid configuration")
		return
	}
	var all worst
	for _, m := range h.cfg.meshes {
		var one finding
		look(m, &one)
		all.add(one)
	}
	all.into(f)
}

// checkInterfaces looks at the interfaces of the meshes.
func (h *host) checkInterfaces(_ context.Context, f *finding) {
	h.eachMesh(f, func(m meshConfig, f *finding) { meshInterface(m.iface, m.ownAddress(h.prefixOf(m)), f) })
}

// checkSourceRules looks at the policy rules of the meshes.
func (h *host) checkSourceRules(_ context.Context, f *finding) {
	h.eachMesh(f, func(m meshConfig, f *finding) {
		sourceRules(tun.Options{Name: m.iface, Prefix: h.prefixOf(m), Gateway: m.gateway, Shared: h.cfg.sharedWith(m)}, f)
	})
}

// prefixOf returns the prefix of a mesh, also of one whose prefix is generated: the
// interface has it then.
func (h *host) prefixOf(m meshConfig) netip.Prefix {
	if m.prefix.IsValid() {
		return m.prefix
	}
	link, err := net.InterfaceByName(m.iface)
	if err != nil {
		return netip.Prefix{}
	}
	addrs, err := link.Addrs()
	if err != nil {
		return netip.Prefix{}
	}
	for _, a := range addrs {
		if p, err := netip.ParsePrefix(a.String()); err == nil && p.Bits() == 64 && !p.Addr().IsLinkLocalUnicast() {
			return p.Masked()
		}
	}
	return netip.Prefix{}
}

// checkMeshRoutes asks the kernel where it sends packets for the nodes.
func (h *host) checkMeshRoutes(_ context.Context, f *finding) {
	h.eachMesh(f, func(m meshConfig, f *finding) {
		p := h.prefixOf(m)
		if !p.IsValid() {
			f.set(verdictNotTried, "%s has no prefix", m.iface)
			return
		}
		routeLeads(ipv6.Join(p.Addr(), 2), m.ownAddress(p), "", m.iface, f)
	})
}

// checkForwarding looks whether this host passes packets on.
func (h *host) checkForwarding(_ context.Context, f *finding) {
	on, err := forwarding()
	switch {
	case err != nil:
		f.set(verdictNotTried, "%v", err)
	case on:
		f.set(verdictOK, "on")
	default:
		f.set(verdictNote, "off: other hosts do not reach the nodes through this one, but it and its CoAP door do")
		f.Remedy = "if other hosts are to reach the nodes themselves: " + forwardingRemedy
	}
}

// checkRouteLine prints the route that the site's router needs.
func (h *host) checkRouteLine(_ context.Context, f *finding) {
	if h.cfg == nil {
		f.set(verdictNotTried, "without a configuration the prefix is not known")
		return
	}
	if u := h.cfg.upstream; u != nil && u.advertise {
		f.set(verdictOK, "the daemon tells the hosts on %s the way to the nodes, while it runs; deploy/UPSTREAM.md says which hosts listen", strings.Join(u.interfaces, ", "))
		return
	}
	via, others := gatewayAddress(h.cfg)
	var lines []string
	for _, m := range h.cfg.meshes {
		if p := h.prefixOf(m); p.IsValid() {
			lines = append(lines, fmt.Sprintf("ip -6 route add %v via %s", p, via))
		}
	}
	if len(lines) == 0 {
		f.set(verdictNotTried, "the prefix is generated when the daemon first starts; then the route that the site's router needs stands here")
		return
	}
	f.set(verdictNote, "nothing tells the site's hosts the way to the nodes. The site's router needs:\n%s", strings.Join(lines, "\n"))
	if others > 0 {
		f.Found += fmt.Sprintf("\n(this host has %s more; take the one on the router's network)", plural(others, "address"))
	}
}

// gatewayAddress returns the address at which the site's router finds this host, the
// likeliest one, and how many others there are.
func gatewayAddress(cfg *config) (string, int) {
	links, err := net.Interfaces()
	if err != nil {
		return "GATEWAY", 0
	}
	mesh := map[string]bool{"lo": true}
	for _, m := range cfg.meshes {
		mesh[m.iface] = true
	}
	best, local, n := "", "", 0
	for _, l := range links {
		addrs, err := l.Addrs()
		if err != nil || mesh[l.Name] || l.Flags&net.FlagUp == 0 {
			continue
		}
		for _, a := range addrs {
			p, err := netip.ParsePrefix(a.String())
			switch {
			case err != nil || !p.Addr().Is6():
			case p.Addr().IsLinkLocalUnicast():
				if local == "" {
					local = p.Addr().String() + " dev INTERFACE"
				}
			case best == "":
				best = p.Addr().String()
			default:
				n++
			}
		}
	}
	switch {
	case best != "":
		return best, n
	case local != "":
		return local, 0
	}
	return "GATEWAY", 0
}

// checkForwardChains looks whether the packet filter of this host lets forwarded
// packets to the meshes pass, from an address that any host could have.
func (h *host) checkForwardChains(ctx context.Context, f *finding) {
	any := netip.MustParseAddr("2001:db8::1") // RFC 3849: nobody's
	h.eachMesh(f, func(m meshConfig, f *finding) {
		p := passage{in: h.lan(m), out: m.iface, src: any, dst: ipv6.Join(h.prefixOf(m).Addr(), 2), proto: "udp", port: 5683}
		firewall(ctx, p, f)
		if f.Verdict == verdictWrong { // it may well be meant so
			f.Verdict = verdictNote
			f.Found += "; it is tried with CoAP from a host of no network that is named there"
			f.Remedy = ""
		}
	})
}

// lan is the interface by which the host reaches others.
func (h *host) lan(m meshConfig) string {
	routes, err := netlink.RouteGet(netip.MustParseAddr("2001:db8::1").AsSlice())
	if err == nil && len(routes) > 0 {
		if link, err := netlink.LinkByIndex(routes[0].LinkIndex); err == nil && link.Attrs().Name != m.iface {
			return link.Attrs().Name
		}
	}
	return "?"
}

// checkRefused lists what the rules did not let pass, and who asks for addresses that
// no node holds.
func (h *host) checkRefused(ctx context.Context, f *finding) {
	if !h.running {
		f.set(verdictNotTried, "only a running daemon knows")
		return
	}
	ctx, cancel := context.WithTimeout(ctx, controlTimeout)
	defer cancel()
	c, err := dialControl(ctx, h.file)
	if err != nil {
		f.set(verdictNotTried, "%v", err)
		return
	}
	defer c.Close()
	var a refusedAnswer
	if err := c.Control(ctx, "refused", false, nil, &a); err != nil {
		f.set(verdictNotTried, "%v", err)
		return
	}
	f.set(verdictOK, "%s in force; nothing was refused", plural(a.Rules, "rule"))
	if a.Rules == 0 {
		f.set(verdictNote, "there is no [[rule]]: this gateway reaches the nodes, other hosts do not")
		f.Remedy = "let in who may, and 'culvert reload', as with:\n" + ruleExample
	}
	now := time.Now()
	var lines []string
	for _, r := range a.Refused {
		lines = append(lines, fmt.Sprintf("no rule lets pass: %s from %s to %s, %s, last %s", r.Service, r.From, r.To, plural(int(r.Packets), "packet"), ago(&r.Last, now)))
	}
	for _, s := range a.Scanners {
		lines = append(lines, fmt.Sprintf("addresses that no node holds were asked for: from %v, %s, last %s", s.Source, plural(int(s.Packets), "packet"), ago(&s.Last, now)))
	}
	if len(lines) > 0 {
		f.set(verdictNote, "%s in force\n%s", plural(a.Rules, "rule"), strings.Join(lines, "\n"))
		if len(a.Refused) > 0 {
			f.Remedy = "if the first of them is welcome, add this, and 'culvert reload':\n" + a.Refused[0].Rule
		}
	}
}
