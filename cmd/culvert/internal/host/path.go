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

// pathStep is one step on the path of a packet from a host to a node.
type pathStep struct {
	name string
	run  func(*pathCheck, context.Context, *findings.Finding)
}

// PathSteps lists the steps in packet order, after the two that gather facts.
var PathSteps = []pathStep{
	{"daemon", (*pathCheck).checkDaemon},
	{"node", (*pathCheck).checkNode},
	{"host address", (*pathCheck).checkHostAddress},
	{"host's route", (*pathCheck).checkHostRoute},
	{"forwarding", (*pathCheck).checkForwarding},
	{"source rules", (*pathCheck).checkSourceRules},
	{"interface", (*pathCheck).checkInterface},
	{"mesh route", (*pathCheck).checkRoute},
	{"firewall", (*pathCheck).checkFirewall},
	{"radio", (*pathCheck).checkRadio},
	{"node's state", (*pathCheck).checkState},
	{"rule", (*pathCheck).checkRule},
	{"queue", (*pathCheck).checkQueue},
	{"last result", (*pathCheck).checkResult},
	{"route back", (*pathCheck).checkRouteBack},
}

// pathCheck checks the path of a packet from a host to a node.
type pathCheck struct {
	file    string // the configuration
	from    netip.Addr
	to      string
	service policy.Service

	client *client.Client
	answer *control.PathAnswer // nil until the daemon has answered

	local    bool       // from is an address of this host
	ingress  string     // the interface by which packets of from arrive
	gateway  netip.Addr // this host's address towards from
	routed   bool       // from is behind a router
	routeErr error      // why there is no route to from
}

// newPathCheck parses the flags.
func newPathCheck(g *cli.Globals, o checkOptions) (*pathCheck, error) {
	w := &pathCheck{file: g.Config, to: o.to}
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

// checkPath runs `culvert check --to`.
func checkPath(ctx context.Context, g *cli.Globals, o checkOptions, r *findings.CheckReport) error {
	w, err := newPathCheck(g, o)
	if err != nil {
		return cli.AsUsage(err)
	}
	blocked := ""
	for _, s := range PathSteps {
		f := findings.Finding{Check: s.name}
		if w.answer == nil && s.name != "daemon" && s.name != "node" {
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
	if w.client != nil {
		defer w.client.Close()
	}
	r.Blocked = blocked
	return r.End(nil)
}

// checkDaemon connects to the daemon.
func (w *pathCheck) checkDaemon(ctx context.Context, f *findings.Finding) {
	ctx, cancel := context.WithTimeout(ctx, control.ControlTimeout)
	defer cancel()
	c, err := control.DialControl(ctx, w.file)
	if err != nil {
		f.Wrong("%v", err).
			Do(fmt.Sprintf("start it: culvert run --config %s", w.file))
		return
	}
	w.client = c
	f.OK("running")
}

// checkNode asks the daemon for the node and all that it knows of the path.
func (w *pathCheck) checkNode(ctx context.Context, f *findings.Finding) {
	if w.client == nil {
		f.NotTried("needs a running daemon")
		return
	}
	ctx, cancel := context.WithTimeout(ctx, control.ControlTimeout)
	defer cancel()
	from := w.from
	if !from.IsValid() {
		from = netip.IPv6Unspecified() // the answer has the gateway's address
	}
	var a control.PathAnswer
	ask := func() error {
		return w.client.Control(ctx, "path", false, []string{"from=" + from.String(), "to=" + w.to, "service=" + w.service.String()}, &a)
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
	w.answer = &a
	f.OK("%s of mesh %s, %v", a.Node, a.Mesh, a.Address)
}

// checkHostAddress checks that the host's address can reach the mesh.
func (w *pathCheck) checkHostAddress(_ context.Context, f *findings.Finding) {
	a := w.from
	w.local = a == w.answer.Gateway || isLocal(a)
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
	case w.answer.Prefix.Contains(a) && a != w.answer.Gateway:
		bad("is inside the mesh prefix: packets from outside may not use it (RFC 2827)", "give the host an address of another prefix")
	case a == w.answer.Gateway:
		f.OK("%v is this gateway: no route, rule or forwarding is needed", a)
	case a.IsPrivate() != w.answer.Address.IsPrivate():
		f.Note("one of %v and %v is unique local, the other global: a rule must name the host's prefix, \"any\" is not enough", a, w.answer.Address)
	default:
		f.OK("%v: %s", a, scope(a))
	}
}

// scope names the scope of an address that matches the node's.
func scope(a netip.Addr) string {
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

// checkHostRoute looks up the route to the host and prints the route that the host needs,
// which cannot be checked from here.
func (w *pathCheck) checkHostRoute(_ context.Context, f *findings.Finding) {
	if w.local {
		f.OK("the packet starts on this host")
		return
	}
	routes, err := netlink.RouteGet(w.from.AsSlice())
	if err == nil && (len(routes) == 0 || routes[0].Type == unix.RTN_UNREACHABLE || routes[0].Type == unix.RTN_BLACKHOLE) {
		err = unix.ENETUNREACH
	}
	if w.routeErr = err; err != nil {
		f.NotTried("this host has no route to %v: see 'route back'", w.from)
		return
	}
	r := routes[0]
	w.routed = r.Gw != nil
	w.gateway, _ = netip.AddrFromSlice(r.Src)
	if link, err := netlink.LinkByIndex(r.LinkIndex); err == nil {
		w.ingress = link.Attrs().Name
	}
	who := "the host"
	if w.routed {
		who = "a router on the way"
	}
	f.Note("cannot be checked from here. If no packet arrives, %s needs this route:\nip -6 route add %v via %v", who, w.answer.Prefix, w.gateway)
}

// checkForwarding checks that this host forwards IPv6.
func (w *pathCheck) checkForwarding(_ context.Context, f *findings.Finding) {
	on, err := forwarding()
	switch {
	case w.local:
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

// forwarding reports whether the kernel forwards IPv6. Only all.forwarding decides, not the
// parameter of an interface (Linux, ip6_forward).
func forwarding() (bool, error) {
	b, err := os.ReadFile("/proc/sys/net/ipv6/conf/all/forwarding")
	if err != nil {
		return false, err
	}
	return strings.TrimSpace(string(b)) != "0", nil
}

// checkSourceRules checks the rules that keep other hosts from using the mesh prefix as a source.
func (w *pathCheck) checkSourceRules(_ context.Context, f *findings.Finding) {
	checkRules(tun.Options{Name: w.answer.Interface, Prefix: w.answer.Prefix, Gateway: w.answer.Gateway, Shared: w.answer.Shared}, f)
}

// checkRules checks the policy rules of one mesh.
func checkRules(o tun.Options, f *findings.Finding) {
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

// checkRoute checks where the kernel routes the packet.
func (w *pathCheck) checkRoute(_ context.Context, f *findings.Finding) {
	in := ""
	if !w.local {
		if in = w.ingress; in == "" {
			f.NotTried("the interface by which packets of %v arrive is not known", w.from)
			return
		}
	}
	checkRouteTo(w.answer.Address, w.from, in, w.answer.Interface, f)
}

// checkRouteTo checks that the kernel routes packets from an address to a node into the
// mesh's interface. in is the interface by which they arrive; it is empty for packets of
// this host.
func checkRouteTo(to, from netip.Addr, in, iface string, f *findings.Finding) {
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

// checkFirewall checks the packet filter of this host.
func (w *pathCheck) checkFirewall(ctx context.Context, f *findings.Finding) {
	if w.local {
		f.OK("packets of this host do not pass the forward chains")
		return
	}
	p := forwardedPacket{in: w.ingress, out: w.answer.Interface, src: w.from, dst: w.answer.Address, port: w.service.Port}
	p.proto = map[uint8]string{6: "tcp", 17: "udp", 58: "ipv6-icmp"}[w.service.Proto]
	firewall(ctx, p, f)
}

// firewall reports what the packet filter does with p.
func firewall(ctx context.Context, p forwardedPacket, f *findings.Finding) {
	r, why := readRuleset(ctx)
	if r == nil {
		f.NotTried("%s", why)
		return
	}
	switch v, where := r.evaluate(p); {
	case v == filterDrops:
		f.Wrong("%s drops it", where).
			Do(fmt.Sprintf("add a rule ahead of it: ip6 saddr %v ip6 daddr %v accept", p.src, p.dst))
	case v == filterUnknown:
		f.Note("%s may drop it: the rule has conditions that this check cannot evaluate", where)
	case hasLegacyFilter():
		f.Note("nftables lets it pass, but there are legacy ip6tables rules too: see ip6tables-legacy-save")
	default:
		f.OK("nothing drops it")
	}
}

// checkInterface checks the mesh's interface.
func (w *pathCheck) checkInterface(_ context.Context, f *findings.Finding) {
	checkLink(w.answer.Interface, w.answer.Gateway, f)
	if f.Verdict == findings.VerdictOK && !w.answer.TunUp {
		f.Wrong("the daemon has lost %s", w.answer.Interface).
			Do("the daemon retries every second: its log says why it fails")
	}
}

// checkLink checks that an interface is up and has the gateway's address.
func checkLink(name string, gateway netip.Addr, f *findings.Finding) {
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

// checkState checks the state of the node.
func (w *pathCheck) checkState(_ context.Context, f *findings.Finding) {
	heard := "never heard"
	if w.answer.Heard != nil {
		heard = "last heard " + cli.Ago(w.answer.Heard, time.Now())
	}
	switch {
	case !w.answer.Admitted:
		f.Wrong("%s is a stranger: no place has its EUI-64, and admit is \"listed\"", w.answer.Node).
			Do("give it a [[mesh.place]], or set admit = \"any\"")
	case !w.answer.Reachable && w.answer.Heard == nil:
		f.Wrong("%s is %s: never heard", w.answer.Node, w.answer.State).
			Do("check that the device has power, that the place has its EUI-64, and that it has the mesh's keys and channels")
	case !w.answer.Reachable:
		f.Wrong("%s is %s, %s: the radio reports it gone", w.answer.Node, w.answer.State, heard).
			Do("check its power supply and its neighbors: 'culvert nodes' shows which others are silent")
	default:
		f.OK("%s, %s", w.answer.State, heard)
	}
}

// checkRadio checks that the radio is up.
func (w *pathCheck) checkRadio(_ context.Context, f *findings.Finding) {
	if !w.answer.RadioUp {
		f.Wrong("the radio of mesh %s is down", w.answer.Mesh).
			Do("check its cable and power; the daemon's log says why. To test the radio, stop the daemon and run 'culvert check --radio'")
		return
	}
	f.OK("up")
}

// checkRule reports which rule decides.
func (w *pathCheck) checkRule(_ context.Context, f *findings.Finding) {
	a := w.answer
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

// checkQueue checks that the node's queue has room.
func (w *pathCheck) checkQueue(_ context.Context, f *findings.Finding) {
	a := w.answer
	f.OK("%d of %d packets queued for the node, %d of %d octets", a.Packets, a.MaxPackets, a.Octets, a.MaxOctets)
	if a.Packets >= a.MaxPackets || a.Octets+1280 > a.MaxOctets {
		f.Verdict = findings.VerdictWrong
		f.Remedy = "hosts send more than the mesh can carry: find them ('culvert check', a capture) and give their rule a rate"
	}
}

// checkResult checks the result of the last frame.
func (w *pathCheck) checkResult(_ context.Context, f *findings.Finding) {
	a := w.answer
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

// checkRouteBack checks the route of the reply.
func (w *pathCheck) checkRouteBack(_ context.Context, f *findings.Finding) {
	switch {
	case w.local:
		f.OK("the reply ends at this host")
	case w.routeErr != nil:
		f.Wrong("this host has no route to %v: %v", w.from, w.routeErr).
			Do("add a default route, or one to the host's network: ip -6 route add PREFIX via ROUTER")
	case w.ingress == w.answer.Interface:
		f.Wrong("this host routes %v into the mesh interface %s", w.from, w.ingress).
			Do("see 'ip -6 route get " + w.from.String() + "'")
	default:
		f.OK("through %s", w.ingress)
	}
}
