package dissect

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"net/netip"
	"slices"
	"testing"

	"culvert/bridge/bridgetest"
	"culvert/bridge/ieee802154"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/programtest"
)

// macFrame puts a MAC header before a payload.
func macFrame(from, to ieee802154.Addr, sequence int, payload []byte) []byte {
	h := ieee802154.Header{PAN: programtest.TsharkPAN, From: from, To: to, Sequence: uint8(sequence)}
	return append(h.AppendTo(nil), payload...)
}

// sent is a packet with the frames that compress made of it.
type sent struct {
	trip
	encoding string
	frames   [][]byte
}

// send runs compress over packets under one set of contexts, each in both encodings.
func send(t *testing.T, list []trip) []sent {
	t.Helper()
	var lines []line
	var out []sent
	for i, x := range list {
		for k, e := range []string{encodingConservative, encodingFull} {
			out = append(out, sent{trip: x, encoding: e})
			lines = append(lines, packetLine(x.from, x.to, x.ctxs, x.packet, line{"encoding": e, "frame_size": x.size, "tag": 2*i + k}))
		}
	}
	for i, a := range askLines[compressed](t, cli.ExitOK, "compress", lines) {
		out[i].frames = a.octets(t, fmt.Sprint(out[i].trip))
	}
	return out
}

// judge asks tshark about what was sent: it must restore each packet to the octet
// and find nothing wrong.
func judge(t *testing.T, list []sent, ctxs map[uint8]netip.Prefix) {
	t.Helper()
	var frames [][]byte
	for _, s := range list {
		for _, f := range s.frames {
			frames = append(frames, macFrame(s.from, s.to, len(frames), f))
		}
	}
	verdicts := programtest.Tshark(t, frames, ctxs)
	at, fragmented := 0, 0
	for _, s := range list {
		at += len(s.frames)
		j := verdicts[at-1]
		if len(s.frames) > 1 {
			fragmented++
		}
		if got := j.Packet(s.frames[len(s.frames)-1]); !bytes.Equal(got, s.packet) {
			t.Errorf("tshark restores %x (%s)\nframes %x, %s\n%v", got, j.Expert, s.frames, s.encoding, s.trip)
		}
		for _, v := range verdicts[at-len(s.frames) : at] {
			if v.Bad {
				t.Errorf("tshark finds fault: %s\nframes %x, %s\n%v", v.Expert, s.frames, s.encoding, s.trip)
			}
		}
	}
	t.Logf("%d packets in %d frames, %d of them in fragments", len(list), len(frames), fragmented)
	if fragmented == 0 || fragmented == len(list) {
		t.Errorf("%d of %d packets are in fragments: the table does not try both", fragmented, len(list))
	}
}

// tsharkContexts are those of the vectors (testdata/README.md) with more than one
// length.
func tsharkContexts() map[uint8]netip.Prefix {
	m := map[uint8]netip.Prefix{}
	for id, p := range map[uint8]string{
		0: "2001:db8::/64", 1: "2001:db8:1::/48", 2: "fd00:1:2:3::/64", 3: "2001:db8:3:4:aaaa::/80",
		4: "2001:db8:4:4:1122:3344:5566:0/112", 5: "2001:db8:5:5:1111:2222:3333:4444/128", 6: "2001:db8:6:7f00::/56",
		7: "2001:db8:7:70::/60", 8: "64:ff9b::/96", 9: "2001:db9::/32", 15: "2001:db8:f::/64",
	} {
		m[id] = netip.MustParsePrefix(p)
	}
	return m
}

// tshark restores what compress makes of the packets of the vectors and of the
// kernel, and finds no fault in the frames. The packets themselves are not all
// beyond reproach, so only octets are compared.
func TestTsharkRestoresKnownPackets(t *testing.T) {
	ctxs := tsharkContexts()
	var list []trip
	for _, v := range bridgetest.Vectors(t, "compress", "nhc-ext", "mesh") {
		if len(v.Packets) == 1 && !v.From.IsNone() && !v.To.IsNone() {
			list = append(list, trip{v.From, v.To, ctxs, v.Packets[0], 102, 0})
		}
	}
	for i, v := range bridgetest.KernelVectors(t) {
		if i%5 == 0 && v.Packet[6] != 58 { // an advertisement would teach tshark contexts
			list = append(list, trip{v.From, v.To, ctxs, v.Packet, 102, 0})
		}
	}
	all := send(t, list)
	var frames [][]byte
	for _, s := range all {
		for _, f := range s.frames {
			frames = append(frames, macFrame(s.from, s.to, len(frames), f))
		}
	}
	verdicts := programtest.Tshark(t, frames, ctxs)
	at := 0
	for _, s := range all {
		at += len(s.frames)
		if got := verdicts[at-1].Packet(s.frames[len(s.frames)-1]); !bytes.Equal(got, s.packet) {
			t.Errorf("tshark restores %x (%s)\nframes %x, %s\n%v", got, verdicts[at-1].Expert, s.frames, s.encoding, s.trip)
		}
	}
}

// tshark restores random well-formed packets from our frames, under contexts of
// every length, and finds nothing malformed and no wrong checksum.
func TestTsharkRestoresRandomPackets(t *testing.T) {
	r := rand.New(rand.NewPCG(15, 4))
	d := dice{intn: r.IntN, clean: true}
	ctxs := tsharkContexts()
	var list []trip
	for range 400 {
		x := trip{from: d.link(), to: d.link(), ctxs: ctxs, size: pick(d, 60, 80, 102, 116, 2047)}
		for x.from.IsNone() || x.from.IsBroadcast() {
			x.from = d.link()
		}
		for x.to.IsNone() {
			x.to = d.link()
		}
		x.packet = d.packet(x.from, x.to, ctxs, pick(d, 200, 400, 1280))
		list = append(list, x)
	}
	judge(t, send(t, list), ctxs)
}

// The judge sees what it is asked to see: a wrong checksum, a frame cut within its
// headers, another context.
func TestTsharkSees(t *testing.T) {
	from, to := ieee802154.MustParseAddr("02:00:5e:ef:10:00:00:0b"), ieee802154.MustParseAddr("00:00:5e:ef:10:00:00:01")
	good, _ := hex.DecodeString("7e33f01633163331a4636f6170") // vector ok-page0 without its page octet
	wrong := slices.Clone(good)
	wrong[8] ^= 1
	context, _ := hex.DecodeString("7e53a1b2c3d4e5f60718f11633b0023807") // vector ctx-src-c0-sam1
	list := [][]byte{macFrame(from, to, 0, wrong), macFrame(from, to, 1, good[:5]), macFrame(from, to, 2, context)}
	v := programtest.Tshark(t, list, map[uint8]netip.Prefix{0: netip.MustParsePrefix("2001:db8:77::/64")})
	if !v[0].Bad || !v[1].Bad {
		t.Errorf("wrong checksum: %s; cut frame: %s", v[0].Expert, v[1].Expert)
	}
	want := "2001:db8:77:0:a1b2:c3d4:e5f6:718"
	if p := v[2].Packet(context); len(p) < 40 || netip.AddrFrom16([16]byte(p[8:24])).String() != want {
		t.Errorf("under another context the source is not %s: %x", want, p)
	}

	// A payload that tshark takes for RTCP (an APP packet whose name is no text) is
	// nobody's fault: the same headers as the vector's.
	guessed, _ := hex.DecodeString("7e33f0d431d433e58380cc0002010203040102030405060708")
	if v := programtest.Tshark(t, [][]byte{macFrame(from, to, 0, guessed)}, nil)[0]; v.Bad {
		t.Errorf("a payload is judged: %s", v.Expert)
	}
}
