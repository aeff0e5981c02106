package ipv6

import (
	"encoding/binary"
	"net/netip"
)

// ICMPv6 types (RFC 4443, RFC 4861, RFC 2710, RFC 3810, RFC 6775).
const (
	TypeUnreachable    = 1
	TypePacketTooBig   = 2
	TypeTimeExceeded   = 3
	TypeParamProblem   = 4
	TypeEchoRequest    = 128
	TypeEchoReply      = 129
	TypeMLDQuery       = 130
	TypeMLDReport      = 131
	TypeMLDDone        = 132
	TypeRouterSol      = 133
	TypeRouterAdv      = 134
	TypeNeighborSol    = 135
	TypeNeighborAdv    = 136
	TypeRedirect       = 137
	TypeMLDv2Report    = 143
	TypeDuplicateReq   = 157
	TypeDuplicateConf  = 158
	firstInformational = 128
	icmpHeaderLen      = 8
	defaultErrorHopLim = 64
)

// Codes of Destination Unreachable (RFC 4443, section 3.1).
const (
	CodeNoRoute        = 0
	CodeProhibited     = 1
	CodeBeyondScope    = 2
	CodeAddress        = 3
	CodePort           = 4
	CodeHopLimit       = 0 // of Time Exceeded
	CodeReassemblyTime = 1 // of Time Exceeded
)

// ICMPError is an ICMPv6 error message to be built.
type ICMPError struct {
	Type, Code byte
	// Param is the second word: the MTU of Packet Too Big, the pointer of Parameter Problem,
	// else 0.
	Param uint32
}

// MayAnswer reports whether e may be sent about p (RFC 4443, section 2.4 e): not about an ICMPv6
// error or a redirect, also behind extension headers; not to a source that is no unicast address;
// and about a packet to a multicast address only if MayAnswerGroup. The caller asks MayAnswerGroup
// about a packet that came in a link-layer broadcast or multicast.
func (e ICMPError) MayAnswer(p Packet) bool {
	src := p.Source()
	if src.IsUnspecified() || src.IsMulticast() || src.IsLoopback() || src.Is4In6() {
		return false
	}
	if p.Destination().IsMulticast() && !e.MayAnswerGroup() {
		return false
	}
	u := Walk(p)
	if u.Proto == ProtoICMPv6 && u.First && !u.Cut {
		b := p[u.Offset:]
		// A message too short to show its type might be an error.
		if len(b) == 0 || b[0] < firstInformational || b[0] == TypeRedirect {
			return false
		}
	}
	return true
}

// MayAnswerGroup reports whether e may be sent about a packet to a multicast address, or in a
// link-layer multicast or broadcast (RFC 4443, section 2.4 e.3 to e.5): Packet Too Big and
// Parameter Problem with code 2 may.
func (e ICMPError) MayAnswerGroup() bool {
	return e.Type == TypePacketTooBig || e.Type == TypeParamProblem && e.Code == 2
}

// AppendError appends to dst the packet of the error e about p, from src to the source of p. It
// quotes as much of p as fits into 1280 octets (RFC 4443, section 2.4 c). It does not call
// MayAnswer. dst and p must not overlap.
func (e ICMPError) AppendError(dst []byte, src netip.Addr, p Packet) []byte {
	quote := []byte(p)
	if room := MinMTU - HeaderLen - icmpHeaderLen; len(quote) > room {
		quote = quote[:room]
	}
	at := len(dst)
	dst = Header{
		PayloadLen:  icmpHeaderLen + len(quote),
		NextHeader:  ProtoICMPv6,
		HopLimit:    defaultErrorHopLim,
		Source:      src,
		Destination: p.Source(),
	}.AppendTo(dst)
	dst = append(dst, e.Type, e.Code, 0, 0)
	dst = binary.BigEndian.AppendUint32(dst, e.Param)
	dst = append(dst, quote...)
	out := dst[at:]
	msg := out[HeaderLen:]
	c := Checksum(out[offSource:offDest], out[offDest:HeaderLen], ProtoICMPv6, msg)
	binary.BigEndian.PutUint16(msg[2:], c)
	return dst
}
