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

// eachMesh runs check for each mesh of the configuration and joins the findings.
func (h *host) eachMesh(f *findings.Finding, check func(m conf.MeshConfig, f *findings.Finding)) {
	if h.cfg == nil || !h.running {
		f.NotTried("needs a running daemon and a valid configuration")
		return
	}
	join(f, h.cfg.Meshes, check)
}

// checkInterfaces checks the interface of each mesh.
func (h *host) checkInterfaces(_ context.Context, f *findings.Finding) {
	h.eachMesh(f, func(m conf.MeshConfig, f *findings.Finding) { checkLink(m.Iface, m.OwnAddress(h.prefixOf(m)), f) })
}

// checkSourceRules checks the policy rules of each mesh.
func (h *host) checkSourceRules(_ context.Context, f *findings.Finding) {
	h.eachMesh(f, func(m conf.MeshConfig, f *findings.Finding) {
		checkRules(tun.Options{Name: m.Iface, Prefix: h.prefixOf(m), Gateway: m.Gateway, Shared: h.cfg.SharedWith(m)}, f)
	})
}

// prefixOf returns the prefix of a mesh; if it is generated, the one of the interface.
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

// checkMeshRoutes checks that the kernel routes packets for nodes into the mesh.
func (h *host) checkMeshRoutes(_ context.Context, f *findings.Finding) {
	h.eachMesh(f, func(m conf.MeshConfig, f *findings.Finding) {
		p := h.prefixOf(m)
		if !p.IsValid() {
			f.NotTried("%s has no prefix", m.Iface)
			return
		}
		checkRouteTo(ipv6.Join(p.Addr(), 2), m.OwnAddress(p), "", m.Iface, f)
	})
}

// checkForwarding checks that this host forwards IPv6.
func (h *host) checkForwarding(_ context.Context, f *findings.Finding) {
	on, err := forwarding()
	switch {
	case err != nil:
		f.NotTried("%v", err)
	case on:
		f.OK("on")
	default:
		f.Note("off: only this host and clients of its CoAP front reach the nodes").
			Do("if other hosts must reach the nodes directly: " + forwardingRemedy)
	}
}

// checkRouteLine prints the route that the site's router needs.
func (h *host) checkRouteLine(_ context.Context, f *findings.Finding) {
	if h.cfg == nil {
		f.NotTried("the prefix is not known without a configuration")
		return
	}
	if u := h.cfg.Upstream; u != nil && u.Advertise {
		f.OK("the running daemon advertises the route on %s; deploy/UPSTREAM.md says which hosts accept it", strings.Join(u.Interfaces, ", "))
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
		f.NotTried("the daemon generates the prefix at its first start; this check then prints the route for the site's router")
		return
	}
	f.Note("no route to the nodes is advertised. Add to the site's router:\n%s", strings.Join(lines, "\n"))
	if others > 0 {
		f.Found += fmt.Sprintf("\n(this host has %s more: use the one on the router's network)", cli.Plural(others, "address"))
	}
}

// gatewayAddress returns the most likely next-hop address of this host for the site's
// router, and how many others there are.
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

// checkForwardChains checks that the packet filter forwards packets to the meshes from a
// host that no rule names.
func (h *host) checkForwardChains(ctx context.Context, f *findings.Finding) {
	any := netip.MustParseAddr("2001:db8::1") // documentation prefix, RFC 3849
	h.eachMesh(f, func(m conf.MeshConfig, f *findings.Finding) {
		p := forwardedPacket{in: h.uplink(m), out: m.Iface, src: any, dst: ipv6.Join(h.prefixOf(m).Addr(), 2), proto: "udp", port: 5683}
		firewall(ctx, p, f)
		if f.Verdict == findings.VerdictWrong { // the rules may intend it
			f.Verdict = findings.VerdictNote
			f.Found += "; tried with CoAP from 2001:db8::1, which stands for any host without a rule of its own"
			f.Remedy = ""
		}
	})
}

// uplink returns the interface towards other hosts.
func (h *host) uplink(m conf.MeshConfig) string {
	routes, err := netlink.RouteGet(netip.MustParseAddr("2001:db8::1").AsSlice())
	if err == nil && len(routes) > 0 {
		if link, err := netlink.LinkByIndex(routes[0].LinkIndex); err == nil && link.Attrs().Name != m.Iface {
			return link.Attrs().Name
		}
	}
	return "?"
}

// checkRefused lists packets that no rule allowed, and hosts that send to addresses that no
// node has.
func (h *host) checkRefused(ctx context.Context, f *findings.Finding) {
	if !h.running {
		f.NotTried("needs a running daemon")
		return
	}
	var a control.RefusedAnswer
	if err := h.askDaemon(ctx, "refused", &a); err != nil {
		f.NotTried("%v", err)
		return
	}
	f.OK("%s in force; no packet was refused", cli.Plural(a.Rules, "rule"))
	if a.Rules == 0 {
		f.Note("there is no [[rule]]: only this gateway may reach the nodes").
			Do("to admit a host, add a rule like this and run 'culvert reload':\n" + conf.RuleExample)
	}
	now := time.Now()
	var lines []string
	for _, r := range a.Refused {
		lines = append(lines, fmt.Sprintf("no rule allows %s from %s to %s: %s, last %s", r.Service, r.From, r.To, cli.Plural(int(r.Packets), "packet"), cli.Ago(&r.Last, now)))
	}
	for _, s := range a.Scanners {
		lines = append(lines, fmt.Sprintf("%v sent %s to addresses that no node has, last %s", s.Source, cli.Plural(int(s.Packets), "packet"), cli.Ago(&s.Last, now)))
	}
	if len(lines) > 0 {
		f.Note("%s in force\n%s", cli.Plural(a.Rules, "rule"), strings.Join(lines, "\n"))
		if len(a.Refused) > 0 {
			f.Remedy = "to allow the first of them, add this rule and run 'culvert reload':\n" + a.Refused[0].Rule
		}
	}
}
