package dissect

import (
	"cmp"
	"encoding/hex"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"culvert/bridge/bridgetest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/lowpan"
	"culvert/cmd/culvert/internal/cli"
)

// The exchanges in which Linux 6.1 departs from the RFCs (testdata/README.md): ours
// follows the RFCs. Where the kernel as sender lost part of the packet, the frames
// say what its receiver read; the rest decode to the packet that was sent, unless
// quirkDrops has a reason.
func TestKernelQuirks(t *testing.T) {
	quirks := bridgetest.KernelQuirks(t)
	var lines []line
	for _, v := range quirks {
		lines = append(lines, framesFor(v.From, v.To, v.Contexts, v.Frames, false))
	}
	lost := []string{
		"ext/udp-len-short/udp",    // a UDP Length that disagrees with the packet was elided
		"ext-ctx/pair12-echo/echo", // an address with bits between its context and bit 64 was sent as ::
		"ext-ctx/pair12-udp/udp",
	}
	for i, a := range askLines[explained](t, cli.ExitOK, "explain", lines) {
		v := quirks[i]
		checkAnswer(t, v.Name, len(v.Frames), a)
		_, kind, _ := strings.Cut(v.Name, "/")
		if word := cmp.Or(quirkDrops[v.Name], quirkDrops[kind]); word != "" {
			if len(*a.Packets) != 0 || a.Reason != word {
				t.Errorf("%s: %v %+v, want a drop as %s", v.Name, *a.Packets, a.Drops, word)
			}
			continue
		}
		want := v.Packet
		if slices.Contains(lost, v.Name) {
			want = v.KernelPacket
		}
		if !slices.Equal(*a.Packets, []string{hex.EncodeToString(want)}) {
			t.Errorf("%s: %v %+v\nwant %x (%s)", v.Name, *a.Packets, a.Drops, want, v.Note)
		}
	}
}

// quirkDrops are the words under which frames of the quirks are to be dropped, by
// the last part of their name, or by all of it where only one end has contexts.
var quirkDrops = map[string]string{
	"ctx5-unknown":                      "unknown-context",
	"udp-checksum-elided":               "checksum-elided",
	"frag-1448":                         "fragment-size",
	"frag-missing-one":                  "reassembly-timeout",
	"hc1-42":                            "hc1",
	"nalp-00":                           "not-lowpan",
	"esc-40":                            "reserved-dispatch",
	"hand-noctx/ctx0-sam11-dam11":       "unknown-context",
	"hand-noctx/ctx0-sam01-dam01-cid00": "unknown-context",
	"hand-noctx/ctx1-sam10-ctx0-dam01":  "unknown-context",
	"hand-noctx/ctx0-mcast-dac1":        "unknown-context",
}

// The conservative encoding keeps to what Linux 6.1 decodes (the quirks above): no
// next header encoding but UDP's, no elided checksum, a source of :: as SAC=1 SAM=00
// only where context 0 is there, no uncompressed packet in fragments, fragments in
// order of their offsets.
func TestConservativeFrames(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 1))
	d := dice{intn: r.IntN}
	var trips []trip
	var lines []line
	for range 2000 {
		x := d.trip()
		trips = append(trips, x)
		lines = append(lines, packetLine(x.from, x.to, x.ctxs, x.packet, line{"frame_size": x.size, "tag": x.tag}))
	}
	unspecified := 0
	for i, a := range askLines[compressed](t, cli.ExitOK, "compress", lines) {
		x := trips[i]
		frames := a.octets(t, x.String())
		checkFragments(t, x.String(), frames, x.packet, x.size, uint16(x.tag))
		list, err := lowpan.Describe(frames[0], lowpan.Peer{From: x.from, To: x.to}, lowpan.NewContexts(x.ctxs))
		if err != nil {
			t.Fatalf("%v: %x", err, frames[0])
		}
		_, context0 := x.ctxs[0]
		value := func(name string) string {
			for _, f := range list {
				if f.Name == name {
					return f.Value
				}
			}
			return ""
		}
		if value("EID") != "" || value("C") == "0b1" {
			t.Errorf("an encoding that the kernel lacks: %x\n%v", frames[0], x)
		}
		if value("SAC") == "0b1" && value("SAM") == "0b00" {
			if unspecified++; !context0 {
				t.Errorf("SAC=1 SAM=00 without context 0: %x\n%v", frames[0], x)
			}
		}
		if len(frames) > 1 && frames[0][4] == 0x41 {
			t.Errorf("an uncompressed packet in fragments: %x\n%v", frames[0], x)
		}
	}
	if unspecified == 0 {
		t.Error("no packet had a source of :: and context 0")
	}
}

// More senders than there are buffers, each with one fragment, at the same time: the
// oldest datagrams make room, in the order in which they came (RFC 4944, section 13,
// asks for a bound; RFC 8930, section 6, for the oldest to go).
func TestExplainEvictsTheOldest(t *testing.T) {
	const buffers, more = 1024, 16
	var frames []bridgetest.Frame
	for i := range buffers + more {
		payload := append([]byte{0xe0, 0xc8, 0, 7, 0x13}, make([]byte, 48)...)
		frames = append(frames, bridgetest.Frame{From: ieee802154.Short(uint16(i)), To: ieee802154.Short(0x7fff), Payload: payload})
	}
	a := askLines[explained](t, cli.ExitOK, "explain", []line{vectorLine(nil, frames, nil)})[0]
	checkAnswer(t, "flood", len(frames), a)
	if len(a.Drops) != len(frames) {
		t.Fatalf("%d drops, want %d", len(a.Drops), len(frames))
	}
	for i, d := range a.Drops {
		want := "reassembly-full"
		if i >= more {
			want = "reassembly-timeout"
		}
		if d.Frame != i || d.Reason != want {
			t.Fatalf("drop %d is %+v, want frame %d, %s", i, d, i, want)
		}
	}
}
