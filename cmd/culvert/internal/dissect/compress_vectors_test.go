package dissect

import (
	"encoding/binary"
	"encoding/hex"
	"net/netip"
	"slices"
	"testing"

	"culvert/bridge/bridgetest"
	"culvert/bridge/ieee802154"
	"culvert/cmd/culvert/internal/cli"
)

// compressed is an answer of compress --json.
type compressed struct {
	Frames *[]string
	Reason string
	Error  string
}

// octets returns the frames of an answer.
func (c compressed) octets(t *testing.T, name string) [][]byte {
	t.Helper()
	if c.Frames == nil || len(*c.Frames) == 0 || c.Error != "" {
		t.Fatalf("%s: no frames, error %q", name, c.Error)
	}
	var out [][]byte
	for _, f := range *c.Frames {
		b, err := hex.DecodeString(f)
		if err != nil {
			t.Fatalf("%s: frame %q: %v", name, f, err)
		}
		out = append(out, b)
	}
	return out
}

func sum(frames [][]byte) int {
	n := 0
	for _, f := range frames {
		n += len(f)
	}
	return n
}

// packetLine is the line of compress for a packet.
func packetLine(from, to ieee802154.Addr, ctxs map[uint8]netip.Prefix, packet []byte, more line) line {
	l := line{"contexts": contextsJSON(ctxs), "packet": hex.EncodeToString(packet)}
	setAddr(l, "from", from)
	setAddr(l, "to", to)
	for k, v := range more {
		l[k] = v
	}
	return l
}

// framesFor asks explain for what compress answered: the frames of one packet.
func framesFor(from, to ieee802154.Addr, ctxs map[uint8]netip.Prefix, frames [][]byte, ghc bool) line {
	var list []bridgetest.Frame
	for _, f := range frames {
		list = append(list, bridgetest.Frame{From: from, To: to, Payload: f})
	}
	l := vectorLine(ctxs, list, nil)
	if ghc {
		l["ghc"] = true
	}
	return l
}

// The set compress: packets that hosts send, with the length of the shortest legal
// encoding (RFC 6282, sections 3.1 and 4; each row's source says more). In the full
// encoding ours is that short; in the conservative one it is longer at most where
// extension headers stand. Both decode to the packet.
func TestCompressVectors(t *testing.T) {
	vectors := bridgetest.Vectors(t, "compress")
	encodings := []string{encodingFull, encodingConservative}
	var lines []line
	for _, v := range vectors {
		for _, e := range encodings {
			lines = append(lines, packetLine(v.From, v.To, v.Contexts, v.Packets[0], line{"encoding": e, "frame_size": frameSizeMost}))
		}
	}
	answers := askLines[compressed](t, cli.ExitOK, "compress", lines)
	var back []line
	for i, a := range answers {
		v, e := vectors[i/2], encodings[i%2]
		frames := a.octets(t, v.ID)
		back = append(back, framesFor(v.From, v.To, v.Contexts, frames, false))
		if len(frames) != 1 {
			t.Errorf("%s: %d frames of %d octets at most", v.ID, len(frames), frameSizeMost)
		}
		if v.Expect.MinLen == 0 {
			t.Fatalf("%s has no min_len", v.ID)
		}
		extension := slices.Contains([]byte{0, 41, 43, 44, 60, 135}, v.Packets[0][6])
		if n := len(frames[0]); n > v.Expect.MinLen && (e == encodingFull || !extension) {
			t.Errorf("%s, %s: %d octets, want %d\n%x\n%s", v.ID, e, n, v.Expect.MinLen, frames[0], v.Note)
		}
	}
	for i, a := range askLines[explained](t, cli.ExitOK, "explain", back) {
		if v := vectors[i/2]; !slices.Equal(*a.Packets, hexes(v.Packets)) {
			t.Errorf("%s, %s: decodes to %v %+v, want %x", v.ID, encodings[i%2], *a.Packets, a.Drops, v.Packets)
		}
	}
}

// The frames of Linux 6.1 through explain, and its packets through compress, each
// compared with what the kernel and tshark say (testdata/README.md). Our frames are
// never longer than the kernel's, in either encoding.
func TestKernelVectors(t *testing.T) {
	vectors := bridgetest.KernelVectors(t)
	var lines []line
	for _, v := range vectors {
		lines = append(lines, framesFor(v.From, v.To, v.Contexts, v.Frames, false))
	}
	for i, a := range askLines[explained](t, cli.ExitOK, "explain", lines) {
		v := vectors[i]
		checkAnswer(t, v.Name, len(v.Frames), a)
		if !slices.Equal(*a.Packets, hexes([][]byte{v.Packet})) || a.Drops != nil {
			t.Errorf("%s: %v %+v, want %x", v.Name, *a.Packets, a.Drops, v.Packet)
		}
	}
	for _, e := range []string{encodingConservative, encodingFull} {
		lines = nil
		for _, v := range vectors {
			longest := frameSizeLeast // no daemon can be asked for less; a shorter frame is one frame either way
			for _, f := range v.Frames {
				longest = max(longest, len(f))
			}
			lines = append(lines, packetLine(v.From, v.To, v.Contexts, v.Packet, line{"encoding": e, "frame_size": longest, "tag": 7}))
		}
		var back []line
		kernel, ours := 0, 0
		for i, a := range askLines[compressed](t, cli.ExitOK, "compress", lines) {
			v := vectors[i]
			frames := a.octets(t, v.Name)
			checkFragments(t, v.Name, frames, v.Packet, lines[i]["frame_size"].(int), 7)
			back = append(back, framesFor(v.From, v.To, v.Contexts, frames, false))
			if v.Encoder != bridgetest.KernelEncoder {
				continue
			}
			kernel += sum(v.Frames)
			ours += sum(frames)
			if sum(frames) > sum(v.Frames) {
				t.Errorf("%s, %s: %d octets in %d frames, the kernel takes %d in %d", v.Name, e, sum(frames), len(frames), sum(v.Frames), len(v.Frames))
			}
		}
		t.Logf("%s: %d octets of MAC payload, the kernel's %d", e, ours, kernel)
		for i, a := range askLines[explained](t, cli.ExitOK, "explain", back) {
			if v := vectors[i]; !slices.Equal(*a.Packets, hexes([][]byte{v.Packet})) {
				t.Errorf("%s, %s: our frames decode to %v %+v", v.Name, e, *a.Packets, a.Drops)
			}
		}
	}
}

// checkFragments holds the frames of one packet to RFC 4944, section 5.3, reading
// nothing but the fragment headers: no frame is longer than allowed; one frame if it
// fits; size, tag and offsets in each; every fragment but the last covers whole
// units of 8 octets; they cover the packet without gap.
func checkFragments(t *testing.T, name string, frames [][]byte, packet []byte, size int, tag uint16) {
	t.Helper()
	for i, f := range frames {
		if len(f) > size || len(f) == 0 {
			t.Errorf("%s: frame %d has %d octets, at most %d may be", name, i, len(f), size)
		}
	}
	if len(frames) == 1 {
		if frames[0][0]>>6 == 3 {
			t.Errorf("%s: a fragment alone: %x", name, frames[0])
		}
		return
	}
	at := 0
	for i, f := range frames {
		head, kind := 5, byte(0b11100)
		if i == 0 {
			head, kind = 4, 0b11000
		}
		if len(f) <= head || f[0]>>3 != kind {
			t.Errorf("%s: frame %d does not start as its fragment must: %x", name, i, f)
			return
		}
		if got := int(binary.BigEndian.Uint16(f) & 0x7ff); got != len(packet) {
			t.Errorf("%s: frame %d: datagram_size %d, want %d", name, i, got, len(packet))
		}
		if got := binary.BigEndian.Uint16(f[2:]); got != tag {
			t.Errorf("%s: frame %d: datagram_tag %d, want %d", name, i, got, tag)
		}
		if i == 0 {
			continue
		}
		offset := 8 * int(f[4])
		if i > 1 && offset != at {
			t.Errorf("%s: frame %d: offset %d, want %d", name, i, offset, at)
		}
		at = offset + len(f) - head
		if i < len(frames)-1 && at%8 != 0 {
			t.Errorf("%s: frame %d ends at %d, not a multiple of 8", name, i, at)
		}
	}
	if at != len(packet) {
		t.Errorf("%s: the last fragment ends at %d of %d", name, at, len(packet))
	}
}

// What compress makes of the packet of a vector is never longer than the vector's own
// frame, whichever of the legal forms that tries (RFC 6282, sections 3.1 and 4). Left
// out are the forms that ours never takes: an elided checksum (4.3.2), which needs the
// upper layer's consent, and the Fragment header's encoding (4.2), which has two
// readings.
func TestCompressIsNeverLonger(t *testing.T) {
	var rows []bridgetest.Vector
	var lines []line
	for _, v := range bridgetest.Vectors(t, "iphc-cross", "iphc-ctx", "nhc-udp", "nhc-ext", "truncation", "mesh") {
		if v.Expect.Action != bridgetest.Decode || v.Frames[0].Payload[0]>>5 != 3 || v.Packets[0][6] == 44 {
			continue
		}
		rows = append(rows, v)
		lines = append(lines, packetLine(v.From, v.To, v.Contexts, v.Packets[0], line{"encoding": encodingFull, "frame_size": frameSizeMost}))
	}
	if len(rows) < 2700 {
		t.Fatalf("only %d vectors", len(rows))
	}
	ours, theirs := 0, 0
	for i, a := range askLines[compressed](t, cli.ExitOK, "compress", lines) {
		f, own := a.octets(t, rows[i].ID), rows[i].Frames[0].Payload
		ours, theirs = ours+sum(f), theirs+len(own)
		if len(f) != 1 || len(f[0]) > len(own) {
			t.Errorf("%s: %x is longer than %x (%s)", rows[i].ID, f, own, rows[i].Note)
		}
	}
	t.Logf("%d packets: %d octets, the vectors' own frames %d", len(rows), ours, theirs)
}
