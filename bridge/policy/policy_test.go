package policy

import (
	"fmt"
	"math/rand/v2"
	"net/netip"
	"strings"
	"testing"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
)

var (
	begin = time.Unix(1_800_000_000, 0)
	host  = netip.MustParseAddr("2001:db8:ffff::53")
	other = netip.MustParseAddr("2001:db8:eeee::9")
)

// site is a mesh called fenland with the six places of the example.
func site(t testing.TB) (*node.Table, map[string]*node.Node) {
	t.Helper()
	names := []string{"north-sump", "bank-east", "mast", "grain-bin", "cold-store", "pump-house"}
	var places []node.Place
	for i, n := range names {
		places = append(places, node.Place{Name: n, EUI64: ieee802154.Extended(0x00005eef10000002 + uint64(i))})
	}
	table, err := node.New(node.Options{Prefix: netip.MustParsePrefix("2001:db8:77c0:1::/64"), Places: places})
	if err != nil {
		t.Fatal(err)
	}
	nodes := map[string]*node.Node{}
	for _, n := range names {
		nodes[n] = table.ByLabel(n)
	}
	return table, nodes
}

func rule(t testing.TB, from, to, services string) Rule {
	t.Helper()
	var r Rule
	for _, x := range strings.Fields(from) {
		e, err := ParseEnd(x)
		if err != nil {
			t.Fatal(err)
		}
		r.From = append(r.From, e)
	}
	for _, x := range strings.Fields(to) {
		e, err := ParseEnd(x)
		if err != nil {
			t.Fatal(err)
		}
		r.To = append(r.To, e)
	}
	for _, x := range strings.Fields(services) {
		s, err := ParseService(x)
		if err != nil {
			t.Fatal(err)
		}
		r.Services = append(r.Services, s)
	}
	return r
}

func deny(r Rule) Rule { r.Deny = true; return r }

func engine(t testing.TB, rules ...Rule) *Engine {
	t.Helper()
	s, err := Compile(rules)
	if err != nil {
		t.Fatal(err)
	}
	e := New(Options{Mesh: "fenland", Now: begin})
	e.Swap(s)
	return e
}

// udp builds a UDP packet with 4 octets of payload: from the port of CoAP, a response.
func udp(src, dst netip.Addr, sport, dport uint16) ipv6.Packet {
	payload := []byte{1, 2, 3, 4}
	if sport == PortCoAP {
		payload = []byte{0x60, 0x44, 0, 1} // 2.04 (RFC 7252, sections 3 and 5.9.1.4)
	}
	return datagram(src, dst, sport, dport, payload...)
}

// datagram builds a UDP packet without a checksum.
func datagram(src, dst netip.Addr, sport, dport uint16, payload ...byte) ipv6.Packet {
	n := 8 + len(payload)
	b := ipv6.Header{PayloadLen: n, NextHeader: ipv6.ProtoUDP, HopLimit: 64, Source: src, Destination: dst}.AppendTo(nil)
	b = append(b, byte(sport>>8), byte(sport), byte(dport>>8), byte(dport), byte(n>>8), byte(n), 0, 0)
	return append(b, payload...)
}

func echo(src, dst netip.Addr, typ byte, id uint16) ipv6.Packet {
	b := ipv6.Header{PayloadLen: 8, NextHeader: ipv6.ProtoICMPv6, HopLimit: 64, Source: src, Destination: dst}.AppendTo(nil)
	return append(b, typ, 0, 0, 0, byte(id>>8), byte(id), 0, 1)
}

func (e *Engine) ask(p ipv6.Packet, from, to *node.Node, at time.Duration) Verdict {
	return decideAndBegin(e, p, ipv6.Walk(p), from, to, begin.Add(at))
}

// First match wins, and nothing matches means no: RFC 6092, section 3 in spirit.
func TestFirstMatchDecides(t *testing.T) {
	table, nodes := site(t)
	addr := func(n string) netip.Addr { return table.Address(nodes[n]) }
	rules := []Rule{
		deny(rule(t, "2001:db8:ffff::53", "fenland/pump-house", "any")),
		rule(t, "2001:db8:ffff::/48", "fenland/*-house fenland/grain-bin", "coap"),
		rule(t, "any", "fenland", "echo"),
		rule(t, "fenland/mast", "2001:db8:eeee::/48", "udp/5000"),
		rule(t, "fenland/mast", "fenland/cold-store", "tcp"),
		deny(rule(t, "any", "any", "udp/7")),
		rule(t, "2001:db8:ffff::/48", "2001:db8:77c0:1::/64", "udp"),
	}
	for _, c := range []struct {
		name     string
		p        ipv6.Packet
		from, to string
		allow    bool
		rule     int
	}{
		{"denied before allowed", udp(host, addr("pump-house"), 9, 5683), "", "pump-house", false, 0},
		{"a neighbour is not denied", udp(host.Next(), addr("pump-house"), 9, 5683), "", "pump-house", true, 1},
		{"second name", udp(host, addr("grain-bin"), 9, 5683), "", "grain-bin", true, 1},
		{"echo from anywhere", echo(other, addr("mast"), 128, 7), "", "mast", true, 2},
		{"another service", udp(other, addr("mast"), 9, 5683), "", "mast", false, -1},
		{"outward by node", udp(addr("mast"), other, 9, 5000), "mast", "", true, 3},
		{"outward by another node", udp(addr("grain-bin"), other, 9, 5000), "grain-bin", "", false, -1},
		{"outward to elsewhere", udp(addr("mast"), netip.MustParseAddr("2001:db8:dddd::1"), 9, 5000), "mast", "", false, -1},
		{"port 7 is denied by its own rule", udp(host, addr("mast"), 9, 7), "", "mast", false, 5},
		{"the prefix of the mesh names nodes too", udp(host, addr("mast"), 9, 8), "", "mast", true, 6},
	} {
		v := engine(t, rules...).ask(c.p, nodes[c.from], nodes[c.to], 0)
		if v.Allow != c.allow || v.Rule != c.rule {
			t.Errorf("%s: %+v, want allow %v by rule %d", c.name, v, c.allow, c.rule)
		}
	}
	if v := engine(t).ask(echo(other, addr("mast"), 128, 7), nil, nodes["mast"], 0); v.Allow || v.Why != ByDefault {
		t.Errorf("no rules: %+v", v)
	}
}

// RFC 6092, REC-14: at least two minutes for UDP; answers pass while the flow lives,
// in both directions, and nothing else does.
func TestFlows(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	e := engine(t, rule(t, "any", "fenland/grain-bin", "coap echo"), rule(t, "fenland/grain-bin", "any", "udp/123"))
	if !e.ask(udp(host, a, 4000, 5683), nil, bin, 0).Allow {
		t.Fatal("the request did not pass")
	}
	for _, c := range []struct {
		name     string
		p        ipv6.Packet
		from, to *node.Node
		at       time.Duration
		allow    bool
	}{
		{"the answer after 110 s", udp(a, host, 5683, 4000), bin, nil, 110 * time.Second, true},
		{"to another port", udp(a, host, 5683, 4001), bin, nil, 111 * time.Second, false},
		{"to another host", udp(a, other, 5683, 4000), bin, nil, 111 * time.Second, false},
		{"5 min after the request, as no answer renews the flow", udp(a, host, 5683, 4000), bin, nil, 300 * time.Second, false},
		{"a second request", udp(host, a, 4000, 5683), nil, bin, 400 * time.Second, true},
		{"a third", udp(host, a, 4000, 5683), nil, bin, 600 * time.Second, true},
		{"an answer, as the opener renewed the flow", udp(a, host, 5683, 4000), bin, nil, 899 * time.Second, true},
		{"and not later", udp(a, host, 5683, 4000), bin, nil, 900 * time.Second, false},
		{"outward opened", udp(a, other, 5000, 123), bin, nil, 900 * time.Second, true},
		{"and answered inward", udp(other, a, 123, 5000), nil, bin, 901 * time.Second, true},
		{"not from another port", udp(other, a, 124, 5000), nil, bin, 901 * time.Second, false},
		{"an echo reply that nobody asked for", echo(a, host, 129, 3), bin, nil, 901 * time.Second, false},
	} {
		if v := e.ask(c.p, c.from, c.to, c.at); v.Allow != c.allow {
			t.Errorf("%s: %+v", c.name, v)
		}
	}
	if !e.ask(echo(host, a, 128, 3), nil, bin, 1000*time.Second).Allow || !e.ask(echo(a, host, 129, 3), bin, nil, 1001*time.Second).Allow {
		t.Error("an echo and its reply must pass")
	}
}

// RFC 4890, 4.3.1: errors about a live flow pass, others do not.
func TestICMPErrorsOfFlows(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	e := engine(t, rule(t, "fenland", "any", "udp/5000"))
	opened := udp(a, host, 6000, 5000)
	tooBig := func(about ipv6.Packet) ipv6.Packet {
		return ipv6.ICMPError{Type: ipv6.TypePacketTooBig, Param: 1280}.AppendError(nil, other, about)
	}
	if e.ask(tooBig(opened), nil, bin, 0).Allow {
		t.Error("an error about no flow passed")
	}
	if !e.ask(opened, bin, nil, 0).Allow {
		t.Fatal("not opened")
	}
	if v := e.ask(tooBig(opened), nil, bin, time.Second); !v.Allow || v.Why != ByFlow {
		t.Errorf("Packet Too Big of the flow: %+v", v)
	}
	if e.ask(tooBig(udp(a, host, 6001, 5000)), nil, bin, time.Second).Allow {
		t.Error("an error about another flow passed")
	}
	// An error whose quoted source is not whom it is sent to tells of nobody's packet.
	forged := tooBig(opened)
	copy(forged.DestinationBytes(), other.AsSlice())
	if e.ask(forged, nil, bin, time.Second).Allow {
		t.Error("an error to another than the quoted source passed")
	}
}

// RFC 8200, 4.5: later fragments pass with their first.
func TestFragments(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	e := engine(t, rule(t, "any", "fenland", "udp/5683"))
	frag := func(offset uint16, id byte, dport uint16) ipv6.Packet {
		b := ipv6.Header{PayloadLen: 16, NextHeader: ipv6.ProtoFragment, HopLimit: 64, Source: host, Destination: a}.AppendTo(nil)
		b = append(b, ipv6.ProtoUDP, 0, byte(offset>>8), byte(offset)|1, 0, 0, 0, id)
		return append(b, 1, 2, byte(dport>>8), byte(dport), 0, 40, 0, 0)
	}
	if e.ask(frag(8<<3, 1, 0), nil, bin, 0).Allow {
		t.Error("a later fragment passed alone")
	}
	if !e.ask(frag(0, 1, 5683), nil, bin, 0).Allow || !e.ask(frag(8<<3, 1, 0), nil, bin, time.Second).Allow {
		t.Error("the fragments of an allowed packet did not pass")
	}
	if e.ask(frag(8<<3, 2, 0), nil, bin, time.Second).Allow {
		t.Error("a fragment of another packet passed")
	}
	if e.ask(frag(8<<3, 1, 0), nil, bin, 62*time.Second).Allow {
		t.Error("a fragment passed after a minute")
	}
}

func TestRates(t *testing.T) {
	table, nodes := site(t)
	a, b := table.Address(nodes["grain-bin"]), table.Address(nodes["mast"])
	r := rule(t, "any", "fenland", "coap")
	r.Source = Rate{Packets: 5, Per: time.Second, Burst: 5}
	r.Node = Rate{Packets: 8, Per: time.Second}
	e := engine(t, r)
	pass := func(src netip.Addr, dst netip.Addr, to string, at time.Duration, n int) (ok int) {
		for i := range n {
			if e.ask(udp(src, dst, uint16(1000+i), 5683), nil, nodes[to], at).Allow {
				ok++
			}
		}
		return ok
	}
	if got := pass(host, a, "grain-bin", 0, 20); got != 5 {
		t.Errorf("%d packets of a burst of 20 passed, want 5", got)
	}
	if got := pass(other, a, "grain-bin", 0, 20); got != 3 {
		t.Errorf("another source: %d passed, want the node's remaining 3", got)
	}
	if got := pass(host, b, "mast", time.Second, 20); got != 5 {
		t.Errorf("a second later: %d passed, want 5", got)
	}
	// The buckets outlive a swap of the rules.
	s, _ := Compile([]Rule{rule(t, "2001:db8::/32", "fenland/cold-store", "echo"), r})
	e.Swap(s)
	if got := pass(host, b, "mast", time.Second, 20); got != 0 {
		t.Errorf("after a swap: %d passed at once, want 0", got)
	}
}

// The air is counted in octets, for each node and for the mesh.
func TestAir(t *testing.T) {
	_, nodes := site(t)
	e := New(Options{Mesh: "fenland", Now: begin, Limits: Limits{NodeAir: Air{1000, 4000}, MeshAir: Air{2000, 6000}}})
	take := func(n string, at time.Duration) (octets int) {
		for range 100 {
			if !e.Air(nodes[n], 100, begin.Add(at)) {
				break
			}
			octets += 100
		}
		return octets
	}
	if got := take("mast", 0); got != 4000 {
		t.Errorf("one node took %d octets, want its burst of 4000", got)
	}
	if got := take("grain-bin", 0); got != 2000 {
		t.Errorf("the next took %d, want what the mesh had left: 2000", got)
	}
	if got := take("cold-store", time.Second); got != 2000 {
		t.Errorf("after a second the mesh gave %d, want 2000", got)
	}
}

// A node that joins later gets its rules, and one that changes its label others.
func TestLaterNodesMatch(t *testing.T) {
	table, _ := site(t)
	e := engine(t, rule(t, "any", "fenland/00:00:5e:ef:10:00:00:*", "echo"))
	if v := e.ask(echo(host, other, 128, 1), nil, table.ByLabel("mast"), 0); v.Allow {
		t.Error("a place matched the pattern of an EUI-64")
	}
	n := table.Attach(node.Joined{EUI64: ieee802154.MustParseAddr("00:00:5e:ef:10:00:00:99")}, begin).Node
	if v := e.ask(echo(host, table.Address(n), 128, 1), nil, n, 0); !v.Allow {
		t.Errorf("%s: %+v", n.Label(), v)
	}
}

// plain is the reference: the list, from the top, as a reader would do it.
func plain(rules []Rule, t *Tuple, mesh, from, to string) int {
	crosses := strings.HasPrefix(t.Source.String(), "fd") != strings.HasPrefix(t.Destination.String(), "fd")
	side := func(r *Rule, ends []End, a netip.Addr, label string) bool {
		for _, e := range ends {
			if e.Prefix.IsValid() && e.Prefix.Contains(a) && !(crosses && e.String() == "any" && !r.Deny) || label != "" && e.matches(mesh, label) {
				return true
			}
		}
		return false
	}
	for i, r := range rules {
		ok := false
		for _, s := range r.Services {
			ok = ok || s.Any || s.Echo && t.Echo && !t.Reply ||
				!s.Echo && !s.Any && s.Proto == t.Proto && (s.Port == 0 || s.Port == t.DestinationPort)
		}
		if ok && side(&r, r.From, t.Source, from) && side(&r, r.To, t.Destination, to) {
			return i
		}
	}
	return -1
}

// The compiled rules decide as the plain list does, for random lists and packets.
func TestCompiledEqualsPlain(t *testing.T) {
	table, nodes := site(t)
	labels := []string{"", "north-sump", "bank-east", "mast", "grain-bin", "cold-store", "pump-house"}
	ends := []string{"any", "fenland", "fenland/*", "fenland/mast", "fenland/*-*", "other/*", "*/grain-bin", "2001:db8::/32", "2001:db8:ffff::/48",
		"2001:db8:ffff::53", "2001:db8:77c0:1::/64", "fd00::/8", "::/1", "8000::/1", "2001:db8:eeee::9", "ffff:ffff:ffff:ffff:ffff:ffff:ffff:ffff"}
	services := []string{"any", "coap", "coaps", "echo", "udp", "tcp", "udp/5000", "tcp/80", "udp/5683"}
	ports := []uint16{0, 80, 5000, 5683, 5684, 9}
	rng := rand.New(rand.NewPCG(3, 4))
	pick := func(list []string) string {
		s := list[rng.IntN(len(list))]
		for rng.IntN(4) == 0 {
			s += " " + list[rng.IntN(len(list))]
		}
		return s
	}
	addrs := []netip.Addr{host, host.Next(), other, netip.MustParseAddr("fd00::1"), netip.MustParseAddr("::"), netip.MustParseAddr("ffff:ffff:ffff:ffff:ffff:ffff:ffff:ffff")}
	for range 400 {
		var rules []Rule
		for range rng.IntN(140) {
			r := rule(t, pick(ends), pick(ends), pick(services))
			r.Deny = rng.IntN(4) == 0
			rules = append(rules, r)
		}
		e := engine(t, rules...)
		for range 50 {
			from, to := labels[rng.IntN(len(labels))], labels[rng.IntN(len(labels))]
			tu := Tuple{Source: addrs[rng.IntN(len(addrs))], Destination: addrs[rng.IntN(len(addrs))], Proto: []uint8{6, 17, 58, 132}[rng.IntN(4)], DestinationPort: ports[rng.IntN(len(ports))]}
			tu.Echo = tu.Proto == 58 && rng.IntN(2) == 0
			tu.Reply = tu.Echo && rng.IntN(2) == 0
			if n := nodes[from]; n != nil {
				tu.Source = table.Address(n)
			}
			if n := nodes[to]; n != nil {
				tu.Destination = table.Address(n)
			}
			got, _ := e.Would(tu, nodes[from], nodes[to])
			if want := plain(rules, &tu, "fenland", from, to); got != want {
				t.Fatalf("%+v from %q to %q: rule %d, want %d of %d", tu, from, to, got, want, len(rules))
			}
		}
	}
}

func TestParseErrors(t *testing.T) {
	for _, s := range []string{"", "10.0.0.0/8", "2001:db8::/129", "fen land/x", "a/b/c", "fe80::1%eth0", "fenland/"} {
		if e, err := ParseEnd(s); err == nil {
			t.Errorf("ParseEnd(%q) = %v", s, e)
		}
	}
	for _, s := range []string{"", "udp/0", "udp/70000", "icmp", "udp/x", "coap/1"} {
		if v, err := ParseService(s); err == nil {
			t.Errorf("ParseService(%q) = %v", s, v)
		}
	}
	for _, s := range []string{"", "5", "0/s", "5/d", "5/s burst", "5/s burst 0", "5/s x 3"} {
		if r, err := ParseRate(s); err == nil {
			t.Errorf("ParseRate(%q) = %v", s, r)
		}
	}
	for _, s := range []string{"any", "fenland/*", "2001:db8::/32"} {
		if e, err := ParseEnd(s); err != nil || e.String() != s {
			t.Errorf("ParseEnd(%q) = %v, %v", s, e, err)
		}
	}
	if r, err := ParseRate("30/min burst 60"); err != nil || r != (Rate{30, time.Minute, 60}) {
		t.Errorf("rate %+v, %v", r, err)
	}
}

// No flood makes the tables grow, and a live conversation survives one.
func TestFlowsAreBounded(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	e := New(Options{Mesh: "fenland", Now: begin, Flows: 1024})
	s, _ := Compile([]Rule{rule(t, "any", "fenland", "any")})
	e.Swap(s)
	e.ask(udp(host, a, 4000, 5683), nil, bin, 0)
	e.ask(udp(a, host, 5683, 4000), bin, nil, time.Millisecond)
	for i := range 50000 {
		e.ask(udp(other, a, uint16(i), uint16(6000+i/65536)), nil, bin, time.Second)
	}
	if n := e.Stats(begin.Add(time.Second)).Flows; n > 1024 {
		t.Errorf("%d flows in a table of 1024", n)
	}
	if !e.ask(udp(a, host, 5683, 4000), bin, nil, 2*time.Second).Allow {
		t.Error("the flood evicted a conversation that was answered")
	}
}

func TestCheckAllocatesNothing(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	r := rule(t, "any", "fenland", "coap")
	r.Source = Rate{Packets: 1, Per: time.Second}
	e := engine(t, r)
	in, out := udp(host, a, 4000, 5683), udp(a, host, 5683, 4000)
	if n := testing.AllocsPerRun(1000, func() {
		e.ask(in, nil, bin, 0)
		e.ask(out, bin, nil, 0)
		e.Air(bin, 100, begin)
	}); n != 0 {
		t.Errorf("%v allocations a packet", n)
	}
}

func FuzzCheck(f *testing.F) {
	f.Add([]byte(udp(host, other, 1, 2)))
	f.Add([]byte(ipv6.ICMPError{Type: 1}.AppendError(nil, host, udp(host, other, 1, 2))))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := ipv6.Parse(b)
		if err != nil {
			return
		}
		e := engine(t, rule(t, "any", "any", "udp"))
		e.ask(p, nil, nil, 0)
		e.ask(p, nil, nil, time.Second)
	})
}

func BenchmarkCheck(b *testing.B) {
	table, nodes := site(b)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	for _, n := range []int{1, 100, 1000} {
		b.Run(fmt.Sprintf("rules=%d", n), func(b *testing.B) {
			var rules []Rule
			for i := range n - 1 {
				rules = append(rules, rule(b, fmt.Sprintf("2001:db8:%x::/48", i), "fenland/cold-store", fmt.Sprintf("udp/%d", 1000+i)))
			}
			e := engine(b, append(rules, rule(b, "any", "fenland/grain-bin", "coap"))...)
			p := udp(host, a, 4000, 5683)
			u := ipv6.Walk(p)
			b.ReportAllocs()
			for b.Loop() {
				decideAndBegin(e, p, u, nil, bin, begin)
			}
		})
	}
}

// decideAndBegin decides about a packet, and lets an allowed one open its flow.
func decideAndBegin(e *Engine, p ipv6.Packet, u ipv6.Upper, from, to *node.Node, now time.Time) Verdict {
	var v Verdict
	e.Decide(&v, p, u, from, to, now)
	e.Begin(&v)
	return v
}
