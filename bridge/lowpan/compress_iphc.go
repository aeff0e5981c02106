package lowpan

import (
	"encoding/binary"

	"culvert/bridge/ipv6"
)

// iphc appends the IPv6 header at e.at as LOWPAN_IPHC (RFC 6282, section 3) and returns its
// Next Header value, which is in-line unless an NHC follows (more).
func (e *encoder) iphc(more bool) (proto byte) {
	b := e.pkt[e.at:]
	e.header = e.at
	proto = b[6]
	src, dst := addressAt(b[8:]), addressAt(b[24:])
	s, d := e.addresses(src, dst)

	b0 := byte(iphcDispatch)
	b1 := s.base<<4 | d.base
	base := len(e.out)
	e.out = append(e.out, 0, 0)
	if cid := s.cid<<4 | d.cid; cid != 0 {
		b1 |= iphcCID
		e.out = append(e.out, cid)
	}
	b0 |= e.trafficFlow(binary.BigEndian.Uint32(b)) << 3
	if more {
		b0 |= iphcNH
	} else {
		e.out = append(e.out, proto)
	}
	switch b[7] {
	case 1:
		b0 |= 1
	case 64:
		b0 |= 2
	case 255:
		b0 |= 3
	default:
		e.out = append(e.out, b[7])
	}
	e.out[base], e.out[base+1] = b0, b1
	e.out = s.appendTo(e.out, b[8:24])
	e.out = d.appendTo(e.out, b[24:40])
	e.from, e.to = src.link(), dst.link() // for an encapsulated header
	e.at += 40
	return proto
}

// trafficFlow appends traffic class and flow label in the shortest form and returns TF (section
// 3.2.1).
func (e *encoder) trafficFlow(versionEtc uint32) (tf byte) {
	tc, flow := byte(versionEtc>>20), versionEtc&0xfffff
	inline := tc<<6 | tc>>2 // ECN comes first
	switch {
	case tc == 0 && flow == 0:
		return 3
	case flow == 0:
		e.out = append(e.out, inline)
		return 2
	case tc>>2 == 0:
		e.out = append(e.out, inline|byte(flow>>16), byte(flow>>8), byte(flow))
		return 1
	}
	e.out = append(e.out, inline, byte(flow>>16), byte(flow>>8), byte(flow))
	return 0
}

// form is an encoding of an address.
type form struct {
	base byte // bits of the second octet: SAC SAM, or M DAC DAM
	cid  byte // context identifier
	n    int  // octets in-line
}

// The base bits of a form, for the source without M.
const (
	formStateful  = 0x04
	formMulticast = 0x08
)

// appendTo appends the in-line octets of the address b.
func (f form) appendTo(out, b []byte) []byte {
	switch {
	case f.base&formMulticast == 0:
		return append(out, b[16-f.n:]...)
	case f.base == formMulticast|formStateful:
		return append(append(out, b[1:3]...), b[12:]...)
	case f.n == 16:
		return append(out, b...)
	case f.n == 1:
		return append(out, b[15])
	}
	return append(append(out, b[1]), b[17-f.n:]...)
}

// addresses returns the two forms that are shortest together: a context other than 0 costs one
// octet for both (section 3.1.2).
func (e *encoder) addresses(src, dst address) (s, d form) {
	s0, s1 := e.unicast(src, e.from, true)
	d0, d1 := form{}, form{}
	if dst.isMulticast() {
		d0, d1 = e.multicast(dst)
	} else {
		d0, d1 = e.unicast(dst, e.to, false)
	}
	if s0.n+d0.n <= 1+s1.n+d1.n {
		return s0, d0
	}
	return s1, d1
}

// unicast returns the shortest form of an address that needs no context identifier (zero), and
// the shortest of all (any).
func (e *encoder) unicast(a address, from link, source bool) (zero, any form) {
	zero = form{n: 16}
	if source && a == (address{}) && e.shortUnspecified() {
		zero = form{base: formStateful}
		return zero, zero
	}
	zero = zero.shorter(a, &linkLocal, 0, from)
	if e.contexts == nil {
		return zero, zero
	}
	if e.contexts.offers(0) {
		zero = zero.shorter(a, &e.contexts.entry[0], formStateful, from)
	}
	any = zero
	for id := uint8(1); id < 16; id++ {
		if c := &e.contexts.entry[id]; c.offer {
			if f := any.shorter(a, c, formStateful, from); f.n < any.n {
				any = f
				any.cid = id
			}
		}
	}
	return zero, any
}

// shortUnspecified reports whether :: may be sent as SAC=1 SAM=00. This form uses no context
// (section 3.1.1), but Linux 6.1 drops it unless context 0 is installed.
func (e *encoder) shortUnspecified() bool { return e.full || e.contexts.offers(0) }

// shorter returns the shorter of f and the form of a with the prefix c. stateful is 0 or
// formStateful.
func (f form) shorter(a address, c *context, stateful byte, from link) form {
	switch {
	case f.n == 0 || a.hi != c.hi:
	case (from.ok || c.bits == 128) && a == c.join(from.iid):
		return form{base: stateful | 3}
	case f.n > 2 && a == c.join(uint64(ipv6.IIDOfShort(uint16(a.lo)))):
		return form{base: stateful | 2, n: 2}
	case f.n > 8 && a == c.join(a.lo):
		return form{base: stateful | 1, n: 8}
	}
	return f
}

// multicast does what unicast does, for a multicast destination (sections 3.2.3 and 3.2.4).
func (e *encoder) multicast(a address) (zero, any form) {
	zero = form{base: formMulticast, n: 16}
	switch {
	case a.hi == 0xff02<<48 && a.lo < 1<<8:
		zero = form{base: formMulticast | 3, n: 1}
	case a.hi&0xff00ffff_ffffffff == 0xff<<56 && a.lo < 1<<24:
		zero = form{base: formMulticast | 2, n: 4}
	case a.hi&0xff00ffff_ffffffff == 0xff<<56 && a.lo < 1<<40:
		zero = form{base: formMulticast | 1, n: 6}
	}
	if zero.n <= 6 || e.contexts == nil {
		return zero, zero
	}
	any = zero
	for id := range e.contexts.entry {
		// ffXX:XXLL:PPPP:PPPP:PPPP:PPPP:XXXX:XXXX
		c := &e.contexts.entry[id]
		if c.offer && c.bits <= 64 && int(a.hi>>32&0xff) == c.bits && a.hi<<32|a.lo>>32 == c.hi {
			any = form{base: formMulticast | formStateful, cid: uint8(id), n: 6}
			if id == 0 {
				return any, any
			}
			break
		}
	}
	return zero, any
}
