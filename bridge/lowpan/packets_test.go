package lowpan

import (
	"encoding/binary"
	"math/rand/v2"
	"net/netip"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
)

// contexts of many lengths, with and without a part of the interface identifier.
var manyContexts = map[uint8]netip.Prefix{
	0:  netip.MustParsePrefix("2001:db8::/64"),
	1:  netip.MustParsePrefix("2001:db8:1::/48"),
	2:  netip.MustParsePrefix("fd00:1:2:3::/64"),
	3:  netip.MustParsePrefix("2001:db8:3:4:aaaa::/80"),
	4:  netip.MustParsePrefix("2001:db8:4:4:1122:3344:5566:0/112"),
	5:  netip.MustParsePrefix("2001:db8:5:5:1111:2222:3333:4444/128"),
	6:  netip.MustParsePrefix("2001:db8:6:7f00::/56"),
	8:  netip.MustParsePrefix("64:ff9b::/96"),
	9:  netip.MustParsePrefix("2001:db9::/32"),
	10: netip.MustParsePrefix("fd00:a:0:0:f000::/68"),
	12: netip.MustParsePrefix("fe80::/64"),
	14: netip.MustParsePrefix("2001:db8:1:0:0:ff:fe00:0/112"),
	15: netip.MustParsePrefix("::/0"),
}

// maker makes packets from random choices, such as hit the forms that addresses,
// ports and headers can be shortened to, and those that miss them by a little.
type maker struct{ *rand.Rand }

func (m maker) oneOf(n int) bool { return m.IntN(n) == 0 }

func (m maker) link() ieee802154.Addr {
	switch m.IntN(8) {
	case 0:
		return ieee802154.Addr{}
	case 1:
		return ieee802154.Broadcast
	case 2, 3:
		return ieee802154.Short(uint16(m.IntN(0x7fff)))
	}
	return ieee802154.Extended(0x00005eef10000000 + uint64(m.IntN(256)))
}

func (m maker) contexts() map[uint8]netip.Prefix {
	c := map[uint8]netip.Prefix{}
	for id, p := range manyContexts {
		if m.oneOf(2) {
			c[id] = p
		}
	}
	return c
}

// addr returns an address that may be derived from link.
func (m maker) addr(link ieee802154.Addr, multicast bool) netip.Addr {
	var b [16]byte
	if multicast && m.oneOf(2) {
		return m.group()
	}
	switch m.IntN(10) {
	case 0:
		for i := range b {
			b[i] = byte(m.IntN(256))
		}
		return netip.AddrFrom16(b)
	case 1:
		return netip.IPv6Unspecified()
	case 2, 3, 4:
		b[0], b[1] = 0xfe, 0x80
	default:
		b = manyContexts[uint8(m.IntN(16))].Addr().As16()
		if b == [16]byte{} {
			b[0], b[1] = 0xfe, 0x80
		}
	}
	iid := b[8:]
	switch m.IntN(6) {
	case 0, 1, 2:
		if v := slowIID(link); v != nil {
			copy(iid, v)
		}
	case 3:
		copy(iid, []byte{0, 0, 0, 0xff, 0xfe, 0, byte(m.IntN(256)), byte(m.IntN(256))})
	case 4:
		binary.BigEndian.PutUint64(iid, m.Uint64())
	}
	if m.oneOf(6) { // near miss
		b[m.IntN(16)] ^= 1 << m.IntN(8)
	}
	return netip.AddrFrom16(b)
}

func (m maker) group() netip.Addr {
	b := [16]byte{0: 0xff, 1: byte(m.IntN(256))}
	if m.oneOf(2) {
		b[1] = 2
	}
	n := []int{1, 3, 5, 6}[m.IntN(4)]
	for i := 16 - n; i < 16; i++ {
		b[i] = byte(m.IntN(256))
	}
	if m.oneOf(3) { // from a unicast prefix (RFC 3306)
		p := manyContexts[uint8(m.IntN(16))]
		a := p.Addr().As16()
		b[2], b[3] = byte(m.IntN(2)), byte(p.Bits())
		if p.IsValid() {
			copy(b[4:12], a[:8])
		}
	}
	if m.oneOf(6) {
		b[1+m.IntN(15)] ^= 1 << m.IntN(8)
	}
	return netip.AddrFrom16(b)
}

// packet returns a valid packet of at most n octets, n at least 64.
func (m maker) packet(from, to ieee802154.Addr, n int) ipv6.Packet {
	h := ipv6.Header{
		HopLimit:    []byte{1, 64, 255, byte(m.IntN(256))}[m.IntN(4)],
		Source:      m.addr(from, m.oneOf(20)),
		Destination: m.addr(to, m.oneOf(2)),
	}
	switch m.IntN(4) {
	case 0:
		h.TrafficClass, h.FlowLabel = byte(m.IntN(256)), m.Uint32N(1<<20)
	case 1:
		h.TrafficClass = byte(m.IntN(256))
	case 2:
		h.TrafficClass, h.FlowLabel = byte(m.IntN(4)), m.Uint32N(1<<20)
	}
	proto, rest := m.upper(h.Source, h.Destination, n-ipv6.HeaderLen, 3)
	h.NextHeader, h.PayloadLen = proto, len(rest)
	return append(h.AppendTo(nil), rest...)
}

// upper returns what follows an IPv6 header, in at most n octets.
func (m maker) upper(src, dst netip.Addr, n, depth int) (proto byte, b []byte) {
	if n >= 16 && m.oneOf(3) && depth > 0 {
		return m.extension(src, dst, n, depth)
	}
	if n >= 60 && m.oneOf(6) && depth > 0 {
		// Identifiers of the outer header, as the inner header's.
		inner := m.packetWith(ipv6.Join(m.addr(ieee802154.Addr{}, false), ipv6.IIDIn(src)),
			ipv6.Join(m.addr(ieee802154.Addr{}, false), ipv6.IIDIn(dst)), n, depth-1)
		if m.oneOf(8) {
			inner[5] ^= 1
		}
		return ipv6.ProtoIPv6, inner
	}
	payload := make([]byte, m.IntN(max(1, min(n-8, 200))))
	for i := range payload {
		payload[i] = byte(m.IntN(4) * m.IntN(90))
	}
	switch m.IntN(4) {
	case 0:
		return []byte{6, 58, 59, 50, 44, 99}[m.IntN(6)], payload
	case 1:
		return ipv6.ProtoUDP, payload // too short, or with a wrong length
	}
	ports := []uint16{0xf0b0 + uint16(m.IntN(16)), 0xf000 + uint16(m.IntN(256)), 5683, uint16(m.Uint32())}
	out := binary.BigEndian.AppendUint16(nil, ports[m.IntN(4)])
	out = binary.BigEndian.AppendUint16(out, ports[m.IntN(4)])
	length := 8 + len(payload)
	if m.oneOf(10) {
		length += m.IntN(3) - 1
	}
	out = binary.BigEndian.AppendUint16(out, uint16(length))
	out = binary.BigEndian.AppendUint16(out, uint16(m.Uint32()))
	return ipv6.ProtoUDP, append(out, payload...)
}

func (m maker) packetWith(src, dst netip.Addr, n, depth int) []byte {
	h := ipv6.Header{HopLimit: 64, Source: src, Destination: dst}
	proto, rest := m.upper(src, dst, n-ipv6.HeaderLen, depth)
	h.NextHeader, h.PayloadLen = proto, len(rest)
	return append(h.AppendTo(nil), rest...)
}

// extension returns an extension header and what follows it.
func (m maker) extension(src, dst netip.Addr, n, depth int) (proto byte, b []byte) {
	proto = []byte{ipv6.ProtoHopByHop, ipv6.ProtoRouting, ipv6.ProtoDestination, ipv6.ProtoMobility, ipv6.ProtoFragment}[m.IntN(5)]
	size := 8 * (1 + m.IntN(min(5, n/8)))
	if m.oneOf(20) && n > 300 {
		size = 8 * (30 + m.IntN(6))
	}
	if proto == ipv6.ProtoFragment {
		size = 8
	}
	b = make([]byte, size)
	b[1] = byte(size/8 - 1)
	if padded(proto) {
		m.options(b[2:])
	} else if size > 8 || m.oneOf(2) {
		for i := 2; i < size; i++ {
			b[i] = byte(m.IntN(256))
		}
	}
	if m.oneOf(16) {
		b[1+m.IntN(size-1)] ^= 1 << m.IntN(8)
	}
	next, rest := m.upper(src, dst, n-size, depth-1)
	b[0] = next
	return proto, append(b, rest...)
}

// options fills b with options, and with padding at the end more often than not.
func (m maker) options(b []byte) {
	for len(b) > 0 {
		n := min(len(b), 1+m.IntN(9))
		switch {
		case n == 1:
			b[0] = optPad1
		case n == len(b) && !m.oneOf(4):
			b[0], b[1] = optPadN, byte(n-2)
		default:
			b[0], b[1] = []byte{0x1e, 0x63, optPadN}[m.IntN(3)], byte(n-2)
			for i := 2; i < n; i++ {
				b[i] = byte(m.IntN(3))
			}
		}
		b = b[n:]
	}
}
