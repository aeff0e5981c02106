package radio

import (
	"bytes"
	"encoding/hex"
	"hash/crc32"
	"math/rand/v2"
	"testing"

	"culvert/bridge/bridgetest"
)

// split feeds in through a new Splitter and returns the bodies, in memory of their
// own, and the counts.
func split(in []byte) (bodies [][]byte, stats LineStats) {
	var s Splitter
	for len(in) > 0 {
		body, n := s.Feed(in)
		in = in[n:]
		if body != nil {
			bodies = append(bodies, bytes.Clone(body))
		}
	}
	return bodies, s.Stats()
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The vectors of RFC 1662, appendix C, give the 32-bit FCS of each body, and the
// wire form of the 16-bit one; the negative ones hold for either.
func TestHDLCVectors(t *testing.T) {
	for _, v := range bridgetest.Vectors(t, "hdlc") {
		t.Run(v.ID, func(t *testing.T) {
			if v.Expect.Action == "drop" {
				if bodies, _ := split(v.Hex(t, "wire")); len(bodies) != 0 {
					t.Errorf("gave %x, want nothing: %s", bodies, v.Expect.Reason)
				}
				return
			}
			body, want := v.Hex(t, "body_hex"), v.Hex(t, "fcs32")
			wire := AppendFramed(nil, body)
			// The vector writes the FCS as a number; least significant octet first on
			// the line.
			var plain []byte
			for i := 1; i < len(wire)-1; i++ {
				c := wire[i]
				if c == escape {
					i++
					c = wire[i] ^ flip
				}
				plain = append(plain, c)
			}
			n := len(plain) - fcsSize
			if !bytes.Equal(plain[:n], body) {
				t.Errorf("body on the line %x, want %x", plain[:n], body)
			}
			got := []byte{plain[n+3], plain[n+2], plain[n+1], plain[n]}
			if !bytes.Equal(got, want) {
				t.Errorf("FCS %x, want %x", got, want)
			}
			// Appendix C.3: the register over body and FCS gives the good value.
			if good := v.Hex(t, "good_fcs32"); !bytes.Equal(goodFCS(plain), good) {
				t.Errorf("register %x, want %x", goodFCS(plain), good)
			}
			if len(body) < minFrame-fcsSize {
				return // shorter than any record
			}
			if bodies, _ := split(wire); len(bodies) != 1 || !bytes.Equal(bodies[0], body) {
				t.Errorf("came back as %x", bodies)
			}
		})
	}
}

// goodFCS returns the register of RFC 1662, appendix C.3, after b: what the
// library's checksum is before its complement.
func goodFCS(b []byte) []byte {
	r := ^crc32.ChecksumIEEE(b)
	return []byte{byte(r >> 24), byte(r >> 16), byte(r >> 8), byte(r)}
}

// The stuffing of the vectors with the 16-bit FCS, whose map of escaped control
// characters is all of them: each octet that we must escape is so there.
func TestEveryEscapeIsUnderstood(t *testing.T) {
	var body []byte
	for i := range 256 {
		body = append(body, byte(i))
	}
	crc := crc32.ChecksumIEEE(body)
	plain := append(bytes.Clone(body), byte(crc), byte(crc>>8), byte(crc>>16), byte(crc>>24))
	wire := []byte{frameFlag}
	for _, c := range plain { // each octet escaped, which a sender may do (RFC 1662, 4.2)
		if c^flip == frameFlag {
			wire = append(wire, c) // 0x5e cannot be: its escape would be an abort
			continue
		}
		wire = append(wire, escape, c^flip)
	}
	wire = append(wire, frameFlag)
	if bodies, s := split(wire); len(bodies) != 1 || !bytes.Equal(bodies[0], body) {
		t.Errorf("came back as %x, %+v", bodies, s)
	}
}

func TestSpecialOctets(t *testing.T) {
	for i := range 256 {
		c := byte(i)
		if want := c == frameFlag || c == escape || c == xon || c == xoff; special(c) != want {
			t.Errorf("special(%#x) = %v", c, !want)
		}
	}
}

// The check sequences are those of Python's zlib.crc32, whose CRC RFC 1662's 32-bit
// FCS is; escapes put in by hand.
func TestWireForm(t *testing.T) {
	for _, c := range []struct{ name, body, wire string }{
		{"an escape in the FCS", "820109", "7e820109199f377d5d7e"},
		{"all that must be escaped", "7e7d1113", "7e7d5e7d5d7d317d337d5e91ea217e"},
		{"two escapes in the FCS", "820b0504", "7e820b05047d317d5e5b107e"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := AppendFramed(nil, unhex(t, c.body)); !bytes.Equal(got, unhex(t, c.wire)) {
				t.Errorf("%x on the line, want %s", got, c.wire)
			}
			if bodies, _ := split(unhex(t, c.wire)); !same(bodies, []string{string(unhex(t, c.body))}) {
				t.Errorf("%s came back as %x", c.wire, bodies)
			}
		})
	}
}

func TestSplitter(t *testing.T) {
	good := func(s string) []byte { return AppendFramed(nil, []byte(s)) }
	join := func(b ...[]byte) []byte { return bytes.Join(b, nil) }
	inner := func(s string) []byte { w := good(s); return w[1 : len(w)-1] } // without flags
	bad := good("broken")
	bad[3] ^= 0x40
	long := bytes.Repeat([]byte{'x'}, MaxRecord-fcsSize)
	for _, c := range []struct {
		name string
		in   []byte
		want []string
		s    LineStats
	}{
		{"idle flags", join([]byte{frameFlag, frameFlag, frameFlag}, good("one"), []byte{frameFlag, frameFlag}, good("two")), []string{"one", "two"}, LineStats{Frames: 2}},
		{"one flag between frames", join([]byte{frameFlag}, inner("one"), []byte{frameFlag}, inner("two"), []byte{frameFlag}), []string{"one", "two"}, LineStats{Frames: 2}},
		{"no flag before the first frame", join(inner("one"), []byte{frameFlag}), []string{"one"}, LineStats{Frames: 1}},
		{"bad FCS", join(bad, good("one")), []string{"one"}, LineStats{Frames: 1, BadFCS: 1, Garbage: uint64(len(bad) - 2)}},
		{"abort", join([]byte{frameFlag, '1', '2', '3', '4', '5', '6', '7', escape, frameFlag}, good("one")), []string{"one"}, LineStats{Frames: 1, Aborted: 1, Garbage: 8}},
		{"abort of nothing", join([]byte{frameFlag, escape, frameFlag}, good("one")), []string{"one"}, LineStats{Frames: 1, Aborted: 1, Garbage: 1}},
		{"five octets", join([]byte{frameFlag, 1, 2, 3, 4, 5, frameFlag}, good("one")), []string{"one"}, LineStats{Frames: 1, Short: 1, Garbage: 5}},
		{"flow control put in by the line", bytes.ReplaceAll(good("one"), []byte("n"), []byte{'n', xoff, xon}), []string{"one"}, LineStats{Frames: 1}},
		{"garbage, then a frame with its own flag", join([]byte("boot: rom 1.2\r\n"), good("one")), []string{"one"}, LineStats{Frames: 1, BadFCS: 1, Garbage: 15}},
		{"longest", good(string(long)), []string{string(long)}, LineStats{Frames: 1}},
		{"one too long", join(good(string(long)+"x"), good("one")), []string{"one"}, LineStats{Frames: 1, TooLong: 1, Garbage: MaxRecord + 1}},
		{"escape runs into the next frame", join([]byte{frameFlag, 'a', 'b', 'c', 'd', 'e', 'f', escape}, good("one")), []string{"one"}, LineStats{Frames: 1, Aborted: 1, Garbage: 7}},
	} {
		t.Run(c.name, func(t *testing.T) {
			bodies, stats := split(c.in)
			if !same(bodies, c.want) {
				t.Errorf("bodies %q, want %q", bodies, c.want)
			}
			if stats != c.s {
				t.Errorf("counts %+v, want %+v", stats, c.s)
			}
			// The same in pieces of every size up to 9.
			for size := 1; size < 10; size++ {
				var s Splitter
				var got [][]byte
				for in := c.in; len(in) > 0; {
					body, n := s.Feed(in[:min(size, len(in))])
					in = in[n:]
					if body != nil {
						got = append(got, bytes.Clone(body))
					}
				}
				if !same(got, c.want) || s.Stats() != c.s {
					t.Errorf("in pieces of %d: %q, %+v", size, got, s.Stats())
				}
			}
		})
	}
}

func same(got [][]byte, want []string) bool {
	if len(got) != len(want) {
		return false
	}
	for i, b := range got {
		if string(b) != want[i] {
			return false
		}
	}
	return true
}

// A frame cut short at any octet is lost alone: the next one is understood.
func TestSplitterTruncation(t *testing.T) {
	wire := AppendFramed(nil, []byte("a record of some length \x7e\x7d"))
	for n := range wire {
		in := append(bytes.Clone(wire[:n]), AppendFramed(nil, []byte("next"))...)
		bodies, s := split(in)
		want := []string{"next"}
		if n == len(wire)-1 { // only its closing flag is missing
			want = []string{"a record of some length \x7e\x7d", "next"}
		}
		if !same(bodies, want) {
			t.Errorf("after %d octets: %q, %+v", n, bodies, s)
		}
	}
}

func TestNoiseThenGoodFrame(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1662, 4))
	for name, noise := range map[string]func() byte{
		"any octets":       func() byte { return byte(rnd.Uint32()) },
		"flags and escape": func() byte { return []byte{frameFlag, escape, xon, 'x'}[rnd.IntN(4)] },
		"no flag":          func() byte { return byte(rnd.IntN(frameFlag)) },
	} {
		t.Run(name, func(t *testing.T) {
			in := make([]byte, 1<<20)
			for i := range in {
				in[i] = noise()
			}
			in = append(in, AppendFramed(nil, []byte("good"))...)
			bodies, s := split(in)
			if !same(bodies, []string{"good"}) {
				t.Errorf("%d bodies, want the good one: %+v", len(bodies), s)
			}
			if s.Garbage < 1<<18 {
				t.Errorf("counts %+v", s)
			}
		})
	}
}
