// Package ipv6 reads IPv6 packets in place (RFC 8200), walks over their extension headers, and
// computes Internet checksums, ICMPv6 errors (RFC 4443) and interface identifiers (RFC 4291,
// appendix A; RFC 6282, section 3.2.2).
package ipv6

import (
	"encoding/binary"
	"errors"
	"net/netip"
)

// Sizes of RFC 8200.
const (
	HeaderLen = 40   // section 3
	MinMTU    = 1280 // section 5
)

// Next Header values (the IANA registry of protocol numbers).
const (
	ProtoHopByHop    = 0
	ProtoTCP         = 6
	ProtoUDP         = 17
	ProtoIPv6        = 41
	ProtoRouting     = 43
	ProtoFragment    = 44
	ProtoESP         = 50
	ProtoAH          = 51
	ProtoICMPv6      = 58
	ProtoNoNext      = 59
	ProtoDestination = 60
	ProtoMobility    = 135
	ProtoHIP         = 139
	ProtoShim6       = 140
)

// Offsets within the fixed header.
const (
	offPayloadLen = 4
	offNextHeader = 6
	offHopLimit   = 7
	offSource     = 8
	offDest       = 24
)

// Errors of Parse.
var (
	ErrShort   = errors.New("ipv6: shorter than the header, or than its Payload Length says")
	ErrVersion = errors.New("ipv6: version is not 6")
)

// Packet is a whole IPv6 packet. Parse makes it, so that its methods need no checks: it has
// version 6 and exactly 40 + Payload Length octets. It aliases the argument of Parse.
type Packet []byte

// Parse returns the packet at the start of b (RFC 8200, section 3) without padding of the layer
// below behind it.
func Parse(b []byte) (Packet, error) {
	if len(b) < HeaderLen {
		return nil, ErrShort
	}
	if b[0]>>4 != 6 {
		return nil, ErrVersion
	}
	n := HeaderLen + int(binary.BigEndian.Uint16(b[offPayloadLen:]))
	if len(b) < n {
		return nil, ErrShort
	}
	return Packet(b[:n:n]), nil
}

// TrafficClass returns DSCP and ECN (RFC 8200, section 7).
func (p Packet) TrafficClass() byte { return p[0]<<4 | p[1]>>4 }

// FlowLabel returns the 20 bits of the flow label (RFC 8200, section 6).
func (p Packet) FlowLabel() uint32 { return binary.BigEndian.Uint32(p) & 0xfffff }

// PayloadLen returns the Payload Length in octets.
func (p Packet) PayloadLen() int { return int(binary.BigEndian.Uint16(p[offPayloadLen:])) }

// NextHeader returns the Next Header value of the fixed header.
func (p Packet) NextHeader() byte { return p[offNextHeader] }

// HopLimit returns the Hop Limit.
func (p Packet) HopLimit() byte { return p[offHopLimit] }

// SetHopLimit writes the Hop Limit.
func (p Packet) SetHopLimit(h byte) { p[offHopLimit] = h }

// Source returns the source address.
func (p Packet) Source() netip.Addr { return netip.AddrFrom16([16]byte(p[offSource:offDest])) }

// Destination returns the destination address.
func (p Packet) Destination() netip.Addr { return netip.AddrFrom16([16]byte(p[offDest:HeaderLen])) }

// SourceBytes returns the 16 octets of the source address, in place.
func (p Packet) SourceBytes() []byte { return p[offSource:offDest:offDest] }

// DestinationBytes returns the 16 octets of the destination address, in place.
func (p Packet) DestinationBytes() []byte { return p[offDest:HeaderLen:HeaderLen] }

// Payload returns what follows the fixed header, extension headers included, in place.
func (p Packet) Payload() []byte { return p[HeaderLen:] }

// Header is a fixed header to be built.
type Header struct {
	TrafficClass byte
	FlowLabel    uint32 // 20 bits
	PayloadLen   int    // octets
	NextHeader   byte
	HopLimit     byte
	Source       netip.Addr
	Destination  netip.Addr
}

// AppendTo appends the 40 octets of the header to b.
func (h Header) AppendTo(b []byte) []byte {
	b = binary.BigEndian.AppendUint32(b, 6<<28|uint32(h.TrafficClass)<<20|h.FlowLabel&0xfffff)
	b = binary.BigEndian.AppendUint16(b, uint16(h.PayloadLen))
	b = append(b, h.NextHeader, h.HopLimit)
	src, dst := h.Source.As16(), h.Destination.As16()
	b = append(b, src[:]...)
	return append(b, dst[:]...)
}
