package daemon

import (
	"net/netip"
	"os"
	"strings"
	"testing"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/cmd/culvert/internal/conf"
)

// The rule that the documents give for hosts with global addresses does let one into a mesh
// with a unique local prefix (RFC 4193), and the same rule with "any" does not.
func TestDocumentedRuleOpensUniqueLocalMesh(t *testing.T) {
	const line = `from = "2000::/3"`
	doc, err := os.ReadFile("../../../../deploy/CONFIGURATION.md")
	if err != nil {
		t.Fatal(err)
	}
	readme, err := os.ReadFile("../../../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(readme), line) {
		t.Errorf("README.md does not hold %s", line)
	}
	_, rest, _ := strings.Cut(string(doc), "## `[[rule]]`")
	_, rest, _ = strings.Cut(rest, "```toml\n")
	rule, _, found := strings.Cut(rest, "```")
	if !found {
		t.Fatal("no example under [[rule]] in CONFIGURATION.md")
	}
	const mesh = "[[mesh]]\nname = 'fenland'\ninterface = 'mesh0'\nprefix = 'fd5e:2a11:77c0:1::/64'\nradio = { kind = 'serial', device = '/dev/ttyS0' }\n"
	eui := ieee802154.Extended(0x00005eef10000005)
	table, err := node.New(node.Options{Prefix: netip.MustParsePrefix("fd5e:2a11:77c0:1::/64"), Places: []node.Place{{Name: "grain-bin", EUI64: eui}}})
	if err != nil {
		t.Fatal(err)
	}
	bin := table.ByLabel("grain-bin")
	for _, c := range []struct {
		rule  string
		why   policy.Why
		first int
	}{{rule, policy.ByDefault, 0}, {strings.Replace(rule, "2000::/3", "any", 1), policy.Unnamed, -1}} {
		cfg, err := conf.ParseConfig("c.toml", t.TempDir(), []byte(mesh+c.rule))
		if err != nil {
			t.Fatal(err)
		}
		set, err := policy.Compile(cfg.Rules)
		if err != nil {
			t.Fatal(err)
		}
		e := newEngine(cfg.Meshes[0])
		e.Swap(set)
		tuple := policy.Tuple{Source: netip.MustParseAddr("2001:db8:5::9"), Destination: table.Address(bin), Proto: ipv6.ProtoUDP, DestinationPort: 5683}
		if i, why := e.Would(tuple, nil, bin); i != c.first || i < 0 && why != c.why {
			t.Errorf("rule %d decides, %v; want %d, %v:\n%s", i, why, c.first, c.why, c.rule)
		}
	}
}
