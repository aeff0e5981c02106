package dissect

import (
	"encoding/json"
	"errors"
	"io"
	"math/rand/v2"
	"strings"
	"testing"

	"culvert/bridge/bridgetest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/cmd/culvert/internal/cli"
)

// checkRows holds the rows of n octets to what a table of fields promises: in order,
// no octet left out, none beyond the end.
func checkRows(t *testing.T, rows []row, n int) {
	t.Helper()
	end := 0 // in bits
	for _, r := range rows {
		start := 8*r.at + r.bit
		length := 8 * r.octets
		if r.octets == 0 {
			length = r.bits
		}
		if start != end {
			t.Fatalf("field %q starts at bit %d, the one before ends at %d", r.field, start, end)
		}
		if end = start + length; end > 8*n {
			t.Fatalf("field %q ends at bit %d of %d", r.field, end, 8*n)
		}
		if strings.ContainsAny(r.meaning+r.value+r.section, "\n\t\r") {
			t.Fatalf("field %q breaks the line: %q %q", r.field, r.value, r.meaning)
		}
	}
	if end != 8*n {
		t.Fatalf("the rows cover %d bits of %d", end, 8*n)
	}
}

// Whatever a packet holds, its rows cover it without gap.
func FuzzPacketRows(f *testing.F) {
	for _, v := range bridgetest.KernelVectors(f)[:60] {
		f.Add(v.Packet)
	}
	for _, v := range bridgetest.Vectors(f, "nhc-ext", "nd", "router") {
		for _, p := range v.Packets {
			f.Add(p)
		}
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := ipv6.Parse(b)
		if err != nil {
			return
		}
		rows := packetRows(p)
		checkRows(t, rows, len(p))
		if err := writeRows(io.Discard, rows); err != nil {
			t.Fatal(err)
		}
	})
}

// The same over the generator's packets.
func TestPacketRowsCoverThePacket(t *testing.T) {
	r := rand.New(rand.NewPCG(8200, 0))
	d := dice{intn: r.IntN}
	for range 2000 {
		p := d.packet(d.link(), d.link(), d.contexts(), 1280)
		checkRows(t, packetRows(p), len(p))
	}
}

// seedsOfEach is how many cases of an area begin a fuzz run here. Each seed is run for
// its coverage before the first new input, at some fifty a second in so large a program.
const seedsOfEach = 6

// Any frame is explained, and nothing panics. The exit code is exitBad if and only if
// the receiver drops something, as explain --json says of the same frame.
func FuzzExplainText(f *testing.F) {
	for _, area := range []string{"nhc-udp", "nhc-ext", "negative", "mesh", "6lorh", "frag", "ghc"} {
		cases := bridgetest.Vectors(f, area)
		step := max(1, len(cases)/seedsOfEach) // cases that stand together are alike
		for i := 0; i < len(cases); i += step {
			if x := cases[i].Frames; len(x) > 0 {
				f.Add(x[0].Payload, area == "ghc")
			}
		}
	}
	contexts := bridgetest.ReportContexts()
	f.Fuzz(func(t *testing.T, b []byte, ghc bool) {
		in := explainInput{
			ghc: ghc, elidedChecksum: ghc, contexts: contexts,
			frames: []inFrame{{payload: b, from: ieee802154.Short(0x1234), to: ieee802154.Extended(1)}},
		}
		dropped := false
		restore(in, func(o outcome) { dropped = dropped || o.err != nil })
		var text strings.Builder
		err := explainText(&text, in)
		end := (*cli.ExitError)(nil)
		switch bad := errors.As(err, &end) && end.Code == cli.ExitBad; {
		case err != nil && !bad:
			t.Fatal(err)
		case bad != dropped:
			t.Fatalf("dropped: %v, and the exit code is bad: %v\n%s", dropped, bad, text.String())
		case text.Len() == 0:
			t.Fatal("nothing is explained")
		}
	})
}

// Any line is answered with JSON, or refused with one short line of text.
func FuzzExplainLine(f *testing.F) {
	f.Add(`{"from":"12:34","to":"00:01","contexts":{"0":"2001:db8::/64"},"frames":["7e33f01633163331a4636f6170",{"hex":"00","at":5}],"ghc":true}`)
	f.Add(`{"frames":[{"hex":"","from":null}]}`)
	f.Add(`{"packet":"60","frame_size":60,"tag":1,"encoding":"full"}`)
	f.Fuzz(func(t *testing.T, l string) {
		for _, answer := range []func([]byte) (any, error){explainLine, compressLine} {
			a, err := answer([]byte(l))
			if err != nil {
				if s := err.Error(); s == "" || len(s) > 500 || strings.Contains(s, "\n") {
					t.Fatalf("error %q", s)
				}
				continue
			}
			if _, err := json.Marshal(a); err != nil {
				t.Fatal(err)
			}
		}
	})
}
