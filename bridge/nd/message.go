// Package nd is neighbour discovery on the mesh, as its router sees it: router
// advertisements and contexts (RFC 4861, RFC 6775), registration of addresses (RFC
// 6775, RFC 8505), and, for nodes that register nothing, claims by duplicate
// address solicitations and unreachability detection (RFC 4861, RFC 4862, in the
// spirit of RFC 6620). It is pure: it handles a packet or a tick at a time that is
// passed in, and appends what is to be sent and changed to slices of the caller.
package nd

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"net/netip"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
)

// Option types (RFC 4861, 4.6; RFC 6775, 4; RFC 7400, 3.4).
const (
	optSourceLink   = 1
	optTargetLink   = 2
	optPrefix       = 3
	optMTU          = 5
	optNonce        = 14 // RFC 3971, 5.3.2
	optRegistration = 33
	optContext      = 34
	optBorderRouter = 35
	optCapability   = 36
)

// Flags of the registration option (RFC 8505, 4.1) and of 6CIO (RFC 8505, 4.3; RFC
// 7400, 3.4).
const (
	flagT = 1 << 0 // the TID is valid: the extended form
	flagR = 1 << 1 // asks for reachability through the router

	capGHC       = 1 << 0 // G
	capExtended  = 1 << 1 // E: the extended registration option
	capBorder    = 1 << 3 // B: a border router
	capRouter    = 1 << 4 // L: a router
	capDuplicate = 1 << 5 // D: the extended duplicate messages
)

// Status of a registration (RFC 6775, 4.1; RFC 8505, 4.1).
type Status uint8

// The statuses.
const (
	Success            Status = 0
	Duplicate          Status = 1
	CacheFull          Status = 2
	Moved              Status = 3
	Removed            Status = 4
	ValidationRequest  Status = 5
	DuplicateSource    Status = 6
	InvalidSource      Status = 7
	TopologyIncorrect  Status = 8
	RegistrySaturated  Status = 9
	ValidationFailed   Status = 10
	maxROVR                   = 32 // octets (RFC 8505, 4.1)
	hopLimitOnLink            = 255
	maxNDOptions              = 32 // in one message; more is not believed
	lifetimeUnitMinute        = 60 // seconds
)

// ROVR is a registration ownership verifier (RFC 8505, 4.1) of 8, 16, 24 or 32 octets; the
// zero value is none. In a registration of RFC 6775 it is the EUI-64. ROVRs are comparable.
type ROVR struct {
	b [maxROVR]byte
	n uint8
}

// NewROVR returns the verifier in b, of which it takes 32 octets at most.
func NewROVR(b []byte) ROVR {
	var r ROVR
	r.n = uint8(copy(r.b[:], b))
	return r
}

// Bytes returns the octets of r.
func (r ROVR) Bytes() []byte { return r.b[:r.n] }

// MarshalText returns the octets in hexadecimal.
func (r ROVR) MarshalText() ([]byte, error) { return hex.AppendEncode(nil, r.Bytes()), nil }

// UnmarshalText reads what MarshalText returns.
func (r *ROVR) UnmarshalText(text []byte) error {
	b, err := hex.DecodeString(string(text))
	if err == nil && len(b) > maxROVR {
		err = fmt.Errorf("nd: verifier of %d octets, want at most %d", len(b), maxROVR)
	}
	if err != nil {
		return err
	}
	*r = NewROVR(b)
	return nil
}

// registration is the option of RFC 6775 and RFC 8505.
type registration struct {
	status   Status
	flags    uint8
	tid      uint8
	lifetime uint16 // units of 60 s
	rovr     ROVR
}

func (r *registration) extended() bool { return r.flags&flagT != 0 }

// message is a neighbour discovery message that passed the checks of RFC 4861, 6.1
// and 7.1, or a duplicate address message of RFC 6775, 4.4 and RFC 8505, 4.2.
type message struct {
	typ, code byte
	src, dst  netip.Addr
	target    netip.Addr // of solicitation, advertisement, and duplicate messages
	flags     uint32     // of an advertisement
	source    ieee802154.Addr
	hasSource bool
	// sourceShort is the short address of a message that carries an EUI-64 too.
	sourceShort ieee802154.Addr
	linkAddr    ieee802154.Addr // target link-layer address
	reg         registration
	hasReg      bool
	regBad      bool // a registration option that makes the message void
	caps        uint16
	hasCaps     bool
	nonce       [6]byte
	hasNonce    bool
}

// Errors of parse, and the sections that ask for them.
var (
	errHopLimit  = drop.NewError(drop.NeighborInvalid, "hop limit is not 255", "RFC 4861, 6.1 and 7.1")
	errChecksum  = drop.NewError(drop.NeighborInvalid, "checksum", "RFC 4861, 6.1 and 7.1")
	errCode      = drop.NewError(drop.NeighborInvalid, "code is not 0", "RFC 4861, 6.1 and 7.1")
	errLength    = drop.NewError(drop.NeighborInvalid, "message is too short", "RFC 4861, 6.1 and 7.1")
	errOption    = drop.NewError(drop.NeighborInvalid, "option with length 0 or beyond the message", "RFC 4861, 4.6")
	errTarget    = drop.NewError(drop.NeighborInvalid, "target is multicast or unspecified", "RFC 4861, 7.1")
	errSource    = drop.NewError(drop.NeighborInvalid, "unspecified source", "RFC 4861, 6.1.1 and 7.1.1")
	errSolicited = drop.NewError(drop.NeighborInvalid, "solicited advertisement to a group", "RFC 4861, 7.1.2")
	errRouter    = drop.NewError(drop.NeighborInvalid, "router advertisement or redirect from a node", "RFC 6775, 6")
	errStatus    = drop.NewError(drop.NeighborInvalid, "registration with a status or length that a request may not have", "RFC 6775, 6.5")
	errType      = drop.NewError(drop.NeighborInvalid, "type", "RFC 4861, 4")
	errRate      = drop.NewError(drop.NeighborInvalid, "too many solicitations from this node", "RFC 4861, 6.2.6")
	errForeign   = drop.NewError(drop.NeighborInvalid, "source is not an address of this node", "RFC 8505, 5.6")
	errDuplicate = drop.NewError(drop.NeighborInvalid, "duplicate address message not understood", "RFC 6775, 8.2.1")
)

// IsND reports whether the packet is one for Server.Handle, and where its ICMPv6
// message stands.
func IsND(p ipv6.Packet) bool {
	if p.NextHeader() != ipv6.ProtoICMPv6 || len(p) < ipv6.HeaderLen+8 {
		return false
	}
	switch p[ipv6.HeaderLen] {
	case ipv6.TypeRouterSol, ipv6.TypeRouterAdv, ipv6.TypeNeighborSol, ipv6.TypeNeighborAdv, ipv6.TypeRedirect,
		ipv6.TypeDuplicateReq, ipv6.TypeDuplicateConf:
		return true
	}
	return false
}

// parse checks and reads a message.
func parse(p ipv6.Packet, m *message) error {
	b := p.Payload()
	*m = message{typ: b[0], code: b[1], src: p.Source(), dst: p.Destination()}
	if !ipv6.ChecksumOK(p.SourceBytes(), p.DestinationBytes(), ipv6.ProtoICMPv6, b) {
		return errChecksum
	}
	if m.typ == ipv6.TypeDuplicateReq || m.typ == ipv6.TypeDuplicateConf {
		return m.parseDuplicate(b) // these cross several hops: no check of the hop limit
	}
	if p.HopLimit() != hopLimitOnLink {
		return errHopLimit
	}
	if m.code != 0 {
		return errCode
	}
	options := 8
	switch m.typ {
	case ipv6.TypeRouterSol:
	case ipv6.TypeNeighborSol, ipv6.TypeNeighborAdv:
		if options = 24; len(b) < options {
			return errLength
		}
		m.target = netip.AddrFrom16([16]byte(b[8:24]))
		m.flags = binary.BigEndian.Uint32(b[4:])
		if m.target.IsMulticast() || m.target.IsUnspecified() {
			return errTarget
		}
	default:
		return errRouter
	}
	if err := m.parseOptions(b[options:]); err != nil {
		return err
	}
	return m.checkSource()
}

// checkSource holds the rules of RFC 4861, 6.1.1, 7.1.1 and 7.1.2, about the
// unspecified source and groups.
func (m *message) checkSource() error {
	if m.typ == ipv6.TypeNeighborAdv {
		if m.dst.IsMulticast() && m.flags&naSolicited != 0 {
			return errSolicited
		}
		return nil
	}
	if !m.src.IsUnspecified() {
		return nil
	}
	if m.hasSource {
		return errSource
	}
	if m.typ == ipv6.TypeNeighborSol && m.dst != ipv6.SolicitedNode(m.target) {
		return errSource
	}
	return nil
}

func (m *message) parseOptions(b []byte) error {
	for n := 0; len(b) > 0; n++ {
		if len(b) < 2 || b[1] == 0 || int(b[1])*8 > len(b) || n == maxNDOptions {
			return errOption
		}
		o := b[:int(b[1])*8]
		b = b[len(o):]
		switch o[0] {
		case optSourceLink:
			// A node with both addresses sends two: the EUI-64 is the better name.
			a := linkOption(o)
			if a.IsShort() {
				m.sourceShort = a
			}
			if !a.IsNone() && (!m.hasSource || a.IsExtended()) {
				m.source, m.hasSource = a, true
			}
		case optTargetLink:
			if a := linkOption(o); !a.IsNone() && (m.linkAddr.IsNone() || a.IsExtended()) {
				m.linkAddr = a
			}
		case optNonce:
			if len(o) == 8 {
				m.nonce, m.hasNonce = [6]byte(o[2:]), true
			}
		case optRegistration:
			m.parseRegistration(o)
		case optCapability:
			if len(o) == 8 {
				m.caps, m.hasCaps = binary.BigEndian.Uint16(o[2:]), true
			}
		}
	}
	return nil
}

// linkOption reads a link-layer address option: length 1 with a short address,
// length 2 with an EUI-64 (RFC 4944, 8).
func linkOption(o []byte) ieee802154.Addr {
	n := 2
	if len(o) == 16 {
		n = 8
	} else if len(o) != 8 {
		return ieee802154.Addr{}
	}
	a, err := ieee802154.FromBytes(o[2 : 2+n])
	if err != nil || !a.IsNode() {
		return ieee802154.Addr{}
	}
	return a
}

// parseRegistration reads the option in the form of RFC 6775, 4.1, or of RFC 8505,
// 4.1. A request may carry status 0 only, and the older form has one length.
func (m *message) parseRegistration(o []byte) {
	if m.hasReg || len(o) < 16 || len(o) > 8+maxROVR {
		m.regBad = true
		return
	}
	m.hasReg = true
	m.reg = registration{
		status: Status(o[2]), flags: o[4] & (flagT | flagR), tid: o[5],
		lifetime: binary.BigEndian.Uint16(o[6:]), rovr: NewROVR(o[8:]),
	}
	if m.reg.status != Success || !m.reg.extended() && len(o) != 16 {
		m.regBad = true
	}
}

// parseDuplicate reads a duplicate address request or confirmation: code 0 with an
// EUI-64 (RFC 6775, 4.4), code suffix 1 to 4 with a verifier of that many times 8
// octets (RFC 8505, 4.2).
func (m *message) parseDuplicate(b []byte) error {
	n := 8
	if m.code != 0 {
		if m.code>>4 != 0 || m.code > 4 {
			return errDuplicate
		}
		n = 8 * int(m.code)
		m.reg.flags = flagT
	}
	if len(b) < 8+n+16 {
		return errDuplicate
	}
	m.reg.status, m.reg.tid = Status(b[4]), b[5]
	m.reg.lifetime = binary.BigEndian.Uint16(b[6:])
	m.reg.rovr = NewROVR(b[8 : 8+n])
	m.hasReg = true
	m.target = netip.AddrFrom16([16]byte(b[8+n : 8+n+16]))
	if m.target.IsMulticast() || m.target.IsUnspecified() || m.src.IsUnspecified() {
		return errDuplicate
	}
	return nil
}

// Flags of a neighbour advertisement (RFC 4861, 4.4).
const (
	naRouter    = 1 << 31
	naSolicited = 1 << 30
	naOverride  = 1 << 29
)

// window is SEQUENCE_WINDOW of RFC 6550, 7.2.
const window = 16

// newerTID reports whether a is at least as new as b by the comparison of RFC 8505,
// 5.2, which is that of RFC 6550, 7.2: values from 128 on are a straight start,
// those below go round. Two values in the same part that are further apart than the
// window cannot be compared; the message that came later then stands.
func newerTID(a, b uint8) bool {
	switch {
	case a > 127 && b <= 127:
		return 256+int(b)-int(a) > window
	case a <= 127 && b > 127:
		return 256+int(a)-int(b) <= window
	case a > 127:
		return a >= b || b-a > window
	}
	behind := (b - a) & 127
	return behind == 0 || behind > window
}
