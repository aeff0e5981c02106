package senml

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"
)

// ParseJSON reads a pack in JSON (RFC 8428, section 5). It checks the form of
// each field; Resolve checks the rules between them. Fields that are not known are
// skipped, unless their label ends in "_" (section 4.4).
func ParseJSON(b []byte) ([]Record, error) {
	if !utf8.Valid(b) {
		return nil, fmt.Errorf("senml: the JSON text is not UTF-8")
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	if err := delim(d, '['); err != nil {
		return nil, err
	}
	var pack []Record
	for d.More() {
		if len(pack) == MaxRecords {
			return nil, fmt.Errorf("senml: more than %d records", MaxRecords)
		}
		r, err := parseRecord(d, len(pack)+1)
		if err != nil {
			return nil, err
		}
		pack = append(pack, r)
	}
	if err := delim(d, ']'); err != nil {
		return nil, err
	}
	if _, err := d.Token(); err != io.EOF {
		return nil, fmt.Errorf("senml: text after the end of the pack")
	}
	return pack, nil
}

func delim(d *json.Decoder, want json.Delim) error {
	t, err := d.Token()
	if err != nil {
		return fmt.Errorf("senml: not valid JSON: %w", err)
	}
	if t != want {
		return fmt.Errorf("senml: %q expected near octet %d: a pack is an array of objects", want, d.InputOffset())
	}
	return nil
}

func parseRecord(d *json.Decoder, number int) (r Record, err error) {
	if err := delim(d, '{'); err != nil {
		return r, err
	}
	for d.More() {
		t, err := d.Token()
		if err != nil {
			return r, fmt.Errorf("senml: not valid JSON: %w", err)
		}
		label, _ := t.(string) // within an object the decoder gives nothing else
		def, known := byJSON(label)
		if !known {
			if strings.HasSuffix(label, "_") {
				return r, &RecordError{number, label, "must be understood, and is not"}
			}
			var skip json.RawMessage
			if err := d.Decode(&skip); err != nil {
				return r, fmt.Errorf("senml: not valid JSON: %w", err)
			}
			continue
		}
		if r.Has&def.field != 0 {
			return r, &RecordError{number, label, "stands twice"}
		}
		t, err = d.Token()
		if err != nil {
			return r, fmt.Errorf("senml: not valid JSON: %w", err)
		}
		v := any(t)
		if n, ok := t.(json.Number); ok {
			f, err := n.Float64()
			if err != nil {
				return r, &RecordError{number, label, "number out of range"}
			}
			v = f
		}
		if reason := r.set(def.field, v); reason != "" {
			return r, &RecordError{number, label, reason}
		}
	}
	return r, delim(d, '}')
}

// AppendJSON appends the pack in JSON. It fails on numbers that JSON does not
// have, which no parser here lets in.
func AppendJSON(dst []byte, pack []Record) ([]byte, error) {
	dst = append(dst, '[')
	for i := range pack {
		if i > 0 {
			dst = append(dst, ',')
		}
		var err error
		if dst, err = appendRecord(dst, &pack[i]); err != nil {
			return dst, err
		}
	}
	return append(dst, ']'), nil
}

func appendRecord(dst []byte, r *Record) ([]byte, error) {
	dst = append(dst, '{')
	first := true
	for _, d := range fields {
		if r.Has&d.field == 0 {
			continue
		}
		if !first {
			dst = append(dst, ',')
		}
		first = false
		dst = append(append(append(dst, '"'), d.json...), '"', ':')
		switch d.field {
		case BaseName, BaseUnit, Name, Unit, StringValue:
			dst = appendString(dst, *r.text(d.field))
		case BoolValue:
			dst = strconv.AppendBool(dst, r.Bool)
		case DataValue:
			dst = append(dst, '"')
			dst = base64.RawURLEncoding.AppendEncode(dst, r.Data)
			dst = append(dst, '"')
		case BaseVersion:
			dst = strconv.AppendInt(dst, int64(r.BaseVersion), 10)
		default:
			n := *r.number(d.field)
			if !finite(n) {
				return dst, fmt.Errorf("senml: field %s: %v is no number in JSON", d.json, n)
			}
			dst = appendNumber(dst, n)
		}
	}
	return append(dst, '}'), nil
}

// appendNumber writes plain digits for the sizes that people read, and an
// exponent beyond.
func appendNumber(dst []byte, n float64) []byte {
	if a := math.Abs(n); a != 0 && (a < 1e-6 || a >= 1e21) {
		return strconv.AppendFloat(dst, n, 'e', -1, 64)
	}
	return strconv.AppendFloat(dst, n, 'f', -1, 64)
}

func appendString(dst []byte, s string) []byte {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	_ = e.Encode(s) // a string always encodes; into memory nothing fails
	return append(dst, bytes.TrimSuffix(b.Bytes(), []byte("\n"))...)
}
