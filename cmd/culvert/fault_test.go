package main

import (
	"fmt"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"culvert/bridge/node"
	"culvert/tun/tuntest"
)

// noticed is the time within which a fault must be in the log.
const noticed = 5 * time.Second

// TestRunFaults runs the daemon with a radio that is a process of its own, kills
// that, removes the interface, and holds that each is noticed, said once, and
// recovered from.
func TestRunFaults(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	file := copySite(t)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	radio := fmt.Sprintf("kind = \"process\"\ncommand = [%q, \"simulate\"]\n", built(t))
	changed := strings.Replace(string(text), "kind = \"simulated\"\nsite = \"site.toml\"\n", radio, 1)
	if changed == string(text) {
		t.Fatal("the example site has another radio than this test expects")
	}
	if err := os.WriteFile(file, []byte(changed), 0o600); err != nil {
		t.Fatal(err)
	}
	r := startRun(t, ns, file)
	inLog := func(what string, times int) {
		t.Helper()
		tuntest.Poll(t, noticed, func() (bool, string) {
			n := strings.Count(r.log.String(), what)
			return n >= times, fmt.Sprintf("%q stands in the log %d times, want %d", what, n, times)
		})
		if n := strings.Count(r.log.String(), what); n != times {
			t.Errorf("%q stands in the log %d times, want %d", what, n, times)
		}
	}
	reached := func() {
		t.Helper()
		tuntest.Poll(t, time.Minute, func() (bool, string) {
			for _, n := range r.nodes() {
				if n.State != node.Up.String() {
					return false, n.Node + " is " + n.State
				}
			}
			return true, ""
		})
		// The list is up to a second old: right after a fault it tells of the time before.
		tuntest.Poll(t, time.Minute, func() (bool, string) {
			fault := echoFrom(t, ns, "fd5e:2a11:77c0:1:200:5eef:1000:7")
			return fault == "", fault
		})
	}
	inLog(`msg="radio up"`, 1)
	reached()

	if err := syscall.Kill(childOf(r.cmd.Process.Pid), syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	inLog(`msg="radio down`, 1)
	inLog(`msg="radio up"`, 2)
	reached()

	before := ours(t, ns)
	if err := ns.Handle().LinkDel(ns.Link("mesh0")); err != nil {
		t.Fatal(err)
	}
	inLog("the TUN interface is gone", 1)
	inLog("the TUN interface is there again", 1)
	reached()
	if after := ours(t, ns); strings.Join(after, "\n") != strings.Join(before, "\n") {
		t.Errorf("after the interface came back: %q\nbefore: %q", after, before)
	}

	if code := r.stop(syscall.SIGTERM); code != 0 {
		t.Errorf("exit code %d", code)
	}
	if left := ours(t, ns); len(left) != 0 {
		t.Errorf("left behind: %q", left)
	}
}

// TestRunHeldUp stops the whole daemon for longer than a radio may be silent, as a
// suspended machine does: the radio is not taken for dead.
func TestRunHeldUp(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	r := startRun(t, ns, copySite(t))
	for _, step := range []struct {
		signal syscall.Signal
		wait   time.Duration
	}{
		{syscall.SIGSTOP, 5500 * time.Millisecond}, // four keepalives a second apart, and more
		{syscall.SIGCONT, 2500 * time.Millisecond}, // until it has looked at its radio again
	} {
		if err := r.cmd.Process.Signal(step.signal); err != nil {
			t.Fatal(err)
		}
		<-time.After(step.wait)
	}
	pingFrom(t, ns, "fd5e:2a11:77c0:1:200:5eef:1000:7")
	if strings.Contains(r.log.String(), "radio down") {
		t.Error("the radio was taken for dead")
	}
	if code := r.stop(syscall.SIGTERM); code != 0 {
		t.Errorf("exit code %d", code)
	}
}
