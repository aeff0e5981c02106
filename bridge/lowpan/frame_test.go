package lowpan

import (
	"bytes"
	"testing"

	"culvert/bridge/ieee802154"
)

// Every first octet, by the patterns of RFC 4944, 5.1, RFC 6282, 2 and 5, RFC 8025,
// 3, and RFC 8931, 5. 0x7f is IPHC: ESC is 0x40 since RFC 6282.
func TestDispatch(t *testing.T) {
	match := func(o byte, pattern string) bool {
		for i, c := range pattern {
			if c != 'x' && byte(c-'0') != o>>(7-i)&1 {
				return false
			}
		}
		return true
	}
	patterns := []struct {
		pattern string
		kind    dispatch
	}{
		{"00xxxxxx", dispatchNALP},
		{"01000001", dispatchIPv6},
		{"01000010", dispatchHC1},
		{"01010000", dispatchBC0},
		{"011xxxxx", dispatchIPHC},
		{"10xxxxxx", dispatchMesh},
		{"11000xxx", dispatchFRAG1},
		{"11100xxx", dispatchFRAGN},
		{"1110100x", dispatchRFRAG},
		{"1110101x", dispatchRFRAG},
		{"1111xxxx", dispatchPage},
	}
	for o := range 256 {
		want := dispatchReserved
		for _, p := range patterns {
			if match(byte(o), p.pattern) {
				want = p.kind
			}
		}
		if got := dispatchOf(byte(o)); got != want {
			t.Errorf("%#02x is %d, want %d", o, got, want)
		}
	}
}

func TestParseFrame(t *testing.T) {
	eui, short := ieee802154.Extended(0x02005eef1000000b), ieee802154.Short(0xbeef)
	for _, c := range []struct {
		name, frame string
		want        Frame
		payload     string
	}{
		{"nothing before the datagram (RFC 4944, 5.1)", "7a33 3b", Frame{}, "7a333b"},
		{"V=0 F=1 (5.2)", "91 02005eef1000000b beef 7a",
			Frame{Mesh: true, Originator: eui, Final: short, HopsLeft: 1}, "7a"},
		{"V=1 F=0, 14 hops", "ae beef 02005eef1000000b 7a",
			Frame{Mesh: true, Originator: short, Final: eui, HopsLeft: 14}, "7a"},
		{"deep hops", "bf c8 0001 beef 7a",
			Frame{Mesh: true, Originator: ieee802154.Short(1), Final: short, HopsLeft: 200}, "7a"},
		{"mesh, broadcast, first fragment (5, 11.1, 5.3)", "b5 beef ffff 50 2a c4ff 0102 7a33",
			Frame{Mesh: true, Originator: short, Final: ieee802154.Broadcast, HopsLeft: 5, Broadcast: true, Sequence: 42,
				Fragment: FirstFragment, Size: 1279, Tag: 0x0102}, "7a33"},
		{"next fragment", "e500 ffff 9f 00", Frame{Fragment: NextFragment, Size: 1280, Tag: 0xffff, Offset: 1272}, "00"},
	} {
		got, err := ParseFrame(unhex(t, c.frame))
		payload := got.Payload
		got.Payload = nil
		if err != nil || !bytes.Equal(payload, unhex(t, c.payload)) {
			t.Errorf("%s: %v, payload %x", c.name, err, payload)
		}
		if got.Mesh != c.want.Mesh || got.Originator != c.want.Originator || got.Final != c.want.Final ||
			got.HopsLeft != c.want.HopsLeft || got.Broadcast != c.want.Broadcast || got.Sequence != c.want.Sequence ||
			got.Fragment != c.want.Fragment || got.Size != c.want.Size || got.Tag != c.want.Tag || got.Offset != c.want.Offset {
			t.Errorf("%s: got %+v, want %+v", c.name, got, c.want)
		}
	}
}

// The fragment headers are read as they are written (RFC 4944, 5.3).
func TestFragmentHeaders(t *testing.T) {
	for _, size := range []uint16{40, 255, 256, 1280} {
		for _, tag := range []uint16{0, 1, 0xff00, 0xffff} {
			b := append(AppendFirstFragment([]byte{}, size, tag), 1)
			f, err := ParseFrame(b)
			if err != nil || f.Fragment != FirstFragment || f.Size != size || f.Tag != tag || len(b) != 5 {
				t.Errorf("%x: %+v %v", b, f, err)
			}
			for offset := 8; offset < int(size); offset += 152 {
				b := append(AppendNextFragment([]byte{}, size, tag, offset), 1)
				f, err := ParseFrame(b)
				if err != nil || f.Fragment != NextFragment || f.Size != size || f.Tag != tag || f.Offset != offset {
					t.Errorf("%x: %+v %v", b, f, err)
				}
			}
		}
	}
	// Worked by hand: 11000 00100101100 is FRAG1 with 300 octets.
	if got := AppendFirstFragment(nil, 300, 0x0102); !bytes.Equal(got, []byte{0xc1, 0x2c, 1, 2}) {
		t.Errorf("FRAG1: %x", got)
	}
	if got := AppendNextFragment(nil, 300, 0x0102, 96); !bytes.Equal(got, []byte{0xe1, 0x2c, 1, 2, 12}) {
		t.Errorf("FRAGN: %x", got)
	}
}
