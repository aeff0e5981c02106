package simulate

import (
	"fmt"
	"net/netip"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"culvert/bridge/sim"
	"culvert/cmd/culvert/internal/conf"
	"culvert/deploy/fenland"
)

// The plan of the example site and its configuration speak of the same places, and
// the mesh of the plan is up within ten seconds, whatever course chance takes.
func TestExampleSite(t *testing.T) {
	site, err := LoadSite("")
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := conf.LoadConfig("../../../../deploy/fenland/culvert.toml")
	if err != nil {
		t.Fatal(err)
	}
	mesh := cfg.Meshes[0]
	if site.Prefix != mesh.Prefix || filepath.Base(mesh.Radio.Site) != "site.toml" {
		t.Errorf("the plan has prefix %v, the configuration %v", site.Prefix, mesh.Prefix)
	}
	var planned, configured []string
	for _, n := range site.Nodes {
		planned = append(planned, n.Name+" "+n.EUI64.String())
	}
	for _, p := range mesh.Places {
		configured = append(configured, p.Name+" "+p.Eui64.String())
	}
	if !slices.Equal(planned, configured) || len(planned) != 6 {
		t.Errorf("planned    %v\nconfigured %v", planned, configured)
	}
	for _, l := range site.Links {
		if l.Delivery < 0.85 || l.Delivery > 0.99 {
			t.Errorf("delivery %v between %s and %s", l.Delivery, l.A, l.B)
		}
	}
	var slowest time.Duration
	for seed := range uint64(50) {
		m, err := sim.New(sim.Options{Site: site, Seed: seed})
		if err != nil {
			t.Fatal(err)
		}
		for m.Joined() < 6 && m.Now() < time.Minute {
			m.Advance(m.Now() + 10*time.Millisecond)
		}
		slowest = max(slowest, m.Now())
		m.Advance(time.Minute)
		hops := map[int]int{}
		for _, n := range m.Nodes() {
			hops[n.Hops]++
			if n.Parents[1] == "" {
				t.Errorf("seed %d: %s has only the parent %s", seed, n.Name, n.Parents[0])
			}
		}
		if hops[1] != 2 || hops[3] < 1 || hops[1]+hops[2]+hops[3] != 6 {
			t.Errorf("seed %d: nodes by hops %v", seed, hops)
		}
	}
	t.Logf("slowest of 50 courses: six nodes after %v", slowest)
	if slowest > 10*time.Second {
		t.Errorf("six nodes took %v to join", slowest)
	}
}

// Everything that is wrong in a plan is said at once, with its line and what is
// allowed.
func TestSiteErrors(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", `
s.toml:1: gateway: missing; want a table with the eui64 of the gateway's radio
s.toml:1: prefix: missing; want an IPv6 prefix of 64 bits, like "fd5e:2a11:77c0:1::/64"`},
		{"not TOML", "prefix = ", `
s.toml:1: not TOML: `},
		{"types", `prefix = 5
pan = "a"
colour = 1
[gateway]
eui64 = "00:00"
short = "zz"
east = "far"
[air]
slot = "fast"
slots = 1
hops = 3
[bursts]
every = -1
[[node]]
joins = "-1s"
temp = nan
[[link]]
[[link]]
between = ["a"]
[[link]]
between = ["a", 1]
delivery = "all"
`, `
s.toml:1: prefix: 5; want an IPv6 prefix of 64 bits, like "fd5e:2a11:77c0:1::/64"
s.toml:2: pan: "a"; want a PAN id from 0 to 65534
s.toml:3: colour: unknown key; allowed here: name, prefix, pan, channel, gateway, air, bursts, node, link
s.toml:6: gateway.short: "zz"; want 2 octets in hex, like "00:05"
s.toml:7: gateway.east: "far"; want a number: metres
s.toml:9: air.slot: "fast"; want a time with its unit, like "10ms" or "2s"
s.toml:10: air.slots: 1; want a number of slots from 2 to 2147483647
s.toml:11: air.hops: unknown key; allowed here: slot, slots, cells, retries, queue, joins, beat
s.toml:13: bursts.every: -1; want a time with its unit, like "10ms" or "2s"
s.toml:14: node.name: missing; want a DNS label, like "grain-bin"
s.toml:15: node.joins: "-1s"; want a time with its unit, like "10ms" or "2s"
s.toml:16: node.temp: NaN; want a number: degrees Celsius
s.toml:17: link.between: missing; want two names, like ["gateway", "mast"]
s.toml:19: link.between: 1 of them; want two names, like ["gateway", "mast"]
s.toml:21: link.between: element 2 is 1; want two names, like ["gateway", "mast"]
s.toml:22: link.delivery: "all"; want a number: the share of attempts that arrive, like 0.95`},
		{"values", `prefix = "fd5e:2a11:77c0::/48"
[gateway]
eui64 = "00:00:5e:ef:10:00:00:01"
[air]
slots = 2000
[[node]]
name = "A"
eui64 = "00:00:5e:ef:10:00:00:01"
[[node]]
name = "b"
short = "ff:ff"
[[link]]
between = ["b", "c"]
delivery = 1.5
`, `
s.toml:1: prefix: fd5e:2a11:77c0::/48; want an IPv6 prefix of 64 bits
s.toml:5: air.slots: 2000; want 2 to 1009
s.toml:7: node.name: "A"; want 1 to 63 of a to z, 0 to 9 and '-', no '-' at either end
s.toml:8: node.eui64: 00:00:5e:ef:10:00:00:01 is that of "gateway" too
s.toml:9: node.eui64: none; want 8 octets, not all zeros or all ones
s.toml:11: node.short: ff:ff; want 2 octets, not ff:ff, ff:fe or 80:00 to 9f:ff
s.toml:13: link.between: there is no node "c"
s.toml:14: link.delivery: 1.5; want above 0 and at most 1`},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := parseSite("s.toml", []byte(c.text))
			if err == nil {
				t.Fatal("no error")
			}
			want := strings.TrimPrefix(c.want, "\n")
			if got := err.Error(); got != want && !(strings.HasSuffix(want, ": ") && strings.HasPrefix(got, want)) {
				t.Errorf("got\n%s\nwant\n%s", got, want)
			}
		})
	}
	if _, err := LoadSite(filepath.Join(t.TempDir(), "none.toml")); err == nil {
		t.Error("a file that is not there: no error")
	}
}

// No plan makes the reader panic, and what it accepts sim accepts.
func FuzzSite(f *testing.F) {
	f.Add(fenland.Site)
	f.Add([]byte("prefix = \"fd00::/64\"\n[gateway]\neui64 = \"02:00:00:00:00:00:00:01\"\n[[node]]\nname = \"a\"\neui64 = \"02:00:00:00:00:00:00:02\"\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		site, err := parseSite("s.toml", data)
		if err != nil {
			return
		}
		if err := site.Check(); err != nil {
			t.Errorf("accepted, and wrong: %v", err)
		}
	})
}

// The flags reach the mesh.
func TestBuildSimulation(t *testing.T) {
	m, err := buildSimulation(simulateOptions{ideal: 20, prefix: "2001:db8:5::/64", speed: 1})
	if err != nil {
		t.Fatal(err)
	}
	if m.Joined() != 20 {
		t.Errorf("%d nodes of 20", m.Joined())
	}
	site, err := LoadSite("")
	if err != nil {
		t.Fatal(err)
	}
	if want := netip.MustParsePrefix("fd5e:2a11:77c0:1::/64"); site.Prefix != want {
		t.Errorf("prefix %v", site.Prefix)
	}
	if fmt.Sprint(site.Air.Slots, site.Air.Cells, site.Air.Retries, site.Air.Slot) != "13 1 3 10ms" {
		t.Errorf("air %+v", site.Air)
	}
}
