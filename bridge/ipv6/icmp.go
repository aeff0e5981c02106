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
	// Param is the fifth to eighth octet: the MTU of Packet Too Big, the pointer
	// of Parameter Problem, else 0.
	Param uint32
}

// MayAnswer reports whether an ICMPv6 error about p may be sent at all (RFC 4443,
// section 2.4 e): not about an ICMPv6 error or a redirect, even one behind
// extension headers; not to a source that is no single node; and about a packet
// to a multicast address only what MayAnswerGroup allows. The caller, who knows the
// frame that the packet came in, asks MayAnswerGroup if that went to more than one node.
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
		// What is too short to show its type might be an error: be silent.
		if len(b) == 0 || b[0] < firstInformational || b[0] == TypeRedirect {
			return false
		}
	}
	return true
}

// MayAnswerGroup reports whether e may be sent about a packet that went to more than one
// node: to a multicast address, or in a link-layer multicast or broadcast (RFC 4443,
// section 2.4 e.3 to e.5). Only Packet Too Big, and Parameter Problem with code 2, may.
func (e ICMPError) MayAnswerGroup() bool {
	return e.Type == TypePacketTooBig || e.Type == TypeParamProblem && e.Code == 2
}

// AppendError appends to dst the whole packet of the error e about p, sent from
// src to the source of p, quoting as much of p as fits in 1280 octets (RFC 4443,
// section 2.4 c). It does not ask MayAnswer. dst and p must not overlap.
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
