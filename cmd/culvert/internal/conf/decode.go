package conf

import (
	"math"
	"net/netip"
	"slices"
	"strings"

	"culvert/bridge/reading"
	"culvert/bridge/senml"
)

// What the keys of [[mesh.decode]] may hold.
const (
	wantDecodePort   = "a UDP port of the gateway's"
	wantDecodePlaces = "names of places of this mesh"
	wantFields       = `fields in their order, like [{ name = "temp", type = "int16", scale = 0.01, unit = "Cel" }]`
	wantFieldName    = `a name of letters, digits and - : . / _, with a letter or digit first (RFC 8428, 4.5.1)`
	wantFieldUnit    = `a unit of RFC 8428, 12.1, like "Cel"; at most 32 octets`
	wantScale        = "a number other than 0"
	wantOffset       = "a number"
)

// Limits of a decoder. A datagram to the gateway has at most 1280 octets of packet,
// less 48 of IPv6 and UDP header.
const (
	maxDecoders     = 64
	maxFields       = 256
	maxDecodeOctets = 1232
)

// decodeType is a word for a field's type.
type decodeType struct {
	word   string
	kind   reading.FieldType
	octets int // 0: the key octets says
}

var decodeTypes = []decodeType{
	{"int8", reading.FieldInt, 1}, {"int16", reading.FieldInt, 2}, {"int32", reading.FieldInt, 4}, {"int64", reading.FieldInt, 8},
	{"uint8", reading.FieldUint, 1}, {"uint16", reading.FieldUint, 2}, {"uint32", reading.FieldUint, 4}, {"uint64", reading.FieldUint, 8},
	{"float32", reading.FieldFloat, 4}, {"float64", reading.FieldFloat, 8}, {"bool", reading.FieldBool, 1}, {"skip", reading.FieldSkip, 0},
}

// decoders reads the [[mesh.decode]] tables of a mesh whose other keys are read.
func (r *ConfigReader) decoders(t *Table, m MeshConfig) []reading.Decoder {
	tables := t.Tables("decode")
	if len(tables) > maxDecoders {
		t.Errorf("decode", "%d of them; want at most %d", len(tables), maxDecoders)
		return nil
	}
	var out []reading.Decoder
	for _, dt := range tables {
		d := r.decoder(dt, m)
		twice := false
		for _, x := range out {
			if x.At != d.At || d.At.Port() == 0 {
				continue
			}
			if len(x.Nodes) == 0 && len(d.Nodes) == 0 && !twice {
				twice = true
				dt.Errorf("port", "another decoder has port %d already; want places in one of them, so that a datagram has one", d.At.Port())
			}
			for i, p := range d.Nodes {
				if p != "" && slices.Contains(x.Nodes, p) {
					dt.elementErrorf("places", i, "%s has a decoder at port %d already", p, d.At.Port())
				}
			}
		}
		out = append(out, d)
	}
	return out
}

// decoder reads one [[mesh.decode]]. The address comes later, with the prefix.
func (r *ConfigReader) decoder(t *Table, m MeshConfig) reading.Decoder {
	d := reading.Decoder{Mesh: m.Name}
	if !t.Has("port") {
		t.Value("port")
		t.Errorf("port", "missing; want %s", wantDecodePort)
	} else if p := t.Integer("port", 0, 1, 65535, wantDecodePort); p == 5683 || p == 5684 {
		t.Errorf("port", "%d is CoAP's; want another", p)
	} else {
		d.At = netip.AddrPortFrom(netip.Addr{}, uint16(p))
	}
	d.Nodes = t.Texts("places", wantDecodePlaces)
	for i, p := range d.Nodes {
		if p != "" && !slices.ContainsFunc(m.Places, func(x placeConfig) bool { return x.Name == p }) {
			t.elementErrorf("places", i, "no place of this mesh is called %q; want %s", p, wantDecodePlaces)
		}
	}
	if t.Has("places") && len(d.Nodes) == 0 {
		t.Errorf("places", "empty: the decoder would be nobody's; take it out, or name places")
	}
	before := len(t.doc.Errs)
	fields := t.Tables("fields")
	switch {
	case !t.Has("fields"):
		t.Errorf("fields", "missing; want %s", wantFields)
	case len(fields) == 0 && len(t.doc.Errs) == before:
		t.Errorf("fields", "empty; want %s", wantFields)
	case len(fields) > maxFields:
		t.Errorf("fields", "%d of them; want at most %d", len(fields), maxFields)
		fields = nil
	}
	at := 0
	for _, ft := range fields {
		f := decodeField(ft, at)
		at = f.At + f.Octets
		if f.Type != reading.FieldSkip && f.Name != "" &&
			slices.ContainsFunc(d.Fields, func(x reading.DecodeField) bool { return x.Type != reading.FieldSkip && x.Name == f.Name }) {
			ft.Errorf("name", "%q stands there twice", f.Name)
		}
		d.Fields = append(d.Fields, f)
	}
	all := d.Octets()
	if all > maxDecodeOctets {
		t.Errorf("fields", "%d octets; want at most %d, which fit into a datagram", all, maxDecodeOctets)
	}
	if all > 0 {
		d.Least = int(t.Integer("least", 0, 1, int64(all), "octets"))
	} else {
		t.Value("least")
	}
	d.Longer = t.boolean("longer", false)
	t.Close(nil)
	return d
}

// decodeField reads one field that begins at an octet, where it does not say another.
func decodeField(t *Table, at int) reading.DecodeField {
	words := make([]string, len(decodeTypes))
	for i, x := range decodeTypes {
		words[i] = x.word
	}
	f := reading.DecodeField{}
	typ := decodeTypes[0]
	if w, ok := t.Required("type", orList(words)); ok {
		i := slices.Index(words, w)
		if i < 0 {
			t.Errorf("type", "%q; want %s", w, orList(words))
			i = 0
		}
		typ = decodeTypes[i]
	}
	f.Type, f.Octets = typ.kind, typ.octets
	f.At = int(t.Integer("at", int64(at), 0, maxDecodeOctets, "octets before it"))
	if f.Type == reading.FieldSkip {
		f.Octets = int(t.Integer("octets", 1, 1, maxDecodeOctets, "octets"))
		t.Close(nil)
		return f
	}
	if s, ok := t.Required("name", wantFieldName); ok {
		if why := senml.CheckName(s); why != "" {
			t.Errorf("name", "%s; want %s", Describe(s), wantFieldName)
		}
		f.Name = s
	}
	if f.Octets > 1 {
		f.Little = t.word("order", []string{"network", "little"}) == "little"
	}
	if f.Type == reading.FieldBool || f.Type == reading.FieldUint {
		decodeBits(t, &f)
	}
	if f.Type != reading.FieldBool {
		decodeScale(t, &f)
	}
	t.Close(nil)
	return f
}

// decodeBits reads which bits of a field count.
func decodeBits(t *Table, f *reading.DecodeField) {
	width := int64(8 * f.Octets)
	f.Bit = int(t.Integer("bit", 0, 0, width-1, "a bit, 0 for the least significant one,"))
	if t.Has("bit") {
		f.Bits = 1
	}
	if f.Type == reading.FieldUint {
		n := t.Integer("bits", 0, 1, width-int64(f.Bit), "a number of bits")
		if n > 0 {
			f.Bits = int(n)
		}
		if int64(f.Bits) == width {
			f.Bits = 0 // all
		}
	}
}

// decodeScale reads what makes a reading of a number.
func decodeScale(t *Table, f *reading.DecodeField) {
	if s, ok := t.Text("unit", wantFieldUnit); ok {
		if s == "" || len(s) > 32 || strings.ContainsFunc(s, func(c rune) bool { return c <= ' ' || c > '~' }) {
			t.Errorf("unit", "%s; want %s", Describe(s), wantFieldUnit)
		}
		f.Unit = s
	}
	if v, ok := decimal(t, "scale", wantScale); ok {
		if f.Scale = v; v == 0 {
			t.Errorf("scale", "0; want %s", wantScale)
		}
	}
	f.Offset, _ = decimal(t, "offset", wantOffset)
	if f.Type == reading.FieldFloat {
		return // not a number is none
	}
	v, ok := t.Value("none")
	if !ok {
		return
	}
	bits := f.Bits
	if bits == 0 {
		bits = 8 * f.Octets
	}
	low, high := int64(0), int64(math.MaxInt64) // what TOML can hold
	switch {
	case f.Type == reading.FieldInt:
		low, high = -1<<(bits-1), 1<<(bits-1)-1
	case bits < 63:
		high = 1<<bits - 1
	}
	n, ok := v.(int64)
	if !ok || n < low || n > high {
		t.Errorf("none", "%s; want what the field holds where there is no reading, a whole number from %d to %d", Describe(v), low, high)
		return
	}
	f.HasNone, f.None = true, uint64(n)
	if bits < 64 {
		f.None &= 1<<bits - 1
	}
}

// decimal reads a finite number, whole or not.
func decimal(t *Table, key, want string) (float64, bool) {
	v, ok := t.Value(key)
	if !ok {
		return 0, false
	}
	switch n := v.(type) {
	case int64:
		return float64(n), true
	case float64:
		if !math.IsNaN(n) && !math.IsInf(n, 0) {
			return n, true
		}
	}
	t.Errorf(key, "%s; want %s", Describe(v), want)
	return 0, false
}

// AtGateway returns the decoders of the mesh, at its gateway's address.
func (m MeshConfig) AtGateway() []reading.Decoder {
	at := m.OwnAddress(m.Prefix)
	out := slices.Clone(m.decoders)
	for i := range out {
		out[i].At = netip.AddrPortFrom(at, out[i].At.Port())
	}
	return out
}
