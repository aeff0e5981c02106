package main

import (
	"errors"
	"net/netip"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/coap/access"
	"culvert/coap/nodeclient"
	"culvert/coap/output"
	"culvert/deploy/fenland"
)

// TestConfigFull reads the file that holds every key, and compares all of it.
func TestConfigFull(t *testing.T) {
	cfg, err := loadConfig("testdata/config/full.toml")
	if err != nil {
		t.Fatal(err)
	}
	dir, err := filepath.Abs("testdata/config")
	if err != nil {
		t.Fatal(err)
	}
	yes, no := true, false
	want := &config{
		file:     "testdata/config/full.toml",
		stateDir: dir + "/state",
		control:  dir + "/state/control.sock",
		meshes: []meshConfig{{
			name: "fenland", iface: "mesh0", prefix: netip.MustParsePrefix("fd5e:2a11:77c0:1::/64"),
			full: true, listed: true, report: node.Reporting{Period: time.Minute, LateAfter: 3, SilentAfter: 12, SilentLeast: 10 * time.Minute}, elidedPorts: []uint16{61616, 61617},
			limits: policy.Limits{UDP: 10 * time.Minute, TCP: 2 * time.Hour, Echo: 30 * time.Second,
				NodeAir: policy.Air{PerSecond: 800, Burst: 4000}, MeshAir: policy.Air{PerSecond: -1}},
			flows: 4096, icmpErrors: policy.Rate{Packets: 20, Per: time.Second, Burst: 40},
			radio: radioConfig{kind: radioSerial, device: "/dev/serial/by-id/radio", speed: 460800, meshHeaders: true},
			places: []placeConfig{
				{name: "grain-bin", eui64: ieee802154.Extended(0x00005eef10000005), full: &yes, period: 15 * time.Minute},
				{name: "cold-store", eui64: ieee802154.Extended(0x00005eef10000006), full: &no},
			},
		}, {
			name: "sluice", iface: "mesh1", admitAbsent: true, generate: true, registered: true, noPrefixContext: true,
			contexts: []contextConfig{{0, netip.MustParsePrefix("2001:db8:7::/48")}, {15, netip.MustParsePrefix("2001:db8:8::/64")}},
			radio:    radioConfig{kind: radioProcess, command: []string{dir + "/bin/adapter", "--port", "1", ""}},
		}, {
			name: "orchard", iface: "mesh2", admitAbsent: true, prefix: netip.MustParsePrefix("2001:db8:5:3::/64"), gateway: netip.MustParseAddr("2001:db8:5:3::fe"),
			radio: radioConfig{kind: radioStream, address: "unix:" + dir + "/radio.sock"},
		}, {
			name: "yard", iface: "mesh3", admitAbsent: true, listed: true, prefix: netip.MustParsePrefix("2001:db8:5:4::/64"),
			radio:  radioConfig{kind: radioStream, address: "[2001:db8::5]:6283"},
			places: []placeConfig{{name: "gate", eui64: ieee802154.Extended(0x00005eef10000008)}},
		}, {
			name: "plan", iface: "mesh4", admitAbsent: true, prefix: netip.MustParsePrefix("2001:db8:5:5::/64"),
			radio: radioConfig{kind: radioSimulated, site: dir + "/site.toml"},
		}, {
			name: "wharf", iface: "mesh5", admitAbsent: true, prefix: netip.MustParsePrefix("2001:db8:5:6::/64"),
			radio: radioConfig{kind: radioInterface, name: "wpan0"},
			nodes: &nodeclient.Transmission{AckTimeout: 5 * time.Second, MaxRetransmit: nodeclient.NoRetransmit},
		}},
		rules: []policy.Rule{{
			From:     []policy.End{{Prefix: netip.MustParsePrefix("::/0")}},
			To:       []policy.End{{Mesh: "fenland", Pattern: "cold-store"}, {Mesh: "yard", Pattern: "gate"}},
			Services: []policy.Service{{Any: true}}, Deny: true, Answer: true,
		}, {
			From: []policy.End{{Prefix: netip.MustParsePrefix("fd5e:2a11:77c0::/48")}, {Prefix: netip.MustParsePrefix("2001:db8::5/128")},
				{Mesh: "*", Pattern: "*"}},
			To: []policy.End{{Mesh: "fenland", Pattern: "*"}},
			Services: []policy.Service{{Proto: 17, Port: 5683}, {Proto: 17, Port: 5684}, {Proto: 58, Echo: true},
				{Proto: 17}, {Proto: 6, Port: 443}, {Proto: 17, Port: 61616}},
			Source: policy.Rate{Packets: 5, Per: time.Second, Burst: 20}, Node: policy.Rate{Packets: 30, Per: time.Minute, Burst: 30},
			Mesh: policy.Rate{Packets: 1000, Per: time.Hour, Burst: 1000},
		}},
		coapListen: []netip.AddrPort{netip.MustParseAddrPort("[::]:5683"), netip.MustParseAddrPort("127.0.0.1:5683")},
		nodes:      nodeclient.Transmission{AckTimeout: 3 * time.Second, AckRandomFactor: 1.25, MaxRetransmit: 3, NodeTimeout: 80 * time.Second, NodeBlock: 32},
		doors:      doorConfig{tcp: []netip.AddrPort{netip.MustParseAddrPort("[::]:5683")}},
		access: identities(t, access.Identity{Name: "anyone", May: access.MayRead, Nodes: []string{"fenland/*"}},
			access.Identity{Name: "ops-laptop", Subject: "ops laptop", May: access.MayRead | access.MayWrite}),
		outputs: []output.Output{{Place: "grain-bin", Resource: "/output", Lease: 20 * time.Minute, MaxLease: time.Hour,
			Interval: 10 * time.Second, Off: "off", Who: []string{"ops-laptop"}}},
		httpListen: "[::1]:6282",
		upstream: &upstreamConfig{interfaces: []string{"eth0", "eth1"}, advertise: true, mdns: true,
			hostsFile: dir + "/names/hosts", domain: "site.example"},
	}
	cfg.raw = nil
	if !reflect.DeepEqual(cfg, want) {
		t.Errorf("got  %+v\nwant %+v", cfg, want)
	}
}

// identities is what they amount to.
func identities(t *testing.T, ids ...access.Identity) *access.List {
	t.Helper()
	a, err := access.New(ids)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// TestConfigDefaults reads the least that is allowed.
func TestConfigDefaults(t *testing.T) {
	cfg, err := parseConfig("culvert.toml", "/etc/culvert", []byte(`[[mesh]]
name = "fenland"
interface = "mesh0"
prefix = "fd5e:2a11:77c0:1::/64"
radio = { kind = "serial", device = "radio" }
`))
	if err != nil {
		t.Fatal(err)
	}
	want := &config{file: "culvert.toml", access: identities(t), stateDir: defaultStateDir, control: defaultControl, meshes: []meshConfig{{
		name: "fenland", admitAbsent: true, iface: "mesh0", prefix: netip.MustParsePrefix("fd5e:2a11:77c0:1::/64"),
		radio: radioConfig{kind: radioSerial, device: "/etc/culvert/radio", speed: 115200},
	}}}
	cfg.raw = nil
	if !reflect.DeepEqual(cfg, want) {
		t.Errorf("got  %+v\nwant %+v", cfg, want)
	}
}

// TestConfigExample holds that the example site's configuration is accepted, and that
// its places are the nodes of its plan.
func TestConfigExample(t *testing.T) {
	cfg, err := parseConfig("culvert.toml", "/", fenland.Config)
	if err != nil {
		t.Fatal(err)
	}
	s, err := loadSite("")
	if err != nil {
		t.Fatal(err)
	}
	m := cfg.meshes[0]
	if s.Prefix != m.prefix || s.Name != m.name || len(s.Nodes) != len(m.places) {
		t.Fatalf("plan %s, %v, %d nodes; configuration %s, %v, %d places", s.Name, s.Prefix, len(s.Nodes), m.name, m.prefix, len(m.places))
	}
	for i, n := range s.Nodes {
		if n.Name != m.places[i].name || n.EUI64 != m.places[i].eui64 {
			t.Errorf("node %d: %s %v; place %s %v", i, n.Name, n.EUI64, m.places[i].name, m.places[i].eui64)
		}
	}
}

// TestConfigKeys holds that testdata/config/full.toml has every key that is known.
func TestConfigKeys(t *testing.T) {
	data, err := os.ReadFile("testdata/config/full.toml")
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"state_dir", "control", "mesh", "mesh.name", "mesh.interface", "mesh.prefix", "mesh.addresses",
		"mesh.encoding", "mesh.admit", "mesh.elided_checksum_ports", "mesh.radio", "mesh.radio.kind", "mesh.radio.device",
		"mesh.radio.speed", "mesh.radio.address", "mesh.radio.command", "mesh.radio.site", "mesh.radio.mesh_headers", "mesh.place", "mesh.place.name",
		"mesh.place.eui64", "mesh.place.encoding", "coap", "coap.listen",
		"coap.nodes", "coap.nodes.ack_timeout", "coap.nodes.ack_random_factor", "coap.nodes.max_retransmit", "coap.nodes.timeout", "coap.nodes.block_size", "mesh.coap", "http", "http.listen",
		"mesh.gateway", "upstream", "upstream.interfaces", "upstream.advertise", "upstream.proxy", "upstream.mdns", "upstream.hosts_file", "upstream.domain"} {
		found := false
		for path := range keyLines(data) {
			found = found || plainKey(path) == key
		}
		if !found {
			t.Errorf("no %s", key)
		}
	}
}

// TestConfigNames holds that names are judged like the node table judges them.
func TestConfigNames(t *testing.T) {
	for _, s := range []string{"", "a", "grain-bin", "-a", "a-", "Grain", "a.b", "7", "00005eef10000005", "00-00-5e-ef-10-00-00-05",
		"1234", "12-34", "short-5eef-0005", "short", strings.Repeat("a", 63), strings.Repeat("a", 64), "b\u00fchler"} {
		if ours, theirs := isLabel(s) && !shapedLikeAddr(s), node.CheckName(s) == nil; ours != theirs {
			t.Errorf("%q: the configuration says %v, the node table %v", s, ours, theirs)
		}
	}
}

// TestConfigInvalid reads each broken file and compares all that is said of it.
func TestConfigInvalid(t *testing.T) {
	files, err := filepath.Glob("testdata/config/invalid-*.toml")
	if err != nil || len(files) == 0 {
		t.Fatalf("no broken files: %v", err)
	}
	seen := map[string]bool{}
	for _, file := range files {
		name := strings.TrimSuffix(strings.TrimPrefix(filepath.Base(file), "invalid-"), ".toml")
		seen[name] = true
		t.Run(name, func(t *testing.T) {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			want, ok := invalidConfigs[name]
			if !ok {
				t.Errorf("no messages expected of %s", file)
			}
			cfg, err := parseConfig("c.toml", "/etc/culvert", data)
			if err == nil {
				t.Fatalf("accepted: %+v", cfg)
			}
			got := strings.Split(err.Error(), "\n")
			for i := range max(len(got), len(want)) {
				var g, w string
				if i < len(got) {
					g = got[i]
				}
				if i < len(want) {
					w = want[i]
				}
				if g != w {
					t.Errorf("message %d:\n got %s\nwant %s", i+1, g, w)
				}
			}
		})
	}
	for name := range invalidConfigs {
		if !seen[name] {
			t.Errorf("testdata/config/invalid-%s.toml is missing", name)
		}
	}
}

func TestConfigFile(t *testing.T) {
	dir := t.TempDir()
	big := filepath.Join(dir, "big.toml")
	if err := os.WriteFile(big, make([]byte, maxConfigOctets+1), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ path, want string }{
		{filepath.Join(dir, "none.toml"), "configuration " + dir + "/none.toml does not exist; name another with --config FILE"},
		{dir, "configuration: read " + dir + ": is a directory"},
		{big, "configuration " + big + ": 1048577 octets; want at most 1048576"},
	} {
		_, err := loadConfig(c.path)
		var e *exitError
		if !errors.As(err, &e) || e.code != exitUsage || err.Error() != c.want {
			t.Errorf("%s:\n got %v\nwant %s", c.path, err, c.want)
		}
	}
}

// FuzzConfig holds that no file makes the reader panic, that each complaint says
// where and what, and that what is accepted keeps its promises.
func FuzzConfig(f *testing.F) {
	files, _ := filepath.Glob("testdata/config/*.toml")
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add([]byte("mesh = [[1]]\n\"a.b\".'c\"d' = {x = [{y = 1}]}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		cfg, err := parseConfig("c.toml", "/etc/culvert", data)
		if err != nil {
			var all configErrors
			if !errors.As(err, &all) || len(all) == 0 {
				t.Fatalf("error of type %T: %v", err, err)
			}
			lines := strings.Count(string(data), "\n") + 1
			for _, e := range all {
				if e.line < 0 || e.line > lines || e.text == "" || e.line == 0 && e.key != "" {
					t.Errorf("of %d lines: %+v", lines, e)
				}
			}
			return
		}
		if len(cfg.meshes) == 0 || !filepath.IsAbs(cfg.control) || !filepath.IsAbs(cfg.stateDir) {
			t.Errorf("accepted %+v", cfg)
		}
		for _, m := range cfg.meshes {
			if !isLabel(m.name) || (m.prefix.Bits() == 64) == m.generate || m.iface == "" || len(m.iface) > 15 || m.radio.kind == "" {
				t.Errorf("accepted %+v", m)
			}
			for _, p := range m.places {
				if !isLabel(p.name) || !p.eui64.IsNode() {
					t.Errorf("accepted %+v", p)
				}
			}
		}
	})
}
