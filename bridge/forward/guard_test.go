package forward

import (
	"encoding/binary"
	"net/netip"
	"testing"
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/bridge/radio"
)

// fragment is a fragment of a packet (RFC 8200, section 4.5).
func fragment(src, dst netip.Addr, next byte, offset int, more bool, id uint32, body []byte) ipv6.Packet {
	at := uint16(offset) &^ 7
	if more {
		at |= 1
	}
	b := ipv6.Header{PayloadLen: 8 + len(body), NextHeader: ipv6.ProtoFragment, HopLimit: 64, Source: src, Destination: dst}.AppendTo(nil)
	b = binary.BigEndian.AppendUint16(append(b, next, 0), at)
	return append(binary.BigEndian.AppendUint32(b, id), body...)
}

// toPort is a UDP packet to another port.
func toPort(p ipv6.Packet, port uint16) ipv6.Packet {
	binary.BigEndian.PutUint16(p[42:], port)
	return p
}

// passes lets packets come from outside, and returns how many a node gets.
func (r *rig) passes(list ...ipv6.Packet) (n int) {
	r.t.Helper()
	for _, p := range list {
		r.down(p)
		n += len(r.answer(radio.OutcomeDelivered))
	}
	return n
}

// RFC 7112, section 5; RFC 5722: fragments do not hide from the rules what they are, and end
// as packet-fragment where they try.
func TestFragmentsEndAtTheRules(t *testing.T) {
	a := global(nodeA)
	coap := toPort(udp(outside, a, 64, 16), 5683)[ipv6.HeaderLen:]
	ntp := toPort(udp(outside, a, 64, 16), 123)[ipv6.HeaderLen:]
	options := []byte{ipv6.ProtoUDP, 0, 1, 4, 0, 0, 0, 0}
	of := func(next byte, offset int, more bool, b []byte) ipv6.Packet {
		return fragment(outside, a, next, offset, more, 77, b)
	}
	for _, c := range []struct {
		name string
		p    []ipv6.Packet
		pass int
		ends map[string]uint64
	}{
		{"the ports in the second fragment", []ipv6.Packet{of(ipv6.ProtoDestination, 0, true, options), of(ipv6.ProtoDestination, 8, false, coap)},
			0, map[string]uint64{"packet-fragment": 1, "policy": 1}},
		{"other ports over those of the first", []ipv6.Packet{of(ipv6.ProtoDestination, 0, true, append(options, ntp[:8]...)), of(ipv6.ProtoDestination, 8, false, coap)},
			1, map[string]uint64{"packet-fragment": 1}},
		{"the second first", []ipv6.Packet{of(ipv6.ProtoUDP, 8, false, coap[8:]), of(ipv6.ProtoUDP, 0, true, ntp[:8])}, 1, map[string]uint64{"policy": 1}},
		{"an honest datagram", []ipv6.Packet{of(ipv6.ProtoUDP, 0, true, ntp[:16]), of(ipv6.ProtoUDP, 16, false, ntp[16:])}, 2, map[string]uint64{}},
		{"a denied port", []ipv6.Packet{of(ipv6.ProtoUDP, 0, true, coap[:16]), of(ipv6.ProtoUDP, 16, false, coap[16:])}, 0, map[string]uint64{"policy": 2}},
	} {
		r := ruled(t, noAir, "any; fenland/*; coap; deny", "2001:db8:ffff::/48; fenland/*; any")
		if n := r.passes(c.p...); n != c.pass {
			t.Errorf("%s: %d passed, want %d", c.name, n, c.pass)
		}
		got := reasons(r.f.Stats().ToMesh.Dropped)
		for w, n := range c.ends {
			if got[w] != n || len(got) != len(c.ends) {
				t.Errorf("%s: ended as %v, want %v", c.name, got, c.ends)
			}
		}
		r.sums()
	}

	r := ruled(t, noAir, "any; fenland/*; udp; 5/min")
	n := r.passes(of(ipv6.ProtoUDP, 0, true, make([]byte, 1024)))
	for i := range 50 {
		n += r.passes(of(ipv6.ProtoUDP, 1024*(i+1), true, make([]byte, 1024)))
	}
	if n != 5 || r.f.Stats().ToMesh.Dropped[drop.RateLimited] != 46 {
		t.Errorf("%d fragments of 1 kB passed under 5 packets a minute: %v", n, reasons(r.f.Stats().ToMesh.Dropped))
	}

	// From a node to outside it is the same.
	r = ruled(t, noAir, "fenland/*; any; udp")
	r.up(nodeA, fragment(a, outside, ipv6.ProtoDestination, 0, true, 1, options))
	if s := r.f.Stats().FromMesh; s.Dropped[drop.PacketFragment] != 1 || len(r.tun.Up()) != 0 {
		t.Errorf("from a node: %v", reasons(s.Dropped))
	}
}

// A node reports from the port of its CoAP server: the host there answers, and does not
// command it, at once or for days.
func TestReportOpensNoServer(t *testing.T) {
	r := ruled(t, noAir, "any; fenland/*; coap; deny", "fenland/*; 2001:db8:ffff::/48; coap")
	report := toPort(udp(global(nodeA), outside, 64, 8), 5683)
	binary.BigEndian.PutUint16(report[40:], 5683)
	copy(report[48:], []byte{0x50, 2, 0, 1, 0xff}) // a non-confirmable POST
	r.up(nodeA, report)
	message := func(b ...byte) ipv6.Packet {
		p := toPort(udp(outside, global(nodeA), 64, len(b)), 5683)
		binary.BigEndian.PutUint16(p[40:], 5683)
		copy(p[48:], b)
		return p
	}
	changed, put := message(0x50, 0x44, 0, 1), message(0x40, 3, 0, 1, 0xb6, 'o', 'u', 't', 'p', 'u', 't', 0xff, '1')
	if n := r.passes(put, changed, put); n != 1 {
		t.Errorf("%d of a request, a response and a request passed, want the response", n)
	}
	n := 0
	for range 1000 { // every 4 minutes, 2.7 days
		r.step(4 * time.Minute)
		n += r.passes(put, changed)
	}
	if n != 1 {
		t.Errorf("%d messages passed after one report, want the response of minute 4", n)
	}
}

// RFC 4890, section 4.3.1: errors about a flow pass, one a second, and a node gets no more of
// what they quote than it needs. Whoever knows a flow's addresses and ports can forge them.
func TestErrorsAboutAFlowAreFewAndShort(t *testing.T) {
	r := ruled(t, noAir, "2001:db8:ffff::53/128; fenland/*; coap")
	request := toPort(udp(outside, global(nodeA), 64, 4), 5683)
	if r.passes(request) != 1 {
		t.Fatal("sanity")
	}
	about := udp(global(nodeA), outside, 64, 1100)
	binary.BigEndian.PutUint16(about[40:], 5683)
	copy(about[42:44], request[40:42])
	stranger := netip.MustParseAddr("2001:db8:bad::1")
	unreachable := ipv6.ICMPError{Type: ipv6.TypeUnreachable, Code: ipv6.CodePort}.AppendError(nil, stranger, about)
	ipv6.Packet(unreachable).Payload()[4] = 128 / 8 // as if an extension stood behind 128 octets (RFC 4884, section 4.5)
	unreachable = icmp(stranger, global(nodeA), 64, ipv6.Packet(unreachable).Payload()...)
	var got []arrived
	for range 100 {
		r.down(unreachable)
		got = append(got, r.answer(radio.OutcomeDelivered)...)
	}
	if len(got) != 1 || r.f.Stats().ToMesh.Dropped[drop.RateLimited] != 99 {
		t.Fatalf("%d of 100 errors at once passed: %v", len(got), reasons(r.f.Stats().ToMesh.Dropped))
	}
	p := got[0].pkt
	if want := 40 + 8 + 40 + 8 + 12; len(p) != want || len(p.Payload()) != want-40 {
		t.Errorf("%d octets arrive, want %d", len(p), want)
	}
	msg := p.Payload()
	if msg[0] != ipv6.TypeUnreachable || msg[4] != 0 || string(msg[8:]) != string(about[:60]) || p.HopLimit() != 63 {
		t.Errorf("arrived: hop limit %d, %x", p.HopLimit(), msg)
	}
	if !ipv6.ChecksumOK(p.SourceBytes(), p.DestinationBytes(), ipv6.ProtoICMPv6, msg) {
		t.Error("the checksum is wrong")
	}
	if n := testing.AllocsPerRun(20, func() {
		r.now = r.now.Add(time.Second)
		if r.f.ToMesh(unreachable); r.f.Stats().ToMesh.Queued == 0 {
			t.Error("the error did not pass")
		}
	}); n != 0 {
		t.Errorf("%v allocations for an error that is cut", n)
	}
	r.answer(radio.OutcomeDelivered)
	r.step(time.Second)
	if r.passes(unreachable) != 1 {
		t.Error("a second later none passes")
	}
	r.sums()
}

// A permitted host does not push out the flows of others by packets that find no air or no
// room.
func TestRefusedPacketsPushNoFlowOut(t *testing.T) {
	e := policy.New(policy.Options{Mesh: "fenland", Now: start, Flows: 256})
	e.Swap(rules(t, "2001:db8:ffff::/48; fenland/*; udp", "fenland/*; 2001:db8:aaaa::/48; udp"))
	r := newRig(t, Options{Policy: e, Name: "fenland"}, node.Options{})
	r.radio.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA}, radio.NodeInfo{Addr: nodeB})
	r.run()
	server := netip.MustParseAddr("2001:db8:aaaa::9")
	request := udp(global(nodeB), server, 64, 4)
	r.up(nodeB, request)
	for i := range 20_000 {
		p := toPort(udp(ipv6.Join(outside, ipv6.IID(i+1)), global(nodeA), 64, 4), uint16(i+1))
		r.f.ToMesh(p)
	}
	if s := r.f.Stats().ToMesh; s.Dropped[drop.AirLimited]+s.Dropped[drop.QueueFull] < 19_000 {
		t.Fatalf("the flood was taken: %v", reasons(s.Dropped))
	}
	if n := e.Stats(r.now).Flows; n > 200 {
		t.Errorf("%d flows of packets most of which never left", n)
	}
	r.answer(radio.OutcomeDelivered)
	back := udp(server, global(nodeB), 64, 4)
	copy(back[40:42], request[42:44])
	copy(back[42:44], request[40:42])
	if r.passes(back) != 1 {
		t.Errorf("the answer to a node's request is refused: %v", reasons(r.f.Stats().ToMesh.Dropped))
	}
	r.sums()
}
