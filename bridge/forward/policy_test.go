package forward

import (
	"bytes"
	"fmt"
	"log/slog"
	"net/netip"
	"strings"
	"testing"
	"time"

	"culvert/bridge/adapt"
	"culvert/bridge/bridgetest"
	"culvert/bridge/drop"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/bridge/radio"
)

// rules compiles lines of "from; to; service; option…".
func rules(t testing.TB, lines ...string) *policy.Set {
	t.Helper()
	var list []policy.Rule
	for _, line := range lines {
		part := strings.Split(line, "; ")
		from, err1 := policy.ParseEnd(part[0])
		to, err2 := policy.ParseEnd(part[1])
		s, err3 := policy.ParseService(part[2])
		if err1 != nil || err2 != nil || err3 != nil {
			t.Fatal(err1, err2, err3)
		}
		r := policy.Rule{From: []policy.End{from}, To: []policy.End{to}, Services: []policy.Service{s}}
		for _, o := range part[3:] {
			switch o {
			case "deny":
				r.Deny = true
			case "answer":
				r.Answer = true
			default:
				var err error
				if r.Source, err = policy.ParseRate(o); err != nil {
					t.Fatal(err)
				}
			}
		}
		list = append(list, r)
	}
	s, err := policy.Compile(list)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// ruled is a rig with rules, whose radio lists nodes A and B.
func ruled(t testing.TB, l policy.Limits, lines ...string) *rig {
	t.Helper()
	e := policy.New(policy.Options{Mesh: "fenland", Now: start, Limits: l})
	e.Swap(rules(t, lines...))
	r := newRig(t, Options{Policy: e, Name: "fenland"}, node.Options{})
	r.radio.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA}, radio.NodeInfo{Addr: nodeB})
	r.run()
	return r
}

// noAir is no limit of the air.
var noAir = policy.Limits{NodeAir: policy.Air{PerSecond: -1}, MeshAir: policy.Air{PerSecond: -1}}

// Who is asked about, and how what may not pass ends: RFC 6092, section 3; RFC 4890,
// section 4.3; RFC 4443, section 3.1, code 1.
func TestPolicy(t *testing.T) {
	other := netip.MustParseAddr("2001:db8:eeee::9")
	coapPort := func(p ipv6.Packet) ipv6.Packet { p[42], p[43] = 5683>>8, 5683&0xff; return p }
	toA := coapPort(udp(outside, global(nodeA), 64, 4))
	fromA := coapPort(udp(global(nodeA), outside, 64, 4))
	for _, c := range []struct {
		name   string
		rules  []string
		do     func(*rig)
		reason drop.Reason // of the last packet; None: it passed
		mesh   bool        // the last packet came from the mesh
		reply  *ipv6.ICMPError
	}{
		{"no rules: outside to a node", nil, func(r *rig) { r.down(toA) }, drop.Policy, false, nil},
		{"no rules: node to outside", nil, func(r *rig) { r.up(nodeA, fromA) }, drop.Policy, true, nil},
		{"no rules: node to node", nil, func(r *rig) { r.up(nodeA, udp(global(nodeA), global(nodeB), 64, 4)) }, drop.Policy, false, nil},
		{"no rules: the gateway to a node", nil, func(r *rig) { r.down(udp(gateway, global(nodeA), 64, 4)) }, drop.None, false, nil},
		{"no rules: the gateway's link-local address to a node", nil, func(r *rig) { r.down(udp(gwLocal, local(nodeA), 64, 4)) }, drop.None, false, nil},
		{"no rules: a node to the gateway", nil, func(r *rig) { r.up(nodeA, udp(global(nodeA), gateway, 64, 4)) }, drop.None, true, nil},
		{"allowed inward", []string{"any; fenland/*; coap"}, func(r *rig) { r.down(toA) }, drop.None, false, nil},
		{"another service", []string{"any; fenland/*; echo"}, func(r *rig) { r.down(toA) }, drop.Policy, false, nil},
		{"its answer", []string{"any; fenland/*; echo"}, func(r *rig) {
			r.down(echo(outside, global(nodeA)))
			r.answer(radio.OutcomeDelivered)
			r.up(nodeA, icmp(global(nodeA), outside, 64, 129, 0, 0, 0, 0, 1, 0, 1))
		}, drop.None, true, nil},
		{"an answer that nobody asked for", []string{"any; fenland/*; echo"}, func(r *rig) {
			r.up(nodeA, icmp(global(nodeA), outside, 64, 129, 0, 0, 0, 0, 1, 0, 1))
		}, drop.Policy, true, nil},
		{"allowed outward, and answered", []string{"fenland/*; any; coap"}, func(r *rig) {
			r.up(nodeA, fromA)
			back := udp(outside, global(nodeA), 64, 4)
			copy(back[40:42], fromA[42:44])
			copy(back[42:44], fromA[40:42])
			copy(back[48:], []byte{0x60, 0x44, 0, 1}) // 2.04 (RFC 7252, section 5.9.1.4)
			r.down(back)
		}, drop.None, false, nil},
		{"node to node by a rule", []string{"fenland/*; fenland/*; udp"}, func(r *rig) { r.up(nodeA, udp(global(nodeA), global(nodeB), 64, 4)) }, drop.None, false, nil},
		{"denied in silence", []string{"any; any; coap; deny", "any; any; any"}, func(r *rig) { r.down(toA) }, drop.Policy, false, nil},
		{"denied and answered", []string{"any; any; coap; deny; answer", "any; any; any"}, func(r *rig) { r.down(toA) }, drop.Policy, false, &errProhibited},
		{"denied and answered, from the mesh", []string{"any; any; coap; deny; answer"}, func(r *rig) { r.up(nodeA, fromA) }, drop.Policy, true, &errProhibited},
		{"over the rate", []string{"any; any; coap; 2/s"}, func(r *rig) { r.down(toA); r.down(toA); r.down(toA) }, drop.RateLimited, false, nil},
		{"over the rate, answered", []string{"any; any; coap; 2/s; answer"}, func(r *rig) { r.down(toA); r.down(toA); r.down(toA) }, drop.RateLimited, false, &errProhibited},
		{"a second later", []string{"any; any; coap; 2/s"}, func(r *rig) { r.down(toA); r.down(toA); r.step(time.Second); r.down(toA) }, drop.None, false, nil},
		{"another source", []string{"any; any; coap; 1/s"}, func(r *rig) { r.down(toA); r.down(coapPort(udp(other, global(nodeA), 64, 4))) }, drop.None, false, nil},
		{"an error about a flow", []string{"fenland/*; any; coap"}, func(r *rig) {
			r.up(nodeA, fromA)
			r.down(errTooBig.AppendError(nil, other, fromA))
		}, drop.None, false, nil},
		{"an error about no flow", []string{"any; any; coap"}, func(r *rig) { r.down(errTooBig.AppendError(nil, other, fromA)) }, drop.Policy, false, nil},
		{"hop limit before the rules", nil, func(r *rig) { r.down(udp(outside, global(nodeA), 1, 4)) }, drop.HopLimit, false, &errHopLimit},
		{"size before the rules", nil, func(r *rig) { r.down(udp(outside, global(nodeA), 64, 1233)) }, drop.PacketTooBig, false, &errTooBig},
		{"no node before the rules", nil, func(r *rig) { r.down(udp(outside, noNode, 64, 4)) }, drop.UnknownNode, false, &errAddress},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := ruled(t, noAir, c.rules...)
			c.do(r)
			nodes := r.answer(radio.OutcomeDelivered)
			r.sums()
			s := r.f.Stats()
			if c.mesh {
				s.ToMesh.Dropped, s.FromMesh.Dropped = s.FromMesh.Dropped, s.ToMesh.Dropped
			}
			switch n := total(s.ToMesh.Dropped) + total(s.FromMesh.Dropped); {
			case c.reason == drop.None && n != 0:
				t.Errorf("dropped: %v %v", reasons(s.ToMesh.Dropped), reasons(s.FromMesh.Dropped))
			case c.reason != drop.None && (n != 1 || s.ToMesh.Dropped[c.reason] != 1):
				t.Errorf("dropped: %v %v, want one %v", reasons(s.ToMesh.Dropped), reasons(s.FromMesh.Dropped), c.reason)
			}
			var said []ipv6.Packet
			for _, p := range r.tun.Up() {
				said = append(said, p)
			}
			for _, a := range nodes {
				said = append(said, a.pkt)
			}
			errors := 0
			for _, p := range said {
				if p.NextHeader() == 58 && p[40] < 128 && p.Source() == gateway {
					errors++
					if c.reply == nil || p[40] != c.reply.Type || p[41] != c.reply.Code {
						t.Errorf("answered by type %d code %d", p[40], p[41])
					}
				}
			}
			if want := b2i(c.reply != nil); errors != want {
				t.Errorf("%d errors, want %d", errors, want)
			}
		})
	}
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// With a rule that lets everything pass the packet path does as the vectors say, all
// of them.
func TestRouterVectorsUnderAnOpenRule(t *testing.T) {
	for _, v := range bridgetest.Vectors(t, "router") {
		t.Run(v.ID, func(t *testing.T) {
			e := policy.New(policy.Options{Mesh: "fenland", Now: start})
			e.Swap(rules(t, "any; any; any"))
			routerRow(t, v, Options{Policy: e})
		})
	}
}

// The air of a node and of the mesh is counted in octets that frames cost, and only
// what goes on pays; the gateway itself does not.
func TestAirIsLimited(t *testing.T) {
	l := policy.Limits{NodeAir: policy.Air{PerSecond: 1000, Burst: 8000}, MeshAir: policy.Air{PerSecond: 2000, Burst: 12000}}
	r := ruled(t, l, "any; any; udp")
	flood := func(n ieee802154.Addr, size int) (passed int) {
		for range 100 {
			before := r.f.Stats().ToMesh.Dropped[drop.AirLimited]
			r.down(udp(outside, global(n), 64, size-48))
			r.answer(radio.OutcomeDelivered)
			if r.f.Stats().ToMesh.Dropped[drop.AirLimited] == before {
				passed++
			}
		}
		return passed
	}
	each := airOctets(1280, 96)
	if got := flood(nodeA, 1280); got != 8000/each {
		t.Errorf("%d packets of %d octets on the air passed, want %d", got, each, 8000/each)
	}
	if got, want := flood(nodeB, 1280), (12000-8000/each*each)/each; got != want {
		t.Errorf("to another node %d passed, want what the mesh had left: %d", got, want)
	}
	r.down(udp(gateway, global(nodeA), 64, 1232))
	if got := r.answer(radio.OutcomeDelivered); len(got) != 1 {
		t.Error("the gateway itself is not limited")
	}
	r.now = r.now.Add(2 * time.Second)
	if got, want := flood(nodeA, 80), (8000%each+2000)/airOctets(80, 96); got != want {
		t.Errorf("two seconds later %d packets of 80 octets passed, want %d", got, want)
	}
	r.sums()

	// What finds no room costs nothing: the whole burst of packets too many is there.
	r = ruled(t, l, "any; any; udp")
	for range 32 + 101 { // forwarded packets may take half of the queue, those under way included
		r.down(udp(outside, global(nodeB), 64, 0))
	}
	if s := r.f.Stats().ToMesh; s.Dropped[drop.QueueFull] != 101 || s.Dropped[drop.AirLimited] != 0 {
		t.Errorf("dropped %v", reasons(s.Dropped))
	}
}

// The estimate is not below what a packet from outside takes, and at most one frame's
// overhead and 20 octets above.
func TestAirOctets(t *testing.T) {
	for _, room := range []int{80, 96, 102, 116} {
		for size := 48; size <= 1280; size += 7 {
			p := udp(outside, global(nodeA), 64, size-48)
			var o adapt.Outgoing
			if err := adapt.NewSender(0).Start(&o, p, lowpan.Peer{From: gwEUI, To: nodeA}, contexts, room); err != nil {
				t.Fatal(err)
			}
			real, each := 0, 6+max(127-room, 11)+11
			for !o.Done() {
				// IEEE Std 802.15.4: 6 octets of PHY, what the room leaves of 127, and an
				// acknowledgement of 11.
				real += len(o.Append(nil)) + each
			}
			if got := airOctets(size, room); got < real || got > real+each+20 {
				t.Fatalf("%d octets in frames of %d: %d on the air, and the estimate is %d", size, room, real, got)
			}
		}
	}
}

// A refusal is logged once for each source prefix, node and service, with
// the rule that would open it; never at a rate that somebody outside decides.
func TestRefusalsAreSaidOnce(t *testing.T) {
	var b bytes.Buffer
	r := ruled(t, noAir, "any; fenland/*; echo", "fenland/*; any; echo")
	r.f.opt.Log = slog.New(slog.NewTextHandler(&b, nil))
	said := func() int { return strings.Count(b.String(), "no rule allows this packet") }
	for i := range 50 { // one prefix, one node, one service
		r.down(udp(ipv6.Join(outside, ipv6.IID(i+1)), global(nodeA), 64, 4))
	}
	r.step(time.Second)
	want := `from=2001:db8:ffff::1/128 to=fenland/` + nodeA.String() + ` service=udp/49154 rule="[[rule]]; from = '2001:db8:ffff::1/128'; to = 'fenland/` +
		nodeA.String() + `'; service = 'udp/49154'"`
	if said() != 1 || !strings.Contains(b.String(), want) {
		t.Errorf("said %d times:\n%swant %s", said(), b.String(), want)
	}
	r.down(udp(outside, global(nodeB), 64, 4))
	r.up(nodeA, udp(global(nodeA), outside, 64, 4))
	r.up(nodeA, udp(global(nodeA), global(nodeB), 64, 4))
	r.down(udp(ula, global(nodeB), 64, 4))
	r.step(time.Second)
	if said() != 5 {
		t.Errorf("said %d times, want 5:\n%s", said(), b.String())
	}
	r.down(icmp(ula, global(nodeB), 64, 128, 0, 0, 0, 0, 1, 0, 1))
	r.step(time.Second)
	if !strings.Contains(b.String(), `\"any\" is not enough`) {
		t.Errorf("any and a unique local address:\n%s", b.String())
	}
	if top := r.f.Refusals(2); len(top) != 2 || top[0].Packets != 50 || top[0].To != nodeA.String() || top[0].From != "" {
		t.Errorf("%+v", top)
	}

	b.Reset()
	src := outside.As16()
	for i := range 5000 { // a scan from many prefixes
		src[6], src[7] = byte(i>>8), byte(i)
		r.down(udp(netip.AddrFrom16(src), global(nodeA), 64, 4))
		if i%50 == 0 {
			r.f.Tick()
		}
	}
	r.step(time.Second)
	if n := said(); n < 10 || n > 25 {
		t.Errorf("said %d times", n)
	}
	if n := r.f.refused.table.len(); n > tallySets*tallyWays {
		t.Errorf("%d are remembered", n)
	}
	r.step(time.Minute)
	r.down(udp(outside, global(nodeB), 64, 99))
	r.up(nodeB, udp(global(nodeB), outside, 64, 4))
	r.step(time.Second)
	if !strings.Contains(b.String(), "not_shown_before=") {
		t.Errorf("what was not shown is not counted:\n%s", b.String())
	}
}

// RFC 6583, section 6: packets for addresses that no node holds cost no state and no
// frame, and are counted by /64 of the source.
func TestScansAreCounted(t *testing.T) {
	r := ruled(t, noAir, "any; any; any")
	src := outside.As16()
	for i := range 3000 {
		s := src
		if i%3 > 0 { // two thirds from one prefix, the others from anywhere
			s[5], s[6], s[7] = 9, byte(i>>8), byte(i)
			s[4] = byte(i % 3)
			if i%3 == 1 {
				s = src
			}
		}
		r.f.ToMesh(udp(netip.AddrFrom16(s), ipv6.Join(prefix.Addr(), 0xdead0000+ipv6.IID(i)), 64, 4))
	}
	r.run()
	if sent := r.radio.Sent(); len(sent) != 0 {
		t.Errorf("%d frames", len(sent))
	}
	r.sums()
	if got := r.f.Scanners(1); len(got) != 1 || got[0].Source != netip.MustParsePrefix("2001:db8:ffff::/64") || got[0].Packets != 2000 {
		t.Errorf("%+v", got)
	}
	if n := r.f.Stats().Scanners; n < 500 || n > tallySets*tallyWays {
		t.Errorf("%d prefixes are remembered", n)
	}
	// A node that asks for one, and the gateway, are no scanners.
	before := r.f.Scanners(1)[0].Packets
	r.up(nodeA, udp(global(nodeA), noNode, 64, 4))
	r.down(udp(gateway, noNode, 64, 4))
	if got := r.f.Scanners(1); got[0].Packets != before {
		t.Errorf("%+v", got)
	}
}

// Nothing is allocated for a packet, whatever the rules say of it.
func TestPolicyAllocatesNothing(t *testing.T) {
	s := newSink(t)
	e := policy.New(policy.Options{Mesh: "fenland", Now: s.f.start, Limits: noAir})
	e.Swap(rules(t, "2001:db8:ffff::/48; any; udp/49154", "any; any; udp/49154; 1/h", "fenland/*; any; udp", "any; any; coap; deny; answer"))
	s.f.opt.Policy = e
	for name, way := range ways(t, s) {
		way()
		if got := testing.AllocsPerRun(200, way); got != 0 {
			t.Errorf("%s: %v allocations", name, got)
		}
	}
	other := netip.MustParseAddr("2001:db8:eeee::9")
	coap := udp(other, global(nodeA), 64, 20)
	coap[42], coap[43] = 5683>>8, 5683&0xff
	for name, p := range map[string]ipv6.Packet{
		"over the rate":   udp(other, global(nodeA), 64, 20),
		"denied":          coap,
		"no rule":         icmp(other, global(nodeA), 64, 128, 0, 0, 0, 0, 1, 0, 1),
		"an ICMPv6 error": errTooBig.AppendError(nil, other, udp(global(nodeA), outside, 64, 900)),
		"a scan":          udp(other, noNode, 64, 20),
	} {
		s.f.ToMesh(p)
		if got := testing.AllocsPerRun(200, func() { s.f.ToMesh(p) }); got != 0 {
			t.Errorf("%s: %v allocations", name, got)
		}
	}
	checkSums(t, s.f.Stats())
}

// BenchmarkRefused is the cost of a packet that goes nowhere, which is what a flood
// or a scan has.
func BenchmarkRefused(b *testing.B) {
	s := newSink(b)
	e := policy.New(policy.Options{Mesh: "fenland", Now: s.f.start, Limits: policy.Limits{NodeAir: policy.Air{PerSecond: 1, Burst: 1}}})
	e.Swap(rules(b, "2001:db8:ffff::/48; any; udp/49154", "any; any; udp/49154; 1/h"))
	s.f.opt.Policy = e
	other := netip.MustParseAddr("2001:db8:eeee::9")
	for name, p := range map[string]ipv6.Packet{
		"over the air":  udp(outside, global(nodeA), 64, 1232),
		"over the rate": udp(other, global(nodeA), 64, 20),
		"no rule":       icmp(other, global(nodeA), 64, 128, 0, 0, 0, 0, 1, 0, 1),
		"a scan":        udp(other, noNode, 64, 20),
	} {
		b.Run(fmt.Sprint(name), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				s.f.ToMesh(p)
			}
		})
	}
}

// What is known of the way to a node: its queue, and what became of the last frame.
func TestWay(t *testing.T) {
	r := up(t)
	n := r.table.ByLink(nodeA)
	if w := r.f.Way(n, false); w.Packets != 0 || w.MaxPackets != 32 || !w.At.IsZero() || w.Last != radio.OutcomeNone {
		t.Errorf("at first: %+v", w)
	}
	r.now = r.now.Add(time.Minute)
	for range 3 {
		r.down(udp(outside, global(nodeA), 64, 4))
	}
	if w := r.f.Way(n, false); w.Packets != 3 || w.Octets != 3*52 {
		t.Errorf("with three packets: %+v", w)
	}
	r.answer(radio.OutcomeNoAck)
	if w := r.f.Way(n, false); w.Packets != 0 || w.Last != radio.OutcomeNoAck || w.Failed != 3 || w.At.Sub(start) != time.Minute {
		t.Errorf("after they failed: %+v", w)
	}
	r.step(time.Second)
	r.down(udp(outside, global(nodeA), 64, 4))
	r.answer(radio.OutcomeDelivered)
	if w := r.f.Way(n, false); w.Last != radio.OutcomeDelivered || w.Failed != 0 || w.At.Sub(start) != 61*time.Second {
		t.Errorf("after one got through: %+v", w)
	}
}
