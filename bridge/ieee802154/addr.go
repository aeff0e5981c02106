// Package ieee802154 holds the link addresses and the MAC header of IEEE Std 802.15.4.
package ieee802154

import (
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Addr is a link address: none, short (16 bit) or extended (an EUI-64). The
// zero value is "none". Addr is comparable and may be a map key.
type Addr struct {
	v    uint64
	kind addrKind
}

type addrKind uint8

const (
	kindNone addrKind = iota
	kindShort
	kindExtended
)

// Special short addresses (IEEE Std 802.15.4, 6.1; RFC 4944, section 12).
const (
	ShortBroadcast  uint16 = 0xffff // every device of the PAN
	ShortNone       uint16 = 0xfffe // associated, but no short address was given
	shortMcastFirst uint16 = 0x8000 // RFC 4944, section 9: 100xxxxxxxxxxxxx
	shortMcastLast  uint16 = 0x9fff
)

// Broadcast is the short address 0xffff.
var Broadcast = Short(ShortBroadcast)

// Short returns the link address with the given 16 bits.
func Short(a uint16) Addr { return Addr{v: uint64(a), kind: kindShort} }

// Extended returns the link address with the given EUI-64, whose first octet is
// the most significant one of v.
func Extended(v uint64) Addr { return Addr{v: v, kind: kindExtended} }

// FromBytes returns the link address in b, most significant octet first: none for 0 octets, short
// for 2, extended for 8. Any other length is an error.
func FromBytes(b []byte) (Addr, error) {
	switch len(b) {
	case 0:
		return Addr{}, nil
	case 2:
		return Short(binary.BigEndian.Uint16(b)), nil
	case 8:
		return Extended(binary.BigEndian.Uint64(b)), nil
	}
	return Addr{}, fmt.Errorf("ieee802154: link address of %d octets: 2 or 8 are allowed", len(b))
}

var errParse = errors.New("want 2 octets (12:34) or 8 (00:00:5e:ef:10:00:00:05) in hex")

// ParseAddr reads 2 or 8 octets in hex, most significant first, with or without colons or dashes
// between octets. An empty string is "none".
func ParseAddr(s string) (Addr, error) {
	t := s
	if strings.ContainsAny(s, ":-") {
		parts := strings.FieldsFunc(s, func(r rune) bool { return r == ':' || r == '-' })
		if len(s) != 3*len(parts)-1 || slices.ContainsFunc(parts, func(p string) bool { return len(p) != 2 }) {
			return Addr{}, fmt.Errorf("ieee802154: link address %q: %w", s, errParse)
		}
		t = strings.Join(parts, "")
	}
	b, err := hex.DecodeString(t)
	if err != nil || len(b) != 0 && len(b) != 2 && len(b) != 8 {
		return Addr{}, fmt.Errorf("ieee802154: link address %q: %w", s, errParse)
	}
	return FromBytes(b)
}

// MustParseAddr is ParseAddr for constants; it panics on an error.
func MustParseAddr(s string) Addr {
	a, err := ParseAddr(s)
	if err != nil {
		panic(err)
	}
	return a
}

// IsNone reports whether a is "none".
func (a Addr) IsNone() bool { return a.kind == kindNone }

// IsShort reports whether a has 16 bits.
func (a Addr) IsShort() bool { return a.kind == kindShort }

// IsExtended reports whether a is an EUI-64.
func (a Addr) IsExtended() bool { return a.kind == kindExtended }

// IsBroadcast reports whether a is the short address 0xffff.
func (a Addr) IsBroadcast() bool { return a == Broadcast }

// IsNode reports whether a can be the address of a node: not the short addresses 0xffff, 0xfffe
// and 0x8000 to 0x9fff (RFC 4944, section 12), nor the EUI-64s of all zeros and all ones.
func (a Addr) IsNode() bool {
	switch a.kind {
	case kindShort:
		s := uint16(a.v)
		return s != ShortBroadcast && s != ShortNone && (s < shortMcastFirst || s > shortMcastLast)
	case kindExtended:
		return a.v != 0 && a.v != ^uint64(0)
	}
	return false
}

// Short returns the 16 bits of a short address, and whether a is one.
func (a Addr) Short() (uint16, bool) { return uint16(a.v), a.kind == kindShort }

// EUI64 returns the EUI-64 of an extended address as a number, and whether a is
// one.
func (a Addr) EUI64() (uint64, bool) { return a.v, a.kind == kindExtended }

// Len returns the number of octets: 0, 2 or 8.
func (a Addr) Len() int {
	switch a.kind {
	case kindShort:
		return 2
	case kindExtended:
		return 8
	}
	return 0
}

// AppendTo appends the octets of a to b, most significant first.
func (a Addr) AppendTo(b []byte) []byte {
	switch a.kind {
	case kindShort:
		return binary.BigEndian.AppendUint16(b, uint16(a.v))
	case kindExtended:
		return binary.BigEndian.AppendUint64(b, a.v)
	}
	return b
}

// String returns the octets in hex with colons between them, or "none".
func (a Addr) String() string {
	if a.kind == kindNone {
		return "none"
	}
	var raw [8]byte
	b := a.AppendTo(raw[:0])
	out := make([]byte, 0, 23)
	for i, o := range b {
		if i > 0 {
			out = append(out, ':')
		}
		out = hex.AppendEncode(out, []byte{o})
	}
	return string(out)
}

// MarshalText returns what String does, but an empty text for none.
func (a Addr) MarshalText() ([]byte, error) {
	if a.kind == kindNone {
		return nil, nil
	}
	return []byte(a.String()), nil
}

// UnmarshalText reads the form of ParseAddr.
func (a *Addr) UnmarshalText(b []byte) error {
	v, err := ParseAddr(string(b))
	if err == nil {
		*a = v
	}
	return err
}
