package main

import (
	"os"
	"strings"
	"testing"
	"time"

	"culvert/cmd/culvert/internal/programtest"
	"culvert/tun/tuntest"
)

// TestReloadUndeclared changes undeclared_outputs under a running daemon: each policy is in
// force from the reload on, and a file with an error leaves the previous one in force.
func TestReloadUndeclared(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	config := programtest.CopySite(t)
	b, err := os.ReadFile(config)
	if err != nil {
		t.Fatal(err)
	}
	const section = "\n[coap]\n"
	if strings.Count(string(b), section) != 1 {
		t.Fatal("the configuration has not one [coap]")
	}
	r := programtest.StartRun(t, ns, config)
	run := func(args ...string) programAnswer {
		t.Helper()
		return runProgram(t, ns, "", append(args, "--config", config)...)
	}
	reload := func(policy string, code int) {
		t.Helper()
		text := strings.Replace(string(b), section, section+"undeclared_outputs = \""+policy+"\"\n", 1)
		if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if a := run("reload"); a.code != code {
			t.Fatalf("reload with %q: %+v", policy, a)
		}
	}
	tuntest.Poll(t, 60*time.Second, func() (bool, string) {
		a := run("read", "cold-store", "/output")
		return a.code == 0, a.out + a.err
	})
	// cold-store lists /output as an actuator, and no [[output]] declares it.
	set := func(when string, code int, want string, args ...string) {
		t.Helper()
		a := run(append([]string{"set", "cold-store", "/output"}, args...)...)
		if a.code != code || !strings.Contains(a.out+a.err, want) {
			t.Errorf("%s: %+v, want exit code %d and %q", when, a, code, want)
		}
	}
	set("by default", 2, "not confirmed", "1")
	set("by default, confirmed", 0, "2.04", "1", "--yes")
	reload("refuse", 0)
	set("refuse", 1, `undeclared_outputs is "refuse"`, "0", "--yes")
	reload("perhaps", 1)
	set("an error in the file", 1, `undeclared_outputs is "refuse"`, "0", "--yes")
	reload("allow", 0)
	set("allow", 0, "2.04", "0")
	reload("ask", 0)
	set("ask", 2, "not confirmed", "1")
	if strings.Contains(r.Log.String(), "count from the next start") {
		t.Errorf("a restart is asked for:\n%s", r.Log)
	}
}
