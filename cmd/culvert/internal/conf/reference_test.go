package conf

import (
	"errors"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"culvert/bridge/forward"
	"culvert/bridge/policy"
	"culvert/cmd/culvert/internal/cli"
	"culvert/coap/nodeclient"
)

// keysRead returns the keys of each table that the reader of the configuration looks
// at, by the table's path, the top level's being "". It asks the reader itself: each
// table of this file has a key that nobody knows, and the error names those allowed.
func keysRead(t *testing.T) map[string][]string {
	t.Helper()
	const file = `
zz = 1
[[mesh]]
zz = 1
radio   = { kind = "serial", zz = 1 }
flows   = { zz = 1 }
coap    = { zz = 1 }
place   = [ { zz = 1 } ]
context = [ { zz = 1 } ]
[[mesh.decode]]
zz = 1
fields = [ { type = "skip", zz = 1 }, { type = "uint16", zz = 1 }, { type = "bool", zz = 1 }, { type = "float32", zz = 1 } ]
[[mesh]]
radio = { kind = "stream", zz = 1 }
[[mesh]]
radio = { kind = "process", zz = 1 }
[[mesh]]
radio = { kind = "interface", zz = 1 }
[[mesh]]
radio = { kind = "simulated", zz = 1 }
[[rule]]
zz = 1
[coap]
zz = 1
nodes = { zz = 1 }
[[access]]
zz = 1
[[output]]
zz = 1
[http]
zz = 1
[upstream]
zz = 1
`
	_, err := ParseConfig("c.toml", t.TempDir(), []byte(file))
	var all ConfigErrors
	if !errors.As(err, &all) {
		t.Fatalf("%T: %v", err, err)
	}
	out := map[string][]string{}
	for _, e := range all {
		_, allowed, unknown := strings.Cut(e.Text, "unknown key; allowed here: ")
		path, isProbe := strings.CutSuffix(e.Key, "zz")
		if !unknown || !isProbe {
			continue
		}
		path = strings.TrimSuffix(path, ".")
		for k := range strings.SplitSeq(allowed, ", ") {
			if !slices.Contains(out[path], k) {
				out[path] = append(out[path], k)
			}
		}
	}
	if n := strings.Count(file, "zz = 1"); n < len(out) || len(out) < 15 {
		t.Fatalf("%d tables answered %d probes: %v", len(out), n, slices.Sorted(maps.Keys(out)))
	}
	return out
}

// keysWritten returns the lines of the reference by table and key: key, default,
// values and unit, meaning.
func keysWritten(t *testing.T) map[string]map[string][]string {
	t.Helper()
	b, err := os.ReadFile("../../../../deploy/CONFIGURATION.md")
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]map[string][]string{}
	section, in := "", false
	for line := range strings.Lines(string(b)) {
		if head, ok := strings.CutPrefix(strings.TrimLeft(line, "#"), " "); ok && line[0] == '#' {
			section = strings.Trim(head, "`[]\n")
			if section == "Top level" {
				section = ""
			}
			in = strings.HasPrefix(line, "##")
			continue
		}
		if !in || !strings.HasPrefix(line, "| `") {
			continue
		}
		cells := strings.Split(strings.Trim(line, "|\n"), "|")
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		key := strings.Trim(cells[0], "`")
		if len(cells) != 4 || slices.Contains(cells, "") {
			t.Errorf("[%s] %s: want four cells with something in each: %q", section, key, cells)
			continue
		}
		if out[section] == nil {
			out[section] = map[string][]string{}
		}
		if out[section][key] != nil {
			t.Errorf("[%s] %s stands there twice", section, key)
		}
		out[section][key] = cells
	}
	return out
}

// The reference has a line for each key that the reader knows, and for no other.
func TestConfigReference(t *testing.T) {
	read, written := keysRead(t), keysWritten(t)
	for path, keys := range read {
		for _, k := range keys {
			sub := strings.TrimPrefix(path+"."+k, ".")
			if written[path][k] == nil && written[sub] == nil {
				t.Errorf("[%s] %s has no line in deploy/CONFIGURATION.md, and no section", path, k)
			}
			if written[sub] != nil && read[sub] == nil {
				t.Errorf("[%s] is not probed: put it into the file of keysRead", sub)
			}
		}
	}
	for path, keys := range written {
		for k := range keys {
			if !slices.Contains(read[path], k) {
				t.Errorf("[%s] %s stands in deploy/CONFIGURATION.md, and there is no such key", path, k)
			}
		}
	}
}

// The defaults that the reference names are those of the code.
func TestConfigReferenceDefaults(t *testing.T) {
	written := keysWritten(t)
	asked := nodeclient.Transmission{}.WithDefaults()
	air := func(a policy.Air) string {
		return Describe(int64(a.PerSecond)) + " B/s burst " + Describe(int64(a.Burst))
	}
	for _, c := range []struct{ table, key, want string }{
		{"", "state_dir", defaultStateDir},
		{"", "control", DefaultControl},
		{"mesh", "airtime_node", air(policy.DefaultNodeAir)},
		{"mesh", "airtime_mesh", air(policy.DefaultMeshAir)},
		{"mesh", "icmp_errors", policy.Rate{Packets: forward.DefaultErrorRate, Per: time.Second, Burst: forward.DefaultErrorBurst}.String()},
		{"mesh.radio", "speed", Describe(int64(DefaultSpeed))},
		{"coap.nodes", "ack_timeout", cli.DurationText(asked.AckTimeout)},
		{"coap.nodes", "ack_random_factor", Describe(asked.AckRandomFactor)},
		{"coap.nodes", "max_retransmit", Describe(int64(asked.MaxRetransmit))},
		{"coap.nodes", "timeout", "60 s"},
		{"coap.nodes", "block_size", Describe(int64(asked.NodeBlock))},
	} {
		row := written[c.table][c.key]
		if row == nil || strings.Trim(row[1], "`") != c.want {
			t.Errorf("[%s] %s: default in the reference %q, in the code %q", c.table, c.key, row, c.want)
		}
	}
	if asked.NodeTimeout.Seconds() != 60 {
		t.Errorf("timeout is %v", asked.NodeTimeout)
	}
}

// A key that must be there is one that the reference calls needed, and no other is,
// but those that are needed with another key's value.
func TestConfigReferenceNeeded(t *testing.T) {
	const file = `
[[mesh]]
place   = [ {} ]
context = [ {} ]
decode  = [ { fields = [ {} ] } ]
radio   = { kind = "serial" }
[[mesh]]
radio = { kind = "stream" }
[[mesh]]
radio = { kind = "process" }
[[mesh]]
radio = { kind = "interface" }
[[mesh]]
radio = { kind = "simulated" }
[[mesh]]
radio = {}
decode = [ {} ]
[[rule]]
[[access]]
[[output]]
[http]
[upstream]
`
	_, err := ParseConfig("c.toml", t.TempDir(), []byte(file))
	var all ConfigErrors
	if !errors.As(err, &all) {
		t.Fatalf("%T: %v", err, err)
	}
	missing := map[string]bool{}
	for _, e := range all {
		if strings.HasPrefix(e.Text, "missing; want") {
			missing[e.Key] = true
		}
	}
	for path, keys := range keysWritten(t) {
		for k, row := range keys {
			full := strings.TrimPrefix(path+"."+k, ".")
			if needed := strings.HasPrefix(row[1], "**needed**"); needed != missing[full] {
				t.Errorf("%s: the reference says needed %v, the reader %v", full, needed, missing[full])
			}
		}
	}
}

// The configuration to begin with, as the README shows it, is one.
func TestReadmeConfigIsValid(t *testing.T) {
	b, err := os.ReadFile("../../../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, text, ok := strings.Cut(string(b), "A configuration to begin with:\n\n```toml\n")
	text, _, end := strings.Cut(text, "```")
	if !ok || !end {
		t.Fatal("the README has no configuration to begin with")
	}
	cfg, err := ParseConfig("README.md", t.TempDir(), []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if len(cfg.Meshes) != 1 || len(cfg.Meshes[0].Places) != 1 || len(cfg.Rules) != 1 || cfg.HttpListen == "" {
		t.Errorf("%+v", cfg)
	}
}
