package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/conf"
	"culvert/cmd/culvert/internal/daemon"
	"culvert/cmd/culvert/internal/demo"
	"culvert/cmd/culvert/internal/ping"
	"culvert/cmd/culvert/internal/programtest"
	"culvert/tun/tuntest"
)

// TestRunStop runs the daemon as a program, asks it, and ends it by each signal: it
// ends with exit code 0 and leaves nothing behind.
func TestRunStop(t *testing.T) {
	for _, s := range []syscall.Signal{syscall.SIGTERM, syscall.SIGINT} {
		t.Run(s.String(), func(t *testing.T) {
			t.Parallel()
			ns := tuntest.NewNS(t)
			before := programtest.Ours(t, ns)
			if len(before) != 0 {
				t.Fatalf("a fresh namespace has %v", before)
			}
			r := programtest.StartRun(t, ns, programtest.CopySite(t))
			if during := programtest.Ours(t, ns); !slices.Contains(during, "link mesh0") || !slices.Contains(during, "address fd5e:2a11:77c0:1::1/64") {
				t.Errorf("while it runs: %q", during)
			}
			pingFrom(t, ns, "fd5e:2a11:77c0:1:200:5eef:1000:7") // so that it is heard
			want := regexp.MustCompile(`(?m)^pump-house +up +[0-9.]+ s ago +.* [2-4] +[a-z- ]+ +(-[0-9]+ dBm|-) +fd5e:2a11:77c0:1:200:5eef:1000:7 +00:00:5e:ef:10:00:00:07 +- +fenland$`)
			tuntest.Poll(t, 10*time.Second, func() (bool, string) { // the daemon renders the list once a second
				out, err := ns.Command(programtest.Built(t), "nodes", "--wide", "--config", r.Config).Output()
				return err == nil && want.Match(out), fmt.Sprintf("want %s, got %v\n%s", want, err, out)
			})
			if code := r.Stop(s); code != 0 {
				t.Errorf("exit code %d", code)
			}
			if after := programtest.Ours(t, ns); len(after) != 0 {
				t.Errorf("left behind: %q", after)
			}
			text := r.Log.String()
			if strings.Contains(text, "no [[rule]]") || !strings.Contains(text, "msg=stopped") {
				t.Errorf("the log should say that it stopped, and not that there are no rules:\n%s", text)
			}
			code, _, stderr := command(t, "nodes", "--config", r.Config)
			if code != cli.ExitUnreachable || !strings.Contains(stderr, "nothing listens at") {
				t.Errorf("nodes after the end: exit code %d, %s", code, stderr)
			}
		})
	}
}

// pingFrom pings a node from inside a namespace, three times at most.
func pingFrom(t *testing.T, ns *tuntest.NS, address string) {
	t.Helper()
	if fault := echoFrom(t, ns, address); fault != "" {
		t.Errorf("ping %s: %s", address, fault)
	}
}

// echoFrom is pingFrom for a node that may not be there yet: it returns what is
// wrong, "" if nothing is.
func echoFrom(t *testing.T, ns *tuntest.NS, address string) (fault string) {
	t.Helper()
	ns.Do(func() {
		p, err := ping.NewPinger()
		if err != nil {
			t.Fatal(err)
		}
		defer p.Close()
		row := demo.DemoRow{Address: netip.MustParseAddr(address)}
		row.Echo(t.Context(), p)
		fault = row.EchoError
	})
	return fault
}

// TestKillRestart kills the daemon the hard way, starts it again, and holds that
// nothing is doubled, and in the end nothing left.
func TestKillRestart(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	config := programtest.CopySite(t)
	first := programtest.StartRun(t, ns, config)
	want := programtest.Ours(t, ns)
	first.Stop(syscall.SIGKILL)
	second := programtest.StartRun(t, ns, config)
	if got := programtest.Ours(t, ns); !slices.Equal(got, want) {
		t.Errorf("after kill and restart:\n got %q\nwant %q", got, want)
	}
	if code := second.Stop(syscall.SIGTERM); code != 0 {
		t.Errorf("exit code %d", code)
	}
	if after := programtest.Ours(t, ns); len(after) != 0 {
		t.Errorf("left behind: %q", after)
	}
}

// TestRunTwice holds that a second daemon on the same state says so and ends, and
// does no harm to the first.
func TestRunTwice(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	first := programtest.StartRun(t, ns, programtest.CopySite(t))
	out, err := ns.Command(programtest.Built(t), "run", "--config", first.Config).CombinedOutput()
	if err == nil || !strings.Contains(string(out), "runs with "+filepath.Dir(first.Config)+"/state already") {
		t.Errorf("second daemon: %v\n%s", err, out)
	}
	if n := len(first.Nodes()); n != 6 {
		t.Errorf("the first one lists %d nodes", n)
	}
	if code := first.Stop(syscall.SIGTERM); code != 0 {
		t.Errorf("exit code %d", code)
	}
}

// TestRunDaemon runs the daemon in this process, reads its web side, and ends it:
// TestMain holds that no goroutine is left.
func TestRunDaemon(t *testing.T) {
	tuntest.Own(t)
	cfg, err := conf.LoadConfig(programtest.CopySite(t))
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	ended := make(chan error, 1)
	log := &programtest.ProgramOutput{}
	go func() {
		ended <- daemon.RunDaemon(ctx, cfg, daemon.DaemonOptions{Log: slog.New(slog.NewTextHandler(log, nil)), Http: l})
	}()
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	tuntest.Poll(t, 20*time.Second, func() (bool, string) {
		resp, err := client.Get("http://" + l.Addr().String() + "/metrics")
		if err != nil {
			return false, err.Error()
		}
		defer resp.Body.Close()
		return resp.StatusCode == http.StatusOK, resp.Status
	})
	cancel()
	select {
	case err := <-ended:
		if err != nil {
			t.Errorf("ended with %v\n%s", err, log)
		}
	case <-time.After(time.Minute):
		t.Fatalf("has not ended\n%s", log)
	}
}

// TestRunNotify plays the service manager for the program: it is ready, alive, and
// stopping.
func TestRunNotify(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	path := filepath.Join(t.TempDir(), "notify")
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer manager.Close()
	heard := make(chan string, 64)
	go func() {
		defer close(heard)
		b := make([]byte, 256)
		for {
			n, err := manager.Read(b)
			if err != nil {
				return
			}
			if s := string(b[:n]); !strings.HasPrefix(s, "STATUS=") { // TestUnderServiceManager hears these
				heard <- s
			}
		}
	}()
	next := func() string {
		t.Helper()
		select {
		case s := <-heard:
			return s
		case <-time.After(time.Minute):
			t.Fatal("nothing heard within 20 s")
		}
		return ""
	}
	cmd := ns.Command(programtest.Built(t), "run", "--config", programtest.CopySite(t), "--log-level", "error")
	cmd.Env = append(os.Environ(), "NOTIFY_SOCKET="+path, "WATCHDOG_USEC=2400000")
	ended := tuntest.Start(t, cmd)
	if s := next(); s != "READY=1" {
		t.Errorf("first heard %q", s)
	}
	for range 2 {
		if s := next(); s != "WATCHDOG=1" {
			t.Errorf("then heard %q", s)
		}
	}
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	<-ended
	s := next()
	for s == "WATCHDOG=1" {
		s = next()
	}
	if s != "STOPPING=1" {
		t.Errorf("at the end heard %q", s)
	}
}

// TestRunRefused holds that what cannot be run is said in one line each.
func TestRunRefused(t *testing.T) {
	ns := tuntest.NewNS(t)
	good := programtest.CopySite(t)
	text, err := os.ReadFile(good)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, old, new string
		code           int
		want           string
	}{
		{"prefix of the plan", "c0:1::/64", "c0:2::/64", 2, "its prefix is fd5e:2a11:77c0:2::/64, but its simulated nodes have fd5e:2a11:77c0:1::/64"},
		{"plan", `"site.toml"`, `"nowhere.toml"`, 2, "nowhere.toml"},
		{"address of the web side", `"[::1]:6282"`, `"192.0.2.1:6282"`, 1, "http.listen: listen tcp 192.0.2.1:6282"},
		{"address of the CoAP front", `"udp [::]:5683"`, `"udp 192.0.2.1:5683"`, 1, "192.0.2.1:5683"},
	} {
		t.Run(c.name, func(t *testing.T) {
			changed := strings.Replace(string(text), c.old, c.new, 1)
			if c.old == `"[::1]:6282"` {
				changed = strings.Replace(string(text), `"[::1]:0"`, c.new, 1)
			}
			file := filepath.Join(filepath.Dir(good), "changed.toml")
			if err := os.WriteFile(file, []byte(changed), 0o600); err != nil {
				t.Fatal(err)
			}
			cmd := ns.Command(programtest.Built(t), "run", "--config", file, "--log-level", "error")
			out := &programtest.ProgramOutput{}
			cmd.Stdout, cmd.Stderr = out, out
			select {
			case <-tuntest.Start(t, cmd):
			case <-time.After(time.Minute):
				t.Fatalf("still runs\n%s", out)
			}
			if code := cmd.ProcessState.ExitCode(); code != c.code || !strings.Contains(out.String(), c.want) || strings.Count(out.String(), "\n") != 1 {
				t.Errorf("exit code %d, want %d with %q:\n%s", code, c.code, c.want, out)
			}
		})
	}
	if left := programtest.Ours(t, ns); len(left) != 0 {
		t.Errorf("left behind: %q", left)
	}
}
