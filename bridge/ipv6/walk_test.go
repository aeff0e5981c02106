package ipv6

import (
	"encoding/hex"
	"strings"
	"testing"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
)

// with returns a packet that carries next and then the octets in hex.
func with(t testing.TB, next byte, s string) Packet {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return append(Header{PayloadLen: len(b), NextHeader: next, HopLimit: 64, Source: src, Destination: dst}.AppendTo(nil), b...)
}

// Chains of extension headers (RFC 8200, section 4; RFC 4302, 2.2 for AH), worked
// by hand.
func TestWalk(t *testing.T) {
	const opts, udp = "00 0104 00000000", "1633 1633 0008 0000"
	for _, c := range []struct {
		name string
		next byte
		rest string
		want Upper
	}{
		{"none", ProtoUDP, udp, Upper{Proto: ProtoUDP, Offset: 40, First: true, NextAt: 6}},
		{"no next header", ProtoNoNext, "", Upper{Proto: ProtoNoNext, Offset: 40, First: true, NextAt: 6}},
		{"hop-by-hop", ProtoHopByHop, "11" + opts + udp, Upper{Proto: ProtoUDP, Offset: 48, First: true, NextAt: 40}},
		{"hop-by-hop of 16 octets", ProtoHopByHop, "3a 01 010c" + strings.Repeat("00", 12) + "8000", Upper{Proto: ProtoICMPv6, Offset: 56, First: true, NextAt: 40}},
		{"two", ProtoHopByHop, "3c" + opts + "11" + opts + udp, Upper{Proto: ProtoUDP, Offset: 56, First: true, NextAt: 48}},
		{"mobility, HIP, Shim6", ProtoMobility, "8b" + opts + "8c" + opts + "3b" + opts, Upper{Proto: ProtoNoNext, Offset: 64, First: true, NextAt: 56}},
		{"routing type 0 (RFC 5095)", ProtoRouting, "11 00 0001 00000000" + udp, Upper{Proto: ProtoUDP, Offset: 48, First: true, Routing0: true, NextAt: 40}},
		{"routing type 3", ProtoRouting, "11 00 0301 00000000" + udp, Upper{Proto: ProtoUDP, Offset: 48, First: true, Routing3: true, NextAt: 40}},
		{"AH of 24 octets", ProtoAH, "11 04 0000" + strings.Repeat("00", 20) + udp, Upper{Proto: ProtoUDP, Offset: 64, First: true, NextAt: 40}},
		{"first fragment", ProtoFragment, "11 00 0001 cafef00d" + udp, Upper{Proto: ProtoUDP, Offset: 48, FragmentAt: 40, First: true, NextAt: 40}},
		{"later fragment", ProtoFragment, "00 00 0008 cafef00d" + udp, Upper{Proto: ProtoHopByHop, Offset: 48, FragmentAt: 40, NextAt: 40}},
		{"a Fragment header behind another one and options (RFC 8200, 4.5: at most one)", ProtoFragment, "3c 00 0000 cafef00d" + "2c" + opts + "11 00 0000 cafef00d" + udp,
			Upper{Proto: ProtoUDP, Offset: 64, FragmentAt: 40, Nested: true, First: true, NextAt: 56}},
		{"unknown", 99, "00", Upper{Proto: 99, Offset: 40, First: true, NextAt: 6}},
		{"ESP hides the rest", ProtoESP, "00", Upper{Proto: ProtoESP, Offset: 40, First: true, NextAt: 6}},
		{"routing type 3, a segment left (RFC 6554, 3)", ProtoRouting, "11 00 0301 00000000" + udp, Upper{Proto: ProtoUDP, Offset: 48, First: true, Routing3: true, NextAt: 40}},
		{"routing type 4, a segment left (RFC 8754, 2)", ProtoRouting, "11 00 0401 00000000" + udp, Upper{Proto: ProtoUDP, Offset: 48, First: true, Routing4: true, NextAt: 40}},
		{"routing type 3, no segment left", ProtoRouting, "11 00 0300 00000000" + udp, Upper{Proto: ProtoUDP, Offset: 48, First: true, NextAt: 40}},
		{"RPL option (RFC 6553, 3)", ProtoHopByHop, "11 00 6304 00000000" + udp, Upper{Proto: ProtoUDP, Offset: 48, First: true, RPL: true, NextAt: 40}},
		{"RPL option (RFC 9008, 4.2) behind padding", ProtoHopByHop, "11 00 00 0100 23 01 00" + udp, Upper{Proto: ProtoUDP, Offset: 48, First: true, RPL: true, NextAt: 40}},
		{"RPL option as the last octet", ProtoHopByHop, "11 00 0103 000000 63" + udp, Upper{Proto: ProtoUDP, Offset: 48, First: true, RPL: true, NextAt: 40}},
		{"an option that holds the octet 63", ProtoHopByHop, "11 00 1e04 63046304" + udp, Upper{Proto: ProtoUDP, Offset: 48, First: true, NextAt: 40}},
		{"cut", ProtoHopByHop, "11 00 0104", Upper{Proto: ProtoHopByHop, Offset: 40, First: true, Cut: true, NextAt: 6}},
		{"length past the end", ProtoHopByHop, "11 01 0104 00000000", Upper{Proto: ProtoHopByHop, Offset: 40, First: true, Cut: true, NextAt: 6}},
		{"AH cut", ProtoAH, "11 04", Upper{Proto: ProtoAH, Offset: 40, First: true, Cut: true, NextAt: 6}},
		{"AH past the end", ProtoAH, "11 04 0000 00000000", Upper{Proto: ProtoAH, Offset: 40, First: true, Cut: true, NextAt: 6}},
		{"fragment header cut", ProtoFragment, "11 00 0001", Upper{Proto: ProtoFragment, Offset: 40, First: true, Cut: true, NextAt: 6}},
		{"nothing behind the last", ProtoHopByHop, "11" + opts, Upper{Proto: ProtoUDP, Offset: 48, First: true, NextAt: 40}},
	} {
		if got := Walk(with(t, c.next, c.rest)); got != c.want {
			t.Errorf("%s: got %+v, want %+v", c.name, got, c.want)
		}
	}
}

// gopacket finds the upper layer at the same place.
func TestWalkAgainstGopacket(t *testing.T) {
	const opts, udp = "00 0104 00000000", "1633 1633 0008 0000"
	for _, p := range []Packet{
		with(t, ProtoUDP, udp),
		with(t, ProtoHopByHop, "11"+opts+udp),
		with(t, ProtoHopByHop, "3c"+opts+"11"+opts+udp),
		with(t, ProtoFragment, "11 00 0001 cafef00d"+udp),
	} {
		u := Walk(p)
		g := gopacket.NewPacket(p, layers.LayerTypeIPv6, gopacket.Default)
		l := g.Layer(layers.LayerTypeUDP)
		if p.NextHeader() == ProtoFragment {
			continue // gopacket leaves it to its own reassembly
		}
		if l == nil || u.Proto != ProtoUDP || string(l.LayerContents()) != string(p[u.Offset:]) {
			t.Errorf("%x: %+v, gopacket has %v", p, u, g)
		}
	}
}

// FuzzWalk: whatever the packet, the walk ends within it, and never moves back.
func FuzzWalk(f *testing.F) {
	f.Add([]byte(with(f, ProtoHopByHop, "11 00 0104 00000000 1633 1633 0008 0000")))
	f.Add([]byte(with(f, ProtoFragment, "11 00 0001 cafef00d")))
	f.Add([]byte(with(f, ProtoAH, "11 04 0000 00000000")))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := Parse(b)
		if err != nil {
			return
		}
		u := Walk(p)
		if u.Offset < HeaderLen || u.Offset > len(p) || u.NextAt >= u.Offset || u.NextAt < offNextHeader ||
			p[u.NextAt] != u.Proto || !u.First && u.FragmentAt == 0 {
			t.Fatalf("%x: %+v", b, u)
		}
		_ = ICMPError{Type: TypeUnreachable}.MayAnswer(p)
	})
}
