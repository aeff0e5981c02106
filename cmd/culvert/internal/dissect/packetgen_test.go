package dissect

import (
	"encoding/binary"
	"maps"
	"math/rand/v2"
	"net/netip"
	"slices"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
)

// dice is where the generator takes its choices from: intn(n) is 0 to n-1. A seeded
// generator serves the tests that need the same packets every time, rapid the rest.
// Clean packets are well-formed up to their last octet: nothing in them but 6LoWPAN
// could offend a judge that takes whole packets apart.
type dice struct {
	intn  func(n int) int
	clean bool
}

func (d dice) one(percent int) bool { return d.intn(100) < percent }

// octets returns n octets that follow from a single choice.
func (d dice) octets(n int) []byte {
	b := make([]byte, n)
	r := rand.New(rand.NewPCG(uint64(d.intn(1<<30)), 0))
	kinds := r.IntN(4)
	for i := 0; i < n; {
		run := min(1+r.IntN(24), n-i)
		switch k := r.IntN(4); {
		case kinds > 0 || k == 0: // three strings in four are random; the fourth can be compressed
			for j := range run {
				b[i+j] = byte(r.Uint32())
			}
		case k == 1: // zeros
		case i > 0:
			copy(b[i:i+run], b[r.IntN(i):])
		}
		i += run
	}
	return b
}

// prefixes returns contexts in a fixed order.
func prefixes(ctxs map[uint8]netip.Prefix) []netip.Prefix {
	var out []netip.Prefix
	for _, id := range slices.Sorted(maps.Keys(ctxs)) {
		out = append(out, ctxs[id])
	}
	return out
}

func pick[T any](d dice, list ...T) T { return list[d.intn(len(list))] }

// link returns a link address: extended, short, and now and then none.
func (d dice) link() ieee802154.Addr {
	switch d.intn(12) {
	case 0:
		return ieee802154.Addr{}
	case 1, 2, 3, 4:
		return ieee802154.Short(uint16(d.intn(0x8000)))
	case 5:
		return ieee802154.Broadcast
	}
	return ieee802154.Extended(0x00005eef10000000 | uint64(d.intn(256)) | uint64(d.intn(2))<<57)
}

// contexts returns up to six contexts of every length that matters.
func (d dice) contexts() map[uint8]netip.Prefix {
	m := map[uint8]netip.Prefix{}
	for range d.intn(7) {
		a := netip.MustParseAddr(pick(d, "2001:db8::", "2001:db8:1::", "fd00:1:2:3::", "2001:db8:3:4:aaaa::",
			"2001:db8:4:4:1122:3344:5566:7788", "2001:db8::ff:fe00:0", "fe80::", "64:ff9b::"))
		p := netip.PrefixFrom(a, pick(d, 0, 1, 16, 32, 40, 48, 56, 60, 63, 64, 65, 68, 80, 96, 104, 112, 120, 127, 128))
		m[uint8(d.intn(16))] = p.Masked()
	}
	return m
}

// addr returns an IPv6 address such as meets the forms of RFC 6282, section 3.1.1,
// and those just beside them.
func (d dice) addr(link ieee802154.Addr, ctxs map[uint8]netip.Prefix, destination bool) netip.Addr {
	var b [16]byte
	if destination && d.one(30) {
		return d.multicast(ctxs)
	}
	switch d.intn(10) {
	case 0:
		copy(b[:], d.octets(16))
		if b[0] == 0xff {
			b[0] = 0x20
		}
		return netip.AddrFrom16(b)
	case 1:
		if !destination {
			return netip.IPv6Unspecified()
		}
		fallthrough
	case 2:
		b = netip.MustParseAddr(pick(d, "2001:db8::", "fe80:0:0:1::", "fe80::", "fe90::", "::ffff:192.0.2.1", "::1")).As16()
	case 3, 4, 5:
		b = netip.MustParseAddr("fe80::").As16()
	default:
		b = netip.MustParseAddr("2001:db8::").As16()
		if list := prefixes(ctxs); len(list) > 0 {
			b = pick(d, list...).Addr().As16()
		}
	}
	switch d.intn(5) {
	case 0, 1:
		if iid, ok := ipv6.IIDOf(link); ok {
			binary.BigEndian.PutUint64(b[8:], uint64(iid))
		}
	case 2:
		copy(b[8:], []byte{0, 0, 0, 0xff, 0xfe, 0, byte(d.intn(256)), byte(d.intn(256))})
	case 3:
		copy(b[8:], d.octets(8))
	}
	for _, p := range prefixes(ctxs) { // the bits of a long context over the rest
		if d.one(30) && b[0] == p.Addr().As16()[0] {
			a := p.Addr().As16()
			for i := range p.Bits() {
				b[i/8] = b[i/8]&^(0x80>>(i%8)) | a[i/8]&(0x80>>(i%8))
			}
		}
	}
	if d.one(5) {
		b[d.intn(16)] ^= byte(1 << d.intn(8))
	}
	if b[0] == 0xff {
		b[0] = 0xfe
	}
	return netip.AddrFrom16(b)
}

func (d dice) multicast(ctxs map[uint8]netip.Prefix) netip.Addr {
	b := netip.MustParseAddr(pick(d, "ff02::1", "ff02::fb", "ff02::100", "ff03::fd", "ff05::1:3", "ff05::12:3456",
		"ff02::1:ff12:3456", "ff02::12:3456:789a", "ff02:0:0:1::1", "ff12::1", "ff02::", "ff01::1", "ff3e:40:2001:db8:5:1:1234:5678")).As16()
	for _, p := range prefixes(ctxs) {
		if d.one(50) { // RFC 3306 and RFC 3956: a prefix within the group
			a := p.Addr().As16()
			b = [16]byte{0xff, byte(d.intn(256)), byte(d.intn(2)), byte(p.Bits())}
			copy(b[4:12], a[:8])
			copy(b[12:], d.octets(4))
		}
	}
	return netip.AddrFrom16(b)
}

// packet returns a valid IPv6 packet of at most size octets, which is 200 or more.
func (d dice) packet(from, to ieee802154.Addr, ctxs map[uint8]netip.Prefix, size int) []byte {
	src, dst := d.addr(from, ctxs, false), d.addr(to, ctxs, true)
	return d.packetOf(src, dst, size, 2)
}

func (d dice) packetOf(src, dst netip.Addr, size, depth int) []byte {
	proto, payload := d.headers(src, dst, size-ipv6.HeaderLen, depth, true)
	return append(ipv6.Header{
		TrafficClass: pick(d, 0, 0, 0, 1, 3, 0xb8, 0xb9, byte(d.intn(256))),
		FlowLabel:    pick(d, 0, 0, 0, 0x12345, uint32(d.intn(1<<20))),
		PayloadLen:   len(payload),
		NextHeader:   proto,
		HopLimit:     pick(d, 1, 64, 255, 63, 0, byte(d.intn(256))),
		Source:       src, Destination: dst,
	}.AppendTo(nil), payload...)
}

// headers returns extension headers, none as a rule, and an upper-layer message,
// with the Next Header value of the first.
func (d dice) headers(src, dst netip.Addr, size, depth int, first bool) (proto byte, b []byte) {
	if size < 64 || d.one(60) {
		return d.upper(src, dst, size, depth)
	}
	kind := pick[byte](d, ipv6.ProtoDestination, ipv6.ProtoRouting, ipv6.ProtoFragment, ipv6.ProtoMobility, ipv6.ProtoDestination, ipv6.ProtoAH)
	if d.clean && kind != ipv6.ProtoDestination && kind != ipv6.ProtoFragment {
		kind = ipv6.ProtoRouting
	}
	if first && d.one(50) {
		kind = ipv6.ProtoHopByHop
	}
	var h []byte
	switch kind {
	case ipv6.ProtoHopByHop, ipv6.ProtoDestination:
		h = d.options(min(size-40, pick(d, 8, 16, 16, 24, 64, 264, 600)))
	case ipv6.ProtoFragment:
		h = append([]byte{0, 0}, d.octets(6)...)
		h[2], h[3] = 0, h[3]&1 // the first fragment, or an atomic one
	case ipv6.ProtoAH:
		h = d.octets(24)
		h[1], h[2], h[3] = 4, 0, 0
	default:
		n := 8 * (1 + d.intn(3))
		h = d.octets(n)
		h[1] = byte(n/8 - 1)
		if d.clean {
			h[2], h[3] = 253, 0 // an experimental type (RFC 4727), no segment left
		}
	}
	next, rest := d.headers(src, dst, size-len(h), depth, false)
	h[0] = next
	return kind, append(h, rest...)
}

// options returns a header of n octets full of options, whose padding stands at the
// end, in the middle, or is missing.
func (d dice) options(n int) []byte {
	n = max(8, n/8*8)
	h := []byte{0, byte(n/8 - 1)}
	for len(h) < n {
		left := n - len(h)
		switch k := d.intn(5); {
		case left == 1 || k == 0:
			h = append(h, 0) // Pad1
		case k == 1:
			pad := min(left, pick(d, 2, 3, 4, 5, 6, 7, left))
			pad = min(pad, 257)
			h = append(append(h, 1, byte(pad-2)), make([]byte, pad-2)...)
			if d.one(5) && pad > 2 {
				h[len(h)-1] = 0xa5 // padding should be zero; it need not be
			}
		default:
			data := min(left-2, pick(d, 0, 1, 4, left-2, d.intn(left)), 255)
			h = append(append(h, 0x1e, byte(data)), d.octets(data)...)
		}
	}
	return h
}

// upper returns an upper-layer message of at most size octets.
func (d dice) upper(src, dst netip.Addr, size, depth int) (byte, []byte) {
	room := pick(d, 0, 1, 2, 5, 20, 50, 90, 100, 300, 700, size)
	s, t := src.As16(), dst.As16()
	switch k := d.intn(12); {
	case k < 5:
		b := append(make([]byte, 8), d.octets(max(0, min(room, size-8)))...)
		binary.BigEndian.PutUint16(b, d.port())
		binary.BigEndian.PutUint16(b[2:], d.port())
		binary.BigEndian.PutUint16(b[4:], uint16(len(b)))
		binary.BigEndian.PutUint16(b[6:], ipv6.UDPChecksum(s[:], t[:], b))
		switch k := d.intn(30); {
		case d.clean:
		case k == 0:
			b[5] ^= byte(1 << d.intn(8)) // a length that disagrees with the packet
		case k == 1:
			b[6] ^= 1 // a wrong checksum
		case k == 2:
			b[6], b[7] = 0, 0
		}
		return ipv6.ProtoUDP, b
	case k < 7:
		b := append([]byte{byte(128 + d.intn(2)), 0, 0, 0}, d.octets(4+max(0, min(room, size-8)))...)
		binary.BigEndian.PutUint16(b[2:], ipv6.Checksum(s[:], t[:], ipv6.ProtoICMPv6, b))
		return ipv6.ProtoICMPv6, b
	case k < 8 && size >= 20:
		b := append(d.octets(20), d.octets(min(room, size-20))...)
		binary.BigEndian.PutUint16(b, d.port())
		binary.BigEndian.PutUint16(b[2:], d.port())
		b[12], b[13], b[16], b[17], b[18], b[19] = 0x50, 0x10, 0, 0, 0, 0
		binary.BigEndian.PutUint16(b[16:], ipv6.Checksum(s[:], t[:], ipv6.ProtoTCP, b))
		return ipv6.ProtoTCP, b
	case k < 10 && depth > 0 && size >= 120:
		in := pick(d, src, d.addr(ieee802154.Short(0x1234), nil, false))
		out := pick(d, dst, d.addr(ieee802154.Short(0x1234), nil, true))
		return ipv6.ProtoIPv6, d.packetOf(in, out, size, depth-1)
	case d.clean: // not "no next header": tshark 4.0.17 stumbles over Pad1 at the very end of a packet
		return 253, d.octets(4) // an experimental protocol (RFC 3692)
	case k < 11:
		return ipv6.ProtoNoNext, nil
	}
	return pick[byte](d, 253, 50, 0x84, ipv6.ProtoUDP, ipv6.ProtoIPv6, ipv6.ProtoFragment), d.octets(min(room, size, 7))
}

// port returns a UDP port of one of the classes of RFC 6282, section 4.3.3.
func (d dice) port() uint16 {
	if d.clean { // classes 3 and 1, and one that no dissector claims
		return pick(d, 0xf0b0+uint16(d.intn(16)), 0xf000+uint16(d.intn(256)), 0xf100, 0xe001)
	}
	return pick(d, 0xf0b0+uint16(d.intn(16)), 0xf000+uint16(d.intn(256)), 0xf100, 5684, uint16(d.intn(1<<16)))
}
