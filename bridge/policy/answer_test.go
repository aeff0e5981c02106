package policy

import (
	"encoding/binary"
	"net/netip"
	"testing"
	"time"

	coapmsg "github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/udp/coder"

	"culvert/bridge/ipv6"
	"culvert/bridge/node"
)

// coap is a CoAP message as another implementation writes it. observe and block are
// options, -1 for none.
func coap(t testing.TB, typ coapmsg.Type, code codes.Code, id int32, token string, observe, block int) []byte {
	t.Helper()
	m := coapmsg.Message{Type: typ, Code: code, MessageID: id, Token: coapmsg.Token(token)}
	buf := make([]byte, 64)
	n := 0
	add := func(o coapmsg.OptionID, v int) {
		if v < 0 {
			return
		}
		var err error
		var used int
		if m.Options, used, err = m.Options.SetUint32(buf[n:], o, uint32(v)); err != nil {
			t.Fatal(err)
		}
		n += used
	}
	if code > 0 && code < 32 {
		var used int
		var err error
		if m.Options, used, err = m.Options.SetPath(buf, "/sensors/level"); err != nil {
			t.Fatal(err)
		}
		n = used
	}
	add(coapmsg.Observe, observe)
	add(coapmsg.Block2, block)
	if code == codes.Content {
		m.Payload = []byte("20.5")
	}
	out := make([]byte, 128)
	size, err := coder.DefaultCoder.Encode(m, out)
	if err != nil {
		t.Fatal(err)
	}
	return out[:size]
}

// A node reports from the port of its own CoAP server to that of a host. The host's answers
// pass, and nothing that would ask the node for anything (RFC 7252, sections 3, 4.1, 4.3 and
// 5.9).
func TestAnswersOnTheCoAPPort(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	msg := func(typ coapmsg.Type, code codes.Code) []byte { return coap(t, typ, code, 1, "tok", -1, -1) }
	empty := func(typ coapmsg.Type) []byte { return coap(t, typ, codes.Empty, 1, "", -1, -1) }
	badLength := datagram(host, a, 5683, 5683, msg(coapmsg.Acknowledgement, codes.Content)...)
	badLength[45] -= 4
	fragment := func(octets int, b []byte) ipv6.Packet {
		u := datagram(host, a, 5683, 5683, b...)[ipv6.HeaderLen:]
		return ext(host, a, ipv6.ProtoFragment, fragmentOctets(ipv6.ProtoUDP, 0, true, 7, u[:octets]...)...)
	}
	long := append(msg(coapmsg.Confirmable, codes.Content), make([]byte, 64)...)
	for _, c := range []struct {
		name  string
		p     ipv6.Packet
		allow bool
	}{
		{"a piggybacked response", datagram(host, a, 5683, 5683, msg(coapmsg.Acknowledgement, codes.Content)...), true},
		{"a separate response, or a notification", datagram(host, a, 5683, 5683, msg(coapmsg.Confirmable, codes.Content)...), true},
		{"a non-confirmable response", datagram(host, a, 5683, 5683, msg(coapmsg.NonConfirmable, codes.Changed)...), true},
		{"a client error", datagram(host, a, 5683, 5683, msg(coapmsg.Acknowledgement, codes.NotFound)...), true},
		{"a server error", datagram(host, a, 5683, 5683, msg(coapmsg.NonConfirmable, codes.ServiceUnavailable)...), true},
		{"an empty acknowledgement", datagram(host, a, 5683, 5683, empty(coapmsg.Acknowledgement)...), true},
		{"a reset", datagram(host, a, 5683, 5683, empty(coapmsg.Reset)...), true},
		{"a ping", datagram(host, a, 5683, 5683, empty(coapmsg.Confirmable)...), true},
		{"GET", datagram(host, a, 5683, 5683, msg(coapmsg.Confirmable, codes.GET)...), false},
		{"PUT", datagram(host, a, 5683, 5683, msg(coapmsg.Confirmable, codes.PUT)...), false},
		{"a non-confirmable POST", datagram(host, a, 5683, 5683, msg(coapmsg.NonConfirmable, codes.POST)...), false},
		{"DELETE as an acknowledgement", datagram(host, a, 5683, 5683, msg(coapmsg.Acknowledgement, codes.DELETE)...), false},
		{"a response in a reset", datagram(host, a, 5683, 5683, msg(coapmsg.Reset, codes.Content)...), false},
		{"a reserved class", datagram(host, a, 5683, 5683, 0x60, 0x20, 0, 1), false},
		{"a signal of CoAP over TCP", datagram(host, a, 5683, 5683, 0x60, 0xe1, 0, 1), false},
		{"an empty message with something behind it", datagram(host, a, 5683, 5683, 0x40, 0, 0, 1, 0x40, 3, 0, 1), false},
		{"an empty non-confirmable message", datagram(host, a, 5683, 5683, 0x50, 0, 0, 1), false},
		{"a token of 9 octets", datagram(host, a, 5683, 5683, append([]byte{0x69, 0x45, 0, 1}, make([]byte, 9)...)...), false},
		{"another version", datagram(host, a, 5683, 5683, 0xa0, 0x45, 0, 1), false},
		{"nothing", datagram(host, a, 5683, 5683), false},
		{"shorter by its UDP header", badLength, false},
		{"a first fragment of a response", fragment(16, long), true},
		{"a first fragment that does not show the code", fragment(8, long), false},
		{"a first fragment of a request", fragment(16, append(msg(coapmsg.Confirmable, codes.PUT), make([]byte, 64)...)), false},
	} {
		e := engine(t, rule(t, "fenland", "any", "coap"))
		if !e.ask(datagram(a, host, 5683, 5683, msg(coapmsg.NonConfirmable, codes.POST)...), bin, nil, 0).Allow {
			t.Fatal("sanity")
		}
		if v := e.ask(c.p, nil, bin, time.Second); v.Allow != c.allow {
			t.Errorf("%s: allow %v", c.name, v.Allow)
		}
	}
}

// Only its opener renews a flow: a host to which a node reported once may answer for the life
// of the flow, and not for as long as it goes on answering.
func TestAnswersDoNotRenewAFlow(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	e := engine(t, rule(t, "fenland", "any", "udp"))
	e.ask(datagram(a, host, 5000, 123, 1), bin, nil, 0)
	passed := 0
	for at := time.Minute; at < time.Hour; at += time.Minute {
		if e.ask(datagram(host, a, 123, 5000, 1), nil, bin, at).Allow {
			passed++
		}
	}
	if passed != 4 {
		t.Errorf("%d answers passed, want 4: one a minute for less than 5 minutes", passed)
	}
}

// An echo request is no answer to an echo request (RFC 4443, section 4).
func TestEchoRequestIsNoAnswer(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	e := engine(t, rule(t, "fenland", "any", "echo"))
	e.ask(echo(a, host, 128, 7), bin, nil, 0)
	if e.ask(echo(host, a, 128, 7), nil, bin, 0).Allow {
		t.Error("a host pings a node with the identifier of its ping")
	}
	if !e.ask(echo(host, a, 129, 7), nil, bin, 0).Allow {
		t.Error("the reply does not pass")
	}
	// Other messages have no identifier, which is as if it were 0. 139: RFC 4620, section 4.
	e.ask(echo(a, host, 128, 0), bin, nil, 0)
	if e.ask(echo(host, a, 139, 0), nil, bin, 0).Allow {
		t.Error("a question passed as the answer of a ping with the identifier 0")
	}
}

// RFC 8323: CoAP over TCP. A connection to the node's own server is not opened as an answer.
func TestTCPAnswersOpenNoConnection(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	segment := func(src, dst netip.Addr, sport, dport uint16, flags byte) ipv6.Packet {
		b := binary.BigEndian.AppendUint16(nil, sport)
		b = binary.BigEndian.AppendUint16(b, dport)
		b = append(b, 0, 0, 0, 1, 0, 0, 0, 0, 0x50, flags, 4, 0, 0, 0, 0, 0) // RFC 9293, section 3.1
		return ext(src, dst, ipv6.ProtoTCP, b...)
	}
	const syn, ack, fin = 0x02, 0x10, 0x01
	for _, c := range []struct {
		port  uint16
		flags byte
		allow bool
	}{
		{5683, syn | ack, true}, {5683, ack, true}, {5683, fin | ack, true}, {5683, syn, false}, {5683, syn | fin, false},
		{5684, syn | ack, true}, {5684, syn, false},
		{40000, syn, true}, // RFC 6092, REC-31: both may open at once
	} {
		e := engine(t, rule(t, "fenland", "any", "tcp"))
		e.ask(segment(a, host, c.port, 5683, syn), bin, nil, 0)
		if v := e.ask(segment(host, a, 5683, c.port, c.flags), nil, bin, time.Second); v.Allow != c.allow {
			t.Errorf("flags %#x to port %d: allow %v", c.flags, c.port, v.Allow)
		}
	}
	e := engine(t, rule(t, "fenland", "any", "tcp"))
	e.ask(segment(a, host, 5683, 5683, syn), bin, nil, 0)
	short := segment(host, a, 5683, 5683, ack)[:ipv6.HeaderLen+8]
	binary.BigEndian.PutUint16(short[4:], 8)
	if e.ask(short, nil, bin, 0).Allow {
		t.Error("a segment without flags passed")
	}
}

// Observe (RFC 7641): a flow whose request was answered with Observe stays until the
// observation ends, 25 h after its opener's last packet at the latest.
func TestObservationsKeepTheirFlow(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	const hour = time.Hour
	register, cancel := 0, 1
	type step struct {
		at       time.Duration
		fromNode bool
		b        []byte
		allow    bool
	}
	ask := func(at time.Duration, token string, observe int) step {
		return step{at, false, coap(t, coapmsg.Confirmable, codes.GET, 1, token, observe, -1), true}
	}
	say := func(at time.Duration, typ coapmsg.Type, code codes.Code, id int32, token string, observe int, allow bool) step {
		return step{at, true, coap(t, typ, code, id, token, observe, -1), allow}
	}
	answered := []step{ask(0, "a", register), say(time.Second, coapmsg.Acknowledgement, codes.Content, 1, "a", 5, true)}
	late := func(at time.Duration, allow bool) step {
		return say(at, coapmsg.NonConfirmable, codes.Content, 77, "a", 9, allow)
	}
	with := func(more ...step) []step { return append(append([]step(nil), answered...), more...) }
	for _, c := range []struct {
		name  string
		steps []step
	}{
		{"for 25 h", with(late(hour, true), late(24*hour+59*time.Minute, true), late(25*hour, false))},
		{"25 h from the opener's last packet", with(
			step{10 * hour, false, coap(t, coapmsg.Acknowledgement, codes.Empty, 9, "", -1, -1), true}, late(34*hour, true), late(35*hour, false))},
		{"not without Observe in the answer", []step{ask(0, "a", register), say(time.Second, coapmsg.Acknowledgement, codes.Content, 1, "a", -1, true), late(hour, false)}},
		{"not if nobody asked for it", []step{ask(0, "a", -1), say(time.Second, coapmsg.Acknowledgement, codes.Content, 1, "a", 5, true), late(hour, false)}},
		{"not for another token", []step{ask(0, "a", register), say(time.Second, coapmsg.Acknowledgement, codes.Content, 1, "b", 5, true), late(hour, false)}},
		{"by a separate answer", []step{ask(0, "a", register), {time.Second, true, coap(t, coapmsg.Acknowledgement, codes.Empty, 1, "", -1, -1), true},
			say(2*time.Second, coapmsg.Confirmable, codes.Content, 8, "a", 5, true), late(hour, true)}},
		{"until GET with Observe 1", with(ask(hour, "a", cancel), late(hour+time.Minute, true), late(hour+6*time.Minute, false))},
		{"not until GET with Observe 1 of another", with(ask(hour, "b", cancel), late(2*hour, true))},
		{"until a reset of a notification", with(say(hour, coapmsg.Confirmable, codes.Content, 300, "a", 6, true),
			step{hour, false, coap(t, coapmsg.Reset, codes.Empty, 300, "", -1, -1), true}, late(hour+6*time.Minute, false))},
		{"not until a reset of something else", with(say(hour, coapmsg.Confirmable, codes.Content, 300, "a", 6, true),
			step{hour, false, coap(t, coapmsg.Reset, codes.Empty, 301, "", -1, -1), true}, late(2*hour, true))},
		{"until 4.04", with(say(hour, coapmsg.Confirmable, codes.NotFound, 301, "a", -1, true), late(hour+time.Minute, false))},
		{"until 5.00", with(say(hour, coapmsg.NonConfirmable, codes.InternalServerError, 301, "a", -1, true), late(hour+time.Minute, false))},
		{"until an answer without Observe", with(say(hour, coapmsg.NonConfirmable, codes.Content, 301, "a", -1, true), late(hour+time.Minute, false))},
		// RFC 7959, section 3.4: the later blocks of a notification carry no Observe.
		{"beyond a later block of a notification", with(
			step{hour, true, coap(t, coapmsg.Acknowledgement, codes.Content, 302, "a", -1, 1<<4|2), true}, late(2*hour, true))},
		{"for another one in the same flow", with(ask(time.Minute, "b", register), say(time.Minute, coapmsg.Acknowledgement, codes.Content, 2, "b", 1, true),
			ask(hour, "a", cancel), late(2*hour, true))},
		{"FETCH observes too (RFC 8132, 2.4)", []step{{0, false, coap(t, coapmsg.Confirmable, codes.Code(5), 1, "a", register, -1), true},
			say(time.Second, coapmsg.Acknowledgement, codes.Content, 1, "a", 5, true), late(hour, true)}},
		{"a PUT does not", []step{{0, false, coap(t, coapmsg.Confirmable, codes.PUT, 1, "a", register, -1), true},
			say(time.Second, coapmsg.Acknowledgement, codes.Changed, 1, "a", 5, true), late(hour, false)}},
	} {
		e := engine(t, rule(t, "any", "fenland", "coap"))
		for i, s := range c.steps {
			var v Verdict
			if s.fromNode {
				v = e.ask(datagram(a, host, 5683, 4000, s.b...), bin, nil, s.at)
			} else {
				v = e.ask(datagram(host, a, 4000, 5683, s.b...), nil, bin, s.at)
			}
			if v.Allow != s.allow {
				t.Errorf("%s: step %d at %v: allow %v", c.name, i, s.at, v.Allow)
			}
		}
	}
}

// One flow remembers a bounded number of observations, and stays while one of them stands.
func TestObservationsOfAFlowAreBounded(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	e := engine(t, rule(t, "any", "fenland", "coap"))
	tokens := []string{"1", "2", "3", "4", "5", "6"}
	for i, tok := range tokens {
		e.ask(datagram(host, a, 4000, 5683, coap(t, coapmsg.Confirmable, codes.GET, int32(i), tok, 0, -1)...), nil, bin, 0)
		e.ask(datagram(a, host, 5683, 4000, coap(t, coapmsg.Acknowledgement, codes.Content, int32(i), tok, 1, -1)...), bin, nil, 0)
	}
	notify := datagram(a, host, 5683, 4000, coap(t, coapmsg.NonConfirmable, codes.Content, 9, "2", 2, -1)...)
	if !e.ask(notify, bin, nil, 24*time.Hour).Allow {
		t.Error("a flow with six observations does not stay")
	}
	for i, tok := range tokens[:maxObservations] {
		e.ask(datagram(host, a, 4000, 5683, coap(t, coapmsg.Confirmable, codes.GET, int32(20+i), tok, 1, -1)...), nil, bin, 24*time.Hour)
	}
	if e.ask(notify, bin, nil, 25*time.Hour).Allow {
		t.Error("the flow stays when all that it remembers were cancelled")
	}
}

// After a change of the rules a flow lives on only if these would open it.
func TestFlowsEndWithTheirRule(t *testing.T) {
	table, nodes := site(t)
	bin, mast := nodes["grain-bin"], nodes["mast"]
	a := table.Address(bin)
	set := func(rules ...Rule) *Set {
		s, err := Compile(rules)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	opens := rule(t, "fenland/grain-bin", "any", "udp/123 echo")
	out, back := datagram(a, host, 5000, 123, 1), datagram(host, a, 123, 5000, 1)
	tooBig := ipv6.ICMPError{Type: ipv6.TypePacketTooBig, Param: 1280}.AppendError(nil, other, out)
	for _, c := range []struct {
		name  string
		rules []*Set // one after the other
		allow bool
		flows int // of two, one of UDP and one of echo
	}{
		{"the same rules", []*Set{set(opens)}, true, 2},
		{"another rule that opens it", []*Set{set(rule(t, "any", "any", "udp"))}, true, 1},
		{"no rules", []*Set{set()}, false, 0},
		{"a rule for others", []*Set{set(rule(t, "fenland/mast", "any", "udp"))}, false, 0},
		{"one that denies it first", []*Set{set(deny(rule(t, "any", "2001:db8:ffff::/48", "any")), opens)}, false, 0},
		{"none, and then the same again", []*Set{set(), set(opens)}, false, 0},
	} {
		e := engine(t, opens)
		e.ask(out, bin, nil, 0)
		e.ask(echo(a, host, 128, 7), bin, nil, 0)
		for _, s := range c.rules {
			e.Swap(s)
		}
		if got := e.Stats(begin.Add(time.Second)).Flows; got != c.flows {
			t.Errorf("%s: %d flows, want %d", c.name, got, c.flows)
		}
		if v := e.ask(tooBig, nil, bin, time.Second); v.Allow != c.allow {
			t.Errorf("%s: allow %v for an error about the flow", c.name, v.Allow)
		}
		if v := e.ask(back, nil, bin, time.Second); v.Allow != c.allow {
			t.Errorf("%s: allow %v", c.name, v.Allow)
		}
	}

	// A rule that was in force when the packet was decided about, and no more when it
	// found room, opens nothing.
	e := engine(t, opens)
	var v Verdict
	e.Decide(&v, out, ipv6.Walk(out), bin, nil, begin)
	e.Swap(set())
	e.Begin(&v)
	if e.ask(back, nil, bin, 0).Allow {
		t.Error("a packet of before the change opened a flow after it")
	}

	// The address is another node's now, which the rule does not name.
	e = engine(t, opens)
	e.ask(out, bin, nil, 0)
	if e.ask(back, nil, mast, 0).Allow {
		t.Error("the flow of a node passes to another that has its address now")
	}
}

// What is decided about and then finds no room opens nothing, and pushes nothing out.
func TestOnlyWhatFoundRoomOpensAFlow(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	e := engine(t, rule(t, "any", "fenland", "any"))
	var v Verdict
	for i := range 100_000 {
		p := udp(host, a, uint16(i), uint16(6000+i/65536))
		if e.Decide(&v, p, ipv6.Walk(p), nil, bin, begin); !v.Allow {
			t.Fatal("sanity")
		}
	}
	if n := e.Stats(begin).Flows; n != 0 {
		t.Errorf("%d flows of packets that went nowhere", n)
	}
	if e.Begin(&v); e.Stats(begin).Flows != 1 {
		t.Error("a packet that found room opened no flow")
	}
}

// RFC 4890, section 4.3.1, and RFC 4443, section 2.4 f: to a node goes one error a second of
// each flow, and of what it quotes no more than the node needs to know about what it is.
func TestErrorsToNodesAreFewAndShort(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	e := engine(t, rule(t, "any", "fenland", "udp"))
	about := func(port uint16) ipv6.Packet {
		return ipv6.ICMPError{Type: ipv6.TypeUnreachable, Code: ipv6.CodePort}.AppendError(nil, other, datagram(a, host, 5000, port, make([]byte, 1000)...))
	}
	for port := range uint16(2) {
		e.ask(datagram(host, a, port, 5000, 1), nil, bin, 0)
	}
	pass := 0
	for range 100 {
		for port := range uint16(2) {
			v := e.ask(about(port), nil, bin, 0)
			if !v.Allow && v.Why != OverErrors {
				t.Fatalf("%v", v.Why)
			}
			if v.Allow {
				// 8 of ICMPv6, 40 of IPv6, 8 of UDP and 12 of what it carries.
				if pass++; v.Keep != ipv6.HeaderLen+8+ipv6.HeaderLen+8+12 {
					t.Errorf("%d octets go on", v.Keep)
				}
			}
		}
	}
	if pass != 2 {
		t.Errorf("%d errors about two flows at once, want 2", pass)
	}
	if e.ask(about(0), nil, bin, 999*time.Millisecond).Allow || !e.ask(about(0), nil, bin, time.Second).Allow {
		t.Error("not one a second")
	}
	broken := about(0)
	broken[len(broken)-1]++
	if e.ask(broken, nil, bin, time.Minute).Allow {
		t.Error("an error with a wrong checksum passed, which would be made right when it is cut")
	}
	if v := e.ask(about(0), nil, bin, time.Minute); !v.Allow {
		t.Error("one with a wrong checksum took the place of a right one")
	}
	// Extension headers that no cut can shorten, in the error and in what it quotes.
	said := about(0)[ipv6.HeaderLen:]
	for n, octets := range []int{8, 1016} {
		quote := ext(a, host, ipv6.ProtoDestination, join(options(ipv6.ProtoUDP, octets), udpHeader(0), make([]byte, 40))...)
		copy(quote[ipv6.HeaderLen+octets:], datagram(a, host, 5000, 0)[ipv6.HeaderLen:])
		in := ipv6.ICMPError{Type: ipv6.TypeUnreachable, Code: ipv6.CodePort}.AppendError(nil, other, quote)
		before := ext(other, a, ipv6.ProtoDestination, join(options(ipv6.ProtoICMPv6, octets), said[:200])...)
		binary.BigEndian.PutUint16(before[ipv6.HeaderLen+octets+2:], 0)
		binary.BigEndian.PutUint16(before[ipv6.HeaderLen+octets+2:],
			ipv6.Checksum(before.SourceBytes(), before.DestinationBytes(), ipv6.ProtoICMPv6, before[ipv6.HeaderLen+octets:]))
		for i, p := range []ipv6.Packet{in, before} {
			if v := e.ask(p, nil, bin, time.Minute+time.Duration(10*n+2*i+2)*time.Second); v.Allow != (n == 0) {
				t.Errorf("%d octets of options in packet %d: allow %v by %v", octets, i, v.Allow, v.Why)
			}
		}
	}
	// What a node says is not cut, and not held back here.
	outward := ipv6.ICMPError{Type: ipv6.TypeUnreachable, Code: ipv6.CodePort}.AppendError(nil, a, datagram(host, a, 0, 5000, make([]byte, 900)...))
	for range 3 {
		if v := e.ask(outward, bin, nil, time.Minute); !v.Allow || v.Keep != 0 {
			t.Errorf("an error of a node: allow %v, %d octets", v.Allow, v.Keep)
		}
	}
	b := about(1)
	f := append(ipv6.Header{PayloadLen: 8 + 120, NextHeader: ipv6.ProtoFragment, HopLimit: 64, Source: other, Destination: a}.AppendTo(nil),
		fragmentOctets(ipv6.ProtoICMPv6, 0, true, 3, b[ipv6.HeaderLen:ipv6.HeaderLen+120]...)...)
	if e.ask(f, nil, bin, 2*time.Minute).Allow {
		t.Error("RFC 4443, section 2.4 c: an error is never in fragments")
	}
}

// Whoever has one address of a /64 outside has all of them; nodes are told apart.
func TestRateOfASourceIsThatOfItsPrefix(t *testing.T) {
	table, nodes := site(t)
	r := rule(t, "any fenland", "any fenland", "udp")
	r.Source = Rate{Packets: 3, Per: time.Minute}
	e := engine(t, r)
	pass := 0
	for i := range 1000 {
		src := ipv6.Join(host, ipv6.IID(i+1))
		if e.ask(udp(src, table.Address(nodes["mast"]), 1, 123), nil, nodes["mast"], 0).Allow {
			pass++
		}
	}
	if pass != 3 {
		t.Errorf("%d packets of 1000 addresses in one /64 passed under 3/min", pass)
	}
	if !e.ask(udp(other, table.Address(nodes["mast"]), 1, 123), nil, nodes["mast"], 0).Allow {
		t.Error("another /64 pays for it")
	}
	for _, n := range []string{"mast", "grain-bin"} {
		for i := range 4 {
			if v := e.ask(udp(table.Address(nodes[n]), host, uint16(i), 124), nodes[n], nil, 0); v.Allow != (i < 3) {
				t.Errorf("packet %d of %s: %v", i, n, v.Why)
			}
		}
	}
}

// rate_mesh counts all nodes and sources together.
func TestRateOfAllNodesTogether(t *testing.T) {
	table, nodes := site(t)
	r := rule(t, "any", "fenland", "udp")
	r.Mesh = Rate{Packets: 4, Per: time.Second}
	e := engine(t, r)
	pass := func(at time.Duration) (n int) {
		for name, to := range nodes {
			for _, src := range []netip.Addr{host, other} {
				if e.ask(udp(src, table.Address(nodes[name]), 1, 123), nil, to, at).Allow {
					n++
				}
			}
		}
		return n
	}
	if got := pass(0); got != 4 {
		t.Errorf("%d of 12 packets to six nodes passed at once, want 4", got)
	}
	if got := pass(500 * time.Millisecond); got != 2 {
		t.Errorf("half a second later %d passed, want 2", got)
	}
}

// Nothing is allocated for a packet, whatever the engine has to look at.
func TestWhatIsLookedIntoAllocatesNothing(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	e := engine(t, rule(t, "any", "fenland", "udp"), rule(t, "fenland", "any", "udp"))
	get := datagram(host, a, 4000, 5683, coap(t, coapmsg.Confirmable, codes.GET, 1, "tok", 0, -1)...)
	content := datagram(a, host, 5683, 4000, coap(t, coapmsg.Acknowledgement, codes.Content, 1, "tok", 5, -1)...)
	first := fragmentOctets(ipv6.ProtoUDP, 0, true, 7, join(udpHeader(123), make([]byte, 8))...)
	later := fragmentOctets(ipv6.ProtoUDP, 16, false, 7, 1, 2, 3)
	hello := []byte{22, 0xfe, 0xfd, 0, 0, 0, 0, 0, 0, 0, 0, 0, 12, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0}
	list := []struct {
		p        ipv6.Packet
		from, to *node.Node
	}{
		{get, nil, bin}, {content, bin, nil},
		{ext(host, a, ipv6.ProtoFragment, first...), nil, bin}, {ext(host, a, ipv6.ProtoFragment, later...), nil, bin},
		{datagram(a, host, 5684, 5684, hello...), bin, nil}, {datagram(host, a, 5684, 5684, hello...), nil, bin},
		{ipv6.ICMPError{Type: ipv6.TypePacketTooBig, Param: 1280}.AppendError(nil, other, content), nil, bin},
	}
	at := time.Duration(0)
	if n := testing.AllocsPerRun(200, func() {
		at += 2 * time.Second
		for _, x := range list {
			e.ask(x.p, x.from, x.to, at)
		}
	}); n != 0 {
		t.Errorf("%v allocations for %d packets", n, len(list))
	}
}
