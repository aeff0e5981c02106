package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"culvert/bridge/radio"
	"culvert/bridge/sim"
	"culvert/deploy/fenland"
	"culvert/tun/tuntest"
)

// The plan of the example site and its configuration speak of the same places, and
// the mesh of the plan is up within ten seconds, whatever course chance takes.
func TestExampleSite(t *testing.T) {
	site, err := loadSite("")
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := loadConfig("../../deploy/fenland/culvert.toml")
	if err != nil {
		t.Fatal(err)
	}
	mesh := cfg.meshes[0]
	if site.Prefix != mesh.prefix || filepath.Base(mesh.radio.site) != "site.toml" {
		t.Errorf("the plan has prefix %v, the configuration %v", site.Prefix, mesh.prefix)
	}
	var planned, configured []string
	for _, n := range site.Nodes {
		planned = append(planned, n.Name+" "+n.EUI64.String())
	}
	for _, p := range mesh.places {
		configured = append(configured, p.name+" "+p.eui64.String())
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
	if _, err := loadSite(filepath.Join(t.TempDir(), "none.toml")); err == nil {
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

func TestSimulateWrongUse(t *testing.T) {
	for _, c := range []struct{ args, want string }{
		{"simulate x", `culvert simulate: unknown command "x" for "culvert simulate" (see 'culvert simulate --help')`},
		{"simulate --listen [::1]:99", `culvert simulate: --listen "[::1]:99": want tcp:HOST:PORT, like tcp:[::1]:6283, or unix:PATH`},
		{"simulate --listen tcp:[::1]:0 --pty", `culvert simulate: --listen and --pty: only one of them`},
		{"simulate --loss 2", `culvert simulate: --loss: loss 2: want 0 to 1`},
		{"simulate --loss 0.1 --ideal 5", `culvert simulate: --loss: an ideal mesh loses nothing`},
		{"simulate --ideal -5", `culvert simulate: --ideal -5: want 1 to 100000 nodes`},
		{"simulate --ideal 5 --site x", `culvert simulate: --ideal makes its own nodes: leave --site out`},
		{"simulate --speed 0", `culvert simulate: --speed 0: want above 0 and at most 1000`},
		{"simulate --period 1500ms", `culvert simulate: sim: period 1.5s: want whole seconds, 1 to 86400`},
		{"simulate --prefix x", `culvert simulate: --prefix "x": want a prefix of 64 bits, like fd5e:2a11:77c0:1::/64`},
		{"simulate tell /tmp/x", `culvert simulate tell: requires at least 2 arg(s), only received 1 (see 'culvert simulate tell --help')`},
	} {
		code, _, stderr := command(t, strings.Fields(c.args)...)
		if code != exitUsage || stderr != c.want+"\n" {
			t.Errorf("%s: exit code %d\n got %s\nwant %s", c.args, code, stderr, c.want)
		}
	}
	if code, _, _ := command(t, "simulate", "tell", filepath.Join(t.TempDir(), "none"), "list"); code != exitUnreachable {
		t.Errorf("tell without a simulation: exit code %d", code)
	}
}

// background runs a command line until the test ends, and returns what it prints.
func background(t *testing.T, args ...string) *bufio.Reader {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	r, w := io.Pipe()
	done := make(chan struct{})
	var errs strings.Builder
	go func() {
		defer close(done)
		if code := run(ctx, args, strings.NewReader(""), w, &errs); code != exitOK {
			t.Errorf("%v: exit code %d: %s", args, code, errs.String())
		}
		w.Close()
	}()
	t.Cleanup(func() { cancel(); r.Close(); <-done })
	return bufio.NewReader(r)
}

// sixNodes checks that six nodes attach over a link to a radio.
func sixNodes(t *testing.T, l *radio.Link) {
	t.Helper()
	stop := time.AfterFunc(30*time.Second, func() { l.Close() })
	defer stop.Stop()
	defer l.Close()
	b := make([]byte, radio.MaxRecord)
	for attached := 0; attached < 6; {
		e, err := l.Receive(b)
		if errors.Is(err, net.ErrClosed) {
			t.Fatalf("%d nodes attached within 30 s", attached)
		} else if err != nil {
			t.Fatal(err)
		}
		switch e.Kind {
		case radio.EventUp:
			if attached = 0; e.Info.MaxExtended != sim.MaxExtended || e.Info.Name == "" {
				t.Errorf("up: %+v", e.Info)
			}
		case radio.EventAttached:
			attached++
		}
	}
}

// The radio package's own kinds of attachment find the simulated mesh behind each
// door of the command.
func TestSimulateDoors(t *testing.T) {
	t.Run("process", func(t *testing.T) {
		l, err := radio.NewProcess(radio.ProcessOptions{Command: []string{built(t), "simulate", "--speed", "20"}})
		if err != nil {
			t.Fatal(err)
		}
		sixNodes(t, l)
	})
	t.Run("unix socket", func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "radio")
		background(t, "simulate", "--speed", "20", "--listen", "unix:"+path)
		l, err := radio.NewStream(radio.StreamOptions{Address: "unix:" + path})
		if err != nil {
			t.Fatal(err)
		}
		sixNodes(t, l)
	})
	t.Run("pseudo-terminal", func(t *testing.T) {
		line, err := background(t, "simulate", "--speed", "20", "--pty").ReadString('\n')
		if err != nil {
			t.Fatal(err)
		}
		l, err := radio.NewSerial(radio.SerialOptions{Device: strings.TrimSpace(line), Speed: 115200})
		if err != nil {
			t.Fatal(err)
		}
		sixNodes(t, l)
	})
}

func TestSimulateTell(t *testing.T) {
	dir := t.TempDir()
	control := filepath.Join(dir, "control")
	background(t, "simulate", "--speed", "50", "--loss", "0", "--listen", "unix:"+filepath.Join(dir, "radio"), "--control", control)
	tell := func(args ...string) (int, string, string) {
		return command(t, append([]string{"simulate", "tell", control}, args...)...)
	}
	joined := func() (n int) {
		_, out, _ := tell("list", "--json")
		var nodes []struct{ Name, State string }
		if json.Unmarshal([]byte(out), &nodes) != nil {
			return -1
		}
		for _, one := range nodes {
			if one.State == "joined" {
				n++
			}
		}
		return n
	}
	await := func(want int) {
		t.Helper()
		tuntest.Poll(t, time.Minute, func() (bool, string) {
			n := joined()
			return n == want, fmt.Sprintf("%d nodes have joined, want %d", n, want)
		})
	}
	await(6)
	if code, out, errs := tell("cut", "node", "grain-bin"); code != 0 || out != "" || errs != "" {
		t.Errorf("cut node: %d %q %q", code, out, errs)
	}
	await(5)
	if code, _, errs := tell("cut", "node", "nobody"); code != exitUsage || errs != "culvert simulate tell: there is no node \"nobody\"\n" {
		t.Errorf("cut node nobody: %d %q", code, errs)
	}
	if code, out, _ := tell("list"); code != 0 || strings.Count(out, "\n") != 7 || !strings.HasPrefix(out, "NODE") {
		t.Errorf("list: %d\n%s", code, out)
	}
	tell("restore", "node", "grain-bin")
	await(6)
	// A second simulation does not take a socket that is in use.
	if code, _, errs := command(t, "simulate", "--control", control); code == 0 || !strings.Contains(errs, "another program listens there") {
		t.Errorf("a socket in use: %d %q", code, errs)
	}
}

// A line that is cut is gone, as if it had been unplugged, and another one comes
// when it is restored.
func TestSimulateLineUnplugged(t *testing.T) {
	control := filepath.Join(t.TempDir(), "control")
	out := background(t, "simulate", "--speed", "20", "--pty", "--control", control)
	first, err := out.ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	l, err := radio.NewSerial(radio.SerialOptions{Device: strings.TrimSpace(first), Speed: 115200})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	stop := time.AfterFunc(20*time.Second, func() { l.Close() })
	defer stop.Stop()
	await := func(kind radio.Kind) {
		t.Helper()
		b := make([]byte, radio.MaxRecord)
		for {
			e, err := l.Receive(b)
			if err != nil {
				t.Fatalf("waiting for event kind %d: %v", kind, err)
			}
			if e.Kind == kind {
				return
			}
		}
	}
	await(radio.EventSnapshot)
	if code, _, errs := command(t, "simulate", "tell", control, "cut", "line"); code != 0 {
		t.Fatal(errs)
	}
	await(radio.EventDown)
	if code, _, errs := command(t, "simulate", "tell", control, "restore", "line"); code != 0 {
		t.Fatal(errs)
	}
	second, err := out.ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	l2, err := radio.NewSerial(radio.SerialOptions{Device: strings.TrimSpace(second), Speed: 115200})
	if err != nil {
		t.Fatal(err)
	}
	sixNodes(t, l2)
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
	site, err := loadSite("")
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
