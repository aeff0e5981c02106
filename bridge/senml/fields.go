package senml

import (
	"encoding/base64"
	"math"
)

// fieldDef is one row of the tables in RFC 8428, sections 4.3 and 6.
type fieldDef struct {
	field Field
	json  string // label in JSON
	cbor  int64  // label in CBOR
}

// fields is in the order in which the encoders write: base fields first, then
// what a reader looks for.
var fields = [...]fieldDef{
	{BaseVersion, "bver", -1},
	{BaseName, "bn", -2},
	{BaseTime, "bt", -3},
	{BaseUnit, "bu", -4},
	{BaseValue, "bv", -5},
	{BaseSum, "bs", -6},
	{Name, "n", 0},
	{Unit, "u", 1},
	{Value, "v", 2},
	{StringValue, "vs", 3},
	{BoolValue, "vb", 4},
	{Sum, "s", 5},
	{Time, "t", 6},
	{UpdateTime, "ut", 7},
	{DataValue, "vd", 8},
}

func byJSON(label string) (fieldDef, bool) {
	for _, d := range fields {
		if d.json == label {
			return d, true
		}
	}
	return fieldDef{}, false
}

// set stores a decoded value: float64, string, bool or []byte. It returns what is
// wrong with it.
func (r *Record) set(f Field, v any) string {
	r.Has |= f
	switch f {
	case BaseName, BaseUnit, Name, Unit, StringValue:
		s, ok := v.(string)
		if !ok {
			return "a string is needed"
		}
		*r.text(f) = s
	case BoolValue:
		b, ok := v.(bool)
		if !ok {
			return "true or false is needed"
		}
		r.Bool = b
	case DataValue:
		switch d := v.(type) {
		case []byte: // CBOR
			r.Data = d
		case string: // JSON: base64url without padding (RFC 8428, section 5)
			b, err := base64.RawURLEncoding.Strict().DecodeString(d)
			if err != nil {
				return "base64url without padding is needed"
			}
			r.Data = b
		default:
			return "data is needed"
		}
	default:
		n, ok := v.(float64)
		if !ok || !finite(n) {
			return "a finite number is needed"
		}
		if f == BaseVersion {
			if n != math.Trunc(n) || math.Abs(n) > 1<<20 {
				return "a small whole number is needed"
			}
			r.BaseVersion = int(n)
			return ""
		}
		*r.number(f) = n
	}
	return ""
}

func (r *Record) text(f Field) *string {
	switch f {
	case BaseName:
		return &r.BaseName
	case BaseUnit:
		return &r.BaseUnit
	case Name:
		return &r.Name
	case Unit:
		return &r.Unit
	}
	return &r.String
}

func (r *Record) number(f Field) *float64 {
	switch f {
	case BaseTime:
		return &r.BaseTime
	case BaseValue:
		return &r.BaseValue
	case BaseSum:
		return &r.BaseSum
	case Value:
		return &r.Value
	case Sum:
		return &r.Sum
	case Time:
		return &r.Time
	}
	return &r.UpdateTime
}
