package reading

import (
	"encoding/binary"
	"errors"
	"math"
	"net/netip"
	"time"

	"culvert/bridge/senml"
)

// Decoder says what the octets of the bare datagrams mean that nodes send to a port
// of the gateway.
type Decoder struct {
	Mesh   string
	At     netip.AddrPort // the gateway's address in that mesh, and the port
	Nodes  []string       // labels of those whose it is; none: of all that no other decoder at the port names
	Fields []DecodeField
	// Least is how few octets a datagram may have, 0: all. What it ends before gives no
	// reading. Longer has octets behind the fields passed over.
	Least  int
	Longer bool
}

// FieldType is what stands in a field of a datagram.
type FieldType uint8

// The types. The unit of Bool is one octet, true if it is not zero.
const (
	FieldSkip FieldType = iota // octets that say nothing
	FieldBool
	FieldInt  // two's complement, of 1, 2, 4 or 8 octets
	FieldUint // of 1, 2, 4 or 8 octets
	FieldFloat
)

// DecodeField is one field of a datagram.
type DecodeField struct {
	Name, Unit string // of the reading; the unit may be empty
	Type       FieldType
	At         int  // octets before it
	Octets     int  // that it has
	Little     bool // the least significant octet comes first
	// Bits, if not 0, is how many bits of an unsigned number or a truth value count,
	// from Bit on: 0 is the least significant one.
	Bit, Bits     int
	Scale, Offset float64 // the reading is the number times Scale (0: 1) plus Offset
	// None, where HasNone is set, is the content of the field, in as many bits as it has,
	// that says that there is no reading: -32768 in an int16 is 0x8000.
	None    uint64
	HasNone bool
}

// Why a datagram gives no readings.
var (
	errShort = errors.New("shorter than its decoder's fields")
	errLong  = errors.New("longer than its decoder's fields")
	errCut   = errors.New("ends within a field")
)

// Octets is how many octets the fields take.
func (d *Decoder) Octets() int {
	end := 0
	for i := range d.Fields {
		end = max(end, d.Fields[i].At+d.Fields[i].Octets)
	}
	return end
}

// Append appends the readings that stand in the datagram b, all measured at the time
// given. It keeps nothing of b.
func (d *Decoder) Append(dst []senml.Reading, b []byte, at time.Time) ([]senml.Reading, error) {
	all := d.Octets()
	least := d.Least
	if least == 0 {
		least = all
	}
	switch {
	case len(b) < least:
		return dst, errShort
	case len(b) > all && !d.Longer:
		return dst, errLong
	}
	for i := range d.Fields {
		f := &d.Fields[i]
		if f.At < len(b) && f.At+f.Octets > len(b) {
			return dst, errCut
		}
	}
	for i := range d.Fields {
		f := &d.Fields[i]
		if f.Type == FieldSkip || f.At >= len(b) {
			continue
		}
		r := senml.Reading{Name: f.Name, Unit: f.Unit, Kind: senml.Value, Time: at}
		raw := f.raw(b[f.At : f.At+f.Octets])
		switch {
		case f.HasNone && raw == f.None:
			continue
		case f.Type == FieldBool:
			r.Kind, r.Bool = senml.BoolValue, raw != 0
		default:
			r.Value = f.scaled(f.number(raw))
			if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
				continue // no number: no reading, as with None
			}
		}
		dst = append(dst, r)
	}
	return dst, nil
}

// raw is the content of the field, in b.
func (f *DecodeField) raw(b []byte) (v uint64) {
	switch {
	case len(b) == 1:
		v = uint64(b[0])
	case len(b) == 2 && f.Little:
		v = uint64(binary.LittleEndian.Uint16(b))
	case len(b) == 2:
		v = uint64(binary.BigEndian.Uint16(b))
	case len(b) == 4 && f.Little:
		v = uint64(binary.LittleEndian.Uint32(b))
	case len(b) == 4:
		v = uint64(binary.BigEndian.Uint32(b))
	case len(b) == 8 && f.Little:
		v = binary.LittleEndian.Uint64(b)
	case len(b) == 8:
		v = binary.BigEndian.Uint64(b)
	}
	if f.Bits > 0 {
		v = v >> f.Bit & (1<<f.Bits - 1)
	}
	return v
}

// number is what the content says, as a float64, which holds whole numbers of up to
// 53 bits exactly.
func (f *DecodeField) number(raw uint64) float64 {
	switch f.Type {
	case FieldInt:
		unused := 64 - 8*f.Octets
		return float64(int64(raw<<unused) >> unused)
	case FieldFloat: // IEEE 754 binary32 and binary64
		if f.Octets == 4 {
			return float64(math.Float32frombits(uint32(raw)))
		}
		return math.Float64frombits(raw)
	}
	return float64(raw)
}

// scaled applies Scale and Offset. Where the scale is one part of a whole number, as
// 0.01 is, the number is divided by that: the result is then the float64 that is
// nearest to the decimal figure, and prints like it.
func (f *DecodeField) scaled(v float64) float64 {
	if f.Scale == 0 || f.Scale == 1 {
		return v + f.Offset
	}
	if parts := math.Round(1 / f.Scale); math.Abs(parts) > 1 && math.Abs(parts) < 1<<53 && 1/parts == f.Scale {
		return v/parts + f.Offset
	}
	return v*f.Scale + f.Offset
}
