package dissect

import (
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"net/netip"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"culvert/bridge/ieee802154"
)

// trip is one packet on its way through compress and explain.
type trip struct {
	from, to ieee802154.Addr
	ctxs     map[uint8]netip.Prefix
	packet   []byte
	size     int
	tag      int
}

// trip returns a random packet over a random link.
func (d dice) trip() trip {
	x := trip{from: d.link(), to: d.link(), ctxs: d.contexts(), size: pick(d, 60, 61, 80, 102, 104, 116, 127, 300, 2047, 60+d.intn(1988)), tag: d.intn(1 << 16)}
	x.packet = d.packet(x.from, x.to, x.ctxs, pick(d, 200, 200, 400, 1280))
	return x
}

func (x trip) String() string {
	return fmt.Sprintf("from %v to %v, contexts %v, frame size %d, tag %d\npacket %x", x.from, x.to, x.ctxs, x.size, x.tag, x.packet)
}

// reporter is what testing.T and rapid.T have in common.
type reporter interface {
	Helper()
	Fatalf(format string, args ...any)
}

// checkTrip sends x there and back in both encodings, with and without generic
// header compression: what comes back is x, exactly and alone. Frames keep to the
// frame size; no encoding that allows more is longer.
func checkTrip(t reporter, x trip) {
	t.Helper()
	octets := map[string]int{}
	for _, how := range []string{encodingConservative, encodingFull, encodingConservative + " ghc", encodingFull + " ghc"} {
		encoding, ghc := strings.CutSuffix(how, " ghc")
		more := line{"encoding": encoding, "frame_size": x.size, "tag": x.tag, "ghc": ghc}
		var c compressed
		if err := askOne("compress", packetLine(x.from, x.to, x.ctxs, x.packet, more), &c); err != nil {
			t.Fatalf("compress, %s: %v\n%v", how, err, x)
		}
		if c.Error != "" || c.Frames == nil || len(*c.Frames) == 0 {
			t.Fatalf("compress, %s: %+v\n%v", how, c, x)
		}
		var frames [][]byte
		for _, f := range *c.Frames {
			b, err := hex.DecodeString(f)
			if err != nil || len(b) > x.size {
				t.Fatalf("compress, %s: frame of %d octets %v\n%v", how, len(b), err, x)
			}
			octets[how] += len(b)
			frames = append(frames, b)
		}
		var e explained
		if err := askOne("explain", framesFor(x.from, x.to, x.ctxs, frames, ghc), &e); err != nil {
			t.Fatalf("explain, %s: %v\n%v", how, err, x)
		}
		if e.Packets == nil || e.Drops != nil || e.Error != "" || !slices.Equal(*e.Packets, []string{hex.EncodeToString(x.packet)}) {
			t.Fatalf("explain, %s: %+v %v\nframes %v\n%v", how, e, e.Packets, *c.Frames, x)
		}
	}
	if octets[encodingFull] > octets[encodingConservative] || octets[encodingFull+" ghc"] > octets[encodingFull] {
		t.Fatalf("octets by encoding %v: more is allowed, and it takes longer\n%v", octets, x)
	}
}

// compress, then explain, is the identity on every valid packet.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := dice{intn: func(n int) int { return rapid.IntRange(0, n-1).Draw(t, "n") }}
		checkTrip(t, d.trip())
	})
}

// The same from a fixed seed, which reaches what rapid's small numbers seldom do.
func TestRoundTripSeeded(t *testing.T) {
	r := rand.New(rand.NewPCG(6282, 4944))
	d := dice{intn: r.IntN}
	for range 500 {
		checkTrip(t, d.trip())
	}
}
