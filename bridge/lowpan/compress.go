package lowpan

import (
	"encoding/binary"

	"culvert/bridge/ipv6"
)

// maxChain is the most headers compressed behind the first. A packet should have seven
// extension headers at most (RFC 8200, section 4.1).
const maxChain = 32

// AppendCompressed appends to dst the headers of pkt in the shortest encoding that the peer
// understands and that fits into room octets. The last resort is the dispatch octet 0x41 of an
// uncompressed packet, with Consumed 0. The caller sends pkt[h.Consumed:] unchanged behind it.
// The error, a *drop.Error with not-sent, says that room is less than 1. A UDP checksum is never
// elided.
//
// If pkt is fragmented, all compressed headers must be in the first fragment (RFC 6282, section
// 2): room is then the room in that fragment, and p.GHC must be false, since GHC cannot be
// fragmented.
func AppendCompressed(dst []byte, pkt ipv6.Packet, p Peer, c *Contexts, room int) (out []byte, h Head, err error) {
	e := encoder{pkt: pkt, contexts: c, full: p.Full, ghc: p.GHC, room: room}
	limit := maxChain
	for {
		e.out, e.at = dst, 0
		e.from, e.to = linkOf(p.From), linkOf(p.To)
		n := e.headers(limit)
		emitted := len(e.out) - len(dst)
		switch {
		case emitted <= room:
			return e.out, Head{Consumed: e.at, Emitted: emitted, ChecksumAt: -1}, nil
		case e.ghc:
			e.ghc = false
		case n > 0:
			limit = n - 1
		case room < 1:
			return dst, Head{ChecksumAt: -1}, errRoom
		default:
			return append(dst, octetIPv6), Head{Emitted: 1, ChecksumAt: -1}, nil
		}
	}
}

// encoder compresses the headers of one packet.
type encoder struct {
	pkt       []byte
	at        int // offset of the next header in pkt
	out       []byte
	contexts  *Contexts
	full, ghc bool
	room      int
	from, to  link // interface identifiers that can be elided
	header    int  // offset in pkt of the latest IPv6 header
	// generic is the length of pkt[genericAt:] in GHC; see genericLen.
	generic, genericAt int
}

// headers appends the first header and at most limit compressed headers behind it. It returns
// the number of these.
func (e *encoder) headers(limit int) int {
	n := e.chain(limit)
	proto := e.iphc(n > 0)
	for i := range n {
		s := e.next(proto, e.at)
		last := i == n-1
		switch s.kind {
		case stepUDP:
			e.udp(s)
		case stepICMP:
			e.out = append(e.out, nhcGHCICMP)
			e.payload()
		case stepIPv6:
			e.out = append(e.out, nhcExt|eidIPv6<<1)
			e.iphc(!last)
		case stepExtension:
			e.extension(s, !last)
		}
		proto = s.proto
	}
	return n
}

// chain returns how many headers behind the first are worth compressing: none gets longer, and
// the last gets shorter.
func (e *encoder) chain(limit int) int {
	useful := 0
	proto, at := e.pkt[6], ipv6.HeaderLen
	e.header = 0
	for n := 1; n <= limit; n++ {
		s := e.next(proto, at)
		if s.kind == stepNone {
			break
		}
		if s.kind != stepExtension || s.pad > 0 {
			useful = n
		}
		if s.kind == stepIPv6 {
			e.header = at
		}
		proto, at = s.proto, s.end
		if s.kind == stepUDP || s.kind == stepICMP {
			break
		}
	}
	e.header = 0
	return useful
}

// step is how a header is compressed.
type step struct {
	kind  stepKind
	eid   byte
	pad   int  // octets of elided trailing padding
	proto byte // Next Header value of the following header
	end   int  // offset of the following header
}

type stepKind uint8

const (
	stepNone stepKind = iota // not compressed
	stepUDP
	stepICMP // GHC
	stepIPv6
	stepExtension
)

// next returns how the header of type proto at offset at is compressed.
func (e *encoder) next(proto byte, at int) step {
	b := e.pkt[at:]
	switch proto {
	case ipv6.ProtoUDP:
		// The Length is elided, so it must be the one that is restored (section 4.3.3).
		if len(b) >= udpHeaderLen && int(binary.BigEndian.Uint16(b[udpLength:])) == len(b) {
			return step{kind: stepUDP, end: at + udpHeaderLen}
		}
	case ipv6.ProtoICMPv6:
		if e.ghc && e.shorter(at) {
			return step{kind: stepICMP, end: len(e.pkt)}
		}
	case ipv6.ProtoIPv6:
		if e.full && len(b) >= ipv6.HeaderLen && b[0]>>4 == 6 &&
			ipv6.HeaderLen+int(binary.BigEndian.Uint16(b[4:])) == len(b) {
			return step{kind: stepIPv6, proto: b[6], end: at + ipv6.HeaderLen}
		}
	case ipv6.ProtoHopByHop, ipv6.ProtoRouting, ipv6.ProtoDestination, ipv6.ProtoMobility:
		if e.full {
			return extensionStep(proto, b, at)
		}
	}
	// A Fragment header is not compressed: implementations read its encoding in two ways (see
	// fragmentHeader), and only part of a message follows it.
	return step{}
}

// extensionStep returns the step for an extension header b (section 4.2).
func extensionStep(proto byte, b []byte, at int) step {
	if len(b) < 8 || len(b) < 8*(int(b[1])+1) {
		return step{}
	}
	n := 8 * (int(b[1]) + 1)
	s := step{kind: stepExtension, proto: b[0], end: at + n}
	for eid, p := range eidProto {
		if p == proto {
			s.eid = byte(eid)
		}
	}
	if padded(proto) {
		s.pad = trailingPad(b[2:n])
	}
	if n-2-s.pad > 255 { // Length has 8 bits
		return step{}
	}
	return s
}

// trailingPad returns the octets of padding at the end of b that the peer restores unchanged:
// one Pad1, or one PadN of zeros, of 7 octets at most.
func trailingPad(b []byte) int {
	last := lastOption(b)
	if last < 0 || len(b)-last > 7 || b[last] > optPadN {
		return 0
	}
	for _, o := range b[min(last+2, len(b)):] {
		if o != 0 {
			return 0
		}
	}
	return len(b) - last
}

// extension appends a compressed extension header; more means that another NHC follows.
func (e *encoder) extension(s step, more bool) {
	b := e.pkt[e.at:s.end]
	o := nhcExt | s.eid<<1
	if more {
		e.out = append(e.out, o|nhcNH)
	} else {
		e.out = append(e.out, o, b[0])
	}
	data := b[2 : len(b)-s.pad]
	e.out = append(e.out, byte(len(data)))
	e.out = append(e.out, data...)
	e.at = s.end
}

// udp appends a compressed UDP header (section 4.3.3), and the payload if GHC makes it shorter.
func (e *encoder) udp(s step) {
	b := e.pkt[e.at:]
	generic := e.ghc && e.shorter(s.end)
	o := byte(nhcUDP)
	if generic {
		o = nhcGHCUDP
	}
	switch {
	case b[0] == 0xf0 && b[1]>>4 == 0xb && b[2] == 0xf0 && b[3]>>4 == 0xb:
		e.out = append(e.out, o|3, b[1]<<4|b[3]&0x0f)
	case b[2] == 0xf0:
		e.out = append(e.out, o|1, b[0], b[1], b[3])
	case b[0] == 0xf0:
		e.out = append(e.out, o|2, b[1], b[2], b[3])
	default:
		e.out = append(e.out, o, b[0], b[1], b[2], b[3])
	}
	e.out = append(e.out, b[udpChecksum], b[udpChecksum+1])
	e.at = s.end
	if generic {
		e.payload()
	}
}
