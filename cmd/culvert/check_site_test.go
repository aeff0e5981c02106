package main

import (
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/tun/tuntest"
)

// rowOf makes one check of a host.
func rowOf(t *testing.T, h *host, name string) finding {
	t.Helper()
	for _, c := range hostChecks {
		if c.name == name {
			f := finding{Check: name}
			c.run(h, t.Context(), &f)
			return f
		}
	}
	t.Fatalf("no check is called %q", name)
	return finding{}
}

// TestCheckSiteRows holds what the rows say of a site that is not well.
func TestCheckSiteRows(t *testing.T) {
	at := time.Now().Add(-4 * time.Minute)
	well := func() siteAnswer {
		return siteAnswer{Since: at, Meshes: []siteMesh{{Mesh: "fenland", Interface: "mesh0", TunUp: true, RadioUp: true, RadioSince: &at,
			Admit: "listed", AdmitWhy: "places are configured", Nodes: map[string]int{"up": 6}}}}
	}
	for _, c := range []struct {
		name, row string
		change    func(*siteMesh)
		verdict   verdict
		says, do  string
	}{
		{"radio up", "radio", func(*siteMesh) {}, verdictOK, "up since ", ""},
		{"radio down", "radio", func(m *siteMesh) { m.RadioUp, m.RadioCause = false, "no such device" }, verdictWrong, "is down since ", "cable and power"},
		{"the cause moves no terminal", "radio", func(m *siteMesh) { m.RadioUp, m.RadioCause = false, "gone\x1b[2J" }, verdictWrong, `gone\x1b[2J`, "cable"},
		{"radio never there", "radio", func(m *siteMesh) { m.RadioUp, m.RadioSince = false, nil }, verdictWrong, "has not answered since the daemon started", "check --radio"},
		{"nodes up", "nodes", func(*siteMesh) {}, verdictOK, "6 nodes: 6 up", ""},
		{"a silent node", "nodes", func(m *siteMesh) {
			m.Nodes = map[string]int{"up": 5, "silent": 1}
			m.Silent = []siteNode{{Node: "mast", State: "silent", Heard: &at}}
		}, verdictWrong, "silent: mast (heard 4 min ago)", "supply"},
		{"a late node", "nodes", func(m *siteMesh) {
			m.Nodes = map[string]int{"up": 5, "late": 1}
			m.Late = []siteNode{{Node: "bank-east", State: "late"}}
		}, verdictWrong, "late: bank-east (heard not yet)", "check --to NODE"},
		{"many silent nodes", "nodes", func(m *siteMesh) {
			m.Nodes = map[string]int{"silent": 80}
			for range maxSiteNodes {
				m.Silent = append(m.Silent, siteNode{Node: "x"})
			}
		}, verdictWrong, "and 70 more", "supply"},
		{"radio down, nodes unknown", "nodes", func(m *siteMesh) { m.RadioUp, m.Nodes = false, map[string]int{"unknown": 6} }, verdictNotTried, "6 unknown", ""},
		{"a place never heard", "nodes", func(m *siteMesh) { m.Nodes = map[string]int{"up": 5, "expected": 1} }, verdictNote, "1 expected", "EUI-64"},
		{"no node", "nodes", func(m *siteMesh) { m.Nodes = nil }, verdictNote, "no nodes yet", "power a node"},
		{"no stranger", "strangers", func(*siteMesh) {}, verdictOK, `admit is "listed" (places are configured)`, ""},
		{"a stranger that is cut", "strangers", func(m *siteMesh) { m.Strangers = []siteNode{{Node: "00:00:5e:ef:10:00:00:66"}} }, verdictNote, "1 stranger cut off: 00:00:5e:ef:10:00:00:66", "[[mesh.place]]"},
		{"a stranger that is served", "strangers", func(m *siteMesh) { m.Admit, m.Strangers = "any", []siteNode{{Node: "x"}} }, verdictNote, "1 stranger served like your own", `admit = "listed"`},
		{"places as in the file", "places", func(*siteMesh) {}, verdictOK, "every place", ""},
		{"a replaced device", "places", func(m *siteMesh) {
			m.Places = []sitePlace{{"mast", ieee802154.Extended(0x00005eef10000004), ieee802154.Extended(0x00005eef10000044)}}
		}, verdictNote, "mast: the file says 00:00:5e:ef:10:00:00:04, 'culvert replace' bound 00:00:5e:ef:10:00:00:44", "into the file"},
		{"nothing lost", "losses", func(*siteMesh) {}, verdictOK, "nothing was lost", ""},
		{"refused on purpose", "losses", func(m *siteMesh) { m.Lost = []siteLoss{{"to_mesh", "policy", 500, 500, false, false}} }, verdictOK, "nothing was lost", ""},
		{"a few", "losses", func(m *siteMesh) { m.Lost = []siteLoss{{"to_mesh", "radio-failed", 9, 20, false, true}} }, verdictNote, "radio-failed: 9 packets of 20 to the mesh", "DEVELOPERS.md"},
		{"a small share", "losses", func(m *siteMesh) { m.Lost = []siteLoss{{"from_mesh", "reassembly-timeout", 40, 1000, false, true}} }, verdictNote, "of 1000 from the mesh", "DEVELOPERS.md"},
		{"many", "losses", func(m *siteMesh) { m.Lost = []siteLoss{{"to_mesh", "radio-failed", 10, 100, false, true}} }, verdictWrong, "radio-failed: 10 packets of 100", "DEVELOPERS.md"},
		{"many, among few", "losses", func(m *siteMesh) {
			m.Lost = []siteLoss{{"to_mesh", "radio-failed", 10, 100, false, true}, {"from_mesh", "link-record", 1, 1000, true, true}}
		}, verdictWrong, "link-record: 1 frame of 1000", "DEVELOPERS.md"},
		{"checksums right", "contexts", func(*siteMesh) {}, verdictOK, "right", ""},
		{"another context", "contexts", func(m *siteMesh) { m.Contexts = []siteContext{{"mast", 5, 5}} }, verdictWrong, "mast (5 of 5 packets)", "context 0"},
		{"never answered", "contexts", func(m *siteMesh) { m.Unanswered = []siteContext{{"mast", 12, 0}} }, verdictNote, "mast (12 packets)", "another context 0"},
	} {
		a := well()
		c.change(&a.Meshes[0])
		f := rowOf(t, &host{running: true, site: &a}, c.row)
		if f.Verdict != c.verdict || !strings.Contains(f.Found, c.says) || !strings.Contains(f.Remedy, c.do) || f.Verdict == verdictWrong && f.Remedy == "" || strings.Contains(f.Found, "\x1b") {
			t.Errorf("%s: %+v, want %s, %q, do %q", c.name, f, c.verdict, c.says, c.do)
		}
	}
	for _, row := range []string{"radio", "nodes", "strangers", "places", "losses", "contexts"} {
		if f := rowOf(t, &host{}, row); f.Verdict != verdictNotTried {
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
	cfg := &config{upstream: &upstreamConfig{interfaces: []string{"eth0"}, advertise: true}}
	for _, c := range []struct {
		name    string
		cfg     *config
		sent    []siteUpstream
		verdict verdict
		says    string
	}{
		{"not configured", &config{}, nil, verdictOK, "not configured"},
		{"sent", cfg, []siteUpstream{{"eth0", true, 3, 0}}, verdictOK, "3 router advertisements"},
		{"nothing sent", cfg, []siteUpstream{{"eth0", true, 0, 0}}, verdictWrong, "nothing was sent yet"},
		{"refused", cfg, []siteUpstream{{"eth0", true, 0, 4}}, verdictWrong, "4 errors"},
		{"not up", cfg, []siteUpstream{{"eth0", false, 0, 0}}, verdictWrong, "not up"},
		{"configured after the start", cfg, nil, verdictWrong, "serves no interface"},
		{"one of two", cfg, []siteUpstream{{"eth0", true, 3, 0}, {"eth1", false, 0, 0}}, verdictWrong, "eth1 is not up"},
	} {
		f := rowOf(t, &host{cfg: c.cfg, running: true, site: &siteAnswer{Upstream: c.sent}}, "upstream")
		if f.Verdict != c.verdict || !strings.Contains(f.Found, c.says) || f.Verdict == verdictWrong && f.Remedy == "" {
			t.Errorf("%s: %+v", c.name, f)
		}
	}
}

// TestCheckBoxRows holds what is said of IPv6, disk and clock.
func TestCheckBoxRows(t *testing.T) {
	proc := t.TempDir()
	conf := filepath.Join(proc, "sys/net/ipv6/conf/all")
	write := func(path, text string) {
		t.Helper()
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, []byte(text), 0o644)); err != nil {
			t.Fatal(err)
		}
	}
	h := &host{proc: proc}
	if f := rowOf(t, h, "ipv6"); f.Verdict != verdictWrong || !strings.Contains(f.Remedy, "ipv6.disable=1") {
		t.Errorf("no IPv6 in the kernel: %+v", f)
	}
	write(filepath.Join(proc, "net/if_inet6"), "")
	write(filepath.Join(conf, "disable_ipv6"), "1\n")
	if f := rowOf(t, h, "ipv6"); f.Verdict != verdictWrong || !strings.Contains(f.Remedy, "sysctl -w net.ipv6.conf.all.disable_ipv6=0") {
		t.Errorf("disabled: %+v", f)
	}
	write(filepath.Join(conf, "disable_ipv6"), "0\n")
	if f := rowOf(t, h, "ipv6"); f.Verdict != verdictOK {
		t.Errorf("enabled: %+v", f)
	}

	h.cfg = &config{stateDir: filepath.Join(proc, "none")}
	if f := rowOf(t, h, "disk"); f.Verdict != verdictNote {
		t.Errorf("before the first start: %+v", f)
	}
	h.running = true
	if f := rowOf(t, h, "disk"); f.Verdict != verdictWrong || f.Remedy == "" {
		t.Errorf("no folder while the daemon runs: %+v", f)
	}

	for _, c := range []struct {
		now    time.Time
		synced bool
		err    error
		want   verdict
		says   string
	}{
		{time.Unix(300, 0), false, nil, verdictWrong, "1970-01-01 00:05:00"},
		{time.Unix(300, 0), false, syscall.EPERM, verdictWrong, "never set"},
		{time.Now(), false, nil, verdictNote, "not synchronized"},
		{time.Now(), true, nil, verdictOK, "synchronized"},
		{time.Now(), false, syscall.EPERM, verdictNotTried, "cannot be told"},
	} {
		h.clock = func() (time.Time, bool, error) { return c.now, c.synced, c.err }
		if f := rowOf(t, h, "clock"); f.Verdict != c.want || !strings.Contains(f.Found, c.says) || f.Verdict == verdictWrong && f.Remedy == "" {
			t.Errorf("%v, %v, %v: %+v", c.now, c.synced, c.err, f)
		}
	}
}

// fillDisk makes a small file system, checks a site whose state is there, fills it and
// checks again, and makes it read-only and checks once more.
const fillDisk = `set -e
mount -t tmpfs -o size=64m none "$1"
cat > "$1/c.toml" <<END
state_dir = "$1"
control = "c"
[[mesh]]
name = "fenland"
interface = "mesh0"
prefix = "2001:db8:1::/64"
radio = { kind = "stream", address = "unix:r" }
END
check() { "$2" check --config "$1/c.toml" --json > "$1/../$3.json" || true; }
check "$1" "$2" well
dd if=/dev/zero of="$1/full" bs=1M count=62 2>/dev/null
check "$1" "$2" full
rm "$1/full"
mount -o remount,ro "$1"
check "$1" "$2" ro
`

// TestCheckDiskFull holds what is said of a file system that is full, or read-only.
func TestCheckDiskFull(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	ns := tuntest.NewNS(t)
	state, script := filepath.Join(dir, "state"), filepath.Join(dir, "fill.sh")
	if err := errors.Join(os.Mkdir(state, 0o755), os.WriteFile(script, []byte(fillDisk), 0o644)); err != nil {
		t.Fatal(err)
	}
	if out, err := ns.Command("/usr/bin/unshare", "-m", "/bin/sh", script, state, built(t)).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	for _, c := range []struct {
		file string
		want verdict
		says string
	}{{"well", verdictOK, "free of 64.0 MiB"}, {"full", verdictWrong, "free of"}, {"ro", verdictWrong, "read-only"}} {
		b, err := os.ReadFile(filepath.Join(dir, c.file+".json"))
		if err != nil {
			t.Fatal(err)
		}
		if f := rowIn(t, b, "disk"); f.Verdict != c.want || !strings.Contains(f.Found, c.says) {
			t.Errorf("%s: %+v", c.file, f)
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
	if f := rowOf(t, h, "service"); f.Verdict != verdictOK || !strings.Contains(f.Found, "no unit") {
		t.Errorf("no unit: %+v", f)
	}
	if r := h.startRemedy(); !strings.Contains(r, "culvert run --config") {
		t.Error(r)
	}
	shipped, err := os.ReadFile("../../deploy/culvert.service")
	if err != nil {
		t.Fatal(err)
	}
	unit(false, strings.NewReplacer("User=culvert", "User=nobody", "SupplementaryGroups=dialout", "").Replace(string(shipped)))
	if r := h.startRemedy(); !strings.Contains(r, "systemctl start culvert") {
		t.Error(r)
	}
	f := rowOf(t, h, "service")
	if f.Verdict != verdictWrong || !strings.Contains(f.Found, "nobody cannot read and write "+tun+": mode 0600") || strings.Contains(f.Found, "CAP_NET_ADMIN") {
		t.Errorf("a driver that is root's: %+v", f)
	}
	if err := os.Chmod(tun, 0o666); err != nil {
		t.Fatal(err)
	}
	if f := rowOf(t, h, "service"); f.Verdict != verdictOK {
		t.Errorf("the shipped unit: %+v", f)
	}
	unit(true, "[Service]\nDeviceAllow=\nAmbientCapabilities=\nDeviceAllow=char-ttyUSB rw\n")
	f = rowOf(t, h, "service")
	for _, want := range []string{"no CAP_NET_ADMIN", "DeviceAllow has no /dev/net/tun"} {
		if f.Verdict != verdictWrong || !strings.Contains(f.Found, want) {
			t.Errorf("a drop-in that takes rights away: %+v, want %q", f, want)
		}
	}
	unit(true, "[Service]\nUser=nobody-of-this-name\n")
	if f := rowOf(t, h, "service"); f.Verdict != verdictWrong || !strings.Contains(f.Remedy, "systemd-sysusers") {
		t.Errorf("no such user: %+v", f)
	}
	unit(true, "[Service]\nUser=\n")
	if f := rowOf(t, h, "service"); f.Verdict != verdictNote {
		t.Errorf("root: %+v", f)
	}
}

// TestCheckSite runs the daemon with a radio in a process of its own, and holds that
// check finds no fault in a well site, and names what is wrong in others.
func TestCheckSite(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	file := copySite(t)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Dir(file)
	changed := strings.Replace(string(text), "kind = \"simulated\"\nsite = \"site.toml\"\n", "kind = \"stream\"\naddress = \"unix:radio.sock\"\n", 1)
	if changed == string(text) {
		t.Fatal("the example site has another radio than this test expects")
	}
	if err := os.WriteFile(file, []byte(changed), 0o600); err != nil {
		t.Fatal(err)
	}
	radio := exec.Command(built(t), "simulate", "--listen", "unix:"+filepath.Join(dir, "radio.sock"), "--control", filepath.Join(dir, "radio.ctl"), "--speed", "20")
	if err := radio.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { radio.Process.Kill(); radio.Wait() }()
	r := startRun(t, ns, file)
	sh := func(script string) {
		t.Helper()
		if out, err := ns.Command("/bin/sh", "-c", "PATH=$PATH:/usr/sbin:/sbin; "+script).CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", script, err, out)
		}
	}
	// row runs the command until a row says what is wanted, and holds the exit code.
	row := func(name string, want verdict, says string, code int) {
		t.Helper()
		tuntest.Poll(t, time.Minute, func() (bool, string) {
			cmd := ns.Command(built(t), "check", "--config", file, "--json")
			out, _ := cmd.Output()
			f := rowIn(t, out, name)
			return f.Verdict == want && strings.Contains(f.Found, says) && cmd.ProcessState.ExitCode() == code, string(out)
		})
	}
	row("radio", verdictOK, "up since", exitOK)
	row("nodes", verdictOK, "6 up", exitOK)

	const bank = "fd5e:2a11:77c0:1::2"
	sh("ip -6 route add " + bank + "/128 dev lo")
	row("mesh route", verdictWrong, "to lo, not to mesh0", exitBad)
	sh("ip -6 route del " + bank + "/128 dev lo")
	row("mesh route", verdictOK, "to mesh0", exitOK)

	r.replaceBy(t, ns, "mast", "00:00:5e:ef:10:00:00:44")
	row("places", verdictNote, "'culvert replace' bound 00:00:5e:ef:10:00:00:44", exitOK)

	radio.Process.Kill()
	radio.Wait()
	row("radio", verdictWrong, "is down since", exitBad)
	row("nodes", verdictNotTried, "while the radio is down", exitBad)
}

// rowIn returns a row of what `culvert check --json` printed.
func rowIn(t *testing.T, out []byte, name string) finding {
	t.Helper()
	var c checked
	if err := json.Unmarshal(out, &c); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	for _, f := range c.Checks {
		if f.Check == name {
			return f
		}
	}
	t.Fatalf("no row %q in %s", name, out)
	return finding{}
}

// replaceBy binds a place to another device, as a person would.
func (r *running) replaceBy(t *testing.T, ns *tuntest.NS, place, eui string) {
	t.Helper()
	if out, err := ns.Command(built(t), "replace", place, eui, "--config", r.config).CombinedOutput(); err != nil {
		t.Fatalf("replace: %v\n%s", err, out)
	}
}
