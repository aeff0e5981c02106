package ipv6

import "encoding/binary"

// Upper is where the walk over the extension headers of a packet ended.
type Upper struct {
	Proto    byte // the Next Header value that the walk stopped at
	Offset   int  // of that header, from the start of the packet
	Fragment bool // a Fragment header was passed
	First    bool // no Fragment header was passed, or it has offset 0
	Cut      bool // the packet ended within an extension header
	Routing0 bool // a type 0 routing header was passed (RFC 5095)
	Routing3 bool // one of type 3 with segments left was passed (RFC 6554)
	Routing4 bool // one of type 4 with segments left was passed (RFC 8754)
	RPL      bool // an RPL option was passed (RFC 6553; RFC 9008)
	// NextAt is the offset of the octet that holds Proto: 6, or the first octet
	// of the last extension header.
	NextAt int
}

// Walk passes over the extension headers of p (RFC 8200, section 4) and says
// where the upper-layer header stands. It stops at the first header that is not
// an extension header it knows how to pass, at a Fragment header whose offset is
// not 0 (what follows is then no header), and where the packet ends.
func Walk(p Packet) Upper {
	u := Upper{Proto: p.NextHeader(), Offset: HeaderLen, First: true, NextAt: offNextHeader}
	for {
		b := p[u.Offset:]
		var n int
		switch u.Proto {
		case ProtoHopByHop, ProtoRouting, ProtoDestination, ProtoMobility, ProtoHIP, ProtoShim6:
			if len(b) < 8 {
				u.Cut = true
				return u
			}
			n = 8 * (int(b[1]) + 1) // section 4.3 and 4.4
			switch u.Proto {
			case ProtoRouting:
				u.routing(b)
			case ProtoHopByHop, ProtoDestination: // the options share their numbers
				u.RPL = u.RPL || rplOption(b[:min(n, len(b))], 2) >= 0
			}
		case ProtoAH:
			if len(b) < 8 {
				u.Cut = true
				return u
			}
			n = 4 * (int(b[1]) + 2) // RFC 4302, section 2.2
		case ProtoFragment:
			if len(b) < 8 {
				u.Cut = true
				return u
			}
			n = 8 // section 4.5
			u.Fragment = true
			if binary.BigEndian.Uint16(b[2:])>>3 != 0 {
				u.First = false
				u.Proto, u.NextAt, u.Offset = b[0], u.Offset, u.Offset+n
				return u
			}
		default:
			return u
		}
		if len(b) < n {
			u.Cut = true
			return u
		}
		u.Proto, u.NextAt, u.Offset = b[0], u.Offset, u.Offset+n
	}
}

// FragmentHeader returns the offset of the first Fragment header that the walk u over p
// passed, 0 for none, and whether it passed another one behind that.
func FragmentHeader(p Packet, u Upper) (at int, nested bool) {
	if !u.Fragment {
		return 0, false
	}
	for next, proto := HeaderLen, p.NextHeader(); next <= u.NextAt; {
		b := p[next:]
		n := 8 * (int(b[1]) + 1)
		switch proto {
		case ProtoFragment:
			if at != 0 {
				return at, true
			}
			at, n = next, 8
		case ProtoAH:
			n = 4 * (int(b[1]) + 2)
		}
		proto, next = b[0], next+n
	}
	return at, false
}
