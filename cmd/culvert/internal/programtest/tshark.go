package programtest

import (
	"bytes"
	"context"
	"encoding/hex"
	"fmt"
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
)

// linkTypeNoFCS is LINKTYPE_IEEE802_15_4_NOFCS (the registry of tcpdump.org).
const linkTypeNoFCS = 230

// TsharkPAN is the PAN id of all frames that tshark is asked about, and the one
// whose data frames it is told to read as 6LoWPAN: its guess by the first octet
// leaves some out.
const TsharkPAN = 0xabcd

// judged is what tshark says about one frame.
type judged struct {
	sources map[string][]byte // the octet strings that it made, by the name that it gives each
	last    string            // the name of the last of them
	Expert  string            // warnings and errors, if any
	Bad     bool              // malformed, an expert's error, or a wrong checksum
}

// Tshark runs tshark 4 over MAC frames under contexts and returns what it makes of
// each. It has to be there: apt-get install -y tshark.
func Tshark(t *testing.T, frames [][]byte, ctxs map[uint8]netip.Prefix) []judged {
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
	args := []string{"-n", "-r", file, "-d", fmt.Sprintf("wpan.panid==%#x,6lowpan", TsharkPAN),
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
		out[i].Bad = f[0] != ""
		for _, s := range strings.Split(f[1], ",") {
			if n, _ := strconv.ParseUint(s, 10, 32); n >= 0x800000 { // PI_ERROR
				out[i].Bad = true
			}
		}
		for _, status := range f[3:] {
			if slices.Contains(strings.Split(status, ","), "0") { // bad; 1 is good, 2 not checked, 3 absent
				out[i].Bad = true
			}
		}
		out[i].Expert = strings.Join(f, " | ")
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

// Packet returns the IPv6 packet that tshark restored, whose last frame it was.
func (j judged) Packet(payload []byte) []byte {
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
