package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"culvert/bridge/radio"
	"culvert/bridge/sim"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/programtest"
	"culvert/tun/tuntest"
)

func TestSimulateWrongUse(t *testing.T) {
	for _, c := range []struct{ args, want string }{
		{"simulate x", `culvert simulate: unknown command "x" for "culvert simulate" (see 'culvert simulate --help')`},
		{"simulate --listen [::1]:99", `culvert simulate: --listen "[::1]:99": want tcp:HOST:PORT, like tcp:[::1]:6283, or unix:PATH`},
		{"simulate --listen tcp:[::1]:0 --pty", `culvert simulate: --listen and --pty: only one of them`},
		{"simulate --loss 2", `culvert simulate: --loss: loss 2: want 0 to 1`},
		{"simulate --loss 0.1 --ideal 5", `culvert simulate: --loss: an ideal mesh loses nothing`},
		{"simulate --ideal -5", `culvert simulate: --ideal -5: want 1 to 100000 nodes`},
		{"simulate --ideal 5 --site x", `culvert simulate: --ideal makes its own nodes: leave --site out`},
		{"simulate --speed 0", `culvert simulate: --speed 0: want above 0 and at most 1000`},
		{"simulate --period 1500ms", `culvert simulate: sim: period 1.5s: want whole seconds, 1 to 86400`},
		{"simulate --prefix x", `culvert simulate: --prefix "x": want a prefix of 64 bits, like fd5e:2a11:77c0:1::/64`},
		{"simulate tell /tmp/x", `culvert simulate tell: requires at least 2 arg(s), only received 1 (see 'culvert simulate tell --help')`},
	} {
		code, _, stderr := command(t, strings.Fields(c.args)...)
		if code != cli.ExitUsage || stderr != c.want+"\n" {
			t.Errorf("%s: exit code %d\n got %s\nwant %s", c.args, code, stderr, c.want)
		}
	}
	if code, _, _ := command(t, "simulate", "tell", filepath.Join(t.TempDir(), "none"), "list"); code != cli.ExitUnreachable {
		t.Errorf("tell without a simulation: exit code %d", code)
	}
}

// background runs a command line until the test ends, and returns what it prints.
func background(t *testing.T, args ...string) *bufio.Reader {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	r, w := io.Pipe()
	done := make(chan struct{})
	var errs strings.Builder
	go func() {
		defer close(done)
		if code := cli.Main(ctx, commands, args, strings.NewReader(""), w, &errs); code != cli.ExitOK {
			t.Errorf("%v: exit code %d: %s", args, code, errs.String())
		}
		w.Close()
	}()
	t.Cleanup(func() { cancel(); r.Close(); <-done })
	return bufio.NewReader(r)
}

// sixNodes checks that six nodes attach over a link to a radio.
func sixNodes(t *testing.T, l *radio.Link) {
	t.Helper()
	stop := time.AfterFunc(30*time.Second, func() { l.Close() })
	defer stop.Stop()
	defer l.Close()
	b := make([]byte, radio.MaxRecord)
	for attached := 0; attached < 6; {
		e, err := l.Receive(b)
		if errors.Is(err, net.ErrClosed) {
			t.Fatalf("%d nodes attached within 30 s", attached)
		} else if err != nil {
			t.Fatal(err)
		}
		switch e.Kind {
		case radio.EventUp:
			if attached = 0; e.Info.MaxExtended != sim.MaxExtended || e.Info.Name == "" {
				t.Errorf("up: %+v", e.Info)
			}
		case radio.EventAttached:
			attached++
		}
	}
}

// The radio package's own kinds of attachment find the simulated mesh behind each
// door of the command.
func TestSimulateDoors(t *testing.T) {
	t.Run("process", func(t *testing.T) {
		l, err := radio.NewProcess(radio.ProcessOptions{Command: []string{programtest.Built(t), "simulate", "--speed", "20"}})
		if err != nil {
			t.Fatal(err)
		}
		sixNodes(t, l)
	})
	t.Run("unix socket", func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "radio")
		background(t, "simulate", "--speed", "20", "--listen", "unix:"+path)
		l, err := radio.NewStream(radio.StreamOptions{Address: "unix:" + path})
		if err != nil {
			t.Fatal(err)
		}
		sixNodes(t, l)
	})
	t.Run("pseudo-terminal", func(t *testing.T) {
		line, err := background(t, "simulate", "--speed", "20", "--pty").ReadString('\n')
		if err != nil {
			t.Fatal(err)
		}
		l, err := radio.NewSerial(radio.SerialOptions{Device: strings.TrimSpace(line), Speed: 115200})
		if err != nil {
			t.Fatal(err)
		}
		sixNodes(t, l)
	})
}

func TestSimulateTell(t *testing.T) {
	dir := t.TempDir()
	control := filepath.Join(dir, "control")
	background(t, "simulate", "--speed", "50", "--loss", "0", "--listen", "unix:"+filepath.Join(dir, "radio"), "--control", control)
	tell := func(args ...string) (int, string, string) {
		return command(t, append([]string{"simulate", "tell", control}, args...)...)
	}
	joined := func() (n int) {
		_, out, _ := tell("list", "--json")
		var nodes []struct{ Name, State string }
		if json.Unmarshal([]byte(out), &nodes) != nil {
			return -1
		}
		for _, one := range nodes {
			if one.State == "joined" {
				n++
			}
		}
		return n
	}
	await := func(want int) {
		t.Helper()
		tuntest.Poll(t, time.Minute, func() (bool, string) {
			n := joined()
			return n == want, fmt.Sprintf("%d nodes have joined, want %d", n, want)
		})
	}
	await(6)
	if code, out, errs := tell("cut", "node", "grain-bin"); code != 0 || out != "" || errs != "" {
		t.Errorf("cut node: %d %q %q", code, out, errs)
	}
	await(5)
	if code, _, errs := tell("cut", "node", "nobody"); code != cli.ExitUsage || errs != "culvert simulate tell: there is no node \"nobody\"\n" {
		t.Errorf("cut node nobody: %d %q", code, errs)
	}
	if code, out, _ := tell("list"); code != 0 || strings.Count(out, "\n") != 7 || !strings.HasPrefix(out, "NODE") {
		t.Errorf("list: %d\n%s", code, out)
	}
	tell("restore", "node", "grain-bin")
	await(6)
	// A second simulation does not take a socket that is in use.
	if code, _, errs := command(t, "simulate", "--control", control); code == 0 || !strings.Contains(errs, "another program listens there") {
		t.Errorf("a socket in use: %d %q", code, errs)
	}
}

// A line that is cut is gone, as if it had been unplugged, and another one comes
// when it is restored.
func TestSimulateLineUnplugged(t *testing.T) {
	control := filepath.Join(t.TempDir(), "control")
	out := background(t, "simulate", "--speed", "20", "--pty", "--control", control)
	first, err := out.ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	l, err := radio.NewSerial(radio.SerialOptions{Device: strings.TrimSpace(first), Speed: 115200})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	stop := time.AfterFunc(20*time.Second, func() { l.Close() })
	defer stop.Stop()
	await := func(kind radio.Kind) {
		t.Helper()
		b := make([]byte, radio.MaxRecord)
		for {
			e, err := l.Receive(b)
			if err != nil {
				t.Fatalf("waiting for event kind %d: %v", kind, err)
			}
			if e.Kind == kind {
				return
			}
		}
	}
	await(radio.EventSnapshot)
	if code, _, errs := command(t, "simulate", "tell", control, "cut", "line"); code != 0 {
		t.Fatal(errs)
	}
	await(radio.EventDown)
	if code, _, errs := command(t, "simulate", "tell", control, "restore", "line"); code != 0 {
		t.Fatal(errs)
	}
	second, err := out.ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	l2, err := radio.NewSerial(radio.SerialOptions{Device: strings.TrimSpace(second), Speed: 115200})
	if err != nil {
		t.Fatal(err)
	}
	sixNodes(t, l2)
}
