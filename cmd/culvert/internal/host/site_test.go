package host

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/cmd/culvert/internal/conf"
	"culvert/cmd/culvert/internal/control"
	"culvert/cmd/culvert/internal/findings"
)

// rowOf makes one check of a host.
func rowOf(t *testing.T, h *host, name string) findings.Finding {
	t.Helper()
	for _, c := range hostChecks {
		if c.name == name {
			f := findings.Finding{Check: name}
			c.run(h, t.Context(), &f)
			return f
		}
	}
	t.Fatalf("no check is called %q", name)
	return findings.Finding{}
}

// TestCheckSiteRows holds what the rows say of a site that is not well.
func TestCheckSiteRows(t *testing.T) {
	at := time.Now().Add(-4 * time.Minute)
	well := func() control.SiteAnswer {
		return control.SiteAnswer{Since: at, Meshes: []control.SiteMesh{{Mesh: "fenland", Interface: "mesh0", TunUp: true, RadioUp: true, RadioSince: &at,
			Admit: "listed", AdmitWhy: "places are configured", Nodes: map[string]int{"up": 6}}}}
	}
	for _, c := range []struct {
		name, row string
		change    func(*control.SiteMesh)
		verdict   findings.Verdict
		says, do  string
	}{
		{"radio up", "radio", func(*control.SiteMesh) {}, findings.VerdictOK, "up since ", ""},
		{"radio down", "radio", func(m *control.SiteMesh) { m.RadioUp, m.RadioCause = false, "no such device" }, findings.VerdictWrong, "has been down since ", "cable and power"},
		{"the cause moves no terminal", "radio", func(m *control.SiteMesh) { m.RadioUp, m.RadioCause = false, "gone\x1b[2J" }, findings.VerdictWrong, `gone\x1b[2J`, "cable"},
		{"radio never there", "radio", func(m *control.SiteMesh) { m.RadioUp, m.RadioSince = false, nil }, findings.VerdictWrong, "has not answered since the daemon started", "check --radio"},
		{"nodes up", "nodes", func(*control.SiteMesh) {}, findings.VerdictOK, "6 nodes: 6 up", ""},
		{"a silent node", "nodes", func(m *control.SiteMesh) {
			m.Nodes = map[string]int{"up": 5, "silent": 1}
			m.Silent = []control.SiteNode{{Node: "mast", State: "silent", Heard: &at}}
		}, findings.VerdictWrong, "silent: mast (heard 4 min ago)", "supply"},
		{"a late node", "nodes", func(m *control.SiteMesh) {
			m.Nodes = map[string]int{"up": 5, "late": 1}
			m.Late = []control.SiteNode{{Node: "bank-east", State: "late"}}
		}, findings.VerdictWrong, "late: bank-east (heard not yet)", "check --to NODE"},
		{"many silent nodes", "nodes", func(m *control.SiteMesh) {
			m.Nodes = map[string]int{"silent": 80}
			for range control.MaxSiteNodes {
				m.Silent = append(m.Silent, control.SiteNode{Node: "x"})
			}
		}, findings.VerdictWrong, "and 70 more", "supply"},
		{"radio down, nodes unknown", "nodes", func(m *control.SiteMesh) { m.RadioUp, m.Nodes = false, map[string]int{"unknown": 6} }, findings.VerdictNotTried, "6 unknown", ""},
		{"a place never heard", "nodes", func(m *control.SiteMesh) { m.Nodes = map[string]int{"up": 5, "expected": 1} }, findings.VerdictNote, "1 expected", "EUI-64"},
		{"no node", "nodes", func(m *control.SiteMesh) { m.Nodes = nil }, findings.VerdictNote, "no nodes yet", "switch on a node"},
		{"no stranger", "strangers", func(*control.SiteMesh) {}, findings.VerdictOK, `admit is "listed" (places are configured)`, ""},
		{"a stranger that is cut", "strangers", func(m *control.SiteMesh) { m.Strangers = []control.SiteNode{{Node: "00:00:5e:ef:10:00:00:66"}} }, findings.VerdictNote, "1 stranger not forwarded: 00:00:5e:ef:10:00:00:66", "[[mesh.place]]"},
		{"a stranger that is served", "strangers", func(m *control.SiteMesh) { m.Admit, m.Strangers = "any", []control.SiteNode{{Node: "x"}} }, findings.VerdictNote, "1 stranger forwarded like your own", `admit = "listed"`},
		{"places as in the file", "places", func(*control.SiteMesh) {}, findings.VerdictOK, "every place", ""},
		{"a replaced device", "places", func(m *control.SiteMesh) {
			m.Places = []control.SitePlace{{Place: "mast", Listed: ieee802154.Extended(0x00005eef10000004), Device: ieee802154.Extended(0x00005eef10000044)}}
		}, findings.VerdictNote, "mast: the file says 00:00:5e:ef:10:00:00:04, 'culvert replace' bound 00:00:5e:ef:10:00:00:44", "into the file"},
		{"nothing lost", "losses", func(*control.SiteMesh) {}, findings.VerdictOK, "nothing was lost", ""},
		{"refused on purpose", "losses", func(m *control.SiteMesh) {
			m.Lost = []control.SiteLoss{{Direction: "to_mesh", Reason: "policy", Count: 500, Of: 500, Frames: false, Fault: false}}
		}, findings.VerdictOK, "nothing was lost", ""},
		{"a few", "losses", func(m *control.SiteMesh) {
			m.Lost = []control.SiteLoss{{Direction: "to_mesh", Reason: "radio-failed", Count: 9, Of: 20, Frames: false, Fault: true}}
		}, findings.VerdictNote, "radio-failed: 9 packets of 20 to the mesh", "DEVELOPERS.md"},
		{"a small share", "losses", func(m *control.SiteMesh) {
			m.Lost = []control.SiteLoss{{Direction: "from_mesh", Reason: "reassembly-timeout", Count: 40, Of: 1000, Frames: false, Fault: true}}
		}, findings.VerdictNote, "of 1000 from the mesh", "DEVELOPERS.md"},
		{"many", "losses", func(m *control.SiteMesh) {
			m.Lost = []control.SiteLoss{{Direction: "to_mesh", Reason: "radio-failed", Count: 10, Of: 100, Frames: false, Fault: true}}
		}, findings.VerdictWrong, "radio-failed: 10 packets of 100", "DEVELOPERS.md"},
		{"many, among few", "losses", func(m *control.SiteMesh) {
			m.Lost = []control.SiteLoss{{Direction: "to_mesh", Reason: "radio-failed", Count: 10, Of: 100, Frames: false, Fault: true}, {Direction: "from_mesh", Reason: "link-record", Count: 1, Of: 1000, Frames: true, Fault: true}}
		}, findings.VerdictWrong, "link-record: 1 frame of 1000", "DEVELOPERS.md"},
		{"checksums right", "contexts", func(*control.SiteMesh) {}, findings.VerdictOK, "right", ""},
		{"another context", "contexts", func(m *control.SiteMesh) { m.Contexts = []control.SiteContext{{Node: "mast", Tried: 5, Wrong: 5}} }, findings.VerdictWrong, "mast (5 of 5 packets)", "context 0"},
		{"never answered", "contexts", func(m *control.SiteMesh) { m.Unanswered = []control.SiteContext{{Node: "mast", Tried: 12, Wrong: 0}} }, findings.VerdictNote, "mast (12 packets)", "another context 0"},
	} {
		a := well()
		c.change(&a.Meshes[0])
		f := rowOf(t, &host{running: true, site: &a}, c.row)
		if f.Verdict != c.verdict || !strings.Contains(f.Found, c.says) || !strings.Contains(f.Remedy, c.do) || f.Verdict == findings.VerdictWrong && f.Remedy == "" || strings.Contains(f.Found, "\x1b") {
			t.Errorf("%s: %+v, want %s, %q, do %q", c.name, f, c.verdict, c.says, c.do)
		}
	}
	for _, row := range []string{"radio", "nodes", "strangers", "places", "losses", "contexts"} {
		if f := rowOf(t, &host{}, row); f.Verdict != findings.VerdictNotTried {
			t.Errorf("%s without a daemon: %+v", row, f)
		}
		two := well()
		two.Meshes = append(two.Meshes, two.Meshes[0])
		two.Meshes[1].Mesh = "yard"
		if f := rowOf(t, &host{running: true, site: &two}, row); !strings.Contains(f.Found, "mesh yard: ") {
			t.Errorf("%s of two meshes: %+v", row, f)
		}
	}
}

// TestCheckUpstreamRow holds what is said of the site's network.
func TestCheckUpstreamRow(t *testing.T) {
	cfg := &conf.Config{Upstream: &conf.UpstreamConfig{Interfaces: []string{"eth0"}, Advertise: true}}
	for _, c := range []struct {
		name    string
		cfg     *conf.Config
		sent    []control.SiteUpstream
		verdict findings.Verdict
		says    string
	}{
		{"not configured", &conf.Config{}, nil, findings.VerdictOK, "not configured"},
		{"sent", cfg, []control.SiteUpstream{{Interface: "eth0", Up: true, Advertised: 3, Errors: 0}}, findings.VerdictOK, "3 router advertisements"},
		{"nothing sent", cfg, []control.SiteUpstream{{Interface: "eth0", Up: true, Advertised: 0, Errors: 0}}, findings.VerdictWrong, "nothing was sent yet"},
		{"refused", cfg, []control.SiteUpstream{{Interface: "eth0", Up: true, Advertised: 0, Errors: 4}}, findings.VerdictWrong, "4 errors"},
		{"not up", cfg, []control.SiteUpstream{{Interface: "eth0", Up: false, Advertised: 0, Errors: 0}}, findings.VerdictWrong, "not up"},
		{"configured after the start", cfg, nil, findings.VerdictWrong, "serves no interface"},
		{"one of two", cfg, []control.SiteUpstream{{Interface: "eth0", Up: true, Advertised: 3, Errors: 0}, {Interface: "eth1", Up: false, Advertised: 0, Errors: 0}}, findings.VerdictWrong, "eth1 is not up"},
	} {
		f := rowOf(t, &host{cfg: c.cfg, running: true, site: &control.SiteAnswer{Upstream: c.sent}}, "upstream")
		if f.Verdict != c.verdict || !strings.Contains(f.Found, c.says) || f.Verdict == findings.VerdictWrong && f.Remedy == "" {
			t.Errorf("%s: %+v", c.name, f)
		}
	}
}

// TestCheckBoxRows holds what is said of IPv6, disk and clock.
func TestCheckBoxRows(t *testing.T) {
	proc := t.TempDir()
	confDir := filepath.Join(proc, "sys/net/ipv6/conf/all")
	write := func(path, text string) {
		t.Helper()
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, []byte(text), 0o644)); err != nil {
			t.Fatal(err)
		}
	}
	h := &host{proc: proc}
	if f := rowOf(t, h, "ipv6"); f.Verdict != findings.VerdictWrong || !strings.Contains(f.Remedy, "ipv6.disable=1") {
		t.Errorf("no IPv6 in the kernel: %+v", f)
	}
	write(filepath.Join(proc, "net/if_inet6"), "")
	write(filepath.Join(confDir, "disable_ipv6"), "1\n")
	if f := rowOf(t, h, "ipv6"); f.Verdict != findings.VerdictWrong || !strings.Contains(f.Remedy, "sysctl -w net.ipv6.conf.all.disable_ipv6=0") {
		t.Errorf("disabled: %+v", f)
	}
	write(filepath.Join(confDir, "disable_ipv6"), "0\n")
	if f := rowOf(t, h, "ipv6"); f.Verdict != findings.VerdictOK {
		t.Errorf("enabled: %+v", f)
	}

	h.cfg = &conf.Config{StateDir: filepath.Join(proc, "none")}
	if f := rowOf(t, h, "disk"); f.Verdict != findings.VerdictNote {
		t.Errorf("before the first start: %+v", f)
	}
	h.running = true
	if f := rowOf(t, h, "disk"); f.Verdict != findings.VerdictWrong || f.Remedy == "" {
		t.Errorf("no folder while the daemon runs: %+v", f)
	}

	for _, c := range []struct {
		now    time.Time
		synced bool
		err    error
		want   findings.Verdict
		says   string
	}{
		{time.Unix(300, 0), false, nil, findings.VerdictWrong, "1970-01-01 00:05:00"},
		{time.Unix(300, 0), false, syscall.EPERM, findings.VerdictWrong, "never set"},
		{time.Now(), false, nil, findings.VerdictNote, "not synchronized"},
		{time.Now(), true, nil, findings.VerdictOK, "synchronized"},
		{time.Now(), false, syscall.EPERM, findings.VerdictNotTried, "did not report"},
	} {
		h.clock = func() (time.Time, bool, error) { return c.now, c.synced, c.err }
		if f := rowOf(t, h, "clock"); f.Verdict != c.want || !strings.Contains(f.Found, c.says) || f.Verdict == findings.VerdictWrong && f.Remedy == "" {
			t.Errorf("%v, %v, %v: %+v", c.now, c.synced, c.err, f)
		}
	}
}

// TestCheckService holds what is said of the unit's user.
func TestCheckService(t *testing.T) {
	root, tun := t.TempDir(), filepath.Join(t.TempDir(), "tun")
	unit := func(dropIn bool, text string) {
		t.Helper()
		path := filepath.Join(root, "etc/systemd/system/culvert.service")
		if dropIn {
			path += ".d/site.conf"
		}
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, []byte(text), 0o644)); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(tun, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	h := &host{root: root, tun: tun, file: tun}
	if f := rowOf(t, h, "service"); f.Verdict != findings.VerdictOK || !strings.Contains(f.Found, "no unit") {
		t.Errorf("no unit: %+v", f)
	}
	if r := h.startRemedy(); !strings.Contains(r, "culvert run --config") {
		t.Error(r)
	}
	shipped, err := os.ReadFile("../../../../deploy/culvert.service")
	if err != nil {
		t.Fatal(err)
	}
	unit(false, strings.NewReplacer("User=culvert", "User=nobody", "SupplementaryGroups=dialout", "").Replace(string(shipped)))
	if r := h.startRemedy(); !strings.Contains(r, "systemctl start culvert") {
		t.Error(r)
	}
	f := rowOf(t, h, "service")
	if f.Verdict != findings.VerdictWrong || !strings.Contains(f.Found, "nobody cannot read and write "+tun+": mode 0600") || strings.Contains(f.Found, "CAP_NET_ADMIN") {
		t.Errorf("a driver that is root's: %+v", f)
	}
	if err := os.Chmod(tun, 0o666); err != nil {
		t.Fatal(err)
	}
	if f := rowOf(t, h, "service"); f.Verdict != findings.VerdictOK {
		t.Errorf("the shipped unit: %+v", f)
	}
	unit(true, "[Service]\nDeviceAllow=\nAmbientCapabilities=\nDeviceAllow=char-ttyUSB rw\n")
	f = rowOf(t, h, "service")
	for _, want := range []string{"no CAP_NET_ADMIN", "DeviceAllow has no /dev/net/tun"} {
		if f.Verdict != findings.VerdictWrong || !strings.Contains(f.Found, want) {
			t.Errorf("a drop-in that takes rights away: %+v, want %q", f, want)
		}
	}
	unit(true, "[Service]\nUser=nobody-of-this-name\n")
	if f := rowOf(t, h, "service"); f.Verdict != findings.VerdictWrong || !strings.Contains(f.Remedy, "systemd-sysusers") {
		t.Errorf("no such user: %+v", f)
	}
	unit(true, "[Service]\nUser=\n")
	if f := rowOf(t, h, "service"); f.Verdict != findings.VerdictNote {
		t.Errorf("root: %+v", f)
	}
}
