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
			f.Set(findings.VerdictNotTried, "only the daemon knows")
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
		f.Set(findings.VerdictWrong, "%v", err)
		f.Remedy = fmt.Sprintf("start it: culvert run --config %s", w.file)
		return
	}
	w.c = c
	f.Set(findings.VerdictOK, "it answers")
}

// checkNode finds the node, and asks the daemon for all that it knows of the way.
func (w *pathWalk) checkNode(ctx context.Context, f *findings.Finding) {
	if w.c == nil {
		f.Set(findings.VerdictNotTried, "only the daemon knows")
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
		f.Set(findings.VerdictWrong, "%s", refused.Text)
		f.Remedy = "name a node that 'culvert nodes' lists, or an address of its"
		return
	}
	if err != nil {
		f.Set(findings.VerdictWrong, "%v", err)
		f.Remedy = "look into the daemon's log"
		return
	}
	w.a = &a
	f.Set(findings.VerdictOK, "%s of mesh %s, %v", a.Node, a.Mesh, a.Address)
}

// checkHostAddress looks at what kind of address the host has.
func (w *pathWalk) checkHostAddress(_ context.Context, f *findings.Finding) {
	a := w.from
	w.own = a == w.a.Gateway || isLocal(a)
	bad := func(why, remedy string) {
		f.Set(findings.VerdictWrong, "%v %s", a, why)
		f.Remedy = remedy
	}
	const another = "name the host's address that others can reach"
	switch {
	case a.IsLinkLocalUnicast():
		bad("is link-local: it never leaves its link (RFC 4291, section 2.5.6)", another)
	case a.IsMulticast(), a.IsUnspecified(), a.IsLoopback(), a.Is4In6():
		bad("is no address that a packet on its way may come from", another)
	case w.a.Prefix.Contains(a) && a != w.a.Gateway:
		bad("is in the mesh's own prefix: from outside nobody may send from there (RFC 2827)", "give the host an address in another prefix")
	case a == w.a.Gateway:
		f.Set(findings.VerdictOK, "%v is this gateway itself: no route, rule or forwarding is needed", a)
	case a.IsPrivate() != w.a.Address.IsPrivate():
		f.Set(findings.VerdictNote, "%v and %v: a unique local and a global address; a rule has to name that prefix, \"any\" is not enough", a, w.a.Address)
	default:
		f.Set(findings.VerdictOK, "%v: %s", a, reach(a))
	}
}

// reach names how far an address is known.
func reach(a netip.Addr) string {
	if a.IsPrivate() {
		return "unique local, as the node's is"
	}
	return "global, as the node's is"
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
		f.Set(findings.VerdictOK, "the packet starts on this host")
		return
	}
	routes, err := netlink.RouteGet(w.from.AsSlice())
	if err == nil && (len(routes) == 0 || routes[0].Type == unix.RTN_UNREACHABLE || routes[0].Type == unix.RTN_BLACKHOLE) {
		err = unix.ENETUNREACH
	}
	if w.back = err; err != nil {
		f.Set(findings.VerdictNotTried, "this host itself has no route to %v: see 'route back'", w.from)
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
		who = "a router on the host's way"
	}
	f.Set(findings.VerdictNote, "it cannot be seen from here. If nothing arrives, %s lacks this route:\nip -6 route add %v via %v", who, w.a.Prefix, w.near)
}

// checkForwarding looks whether this host passes packets on at all.
func (w *pathWalk) checkForwarding(_ context.Context, f *findings.Finding) {
	on, err := forwarding()
	switch {
	case w.own:
		f.Set(findings.VerdictOK, "not needed for this host's own packets")
	case err != nil:
		f.Set(findings.VerdictNotTried, "%v", err)
	case !on:
		f.Set(findings.VerdictWrong, "this host forwards no IPv6 packets")
		f.Remedy = forwardingRemedy
	default:
		f.Set(findings.VerdictOK, "on")
	}
}

const forwardingRemedy = "sysctl -w net.ipv6.conf.all.forwarding=1, kept in a file under /etc/sysctl.d; where this host takes its own " +
	"default route from router advertisements, first net.ipv6.conf.INTERFACE.accept_ra=2"

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
		f.Set(findings.VerdictNotTried, "%v", err)
	case !ok:
		f.Set(findings.VerdictWrong, "the policy rules for the source %v are not complete, or not the first: others can pose as the gateway, and answers may go astray", o.Prefix)
		f.Remedy = "another program has changed them ('ip -6 rule'): find out which, and start the daemon anew"
	default:
		f.Set(findings.VerdictOK, "they stand")
	}
}

// checkRoute asks the kernel where it would send the packet.
func (w *pathWalk) checkRoute(_ context.Context, f *findings.Finding) {
	in := ""
	if !w.own {
		if in = w.in; in == "" {
			f.Set(findings.VerdictNotTried, "it is not known where the packets of %v come in", w.from)
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
		f.Set(findings.VerdictWrong, "this host has no route from %v to %v: %v", from, to, err)
		f.Remedy = "see 'ip -6 rule' and 'ip -6 route get " + to.String() + " from " + from.String() + "' for what stands in the way; the daemon sets a route to its interface at start"
		return
	}
	name := fmt.Sprint(routes[0].LinkIndex)
	if link, err := netlink.LinkByIndex(routes[0].LinkIndex); err == nil {
		name = link.Attrs().Name
	}
	if name != iface {
		f.Set(findings.VerdictWrong, "this host sends %v to %s, not to %s", to, name, iface)
		f.Remedy = fmt.Sprintf("remove the route that is more specific, or has a lower metric: ip -6 route show to match %v", to)
		return
	}
	f.Set(findings.VerdictOK, "to %s", name)
}

// checkFirewall looks at the packet filter of this host, as far as it can be told.
func (w *pathWalk) checkFirewall(ctx context.Context, f *findings.Finding) {
	if w.own {
		f.Set(findings.VerdictOK, "chains for forwarded packets do not see this host's own")
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
		f.Set(findings.VerdictNotTried, "%s", why)
		return
	}
	switch v, where := r.judge(p); {
	case v == filterDrops:
		f.Set(findings.VerdictWrong, "%s drops it", where)
		f.Remedy = fmt.Sprintf("let it pass, ahead of that: ip6 saddr %v ip6 daddr %v accept", p.src, p.dst)
	case v == filterUnsure:
		f.Set(findings.VerdictNote, "%s may drop it: it asks for more than is known here", where)
	case legacyFilter():
		f.Set(findings.VerdictNote, "nft's chains let it pass; there is an older packet filter too: ip6tables-legacy-save")
	default:
		f.Set(findings.VerdictOK, "nothing drops it")
	}
}

// checkInterface looks at the mesh's interface.
func (w *pathWalk) checkInterface(_ context.Context, f *findings.Finding) {
	meshInterface(w.a.Interface, w.a.Gateway, f)
	if f.Verdict == findings.VerdictOK && !w.a.TunUp {
		f.Set(findings.VerdictWrong, "the daemon has lost %s", w.a.Interface)
		f.Remedy = "it tries again once a second: look into its log for why it cannot"
	}
}

// meshInterface looks at one interface of a mesh.
func meshInterface(name string, gateway netip.Addr, f *findings.Finding) {
	link, err := netlink.LinkByName(name)
	if err != nil {
		f.Set(findings.VerdictWrong, "interface %s: %v", name, err)
		f.Remedy = "the daemon makes it at start, and again when it vanished: look into its log"
		return
	}
	if link.Attrs().Flags&net.FlagUp == 0 {
		f.Set(findings.VerdictWrong, "interface %s is down", name)
		f.Remedy = "ip link set " + name + " up"
		return
	}
	if !isLocal(gateway) {
		f.Set(findings.VerdictWrong, "interface %s has lost the gateway's address %v", name, gateway)
		f.Remedy = fmt.Sprintf("ip -6 address add %v/64 dev %s, or start the daemon anew", gateway, name)
		return
	}
	f.Set(findings.VerdictOK, "%s is up", name)
}

// checkState looks at what the daemon knows of the node.
func (w *pathWalk) checkState(_ context.Context, f *findings.Finding) {
	heard := "never heard"
	if w.a.Heard != nil {
		heard = "last heard " + cli.Ago(w.a.Heard, time.Now())
	}
	switch {
	case !w.a.Admitted:
		f.Set(findings.VerdictWrong, "%s is a stranger: no place has its EUI-64, and admit is \"listed\"", w.a.Node)
		f.Remedy = "give it a [[mesh.place]], or set admit = \"any\""
	case !w.a.Reachable && w.a.Heard == nil:
		f.Set(findings.VerdictWrong, "%s is %s: never heard", w.a.Node, w.a.State)
		f.Remedy = "see that the device is powered, that its EUI-64 is that of the place, and that it knows the mesh's keys and channels"
	case !w.a.Reachable:
		f.Set(findings.VerdictWrong, "%s is %s, %s: the radio says that it is gone", w.a.Node, w.a.State, heard)
		f.Remedy = "see to its supply and its neighbours: 'culvert nodes' shows who else is silent"
	default:
		f.Set(findings.VerdictOK, "%s, %s", w.a.State, heard)
	}
}

// checkRadio looks whether there is a radio.
func (w *pathWalk) checkRadio(_ context.Context, f *findings.Finding) {
	if !w.a.RadioUp {
		f.Set(findings.VerdictWrong, "the radio of mesh %s is not there", w.a.Mesh)
		f.Remedy = "see to its line and its supply; the daemon's log says why, and 'culvert check --radio' tries it once the daemon is stopped"
		return
	}
	f.Set(findings.VerdictOK, "up")
}

// checkRule says which rule decides.
func (w *pathWalk) checkRule(_ context.Context, f *findings.Finding) {
	a := w.a
	switch {
	case a.Own:
		f.Set(findings.VerdictOK, "none is asked about the gateway's own packets")
	case a.Rule == 0 && a.Unnamed:
		f.Set(findings.VerdictWrong, "a rule says \"any\", which does not carry a packet between a unique local and a global address")
		f.Remedy = "name the prefix, and 'culvert reload':\n" + a.Text
	case a.Rule == 0:
		f.Set(findings.VerdictWrong, "no rule lets it pass")
		f.Remedy = "add these lines to the configuration, and 'culvert reload':\n" + a.Text
	case !a.Allow:
		f.Set(findings.VerdictWrong, "rule %d denies it:\n%s", a.Rule, a.Text)
		f.Remedy = "change that rule, or put one that allows it ahead of it, and 'culvert reload'"
	default:
		f.Set(findings.VerdictOK, "rule %d allows it:\n%s", a.Rule, a.Text)
	}
}

// checkQueue looks whether the node's queue has room.
func (w *pathWalk) checkQueue(_ context.Context, f *findings.Finding) {
	a := w.a
	f.Set(findings.VerdictOK, "%d of %d packets wait for the node, %d of %d octets", a.Packets, a.MaxPackets, a.Octets, a.MaxOctets)
	if a.Packets >= a.MaxPackets || a.Octets+1280 > a.MaxOctets {
		f.Verdict = findings.VerdictWrong
		f.Remedy = "more is sent to it than the mesh carries: see who sends so much ('culvert check', a capture), and give that rule a rate"
	}
}

// checkResult looks at what became of the last frame.
func (w *pathWalk) checkResult(_ context.Context, f *findings.Finding) {
	a := w.a
	if a.LastAt == nil {
		f.Set(findings.VerdictOK, "none yet")
		return
	}
	f.Set(findings.VerdictOK, "%s, %s; %d frames acknowledged, %d failed since the start", a.Last, cli.Ago(a.LastAt, time.Now()), a.Acked, a.Failed)
	switch {
	case a.InARow >= 3, a.InARow > 0 && a.Acked == 0:
		f.Verdict = findings.VerdictWrong
		f.Found += fmt.Sprintf(", the last %d of them one after the other", a.InARow)
		f.Remedy = "the radio does not get through to it: see to its supply, and to the links on its way"
	case a.InARow > 0:
		f.Verdict = findings.VerdictNote
	}
}

// checkRouteBack looks for the way of the answer.
func (w *pathWalk) checkRouteBack(_ context.Context, f *findings.Finding) {
	switch {
	case w.own:
		f.Set(findings.VerdictOK, "the answer ends on this host")
	case w.back != nil:
		f.Set(findings.VerdictWrong, "this host has no route to %v: %v", w.from, w.back)
		f.Remedy = "give it a default route, or one to the host's network: ip -6 route add PREFIX via ROUTER"
	case w.in == w.a.Interface:
		f.Set(findings.VerdictWrong, "this host takes %v for a node: its route leads into %s", w.from, w.in)
		f.Remedy = "see 'ip -6 route get " + w.from.String() + "'"
	default:
		f.Set(findings.VerdictOK, "by %s", w.in)
	}
}
