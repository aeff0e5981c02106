package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"io"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gopacket/gopacket/pcapgo"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/cmd/culvert/internal/programtest"
)

// The rig: testdata/kernelnode boots Linux 6.1 in a virtual machine, whose own IEEE
// 802.15.4 and 6LoWPAN stack plays the nodes. What holds here holds against an
// implementation that nobody of this project wrote.
const (
	rigScenario = "../../testdata/kernelnode/scenarios/kernel-node.sh"
	rigChecks   = 67 // PASS lines of the scenario
)

var (
	rigPrefix   = netip.MustParsePrefix("2001:db8:1::/64")
	rigHosts    = netip.MustParsePrefix("2001:db8:2::/64")
	rigGateway  = netip.MustParseAddr("2001:db8:1::1")
	rigEUI      = ieee802154.MustParseAddr("02:11:22:33:44:55:66:02")
	rigChosen   = netip.MustParseAddr("2001:db8:1:0:a:b:c:d") // of a node's choice: its first packet ends
	rigContexts = map[uint8]netip.Prefix{0: rigPrefix, 1: rigHosts}
)

// TestKernelNodes boots the machine once, and holds that every check of the scenario
// passes, that no bit of a packet changes on its way but the hop limit, and that
// tshark reads every frame that we sent.
func TestKernelNodes(t *testing.T) {
	t.Parallel()
	dir := bootRig(t)
	for _, phase := range []struct {
		name string
		ctxs map[uint8]netip.Prefix
	}{{"plain", nil}, {"contexts", rigContexts}} {
		t.Run(phase.name, func(t *testing.T) {
			comparePackets(t, dir, phase.name)
			judgeFrames(t, filepath.Join(dir, phase.name+"-frames.pcap"), phase.ctxs)
		})
	}
}

// The frames of one run are kept, so that they are judged where no machine boots too
// (testdata/README.md).
func TestKeptCaptures(t *testing.T) {
	judgeFrames(t, "../../testdata/captures/kernel-node-plain.pcap", nil)
	judgeFrames(t, "../../testdata/captures/kernel-node-contexts.pcap", rigContexts)
}

// bootRig runs the scenario and returns the folder of what it left.
func bootRig(t *testing.T) string {
	t.Helper()
	bin, out := t.TempDir(), filepath.Join(t.TempDir(), "out")
	build := func(name string, args ...string) string {
		file := filepath.Join(bin, name)
		cmd := exec.Command("go", append(args[:1:1], append([]string{"-o", file}, args[1:]...)...)...)
		cmd.Env = append(os.Environ(), "CGO_ENABLED=0") // the guest has no C library
		if b, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("go %v: %v\n%s", args, err, b)
		}
		return file
	}
	files := []string{
		build("culvert", "build", "."),
		build("guesttest", "build", "culvert/bridge/radio/netif/guesttest"),
		build("netif.test", "test", "-tags", "guest", "-c", "culvert/bridge/radio/netif"),
	}
	ctx, cancel := context.WithTimeout(t.Context(), 9*time.Minute)
	defer cancel()
	args := append([]string{"-o", out, "-t", "400", rigScenario}, files...)
	report, err := exec.CommandContext(ctx, "../../testdata/kernelnode/run.sh", args...).CombinedOutput()
	console, _ := os.ReadFile(filepath.Join(out, "console.log")) // absent where it did not even boot
	if err != nil {
		t.Fatalf("the rig: %v\n%s\n%s", err, report, console)
	}
	t.Logf("%s", report)
	passed := strings.Count(string(console), "PASS: ")
	if passed != rigChecks || strings.Contains(string(console), "FAIL") {
		t.Fatalf("%d of %d checks passed\n%s", passed, rigChecks, console)
	}
	return out
}

// records reads a capture.
func records(t *testing.T, file string) (out [][]byte) {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r, err := pcapgo.NewReader(f)
	if err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	for {
		b, _, err := r.ReadPacketData()
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) { // cut at its end
			return out
		}
		if err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		out = append(out, b)
	}
}

// ofLink reports whether a packet is talk of one link, which ends at the bridge:
// neighbour and listener discovery.
func ofLink(p ipv6.Packet) bool {
	switch icmpTypeIn(p) {
	case 130, 131, 132, 133, 134, 135, 136, 137, 143:
		return true
	}
	return false
}

// icmpTypeIn is the type of an ICMPv6 message, behind a hop-by-hop header too; 0 if
// p is none.
func icmpTypeIn(p ipv6.Packet) byte {
	switch {
	case p[6] == 58 && len(p) > 40:
		return p[40]
	case p[6] == 0 && len(p) > 48 && p[40] == 58:
		return p[48]
	}
	return 0
}

// proofs returns those packets of a node's recording by which the node proved a second
// link address to the bridge. They end at the bridge, so they are not on the TUN. A
// question is an echo request of 64 octets, sent with hop limit 255 from the gateway's
// link-local address to the node's; all behind its checksum (identifier, sequence number,
// 16 octets) is the secret. An answer is the echo reply of that node with the secret of a
// question.
func proofs(seen, tun map[string]int) map[string]bool {
	iid, _ := ipv6.IIDOf(rigEUI)
	us := ipv6.LinkLocal(iid)
	out := map[string]bool{}
	asked := map[string]netip.Addr{} // by secret
	echoes := func(kind byte, g func(raw string, p ipv6.Packet, secret string)) {
		for raw := range seen {
			p := ipv6.Packet(raw)
			if len(p) == 64 && p[6] == 58 && p[40] == kind && p[41] == 0 && tun[raw] == 0 &&
				ipv6.ChecksumOK(p.SourceBytes(), p.DestinationBytes(), 58, p[40:]) {
				g(raw, p, string(p[44:]))
			}
		}
	}
	echoes(ipv6.TypeEchoRequest, func(raw string, p ipv6.Packet, secret string) {
		if p.Source() == us && p.HopLimit() == 255 && p.Destination().IsLinkLocalUnicast() {
			out[raw], asked[secret] = true, p.Destination()
		}
	})
	echoes(ipv6.TypeEchoReply, func(raw string, p ipv6.Packet, secret string) {
		if p.Destination() == us && p.Source() == asked[secret] {
			out[raw] = true
		}
	})
	return out
}

// Only the bridge's own questions and the answers that hold their secret are left out of
// the comparison. The two packets are from a run with Linux 6.1.
func TestProofsAreKnownBySecret(t *testing.T) {
	const question = "6000000000183afffe800000000000000011223344556602fe80000000000000001122334455660b8000b44951ca34ac60ce9a0782501523b12ee063648e2640"
	const answer = "600f778f00183a40fe80000000000000001122334455660bfe8000000000000000112233445566028100b34951ca34ac60ce9a0782501523b12ee063648e2640"
	packets := func(change func(p ipv6.Packet), texts ...string) map[string]int {
		out := map[string]int{}
		for _, x := range texts {
			b, err := hex.DecodeString(x)
			if err != nil {
				t.Fatal(err)
			}
			p := ipv6.Packet(b)
			change(p)
			p[42], p[43] = 0, 0
			binary.BigEndian.PutUint16(p[42:], ipv6.Checksum(p.SourceBytes(), p.DestinationBytes(), 58, p[40:]))
			out[string(p)]++
		}
		return out
	}
	same := func(ipv6.Packet) {}
	for _, c := range []struct {
		name      string
		seen, tun map[string]int
		want      int
	}{
		{"both", packets(same, question, answer), nil, 2},
		{"no answer", packets(same, question), nil, 1},
		{"no question", packets(same, answer), nil, 0},
		{"of another secret", packets(func(p ipv6.Packet) { p[63] ^= p[40] & 1 }, question, answer), nil, 1},
		{"of another node", packets(func(p ipv6.Packet) { p[23] ^= p[40] & 1 }, question, answer), nil, 1},
		{"of the gateway's kernel, by hop limit", packets(func(p ipv6.Packet) { p.SetHopLimit(64) }, question, answer), nil, 0},
		{"of the gateway's kernel, by the TUN", packets(same, question, answer), packets(same, question, answer), 0},
	} {
		if got := proofs(c.seen, c.tun); len(got) != c.want {
			t.Errorf("%s: %d of %d packets, want %d", c.name, len(got), len(c.seen), c.want)
		}
	}
}

// comparePackets holds that what the nodes' kernels sent and received is what was
// seen on the TUN, octet by octet, but for the hop limit: one less where the packet
// was forwarded, the same to and from the gateway itself.
func comparePackets(t *testing.T, dir, phase string) {
	t.Helper()
	tun := map[string]int{}
	for _, p := range records(t, filepath.Join(dir, phase+"-tun.pcap")) {
		tun[string(p)]++
	}
	seen := map[string]map[string]int{} // by node
	for _, n := range []string{"a", "b", "c"} {
		seen[n] = map[string]int{}
		for _, p := range records(t, filepath.Join(dir, phase+"-"+n+".pcap")) {
			seen[n][string(p)]++
		}
	}
	compared, turned, proved := 0, 0, 0
	for n, packets := range seen {
		proof := proofs(packets, tun)
		proved += len(proof)
		for raw := range packets {
			if proof[raw] {
				continue
			}
			p := ipv6.Packet(bytes.Clone([]byte(raw)))
			src, dst := p.Source(), p.Destination()
			if ofLink(p) || src == rigChosen || dst == rigChosen || dst.IsMulticast() && !rigPrefix.Contains(src) && !src.IsLinkLocalUnicast() {
				continue
			}
			inside := func(a netip.Addr) bool { return rigPrefix.Contains(a) && a != rigGateway }
			if inside(src) && inside(dst) { // from node to node: never on the TUN
				turned += compareTurned(t, seen, n, p)
				continue
			}
			fromUs, toUs := src == rigGateway, dst == rigGateway
			link := src.IsLinkLocalUnicast() || dst.IsMulticast()
			switch {
			case link || fromUs || toUs: // as it is
			case inside(src): // on its way out: the TUN has one hop less
				p.SetHopLimit(p.HopLimit() - 1)
			default:
				p.SetHopLimit(p.HopLimit() + 1)
			}
			if tun[string(p)] == 0 {
				t.Errorf("%s: a packet of %d octets from %v to %v, hop limit %d, is not on the TUN as it was:\n%x", n, len(p), src, dst, p.HopLimit(), []byte(p))
			}
			compared++
		}
	}
	t.Logf("%d packets compared between nodes and TUN, %d between nodes; %d proved a link address to the bridge", compared, turned, proved)
	if compared < 60 || turned < 6 {
		t.Errorf("only %d and %d packets were there to be compared", compared, turned)
	}
}

// compareTurned looks for a packet of one node in the others' recordings, one hop
// older or younger.
func compareTurned(t *testing.T, seen map[string]map[string]int, n string, p ipv6.Packet) int {
	t.Helper()
	for other, packets := range seen {
		for _, d := range []int{-1, 1} {
			q := ipv6.Packet(bytes.Clone(p))
			q.SetHopLimit(byte(int(p.HopLimit()) + d))
			if other != n && packets[string(q)] > 0 {
				return 1
			}
		}
	}
	t.Errorf("%s: a packet of %d octets from %v to %v has no twin at another node", n, len(p), p.Source(), p.Destination())
	return 0
}

// judgeFrames asks tshark about every frame that the gateway sent.
func judgeFrames(t *testing.T, file string, ctxs map[uint8]netip.Prefix) {
	t.Helper()
	var ours [][]byte
	for _, f := range records(t, file) {
		h, _, err := ieee802154.ParseHeader(f)
		if err != nil {
			t.Fatalf("%x: %v", f, err)
		}
		if h.From == rigEUI {
			f = slices.Clone(f)
			f[3], f[4] = programtest.TsharkPAN&0xff, programtest.TsharkPAN>>8 // the PAN that tshark is told to read as 6LoWPAN
			ours = append(ours, f)
		}
	}
	for i, j := range programtest.Tshark(t, ours, ctxs) {
		if j.Bad {
			t.Errorf("frame %d: %s\n%x", i, j.Expert, ours[i])
		}
	}
	t.Logf("tshark read %d frames of ours", len(ours))
	if len(ours) < 100 {
		t.Errorf("only %d frames of ours were recorded", len(ours))
	}
}
