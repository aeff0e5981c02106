package conf

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
	"culvert/cmd/culvert/internal/cli"
	"culvert/coap/access"
	"culvert/coap/nodeclient"
	"culvert/coap/output"
)

// TestConfigFull reads the file that holds every key, and compares all of it.
func TestConfigFull(t *testing.T) {
	cfg, err := LoadConfig("testdata/config/full.toml")
	if err != nil {
		t.Fatal(err)
	}
	dir, err := filepath.Abs("testdata/config")
	if err != nil {
		t.Fatal(err)
	}
	yes, no := true, false
	want := &Config{
		File:     "testdata/config/full.toml",
		StateDir: dir + "/state",
		Control:  dir + "/state/control.sock",
		Meshes: []MeshConfig{{
			Name: "fenland", Iface: "mesh0", Prefix: netip.MustParsePrefix("fd5e:2a11:77c0:1::/64"),
			Full: true, Listed: true, Report: node.Reporting{Period: time.Minute, LateAfter: 3, SilentAfter: 12, SilentLeast: 10 * time.Minute}, ElidedPorts: []uint16{61616, 61617},
			Limits: policy.Limits{UDP: 10 * time.Minute, TCP: 2 * time.Hour, Echo: 30 * time.Second,
				NodeAir: policy.Air{PerSecond: 800, Burst: 4000}, MeshAir: policy.Air{PerSecond: -1}},
			Flows: 4096, IcmpErrors: policy.Rate{Packets: 20, Per: time.Second, Burst: 40},
			Radio: RadioConfig{Kind: RadioSerial, Device: "/dev/serial/by-id/radio", Speed: 460800, MeshHeaders: true},
			Places: []placeConfig{
				{Name: "grain-bin", Eui64: ieee802154.Extended(0x00005eef10000005), full: &yes, period: 15 * time.Minute},
				{Name: "cold-store", Eui64: ieee802154.Extended(0x00005eef10000006), full: &no},
			},
		}, {
			Name: "sluice", Iface: "mesh1", AdmitAbsent: true, Generate: true, Registered: true, noPrefixContext: true,
			contexts: []contextConfig{{0, netip.MustParsePrefix("2001:db8:7::/48")}, {15, netip.MustParsePrefix("2001:db8:8::/64")}},
			Radio:    RadioConfig{Kind: RadioProcess, Command: []string{dir + "/bin/adapter", "--port", "1", ""}},
		}, {
			Name: "orchard", Iface: "mesh2", AdmitAbsent: true, Prefix: netip.MustParsePrefix("2001:db8:5:3::/64"), Gateway: netip.MustParseAddr("2001:db8:5:3::fe"),
			Radio: RadioConfig{Kind: RadioStream, Address: "unix:" + dir + "/radio.sock"},
		}, {
			Name: "yard", Iface: "mesh3", AdmitAbsent: true, Listed: true, Prefix: netip.MustParsePrefix("2001:db8:5:4::/64"),
			Radio:  RadioConfig{Kind: RadioStream, Address: "[2001:db8::5]:6283"},
			Places: []placeConfig{{Name: "gate", Eui64: ieee802154.Extended(0x00005eef10000008)}},
		}, {
			Name: "plan", Iface: "mesh4", AdmitAbsent: true, Prefix: netip.MustParsePrefix("2001:db8:5:5::/64"),
			Radio: RadioConfig{Kind: RadioSimulated, Site: dir + "/site.toml"},
		}, {
			Name: "wharf", Iface: "mesh5", AdmitAbsent: true, Prefix: netip.MustParsePrefix("2001:db8:5:6::/64"),
			Radio: RadioConfig{Kind: RadioInterface, Name: "wpan0"},
			Nodes: &nodeclient.Transmission{AckTimeout: 5 * time.Second, MaxRetransmit: nodeclient.NoRetransmit},
		}},
		Rules: []policy.Rule{{
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
		CoapListen: []netip.AddrPort{netip.MustParseAddrPort("[::]:5683"), netip.MustParseAddrPort("127.0.0.1:5683")},
		Nodes:      nodeclient.Transmission{AckTimeout: 3 * time.Second, AckRandomFactor: 1.25, MaxRetransmit: 3, NodeTimeout: 80 * time.Second, NodeBlock: 32},
		Doors:      doorConfig{Tcp: []netip.AddrPort{netip.MustParseAddrPort("[::]:5683")}},
		Access: identities(t, access.Identity{Name: "anyone", May: access.MayRead, Nodes: []string{"fenland/*"}},
			access.Identity{Name: "ops-laptop", Subject: "ops laptop", May: access.MayRead | access.MayWrite}),
		Outputs: []output.Output{{Place: "grain-bin", Resource: "/output", Lease: 20 * time.Minute, MaxLease: time.Hour,
			Interval: 10 * time.Second, Safe: "off", Who: []string{"ops-laptop"}}},
		HttpListen: "[::1]:6282",
		Upstream: &UpstreamConfig{Interfaces: []string{"eth0", "eth1"}, Advertise: true, Mdns: true,
			HostsFile: dir + "/names/hosts", Domain: "site.example"},
	}
	cfg.Raw = nil
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
	cfg, err := ParseConfig("culvert.toml", "/etc/culvert", []byte(`[[mesh]]
name = "fenland"
interface = "mesh0"
prefix = "fd5e:2a11:77c0:1::/64"
radio = { kind = "serial", device = "radio" }
`))
	if err != nil {
		t.Fatal(err)
	}
	want := &Config{File: "culvert.toml", Access: identities(t), StateDir: defaultStateDir, Control: DefaultControl, Meshes: []MeshConfig{{
		Name: "fenland", AdmitAbsent: true, Iface: "mesh0", Prefix: netip.MustParsePrefix("fd5e:2a11:77c0:1::/64"),
		Radio: RadioConfig{Kind: RadioSerial, Device: "/etc/culvert/radio", Speed: 115200},
	}}}
	cfg.Raw = nil
	if !reflect.DeepEqual(cfg, want) {
		t.Errorf("got  %+v\nwant %+v", cfg, want)
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
			found = found || PlainKey(path) == key
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
			cfg, err := ParseConfig("c.toml", "/etc/culvert", data)
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
		{dir, "configuration: " + dir + " is no regular file, but a directory"},
		{big, "configuration: " + big + " has 1048577 octets; want at most 1048576"},
	} {
		_, err := LoadConfig(c.path)
		var e *cli.ExitError
		if !errors.As(err, &e) || e.Code != cli.ExitUsage || err.Error() != c.want {
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
		cfg, err := ParseConfig("c.toml", "/etc/culvert", data)
		if err != nil {
			var all ConfigErrors
			if !errors.As(err, &all) || len(all) == 0 {
				t.Fatalf("error of type %T: %v", err, err)
			}
			lines := strings.Count(string(data), "\n") + 1
			for _, e := range all {
				if e.Line < 0 || e.Line > lines || e.Text == "" || e.Line == 0 && e.Key != "" {
					t.Errorf("of %d lines: %+v", lines, e)
				}
			}
			return
		}
		if len(cfg.Meshes) == 0 || !filepath.IsAbs(cfg.Control) || !filepath.IsAbs(cfg.StateDir) {
			t.Errorf("accepted %+v", cfg)
		}
		for _, m := range cfg.Meshes {
			if !isLabel(m.Name) || (m.Prefix.Bits() == 64) == m.Generate || m.Iface == "" || len(m.Iface) > 15 || m.Radio.Kind == "" {
				t.Errorf("accepted %+v", m)
			}
			for _, p := range m.Places {
				if !isLabel(p.Name) || !p.Eui64.IsNode() {
					t.Errorf("accepted %+v", p)
				}
			}
		}
	})
}
