package main

import (
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/findings"
	"culvert/cmd/culvert/internal/programtest"
	"culvert/tun/tuntest"
)

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
	if out, err := ns.Command("/usr/bin/unshare", "-m", "/bin/sh", script, state, programtest.Built(t)).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	for _, c := range []struct {
		file string
		want findings.Verdict
		says string
	}{{"well", findings.VerdictOK, "free of 64.0 MiB"}, {"full", findings.VerdictWrong, "free of"}, {"ro", findings.VerdictWrong, "read-only"}} {
		b, err := os.ReadFile(filepath.Join(dir, c.file+".json"))
		if err != nil {
			t.Fatal(err)
		}
		if f := rowIn(t, b, "disk"); f.Verdict != c.want || !strings.Contains(f.Found, c.says) {
			t.Errorf("%s: %+v", c.file, f)
		}
	}
}

// TestCheckSite runs the daemon with a radio in a process of its own, and holds that
// check finds no fault in a well site, and names what is wrong in others.
func TestCheckSite(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	file := programtest.CopySite(t)
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
	radio := exec.Command(programtest.Built(t), "simulate", "--listen", "unix:"+filepath.Join(dir, "radio.sock"), "--control", filepath.Join(dir, "radio.ctl"), "--speed", "20")
	if err := radio.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { radio.Process.Kill(); radio.Wait() }()
	r := programtest.StartRun(t, ns, file)
	sh := func(script string) {
		t.Helper()
		if out, err := ns.Command("/bin/sh", "-c", "PATH=$PATH:/usr/sbin:/sbin; "+script).CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", script, err, out)
		}
	}
	// row runs the command until a row says what is wanted, and holds the exit code.
	row := func(name string, want findings.Verdict, says string, code int) {
		t.Helper()
		tuntest.Poll(t, time.Minute, func() (bool, string) {
			cmd := ns.Command(programtest.Built(t), "check", "--config", file, "--json")
			out, _ := cmd.Output()
			f := rowIn(t, out, name)
			return f.Verdict == want && strings.Contains(f.Found, says) && cmd.ProcessState.ExitCode() == code, string(out)
		})
	}
	row("radio", findings.VerdictOK, "up since", cli.ExitOK)
	row("nodes", findings.VerdictOK, "6 up", cli.ExitOK)

	const bank = "fd5e:2a11:77c0:1::2"
	sh("ip -6 route add " + bank + "/128 dev lo")
	row("mesh route", findings.VerdictWrong, "to lo, not to mesh0", cli.ExitBad)
	sh("ip -6 route del " + bank + "/128 dev lo")
	row("mesh route", findings.VerdictOK, "to mesh0", cli.ExitOK)

	replaceBy(t, r, ns, "mast", "00:00:5e:ef:10:00:00:44")
	row("places", findings.VerdictNote, "'culvert replace' bound 00:00:5e:ef:10:00:00:44", cli.ExitOK)

	radio.Process.Kill()
	radio.Wait()
	row("radio", findings.VerdictWrong, "has been down since", cli.ExitBad)
	row("nodes", findings.VerdictNotTried, "while the radio is down", cli.ExitBad)
}

// rowIn returns a row of what `culvert check --json` printed.
func rowIn(t *testing.T, out []byte, name string) findings.Finding {
	t.Helper()
	var c struct{ Checks []findings.Finding }
	if err := json.Unmarshal(out, &c); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	for _, f := range c.Checks {
		if f.Check == name {
			return f
		}
	}
	t.Fatalf("no row %q in %s", name, out)
	return findings.Finding{}
}

// replaceBy binds a place to another device, as a person would.
func replaceBy(t *testing.T, r *programtest.Running, ns *tuntest.NS, place, eui string) {
	t.Helper()
	if out, err := ns.Command(programtest.Built(t), "replace", place, eui, "--config", r.Config).CombinedOutput(); err != nil {
		t.Fatalf("replace: %v\n%s", err, out)
	}
}
