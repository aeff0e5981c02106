package lowpan

import (
	"encoding/binary"
	"net/netip"
	"slices"

	"culvert/bridge/ieee802154"
)

// slow is a plain decoder, written from RFC 6282 a second time and in another way:
// it reads the frame bit by bit, builds each header as a list of octets from the
// inside out, and panics where the frame is not right. It knows no GHC, and of
// pages only page 0.
type slow struct {
	bits     []byte // one bit an octet
	contexts map[uint8]netip.Prefix
}

// slowDecode restores a whole packet; ok is false if the frame must be dropped.
// Checksums that were elided stay zero.
func slowDecode(frame []byte, p Peer, contexts map[uint8]netip.Prefix) (pkt []byte, ok bool) {
	defer func() {
		if recover() != nil {
			pkt, ok = nil, false
		}
	}()
	s := &slow{contexts: contexts}
	frame = slices.Clip(frame)
	for _, o := range frame {
		for i := 7; i >= 0; i-- {
			s.bits = append(s.bits, o>>i&1)
		}
	}
	if frame[0] == 0x41 {
		n := 40 + int(binary.BigEndian.Uint16(frame[5:]))
		pkt = frame[1 : 1+n]
		require(pkt[0]>>4 == 6)
	} else {
		pkt = s.iphc(slowIID(p.From), slowIID(p.To))
	}
	require(len(pkt) <= MTU)
	return pkt, true
}

func require(ok bool) {
	if !ok {
		panic("not right")
	}
}

// get reads the next n bits as a number.
func (s *slow) get(n int) uint64 {
	v := uint64(0)
	for _, b := range s.bits[:n] {
		v = v<<1 | uint64(b)
	}
	s.bits = s.bits[n:]
	return v
}

// octets reads the next n octets.
func (s *slow) octets(n int) []byte {
	out := []byte{}
	for range n {
		out = append(out, byte(s.get(8)))
	}
	return out
}

// slowIID returns the interface identifier of a link address, or nil (3.2.2).
func slowIID(a ieee802154.Addr) []byte {
	if !a.IsNode() {
		return nil
	}
	b := a.AppendTo(nil)
	if len(b) == 2 {
		return []byte{0, 0, 0, 0xff, 0xfe, 0, b[0], b[1]}
	}
	b[0] ^= 2
	return b
}

// outerIID returns the interface identifier of an enclosing header's address, or
// nil: a group has none, and neither has "::".
func outerIID(a []byte) []byte {
	if a[0] == 0xff || netip.AddrFrom16([16]byte(a)).IsUnspecified() {
		return nil
	}
	return a[8:]
}

// iphc reads 3.1.1 and all that follows, and returns the packet.
func (s *slow) iphc(from, to []byte) []byte {
	require(s.get(3) == 3)
	tf, nh, hlim := s.get(2), s.get(1), s.get(2)
	cid, sac, sam := s.get(1), s.get(1), s.get(2)
	m, dac, dam := s.get(1), s.get(1), s.get(2)
	var sci, dci uint8
	if cid == 1 {
		sci, dci = uint8(s.get(4)), uint8(s.get(4))
	}
	var ecn, dscp, flow uint64
	switch tf {
	case 0:
		ecn, dscp = s.get(2), s.get(6)
		s.get(4)
		flow = s.get(20)
	case 1:
		ecn = s.get(2)
		s.get(2)
		flow = s.get(20)
	case 2:
		ecn, dscp = s.get(2), s.get(6)
	}
	next := uint64(0)
	if nh == 0 {
		next = s.get(8)
	}
	hops := []uint64{0, 1, 64, 255}[hlim]
	if hlim == 0 {
		hops = s.get(8)
	}
	src := s.unicast(sac, sam, sci, from, false)
	var dst []byte
	if m == 0 {
		dst = s.unicast(dac, dam, dci, to, true)
	} else {
		dst = s.multicast(dac, dam, dci)
	}
	var rest []byte
	if nh == 0 {
		rest = s.octets(len(s.bits) / 8)
	} else {
		next, rest = s.nhc(outerIID(src), outerIID(dst))
	}
	head := uint64(6)<<60 | dscp<<54 | ecn<<52 | flow<<32 | uint64(len(rest))<<16 | next<<8 | hops
	out := binary.BigEndian.AppendUint64(nil, head)
	out = append(append(out, src...), dst...)
	return append(out, rest...)
}

// under returns an address whose first bits are those of the prefix, and which is
// else a.
func under(p netip.Prefix, a [16]byte) []byte {
	c := p.Addr().As16()
	for i := range p.Bits() {
		mask := byte(0x80 >> (i % 8))
		a[i/8] = a[i/8]&^mask | c[i/8]&mask
	}
	return a[:]
}

func (s *slow) unicast(ac, am uint64, cid uint8, iid []byte, dest bool) []byte {
	if ac == 1 && am == 0 {
		require(!dest)
		return make([]byte, 16)
	}
	if ac == 0 && am == 0 {
		return s.octets(16)
	}
	p := netip.MustParsePrefix("fe80::/64")
	if ac == 1 {
		var ok bool
		p, ok = s.contexts[cid]
		require(ok)
	}
	var a [16]byte
	switch am {
	case 1:
		copy(a[8:], s.octets(8))
	case 2:
		copy(a[8:], []byte{0, 0, 0, 0xff, 0xfe, 0})
		copy(a[14:], s.octets(2))
	case 3:
		require(iid != nil || p.Bits() == 128)
		copy(a[8:], iid)
	}
	return under(p.Masked(), a)
}

func (s *slow) multicast(dac, dam uint64, cid uint8) []byte {
	var a [16]byte
	a[0] = 0xff
	switch {
	case dac == 1:
		require(dam == 0)
		p, ok := s.contexts[cid]
		require(ok && p.Bits() <= 64)
		in, c := s.octets(6), p.Masked().Addr().As16()
		a[1], a[2], a[3] = in[0], in[1], byte(p.Bits())
		copy(a[4:], c[:8])
		copy(a[12:], in[2:])
	case dam == 0:
		return s.octets(16)
	case dam == 1:
		in := s.octets(6)
		a[1] = in[0]
		copy(a[11:], in[1:])
	case dam == 2:
		in := s.octets(4)
		a[1] = in[0]
		copy(a[13:], in[1:])
	case dam == 3:
		a[1], a[15] = 2, s.octets(1)[0]
	}
	return a[:]
}

// nhc reads section 4 and all that follows, and returns the Next Header value of
// what it read and its octets. The arguments are the interface identifiers of the
// enclosing IPv6 header.
func (s *slow) nhc(from, to []byte) (proto uint64, out []byte) {
	if s.bits[3] == 1 { // 11110CPP, else 1110EEEN
		require(s.get(5) == 0b11110)
		return 17, s.udp()
	}
	require(s.get(4) == 0b1110)
	eid, nh := s.get(3), s.get(1)
	require(eid != 5 && eid != 6)
	proto = []uint64{0, 43, 44, 60, 135, 0, 0, 41}[eid]
	if eid == 7 {
		require(nh == 0)
		return proto, s.iphc(from, to)
	}
	next := uint64(0)
	if nh == 0 {
		next = s.get(8)
	}
	n := int(s.get(8))
	var data []byte
	if eid == 2 {
		data = append([]byte{0}, s.octets(6)...)
	} else {
		data = s.octets(n)
		if miss := (8 - (n+2)%8) % 8; miss > 0 {
			require(eid == 0 || eid == 3)
			requireOptions(data)
			pad := [][]byte{nil, {0}, {1, 0}, {1, 1, 0}, {1, 2, 0, 0}, {1, 3, 0, 0, 0}, {1, 4, 0, 0, 0, 0}, {1, 5, 0, 0, 0, 0, 0}}
			data = append(data, pad[miss]...)
		}
		data = append([]byte{byte((len(data)+2)/8 - 1)}, data...)
	}
	var rest []byte
	if nh == 0 {
		rest = s.octets(len(s.bits) / 8)
	} else {
		next, rest = s.nhc(from, to)
	}
	return proto, append(append([]byte{byte(next)}, data...), rest...)
}

func requireOptions(b []byte) {
	for len(b) > 0 {
		if b[0] == 0 {
			b = b[1:]
			continue
		}
		b = b[2+int(b[1]):]
	}
}

func (s *slow) udp() []byte {
	c, p := s.get(1), s.get(2)
	var src, dst, sum uint64
	switch p {
	case 0:
		src, dst = s.get(16), s.get(16)
	case 1:
		src, dst = s.get(16), 0xf000|s.get(8)
	case 2:
		src, dst = 0xf000|s.get(8), s.get(16)
	case 3:
		src, dst = 0xf0b0|s.get(4), 0xf0b0|s.get(4)
	}
	if c == 0 {
		sum = s.get(16)
	}
	data := s.octets(len(s.bits) / 8)
	out := binary.BigEndian.AppendUint64(nil, src<<48|dst<<32|uint64(8+len(data))<<16|sum)
	return append(out, data...)
}
