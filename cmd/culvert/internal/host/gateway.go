package host

import (
	"context"
	"fmt"
	"net"
	"net/netip"
	"strings"
	"time"

	"github.com/vishvananda/netlink"

	"culvert/bridge/ipv6"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/conf"
	"culvert/cmd/culvert/internal/control"
	"culvert/cmd/culvert/internal/findings"
	"culvert/tun"
)

// These checks look at this host as the gateway between other hosts and the nodes.
// Most of them make sense only while the daemon runs, which makes the interfaces.

// eachMesh calls look for each mesh of the configuration, and keeps the worst of what
// it finds.
func (h *host) eachMesh(f *findings.Finding, look func(m conf.MeshConfig, f *findings.Finding)) {
	if h.cfg == nil || !h.running {
		f.Set(findings.VerdictNotTried, "there is no mesh while no daemon runs with a valid configuration")
		return
	}
	var all worst
	for _, m := range h.cfg.Meshes {
		var one findings.Finding
		look(m, &one)
		all.add(one)
	}
	all.into(f)
}

// checkInterfaces looks at the interfaces of the meshes.
func (h *host) checkInterfaces(_ context.Context, f *findings.Finding) {
	h.eachMesh(f, func(m conf.MeshConfig, f *findings.Finding) { meshInterface(m.Iface, m.OwnAddress(h.prefixOf(m)), f) })
}

// checkSourceRules looks at the policy rules of the meshes.
func (h *host) checkSourceRules(_ context.Context, f *findings.Finding) {
	h.eachMesh(f, func(m conf.MeshConfig, f *findings.Finding) {
		sourceRules(tun.Options{Name: m.Iface, Prefix: h.prefixOf(m), Gateway: m.Gateway, Shared: h.cfg.SharedWith(m)}, f)
	})
}

// prefixOf returns the prefix of a mesh, also of one whose prefix is generated: the
// interface has it then.
func (h *host) prefixOf(m conf.MeshConfig) netip.Prefix {
	if m.Prefix.IsValid() {
		return m.Prefix
	}
	link, err := net.InterfaceByName(m.Iface)
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
func (h *host) checkMeshRoutes(_ context.Context, f *findings.Finding) {
	h.eachMesh(f, func(m conf.MeshConfig, f *findings.Finding) {
		p := h.prefixOf(m)
		if !p.IsValid() {
			f.Set(findings.VerdictNotTried, "%s has no prefix", m.Iface)
			return
		}
		routeLeads(ipv6.Join(p.Addr(), 2), m.OwnAddress(p), "", m.Iface, f)
	})
}

// checkForwarding looks whether this host passes packets on.
func (h *host) checkForwarding(_ context.Context, f *findings.Finding) {
	on, err := forwarding()
	switch {
	case err != nil:
		f.Set(findings.VerdictNotTried, "%v", err)
	case on:
		f.Set(findings.VerdictOK, "on")
	default:
		f.Set(findings.VerdictNote, "off: other hosts do not reach the nodes through this one, but it and its CoAP door do")
		f.Remedy = "if other hosts are to reach the nodes themselves: " + forwardingRemedy
	}
}

// checkRouteLine prints the route that the site's router needs.
func (h *host) checkRouteLine(_ context.Context, f *findings.Finding) {
	if h.cfg == nil {
		f.Set(findings.VerdictNotTried, "without a configuration the prefix is not known")
		return
	}
	if u := h.cfg.Upstream; u != nil && u.Advertise {
		f.Set(findings.VerdictOK, "the daemon tells the hosts on %s the way to the nodes, while it runs; deploy/UPSTREAM.md says which hosts listen", strings.Join(u.Interfaces, ", "))
		return
	}
	via, others := gatewayAddress(h.cfg)
	var lines []string
	for _, m := range h.cfg.Meshes {
		if p := h.prefixOf(m); p.IsValid() {
			lines = append(lines, fmt.Sprintf("ip -6 route add %v via %s", p, via))
		}
	}
	if len(lines) == 0 {
		f.Set(findings.VerdictNotTried, "the prefix is generated when the daemon first starts; then the route that the site's router needs stands here")
		return
	}
	f.Set(findings.VerdictNote, "nothing tells the site's hosts the way to the nodes. The site's router needs:\n%s", strings.Join(lines, "\n"))
	if others > 0 {
		f.Found += fmt.Sprintf("\n(this host has %s more; take the one on the router's network)", cli.Plural(others, "address"))
	}
}

// gatewayAddress returns the address at which the site's router finds this host, the
// likeliest one, and how many others there are.
func gatewayAddress(cfg *conf.Config) (string, int) {
	links, err := net.Interfaces()
	if err != nil {
		return "GATEWAY", 0
	}
	mesh := map[string]bool{"lo": true}
	for _, m := range cfg.Meshes {
		mesh[m.Iface] = true
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
func (h *host) checkForwardChains(ctx context.Context, f *findings.Finding) {
	any := netip.MustParseAddr("2001:db8::1") // RFC 3849: nobody's
	h.eachMesh(f, func(m conf.MeshConfig, f *findings.Finding) {
		p := passage{in: h.lan(m), out: m.Iface, src: any, dst: ipv6.Join(h.prefixOf(m).Addr(), 2), proto: "udp", port: 5683}
		firewall(ctx, p, f)
		if f.Verdict == findings.VerdictWrong { // it may well be meant so
			f.Verdict = findings.VerdictNote
			f.Found += "; it is tried with CoAP from a host of no network that is named there"
			f.Remedy = ""
		}
	})
}

// lan is the interface by which the host reaches others.
func (h *host) lan(m conf.MeshConfig) string {
	routes, err := netlink.RouteGet(netip.MustParseAddr("2001:db8::1").AsSlice())
	if err == nil && len(routes) > 0 {
		if link, err := netlink.LinkByIndex(routes[0].LinkIndex); err == nil && link.Attrs().Name != m.Iface {
			return link.Attrs().Name
		}
	}
	return "?"
}

// checkRefused lists what the rules did not let pass, and who asks for addresses that
// no node holds.
func (h *host) checkRefused(ctx context.Context, f *findings.Finding) {
	if !h.running {
		f.Set(findings.VerdictNotTried, "only a running daemon knows")
		return
	}
	ctx, cancel := context.WithTimeout(ctx, control.ControlTimeout)
	defer cancel()
	c, err := control.DialControl(ctx, h.file)
	if err != nil {
		f.Set(findings.VerdictNotTried, "%v", err)
		return
	}
	defer c.Close()
	var a control.RefusedAnswer
	if err := c.Control(ctx, "refused", false, nil, &a); err != nil {
		f.Set(findings.VerdictNotTried, "%v", err)
		return
	}
	f.Set(findings.VerdictOK, "%s in force; nothing was refused", cli.Plural(a.Rules, "rule"))
	if a.Rules == 0 {
		f.Set(findings.VerdictNote, "there is no [[rule]]: this gateway reaches the nodes, other hosts do not")
		f.Remedy = "let in who may, and 'culvert reload', as with:\n" + conf.RuleExample
	}
	now := time.Now()
	var lines []string
	for _, r := range a.Refused {
		lines = append(lines, fmt.Sprintf("no rule lets pass: %s from %s to %s, %s, last %s", r.Service, r.From, r.To, cli.Plural(int(r.Packets), "packet"), cli.Ago(&r.Last, now)))
	}
	for _, s := range a.Scanners {
		lines = append(lines, fmt.Sprintf("addresses that no node holds were asked for: from %v, %s, last %s", s.Source, cli.Plural(int(s.Packets), "packet"), cli.Ago(&s.Last, now)))
	}
	if len(lines) > 0 {
		f.Set(findings.VerdictNote, "%s in force\n%s", cli.Plural(a.Rules, "rule"), strings.Join(lines, "\n"))
		if len(a.Refused) > 0 {
			f.Remedy = "if the first of them is welcome, add this, and 'culvert reload':\n" + a.Refused[0].Rule
		}
	}
}
