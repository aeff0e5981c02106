package bridgetest

import (
	"encoding/hex"
	"encoding/json"
	"maps"
	"net/netip"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"culvert/bridge/ieee802154"
)

// What a vector asks for: the words of Expect.Action that occur in the sets of the
// adaptation layer. Other sets have words of their own.
const (
	Decode      = "decode"
	Drop        = "drop"
	Compress    = "compress"    // the packet into frames; MinLen is the shortest legal form
	Conditional = "conditional" // decode if DecodeIf holds, else drop
	Either      = "either"      // one of Options
)

// Vector is one row of a set.
type Vector struct {
	ID, Set    string
	Source     string // RFC and section
	FromMemory bool   // the values were recalled, not looked up
	Policy     bool   // the RFC is silent: our choice
	From, To   ieee802154.Addr
	Contexts   map[uint8]netip.Prefix
	Frames     []Frame         // in order of arrival; one unless the set is frag
	Times      []time.Duration // arrival of each frame; nil when all come at once
	Packets    [][]byte        // in order of completion
	Expect     Expect
	Fields     map[string]json.RawMessage // of the sets beyond the adaptation layer
	Note       string
	Verified   map[string]string // what the judges ref, tshark and scapy said
}

// Expect is what must come of a Vector.
type Expect struct {
	Action    string
	Reason    string // prose
	MinLen    int    // octets
	DecodeIf  string // prose
	Otherwise string
	Also      []byte   // another packet that may come instead
	Options   []string // of Either
	// The rest belongs to the sets coap and nd.
	Code, Role, Unless, Type string
	MID                      string
}

// rawVector is a Vector as the file has it.
type rawVector struct {
	ID         string                     `json:"id"`
	Source     string                     `json:"source"`
	FromMemory bool                       `json:"from_memory"`
	Policy     bool                       `json:"policy"`
	Src        ieee802154.Addr            `json:"mac_src"`
	Dst        ieee802154.Addr            `json:"mac_dst"`
	Contexts   contexts                   `json:"contexts"`
	Lowpan     octets                     `json:"lowpan_hex"`
	Frames     []rawFrame                 `json:"frames"`
	TimesS     []float64                  `json:"times_s"`
	IPv6       octetsList                 `json:"ipv6_hex"`
	Expect     map[string]json.RawMessage `json:"expect"`
	Fields     map[string]json.RawMessage `json:"fields"`
	Note       string                     `json:"note"`
	Verified   map[string]string          `json:"verified"`
}

type rawFrame struct {
	Src ieee802154.Addr `json:"mac_src"`
	Dst ieee802154.Addr `json:"mac_dst"`
	Hex octets          `json:"hex"`
}

// Sets returns the names of all sets of vectors, sorted.
func Sets(tb testing.TB) []string {
	tb.Helper()
	names, err := filepath.Glob(Testdata(tb, "vectors", "*.json"))
	if err != nil || len(names) == 0 {
		tb.Fatalf("bridgetest: no vectors under testdata: %v", err)
	}
	for i, n := range names {
		names[i] = strings.TrimSuffix(filepath.Base(n), ".json")
	}
	slices.Sort(names)
	return names
}

// Vectors returns the rows of the given sets, in the order of the files.
func Vectors(tb testing.TB, sets ...string) []Vector {
	tb.Helper()
	var out []Vector
	for _, set := range sets {
		var raw []rawVector
		load(tb, &raw, "vectors", set+".json")
		if len(raw) == 0 {
			tb.Fatalf("bridgetest: set %s is empty", set)
		}
		for i := range raw {
			out = append(out, raw[i].vector(tb, set))
		}
	}
	return out
}

func (r *rawVector) vector(tb testing.TB, set string) Vector {
	tb.Helper()
	v := Vector{
		ID: r.ID, Set: set, Source: r.Source, FromMemory: r.FromMemory, Policy: r.Policy,
		From: r.Src, To: r.Dst, Contexts: r.Contexts, Packets: r.IPv6,
		Fields: r.Fields, Note: r.Note, Verified: r.Verified,
	}
	for _, f := range r.Frames {
		v.Frames = append(v.Frames, Frame{f.Src, f.Dst, f.Hex})
	}
	if len(r.Frames) == 0 && r.Lowpan != nil {
		v.Frames = []Frame{{r.Src, r.Dst, r.Lowpan}}
	}
	for _, s := range r.TimesS {
		v.Times = append(v.Times, time.Duration(s*float64(time.Second)))
	}
	for _, key := range slices.Sorted(maps.Keys(r.Expect)) {
		v.Expect.set(tb, r.ID, key, r.Expect[key])
	}
	return v
}

func (e *Expect) set(tb testing.TB, id, key string, raw json.RawMessage) {
	tb.Helper()
	var also octets
	text := map[string]*string{
		"action": &e.Action, "reason": &e.Reason, "decode_if": &e.DecodeIf, "otherwise": &e.Otherwise,
		"code": &e.Code, "role": &e.Role, "unless": &e.Unless, "type": &e.Type,
	}
	var err error
	switch {
	case text[key] != nil:
		err = json.Unmarshal(raw, text[key])
	case key == "min_len":
		err = json.Unmarshal(raw, &e.MinLen)
	case key == "options":
		err = json.Unmarshal(raw, &e.Options)
	case key == "also_accept_ipv6_hex":
		err = json.Unmarshal(raw, &also)
		e.Also = also
	case key == "mid":
		e.MID = strings.Trim(string(raw), `"`)
	case key == "counter": // a name that the project does not use
	default:
		tb.Fatalf("bridgetest: %s: expect has the unknown key %q", id, key)
	}
	if err != nil {
		tb.Fatalf("bridgetest: %s: expect, %s: %v", id, key, err)
	}
}

// Has reports whether the vector has the field.
func (v Vector) Has(field string) bool { return v.Fields[field] != nil }

// Text returns a field that is a JSON string.
func (v Vector) Text(tb testing.TB, field string) string {
	tb.Helper()
	var s string
	v.Field(tb, field, &s)
	return s
}

// Hex returns a field that is octets in hex.
func (v Vector) Hex(tb testing.TB, field string) []byte {
	tb.Helper()
	b, err := hex.DecodeString(v.Text(tb, field))
	if err != nil {
		tb.Fatalf("bridgetest: %s: field %s: %v", v.ID, field, err)
	}
	return b
}

// Field decodes a field into dst.
func (v Vector) Field(tb testing.TB, field string, dst any) {
	tb.Helper()
	if !v.Has(field) {
		tb.Fatalf("bridgetest: %s has no field %s", v.ID, field)
	}
	if err := json.Unmarshal(v.Fields[field], dst); err != nil {
		tb.Fatalf("bridgetest: %s: field %s: %v", v.ID, field, err)
	}
}
