package lowpan

import (
	"bytes"
	"encoding/binary"
	"math/rand/v2"
	"net/netip"
	"testing"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
)

// shortestIPHC tries every combination of the bits of the IPHC base and every pair
// of context identifiers, with in-line what the packet has in that place, and
// returns the length of the shortest that the plain decoder restores to the packet.
// The packet has a next header without an NHC and no payload.
func shortestIPHC(pkt ipv6.Packet, p Peer, contexts map[uint8]netip.Prefix) int {
	shortest := 1000
	cids := []int{-1}
	for cid := range 256 {
		_, s := contexts[uint8(cid>>4)]
		_, d := contexts[uint8(cid&15)]
		if (s || cid>>4 == 0) && (d || cid&15 == 0) {
			cids = append(cids, cid)
		}
	}
	for base := uint16(0x6000); base < 0x8000; base++ {
		if base>>10&1 == 1 { // NH
			continue
		}
		for _, cid := range cids {
			if (base>>7&1 == 1) != (cid >= 0) {
				continue
			}
			f := plainIPHC(pkt, base, cid)
			if len(f) >= shortest {
				continue
			}
			if got, ok := slowDecode(f, p, contexts); ok && bytes.Equal(got, pkt) {
				shortest = len(f)
			}
		}
	}
	return shortest
}

// plainIPHC writes what is in-line under the given base.
func plainIPHC(pkt ipv6.Packet, base uint16, cid int) []byte {
	f := binary.BigEndian.AppendUint16(nil, base)
	if cid >= 0 {
		f = append(f, byte(cid))
	}
	tc, flow := pkt.TrafficClass(), pkt.FlowLabel()
	ecn, dscp := tc&3, tc>>2
	switch base >> 11 & 3 {
	case 0:
		f = append(f, ecn<<6|dscp, byte(flow>>16), byte(flow>>8), byte(flow))
	case 1:
		f = append(f, ecn<<6|byte(flow>>16), byte(flow>>8), byte(flow))
	case 2:
		f = append(f, ecn<<6|dscp)
	}
	f = append(f, pkt.NextHeader())
	if base>>8&3 == 0 {
		f = append(f, pkt.HopLimit())
	}
	tail := func(a []byte, n int) []byte { return a[16-n:] }
	src, dst := pkt.SourceBytes(), pkt.DestinationBytes()
	sam, dam := base>>4&3, base&3
	if n := []int{16, 8, 2, 0}[sam]; base>>6&1 == 0 || sam != 0 {
		f = append(f, tail(src, n)...)
	}
	switch dac := base >> 2 & 1; {
	case base>>3&1 == 0 && (dac == 0 || dam != 0):
		f = append(f, tail(dst, []int{16, 8, 2, 0}[dam])...)
	case base>>3&1 == 0:
	case dac == 1:
		f = append(f, dst[1], dst[2], dst[12], dst[13], dst[14], dst[15])
	case dam == 0:
		f = append(f, dst...)
	case dam == 3:
		f = append(f, dst[15])
	default:
		f = append(append(f, dst[1]), tail(dst, []int{16, 5, 3, 1}[dam])...)
	}
	return f
}

// No legal form of an IPv6 header is shorter than ours (RFC 6282, section 3).
func TestShortestHeader(t *testing.T) {
	m := maker{rand.New(rand.NewPCG(3, 1))}
	n := 60
	if testing.Short() {
		n = 10
	}
	short := map[int]int{}
	for range n {
		p := Peer{From: m.link(), To: m.link(), Full: true}
		contexts := m.contexts()
		for id := range contexts {
			if len(contexts) > 2 { // all pairs of them are tried
				delete(contexts, id)
			}
		}
		pkt := m.packet(p.From, p.To, 300)[:ipv6.HeaderLen]
		pkt[6] = ipv6.ProtoNoNext
		binary.BigEndian.PutUint16(pkt[4:], 0)
		out, _, err := AppendCompressed(nil, pkt, p, NewContexts(contexts), 100)
		if err != nil {
			t.Fatal(err)
		}
		want := shortestIPHC(pkt, p, contexts)
		if len(out) != want {
			t.Errorf("%x from %v to %v, contexts %v: %d octets, shortest is %d: %x", pkt, p.From, p.To, contexts, len(out), want, out)
		}
		short[len(out)]++
	}
	if len(short) < 5 {
		t.Errorf("the packets are too much alike: lengths %v", short)
	}
}

// No legal form of a UDP header is shorter than ours (RFC 6282, section 4.3.3).
func TestShortestPorts(t *testing.T) {
	for _, src := range []uint16{0, 0x1633, 0xf000, 0xf0af, 0xf0b0, 0xf0bf, 0xf0c0, 0xf0ff, 0xf100, 0xe0b0} {
		for _, dst := range []uint16{0, 0x1633, 0xf000, 0xf0af, 0xf0b0, 0xf0bf, 0xf0c0, 0xf0ff, 0xf100, 0xe0b0} {
			pkt := udpPacket(ipv6.Header{HopLimit: 64, Source: ipv6.LinkLocal(1), Destination: ipv6.LinkLocal(2)}, src, dst, nil)
			out, _, err := AppendCompressed(nil, pkt, Peer{}, nil, 100)
			if err != nil {
				t.Fatal(err)
			}
			iphc := 2 + 8 + 8
			want := 1 + 4 + 2
			for p, ports := range map[byte][]byte{
				1: {byte(src >> 8), byte(src), byte(dst)},
				2: {byte(src), byte(dst >> 8), byte(dst)},
				3: {byte(src<<4) | byte(dst)&15},
			} {
				f := append(bytes.Clone(out[:iphc]), nhcUDP|p)
				f = append(append(f, ports...), pkt[46:48]...)
				if got, ok := slowDecode(f, Peer{}, nil); ok && bytes.Equal(got, pkt) {
					want = min(want, len(f)-iphc)
				}
			}
			if len(out)-iphc != want {
				t.Errorf("ports %x and %x: %x, shortest is %d octets", src, dst, out[iphc:], want)
			}
		}
	}
}

// shortestChain returns the length of the shortest form of the headers behind an
// IPv6 header, from RFC 6282, section 4.2: whether they are compressed or not is
// tried for each, and so is eliding the padding. nh is what the Next Header field
// in front of it costs if it stays.
func shortestChain(proto byte, b []byte) int {
	plain := 1 + len(b) // the Next Header value is in-line in front
	best := plain
	switch proto {
	case ipv6.ProtoUDP:
		if len(b) >= 8 && int(binary.BigEndian.Uint16(b[4:])) == len(b) {
			src, dst := binary.BigEndian.Uint16(b), binary.BigEndian.Uint16(b[2:])
			n := 4
			switch {
			case src>>4 == 0xf0b && dst>>4 == 0xf0b:
				n = 1
			case src>>8 == 0xf0 || dst>>8 == 0xf0:
				n = 3
			}
			best = min(best, 1+n+2+len(b)-8)
		}
	case ipv6.ProtoHopByHop, ipv6.ProtoRouting, ipv6.ProtoDestination, ipv6.ProtoMobility:
		if len(b) < 8 || len(b) < 8*(1+int(b[1])) {
			break
		}
		n := 8 * (1 + int(b[1]))
		for pad := range 8 {
			if pad > 0 && !elidable(proto, b[2:n], pad) || n-2-pad > 255 {
				continue
			}
			best = min(best, 1+1+n-2-pad+shortestChain(b[0], b[n:]))
		}
	}
	return best
}

// elidable reports whether the last pad octets of the options are one option that
// a decompressor would put there.
func elidable(proto byte, options []byte, pad int) bool {
	if proto != ipv6.ProtoHopByHop && proto != ipv6.ProtoDestination {
		return false
	}
	for at := 0; at < len(options); {
		n := 1
		if options[at] != 0 {
			if at+1 == len(options) {
				return false
			}
			n = 2 + int(options[at+1])
		}
		if at == len(options)-pad {
			want := append([]byte{1, byte(pad - 2)}, make([]byte, 8)...)[:pad]
			if pad == 1 {
				want = []byte{0}
			}
			return n == pad && bytes.Equal(options[at:], want)
		}
		at += n
	}
	return false
}

// No choice of what to compress is shorter than ours for extension headers and UDP.
func TestShortestChain(t *testing.T) {
	m := maker{rand.New(rand.NewPCG(5, 8))}
	for range 20000 {
		p := Peer{From: ieee802154.Short(1), To: ieee802154.Short(2), Full: true}
		pkt := m.packet(p.From, p.To, MTU)
		if pkt.NextHeader() == ipv6.ProtoIPv6 {
			continue
		}
		if u := ipv6.Walk(pkt); u.Proto == ipv6.ProtoIPv6 {
			continue // tested by itself
		}
		head := pkt[:ipv6.HeaderLen]
		alone := append(ipv6.Packet{}, head...)
		alone[6] = ipv6.ProtoNoNext
		iphc, _, _ := AppendCompressed(nil, alone, p, nil, 100)
		out, h, err := AppendCompressed(nil, pkt, p, nil, 4096)
		if err != nil {
			t.Fatal(err)
		}
		got := len(out) + len(pkt) - h.Consumed - (len(iphc) - 1)
		if want := shortestChain(pkt.NextHeader(), pkt.Payload()); got != want {
			t.Errorf("%x: %d octets behind the IPv6 header, shortest is %d: %x", pkt, got, want, out)
		}
	}
}

// An inner header is compressed as the outer one is, with the outer addresses in
// place of link addresses (RFC 6282, section 3.2.2), and the rest follows.
func TestShortestInner(t *testing.T) {
	inner := udpPacket(ipv6.Header{HopLimit: 64, Source: netip.MustParseAddr("fe80::7"),
		Destination: netip.MustParseAddr("2001:db8::9")}, 0xf0b1, 0xf0b2, []byte("x"))
	outer := ipv6.Header{NextHeader: ipv6.ProtoIPv6, PayloadLen: len(inner), HopLimit: 64,
		Source: netip.MustParseAddr("2001:db8::7"), Destination: netip.MustParseAddr("fe80::9")}
	pkt := ipv6.Packet(append(outer.AppendTo(nil), inner...))
	c := NewContexts(map[uint8]netip.Prefix{0: netip.MustParsePrefix("2001:db8::/64")})
	out, h, err := AppendCompressed(nil, pkt, Peer{Full: true}, c, 100)
	if err != nil {
		t.Fatal(err)
	}
	// Outer: 2 octets and both identifiers in-line, then EID 7; inner: all elided.
	want := 2 + 8 + 8 + 1 + 2 + 1 + 1 + 2
	if len(out) != want || h.Consumed != len(pkt)-1 {
		t.Errorf("%x: %d octets, want %d; head %+v", out, len(out), want, h)
	}
}
