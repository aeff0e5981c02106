package senml

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/fxamacker/cbor/v2"

	"culvert/bridge/bridgetest"
)

var now = time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)

func field[T any](t *testing.T, v bridgetest.Vector, name string) T {
	t.Helper()
	var out T
	if err := json.Unmarshal(v.Fields[name], &out); err != nil {
		t.Fatalf("%s: field %s: %v", v.ID, name, err)
	}
	return out
}

// The set senml of testdata: RFC 8428, sections 4 to 6.
func TestVectors(t *testing.T) {
	for _, v := range bridgetest.Vectors(t, "senml") {
		t.Run(v.ID, func(t *testing.T) {
			var pack []Record
			var err error
			if _, ok := v.Fields["json"]; ok {
				pack, err = ParseJSON([]byte(field[string](t, v, "json")))
			} else {
				b, _ := hex.DecodeString(field[string](t, v, "cbor_hex"))
				pack, err = ParseCBOR(b)
				// The vector is deterministic CBOR: encoding gives it back.
				if out, err := AppendCBOR(nil, pack); err != nil || !bytes.Equal(out, b) {
					t.Errorf("encoded %x (%v)\nwant    %x", out, err, b)
				}
			}
			var readings []Reading
			if err == nil {
				readings, err = Resolve(pack, now)
			}
			switch v.Expect.Action {
			case "reject":
				if err == nil {
					t.Fatalf("accepted as %+v; must be rejected: %s", readings, v.Expect.Reason)
				}
				if !strings.HasPrefix(err.Error(), "senml: ") {
					t.Errorf("error %q does not name the package", err)
				}
			case "decode", "accept":
				if err != nil || len(readings) == 0 {
					t.Fatalf("%d readings, error %v", len(readings), err)
				}
			default:
				t.Fatalf("action %q is not known to this test", v.Expect.Action)
			}
			if _, ok := v.Fields["resolved"]; ok {
				var names []string
				for _, r := range readings {
					names = append(names, r.Name)
				}
				if want := field[[]string](t, v, "resolved"); !slices.Equal(names, want) {
					t.Errorf("names %q, want %q", names, want)
				}
			}
		})
	}
}

// The set cbor of testdata: RFC 8949, appendix A and section 4.2, through the
// coder that this package configures.
func TestCBORVectors(t *testing.T) {
	for _, v := range bridgetest.Vectors(t, "cbor") {
		b, err := hex.DecodeString(field[string](t, v, "cbor_hex"))
		if err != nil {
			t.Fatal(err)
		}
		var got any
		err = decoder().Unmarshal(b, &got)
		if v.Expect.Action == "reject" {
			if err == nil {
				t.Errorf("%s: %x accepted", v.ID, b)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %x: %v", v.ID, b, err)
			continue
		}
		if f, ok := got.(float64); ok && v.Expect.Action == "decode" {
			// The encoder writes the shortest float of the same value.
			got = f
		}
		out, err := encoder().Marshal(got)
		if err != nil {
			t.Errorf("%s: %v", v.ID, err)
		} else if same := bytes.Equal(out, b); same != (v.Expect.Action == "decode") {
			t.Errorf("%s: %x encoded as %x; expected action %s", v.ID, b, out, v.Expect.Action)
		}
	}
}

// RFC 8428, section 4.1 and 4.6: what base fields do to the records after them.
// The figures are ours, worked by hand.
func TestResolve(t *testing.T) {
	abs := 1.7e9
	for _, c := range []struct{ name, json, want string }{
		{"base name until changed", `[{"bn":"a/","n":"x","v":1},{"n":"y","v":2},{"bn":"b/","n":"x","v":3}]`, "a/x=1 a/y=2 b/x=3"},
		{"base name emptied", `[{"bn":"a/","n":"x","v":1},{"bn":"","n":"y","v":2}]`, "a/x=1 y=2"},
		{"base name alone is a name", `[{"bn":"tank","v":1}]`, "tank=1"},
		{"base value is added", `[{"n":"x","bv":20,"v":1.5},{"n":"y","v":-1}]`, "x=21.5 y=19"},
		{"base unit and own unit", `[{"bu":"Cel","n":"x","v":1},{"n":"y","u":"%RH","v":2}]`, "x=1Cel y=2%RH"},
		{"base sum is added", `[{"n":"x","bs":10,"s":5}]`, "x(sum 15)"},
		{"value and sum", `[{"n":"x","v":2,"s":5}]`, "x=2(sum 5)"},
		{"string, bool, data", `[{"n":"x","vs":"on"},{"n":"y","vb":true},{"n":"z","vd":"AQI"}]`, `x="on" y=true z=0102`},
		{"base value leaves other kinds alone", `[{"bv":3,"n":"x","vb":false}]`, "x=false"},
		{"unknown field skipped", `[{"n":"x","v":1,"later":{"deep":[1,{"v":2}]}}]`, "x=1"},
		{"version 10 twice, 5 is older", `[{"bver":10,"n":"x","v":1},{"bver":10,"n":"y","v":1}]`, "x=1 y=1"},
		{"empty pack", `[]`, ""},
	} {
		pack, err := ParseJSON([]byte(c.json))
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		rs, err := Resolve(pack, now)
		if got := text(rs); err != nil || got != c.want {
			t.Errorf("%s: %q (%v), want %q", c.name, got, err, c.want)
		}
	}
	for _, c := range []struct {
		name string
		rec  Record
		want time.Time
	}{
		{"no time is now", Record{}, now},
		{"relative, past", Record{Has: Time, Time: -60}, now.Add(-time.Minute)},
		{"relative, future", Record{Has: Time, Time: 2.5}, now.Add(2500 * time.Millisecond)},
		{"last relative", Record{Has: Time, Time: 1<<28 - 1}, now.Add((1<<28 - 1) * time.Second)},
		{"first absolute", Record{Has: Time, Time: 1 << 28}, time.Unix(1<<28, 0)},
		{"absolute", Record{Has: Time, Time: abs}, time.Unix(1.7e9, 0)},
		{"base and own time", Record{Has: Time | BaseTime, BaseTime: abs, Time: -5}, time.Unix(1.7e9-5, 0)},
		{"relative base time", Record{Has: Time | BaseTime, BaseTime: -100, Time: 40}, now.Add(-time.Minute)},
	} {
		r := c.rec
		r.Has |= Name | Value
		r.Name = "x"
		rs, err := Resolve([]Record{r}, now)
		if err != nil || len(rs) != 1 || !rs[0].Time.Equal(c.want) {
			t.Errorf("%s: %v (%v), want %v", c.name, rs, err, c.want)
		}
	}
}

func text(rs []Reading) string {
	var out []string
	for _, r := range rs {
		s := r.Name
		switch r.Kind {
		case Value:
			s += "=" + strconv.FormatFloat(r.Value, 'g', -1, 64)
		case StringValue:
			s += "=" + strconv.Quote(r.String)
		case BoolValue:
			s += "=" + strconv.FormatBool(r.Bool)
		case DataValue:
			s += "=" + hex.EncodeToString(r.Data)
		}
		s += r.Unit
		if r.HasSum {
			s += "(sum " + strconv.FormatFloat(r.Sum, 'g', -1, 64) + ")"
		}
		out = append(out, s)
	}
	return strings.Join(out, " ")
}

// What breaks a rule of RFC 8428, section 4, with the record and the field named.
func TestRejected(t *testing.T) {
	long := strings.Repeat("n", MaxName+1)
	for _, c := range []struct{ in, want string }{
		{`[{"n":"a","v":1},{"n":"b","v":"1"}]`, "senml: record 2, field v: a finite number is needed"},
		{`[{"n":1,"v":1}]`, "senml: record 1, field n: a string is needed"},
		{`[{"n":"a","vb":1}]`, "senml: record 1, field vb: true or false is needed"},
		{`[{"n":"a","vd":"AQI="}]`, "senml: record 1, field vd: base64url without padding is needed"},
		{`[{"n":"a","vd":3}]`, "senml: record 1, field vd: data is needed"},
		{`[{"n":"a","v":null}]`, "senml: record 1, field v: a finite number is needed"},
		{`[{"n":"a","v":[1]}]`, "senml: record 1, field v: a finite number is needed"},
		{`[{"n":"a","v":1e999}]`, "senml: record 1, field v: number out of range"},
		{`[{"n":"a","v":1,"v":2}]`, "senml: record 1, field v: stands twice"},
		{`[{"n":"a","v":1,"must_":2}]`, "senml: record 1, field must_: must be understood, and is not"},
		{`[{"n":"a","t":5}]`, "senml: record 1: neither a value nor a sum"},
		{`[{"bv":5,"n":"a"}]`, "senml: record 1: neither a value nor a sum"},
		{`[{"n":"a","v":1,"vb":true}]`, "senml: record 1: more than one value field"},
		{`[{"n":"-a","v":1}]`, `senml: record 1, field n: the resolved name "-a" does not start with a letter or digit`},
		{`[{"bn":"a","n":"é","v":1}]`, `senml: record 1, field n: the resolved name "aé" has a character that is none of A-Z a-z 0-9 - : . / _`},
		{`[{"n":"` + long + `","v":1}]`, "senml: record 1, field n: the resolved name has 256 octets, at most 255 are allowed"},
		{`[{"n":"a","v":1,"u":"` + strings.Repeat("u", 33) + `"}]`, "senml: record 1, field u: unit of 33 octets, at most 32 are allowed"},
		{`[{"n":"a","bv":1e308,"v":1e308}]`, "senml: record 1, field v: not a finite number"},
		{`[{"n":"a","v":1,"t":1e300}]`, "senml: record 1, field t: time out of range"},
		{`[{"n":"a","v":1,"t":-253402300799}]`, "senml: record 1, field t: time out of range"},
		{`[{"n":"a","v":1,"ut":-1}]`, "senml: record 1, field ut: update time out of range"},
		{`[{"bver":0,"n":"a","v":1}]`, "senml: record 1, field bver: version 0; up to 10 is understood"},
		{`[{"bver":1.5,"n":"a","v":1}]`, "senml: record 1, field bver: a small whole number is needed"},
		{`[{"bver":10,"n":"a","v":1},{"bver":9,"n":"a","v":1}]`, "senml: record 2, field bver: differs from that of an earlier record"},
		{`{"n":"a","v":1}`, `senml: "[" expected near octet 1: a pack is an array of objects`},
		{`[1]`, `senml: "{" expected near octet 2: a pack is an array of objects`},
		{`[] []`, "senml: text after the end of the pack"},
		{`[{"n":"a","v":1`, "senml: not valid JSON: "},
		{``, "senml: not valid JSON: EOF"},
		{"[{\"n\":\"\xff\",\"v\":1}]", "senml: the JSON text is not UTF-8"},
		{"[" + strings.Repeat(`{"n":"a","v":1},`, MaxRecords) + `{"n":"a","v":1}]`, "senml: more than 1024 records"},
	} {
		pack, err := ParseJSON([]byte(c.in))
		if err == nil {
			_, err = Resolve(pack, now)
		}
		if err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%.60s: error %v, want %q", c.in, err, c.want)
		}
	}
	for _, c := range []struct{ hex, want string }{
		{"", "senml: not an array"},
		{"a10001", "senml: not an array"},            // a map alone
		{"81a200616102", "senml: not an array"},      // cut short
		{"81a2006161026131", "record 1, field v"},    // v is a string
		{"81a20061610262783b", "record 1, field v"},  // v is a string
		{"81a2006161621f5f01", "record 1, field "},   // a text label that ends in "_"
		{"81a2006161006162", "senml: not an array"},  // n twice
		{"81a200616102f97e00", "record 1, field v"},  // NaN
		{"81a200616102f97c00", "record 1, field v"},  // infinity
		{"81a200616102c48219ffff01", "1, field v"},   // decimal fraction, exponent 65535
		{"81a200616108" + "6141", "record 1"},        // vd as text that is no base64url
		{"81a200616102c249ff0000000000000000", "v:"}, // a bignum
		{"8181818181818181818181818101", "senml: "},  // too deep
	} {
		b, err := hex.DecodeString(c.hex)
		if err != nil {
			t.Fatal(c.hex, err)
		}
		pack, err := ParseCBOR(b)
		if err == nil {
			_, err = Resolve(pack, now)
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", c.hex, err, c.want)
		}
		var re *RecordError
		if strings.HasPrefix(c.want, "record") && !errors.As(err, &re) {
			t.Errorf("%s: %T, want a *RecordError", c.hex, err)
		}
	}
}

// What another CBOR writer may send: 64-bit floats for whole numbers, indefinite
// lengths, decimal fractions, keys in any order (RFC 8949, sections 3.2.2, 3.4.4).
func TestCBORForms(t *testing.T) {
	for _, c := range []struct{ hex, want string }{
		{"81a2006161021a000f4240", "a=1e+06"},
		{"81a2020500616a", "j=5"},
		{"81a200616102fb4035000000000000", "a=21"},
		{"9fbf00616102f94d40ffff", "a=21"},
		{"81a200616102c48221190833", "a=20.99"},                               // 2099 * 10^-2
		{"81a200616102c4820315", "a=21000"},                                   // 21 * 10^3
		{"81a300616102150c01", "a=21"},                                        // an unknown label
		{"81a300616102156178f5", "a=21"},                                      // an unknown text label
		{"82a22161620201a2006163021863", "b=1 bc=99"},                         // base name
		{"81a2006161 08420102", "a=0102"},                                     // vd
		{"81a20061610363666f6f", `a="foo"`},                                   // vs
		{"d9d9f781a200616102f6", "field v"},                                   // self-described tag; null value
		{"81a2006161a0f5", "senml: "},                                         // a map as label
		{"81a241006161020a", "record 1, field n: the resolved name is empty"}, // a byte string is no label
	} {
		b, err := hex.DecodeString(strings.ReplaceAll(c.hex, " ", ""))
		if err != nil {
			t.Fatal(c.hex, err)
		}
		pack, err := ParseCBOR(b)
		var rs []Reading
		if err == nil {
			rs, err = Resolve(pack, now)
		}
		got := text(rs)
		if err != nil {
			got = err.Error()
		}
		if !strings.Contains(got, c.want) {
			t.Errorf("%s: %s, want %s", c.hex, got, c.want)
		}
	}
}

// The CBOR that we write is what an independent reader of the same bytes sees:
// RFC 8428, section 6, integer labels.
func TestCBORLabels(t *testing.T) {
	b, err := AppendCBOR([]byte("x"), []Record{{
		Has:      BaseName | BaseTime | BaseUnit | BaseVersion | BaseValue | BaseSum | Name | Unit | Value | Sum | Time | UpdateTime,
		BaseName: "b/", BaseTime: 1.7e9, BaseUnit: "Cel", BaseVersion: 10, BaseValue: 1, BaseSum: 2,
		Name: "t", Unit: "K", Value: 21.5, Sum: 3, Time: -1, UpdateTime: 60,
	}, {Has: Name | DataValue, Name: "d"}})
	if err != nil || b[0] != 'x' {
		t.Fatal(b, err)
	}
	var got []map[int]any
	if err := cbor.Unmarshal(b[1:], &got); err != nil {
		t.Fatal(err)
	}
	want := []map[int]any{{
		-2: "b/", -3: uint64(1.7e9), -4: "Cel", -1: uint64(10), -5: uint64(1), -6: uint64(2),
		0: "t", 1: "K", 2: 21.5, 5: uint64(3), 6: int64(-1), 7: uint64(60),
	}, {0: "d", 8: []byte{}}}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
}

func TestAppendJSON(t *testing.T) {
	got, err := AppendJSON(nil, []Record{
		Number("temp", "Cel", 21.25),
		Number("tiny", "", 1e-9),
		{Has: Name | StringValue, Name: "s", String: "<a> & \"b\"\n"},
		{Has: Name | DataValue, Name: "d", Data: []byte{1, 2, 255}},
		{Has: Name | BoolValue | Time, Name: "b", Bool: true, Time: 1.7e9},
	})
	want := `[{"n":"temp","u":"Cel","v":21.25},{"n":"tiny","v":1e-09},{"n":"s","vs":"<a> & \"b\"\n"},` +
		`{"n":"d","vd":"AQL_"},{"n":"b","vb":true,"t":1700000000}]`
	if err != nil || string(got) != want {
		t.Errorf("got  %s (%v)\nwant %s", got, err, want)
	}
	if _, err := AppendJSON(nil, []Record{Number("a", "", posInf())}); err == nil {
		t.Error("infinity written as JSON")
	}
}

func posInf() float64 { one, zero := 1.0, 0.0; return one / zero }

// A reading turned into a record and resolved again is the same reading.
func TestReadingRecord(t *testing.T) {
	in := []Reading{
		{Name: "a", Unit: "Cel", Kind: Value, Value: 21.5, Time: now.Add(123456 * time.Microsecond), Update: time.Minute, Absolute: true},
		{Name: "b", Kind: StringValue, String: "on", Sum: 3, HasSum: true, Time: now, Absolute: true},
	}
	for _, r := range in {
		for name, rt := range map[string]func([]Record) ([]Record, error){"JSON": throughJSON, "CBOR": throughCBOR} {
			pack, err := rt([]Record{r.Record()})
			if err != nil {
				t.Fatal(err)
			}
			out, err := Resolve(pack, now.Add(time.Hour))
			if err != nil || len(out) != 1 {
				t.Fatal(out, err)
			}
			if d := out[0].Time.Sub(r.Time).Abs(); d > time.Microsecond {
				t.Errorf("%s: time off by %v", name, d)
			}
			out[0].Time = r.Time
			if !reflect.DeepEqual(out[0], r) {
				t.Errorf("%s: got %+v, want %+v", name, out[0], r)
			}
		}
	}
}

func throughJSON(p []Record) ([]Record, error) {
	b, err := AppendJSON(nil, p)
	if err != nil {
		return nil, err
	}
	return ParseJSON(b)
}

func throughCBOR(p []Record) ([]Record, error) {
	b, err := AppendCBOR(nil, p)
	if err != nil {
		return nil, err
	}
	return ParseCBOR(b)
}

// Every cut of a good pack is refused or is a shorter good pack; nothing panics.
func TestTruncations(t *testing.T) {
	pack := []Record{Number("temp", "Cel", 21.25), {Has: Name | DataValue, Name: "d", Data: []byte{1, 2, 3}}}
	j, _ := AppendJSON(nil, pack)
	c, _ := AppendCBOR(nil, pack)
	for i := range j {
		if _, err := ParseJSON(j[:i]); err == nil {
			t.Errorf("JSON cut at %d accepted", i)
		}
	}
	for i := range c {
		if _, err := ParseCBOR(c[:i]); err == nil {
			t.Errorf("CBOR cut at %d accepted", i)
		}
	}
}

// What parses and resolves must, written in either form, come back the same.
func fuzzPack(t *testing.T, pack []Record, err error) {
	if err != nil {
		return
	}
	rs, err := Resolve(pack, now)
	if err != nil {
		return
	}
	for name, rt := range map[string]func([]Record) ([]Record, error){"JSON": throughJSON, "CBOR": throughCBOR} {
		back, err := rt(pack)
		if err != nil {
			t.Fatalf("%s: %v\nof %+v", name, err, pack)
		}
		again, err := Resolve(back, now)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for i := range rs { // an empty vd may come back as nil
			if len(rs[i].Data) == 0 {
				rs[i].Data = nil
			}
			if len(again[i].Data) == 0 {
				again[i].Data = nil
			}
		}
		if !reflect.DeepEqual(rs, again) {
			t.Fatalf("%s: %+v\nbecame %+v", name, rs, again)
		}
	}
}

func FuzzJSON(f *testing.F) {
	for _, v := range bridgetest.Vectors(f, "senml") {
		var s string
		if json.Unmarshal(v.Fields["json"], &s) == nil {
			f.Add([]byte(s))
		}
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		pack, err := ParseJSON(b)
		fuzzPack(t, pack, err)
	})
}

func FuzzCBOR(f *testing.F) {
	for _, v := range bridgetest.Vectors(f, "senml", "cbor") {
		var s string
		if json.Unmarshal(v.Fields["cbor_hex"], &s) == nil {
			b, _ := hex.DecodeString(s)
			f.Add(b)
		}
	}
	f.Add([]byte{0x81, 0xa2, 0x00, 0x61, 0x61, 0x02, 0xc4, 0x82, 0x21, 0x19, 0x08, 0x33})
	f.Fuzz(func(t *testing.T, b []byte) {
		pack, err := ParseCBOR(b)
		fuzzPack(t, pack, err)
	})
}

func BenchmarkParseCBOR(b *testing.B) {
	c, _ := AppendCBOR(nil, []Record{Number("temp", "Cel", 21.25), Number("hum", "%RH", 55), Number("batt", "V", 3.1)})
	b.ReportAllocs()
	for b.Loop() {
		p, err := ParseCBOR(c)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := Resolve(p, now); err != nil {
			b.Fatal(err)
		}
	}
}

// Which times are the sender's own: 2^28 is the first that is absolute (RFC 8428,
// section 4.5.3), base time and time together.
func TestAbsolute(t *testing.T) {
	for text, want := range map[string]bool{
		`[{"n":"a","v":1}]`:                          false,
		`[{"n":"a","v":1,"t":268435455}]`:            false,
		`[{"n":"a","v":1,"t":268435456}]`:            true,
		`[{"bt":268435455,"n":"a","v":1,"t":1}]`:     true,
		`[{"bt":1795600800,"n":"a","v":1,"t":-600}]`: true,
		`[{"n":"a","v":1,"t":-600}]`:                 false,
	} {
		pack, err := ParseJSON([]byte(text))
		if err != nil {
			t.Fatal(err)
		}
		rs, err := Resolve(pack, now)
		if err != nil || rs[0].Absolute != want {
			t.Errorf("%s: %v, want %v (%v)", text, rs, want, err)
		}
	}
}
