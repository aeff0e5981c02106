package host

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"strings"
	"time"

	"github.com/vishvananda/netlink"
	"golang.org/x/sys/unix"

	"culvert/bridge/policy"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/control"
	"culvert/cmd/culvert/internal/findings"
	"culvert/coap/client"
	"culvert/tun"
)

// pathStep is one step of the way of a packet from a host to a node.
type pathStep struct {
	name string
	run  func(*pathWalk, context.Context, *findings.Finding)
}

// PathSteps are the steps in the order in which a packet takes them, after what has to
// be known first.
var PathSteps = []pathStep{
	{"daemon", (*pathWalk).checkDaemon},
	{"node", (*pathWalk).checkNode},
	{"host address", (*pathWalk).checkHostAddress},
	{"host's route", (*pathWalk).sayHostRoute},
	{"forwarding", (*pathWalk).checkForwarding},
	{"source rules", (*pathWalk).checkSourceRules},
	{"interface", (*pathWalk).checkInterface},
	{"mesh route", (*pathWalk).checkRoute},
	{"firewall", (*pathWalk).checkFirewall},
	{"radio", (*pathWalk).checkRadio},
	{"node's state", (*pathWalk).checkState},
	{"rule", (*pathWalk).checkRule},
	{"queue", (*pathWalk).checkQueue},
	{"last result", (*pathWalk).checkResult},
	{"route back", (*pathWalk).checkRouteBack},
}

// pathWalk goes the way of a packet from a host to a node.
type pathWalk struct {
	file    string // the configuration
	from    netip.Addr
	to      string
	service policy.Service

	c    *client.Client
	a    *control.PathAnswer // nil: what stands in the way is in stop
	own  bool                // from is an address of this host
	in   string              // the interface by which packets of from come in
	near netip.Addr          // this host's address towards from
	hop  bool                // from is behind a router
	back error               // why there is no route to from
}

// newPathWalk reads the flags.
func newPathWalk(g *cli.Globals, o checkOptions) (*pathWalk, error) {
	w := &pathWalk{file: g.Config, to: o.to}
	var err error
	if w.service, err = policy.ParseService(o.service); err != nil {
		return nil, fmt.Errorf("--service %w", err)
	}
	if o.from != "" {
		if w.from, err = netip.ParseAddr(o.from); err != nil || w.from.Is4() {
			return nil, fmt.Errorf("--from %q: want an IPv6 address, like fd5e:2a11:77c0:5::2", o.from)
		}
	}
	return w, nil
}

// checkPath is `culvert check --to`.
func checkPath(ctx context.Context, g *cli.Globals, o checkOptions, r *findings.CheckReport) error {
	w, err := newPathWalk(g, o)
	if err != nil {
		return cli.AsUsage(err)
	}
	blocked := ""
	for _, s := range PathSteps {
		f := findings.Finding{Check: s.name}
		if w.a == nil && s.name != "daemon" && s.name != "node" {
			f.NotTried("needs a running daemon")
		} else {
			s.run(w, ctx, &f)
		}
		if f.Verdict == findings.VerdictWrong && blocked == "" {
			blocked = s.name
		}
		if err := r.Add(f); err != nil {
			return err
		}
	}
	if w.c != nil {
		defer w.c.Close()
	}
	r.Blocked = blocked
	return r.End(nil)
}

// checkDaemon reaches the daemon.
func (w *pathWalk) checkDaemon(ctx context.Context, f *findings.Finding) {
	ctx, cancel := context.WithTimeout(ctx, control.ControlTimeout)
	defer cancel()
	c, err := control.DialControl(ctx, w.file)
	if err != nil {
		f.Wrong("%v", err).
			Do(fmt.Sprintf("start it: culvert run --config %s", w.file))
		return
	}
	w.c = c
	f.OK("running")
}

// checkNode finds the node, and asks the daemon for all that it knows of the way.
func (w *pathWalk) checkNode(ctx context.Context, f *findings.Finding) {
	if w.c == nil {
		f.NotTried("needs a running daemon")
		return
	}
	ctx, cancel := context.WithTimeout(ctx, control.ControlTimeout)
	defer cancel()
	from := w.from
	if !from.IsValid() {
		from = netip.IPv6Unspecified() // the gateway's own, which is known by the answer
	}
	var a control.PathAnswer
	ask := func() error {
		return w.c.Control(ctx, "path", false, []string{"from=" + from.String(), "to=" + w.to, "service=" + w.service.String()}, &a)
	}
	err := ask()
	if err == nil && !w.from.IsValid() {
		w.from, from = a.Gateway, a.Gateway
		err = ask()
	}
	if refused := (*client.StatusError)(nil); errors.As(err, &refused) && refused.Text != "" {
		f.Wrong("%s", refused.Text).
			Do("use a label or address that 'culvert nodes' lists")
		return
	}
	if err != nil {
		f.Wrong("%v", err).
			Do("read the daemon's log")
		return
	}
	w.a = &a
	f.OK("%s of mesh %s, %v", a.Node, a.Mesh, a.Address)
}

// checkHostAddress looks at what kind of address the host has.
func (w *pathWalk) checkHostAddress(_ context.Context, f *findings.Finding) {
	a := w.from
	w.own = a == w.a.Gateway || isLocal(a)
	bad := func(why, remedy string) {
		f.Wrong("%v %s", a, why).
			Do(remedy)
	}
	const another = "use an address of the host that is valid beyond its link"
	switch {
	case a.IsLinkLocalUnicast():
		bad("is link-local: no router forwards it (RFC 4291, section 2.5.6)", another)
	case a.IsMulticast(), a.IsUnspecified(), a.IsLoopback(), a.Is4In6():
		bad("is not valid as the source of a forwarded packet", another)
	case w.a.Prefix.Contains(a) && a != w.a.Gateway:
		bad("is inside the mesh prefix: packets from outside may not use it (RFC 2827)", "give the host an address of another prefix")
	case a == w.a.Gateway:
		f.OK("%v is this gateway: no route, rule or forwarding is needed", a)
	case a.IsPrivate() != w.a.Address.IsPrivate():
		f.Note("one of %v and %v is unique local, the other global: a rule must name the host's prefix, \"any\" is not enough", a, w.a.Address)
	default:
		f.OK("%v: %s", a, reach(a))
	}
}

// reach names how far an address is known.
func reach(a netip.Addr) string {
	if a.IsPrivate() {
		return "unique local, like the node's"
	}
	return "global, like the node's"
}

// isLocal reports whether this host has the address.
func isLocal(a netip.Addr) bool {
	addrs, err := net.InterfaceAddrs()
	if err != nil {
		return false
	}
	for _, x := range addrs {
		if n, ok := x.(*net.IPNet); ok {
			if b, ok := netip.AddrFromSlice(n.IP); ok && b == a {
				return true
			}
		}
	}
	return false
}

// sayHostRoute looks for the way to the host, and says which route it needs itself,
// which cannot be seen from here.
func (w *pathWalk) sayHostRoute(_ context.Context, f *findings.Finding) {
	if w.own {
		f.OK("the packet starts on this host")
		return
	}
	routes, err := netlink.RouteGet(w.from.AsSlice())
	if err == nil && (len(routes) == 0 || routes[0].Type == unix.RTN_UNREACHABLE || routes[0].Type == unix.RTN_BLACKHOLE) {
		err = unix.ENETUNREACH
	}
	if w.back = err; err != nil {
		f.NotTried("this host has no route to %v: see 'route back'", w.from)
		return
	}
	r := routes[0]
	w.hop = r.Gw != nil
	w.near, _ = netip.AddrFromSlice(r.Src)
	if link, err := netlink.LinkByIndex(r.LinkIndex); err == nil {
		w.in = link.Attrs().Name
	}
	who := "the host"
	if w.hop {
		who = "a router on the way"
	}
	f.Note("cannot be checked from here. If no packet arrives, %s needs this route:\nip -6 route add %v via %v", who, w.a.Prefix, w.near)
}

// checkForwarding looks whether this host passes packets on at all.
func (w *pathWalk) checkForwarding(_ context.Context, f *findings.Finding) {
	on, err := forwarding()
	switch {
	case w.own:
		f.OK("not needed for packets of this host")
	case err != nil:
		f.NotTried("%v", err)
	case !on:
		f.Wrong("this host forwards no IPv6 packets").
			Do(forwardingRemedy)
	default:
		f.OK("on")
	}
}

const forwardingRemedy = "sysctl -w net.ipv6.conf.all.forwarding=1, and add it to a file in /etc/sysctl.d. If this host gets its default " +
	"route from router advertisements, first set net.ipv6.conf.INTERFACE.accept_ra=2"

// forwarding reports whether the kernel forwards IPv6. It asks all.forwarding alone:
// that of an interface decides nothing (Linux, ip6_forward).
func forwarding() (bool, error) {
	b, err := os.ReadFile("/proc/sys/net/ipv6/conf/all/forwarding")
	if err != nil {
		return false, err
	}
	return strings.TrimSpace(string(b)) != "0", nil
}

// checkSourceRules looks for the rules that keep others from posing as the mesh.
func (w *pathWalk) checkSourceRules(_ context.Context, f *findings.Finding) {
	sourceRules(tun.Options{Name: w.a.Interface, Prefix: w.a.Prefix, Gateway: w.a.Gateway, Shared: w.a.Shared}, f)
}

// sourceRules looks for the policy rules of one mesh.
func sourceRules(o tun.Options, f *findings.Finding) {
	ok, err := tun.RulesComplete(o)
	switch {
	case err != nil:
		f.NotTried("%v", err)
	case !ok:
		f.Wrong("the policy rules for the source %v are incomplete or not first: another host could pose as the gateway, and replies may take a wrong route", o.Prefix).
			Do("another program changed them (see 'ip -6 rule'): find it, then restart the daemon")
	default:
		f.OK("in place")
	}
}

// checkRoute asks the kernel where it would send the packet.
func (w *pathWalk) checkRoute(_ context.Context, f *findings.Finding) {
	in := ""
	if !w.own {
		if in = w.in; in == "" {
			f.NotTried("the interface by which packets of %v arrive is not known", w.from)
			return
		}
	}
	routeLeads(w.a.Address, w.from, in, w.a.Interface, f)
}

// routeLeads looks whether the kernel sends packets from an address to a node into
// the mesh's interface. in is the interface by which they come in, empty for those of
// this host.
func routeLeads(to, from netip.Addr, in, iface string, f *findings.Finding) {
	routes, err := netlink.RouteGetWithOptions(to.AsSlice(), &netlink.RouteGetOptions{SrcAddr: from.AsSlice(), Iif: in})
	if err != nil || len(routes) == 0 {
		f.Wrong("this host has no route from %v to %v: %v", from, to, err).
			Do("see 'ip -6 rule' and 'ip -6 route get " + to.String() + " from " + from.String() + "' for the reason; the daemon adds the route at its start")
		return
	}
	name := fmt.Sprint(routes[0].LinkIndex)
	if link, err := netlink.LinkByIndex(routes[0].LinkIndex); err == nil {
		name = link.Attrs().Name
	}
	if name != iface {
		f.Wrong("this host sends %v to %s, not to %s", to, name, iface).
			Do(fmt.Sprintf("remove the more specific route, or the one with the lower metric: ip -6 route show to match %v", to))
		return
	}
	f.OK("to %s", name)
}

// checkFirewall looks at the packet filter of this host, as far as it can be told.
func (w *pathWalk) checkFirewall(ctx context.Context, f *findings.Finding) {
	if w.own {
		f.OK("packets of this host do not pass the forward chains")
		return
	}
	p := passage{in: w.in, out: w.a.Interface, src: w.from, dst: w.a.Address, port: w.service.Port}
	p.proto = map[uint8]string{6: "tcp", 17: "udp", 58: "ipv6-icmp"}[w.service.Proto]
	firewall(ctx, p, f)
}

// firewall says what the packet filter does with a packet.
func firewall(ctx context.Context, p passage, f *findings.Finding) {
	r, why := readFilter(ctx)
	if r == nil {
		f.NotTried("%s", why)
		return
	}
	switch v, where := r.judge(p); {
	case v == filterDrops:
		f.Wrong("%s drops it", where).
			Do(fmt.Sprintf("add a rule ahead of it: ip6 saddr %v ip6 daddr %v accept", p.src, p.dst))
	case v == filterUnsure:
		f.Note("%s may drop it: the rule has conditions that this check cannot evaluate", where)
	case legacyFilter():
		f.Note("nftables lets it pass, but there are legacy ip6tables rules too: see ip6tables-legacy-save")
	default:
		f.OK("nothing drops it")
	}
}

// checkInterface looks at the mesh's interface.
func (w *pathWalk) checkInterface(_ context.Context, f *findings.Finding) {
	meshInterface(w.a.Interface, w.a.Gateway, f)
	if f.Verdict == findings.VerdictOK && !w.a.TunUp {
		f.Wrong("the daemon has lost %s", w.a.Interface).
			Do("the daemon retries every second: its log says why it fails")
	}
}

// meshInterface looks at one interface of a mesh.
func meshInterface(name string, gateway netip.Addr, f *findings.Finding) {
	link, err := netlink.LinkByName(name)
	if err != nil {
		f.Wrong("interface %s: %v", name, err).
			Do("the daemon creates it at its start and again when it is removed: read its log")
		return
	}
	if link.Attrs().Flags&net.FlagUp == 0 {
		f.Wrong("interface %s is down", name).
			Do("ip link set " + name + " up")
		return
	}
	if !isLocal(gateway) {
		f.Wrong("interface %s has lost the gateway's address %v", name, gateway).
			Do(fmt.Sprintf("ip -6 address add %v/64 dev %s, or restart the daemon", gateway, name))
		return
	}
	f.OK("%s is up", name)
}

// checkState looks at what the daemon knows of the node.
func (w *pathWalk) checkState(_ context.Context, f *findings.Finding) {
	heard := "never heard"
	if w.a.Heard != nil {
		heard = "last heard " + cli.Ago(w.a.Heard, time.Now())
	}
	switch {
	case !w.a.Admitted:
		f.Wrong("%s is a stranger: no place has its EUI-64, and admit is \"listed\"", w.a.Node).
			Do("give it a [[mesh.place]], or set admit = \"any\"")
	case !w.a.Reachable && w.a.Heard == nil:
		f.Wrong("%s is %s: never heard", w.a.Node, w.a.State).
			Do("check that the device has power, that the place has its EUI-64, and that it has the mesh's keys and channels")
	case !w.a.Reachable:
		f.Wrong("%s is %s, %s: the radio reports it gone", w.a.Node, w.a.State, heard).
			Do("check its power supply and its neighbors: 'culvert nodes' shows which others are silent")
	default:
		f.OK("%s, %s", w.a.State, heard)
	}
}

// checkRadio looks whether there is a radio.
func (w *pathWalk) checkRadio(_ context.Context, f *findings.Finding) {
	if !w.a.RadioUp {
		f.Wrong("the radio of mesh %s is down", w.a.Mesh).
			Do("check its cable and power; the daemon's log says why. To test the radio, stop the daemon and run 'culvert check --radio'")
		return
	}
	f.OK("up")
}

// checkRule says which rule decides.
func (w *pathWalk) checkRule(_ context.Context, f *findings.Finding) {
	a := w.a
	switch {
	case a.Own:
		f.OK("rules do not apply to packets of the gateway itself")
	case a.Rule == 0 && a.Unnamed:
		f.Wrong("a rule names \"any\", which never matches between a unique local and a global address").
			Do("name the prefix and run 'culvert reload':\n" + a.Text)
	case a.Rule == 0:
		f.Wrong("no rule allows it").
			Do("add these lines to the configuration and run 'culvert reload':\n" + a.Text)
	case !a.Allow:
		f.Wrong("rule %d denies it:\n%s", a.Rule, a.Text).
			Do("change that rule, or add one ahead of it that allows the packet, and run 'culvert reload'")
	default:
		f.OK("rule %d allows it:\n%s", a.Rule, a.Text)
	}
}

// checkQueue looks whether the node's queue has room.
func (w *pathWalk) checkQueue(_ context.Context, f *findings.Finding) {
	a := w.a
	f.OK("%d of %d packets queued for the node, %d of %d octets", a.Packets, a.MaxPackets, a.Octets, a.MaxOctets)
	if a.Packets >= a.MaxPackets || a.Octets+1280 > a.MaxOctets {
		f.Verdict = findings.VerdictWrong
		f.Remedy = "hosts send more than the mesh can carry: find them ('culvert check', a capture) and give their rule a rate"
	}
}

// checkResult looks at what became of the last frame.
func (w *pathWalk) checkResult(_ context.Context, f *findings.Finding) {
	a := w.a
	if a.LastAt == nil {
		f.OK("none yet")
		return
	}
	f.OK("%s, %s; %d frames acknowledged, %d failed since the start", a.Last, cli.Ago(a.LastAt, time.Now()), a.Acked, a.Failed)
	switch {
	case a.InARow >= 3, a.InARow > 0 && a.Acked == 0:
		f.Verdict = findings.VerdictWrong
		f.Found += fmt.Sprintf(", the last %d in a row", a.InARow)
		f.Remedy = "the radio cannot reach the node: check its power supply and the links on the way"
	case a.InARow > 0:
		f.Verdict = findings.VerdictNote
	}
}

// checkRouteBack looks for the way of the answer.
func (w *pathWalk) checkRouteBack(_ context.Context, f *findings.Finding) {
	switch {
	case w.own:
		f.OK("the reply ends at this host")
	case w.back != nil:
		f.Wrong("this host has no route to %v: %v", w.from, w.back).
			Do("add a default route, or one to the host's network: ip -6 route add PREFIX via ROUTER")
	case w.in == w.a.Interface:
		f.Wrong("this host routes %v into the mesh interface %s", w.from, w.in).
			Do("see 'ip -6 route get " + w.from.String() + "'")
	default:
		f.OK("through %s", w.in)
	}
}
