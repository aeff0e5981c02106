package radiocheck

import (
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"culvert/bridge/radio"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/findings"
	"culvert/cmd/culvert/internal/programtest"
	"culvert/cmd/culvert/internal/simulate"
)

// These tests run the command itself, on real lines and by the real clock, with short
// waits. That each fault is named is TestCheckBroken.

// checked is what `culvert check --json` prints.
type checked struct {
	Radio  *announcement      `json:"radio"`
	Checks []findings.Finding `json:"checks"`
	Faults int                `json:"faults"`
}

// checkJSON runs `culvert check --json`.
func checkJSON(t *testing.T, want int, args ...string) checked {
	t.Helper()
	code, stdout, stderr := programtest.RunBuilt(t, append([]string{"check", "--json"}, args...)...)
	var c checked
	if err := json.Unmarshal([]byte(stdout), &c); code != want || err != nil {
		t.Fatalf("exit code %d, want %d; %v; stderr %s\n%s", code, want, err, stderr, stdout)
	}
	for _, f := range c.Checks {
		if f.Check == "" || f.Verdict == "" || f.Found == "" {
			t.Errorf("finding without a word: %+v", f)
		}
	}
	return c
}

// verdicts returns the names of the checks that ended so.
func (c checked) verdicts(v findings.Verdict) []string {
	var out []string
	for _, f := range c.Checks {
		if f.Verdict == v {
			out = append(out, f.Check)
		}
	}
	return out
}

// TestCheckSkeleton holds that the skeleton of a radio side, from which others start,
// has no fault; and what the report says of it.
func TestCheckSkeleton(t *testing.T) {
	t.Parallel()
	path := skeleton(t)
	c := checkJSON(t, cli.ExitOK, "--process", path, "--listen", "500ms")
	if got := c.verdicts(findings.VerdictNotOffered); !slices.Equal(got, []string{"broadcast", "cancel", "assign"}) {
		t.Errorf("not offered: %v", got)
	}
	if got := c.verdicts(findings.VerdictNotTried); !slices.Equal(got, []string{"send-short"}) {
		t.Errorf("not tried: %v", got)
	}
	a := c.Radio
	if a == nil || a.EUI64 != "00:00:5e:ef:10:00:00:01" || a.Short != "00:01" || a.PAN != "abcd" || a.Name != "skeleton" || a.Boot == 0 ||
		a.Credits != 8 || a.MaxShort != 102 || !slices.Equal(a.Features, []string{"multihop"}) || a.NodeCount != 1 ||
		len(a.Nodes) != 1 || a.Nodes[0].Address != "00:00:5e:ef:10:00:00:05" || a.Notice == "" {
		t.Errorf("announced %+v", a)
	}
	code, stdout, _ := programtest.RunBuilt(t, "check", "--radio", "--process", path, "--no-send", "--listen", "10ms")
	for _, want := range []string{"process " + path + " announces:\n", "\nok           keepalive ", "\nnot tried    send           --no-send\n", "\n\nno fault found\n"} {
		if code != cli.ExitOK || !strings.Contains(stdout, want) {
			t.Errorf("exit code %d, without %q:\n%s", code, want, stdout)
		}
	}
	if strings.Contains(stdout, "on the air") {
		t.Errorf("with --no-send frames are announced:\n%s", stdout)
	}
}

// TestCheckSimulated holds that `culvert simulate`, which is the project's other radio
// side, has no fault: as a program, on a pseudo-terminal, and within the program that
// checks.
func TestCheckSimulated(t *testing.T) {
	t.Parallel()
	t.Run("process", func(t *testing.T) {
		t.Parallel()
		// Built with the race detector a program takes a second to end, if it is not told
		// otherwise.
		c := checkJSON(t, cli.ExitOK, "--process", "/usr/bin/env", "--listen", "500ms", "--",
			"GORACE=atexit_sleep_ms=0", programtest.Built(t), "simulate", "--ideal", "20", "--period", "0s")
		if got := append(c.verdicts(findings.VerdictNotOffered), c.verdicts(findings.VerdictNotTried)...); len(got) > 0 || c.Radio.NodeCount != 20 {
			t.Errorf("not offered or tried: %v; %d nodes", got, c.Radio.NodeCount)
		}
	})
	t.Run("configuration", func(t *testing.T) {
		t.Parallel()
		c := checkJSON(t, cli.ExitOK, "--radio", "--mesh", "fenland", "--config", programtest.CopySite(t), "--listen", "500ms")
		for _, f := range c.Checks {
			if f.Verdict == findings.VerdictNotTried && f.Check != "assign" {
				t.Errorf("%s: %s", f.Check, f.Found)
			}
		}
	})
}

// TestCheckSerial tries a radio side on a pseudo-terminal.
func TestCheckSerial(t *testing.T) {
	t.Parallel()
	master, slave, err := simulate.OpenPTY()
	if err != nil {
		t.Fatal(err)
	}
	defer slave.Close()
	var side sync.WaitGroup
	defer side.Wait()
	defer master.Close()
	side.Go(func() { (&fakeRadio{}).serve(master) })
	c := checkJSON(t, cli.ExitOK, "--serial", slave.Name()+",115200", "--listen", "400ms")
	if got := c.verdicts(findings.VerdictNotTried); len(got) > 0 {
		t.Errorf("not tried: %v", got)
	}
}

// listenFake serves a fake radio on a Unix socket.
func listenFake(t *testing.T, f *fakeRadio) (address string) {
	t.Helper()
	dir, err := os.MkdirTemp("", "check")
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "radio")
	l, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	var sides sync.WaitGroup
	sides.Go(func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			sides.Go(func() { f.serve(conn) })
		}
	})
	t.Cleanup(func() {
		l.Close()
		sides.Wait()
		os.RemoveAll(dir)
	})
	return "unix:" + path
}

// TestCheckStream tries broken radio sides on a real socket: no fault of theirs makes
// the check hang, or miss what is wrong.
func TestCheckStream(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name  string
		fake  *fakeRadio
		wrong []string
	}{
		{"sound", &fakeRadio{}, nil},
		{"silent", &fakeRadio{on: upon(radio.RecordHello, ignore)}, []string{"hello"}},
		{"ignores keepalive", &fakeRadio{on: upon(radio.RecordKeepalive, ignore)}, []string{"keepalive"}},
		{"no results", &fakeRadio{on: upon(radio.RecordSend, ignore)}, []string{"send"}},
		{"dies at an unknown record", &fakeRadio{unknown: func(s *fakeSide, _ []byte) { s.hangUp() }}, []string{"unknown-kind"}},
		{"text as fast as the socket takes it", &fakeRadio{start: func(s *fakeSide) {
			wire := framed(&radio.Record{Kind: radio.RecordText, Text: []byte("on and on")})
			for {
				s.mu.Lock()
				_, err := s.conn.Write(wire)
				s.mu.Unlock()
				if err != nil {
					return
				}
			}
		}}, []string{"text"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			want := cli.ExitOK
			if len(c.wrong) > 0 {
				want = cli.ExitBad
			}
			got := checkJSON(t, want, "--stream", listenFake(t, c.fake), "--answer-wait", "2s", "--result-wait", "2s", "--listen", "300ms")
			if faults := got.verdicts(findings.VerdictWrong); !slices.Equal(faults, c.wrong) || got.Faults != len(c.wrong) {
				t.Errorf("wrong: %v, want %v; faults %d", faults, c.wrong, got.Faults)
			}
		})
	}
}

// TestCheckProgramEnd holds that a program that goes on without its standard input is
// named.
func TestCheckProgramEnd(t *testing.T) {
	t.Parallel()
	c := checkJSON(t, cli.ExitBad, "--listen", "10ms", "--no-send", "--process", "/bin/sh", "--", "-c", `"$0"; exec sleep 1000`, skeleton(t))
	if got := c.verdicts(findings.VerdictWrong); !slices.Equal(got, []string{"program-end"}) {
		t.Errorf("wrong: %v", got)
	}
}

// TestCheckLimit holds that the check ends when its time is up.
func TestCheckLimit(t *testing.T) {
	t.Parallel()
	address := listenFake(t, &fakeRadio{on: upon(radio.RecordSend, ignore)})
	c := checkJSON(t, cli.ExitBad, "--stream", address, "--limit", "1s")
	if got := c.verdicts(findings.VerdictWrong); !slices.Contains(got, "limit") {
		t.Errorf("wrong: %v", got)
	}
}

// TestCheckRefused holds the exit codes and words of what cannot be checked.
func TestCheckRefused(t *testing.T) {
	dir := t.TempDir()
	two := filepath.Join(dir, "two.toml")
	one := filepath.Join(dir, "one.toml")
	mesh := func(name, iface, prefix string) string {
		return "[[mesh]]\nname = \"" + name + "\"\ninterface = \"" + iface + "\"\nprefix = \"" + prefix +
			"\"\nradio = { kind = \"stream\", address = \"unix:radio\" }\n"
	}
	a, b := mesh("fenland", "mesh0", "2001:db8:1::/64"), mesh("orchard", "mesh1", "2001:db8:2::/64")
	for path, text := range map[string]string{two: a + b, one: "control = \"control\"\n" + a} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		args string
		code int
		want string
	}{
		{"--serial /dev/x --stream y:1", 2, "--mesh, --serial, --stream, --process and --interface: only one of them (see 'culvert check --help')"},
		{"--serial /dev/x,fast", 2, `--serial "/dev/x,fast": want DEVICE or DEVICE,SPEED with the speed in baud`},
		{"--serial /dev/x,5", 2, "speed 5: want 1200 to 12000000 baud"},
		{"--stream nowhere", 2, `stream address "nowhere": want HOST:PORT or unix:PATH`},
		{"--interface a/b", 2, `--interface "a/b": want the name of a Linux IEEE 802.15.4 interface`},
		{"--radio --node 00:00 --stream unix:" + dir + "/none --listen -1s", 2, `"-1s" is no time; want a time like`},
		{"--stream unix:/x --node ff:ff", 2, `--node "ff:ff": want an EUI-64`},
		{"--node 00:12", 2, "--node and --no-send need --radio"},
		{"--stream unix:/x more", 2, `argument "more": only the program of --process has arguments`},
		{"--radio --config " + two, 2, "has several meshes: choose one with --mesh: fenland, orchard"},
		{"--mesh lagoon --config " + two, 2, `--mesh "lagoon": ` + two + " has no such mesh, but fenland, orchard"},
		{"--radio --config " + dir + "/none.toml", 2, "does not exist"},
		{"--radio --config " + one, 3, "stream unix:" + dir + "/radio: dial unix " + dir + "/radio: connect: no such file or directory"},
		{"--serial " + dir + "/none", 3, "no such file or directory"},
		{"--process " + dir + "/none", 3, "no such file or directory"},
	} {
		t.Run(c.args, func(t *testing.T) {
			code, stdout, stderr := programtest.RunBuilt(t, append([]string{"check"}, strings.Fields(c.args)...)...)
			if code != c.code || stdout != "" || !strings.Contains(stderr, c.want) {
				t.Errorf("exit code %d, want %d; stdout %q\n got %s\nwant %s", code, c.code, stdout, stderr, c.want)
			}
		})
	}
	// A daemon that runs keeps its radio.
	l, err := net.Listen("unix", filepath.Join(dir, "control"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if code, _, stderr := programtest.RunBuilt(t, "check", "--radio", "--config", one); code != cli.ExitUnreachable || !strings.Contains(stderr, "the daemon runs and has this radio: stop it first") {
		t.Errorf("exit code %d, %s", code, stderr)
	}
}
