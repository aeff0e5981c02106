package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"culvert/cmd/culvert/internal/cli"
	"culvert/tun/tuntest"
)

func TestMain(m *testing.M) {
	tuntest.Main(m)
}

// command runs a command line in this process.
func command(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = cli.Main(context.Background(), commands, args, strings.NewReader(""), &out, &errs)
	return code, out.String(), errs.String()
}

// TestWrongUse holds that what is used wrongly ends with exit code 2 and one clear
// line.
func TestWrongUse(t *testing.T) {
	dir := t.TempDir()
	none := filepath.Join(dir, "none.toml")
	bad := filepath.Join(dir, "bad.toml")
	if err := os.WriteFile(bad, []byte("control = 1\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	good := filepath.Join(dir, "good.toml")
	if err := os.WriteFile(good, []byte("control = \"control.sock\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args string
		code int
		want string
	}{
		{"bogus", 2, `culvert: unknown command "bogus" (see 'culvert --help')`},
		{"vresion", 2, `culvert: unknown command "vresion"; did you mean version? (see 'culvert --help')`},
		{"--bogus", 2, `culvert: unknown flag: --bogus (see 'culvert --help')`},
		{"help bogus", 2, `culvert help: unknown command "bogus" (see 'culvert help --help')`},
		{"version 1", 2, `culvert version: unknown command "1" for "culvert version" (see 'culvert version --help')`},
		{"version --bogus", 2, `culvert version: unknown flag: --bogus (see 'culvert version --help')`},
		{"version --config", 2, `culvert version: flag needs an argument: --config (see 'culvert version --help')`},
		{"run 1", 2, `culvert run: unknown command "1" for "culvert run" (see 'culvert run --help')`},
		{"run --config NONE", 2, `culvert run: configuration NONE does not exist; name another with --config FILE`},
		{"run --config BAD", 2, `culvert run: 2 errors in the configuration:
BAD:1: control: 1; want the path of a socket
BAD:1: mesh: missing; want at least one [[mesh]]`},
		{"run --config BAD --check-config", 2, `culvert run: 2 errors in the configuration:
BAD:1: control: 1; want the path of a socket
BAD:1: mesh: missing; want at least one [[mesh]]`},
		{"run --log yaml", 2, `culvert run: --log "yaml": want text or json (see 'culvert run --help')`},
		{"run --log-level loud", 2, `culvert run: --log-level "loud": want debug, info, warn or error (see 'culvert run --help')`},
		{"demo 1", 2, `culvert demo: unknown command "1" for "culvert demo" (see 'culvert demo --help')`},
		{"demo --stay --shell", 2, `culvert demo: --stay and --shell exclude each other: with --shell the site stays up as long as the shell (see 'culvert demo --help')`},
		{"demo --http nowhere", 2, `culvert demo: --http nowhere: listen tcp: address nowhere: missing port in address`},
		{"demo --inside", 2, `culvert demo: --inside is for the demo itself`},
		{"read", 2, `culvert read: the NODE is missing: culvert read NODE [PATH]; 'culvert nodes' lists them (see 'culvert read --help')`},
		{"read a b c", 2, `culvert read: "c" is one argument too many: culvert read NODE [PATH] (see 'culvert read --help')`},
		{"watch", 2, `culvert watch: the NODE is missing: culvert watch NODE...; 'culvert nodes' lists them (see 'culvert watch --help')`},
		{"forget", 2, `culvert forget: the NODE is missing: culvert forget NODE; 'culvert nodes' lists them (see 'culvert forget --help')`},
		{"replace mast", 2, `culvert replace: the EUI64 is missing: culvert replace PLACE EUI64 (see 'culvert replace --help')`},
		{"set", 2, `culvert set: the NODE is missing: culvert set NODE PATH [VALUE]; 'culvert nodes' lists them (see 'culvert set --help')`},
		{"set pump-house", 2, `culvert set: the PATH is missing: culvert set NODE PATH [VALUE] (see 'culvert set --help')`},
		{"set pump-house /output", 2, `culvert set: the VALUE is missing (see 'culvert set --help')`},
		{"nodes --config NONE", 2, `culvert nodes: configuration NONE does not exist; name another with --config FILE`},
		{"nodes --config BAD", 2, `culvert nodes: BAD:1: control: 1; want the path of a socket`},
		{"nodes --config GOOD", 3, `culvert nodes: the daemon cannot be reached: nothing listens at DIR/control.sock; is 'culvert run' up, and with the same --config?`},
	} {
		t.Run(c.args, func(t *testing.T) {
			names := strings.NewReplacer("NONE", none, "BAD", bad, "GOOD", good, "DIR", dir)
			c.args, c.want = names.Replace(c.args), names.Replace(c.want)
			code, stdout, stderr := command(t, strings.Fields(c.args)...)
			if code != c.code || stdout != "" || stderr != c.want+"\n" {
				t.Errorf("exit code %d, stdout %q\n got %s\nwant %s", code, stdout, stderr, c.want)
			}
		})
	}
}

// TestRootFlags holds that the program says its version by a flag too, and names the
// environment variable that it reads.
func TestRootFlags(t *testing.T) {
	_, want, _ := command(t, "version")
	if code, got, errs := command(t, "--version"); code != 0 || got != want || errs != "" {
		t.Errorf("--version: exit code %d, %q, %q; want %q", code, got, errs, want)
	}
	if _, help, _ := command(t, "--help"); !strings.Contains(help, cli.ConfigEnv) {
		t.Errorf("help does not name %s:\n%s", cli.ConfigEnv, help)
	}
}

// TestHelp holds that each command says what it is for, with an example that starts
// with its name, and that help is an answer and no fault.
func TestHelp(t *testing.T) {
	code, stdout, stderr := command(t)
	if code != 0 || stderr != "" || !strings.Contains(stdout, "culvert demo") {
		t.Errorf("culvert alone: exit code %d, stderr %q, stdout %s", code, stderr, stdout)
	}
	for _, cmd := range cli.NewRoot(commands).Commands() {
		if cmd.Name() == "help" || cmd.Name() == "completion" {
			continue
		}
		t.Run(cmd.Name(), func(t *testing.T) {
			if cmd.Short == "" || len(cmd.Long) < 80 || !strings.HasPrefix(cmd.Example, "  culvert "+cmd.Name()) {
				t.Errorf("short %q, long %q, example %q", cmd.Short, cmd.Long, cmd.Example)
			}
			code, stdout, stderr := command(t, cmd.Name(), "--help")
			if code != 0 || stderr != "" || !strings.Contains(stdout, cmd.Long) {
				t.Errorf("exit code %d, stderr %q, stdout %s", code, stderr, stdout)
			}
			for _, line := range strings.Split(stdout, "\n") {
				if len([]rune(line)) > 120 {
					t.Errorf("a line of help is too long for a terminal: %q", line)
				}
			}
		})
	}
}

func TestVersion(t *testing.T) {
	code, stdout, stderr := command(t, "version")
	if code != 0 || stderr != "" || !strings.HasPrefix(stdout, "culvert ") {
		t.Errorf("exit code %d, stderr %q, stdout %q", code, stderr, stdout)
	}
	code, stdout, _ = command(t, "version", "--json")
	var b cli.BuildInfo
	if err := json.Unmarshal([]byte(stdout), &b); code != 0 || err != nil || b.Version == "" || b.Go == "" {
		t.Errorf("exit code %d, %v, stdout %q", code, err, stdout)
	}
}
