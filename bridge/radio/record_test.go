package radio

import (
	"bytes"
	"fmt"
	"reflect"
	"testing"

	"github.com/fxamacker/cbor/v2"

	"culvert/bridge/ieee802154"
)

// sample is one record with its octets and the items that a CBOR decoder of others
// (fxamacker/cbor) makes of them.
type sample struct {
	name   string
	record Record
	hex    string
	items  []any
	need   int // elements without which it is not understood
}

func samples() []sample {
	u := func(n uint64) any { return n }
	s12, s34 := ieee802154.Short(0x0012), ieee802154.Short(0x0034)
	gw, n5 := []byte{0, 0, 0x5e, 0xef, 0x10, 0, 0, 1}, []byte{0, 0, 0x5e, 0xef, 0x10, 0, 0, 5}
	info := Info{
		Version: 1, EUI64: gateway, Short: ieee802154.Short(1), PAN: 0xabcd, Boot: 0x0123456789, Channel: 15,
		Feature: FeatureMultihop | FeatureBroadcast | FeatureParents, MaxShort: 108, MaxExtended: 102,
	}
	return []sample{
		{"hello", Record{Kind: RecordHello, Session: 7, Info: Info{Version: 1}, Text: []byte("culvert")},
			"84 01 01 07 67 63756c76657274", []any{u(1), u(1), u(7), "culvert"}, 3},
		{"send", Record{Kind: RecordSend, ID: 1000, Frame: Frame{To: sump, Payload: []byte{0x41, 0x60, 0x7e}, Priority: PriorityControl}},
			"85 02 1903e8 48 00005eef10000005 43 41607e 01", []any{u(2), u(1000), n5, []byte{0x41, 0x60, 0x7e}, u(1)}, 4},
		{"cancel", Record{Kind: RecordCancel, ID: 1000}, "82 03 1903e8", []any{u(3), u(1000)}, 2},
		{"assign", Record{Kind: RecordAssign, Node: NodeInfo{Addr: sump, Short: s12}},
			"83 04 48 00005eef10000005 42 0012", []any{u(4), n5, []byte{0, 0x12}}, 3},
		{"keepalive", Record{Kind: RecordKeepalive, ID: 23}, "82 05 17", []any{u(5), u(23)}, 2},
		{"time", Record{Kind: RecordTime, Clock: 1764000000000000}, "82 06 1b 0006445941624000", []any{u(6), u(1764000000000000)}, 2},
		{"up", Record{Kind: RecordUp, Session: 7, Credits: 8, Clock: 65536, Info: info, Text: []byte("mast radio")},
			"8e 08 01 07 1b0000000123456789 48 00005eef10000001 42 0001 19abcd 186c 1866 08 07 0f 1a00010000 6a 6d61737420726164696f",
			[]any{u(8), u(1), u(7), u(0x0123456789), gw, []byte{0, 1}, u(0xabcd), u(108), u(102), u(8), u(7), u(15), u(65536), "mast radio"}, 10},
		{"frame", Record{Kind: RecordFrame, Clock: 70000, Frame: Frame{From: s12, To: s34, Payload: []byte{0x7a, 0x11}, Signal: -71, Hops: 2}},
			"87 09 42 0012 42 0034 42 7a11 1a00011170 3846 02",
			[]any{u(9), []byte{0, 0x12}, []byte{0, 0x34}, []byte{0x7a, 0x11}, u(70000), int64(-71), u(2)}, 4},
		{"result", Record{Kind: RecordResult, ID: 1000, Outcome: OutcomeDelivered}, "83 0a 1903e8 02", []any{u(10), u(1000), u(2)}, 3},
		{"credits", Record{Kind: RecordCredits, Credits: 24}, "82 0b 1818", []any{u(11), u(24)}, 2},
		{"attached", Record{Kind: RecordAttached, Node: NodeInfo{Addr: sump, Short: s12, Hops: 1, Parents: [2]ieee802154.Addr{gateway, s34}}},
			"86 0c 48 00005eef10000005 42 0012 01 48 00005eef10000001 42 0034", []any{u(12), n5, []byte{0, 0x12}, u(1), gw, []byte{0, 0x34}}, 2},
		{"detached", Record{Kind: RecordDetached, Node: NodeInfo{Addr: s12}}, "82 0d 42 0012", []any{u(13), []byte{0, 0x12}}, 2},
		{"parents", Record{Kind: RecordParents, Node: NodeInfo{Addr: sump, Hops: 3, Parents: [2]ieee802154.Addr{s34}}},
			"85 0e 48 00005eef10000005 03 42 0034 40", []any{u(14), n5, u(3), []byte{0, 0x34}, []byte{}}, 2},
		{"snapshot", Record{Kind: RecordSnapshot}, "81 0f", []any{u(15)}, 1},
		{"link", Record{Kind: RecordLink, Link: LinkStats{From: s12, To: s34, Channel: 26, Attempts: 500, Acked: 499, Signal: -90}},
			"87 10 42 0012 42 0034 181a 1901f4 1901f3 3859",
			[]any{u(16), []byte{0, 0x12}, []byte{0, 0x34}, u(26), u(500), u(499), int64(-90)}, 6},
		{"battery", Record{Kind: RecordBattery, Node: NodeInfo{Addr: s12}, Battery: Battery{Millivolts: 2950, Percent: 61}},
			"84 11 42 0012 190b86 183d", []any{u(17), []byte{0, 0x12}, u(2950), u(61)}, 2},
		{"text", Record{Kind: RecordText, Text: []byte("hot")}, "82 12 63 686f74", []any{u(18), "hot"}, 2},
		{"discard", Record{Kind: RecordDiscard, Discard: DiscardSecurity, Node: NodeInfo{Addr: s12}, Count: 3, Text: []byte("key 2")},
			"85 13 02 42 0012 03 65 6b65792032", []any{u(19), u(2), []byte{0, 0x12}, u(3), "key 2"}, 2},
		{"alive", Record{Kind: RecordAlive, ID: 23, Clock: 256, Info: Info{Boot: 24}}, "84 14 17 1818 190100", []any{u(20), u(23), u(24), u(256)}, 3},
	}
}

func (s *sample) octets(t testing.TB) []byte {
	t.Helper()
	return unhex(t, string(bytes.ReplaceAll([]byte(s.hex), []byte(" "), nil)))
}

func equal(a, b *Record) bool {
	x, y := *a, *b
	if len(x.Text) == 0 && len(y.Text) == 0 {
		x.Text, y.Text = nil, nil
	}
	if len(x.Frame.Payload) == 0 && len(y.Frame.Payload) == 0 {
		x.Frame.Payload, y.Frame.Payload = nil, nil
	}
	return reflect.DeepEqual(x, y)
}

func TestRecords(t *testing.T) {
	seen := map[RecordKind]bool{}
	for _, c := range samples() {
		seen[c.record.Kind] = true
		t.Run(c.name, func(t *testing.T) {
			want := c.octets(t)
			got := c.record.AppendTo(nil)
			if !bytes.Equal(got, want) {
				t.Fatalf("octets %x\nwant   %x", got, want)
			}
			var r Record
			if err := r.Parse(want); err != nil {
				t.Fatal(err)
			}
			if !equal(&r, &c.record) {
				t.Errorf("read  %+v\nwant  %+v", r, c.record)
			}
			// The same in the eyes of another implementation of RFC 8949.
			var items []any
			if err := cbor.Unmarshal(want, &items); err != nil {
				t.Fatal(err)
			}
			if fmt.Sprintf("%#v", items) != fmt.Sprintf("%#v", c.items) {
				t.Errorf("items %#v\nwant  %#v", items, c.items)
			}
			if theirs, err := cbor.Marshal(c.items); err != nil || !bytes.Equal(theirs, want) {
				t.Errorf("the library writes %x, %v", theirs, err)
			}
		})
	}
	for k := range RecordAlive + 1 {
		if k != RecordNone && k != 7 && !seen[k] {
			t.Errorf("record kind %d has no sample", k)
		}
	}
}

// Each cut gives an error: the array's head promises elements that are not there.
func TestRecordTruncated(t *testing.T) {
	for _, c := range samples() {
		b := c.octets(t)
		for n := range b {
			var r Record
			if err := r.Parse(b[:n]); err != RecordTruncated {
				t.Errorf("%s: first %d of %d octets: %v, want %v", c.name, n, len(b), err, RecordTruncated)
			}
		}
		var r Record
		if err := r.Parse(append(b, 0)); err != RecordTrailing {
			t.Errorf("%s and one octet: %v, want %v", c.name, err, RecordTrailing)
		}
	}
}

// Elements at the end may be absent or null, if a kind does not require them.
func TestRecordOptionalElements(t *testing.T) {
	for _, c := range samples() {
		for n := 1; n < len(c.items); n++ {
			short, err := cbor.Marshal(c.items[:n])
			if err != nil {
				t.Fatal(err)
			}
			var r Record
			err = r.Parse(short)
			if n >= c.need && err != nil || n < c.need && err != RecordMissing {
				t.Errorf("%s with %d elements of %d needed: %v", c.name, n, c.need, err)
			}
			items := append([]any{}, c.items...)
			items[n] = nil
			null, err := cbor.Marshal(items)
			if err != nil {
				t.Fatal(err)
			}
			err = r.Parse(null)
			if n >= c.need && err != nil || n < c.need && err == nil {
				t.Errorf("%s with null as element %d: %v", c.name, n, err)
			}
		}
	}
}

// Later versions may add elements of any type, and kinds.
func TestRecordGrows(t *testing.T) {
	extra := []any{uint64(1) << 40, -5, []byte{1, 2}, "text", []any{1, []any{2}, map[string]any{"a": 1}}, map[int]any{1: "x"},
		nil, true, 1.5, float32(0.1), cbor.Tag{Number: 1, Content: 1764000000}}
	for _, c := range samples() {
		b, err := cbor.Marshal(append(append([]any{}, c.items...), extra...))
		if err != nil {
			t.Fatal(err)
		}
		var r Record
		if err := r.Parse(b); err != nil || !equal(&r, &c.record) {
			t.Errorf("%s with further elements: %v, %+v", c.name, err, r)
		}
		// An encoder that does not know the length beforehand (RFC 8949, 3.2.2).
		open := append([]byte{0x9f}, c.octets(t)[1:]...)
		if err := r.Parse(append(open, 0xff)); err != nil || !equal(&r, &c.record) {
			t.Errorf("%s as an array of indefinite length: %v, %+v", c.name, err, r)
		}
	}
	for _, kind := range []any{0, 7, 21, 255, 256, uint64(1) << 63, -1} {
		b, err := cbor.Marshal(append([]any{kind}, extra...))
		if err != nil {
			t.Fatal(err)
		}
		var r Record
		if err := r.Parse(b); err != nil || r.Kind != RecordNone {
			t.Errorf("kind %v: %v, %d", kind, err, r.Kind)
		}
	}
}

// An up of another version is read no further than the version.
func TestUpOfAnotherVersion(t *testing.T) {
	b, err := cbor.Marshal([]any{8, 2, "everything", map[int]any{1: "has"}, "changed"})
	if err != nil {
		t.Fatal(err)
	}
	var r Record
	if err := r.Parse(b); err != nil || r.Kind != RecordUp || r.Info.Version != 2 {
		t.Errorf("%v, %+v", err, r)
	}
}

func TestRecordErrors(t *testing.T) {
	for _, c := range []struct {
		name, hex string
		want      RecordError
	}{
		{"nothing", "", RecordTruncated},
		{"an integer", "08", RecordNotArray},
		{"a map", "a10801", RecordNotArray},
		{"an empty array", "80", RecordNotArray},
		{"an empty array of indefinite length", "9fff", RecordNotArray},
		{"a text as kind", "816161", RecordNotArray},
		{"null as kind", "81f6", RecordNotArray},
		{"a float as kind", "81f94900", RecordNotArray},
		{"a reserved head (RFC 8949, 3)", "811c", RecordInvalid},
		{"an integer of indefinite length", "82031f", RecordInvalid},
		{"a break within an array of known length", "8203ff", RecordType},
		{"a break among skipped elements", "831863ff01", RecordInvalid},
		{"a simple value below 32 in two octets (RFC 8949, 3.3)", "821818f814", RecordInvalid},
		{"a map with a key and no value", "821818bf01ff", RecordInvalid},
		{"a chunk of another type (RFC 8949, 3.2.3)", "8218185f6161ff", RecordInvalid},
		{"a chunk of indefinite length", "8218185f5f4101ffff", RecordInvalid},
		{"no break", "9f0301", RecordTruncated},
		{"no break after chunks", "8218185f4101", RecordTruncated},
		{"no break after items", "8218189f01", RecordTruncated},
		{"a chunk longer than the record", "8218185f4401ff", RecordTruncated},
		{"a chunk's head cut short", "8218185f58", RecordTruncated},
		{"more elements than octets", "9b7fffffffffffffff0f", RecordTruncated},
		{"a skipped array longer than the record", "8218189bffffffffffffffff00", RecordTruncated},
		{"a skipped string longer than the record", "8218187bffffffffffffffff00", RecordTruncated},
		{"nine arrays deep", "8218188181818181818181 80", RecordDepth},
		{"tags without end", "821818c1c1c1c1c1c1c1c1c101", RecordDepth},
		{"id as text", "82036161", RecordType},
		{"id negative", "820320", RecordType},
		{"id above 32 bits", "82031b0000000100000000", RecordRange},
		{"address of 3 octets", "820d43000102", RecordRange},
		{"address of 9 octets", "820d49000102030405060708", RecordRange},
		{"address as text", "820d623132", RecordType},
		{"payload in chunks", "840942000142000 25f4101ff", RecordType},
		{"payload above 2047 octets", "840942000142000 2590800", RecordRange},
		{"signal below -128", "86094200014200024000 3880", RecordRange},
		{"signal as bytes", "860942000142000240 0040", RecordType},
		{"hops above 255", "870942000142000240 0000190100", RecordRange},
		{"outcome above 255", "830a01190100", RecordRange},
		{"101 percent", "84114200 01190b861865", RecordRange},
		{"percent as text", "84114200 01190b866161", RecordType},
		{"PAN above 16 bits", "8a0801070148000000000000000140 1a00010000 00 00 00", RecordRange},
		{"two octets after the end", "810f0000", RecordTrailing},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := unhex(t, string(bytes.ReplaceAll([]byte(c.hex), []byte(" "), nil)))
			var r Record
			if err := r.Parse(b); err != c.want {
				t.Errorf("%x: %v, want %v", b, err, c.want)
			}
		})
	}
	if !bytes.Contains([]byte(RecordError(200).Error()), []byte("cannot be read")) {
		t.Error("an unknown reason has no words")
	}
	seen := map[string]bool{}
	for e := range recordErrors {
		if seen[e.Error()] {
			t.Errorf("%v stands twice", e)
		}
		seen[e.Error()] = true
	}
}

func TestTextsAreCut(t *testing.T) {
	r := Record{Kind: RecordText, Text: bytes.Repeat([]byte("x"), MaxText+1)}
	var got Record
	if err := got.Parse(r.AppendTo(nil)); err != nil || len(got.Text) != MaxText {
		t.Errorf("%v, %d octets", err, len(got.Text))
	}
}

// The longest record of each kind fits.
func TestLongestRecords(t *testing.T) {
	all := ieee802154.Extended(1<<63 + 1)
	r := Record{
		Kind: RecordFrame, Clock: 1 << 63, ID: 1 << 31,
		Frame: Frame{From: all, To: all, Payload: make([]byte, MaxPayload), Signal: -128, Hops: 255, Priority: 2},
		Text:  make([]byte, MaxText),
	}
	for k := range RecordAlive + 1 {
		r.Kind = k
		if n := len(r.AppendTo(nil)) + fcsSize; n > MaxRecord {
			t.Errorf("kind %d: %d octets, and %d are allowed", k, n, MaxRecord)
		}
	}
}

func TestDecoderSkipsAndCounts(t *testing.T) {
	var line bytes.Buffer
	enc := NewEncoder(&line)
	for _, c := range samples() {
		if err := enc.Encode(&c.record); err != nil {
			t.Fatal(err)
		}
		line.WriteString("noise")
		line.Write(AppendFramed(nil, []byte{0x82, 0x18, 0x63, 0x01})) // a kind to come
		line.Write(AppendFramed(nil, []byte{0x82, 0x0a, 0x01}))       // a result without its outcome
	}
	octets := line.Len()
	d := NewDecoder(&line)
	n := uint64(0)
	for _, c := range samples() {
		var r Record
		if err := d.Decode(&r); err != nil || !equal(&r, &c.record) {
			t.Errorf("%s: %v, %+v", c.name, err, r)
		}
		n++
	}
	var r Record
	if err := d.Decode(&r); err == nil || err.Error() != "EOF" {
		t.Errorf("at the end: %v, %+v", err, r)
	}
	s := d.Stats()
	if s.Records != n || s.Unknown != n || s.Bad[RecordMissing] != n || s.Octets != uint64(octets) || s.Line.Short != n {
		t.Errorf("counts %+v", s)
	}
}
