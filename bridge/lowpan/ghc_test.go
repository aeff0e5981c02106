package lowpan

import (
	"bytes"
	"math/rand/v2"
	"net/netip"
	"strings"
	"testing"

	"culvert/bridge/bridgetest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
)

// expandGHC runs bytecode in a frame of its own: a packet with the given addresses
// and an ICMPv6 message in GHC (RFC 7400, 3.1).
func expandGHC(t testing.TB, src, dst netip.Addr, bytecode []byte) ([]byte, error) {
	t.Helper()
	base := []byte{0x7f, 0x00}
	if dst.IsMulticast() {
		base[1] = iphcM
	}
	frame := append(base, src.AsSlice()...)
	frame = append(append(append(frame, dst.AsSlice()...), nhcGHCICMP), bytecode...)
	pkt, _, err := AppendDecompressed(nil, frame, Peer{GHC: true}, nil, 0)
	if err != nil {
		return nil, err
	}
	if pkt[6] != ipv6.ProtoICMPv6 {
		t.Errorf("next header %d", pkt[6])
	}
	return pkt[ipv6.HeaderLen:], nil
}

// The worked examples of RFC 7400, appendix A, both ways: they expand to what is
// printed there, and we need no more octets than it does.
func TestGHCVectors(t *testing.T) {
	n := 0
	for _, v := range bridgetest.Vectors(t, "ghc") {
		if v.Frames != nil {
			continue // adapt has these
		}
		n++
		src, dst := netip.IPv6Unspecified(), netip.IPv6Unspecified()
		if a, err := netip.ParseAddr(v.Text(t, "src")); err == nil {
			src, dst = a, netip.MustParseAddr(v.Text(t, "dst"))
		}
		bytecode := v.Hex(t, "ghc_hex")
		got, err := expandGHC(t, src, dst, bytecode)
		if v.Expect.Action == bridgetest.Drop {
			if err == nil {
				t.Errorf("%s (%s): expands to %x, want %s", v.ID, v.Source, got, v.Expect.Reason)
			}
			continue
		}
		want := v.Hex(t, "payload_hex")
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s (%s): expands to %x, %v, want %x", v.ID, v.Source, got, err, want)
		}
		var p ghcPlan
		addresses := append(src.AsSlice(), dst.AsSlice()...)
		cost := p.find(addresses, want)
		ours := p.appendTo(nil, want)
		if len(ours) != cost || cost > len(bytecode) {
			t.Errorf("%s: %d octets, planned %d, the example has %d", v.ID, len(ours), cost, len(bytecode))
		}
		if got, err := expandGHC(t, src, dst, ours); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s: ours, %x, expands to %x, %v", v.ID, ours, got, err)
		}
	}
	if n < 10 {
		t.Errorf("only %d examples", n)
	}
}

// shortestGHC tries all sequences of bytecodes of up to n octets, depth first, and
// returns the length of the shortest that expands to the payload; n+1 if there is
// none.
func shortestGHC(dict, payload []byte, n int) int {
	best := n + 1
	var try func(done, used, sa, na int)
	try = func(done, used, sa, na int) {
		if done == len(payload) && sa == 0 && na == 0 {
			best = min(best, used)
		}
		if used+1 >= best || done == len(payload) {
			return
		}
		rest := payload[done:]
		for k := 1; k <= len(rest); k++ {
			try(done+k, used+1+k, 0, 0)
		}
		for k := 2; k <= min(17, len(rest)); k++ {
			if bytes.Equal(rest[:k], make([]byte, k)) {
				try(done+k, used+1, sa, na)
			}
		}
		window := append(bytes.Clone(dict), payload[:done]...)
		for o := 0xc0; o < 0x100; o++ {
			k := na + o>>3&7 + 2
			s := o&7 + sa + k
			if k <= len(rest) && s <= len(window) && bytes.Equal(rest[:k], window[len(window)-s:][:k]) {
				try(done+k, used+1, 0, 0)
			}
		}
		for o := range 32 {
			if sa < 48 || na == 0 {
				try(done, used+1, sa+o&15<<3, na+o>>4<<3)
			}
		}
	}
	try(0, 0, 0, 0)
	return best
}

// No sequence of bytecodes is shorter than ours.
func TestShortestGHC(t *testing.T) {
	m := maker{rand.New(rand.NewPCG(74, 0))}
	for range 150 {
		addresses := make([]byte, 32)
		for i := range addresses {
			addresses[i] = byte(m.IntN(3))
		}
		payload := make([]byte, 1+m.IntN(24))
		for i := range payload {
			payload[i] = byte(m.IntN(3))
		}
		if m.oneOf(2) {
			copy(payload, addresses[m.IntN(20):])
		}
		var p ghcPlan
		dict := ghcDictOf(addresses)
		// Up to 4 octets can be searched quickly.
		if got := p.find(addresses, payload); got <= 5 {
			if want := shortestGHC(dict[:], payload, got); got != want {
				t.Errorf("%x after %x: %d octets, shortest is %d", payload, addresses, got, want)
			}
		} else if want := shortestGHC(dict[:], payload, 3); want <= 3 {
			t.Errorf("%x after %x: %d octets, shortest is %d", payload, addresses, got, want)
		}
	}
}

// ghcPayloads are payloads as long as a UDP datagram in one packet may have, with more
// and less to find in them.
var ghcPayloads = func() map[string][]byte {
	m := map[string][]byte{"zeros": make([]byte, 1232)}
	for name, at := range map[string]func(i int) byte{
		"mixed":    func(i int) byte { return byte(i * i >> 3) },
		"periodic": func(i int) byte { return byte(i % 43) },
		"two":      func(i int) byte { return byte(i >> 1 & i >> 3 & 1) },
		"text":     func(i int) byte { return "[{\"n\":\"level\",\"u\":\"m\",\"v\":1.234},"[i*7/6%33] },
		"noise":    func(i int) byte { return byte(uint32(i*i+7*i+100) * 0x9e3779b1 >> 13) },
	} {
		b := make([]byte, 1232)
		for i := range b {
			b[i] = at(i)
		}
		m[name] = b
	}
	return m
}()

// The search for back-references is bounded for each octet, whatever the payload: at
// most ghcPlaces places, and at each no more octets than the longest back-reference has.
func TestGHCSearchIsBounded(t *testing.T) {
	for name, payload := range ghcPayloads {
		var p ghcPlan
		p.find(make([]byte, 32), payload)
		if most := 170 * len(payload); p.compared > most {
			t.Errorf("%s: %d octets were compared for %d, want at most %d", name, p.compared, len(payload), most)
		}
	}
}

// optimalGHC is the length of the shortest bytecodes for a payload, looked for without
// any bound: every place, every length (RFC 7400, section 2).
func optimalGHC(dict, payload []byte) int {
	w := append(bytes.Clone(dict), payload...)
	n := len(payload)
	cost := make([]int, n+1)
	for i := n - 1; i >= 0; i-- {
		cost[i] = 2 + cost[i+1]
		for k := 2; k <= min(95, n-i); k++ {
			cost[i] = min(cost[i], 1+k+cost[i+k])
		}
		for k := 2; k <= min(17, n-i) && bytes.Equal(payload[i:i+k], make([]byte, k)); k++ {
			cost[i] = min(cost[i], 1+cost[i+k])
		}
		at := len(dict) + i
		for from := 0; from+2 <= at; from++ {
			for k := 1; k <= min(n-i, at-from) && w[from+k-1] == w[at+k-1]; k++ {
				if k >= 2 {
					// Each extension adds up to 8 to the length and up to 120 to the distance.
					s := at - from - k
					cost[i] = min(cost[i], 1+max((k-2)/8, (s/8+14)/15)+cost[i+k])
				}
			}
		}
	}
	return cost[0]
}

// The bound costs little: at most a twentieth over the shortest bytecodes there are.
func TestGHCBoundCostsLittle(t *testing.T) {
	addresses := make([]byte, 32)
	dict := ghcDictOf(addresses)
	for name, payload := range ghcPayloads {
		for _, n := range []int{20, 80, 200} {
			var p ghcPlan
			got, want := p.find(addresses, payload[:n]), optimalGHC(dict[:], payload[:n])
			if got < want || got > want+want/20+1 {
				t.Errorf("%s, %d octets: %d, the shortest has %d", name, n, got, want)
			}
			out := p.appendTo(nil, payload[:n])
			b, err := expandGHC(t, netip.IPv6Unspecified(), netip.IPv6Unspecified(), out)
			if len(out) != got || err != nil || !bytes.Equal(b, payload[:n]) {
				t.Errorf("%s, %d octets: %d octets planned, %d made, %v", name, n, got, len(out), err)
			}
		}
	}
}

// The longest that one bytecode stands for, and one octet more (RFC 7400, 2).
func TestGHCLimits(t *testing.T) {
	noise := func(n int) []byte {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(i*i + 7*i + 100)
		}
		return b
	}
	addresses := noise(32)
	for _, c := range []struct {
		name    string
		payload []byte
		want    int
	}{
		{"17 zeros", make([]byte, 17), 1},
		{"18 zeros", make([]byte, 18), 2},
		{"9 octets of the dictionary, 7 between", addresses[25:32], 2},
		{"32 octets, 48 back: three extensions for the length", addresses, 1 + 3},
		{"one octet", addresses[:1], 2},
		{"nothing", nil, 1},
	} {
		var p ghcPlan
		if got := p.find(addresses, c.payload); got != c.want {
			t.Errorf("%s: %d octets, want %d", c.name, got, c.want)
		}
	}
	literal := make([]byte, 200) // no two octets alike but far apart, none in the dictionary
	m := rand.New(rand.NewPCG(2, 2))
	for i := range literal {
		literal[i] = byte(m.Uint32())
	}
	for n, want := range map[int]int{95: 96, 96: 98, 190: 192, 191: 194} {
		var p ghcPlan
		if got := p.find(make([]byte, 32), literal[:n]); got > want {
			t.Errorf("%d octets of noise: %d, want at most %d", n, got, want)
		}
	}
}

// GHC is used only towards a peer that offered it, only where it is shorter, and
// never in what is cut into fragments.
func TestGHCUse(t *testing.T) {
	zeros := udpPacket(ipv6.Header{HopLimit: 64, Source: ipv6.LinkLocal(1), Destination: ipv6.LinkLocal(2)}, 5683, 5683, make([]byte, 40))
	echo := append(ipv6.Header{NextHeader: ipv6.ProtoICMPv6, PayloadLen: 30, HopLimit: 64,
		Source: ipv6.LinkLocal(1), Destination: ipv6.LinkLocal(2)}.AppendTo(nil), make([]byte, 30)...)
	noise := bytes.Clone(zeros)
	m := rand.New(rand.NewPCG(9, 9))
	for i := 48; i < len(noise); i++ {
		noise[i] = byte(m.Uint32())
	}
	for _, c := range []struct {
		name string
		pkt  ipv6.Packet
		ghc  bool
		room int
		nhc  byte // 0: in-line
	}{
		{"UDP", zeros, true, 100, nhcGHCUDP},
		{"not offered", zeros, false, 100, nhcUDP},
		{"ICMPv6", echo, true, 100, nhcGHCICMP},
		{"ICMPv6 not offered", echo, false, 100, 0},
		{"noise", noise, true, 100, nhcUDP},
		{"no room for the payload", zeros, true, 26, nhcUDP},
	} {
		out, h, err := AppendCompressed(nil, c.pkt, Peer{GHC: c.ghc}, nil, c.room)
		if err != nil {
			t.Fatal(err)
		}
		nhc := byte(0)
		if out[0]&iphcNH != 0 {
			nhc = out[18]
		}
		if nhc != c.nhc || (h.Consumed == len(c.pkt)) != (nhc != nhcUDP && nhc != 0) {
			t.Errorf("%s: NHC %#02x, want %#02x; %+v", c.name, nhc, c.nhc, h)
		}
	}
}

// An extension header in GHC: its Length is elided, and a stop code ends it (RFC
// 7400, 3.2, from memory). Worked by hand.
func TestGHCExtension(t *testing.T) {
	p := Peer{From: ieee802154.Short(1), To: ieee802154.Short(2), GHC: true}
	for frame, want := range map[string]string{
		"7e33 b0 3b 06 010400000000 90 aabb":                 "3b00010400000000aabb",
		"7e33 b0 3b 02 0104 82 90":                           "3b00010400000000",
		"7e33 b4 3b 07 00000001020304 90":                    "3b00000001020304",
		"7e33 b7 02 0104 82 90 d3 12 abcd 01ff":              "1100010400000000f0b1f0b20009abcdff",
		"7e33 b3 06 030100000000 90 ee 7a33 3b 00":           "29000301000000006000000000013b40" + strings.Repeat("0", 0),
		"7e33 e1 06 010400000000 b6 3b 02 0104 82 90 010203": "3c000104000000003b00010400000000010203",
	} {
		pkt, _, err := AppendDecompressed(nil, unhex(t, frame), p, nil, 0)
		if err != nil || !bytes.HasPrefix(pkt[ipv6.HeaderLen:], unhex(t, want)) {
			t.Errorf("%s: %x, %v, want %s", frame, pkt, err, want)
		}
	}
	// A routing header with segments left hides the last destination from a checksum.
	_, _, err := AppendDecompressed(nil, unhex(t, "7e33 b3 06 030100000000 90 f7 12"), p, nil, 0)
	if err != errChecksumPart {
		t.Errorf("checksum behind a routing header: %v", err)
	}
}
