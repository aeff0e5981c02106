package main

import (
	"bytes"
	"context"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"

	"culvert/bridge/bridgetest"
	"culvert/bridge/ieee802154"
)

// linkTypeNoFCS is LINKTYPE_IEEE802_15_4_NOFCS (the registry of tcpdump.org).
const linkTypeNoFCS = 230

// tsharkPAN is the PAN id of all frames that tshark is asked about, and the one
// whose data frames it is told to read as 6LoWPAN: its guess by the first octet
// leaves some out.
const tsharkPAN = 0xabcd

// judged is what tshark says about one frame.
type judged struct {
	sources map[string][]byte // the octet strings that it made, by the name that it gives each
	last    string            // the name of the last of them
	expert  string            // warnings and errors, if any
	bad     bool              // malformed, an expert's error, or a wrong checksum
}

// tshark runs tshark 4 over MAC frames under contexts and returns what it makes of
// each. It has to be there: apt-get install -y tshark.
func tshark(t *testing.T, frames [][]byte, ctxs map[uint8]netip.Prefix) []judged {
	t.Helper()
	path, err := exec.LookPath("tshark")
	if err != nil {
		t.Fatal("tshark is not installed; as root: apt-get install -y tshark")
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "frames.pcap")
	var b bytes.Buffer
	w := pcapgo.NewWriter(&b)
	if err := w.WriteFileHeader(65535, layers.LinkType(linkTypeNoFCS)); err != nil {
		t.Fatal(err)
	}
	for i, f := range frames {
		ci := gopacket.CaptureInfo{Timestamp: time.Unix(int64(i), 0), CaptureLength: len(f), Length: len(f)}
		if err := w.WritePacket(ci, f); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	onlyOurLayers(t, path, dir)
	args := []string{"-n", "-r", file, "-d", fmt.Sprintf("wpan.panid==%#x,6lowpan", tsharkPAN),
		"-o", "udp.check_checksum:TRUE", "-o", "tcp.check_checksum:TRUE"}
	for id, p := range ctxs {
		args = append(args, "-o", fmt.Sprintf("6lowpan.context%d:%v", id, p))
	}
	call := func(more ...string) string {
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
		defer cancel()
		cmd := exec.CommandContext(ctx, path, append(slices.Clone(args), more...)...)
		cmd.Env = append(os.Environ(), "HOME="+dir, "XDG_CONFIG_HOME="+dir) // nobody's preferences
		var errs bytes.Buffer
		cmd.Stderr = &errs
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("tshark %v: %v: %s", more, err, errs.String())
		}
		return string(out)
	}
	out := parseOctets(t, call("-x"))
	verdicts := strings.Split(strings.TrimSuffix(call("-T", "fields", "-e", "_ws.malformed", "-e", "_ws.expert.severity", "-e", "_ws.expert.message",
		"-e", "udp.checksum.status", "-e", "tcp.checksum.status", "-e", "icmpv6.checksum.status"), "\n"), "\n")
	if len(out) != len(frames) || len(verdicts) != len(frames) {
		t.Fatalf("tshark answers with %d hex dumps and %d verdicts to %d frames", len(out), len(verdicts), len(frames))
	}
	for i, v := range verdicts {
		f := strings.Split(v, "\t")
		if len(f) != 6 {
			t.Fatalf("tshark: %q is not six fields", v)
		}
		out[i].bad = f[0] != ""
		for _, s := range strings.Split(f[1], ",") {
			if n, _ := strconv.ParseUint(s, 10, 32); n >= 0x800000 { // PI_ERROR
				out[i].bad = true
			}
		}
		for _, status := range f[3:] {
			if slices.Contains(strings.Split(status, ","), "0") { // bad; 1 is good, 2 not checked, 3 absent
				out[i].bad = true
			}
		}
		out[i].expert = strings.Join(f, " | ")
	}
	return out
}

// judgedLayers are the protocols that tshark is asked about: up to the transport
// header. What stands above is random or somebody's, and tshark takes some of it for
// a protocol by port or by guess (RTCP, say), and then calls it malformed.
var judgedLayers = regexp.MustCompile(`^(_ws\..*|frame|data|wpan.*|6lowpan|ipv6.*|icmpv6.*|udp|tcp)$`)

// onlyOurLayers writes into the configuration directory of tshark the list of all
// protocols that it is not to read.
func onlyOurLayers(t *testing.T, path, dir string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	out, err := exec.CommandContext(ctx, path, "-G", "protocols").Output()
	if err != nil {
		t.Fatalf("tshark -G protocols: %v", err)
	}
	var off strings.Builder
	kept := 0
	for _, l := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		f := strings.Split(l, "\t") // name, short name, filter name
		if len(f) < 3 {
			t.Fatalf("tshark -G protocols: %q is not three fields", l)
		}
		if judgedLayers.MatchString(f[2]) {
			kept++
		} else {
			fmt.Fprintln(&off, f[2])
		}
	}
	if kept < 8 {
		t.Fatalf("tshark knows only %d of the protocols that it is asked about", kept)
	}
	config := filepath.Join(dir, "wireshark")
	if err := os.MkdirAll(config, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(config, "disabled_protos"), []byte(off.String()), 0o600); err != nil {
		t.Fatal(err)
	}
}

// parseOctets reads tshark's hex dumps: one block a frame, in it one dump for each
// octet string, under its name where there is more than one.
func parseOctets(t *testing.T, text string) []judged {
	t.Helper()
	var out []judged
	for _, block := range strings.Split(strings.TrimSuffix(text, "\n\n"), "\n\n") {
		j := judged{sources: map[string][]byte{}, last: "Frame"}
		for _, l := range strings.Split(block, "\n") {
			if name, _, ok := strings.Cut(l, " ("); ok && strings.HasSuffix(l, "bytes):") {
				j.last = name
				j.sources[name] = nil // the last of a name is the outermost
				continue
			}
			if len(l) < 6 {
				continue
			}
			digits, _, _ := strings.Cut(l[6:], "   ")
			b, err := hex.DecodeString(strings.ReplaceAll(digits, " ", ""))
			if err != nil {
				t.Fatalf("tshark: hex dump %q: %v", l, err)
			}
			j.sources[j.last] = append(j.sources[j.last], b...)
		}
		out = append(out, j)
	}
	return out
}

// packet returns the IPv6 packet that tshark restored, whose last frame it was.
func (j judged) packet(payload []byte) []byte {
	if p := j.sources["Reassembled 6LoWPAN"]; p != nil {
		return p
	}
	if p := j.sources["Decompressed 6LoWPAN IPHC"]; p != nil {
		return p
	}
	if len(payload) > 0 && payload[0] == 0x41 {
		return payload[1:]
	}
	return nil
}

// macFrame puts a MAC header before a payload.
func macFrame(from, to ieee802154.Addr, sequence int, payload []byte) []byte {
	h := ieee802154.Header{PAN: tsharkPAN, From: from, To: to, Sequence: uint8(sequence)}
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
	for i, a := range askLines[compressed](t, exitOK, "compress", lines) {
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
	verdicts := tshark(t, frames, ctxs)
	at, fragmented := 0, 0
	for _, s := range list {
		at += len(s.frames)
		j := verdicts[at-1]
		if len(s.frames) > 1 {
			fragmented++
		}
		if got := j.packet(s.frames[len(s.frames)-1]); !bytes.Equal(got, s.packet) {
			t.Errorf("tshark restores %x (%s)\nframes %x, %s\n%v", got, j.expert, s.frames, s.encoding, s.trip)
		}
		for _, v := range verdicts[at-len(s.frames) : at] {
			if v.bad {
				t.Errorf("tshark finds fault: %s\nframes %x, %s\n%v", v.expert, s.frames, s.encoding, s.trip)
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
	verdicts := tshark(t, frames, ctxs)
	at := 0
	for _, s := range all {
		at += len(s.frames)
		if got := verdicts[at-1].packet(s.frames[len(s.frames)-1]); !bytes.Equal(got, s.packet) {
			t.Errorf("tshark restores %x (%s)\nframes %x, %s\n%v", got, verdicts[at-1].expert, s.frames, s.encoding, s.trip)
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
	v := tshark(t, list, map[uint8]netip.Prefix{0: netip.MustParsePrefix("2001:db8:77::/64")})
	if !v[0].bad || !v[1].bad {
		t.Errorf("wrong checksum: %s; cut frame: %s", v[0].expert, v[1].expert)
	}
	want := "2001:db8:77:0:a1b2:c3d4:e5f6:718"
	if p := v[2].packet(context); len(p) < 40 || netip.AddrFrom16([16]byte(p[8:24])).String() != want {
		t.Errorf("under another context the source is not %s: %x", want, p)
	}

	// A payload that tshark takes for RTCP (an APP packet whose name is no text) is
	// nobody's fault: the same headers as the vector's.
	guessed, _ := hex.DecodeString("7e33f0d431d433e58380cc0002010203040102030405060708")
	if v := tshark(t, [][]byte{macFrame(from, to, 0, guessed)}, nil)[0]; v.bad {
		t.Errorf("a payload is judged: %s", v.expert)
	}
}
