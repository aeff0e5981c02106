package policy

import (
	"encoding/binary"
	"math/rand/v2"
	"net/netip"
	"testing"
	"time"

	"culvert/bridge/ipv6"
)

// ext is an IPv6 packet with any next header and payload.
func ext(src, dst netip.Addr, next byte, payload ...byte) ipv6.Packet {
	b := ipv6.Header{PayloadLen: len(payload), NextHeader: next, HopLimit: 64, Source: src, Destination: dst}.AppendTo(nil)
	return append(b, payload...)
}

// fragmentOctets is a Fragment header (RFC 8200, section 4.5) and what follows it.
func fragmentOctets(next byte, offset int, more bool, id uint32, body ...byte) []byte {
	at := uint16(offset) &^ 7
	if more {
		at |= 1
	}
	b := binary.BigEndian.AppendUint16([]byte{next, 0}, at)
	return append(binary.BigEndian.AppendUint32(b, id), body...)
}

// Octets that begin a fragment: a UDP header, and options that lead to one.
func udpHeader(dport uint16) []byte {
	return []byte{0x10, 0, byte(dport >> 8), byte(dport), 0, 40, 0, 0}
}
func options(next byte, octets int) []byte { // RFC 8200, sections 4.2 and 4.6: one PadN
	b := make([]byte, octets)
	b[0], b[1], b[2], b[3] = next, byte(octets/8-1), 1, byte(octets-4)
	return b
}

func join(parts ...[]byte) (b []byte) {
	for _, p := range parts {
		b = append(b, p...)
	}
	return b
}

// RFC 7112, section 5, and RFC 5722: what passes in fragments shows its ports in the first,
// and nothing that follows changes them. Each case is asked about in turn; the rules deny
// CoAP and let everything else pass.
func TestFragmentsHideNothing(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	const udp, dst, frag = ipv6.ProtoUDP, ipv6.ProtoDestination, ipv6.ProtoFragment
	rest := make([]byte, 8)
	ntp, coap := udpHeader(123), udpHeader(5683)
	send := func(b []byte) ipv6.Packet { return ext(host, a, frag, b...) }
	first := send(fragmentOctets(udp, 0, true, 7, join(ntp, rest)...))
	for _, c := range []struct {
		name string
		p    []ipv6.Packet
		why  Why  // of the last packet
		deny bool // by a rule
	}{
		{"a first fragment with its ports", []ipv6.Packet{first}, ByRule, false},
		{"a first fragment with a port that is denied", []ipv6.Packet{send(fragmentOctets(udp, 0, true, 7, join(coap, rest)...))}, ByRule, true},
		{"its continuation", []ipv6.Packet{first, send(fragmentOctets(udp, 16, false, 7, rest...))}, ByFlow, false},
		{"a continuation before its first", []ipv6.Packet{send(fragmentOctets(udp, 16, false, 7, rest...))}, NotFirst, false},
		{"of another packet", []ipv6.Packet{first, send(fragmentOctets(udp, 16, false, 8, rest...))}, NotFirst, false},
		{"of another source", []ipv6.Packet{first, ext(other, a, frag, fragmentOctets(udp, 16, false, 7, rest...)...)}, NotFirst, false},
		{"of a packet to another node", []ipv6.Packet{first, ext(host, other, frag, fragmentOctets(udp, 16, false, 7, rest...)...)}, NotFirst, false},
		{"options alone, the ports in the second", []ipv6.Packet{send(fragmentOctets(dst, 0, true, 7, options(udp, 8)...))}, BadFragment, false},
		{"options that go on in the second", []ipv6.Packet{send(fragmentOctets(dst, 0, true, 7, options(udp, 24)[:16]...))}, BadFragment, false},
		{"options and the whole UDP header", []ipv6.Packet{send(fragmentOctets(dst, 0, true, 7, join(options(udp, 8), ntp)...))}, ByRule, false},
		{"empty", []ipv6.Packet{send(fragmentOctets(udp, 0, true, 7))}, BadFragment, false},
		// RFC 8200, section 4.5: the destination discards what is not in units of 8 octets.
		{"over the last 4 octets of an odd first", []ipv6.Packet{send(fragmentOctets(udp, 0, true, 7, join(ntp, rest[:4])...)),
			send(fragmentOctets(udp, 8, false, 7, rest...))}, BadFragment, false},
		{"past 65,535 octets", []ipv6.Packet{first, send(fragmentOctets(udp, 65528, false, 7, rest...))}, BadFragment, false},
		{"over the ports of the first", []ipv6.Packet{first, send(fragmentOctets(udp, 8, false, 7, coap...))}, BadFragment, false},
		{"over the last 8 octets of the first", []ipv6.Packet{send(fragmentOctets(dst, 0, true, 7, join(options(udp, 8), ntp)...)),
			send(fragmentOctets(udp, 8, false, 7, coap...))}, BadFragment, false},
		{"a second, shorter first", []ipv6.Packet{send(fragmentOctets(dst, 0, true, 7, join(options(udp, 16), ntp)...)),
			send(fragmentOctets(udp, 0, true, 7, udpHeader(9)...))}, BadFragment, false},
		{"a second first with other ports", []ipv6.Packet{first, send(fragmentOctets(udp, 0, true, 7, join(udpHeader(124), rest)...))}, BadFragment, false},
		{"the same first again", []ipv6.Packet{first, first}, ByRule, false},
		{"the same first again, then its continuation", []ipv6.Packet{first, first, send(fragmentOctets(udp, 16, false, 7, rest...))}, ByFlow, false},
		{"a fragment in a fragment", []ipv6.Packet{send(fragmentOctets(frag, 0, true, 7, fragmentOctets(udp, 0, true, 8, ntp...)...))}, BadFragment, false},
		{"a later fragment in a whole one", []ipv6.Packet{first, send(fragmentOctets(frag, 0, false, 9, fragmentOctets(udp, 16, false, 7, rest...)...))}, BadFragment, false},
		{"behind destination options", []ipv6.Packet{ext(host, a, dst, join(options(frag, 8), fragmentOctets(udp, 0, true, 7, ntp...))...)}, ByRule, false},
		{"behind destination options, a port that is denied", []ipv6.Packet{ext(host, a, dst, join(options(frag, 8), fragmentOctets(udp, 0, true, 7, coap...))...)}, ByRule, true},
		{"a continuation behind destination options", []ipv6.Packet{first, ext(host, a, dst, join(options(frag, 8), fragmentOctets(udp, 8, false, 7, coap...))...)}, BadFragment, false},
		{"behind an authentication header", []ipv6.Packet{ext(host, a, ipv6.ProtoAH, join([]byte{frag, 1}, make([]byte, 10), fragmentOctets(udp, 0, true, 7, ntp...))...)}, ByRule, false},
		// RFC 6946: a fragment that is the whole packet begins nothing.
		{"a whole packet as a fragment", []ipv6.Packet{send(fragmentOctets(udp, 0, false, 7, join(ntp, rest)...))}, ByRule, false},
		{"what follows a whole packet", []ipv6.Packet{send(fragmentOctets(udp, 0, false, 7, ntp...)), send(fragmentOctets(udp, 8, false, 7, rest...))}, NotFirst, false},
	} {
		e := engine(t, deny(rule(t, "any", "fenland", "coap")), rule(t, "any", "fenland", "any"))
		var v Verdict
		for _, p := range c.p {
			v = e.ask(p, nil, bin, 0)
		}
		if allow := !c.deny && (c.why == ByFlow || c.why == ByRule); v.Why != c.why || v.Allow != allow {
			t.Errorf("%s: allow %v by %v; want %v by %v", c.name, v.Allow, v.Why, allow, c.why)
		}
	}
}

// A receiver may put fragments together in other ways than we: octets of the first that came
// or of the last, the next header of the one or of the other. Whatever fragments an attacker
// makes of pieces of headers, none of these receivers gets a packet that the rules deny.
func TestNoReassemblyReachesADeniedPort(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	rng := rand.New(rand.NewPCG(7, 7))
	pieces := [][]byte{udpHeader(123), udpHeader(5683), options(ipv6.ProtoUDP, 8), options(ipv6.ProtoDestination, 8),
		options(ipv6.ProtoUDP, 16)[:8], make([]byte, 8), {ipv6.ProtoUDP, 0, 0, 123, 0, 40, 0, 0}, {ipv6.ProtoUDP, 1, 0x16, 0x33, 0, 40, 0, 0}}
	passed, complete := 0, 0
	set, err := Compile([]Rule{deny(rule(t, "any", "fenland", "coap")), rule(t, "any", "fenland", "any")})
	if err != nil {
		t.Fatal(err)
	}
	for range 30_000 {
		e := New(Options{Mesh: "fenland", Nodes: 8, Flows: 64, Now: begin})
		e.Swap(set)
		var sent []ipv6.Packet
		for range 2 + rng.IntN(5) {
			var body []byte
			for range 1 + rng.IntN(3) {
				body = append(body, pieces[rng.IntN(len(pieces))]...)
			}
			next := []byte{ipv6.ProtoUDP, ipv6.ProtoDestination, ipv6.ProtoFragment}[min(rng.IntN(9), 2)]
			if rng.IntN(2) == 0 {
				next = ipv6.ProtoDestination
			}
			offset := []int{0, 0, 8, 16, 24}[rng.IntN(5)]
			p := ext(host, a, ipv6.ProtoFragment, fragmentOctets(next, offset, offset < 16 || rng.IntN(2) == 0, 7, body...)...)
			if e.ask(p, nil, bin, time.Duration(rng.IntN(3))*40*time.Second).Allow {
				passed++
				sent = append(sent, p)
			}
		}
		for receiver := range 4 {
			got := reassembled(sent, receiver&1 != 0, receiver&2 != 0)
			if got == nil {
				continue
			}
			complete++
			if tu := Parse(got, ipv6.Walk(got)); tu.Proto == ipv6.ProtoUDP && tu.DestinationPort == PortCoAP {
				t.Fatalf("a receiver (last octets %v, last next header %v) made a packet to port 5683 of\n%x", receiver&1 != 0, receiver&2 != 0, sent)
			}
		}
	}
	if passed < 10_000 || complete < 1000 {
		t.Errorf("only %d fragments passed, and made %d packets: the test shows nothing", passed, complete)
	}
}

// reassembled is a receiver that takes overlaps, in the order of arrival; nil if the packet
// is not complete.
func reassembled(fragments []ipv6.Packet, lastOctets, lastNext bool) ipv6.Packet {
	var octets [128]byte
	var have [128]bool
	next, total := -1, -1
	for _, p := range fragments {
		b := p[ipv6.HeaderLen:]
		at := binary.BigEndian.Uint16(b[2:])
		for i, c := range b[8:] {
			if j := int(at&^7) + i; j < len(octets) && (lastOctets || !have[j]) {
				octets[j], have[j] = c, true
			}
		}
		if at&^7 == 0 && (lastNext || next < 0) {
			next = int(b[0])
		}
		if at&1 == 0 {
			total = int(at) + len(b) - 8
		}
	}
	if next < 0 || total < 0 {
		return nil
	}
	for _, ok := range have[:total] {
		if !ok {
			return nil
		}
	}
	return ext(fragments[0].Source(), fragments[0].Destination(), byte(next), octets[:total]...)
}

// Every fragment counts under the rates of the rule that let the first one pass, and none
// outlives the rules.
func TestFragmentsCountUnderRates(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	r := rule(t, "any", "fenland", "udp/123")
	r.Node = Rate{Packets: 5, Per: time.Minute}
	e := engine(t, r)
	pass := 0
	for i := range 20 {
		b := fragmentOctets(ipv6.ProtoUDP, 8*i, true, 7, udpHeader(123)...)
		v := e.ask(ext(host, a, ipv6.ProtoFragment, b...), nil, bin, 0)
		if v.Allow {
			pass++
		} else if v.Why != OverRate {
			t.Errorf("fragment %d: %v", i, v.Why)
		}
	}
	if pass != 5 {
		t.Errorf("%d fragments passed under a rate of 5 packets", pass)
	}
	later := ext(host, a, ipv6.ProtoFragment, fragmentOctets(ipv6.ProtoUDP, 160, false, 7, 1)...)
	s, err := Compile([]Rule{deny(rule(t, "any", "any", "any"))})
	if err != nil {
		t.Fatal(err)
	}
	e.Swap(s)
	if v := e.ask(later, nil, bin, 59*time.Second); v.Allow {
		t.Error("a later fragment passed under rules that let nothing pass")
	}
}

// RFC 8200, section 4.5: 60 s. The table is of a fixed size, and what it holds is not pushed
// out: with a full table no further packet begins to pass in fragments.
func TestFirstFragmentsAreBounded(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	e := New(Options{Mesh: "fenland", Now: begin, Flows: 64})
	s, err := Compile([]Rule{rule(t, "any", "fenland", "udp")})
	if err != nil {
		t.Fatal(err)
	}
	e.Swap(s)
	first := func(id uint32, dport uint16) ipv6.Packet {
		return ext(host, a, ipv6.ProtoFragment, fragmentOctets(ipv6.ProtoUDP, 0, true, id, udpHeader(dport)...)...)
	}
	later := ext(host, a, ipv6.ProtoFragment, fragmentOctets(ipv6.ProtoUDP, 8, false, 7, 1)...)
	if !e.ask(first(7, 123), nil, bin, 0).Allow {
		t.Fatal("sanity")
	}
	pass := 0
	for id := range uint32(10_000) {
		if e.ask(first(1000+id, 123), nil, bin, time.Second).Allow {
			pass++
		}
	}
	if places := len(e.first.set) * ways; pass >= places || pass < places/2 {
		t.Errorf("%d of 10,000 began to pass in a table of %d", pass, places)
	}
	if v := e.ask(first(7, 124), nil, bin, 2*time.Second); v.Why != BadFragment {
		t.Errorf("a flood had a first fragment forgotten: another one passed, %v", v.Why)
	}
	if !e.ask(later, nil, bin, 59*time.Second).Allow {
		t.Error("a later fragment after 59 s did not pass")
	}
	if e.ask(later, nil, bin, 61*time.Second).Allow {
		t.Error("a later fragment after 61 s passed")
	}
	if v := e.ask(first(7, 124), nil, bin, 119*time.Second); v.Why != BadFragment {
		t.Errorf("another first fragment after 119 s: %v", v.Why)
	}
	if !e.ask(first(7, 124), nil, bin, 121*time.Second).Allow {
		t.Error("the identification cannot be used again after two minutes")
	}
}
