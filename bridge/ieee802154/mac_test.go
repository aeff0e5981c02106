package ieee802154

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"os"
	"testing"
)

// Source: frames that Linux 6.1's IEEE 802.15.4 stack sent, taken from its
// simulated radio; see testdata/README.md.
func TestHeaderOfKernelFrames(t *testing.T) {
	raw, err := os.ReadFile("../../testdata/kernel/vectors.json")
	if err != nil {
		t.Fatal(err)
	}
	var vectors []struct {
		Name, PAN string
		Src       string   `json:"mac_src"`
		Dst       string   `json:"mac_dst"`
		Payloads  []string `json:"lowpan_hex"`
		Frames    []string `json:"mac_frames_hex"`
	}
	if err := json.Unmarshal(raw, &vectors); err != nil {
		t.Fatal(err)
	}
	frames := 0
	for _, v := range vectors {
		for i, f := range v.Frames {
			frames++
			b := mustHex(t, f)
			h, payload, err := ParseHeader(b)
			if err != nil {
				t.Errorf("%s: %v", v.Name, err)
				continue
			}
			if h.Type != TypeData || h.From != MustParseAddr(v.Src) || h.To != MustParseAddr(v.Dst) {
				t.Errorf("%s: type %d from %s to %s, want data from %s to %s", v.Name, h.Type, h.From, h.To, v.Src, v.Dst)
			}
			if hex.EncodeToString(payload) != v.Payloads[i] {
				t.Errorf("%s: payload %x, want %s", v.Name, payload, v.Payloads[i])
			}
			if got := append(h.AppendTo(nil), payload...); !bytes.Equal(got, b) {
				t.Errorf("%s: written again %x, want %x", v.Name, got, b)
			}
			if got := HeaderLen(h.To, h.From); got != len(b)-len(payload) {
				t.Errorf("%s: HeaderLen %d, want %d", v.Name, got, len(b)-len(payload))
			}
		}
	}
	if frames < 600 {
		t.Fatalf("only %d frames", frames)
	}
}

// Source: IEEE Std 802.15.4-2015, 7.2.2 and table 7-2 (from memory); 2006
// edition, 7.2.1.1 (from memory).
func TestParseHeader(t *testing.T) {
	short, other := Short(0x1234), Short(0x5678)
	eui, eui2 := MustParseAddr("00:00:5e:ef:10:00:00:05"), MustParseAddr("00:00:5e:ef:10:00:00:01")
	for _, c := range []struct {
		name string
		hex  string
		want Header
		rest string
		err  error
	}{
		{"2003, two PAN ids", "018801cdab3412beef7856aa", Header{Type: TypeData, Sequence: 1, PAN: 0xabcd, SourcePAN: 0xefbe, To: short, From: other}, "aa", nil},
		{"2003, compressed", "418801cdab34127856aa", Header{Type: TypeData, Sequence: 1, PAN: 0xabcd, SourcePAN: 0xabcd, To: short, From: other}, "aa", nil},
		{"pending and acknowledgement", "719801cdab34127856", Header{Type: TypeData, Version: Version2006, Pending: true, AckRequest: true, Sequence: 1, PAN: 0xabcd, SourcePAN: 0xabcd, To: short, From: other}, "", nil},
		{"secured", "498801cdab341278560d", Header{Type: TypeData, Security: true, Sequence: 1, PAN: 0xabcd, SourcePAN: 0xabcd, To: short, From: other}, "0d", nil},
		{"acknowledgement", "020007", Header{Type: TypeAck, Sequence: 7}, "", nil},
		{"beacon: source only", "008007cdab3412ff", Header{Type: TypeBeacon, Sequence: 7, PAN: 0xabcd, SourcePAN: 0xabcd, From: short}, "ff", nil},
		{"2015, short to short, compressed", "41a801cdab34127856aa", Header{Type: TypeData, Version: Version2015, Sequence: 1, PAN: 0xabcd, SourcePAN: 0xabcd, To: short, From: other}, "aa", nil},
		{"2015, extended both, not compressed: one PAN id", "01ec01cdab05000010ef5e000001000010ef5e0000aa", Header{Type: TypeData, Version: Version2015, Sequence: 1, PAN: 0xabcd, SourcePAN: 0xabcd, To: eui, From: eui2}, "aa", nil},
		{"2015, extended both, compressed: none", "41ec0105000010ef5e000001000010ef5e0000aa", Header{Type: TypeData, Version: Version2015, Sequence: 1, To: eui, From: eui2}, "aa", nil},
		{"2015, no sequence number", "41a9cdab34127856aa", Header{Type: TypeData, Version: Version2015, PAN: 0xabcd, SourcePAN: 0xabcd, To: short, From: other}, "aa", nil},
		{"2015, header elements end at data", "41aa01cdab34127856803faa", Header{Type: TypeData, Version: Version2015, Sequence: 1, PAN: 0xabcd, SourcePAN: 0xabcd, To: short, From: other}, "aa", nil},
		{"2015, payload elements", "41aa01cdab34127856003f0288010200f8aa", Header{Type: TypeData, Version: Version2015, Sequence: 1, PAN: 0xabcd, SourcePAN: 0xabcd, To: short, From: other}, "aa", nil},
		{"2015, an element that ends past the frame", "41aa01cdab34127856003f058801", Header{}, "", ErrCut},
		{"reserved version", "01b801cdab34127856", Header{}, "", ErrVersion},
		{"reserved address mode", "018401cdab34127856", Header{}, "", ErrAddrMode},
		{"empty", "", Header{}, "", ErrCut},
	} {
		h, rest, err := ParseHeader(mustHex(t, c.hex))
		if !errors.Is(err, c.err) {
			t.Errorf("%s: error %v, want %v", c.name, err, c.err)
			continue
		}
		if err == nil && (h != c.want || hex.EncodeToString(rest) != c.rest) {
			t.Errorf("%s:\n got %+v %x\nwant %+v %s", c.name, h, rest, c.want, c.rest)
		}
	}
}

// A frame cut anywhere within its header is refused, never misread.
func TestParseHeaderCut(t *testing.T) {
	for _, s := range []string{"018801cdab3412beef7856", "01ec01cdab05000010ef5e000001000010ef5e0000"} {
		b := mustHex(t, s)
		for n := range b {
			if _, _, err := ParseHeader(b[:n]); !errors.Is(err, ErrCut) {
				t.Errorf("%s cut to %d octets: error %v, want %v", s, n, err, ErrCut)
			}
		}
	}
}

func FuzzParseHeader(f *testing.F) {
	f.Add([]byte{0x41, 0x88, 1, 0xcd, 0xab, 0x34, 0x12, 0x78, 0x56, 0xaa})
	f.Fuzz(func(t *testing.T, b []byte) {
		h, payload, err := ParseHeader(b)
		if err != nil {
			return
		}
		if len(payload) > len(b) {
			t.Fatal("the payload is longer than the frame")
		}
		if h.Type != TypeData || h.Version == Version2015 || h.Security || h.PAN != h.SourcePAN || h.To.IsNone() || h.From.IsNone() {
			return
		}
		again, rest, err := ParseHeader(append(h.AppendTo(nil), payload...))
		if err != nil || again != h || !bytes.Equal(rest, payload) {
			t.Fatalf("read again: %+v %x %v, want %+v %x", again, rest, err, h, payload)
		}
	})
}

func mustHex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
