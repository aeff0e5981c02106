package lowpan

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"culvert/bridge/bridgetest"
	"culvert/bridge/ieee802154"
)

// describeOK checks that the fields of a frame stand in order and without a gap or
// an overlap, and that Describe and the decoder are of one mind.
func describeOK(t *testing.T, frame []byte, p Peer, c *Contexts) {
	t.Helper()
	fields, err := Describe(frame, p, c)
	at := 0
	for _, f := range fields {
		if 8*f.Offset+f.Bit != at || f.Bits < 0 || f.Bit > 7 {
			t.Fatalf("%x: field %+v begins at bit %d, not %d", frame, f, 8*f.Offset+f.Bit, at)
		}
		at += f.Bits
		if f.Name == "" || f.Section == "" && f.Name != "not decoded" || (f.Value == "") != (f.Bits == 0) {
			t.Fatalf("%x: field %+v lacks something", frame, f)
		}
		if f.Name == "not decoded" && err == nil {
			t.Fatalf("%x: not decoded, and no error: %+v", frame, f)
		}
	}
	if at != 8*len(frame) {
		t.Fatalf("%x: the fields end at bit %d of %d: %+v", frame, at, 8*len(frame), fields)
	}
	f, want := ParseFrame(frame)
	if f.Mesh {
		p.From, p.To = f.Originator, f.Final
	}
	if want == nil && f.Fragment != NextFragment {
		_, _, want = AppendDecompressed(nil, f.Payload, p, c, map[FragmentKind]int{FirstFragment: int(f.Size)}[f.Fragment])
	}
	if err != want {
		t.Fatalf("%x: described with %v, decoded with %v", frame, err, want)
	}
}

func TestDescribeVectors(t *testing.T) {
	for _, v := range bridgetest.Vectors(t, "iphc-cross", "iphc-ctx", "nhc-udp", "nhc-ext", "negative", "dispatch",
		"truncation", "mesh", "6lorh", "frag", "ghc", "compress") {
		for _, f := range v.Frames {
			for _, ghc := range []bool{false, true} {
				describeOK(t, f.Payload, Peer{From: f.From, To: f.To, GHC: ghc}, NewContexts(v.Contexts))
			}
		}
	}
	for _, v := range bridgetest.KernelVectors(t) {
		for _, f := range v.Frames {
			describeOK(t, f, Peer{From: v.From, To: v.To}, NewContexts(v.Contexts))
		}
	}
	for _, r := range refused {
		describeOK(t, unhex(t, r.frame), Peer{From: ieee802154.Short(1), GHC: r.ghc}, nil)
	}
}

func TestDescribeRandom(t *testing.T) {
	m := maker{rand.New(rand.NewPCG(7, 7))}
	c := NewContexts(manyContexts)
	for i := range 3000 {
		p := Peer{From: m.link(), To: m.link(), Full: true, GHC: i%8 == 0}
		pkt := m.packet(p.From, p.To, 200)
		out, h, err := AppendCompressed(nil, pkt, p, c, 4096)
		if err != nil {
			t.Fatal(err)
		}
		frame := append(out, pkt[h.Consumed:]...)
		describeOK(t, frame, p, c)
		describeOK(t, frame[:m.IntN(len(frame))], p, c)
		for range 3 {
			frame[m.IntN(min(len(frame), 20))] ^= 1 << m.IntN(8)
			describeOK(t, frame, p, c)
		}
	}
}

var update = flag.Bool("update", false, "write the golden file of TestDescribe anew")

// What a reader sees of one frame with much in it. The file was checked against the
// RFCs by eye.
func TestDescribe(t *testing.T) {
	frame := unhex(t, "9f10 02005eef1000000b beef 502a f1 820503ff 64d3 20 2e012345 11 a1b2c3d4e5f60718"+
		"e1 05 1e03000000 f1 1633 b0 2ef1 7461696c")
	fields, err := Describe(frame, Peer{}, NewContexts(manyContexts))
	if err != nil {
		t.Fatal(err)
	}
	var got strings.Builder
	fmt.Fprintf(&got, "%x\n", frame)
	for _, f := range fields {
		fmt.Fprintf(&got, "%d.%d +%d %s = %s: %s (%s)\n", f.Offset, f.Bit, f.Bits, f.Name, f.Value, f.Meaning, f.Section)
	}
	golden := filepath.Join("testdata", "describe.txt")
	if *update {
		if err := os.WriteFile(golden, []byte(got.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if got.String() != string(want) {
		t.Errorf("got\n%s\nwant\n%s", got.String(), want)
	}
}

// FuzzDescribe: whatever comes, the fields cover the frame, and the decoder agrees.
func FuzzDescribe(f *testing.F) {
	for _, r := range refused {
		f.Add(unhex(f, r.frame), r.ghc)
	}
	for _, v := range bridgetest.Vectors(f, "mesh", "6lorh", "nhc-ext", "ghc", "dispatch") {
		for _, fr := range v.Frames {
			f.Add(fr.Payload, true)
		}
	}
	c := NewContexts(manyContexts)
	f.Fuzz(func(t *testing.T, frame []byte, ghc bool) {
		describeOK(t, frame, Peer{From: ieee802154.Short(1), To: ieee802154.Extended(2), GHC: ghc}, c)
	})
}
