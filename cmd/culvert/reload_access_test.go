package main

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"culvert/cmd/culvert/internal/programtest"
	"culvert/tun/tuntest"
)

// TestReloadAccess takes rights and outputs out of the configuration of a running
// daemon, and puts them back: who may read, what drives, and a lock-out that stays.
func TestReloadAccess(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	config := programtest.CopySite(t)
	b, err := os.ReadFile(config)
	if err != nil {
		t.Fatal(err)
	}
	whole := string(b)
	write := func(text string) {
		t.Helper()
		if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	run := func(code int, want string, args ...string) {
		t.Helper()
		cmd := ns.Command(programtest.Built(t), append(args, "--config", config)...)
		out, _ := cmd.CombinedOutput()
		if got := cmd.ProcessState.ExitCode(); got != code || !strings.Contains(string(out), want) {
			t.Errorf("%s: exit code %d, want %d, and %q in\n%s", strings.Join(args, " "), got, code, want, out)
		}
	}
	client := tuntest.Tool(t, "coap-client-notls", "libcoap3-bin")
	reads := func() string {
		out, _ := ns.Command(client, "-B", "5", "coap://[::1]/nodes").CombinedOutput()
		return string(out)
	}
	r := programtest.StartRun(t, ns, config)
	if out := reads(); strings.Contains(out, "4.01") || !strings.Contains(out, "mast") {
		t.Errorf("at first: %s", out)
	}
	run(0, "", "set", "pump-house", "/output", "--lock", "sump open")

	access, output := strings.LastIndex(whole, "[[access]]"), strings.Index(whole, "[[output]]")
	caution := strings.LastIndex(whole[:output], "# CAUTION")
	http := strings.LastIndex(whole, "[http]")
	write(whole[:access] + whole[caution:output] + whole[http:])
	run(0, "0 outputs declared", "reload")
	if strings.Contains(r.Log.String(), "count from the next start") {
		t.Errorf("a restart is asked for:\n%s", r.Log)
	}
	if out := reads(); !strings.Contains(out, "4.01") {
		t.Errorf("nobody may read any more: %s", out)
	}
	// A file with an error changes nothing.
	write(strings.Replace(whole, `lease     = "20 min"`, `lease     = "twenty"`, 1))
	run(1, "output.lease", "reload")
	if out := reads(); !strings.Contains(out, "4.01") {
		t.Errorf("a file with an error let everybody read: %s", out)
	}
	write(whole)
	run(0, "1 output declared", "reload")
	if out := reads(); strings.Contains(out, "4.01") {
		t.Errorf("with the whole file again: %s", out)
	}
	run(1, "sump open", "set", "pump-house", "/output", "1", "--yes")
	if code := r.Stop(syscall.SIGTERM); code != 0 {
		t.Errorf("exit code %d", code)
	}
}

// TestSetKilled kills the daemon in the middle of a write: the next one says in the audit
// log that its outcome is unknown, and delivers nothing of it.
func TestSetKilled(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	config := programtest.CopySite(t)
	audit := func() string {
		found, err := filepath.Glob(filepath.Join(filepath.Dir(config), "*", "audit.jsonl"))
		if err != nil || len(found) != 1 {
			return ""
		}
		b, _ := os.ReadFile(found[0])
		return string(b)
	}
	// A write may be through before the daemon is killed; then another one is tried.
	open := func() bool {
		b := audit()
		return strings.Count(b, `"event":"intent"`) > strings.Count(b, `"event":"outcome"`)
	}
	for try := 0; ; try++ {
		r := programtest.StartRun(t, ns, config)
		tuntest.Poll(t, 60*time.Second, func() (bool, string) {
			out, _ := ns.Command(programtest.Built(t), "read", "pump-house", "/output", "--config", config).CombinedOutput()
			return strings.HasSuffix(strings.TrimSpace(string(out)), "0"), string(out)
		})
		set := ns.Command(programtest.Built(t), "set", "pump-house", "/output", "0", "--yes", "--config", config)
		if err := set.Start(); err != nil {
			t.Fatal(err)
		}
		tuntest.Poll(t, 30*time.Second, func() (bool, string) {
			return strings.Count(audit(), `"event":"intent"`) > try, "no intent: " + audit()
		})
		r.Stop(syscall.SIGKILL)
		_ = set.Wait()
		if open() {
			break
		}
		if try == 5 {
			t.Fatalf("every write was through before the daemon could be killed:\n%s", audit())
		}
	}
	programtest.StartRun(t, ns, config)
	tuntest.Poll(t, 30*time.Second, func() (bool, string) {
		return !open() && strings.Contains(audit(), "the daemon ended before it knew"), audit()
	})
	if !strings.Contains(audit(), `"outcome":"unknown"`) {
		t.Errorf("audit log:\n%s", audit())
	}
}
