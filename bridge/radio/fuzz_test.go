package radio

import (
	"bytes"
	"testing"

	"github.com/fxamacker/cbor/v2"
)

// FuzzRecord: reading never panics; what is read can be written and read again as
// the same; what another implementation of RFC 8949 holds to be malformed is not
// read, and what it holds to be well-formed is, unless it breaks a rule of ours.
func FuzzRecord(f *testing.F) {
	for _, c := range samples() {
		f.Add(c.octets(f))
	}
	f.Add([]byte{0x9f, 0x18, 0x63, 0xbf, 0x01, 0x5f, 0x41, 0x00, 0xff, 0xff, 0xfb, 0, 0, 0, 0, 0, 0, 0, 0, 0xc1, 0x00, 0xff})
	f.Fuzz(func(t *testing.T, b []byte) {
		var r Record
		err := r.Parse(b)
		theirs := cbor.Wellformed(b)
		if err == nil && theirs != nil {
			t.Fatalf("%x was read, and is malformed: %v", b, theirs)
		}
		if err != nil {
			// Items in items, and kinds' own rules, are stricter here.
			if theirs == nil && (err == RecordTruncated || err == RecordInvalid || err == RecordTrailing) {
				t.Fatalf("%x was not read, and is well-formed: %v", b, err)
			}
			return
		}
		if r.Kind == RecordNone || r.Kind == RecordUp && r.Info.Version != Version {
			return
		}
		out := r.AppendTo(nil)
		var again Record
		if err := again.Parse(out); err != nil || !equal(&r, &again) {
			t.Fatalf("%x\nread    %+v\nwritten %x\nread    %+v, %v", b, r, out, again, err)
		}
		if twice := again.AppendTo(nil); !bytes.Equal(out, twice) {
			t.Fatalf("written %x, then %x", out, twice)
		}
	})
}

// FuzzSplitter: no octets panic it, all that is found was framed as we would, pieces
// make no difference, and the next good frame is always found.
func FuzzSplitter(f *testing.F) {
	for _, c := range samples() {
		f.Add(AppendFramed(nil, c.octets(f)), uint8(3))
	}
	f.Add([]byte{frameFlag, escape, frameFlag, frameFlag, 'x', escape}, uint8(1))
	f.Add(bytes.Repeat([]byte{frameFlag, 1, 2, 3}, 600), uint8(7))
	f.Fuzz(func(t *testing.T, in []byte, size uint8) {
		whole, stats := split(in)
		var s Splitter
		var pieces [][]byte
		for rest := in; len(rest) > 0; {
			body, n := s.Feed(rest[:min(int(size)+1, len(rest))])
			if n == 0 {
				t.Fatal("no octet was taken")
			}
			rest = rest[n:]
			if body != nil {
				pieces = append(pieces, bytes.Clone(body))
			}
		}
		if len(whole) != len(pieces) || s.Stats() != stats {
			t.Fatalf("whole %d bodies %+v, in pieces %d %+v", len(whole), stats, len(pieces), s.Stats())
		}
		for i, body := range whole {
			if !bytes.Equal(body, pieces[i]) {
				t.Fatalf("body %d: %x, in pieces %x", i, body, pieces[i])
			}
			if again, _ := split(AppendFramed(nil, body)); len(again) != 1 || !bytes.Equal(again[0], body) {
				t.Fatalf("body %x framed gave %x", body, again)
			}
		}
		good := AppendFramed(nil, []byte("good one"))
		after := 0
		for rest := good; len(rest) > 0; {
			body, n := s.Feed(rest)
			rest = rest[n:]
			if string(body) == "good one" {
				after++
			}
		}
		if after != 1 {
			t.Fatalf("a good frame after %x was found %d times", in, after)
		}
	})
}
