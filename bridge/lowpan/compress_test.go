package lowpan

import (
	"bytes"
	"net/netip"
	"testing"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
)

// The headers of one packet and how they go out, worked by hand from the sections
// named. Addresses are those of the peer unless given.
func TestCompress(t *testing.T) {
	peer := Peer{From: ieee802154.Extended(0x02005eef1000000b), To: ieee802154.Short(0x1234)}
	const (
		src = "fe80::5eef:1000:b" // 02-00-5e-… with the U/L bit flipped
		dst = "fe80::ff:fe00:1234"
	)
	hbh := "3a00 0104 00000000" // PadN of 6
	udp := "1633 f0b2 0008 abcd"
	for _, c := range []struct {
		name     string
		src, dst string
		tc       byte
		flow     uint32
		hops     byte
		next     byte
		payload  string
		want     string // conservative
		full     string // if it differs
	}{
		{name: "all elided (3.1.1)", next: 59, want: "7a33 3b"},
		{name: "ECN (3.2.1)", tc: 0x01, next: 59, want: "7233 40 3b"},
		{name: "DSCP", tc: 0xb8, next: 59, want: "7233 2e 3b"},
		{name: "ECN and flow label", tc: 0x02, flow: 0xabcde, next: 59, want: "6a33 8abcde 3b"},
		{name: "DSCP and flow label", tc: 0xb9, flow: 0x12345, next: 59, want: "6233 6e012345 3b"},
		{name: "hop limit 1", hops: 1, next: 59, want: "7933 3b"},
		{name: "hop limit 255", hops: 255, next: 59, want: "7b33 3b"},
		{name: "hop limit 63", hops: 63, next: 59, want: "7833 3b 3f"},
		{name: "other short address", dst: "fe80::ff:fe00:1235", next: 59, want: "7a32 3b 1235"},
		{name: "other identifier", src: "fe80::1", next: 59, want: "7a13 3b 0000000000000001"},
		{name: "link-local with a subnet", src: "fe80:0:0:1:0:5eef:1000:b", next: 59, want: "7a03 3b fe80000000000001 00005eef1000000b"},
		{name: "context 0", src: "2001:db8::5eef:1000:b", next: 59, want: "7a73 3b"},
		{name: "context 2 for both (3.1.2)", src: "fd00:1:2:3::5eef:1000:b", dst: "fd00:1:2:3::ff:fe00:1234", next: 59, want: "7af7 22 3b"},
		{name: "context over 64 bits", dst: "2001:db8:5:5:1111:2222:3333:4444", next: 59, want: "7ab7 05 3b"},
		{name: "context of 48 bits, subnet 0", dst: "2001:db8:1::ff:fe00:9", next: 59, want: "7ab6 01 3b 0009"},
		{name: "context of 48 bits, subnet 7", dst: "2001:db8:1:7::ff:fe00:9", next: 59, want: "7a30 3b 20010db800010007 000000fffe000009"},
		{name: "group of 8 bits (3.2.3)", dst: "ff02::fb", next: 59, want: "7a3b 3b fb"},
		{name: "group of 32 bits", dst: "ff05::2", next: 59, want: "7a3a 3b 05000002"},
		{name: "group of 48 bits", dst: "ff02::1:ff00:1", next: 59, want: "7a39 3b 0201ff000001"},
		{name: "largest of 8 bits", dst: "ff02::ff", next: 59, want: "7a3b 3b ff"},
		{name: "past 8 bits", dst: "ff02::100", next: 59, want: "7a3a 3b 02000100"},
		{name: "largest of 32 bits", dst: "ff05::ff:ffff", next: 59, want: "7a3a 3b 05ffffff"},
		{name: "past 32 bits", dst: "ff05::100:0", next: 59, want: "7a39 3b 050001000000"},
		{name: "largest of 48 bits", dst: "ff05::ff:ffff:ffff", next: 59, want: "7a39 3b 05ffffffffff"},
		{name: "past 48 bits", dst: "ff05::100:0:0", next: 59, want: "7a38 3b ff05000000000000 0000010000000000"},
		{name: "group in full", dst: "ff02:0:0:1::1", next: 59, want: "7a38 3b ff020000000000010000000000000001"},
		{name: "group from a prefix (3.2.4)", dst: "ff3e:40:2001:db8::c0ff:ee00", next: 59, want: "7a3c 3b 3e00c0ffee00"},
		{name: "group from a prefix, RIID", dst: "ff7e:140:2001:db8::c0ff:ee00", next: 59, want: "7a3c 3b 7e01c0ffee00"},
		{name: "unspecified source", src: "::", next: 59, want: "7a43 3b"},
		{name: "UDP (4.3.3)", next: 17, payload: udp, want: "7e33 f1 1633b2 abcd"},
		{name: "UDP Length is wrong", next: 17, payload: "1633 f0b2 0009 abcd", want: "7a33 11"},
		{name: "UDP cut short", next: 17, payload: "1633 f0b2 0007 ab", want: "7a33 11"},
		{name: "hop-by-hop, padding elided (4.2)", next: 0, payload: hbh + "8000", want: "7a33 00", full: "7e33 e0 3a 00"},
		{name: "hop-by-hop without padding: no gain", next: 0, payload: "3a00 1e04 00000000" + "8000", want: "7a33 00"},
		{name: "hop-by-hop and UDP", next: 0, payload: "1100 1e04 00000000" + udp, want: "7a33 00", full: "7e33 e1 06 1e0400000000 f1 1633b2 abcd"},
		{name: "padding that is not zero", next: 0, payload: "1100 0104 00000001" + udp, want: "7a33 00", full: "7e33 e1 06 010400000001 f1 1633b2 abcd"},
		{name: "two padding options: one is elided", next: 60, payload: "1100 1e02aabb 00 00" + udp, want: "7a33 3c", full: "7e33 e7 05 1e02aabb00 f1 1633b2 abcd"},
		{name: "routing header", next: 43, payload: "1100 0301 00000000" + udp, want: "7a33 2b", full: "7e33 e3 06 030100000000 f1 1633b2 abcd"},
		{name: "fragment header stays", next: 44, payload: "1100 0000 cafef00d" + udp, want: "7a33 2c"},
		{name: "fragment header behind another", next: 60, payload: "2c00 0104 00000000 1100 0000 cafef00d" + udp, want: "7a33 3c", full: "7e33 e6 2c 00"},
		{name: "extension header past the end", next: 0, payload: "1101 0104 00000000", want: "7a33 00"},
	} {
		h := ipv6.Header{TrafficClass: c.tc, FlowLabel: c.flow, HopLimit: 64, NextHeader: c.next,
			Source: netip.MustParseAddr(src), Destination: netip.MustParseAddr(dst)}
		if c.src != "" {
			h.Source = netip.MustParseAddr(c.src)
		}
		if c.dst != "" {
			h.Destination = netip.MustParseAddr(c.dst)
		}
		if c.hops != 0 {
			h.HopLimit = c.hops
		}
		payload := unhex(t, c.payload)
		h.PayloadLen = len(payload)
		pkt := ipv6.Packet(append(h.AppendTo(nil), payload...))
		for _, full := range []bool{false, true} {
			p := peer
			p.Full = full
			want := c.want
			if full && c.full != "" {
				want = c.full
			}
			out, _, err := AppendCompressed(nil, pkt, p, NewContexts(manyContexts), 200)
			if err != nil || !bytes.Equal(out, unhex(t, want)) {
				t.Errorf("%s, full %v: %x, %v, want %s", c.name, full, out, err, want)
			}
			identity(t, pkt, p, manyContexts)
		}
	}
}

// A source of :: is short for every peer that has context 0, and for those that
// decode all of RFC 6282; Linux 6.1 drops it without context 0.
func TestUnspecifiedSource(t *testing.T) {
	pkt := ipv6.Packet(ipv6.Header{NextHeader: ipv6.ProtoNoNext, HopLimit: 255,
		Source: netip.IPv6Unspecified(), Destination: ipv6.AllRouters}.AppendTo(nil))
	none := NewContexts(nil)
	for _, c := range []struct {
		full     bool
		contexts *Contexts
		want     int
	}{
		{false, nil, 2 + 1 + 16 + 1},
		{false, none, 2 + 1 + 16 + 1},
		{false, none.With(1, manyContexts[0], true), 2 + 1 + 16 + 1},
		{false, none.With(0, manyContexts[0], false), 2 + 1 + 16 + 1},
		{false, none.With(0, manyContexts[0], true), 2 + 1 + 1},
		{true, nil, 2 + 1 + 1},
	} {
		out, _, err := AppendCompressed(nil, pkt, Peer{Full: c.full}, c.contexts, 100)
		if err != nil || len(out) != c.want {
			t.Errorf("full %v, contexts %+v: %x, %v, want %d octets", c.full, c.contexts, out, err, c.want)
		}
	}
}

// A header that RFC 6282, 4.2, cannot hold stays as it is: more than 255 octets
// behind its Length, after padding was taken off.
func TestLongExtension(t *testing.T) {
	build := func(units, pad int) ipv6.Packet {
		n := 8 * units
		ext := make([]byte, n)
		ext[0], ext[1] = ipv6.ProtoNoNext, byte(units-1)
		for at := 2; at < n-pad; {
			k := min(n-pad-at, 255)
			if n-pad-at-k == 1 {
				k--
			}
			ext[at], ext[at+1] = 0x1e, byte(k-2)
			at += k
		}
		if pad > 0 {
			ext[n-pad], ext[n-pad+1] = optPadN, byte(pad-2)
		}
		return append(ipv6.Header{NextHeader: ipv6.ProtoHopByHop, PayloadLen: n, HopLimit: 64,
			Source: ipv6.LinkLocal(1), Destination: ipv6.LinkLocal(2)}.AppendTo(nil), ext...)
	}
	for _, c := range []struct {
		units, pad int
		compressed bool
	}{{32, 4, true}, {33, 7, true}, {33, 6, false}, {33, 0, false}, {34, 7, false}} {
		pkt := build(c.units, c.pad)
		out, h, err := AppendCompressed(nil, pkt, Peer{Full: true}, nil, 1000)
		if err != nil || (h.Consumed > ipv6.HeaderLen) != c.compressed {
			t.Errorf("%d units, %d of padding: %+v, %v: %x", c.units, c.pad, h, err, out)
		}
		identity(t, pkt, Peer{Full: true}, nil)
	}
}

// A context identifier other than 0 costs an octet: it is worth it from two octets
// saved on (RFC 6282, 3.1.2). A context of 128 bits needs no link address.
func TestIdentifierOctet(t *testing.T) {
	c := NewContexts(map[uint8]netip.Prefix{
		0: netip.MustParsePrefix("2001:db8::/64"),
		7: netip.MustParsePrefix("2001:db8::ff:fe00:9/128"),
		9: netip.MustParsePrefix("2001:db8:0:9::/64"),
	})
	for _, x := range []struct{ src, dst, want string }{
		{"2001:db8::ff:fe00:9", "2001:db8::ff:fe00:9", "7af7 77 3b"},
		{"2001:db8::ff:fe00:8", "2001:db8::ff:fe00:9", "7ae7 07 3b 0008"},
		{"2001:db8::ff:fe00:8", "2001:db8::ff:fe00:7", "7a66 3b 0008 0007"},
		{"2001:db8:0:9::ff:fe00:8", "2001:db8::ff:fe00:7", "7ae6 90 3b 0008 0007"},
		{"2001:db8:0:9::ff:fe00:8", "2001:db8::ff:fe00:9", "7ae7 97 3b 0008"},
	} {
		pkt := ipv6.Packet(ipv6.Header{NextHeader: ipv6.ProtoNoNext, HopLimit: 64,
			Source: netip.MustParseAddr(x.src), Destination: netip.MustParseAddr(x.dst)}.AppendTo(nil))
		out, _, err := AppendCompressed(nil, pkt, Peer{}, c, 100)
		if err != nil || !bytes.Equal(out, unhex(t, x.want)) {
			t.Errorf("%s to %s: %x, %v, want %s", x.src, x.dst, out, err, x.want)
		}
	}
}

// Contexts with C=0 serve decompression only (RFC 6775, 4.2).
func TestContextFlag(t *testing.T) {
	var c *Contexts
	c = c.With(3, netip.MustParsePrefix("2001:db8:3::/64"), false)
	pkt := ipv6.Packet(ipv6.Header{NextHeader: ipv6.ProtoNoNext, HopLimit: 64,
		Source: netip.MustParseAddr("2001:db8:3::1"), Destination: ipv6.LinkLocal(2)}.AppendTo(nil))
	out, _, _ := AppendCompressed(nil, pkt, Peer{}, c, 100)
	if want := 2 + 1 + 16 + 8; len(out) != want {
		t.Errorf("%x: %d octets, want %d: the context may not be used", out, len(out), want)
	}
	got, _, err := AppendDecompressed(nil, unhex(t, "7ad1 30 3b 0000000000000001 0000000000000002"), Peer{}, c, 0)
	if err != nil || !bytes.Equal(got, pkt) {
		t.Errorf("%x %v, want %x", got, err, pkt)
	}
}

func TestContexts(t *testing.T) {
	var none *Contexts
	if _, ok := none.Lookup(0); ok {
		t.Error("a nil set has no context")
	}
	p := netip.MustParsePrefix("2001:db8:0:7::1/64")
	c := none.With(7, p, true).With(16, p, true).With(8, netip.Prefix{}, true).With(9, netip.MustParsePrefix("192.0.2.0/24"), true)
	for id := range uint8(20) {
		got, ok := c.Lookup(id)
		if ok != (id == 7) || ok && got != p.Masked() {
			t.Errorf("context %d: %v %v", id, got, ok)
		}
	}
	_ = c.With(7, netip.MustParsePrefix("2001:db8:0:8::/64"), true)
	if got, _ := c.Lookup(7); got != p.Masked() {
		t.Errorf("With changed the set that it was called on: context 7 is %v", got)
	}
}
