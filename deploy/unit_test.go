package deploy

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// analyze runs systemd-analyze, systemd's own judge of units.
func analyze(t *testing.T, args ...string) (string, error) {
	t.Helper()
	path, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Fatal("systemd-analyze is not installed: apt-get install -y --no-install-recommends systemd")
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, path, args...)
	cmd.Env = append(os.Environ(), "SYSTEMD_PAGER=", "LC_ALL=C")
	out, err := cmd.CombinedOutput()
	return string(out), err
}

// root is a folder that looks like a machine on which the unit is installed: this
// machine's units, the program, and the given text as culvert.service.
func root(t *testing.T, unit []byte) string {
	t.Helper()
	dir := t.TempDir()
	units := "/usr/lib/systemd/system"
	if err := os.CopyFS(filepath.Join(dir, units), os.DirFS(units)); err != nil {
		t.Fatal(err)
	}
	for path, file := range map[string]struct {
		mode os.FileMode
		text []byte
	}{
		"usr/bin/culvert":                    {0o755, []byte("#!/bin/sh\n")},
		"sbin/modprobe":                      {0o755, []byte("#!/bin/sh\n")},
		"etc/systemd/system/culvert.service": {0o644, unit},
	} {
		full := filepath.Join(dir, path)
		if err := os.MkdirAll(filepath.Dir(full), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(full, file.text, file.mode); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func unit(t *testing.T) []byte {
	t.Helper()
	b, err := os.ReadFile("culvert.service")
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// systemd takes the unit without a word; and would have one for a mistake, since it
// only warns of keys that it does not know.
func TestUnitVerifies(t *testing.T) {
	good := unit(t)
	out, err := analyze(t, "verify", "--man=no", "--root="+root(t, good), "culvert.service")
	if err != nil || strings.TrimSpace(out) != "" {
		t.Errorf("%v\n%s", err, out)
	}
	for _, x := range []struct{ old, bad, want string }{
		{"ProtectHome=yes", "ProtectHom=yes", "Unknown key"},
		{"ExecStart=/usr/bin/culvert", "ExecStart=/usr/bin/culvrt", "culvrt"},
		{"WatchdogSec=30s", "WatchdogSec=often", "often"},
	} {
		bad := bytes.Replace(good, []byte(x.old), []byte(x.bad), 1)
		if bytes.Equal(bad, good) {
			t.Fatalf("the unit has no %q", x.old)
		}
		if out, _ := analyze(t, "verify", "--man=no", "--root="+root(t, bad), "culvert.service"); !strings.Contains(out, x.want) {
			t.Errorf("%s: systemd says nothing of it: %q", x.bad, out)
		}
	}
}

// The sandbox: exposure of at most 2.0 on systemd's scale from 0 to 10 (it has 1.8
// with systemd 252). The threshold is ten times the figure.
func TestUnitSandbox(t *testing.T) {
	if out, err := analyze(t, "security", "--offline=true", "--no-pager", "--threshold=20", "culvert.service"); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
	// The judge can say no.
	if _, err := analyze(t, "security", "--offline=true", "--no-pager", "--threshold=5", "culvert.service"); err == nil {
		t.Error("a threshold of 0.5 was met")
	}
}

// What the daemon cannot do without, and what other files say of the unit.
func TestUnitHas(t *testing.T) {
	have := map[string]bool{}
	for line := range strings.Lines(string(unit(t))) {
		have[strings.TrimSpace(line)] = true
	}
	for _, want := range []string{
		"Type=notify", "WatchdogSec=30s", "AmbientCapabilities=CAP_NET_ADMIN", "CapabilityBoundingSet=CAP_NET_ADMIN",
		"DeviceAllow=/dev/net/tun rw", "DeviceAllow=char-ttyUSB rw", "DeviceAllow=char-ttyACM rw",
		"StateDirectory=culvert", "RuntimeDirectory=culvert", "User=culvert", "Group=culvert",
		"Restart=on-failure", "RestrictAddressFamilies=AF_INET AF_INET6 AF_NETLINK AF_UNIX",
		"ExecStart=/usr/bin/culvert run --config /etc/culvert/culvert.toml",
	} {
		if !have[want] {
			t.Errorf("no line %q", want)
		}
	}
	for line := range have {
		// A crash of a Go program ends with status 2, as a bad configuration does; so
		// does the watchdog's SIGABRT. The service must come back after those.
		if strings.HasPrefix(line, "RestartPreventExitStatus=") {
			t.Errorf("%s keeps the daemon down after a crash", line)
		}
	}
	b, err := os.ReadFile("culvert.sysusers")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(b), "\nu culvert - ") {
		t.Errorf("culvert.sysusers makes no user culvert:\n%s", b)
	}
}
