package ieee802154

import (
	"encoding/binary"
	"errors"
)

// FrameType is the type of a MAC frame (IEEE Std 802.15.4-2015, 7.2.2.2).
type FrameType uint8

// The frame types.
const (
	TypeBeacon  FrameType = 0
	TypeData    FrameType = 1
	TypeAck     FrameType = 2
	TypeCommand FrameType = 3
)

// Version is the frame version field (7.2.2.10).
type Version uint8

// The frame versions.
const (
	Version2003 Version = 0
	Version2006 Version = 1
	Version2015 Version = 2
)

// Bits of the frame control field (7.2.2).
const (
	fcfSecurity    = 1 << 3
	fcfPending     = 1 << 4
	fcfAckRequest  = 1 << 5
	fcfCompression = 1 << 6
	fcfNoSequence  = 1 << 8 // version 2015
	fcfElements    = 1 << 9 // version 2015: information elements follow
	fcfDestShift   = 10
	fcfVerShift    = 12
	fcfSourceShift = 14
)

// Address modes (7.2.2.9).
const (
	modeNone     = 0
	modeReserved = 1
	modeShort    = 2
	modeExtended = 3
)

// Termination elements of the lists of header elements (7.4.2.18, 7.4.2.19) and payload elements
// (7.4.3.3).
const (
	elementPayloadFollows = 0x7e
	elementDataFollows    = 0x7f
	groupTermination      = 0xf
)

// Header is the MAC header of a frame. Addresses are none, short or extended, as on the air.
type Header struct {
	Type       FrameType
	Version    Version
	Security   bool // an auxiliary security header follows
	Pending    bool // the sender has more frames for the receiver
	AckRequest bool
	Sequence   uint8
	PAN        uint16 // of the destination, or of the source without a destination
	SourcePAN  uint16 // equal to PAN if compressed
	To, From   Addr
}

// Errors of ParseHeader.
var (
	ErrCut      = errors.New("ieee802154: the frame ends within its MAC header")
	ErrVersion  = errors.New("ieee802154: reserved frame version")
	ErrAddrMode = errors.New("ieee802154: reserved address mode")
)

// ParseHeader reads the MAC header of a frame without its check sequence. payload is what follows
// the header and the information elements of version 2015; it aliases b. In a secured frame it
// starts with the auxiliary security header.
func ParseHeader(b []byte) (h Header, payload []byte, err error) {
	if len(b) < 2 {
		return h, nil, ErrCut
	}
	fcf := binary.LittleEndian.Uint16(b)
	b = b[2:]
	h.Type = FrameType(fcf & 7)
	h.Version = Version(fcf >> fcfVerShift & 3)
	if h.Version > Version2015 {
		return h, nil, ErrVersion
	}
	h.Security = fcf&fcfSecurity != 0
	h.Pending = fcf&fcfPending != 0
	h.AckRequest = fcf&fcfAckRequest != 0
	if h.Version != Version2015 || fcf&fcfNoSequence == 0 {
		if len(b) < 1 {
			return h, nil, ErrCut
		}
		h.Sequence, b = b[0], b[1:]
	}
	dst, src := fcf>>fcfDestShift&3, fcf>>fcfSourceShift&3
	if dst == modeReserved || src == modeReserved {
		return h, nil, ErrAddrMode
	}
	dstPAN, srcPAN := pansPresent(h.Version, dst, src, fcf&fcfCompression != 0)
	if dstPAN {
		if len(b) < 2 {
			return h, nil, ErrCut
		}
		h.PAN, b = binary.LittleEndian.Uint16(b), b[2:]
	}
	if h.To, b, err = parseAddr(b, dst); err != nil {
		return h, nil, err
	}
	h.SourcePAN = h.PAN
	if srcPAN {
		if len(b) < 2 {
			return h, nil, ErrCut
		}
		h.SourcePAN, b = binary.LittleEndian.Uint16(b), b[2:]
		if !dstPAN {
			h.PAN = h.SourcePAN
		}
	}
	if h.From, b, err = parseAddr(b, src); err != nil {
		return h, nil, err
	}
	if h.Version == Version2015 && fcf&fcfElements != 0 && !h.Security {
		if b, err = skipElements(b); err != nil {
			return h, nil, err
		}
	}
	return h, b, nil
}

// pansPresent reports which PAN ids a header has: 7.2.2.6 of the 2006 edition for versions 0 and
// 1, table 7-2 of the 2015 edition for version 2.
func pansPresent(v Version, dst, src uint16, compressed bool) (dstPAN, srcPAN bool) {
	if v != Version2015 {
		return dst != modeNone, src != modeNone && !(compressed && dst != modeNone)
	}
	switch {
	case dst == modeNone && src == modeNone:
		return compressed, false
	case src == modeNone:
		return !compressed, false
	case dst == modeNone:
		return false, !compressed
	case dst == modeExtended && src == modeExtended:
		return !compressed, false
	}
	return true, !compressed
}

func parseAddr(b []byte, mode uint16) (Addr, []byte, error) {
	switch mode {
	case modeShort:
		if len(b) < 2 {
			return Addr{}, nil, ErrCut
		}
		return Short(binary.LittleEndian.Uint16(b)), b[2:], nil
	case modeExtended:
		if len(b) < 8 {
			return Addr{}, nil, ErrCut
		}
		return Extended(binary.LittleEndian.Uint64(b)), b[8:], nil
	}
	return Addr{}, b, nil
}

// skipElements skips the header and payload information elements of a frame (7.4.2, 7.4.3).
func skipElements(b []byte) ([]byte, error) {
	for payload := false; len(b) > 0; {
		if len(b) < 2 {
			return nil, ErrCut
		}
		d := binary.LittleEndian.Uint16(b)
		n, id := int(d&0x7f), d>>7&0xff
		if payload {
			n, id = int(d&0x7ff), d>>11&0xf
		}
		if len(b) < 2+n {
			return nil, ErrCut
		}
		b = b[2+n:]
		switch {
		case !payload && id == elementDataFollows, payload && id == groupTermination:
			return b, nil
		case !payload && id == elementPayloadFollows:
			payload = true
		}
	}
	return b, nil
}

// AppendTo appends the header of a data frame with one PAN id (7.2.2.6: compressed), in version
// 2006 if h.Version is that, else in version 2003. It never writes version 2015, since every
// receiver reads the older versions.
func (h Header) AppendTo(b []byte) []byte {
	fcf := uint16(TypeData) | mode(h.To)<<fcfDestShift | mode(h.From)<<fcfSourceShift
	if h.Version == Version2006 {
		fcf |= uint16(Version2006) << fcfVerShift
	}
	if h.Pending {
		fcf |= fcfPending
	}
	if h.AckRequest {
		fcf |= fcfAckRequest
	}
	if !h.To.IsNone() && !h.From.IsNone() {
		fcf |= fcfCompression
	}
	b = binary.LittleEndian.AppendUint16(b, fcf)
	b = append(b, h.Sequence)
	b = binary.LittleEndian.AppendUint16(b, h.PAN)
	return appendAddr(appendAddr(b, h.To), h.From)
}

func mode(a Addr) uint16 {
	switch a.kind {
	case kindShort:
		return modeShort
	case kindExtended:
		return modeExtended
	}
	return modeNone
}

// appendAddr writes an address as on the air: least significant octet first.
func appendAddr(b []byte, a Addr) []byte {
	switch a.kind {
	case kindShort:
		return binary.LittleEndian.AppendUint16(b, uint16(a.v))
	case kindExtended:
		return binary.LittleEndian.AppendUint64(b, a.v)
	}
	return b
}

// HeaderLen returns the length of the header that AppendTo writes, in octets.
func HeaderLen(to, from Addr) int { return 2 + 1 + 2 + to.Len() + from.Len() }
