package dissect

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"culvert/bridge/bridgetest"
	"culvert/cmd/culvert/internal/cli"
)

var update = flag.Bool("update", false, "write the golden files of explain anew")

// What explain and compress print for people, in testdata/explain: one file for each
// command line. The frames are those of the vectors and of the kernel whose names
// stand beside them, so that what is said of them is checked elsewhere too.
func TestGoldenExplain(t *testing.T) {
	node, gateway := "02:00:5e:ef:10:00:00:0b", "00:00:5e:ef:10:00:00:01"
	link := []string{"--from", node, "--to", gateway}
	for name, args := range map[string][]string{
		// Vector ok-page0 without its page octet: UDP with both addresses elided.
		"udp": append([]string{"explain", "7e33f01633163331a4636f6170"}, link...),
		// Our own: a confirmable GET of /temp from a host to a node (RFC 7252, 3); a
		// correct checksum shows that it is whole.
		"coap": {"explain", "--from", gateway, "--to", "12:34", "--context", "0=2001:db8::/64",
			"7c073f20010db8ffff00000000000000000053f0d4311633ddac41017d342ab474656d70"},
		// Vector ext-ip6-in-ip6-hl17 of the set nhc-ext.
		"ip-in-ip": append([]string{"explain", vectorHex(t, "nhc-ext", "ext-ip6-in-ip6-hl17")}, link...),
		// Vector ext-hbh-padn3: a hop-by-hop header whose padding is restored.
		"hop-by-hop": append([]string{"explain", vectorHex(t, "nhc-ext", "ext-hbh-padn3")}, link...),
		// Vectors of the set frag: three fragments; the last of them alone.
		"fragments": append(append([]string{"explain"}, vectorFrames(t, "frag", "frag-ok-c-200")...), link...),
		"fragment":  append([]string{"explain", vectorFrames(t, "frag", "frag-ok-c-200")[2]}, link...),
		// Vector mesh-v0-f0-hops1: originator and final address.
		"mesh": {"explain", "--from", "00:01", "--to", "00:02", vectorHex(t, "mesh", "mesh-v0-f0-hops1")},
		// Vectors of the set negative.
		"unknown-context": append([]string{"explain", vectorHex(t, "negative", "neg-noctx-src-11")}, link...),
		"truncated":       append([]string{"explain", vectorHex(t, "negative", "neg-nhc-udp-halfcsum")}, link...),
		"empty":           append([]string{"explain", ""}, link...),
		"not-lowpan":      append([]string{"explain", "3f0000"}, link...),
		// Kernel vector ext/pair0-echo/ns: a neighbour solicitation.
		"neighbor": {"explain", "--from", "02:11:22:33:44:55:66:01", "--to", "ff:ff", kernelHex(t, "ext/pair0-echo/ns")},
		// Vector nd-ra-full, behind the dispatch octet of a packet that is not compressed.
		"advertisement": {"explain", "--from", gateway, "--to", "12:34", "41" + packetHex(t, "nd", "nd-ra-full")},
		// Vector comp-ext-to-node-eui of the set compress, and a long packet.
		"compress": {"compress", "--from", node, "--to", gateway, "--context", "0=2001:db8::/64", packetHex(t, "compress", "comp-ext-to-node-eui")},
		"compress-fragments": append([]string{"compress", "--frame-size", "80", "--tag", "513",
			packetHex(t, "frag", "frag-ok-c-200")}, link...),
	} {
		t.Run(name, func(t *testing.T) {
			code, stdout, stderr := runCLI("", args...)
			exit := cli.ExitOK
			if strings.Contains(stdout, "\n  dropped: ") || strings.Contains(stdout, " ends: ") {
				exit = cli.ExitBad
			}
			if code != exit || stderr != "" {
				t.Fatalf("exit code %d, standard error %q", code, stderr)
			}
			got := "$ culvert " + strings.Join(args, " ") + "\n" + stdout
			path := bridgetest.Testdata(t, "explain", name+".txt")
			if *update {
				if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			golden, err := os.ReadFile(path)
			if err != nil {
				t.Fatalf("%v; go test ./cmd/culvert -run GoldenExplain -update writes it", err)
			}
			if !bytes.Equal([]byte(got), golden) {
				t.Errorf("it prints\n%s\nand %s holds\n%s", got, path, golden)
			}
			for i, l := range strings.Split(stdout, "\n") {
				if strings.TrimRight(l, " ") != l || strings.Contains(l, "\t") {
					t.Errorf("line %d has a tab or ends in spaces: %q", i, l)
				}
			}
		})
	}
}

// findVector returns the vector with the given id.
func findVector(t *testing.T, set, id string) bridgetest.Vector {
	t.Helper()
	for _, v := range bridgetest.Vectors(t, set) {
		if v.ID == id {
			return v
		}
	}
	t.Fatalf("no vector %s", id)
	return bridgetest.Vector{}
}

func vectorFrames(t *testing.T, set, id string) []string {
	t.Helper()
	var out [][]byte
	for _, f := range findVector(t, set, id).Frames {
		out = append(out, f.Payload)
	}
	return hexes(out)
}

func vectorHex(t *testing.T, set, id string) string { return vectorFrames(t, set, id)[0] }

func packetHex(t *testing.T, set, id string) string {
	return hexes(findVector(t, set, id).Packets)[0]
}

func kernelHex(t *testing.T, name string) string {
	t.Helper()
	for _, v := range bridgetest.KernelVectors(t) {
		if v.Name == name {
			return hexes(v.Frames)[0]
		}
	}
	t.Fatalf("no kernel vector %s", name)
	return ""
}

// The help of both commands names every option and every key of their JSON.
func TestExplainCompressHelp(t *testing.T) {
	for command, words := range map[string][]string{
		"explain": {"--from", "--to", "--context", "--json", "--elided-checksum", "--ghc", `"frames"`, `"packets"`, `"drops"`, `"reason"`,
			`"error"`, `"at"`, `"elided_checksum"`, `"ghc"`, `"contexts"`, "reassembly-timeout", "Examples:"},
		"compress": {"--from", "--to", "--context", "--json", "--frame-size", "--tag", "--encoding", "--ghc", `"packet"`, `"frame_size"`,
			`"tag"`, `"encoding"`, `"ghc"`, `"frames"`, `"error"`, "conservative", "full", "Examples:"},
	} {
		code, stdout, stderr := runCLI("", command, "--help")
		if code != cli.ExitOK || stderr != "" {
			t.Errorf("%s --help: exit code %d, standard error %q", command, code, stderr)
		}
		for _, w := range words {
			if !strings.Contains(stdout, w) {
				t.Errorf("%s --help does not tell of %s", command, w)
			}
		}
		for _, l := range strings.Split(stdout, "\n") {
			if strings.Contains(l, "\t") {
				t.Errorf("%s --help: a tab in %q", command, l)
			}
		}
	}
}
