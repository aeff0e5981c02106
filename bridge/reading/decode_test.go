package reading

import (
	"encoding/hex"
	"errors"
	"math"
	"net"
	"net/netip"
	"reflect"
	"testing"
	"time"

	"culvert/bridge/node"
	"culvert/bridge/senml"
)

// decoderCases have octets that Python's struct module packed (the format strings
// stand beside them), and the figures that went in.
var decoderCases = []struct {
	name    string
	decoder Decoder
	in      string
	want    map[string]any
	err     error
}{
	{"whole numbers", Decoder{Fields: []DecodeField{ // >hHbB, 2156, 65535, -5, 200
		{Name: "temp", Unit: "Cel", Type: FieldInt, Octets: 2, Scale: 0.01},
		{Name: "count", Type: FieldUint, At: 2, Octets: 2},
		{Name: "dbm", Type: FieldInt, At: 4, Octets: 1},
		{Name: "batt", Unit: "V", Type: FieldUint, At: 5, Octets: 1, Scale: 0.01, Offset: 1},
	}}, "086cfffffbc8", map[string]any{"temp": 21.56, "count": 65535.0, "dbm": -5.0, "batt": 3.0}, nil},
	{"little, and none", Decoder{Fields: []DecodeField{ // <hIq, -32768, 4000000000, -9007199254740991
		{Name: "temp", Type: FieldInt, Octets: 2, Little: true, HasNone: true, None: 0x8000},
		{Name: "count", Type: FieldUint, At: 2, Octets: 4, Little: true, Scale: 2},
		{Name: "far", Type: FieldInt, At: 6, Octets: 8, Little: true},
	}}, "0080" + "00286bee" + "010000000000e0ff", map[string]any{"count": 8e9, "far": -9007199254740991.0}, nil},
	{"floats and the widest", Decoder{Fields: []DecodeField{ // >fdQi, -0.15625, 1e-3, 2**64-1, -2147483648
		{Name: "a", Type: FieldFloat, Octets: 4},
		{Name: "b", Type: FieldFloat, At: 4, Octets: 8},
		{Name: "c", Type: FieldUint, At: 12, Octets: 8},
		{Name: "d", Type: FieldInt, At: 20, Octets: 4},
	}}, "be200000" + "3f50624dd2f1a9fc" + "ffffffffffffffff" + "80000000",
		map[string]any{"a": -0.15625, "b": 0.001, "c": 18446744073709551615.0, "d": -2147483648.0}, nil},
	{"not a number is no reading", Decoder{Fields: []DecodeField{ // <fd, nan, 6.02e23
		{Name: "a", Type: FieldFloat, Octets: 4, Little: true},
		{Name: "b", Type: FieldFloat, At: 4, Octets: 8, Little: true},
	}}, "0000c07f" + "61d3a8109fdedf44", map[string]any{"b": 6.02e23}, nil},
	{"bits, skipped octets", Decoder{Fields: []DecodeField{ // >BhB?, 0b10110101, -1234, 0, True
		{Name: "door", Type: FieldBool, Octets: 1, Bits: 1},
		{Name: "hatch", Type: FieldBool, Octets: 1, Bit: 1, Bits: 1},
		{Name: "mode", Type: FieldUint, Octets: 1, Bit: 4, Bits: 4},
		{Type: FieldSkip, At: 1, Octets: 2},
		{Name: "off", Type: FieldBool, At: 3, Octets: 1},
		{Name: "on", Type: FieldBool, At: 4, Octets: 1},
	}}, "b5fb2e0001", map[string]any{"door": true, "hatch": false, "mode": 11.0, "off": false, "on": true}, nil},
	{"short", pair(0, false), "0102", nil, errShort},
	{"cut", pair(2, false), "010203", nil, errCut},
	{"the first only", pair(2, false), "0102", map[string]any{"a": 258.0}, nil},
	{"long", pair(0, false), "0102030405", nil, errLong},
	{"longer", pair(0, true), "0102030405", map[string]any{"a": 258.0, "b": 772.0}, nil},
	{"empty", pair(0, true), "", nil, errShort},
}

// pair is two numbers of two octets.
func pair(least int, longer bool) Decoder {
	return Decoder{Least: least, Longer: longer, Fields: []DecodeField{
		{Name: "a", Type: FieldUint, Octets: 2}, {Name: "b", Type: FieldUint, At: 2, Octets: 2}}}
}

func TestDecode(t *testing.T) {
	now := time.Unix(1795600800, 0)
	for _, c := range decoderCases {
		t.Run(c.name, func(t *testing.T) {
			b, err := hex.DecodeString(c.in)
			if err != nil {
				t.Fatal(err)
			}
			rs, err := c.decoder.Append(nil, b, now)
			if !errors.Is(err, c.err) {
				t.Fatalf("error %v, want %v", err, c.err)
			}
			var got map[string]any
			for _, r := range rs {
				if got == nil {
					got = map[string]any{}
				}
				switch {
				case r.Kind == senml.BoolValue:
					got[r.Name] = r.Bool
				default:
					got[r.Name] = r.Value
				}
				if !r.Time.Equal(now) {
					t.Errorf("%s at %v", r.Name, r.Time)
				}
			}
			if !reflect.DeepEqual(got, c.want) {
				t.Errorf("%v, want %v", got, c.want)
			}
			room := make([]senml.Reading, 0, 16)
			if n := testing.AllocsPerRun(20, func() { _, _ = c.decoder.Append(room, b, now) }); n != 0 {
				t.Errorf("%v allocations", n)
			}
		})
	}
}

// Whatever comes: no panic, finite numbers, at most a reading a field, and the octets
// are read alone.
func FuzzDecode(f *testing.F) {
	for i, c := range decoderCases {
		b, _ := hex.DecodeString(c.in)
		f.Add(uint8(i), b)
	}
	now := time.Unix(1795600800, 0)
	f.Fuzz(func(t *testing.T, which uint8, b []byte) {
		d := &decoderCases[int(which)%len(decoderCases)].decoder
		rs, err := d.Append(nil, b, now)
		if err != nil && len(rs) > 0 || len(rs) > len(d.Fields) {
			t.Errorf("%d readings, %v", len(rs), err)
		}
		if err == nil && !d.Longer && len(b) > d.Octets() {
			t.Errorf("%d octets taken", len(b))
		}
		for _, r := range rs {
			if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
				t.Errorf("%s: %v", r.Name, r.Value)
			}
		}
	})
}

// The door: who sends decides which decoder reads; what is not read is counted.
func TestDecodeDoor(t *testing.T) {
	at := netip.MustParseAddrPort("[::1]:0")
	mast, rest := pair(0, false), pair(0, false)
	mast.Mesh, mast.At, mast.Nodes = "fenland", at, []string{"mast"}
	rest.Mesh, rest.At, rest.Nodes = "fenland", at, []string{"grain-bin"}
	rest.Fields[0].Name = "temp"
	store, tg := newSite(t)
	r, err := Listen([]Decoder{mast, rest}, node.Meshes{tg.Mesh}, store, store.log)
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- r.Run() }()
	t.Cleanup(func() {
		r.Close()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	if len(r.ports) != 1 || len(r.ports[0].decoders) != 2 {
		t.Fatalf("%d doors", len(r.ports))
	}
	d := &port{store: store, log: store.log, limit: &r.limit, conn: r.ports[0].conn, mesh: tg.Mesh, decoders: r.ports[0].decoders}
	now := time.Now()
	from := tg.Address()
	for _, c := range []struct {
		from netip.Addr
		in   string
		want result
	}{
		{from, "01020304", taken},
		{from, "010203", wrongLength},
		{from, "0102030405", wrongLength},
		{netip.MustParseAddr("2001:db8::5"), "01020304", stranger},
	} {
		b, _ := hex.DecodeString(c.in)
		if _, got := d.take(nil, b, c.from, now); got != c.want {
			t.Errorf("%v %s: %s, want %s", c.from, c.in, resultWords[got], resultWords[c.want])
		}
	}
	if rs := store.Of(tg.Node, "temp", 1); len(rs) != 1 || rs[0].Value != 258 {
		t.Errorf("%+v", rs)
	}
	d.decoders = d.decoders[:1]
	if _, got := d.take(nil, []byte{1, 2, 3, 4}, from, now); got != noDecoder {
		t.Errorf("%s", resultWords[got])
	}
	c, err := net.DialUDP("udp6", nil, d.conn.LocalAddr().(*net.UDPAddr))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(10 * time.Second); ; <-tick.C {
		if _, err := c.Write([]byte{1}); err != nil {
			t.Fatal(err)
		}
		got := map[string]uint64{}
		for _, x := range r.Stats() {
			got[x.Result] = x.Count
		}
		if len(got) != int(results) {
			t.Fatalf("%v", got)
		}
		if got["stranger"] > 0 {
			return
		}
		if time.Now().After(end) {
			t.Fatal("a stranger's datagram is not counted")
		}
	}
}
