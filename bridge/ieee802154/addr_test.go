package ieee802154

import (
	"encoding/json"
	"strings"
	"testing"
)

func TestParseAddr(t *testing.T) {
	eui := Extended(0x00005eef10000005)
	for s, want := range map[string]Addr{
		"":                        {},
		"12:34":                   Short(0x1234),
		"1234":                    Short(0x1234),
		"12-34":                   Short(0x1234),
		"ff:ff":                   Broadcast,
		"00:00:5e:ef:10:00:00:05": eui,
		"00-00-5E-EF-10-00-00-05": eui,
		"00005eef10000005":        eui,
	} {
		got, err := ParseAddr(s)
		if err != nil || got != want {
			t.Errorf("%q: %v, %v", s, got, err)
		}
	}
	for _, s := range []string{"1", "12", "123", "12:3", "1:234", "12:34:56", "12::34", ":12:34", "12:34:", "1234:", "xx:yy",
		"00:00:5e:ef:10:00:00", "00:00:5e:ef:10:00:00:05:06", "0x1234", "12 34", "1234567890123456789"} {
		got, err := ParseAddr(s)
		if err == nil {
			t.Errorf("%q: taken for %v", s, got)
		} else if !strings.Contains(err.Error(), s) || !strings.HasPrefix(err.Error(), "ieee802154: ") {
			t.Errorf("%q: the error does not say what was wrong: %v", s, err)
		}
	}
	defer func() {
		if recover() == nil {
			t.Error("MustParseAddr took nonsense")
		}
	}()
	MustParseAddr("nonsense")
}

// All forms of an address lead back to it.
func TestAddrForms(t *testing.T) {
	for _, a := range []Addr{{}, Short(0), Short(0x1234), Broadcast, Extended(0), Extended(0x00005eef10000005), Extended(^uint64(0))} {
		b := a.AppendTo([]byte{0xaa})
		if b[0] != 0xaa || len(b) != 1+a.Len() {
			t.Errorf("%v: %x", a, b)
		}
		if got, err := FromBytes(b[1:]); err != nil || got != a {
			t.Errorf("%v from its octets: %v, %v", a, got, err)
		}
		text, err := a.MarshalText()
		if err != nil {
			t.Fatal(err)
		}
		got := Short(7)
		if err := got.UnmarshalText(text); err != nil || got != a {
			t.Errorf("%v from %q: %v, %v", a, text, got, err)
		}
		if !a.IsNone() && string(text) != a.String() || a.IsNone() && len(text) != 0 {
			t.Errorf("%v: text %q", a, text)
		}
		if v, ok := a.Short(); ok != a.IsShort() || ok && Short(v) != a {
			t.Errorf("%v as 16 bits: %v %v", a, v, ok)
		}
		if v, ok := a.EUI64(); ok != a.IsExtended() || ok && Extended(v) != a {
			t.Errorf("%v as EUI-64: %v %v", a, v, ok)
		}
	}
	if Short(0) == Extended(0) || Short(0).IsNone() || !(Addr{}).IsNone() {
		t.Error("the kinds of addresses are mixed up")
	}
	for _, n := range []int{1, 3, 7, 9} {
		if _, err := FromBytes(make([]byte, n)); err == nil {
			t.Errorf("an address of %d octets", n)
		}
	}
	a := Short(1)
	if err := a.UnmarshalText([]byte("zz:zz")); err == nil || a != Short(1) {
		t.Errorf("%v, %v", a, err)
	}
	var m map[Addr]int // as a key in JSON
	if err := json.Unmarshal([]byte(`{"12:34":1}`), &m); err != nil || m[Short(0x1234)] != 1 {
		t.Errorf("%v, %v", m, err)
	}
}

// Which addresses can be one node's (RFC 4944, 12).
func TestIsNode(t *testing.T) {
	for a, want := range map[Addr]bool{
		{}: false, Short(0): true, Short(0x7fff): true, Short(0x8000): false, Short(0x9fff): false, Short(0xa000): true,
		Short(0xfffd): true, Short(ShortNone): false, Broadcast: false,
		Extended(0): false, Extended(1): true, Extended(^uint64(0)): false,
	} {
		if got := a.IsNode(); got != want {
			t.Errorf("%v: %v", a, got)
		}
	}
	if !Short(0xffff).IsBroadcast() || Short(0xfffe).IsBroadcast() || Extended(0xffff).IsBroadcast() {
		t.Error("broadcast is 0xffff of 16 bits alone")
	}
}
