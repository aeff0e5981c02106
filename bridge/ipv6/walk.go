package ipv6

import "encoding/binary"

// Upper is the result of Walk: the upper-layer header of a packet, and what the extension
// headers before it hold.
type Upper struct {
	Proto      byte // Next Header value of the upper-layer header
	Offset     int  // of the upper-layer header in the packet
	FragmentAt int  // offset of the first Fragment header; 0: none
	Nested     bool // there is more than one Fragment header
	First      bool // no Fragment header, or its offset is 0
	Cut        bool // the packet ends within an extension header
	Routing0   bool // a type 0 routing header (RFC 5095)
	Routing3   bool // a type 3 routing header with segments left (RFC 6554)
	Routing4   bool // a type 4 routing header with segments left (RFC 8754)
	RPL        bool // an RPL option (RFC 6553; RFC 9008)
	// NextAt is the offset of the octet that holds Proto: 6, or the first octet
	// of the last extension header.
	NextAt int
}

// Walk passes over the extension headers of p (RFC 8200, section 4). It stops at the first
// header that it cannot pass, behind a Fragment header whose offset is not 0, since what
// follows is no header, and at the end of the packet.
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
			if u.FragmentAt == 0 {
				u.FragmentAt = u.Offset
			} else {
				u.Nested = true
			}
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
