package senml

import (
	"fmt"
	"math"
	"strings"
	"sync"

	"github.com/fxamacker/cbor/v2"
)

// decoder refuses what no pack needs: duplicate keys (RFC 8949, section 5.6),
// deep nesting, great arrays and maps. What is well-formed but not deterministic
// is taken.
var decoder = sync.OnceValue(func() cbor.DecMode {
	m, err := cbor.DecOptions{
		DupMapKey:        cbor.DupMapKeyEnforcedAPF,
		MaxNestedLevels:  8,
		MaxArrayElements: MaxRecords,
		MaxMapPairs:      64,
	}.DecMode()
	if err != nil {
		panic(err) // constants
	}
	return m
})

// encoder writes deterministic CBOR (RFC 8949, section 4.2.1).
var encoder = sync.OnceValue(func() cbor.EncMode {
	m, err := cbor.CoreDetEncOptions().EncMode()
	if err != nil {
		panic(err) // constants
	}
	return m
})

// ParseCBOR reads a pack in CBOR (RFC 8428, section 6). It checks the form of each
// field; Resolve checks the rules between them. Fields that are not known are
// skipped, unless their label ends in "_" (section 4.4).
func ParseCBOR(b []byte) ([]Record, error) {
	var raw []map[any]any
	if err := decoder().Unmarshal(b, &raw); err != nil {
		return nil, fmt.Errorf("senml: not an array of CBOR maps: %w", err)
	}
	pack := make([]Record, 0, len(raw))
	for i, m := range raw {
		var r Record
		known := 0
		for _, d := range fields {
			v, ok := m[label(d.cbor)]
			if !ok {
				continue
			}
			known++
			if n, ok := number(v); ok {
				v = n
			}
			if reason := r.set(d.field, v); reason != "" {
				return nil, &RecordError{i + 1, d.json, reason}
			}
		}
		if known < len(m) {
			for k := range m {
				if s, ok := k.(string); ok && strings.HasSuffix(s, "_") {
					return nil, &RecordError{i + 1, s, "must be understood, and is not"}
				}
			}
		}
		pack = append(pack, r)
	}
	return pack, nil
}

// label is a CBOR label as the decoder gives it: unsigned and negative integers
// have types of their own.
func label(n int64) any {
	if n >= 0 {
		return uint64(n)
	}
	return n
}

// number returns what SenML takes as a number: integers, floats and decimal
// fractions (RFC 8428, section 6; RFC 8949, section 3.4.4).
func number(v any) (float64, bool) {
	switch n := v.(type) {
	case uint64:
		return float64(n), true
	case int64:
		return float64(n), true
	case float64:
		return n, true
	case cbor.Tag:
		pair, ok := n.Content.([]any)
		if n.Number != 4 || !ok || len(pair) != 2 {
			return 0, false
		}
		exp, ok1 := integer(pair[0])
		mant, ok2 := integer(pair[1])
		if !ok1 || !ok2 || math.Abs(exp) > 400 {
			return 0, false
		}
		if exp < 0 {
			return mant / math.Pow(10, -exp), true
		}
		return mant * math.Pow(10, exp), true
	}
	return 0, false
}

func integer(v any) (float64, bool) {
	switch n := v.(type) {
	case uint64:
		return float64(n), true
	case int64:
		return float64(n), true
	}
	return 0, false
}

// AppendCBOR appends the pack in deterministic CBOR: whole numbers as integers,
// others as the shortest float that holds them.
func AppendCBOR(dst []byte, pack []Record) ([]byte, error) {
	raw := make([]map[int64]any, len(pack))
	for i := range pack {
		r := &pack[i]
		m := make(map[int64]any, 4)
		for _, d := range fields {
			if r.Has&d.field == 0 {
				continue
			}
			switch d.field {
			case BaseName, BaseUnit, Name, Unit, StringValue:
				m[d.cbor] = *r.text(d.field)
			case BoolValue:
				m[d.cbor] = r.Bool
			case DataValue:
				if m[d.cbor] = r.Data; r.Data == nil {
					m[d.cbor] = []byte{}
				}
			case BaseVersion:
				m[d.cbor] = r.BaseVersion
			default:
				m[d.cbor] = shortest(*r.number(d.field))
			}
		}
		raw[i] = m
	}
	b, err := encoder().Marshal(raw)
	if err != nil {
		return dst, fmt.Errorf("senml: %w", err)
	}
	return append(dst, b...), nil
}

// shortest returns an integer where the number is one that a float64 holds
// exactly; minus zero stays a float.
func shortest(n float64) any {
	if n == math.Trunc(n) && math.Abs(n) < 1<<53 && !(n == 0 && math.Signbit(n)) {
		return int64(n)
	}
	return n
}
