package main

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"culvert/cmd/culvert/internal/programtest"
	"culvert/coap/api"
	"culvert/tun/tuntest"
)

// answer is what a run of the program said, and its exit code.
type programAnswer struct {
	out, err string
	code     int
}

func runProgram(t *testing.T, ns *tuntest.NS, stdin string, args ...string) programAnswer {
	t.Helper()
	cmd := ns.Command(programtest.Built(t), args...)
	var out, errs strings.Builder
	cmd.Stdout, cmd.Stderr, cmd.Stdin = &out, &errs, strings.NewReader(stdin)
	err := cmd.Run()
	if e := (*exec.ExitError)(nil); err != nil && !asExit(err, &e) {
		t.Fatal(err)
	}
	return programAnswer{out.String(), errs.String(), cmd.ProcessState.ExitCode()}
}

func asExit(err error, e **exec.ExitError) (ok bool) {
	*e, ok = err.(*exec.ExitError)
	return ok
}

// TestCommands reads, writes and watches the simulated site, by the control socket
// and from elsewhere.
func TestCommands(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	config := programtest.CopySite(t)
	dir := filepath.Dir(config)
	key := filepath.Join(dir, "key")
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(os.WriteFile(key, []byte("0123456789abcdef0123456789abcdef\n"), 0o600))
	must(os.WriteFile(filepath.Join(dir, "display-key"), []byte("fedcba9876543210fedcba9876543210\n"), 0o600))
	b, err := os.ReadFile(config)
	must(err)
	text := strings.Replace(string(b), `listen = ["udp [::]:5683"]`, `listen = ["udp [::]:5683", "dtls [::1]:5684"]`, 1)
	text = strings.Replace(text, `interval  = "10 s"`, `interval  = "1 s"`, 1) + `
[[access]]
identity = "ops-laptop"
psk_file = "key"
may = ["read", "write"]

[[access]]
identity = "display"
psk_file = "display-key"
may = "read"
`
	must(os.WriteFile(config, []byte(text), 0o600))
	r := programtest.StartRun(t, ns, config)
	local := func(stdin string, args ...string) programAnswer {
		t.Helper()
		return runProgram(t, ns, stdin, append(args, "--config", config)...)
	}
	tuntest.Poll(t, 60*time.Second, func() (bool, string) {
		a := local("", "read", "pump-house", "/output")
		return a.code == 0 && a.out == "0\n", a.out + a.err
	})
	remote := func(stdin, identity string, args ...string) programAnswer {
		t.Helper()
		file := key
		if identity == "display" {
			file = filepath.Join(dir, "display-key")
		}
		return runProgram(t, ns, stdin, append(args, "--server", "coaps://[::1]", "--identity", identity, "--psk-file", file)...)
	}
	tuntest.Poll(t, 60*time.Second, func() (bool, string) { // the node publishes each minute
		a := local("", "set", "pump-house", "/period", "2")
		return a.code == 0, a.out + a.err
	})
	// The old device's bare datagrams are readings like all others.
	tuntest.Poll(t, 60*time.Second, func() (bool, string) {
		a := local("", "set", "bank-east", "/period", "1")
		return a.code == 0, a.out + a.err
	})
	tuntest.Poll(t, 60*time.Second, func() (bool, string) {
		a := local("", "read", "bank-east", "--last", "3", "--json")
		var pack []struct {
			Name  string  `json:"n"`
			Unit  string  `json:"u"`
			Time  float64 `json:"t"`
			Value float64 `json:"v"`
		}
		err := json.Unmarshal([]byte(a.out), &pack)
		temps, before := 0, 0.0
		for _, r := range pack {
			if r.Time < before {
				t.Fatalf("out of order: %s", a.out)
			}
			before = r.Time
			if r.Name == "temp" && r.Unit == "Cel" && r.Value > -20 && r.Value < 40 {
				temps++
			}
		}
		return err == nil && temps == 3 && strings.Contains(a.out, `"n":"output","vb":false`), a.out + a.err
	})
	for _, x := range []struct {
		name string
		got  programAnswer
		code int
		out  string
		err  string
	}{
		{"json", local("", "read", "pump-house", "/period", "--json"), 0, `{"node":"pump-house","path":"/period","format":0,"value":"2"}`, ""},
		{"too many", local("", "read", "pump-house", "--last", "17"), 2, "", "1 to 16"},
		{"no such node", local("", "read", "pond"), 1, "", `no node "pond"`},
		{"no such resource", local("", "read", "pump-house", "/none"), 1, "", "4.04"},
		{"not confirmed", local("no\n", "set", "pump-house", "/output", "1"), 2, "", "local interlock"},
		{"nobody answers", local("", "set", "pump-house", "/output", "1"), 2, "", "not confirmed"},
		{"no lease there", local("", "set", "pump-house", "/period", "2", "--for", "3s"), 2, "", "is no output"},
		{"confirmed", local("yes\n", "set", "pump-house", "/output", "1", "--for", "1m", "--within", "30s"), 0, `done: /output of pump-house to "1", for 1m0s; reads "1"`, "Type yes"},
		{"off", local("", "set", "pump-house", "/output", "0", "--yes", "--json"), 0, `"outcome":"done"`, ""},
		{"undeclared, not confirmed", local("no\n", "set", "cold-store", "/output", "1"), 2, "", `cold-store lists /output as an actuator (if="actuator"), and no [[output]]`},
		{"undeclared, nobody answers", local("", "set", "cold-store", "/output", "1"), 2, "", "not confirmed"},
		{"undeclared, confirmed", local("yes\n", "set", "cold-store", "/output", "1"), 0, "2.04", `resource = "/output"`},
		{"undeclared, yes", local("", "set", "cold-store", "/output", "0", "--yes"), 0, "2.04", ""},
		{"undeclared, remote", remote("yes\n", "ops-laptop", "set", "cold-store", "/output", "1", "--yes"), 1, "", "no [[output]] declares it"},
		{"lock", local("", "set", "pump-house", "/output", "--lock", "sump open"), 0, "locked out", ""},
		{"locked", local("", "set", "pump-house", "/output", "1", "--yes"), 1, "refused", ""},
		{"lift another one's", local("", "set", "pump-house", "/output", "--unlock", "--of", "uid 12345"), 1, "", "has no lock-out here"},
		{"lift", local("", "set", "pump-house", "/output", "--unlock"), 0, "lifted", ""},
		{"remote read", remote("", "display", "read", "pump-house", "/output"), 0, "0\n", ""},
		{"remote list", remote("", "display", "nodes"), 0, "pump-house", ""},
		{"remote, may not", remote("", "display", "set", "pump-house", "/output", "1", "--yes"), 1, "", "4.03"},
		{"remote, plain", remote("", "ops-laptop", "set", "pump-house", "/period", "3"), 0, "2.04", ""},
		{"remote, drives", remote("yes\n", "ops-laptop", "set", "pump-house", "/output", "0"), 0, "done", ""},
		{"remote, wrong identity", remote("", "nobody", "read", "pump-house"), 3, "", "cannot be reached"},
		{"nobody there", runProgram(t, ns, "", "read", "pump-house", "--server", "coaps://[::1]:9", "--identity", "a", "--psk-file", key), 3, "", "cannot be reached"},
		{"no identity", runProgram(t, ns, "", "read", "pump-house", "--server", "coaps://[::1]"), 2, "", "--identity"},
		{"no url", runProgram(t, ns, "", "read", "pump-house", "--server", "http://x", "--identity", "a", "--psk-file", key), 2, "", "want coaps://"},
		{"no daemon", runProgram(t, ns, "", "read", "pump-house", "--config", programtest.CopySite(t)), 3, "", "nothing listens"},
	} {
		if x.got.code != x.code || !strings.Contains(x.got.out, x.out) || !strings.Contains(x.got.err, x.err) {
			t.Errorf("%s: exit code %d, want %d\n%s%s", x.name, x.got.code, x.code, x.got.out, x.got.err)
		}
	}
	watched := local("", "watch", "pump-house", "--json", "--count", "4", "--every", "500ms")
	names := map[string]int{}
	for line := range strings.Lines(watched.out) {
		var v struct {
			Node, Name string
			Value      float64
			Time       time.Time
		}
		if err := json.Unmarshal([]byte(line), &v); err != nil || v.Node != "pump-house" || time.Since(v.Time) > 5*time.Minute {
			t.Errorf("watch: %s: %v", line, err)
		}
		names[v.Name]++
	}
	if watched.code != 0 || len(names) != 3 || names["temp"] == 0 {
		t.Errorf("watch: %d, %v\n%s", watched.code, names, watched.err)
	}
	if a := local("", "read", "pump-house"); a.code != 0 || !strings.Contains(a.out, "temp") || !strings.Contains(a.out, "Cel") {
		t.Errorf("read: %d\n%s%s", a.code, a.out, a.err)
	}
	audit, err := os.ReadFile(filepath.Join(dir, "state", "audit.jsonl"))
	must(err)
	for _, want := range []string{`"identity":"ops-laptop","door":"dtls"`, `"event":"lock"`, `"outcome":"` + api.OutcomeDone + `"`} {
		if !strings.Contains(string(audit), want) {
			t.Errorf("audit log without %s:\n%s", want, audit)
		}
	}
	if code := r.Stop(syscall.SIGTERM); code != 0 {
		t.Errorf("exit code %d", code)
	}
}
