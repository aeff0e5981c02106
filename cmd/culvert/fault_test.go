package main

import (
	"bytes"
	"fmt"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"culvert/bridge/node"
	"culvert/cmd/culvert/internal/programtest"
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
	file := programtest.CopySite(t)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	radio := fmt.Sprintf("kind = \"process\"\ncommand = [%q, \"simulate\"]\n", programtest.Built(t))
	changed := strings.Replace(string(text), "kind = \"simulated\"\nsite = \"site.toml\"\n", radio, 1)
	if changed == string(text) {
		t.Fatal("the example site has another radio than this test expects")
	}
	if err := os.WriteFile(file, []byte(changed), 0o600); err != nil {
		t.Fatal(err)
	}
	r := programtest.StartRun(t, ns, file)
	inLog := func(what string, times int) {
		t.Helper()
		tuntest.Poll(t, noticed, func() (bool, string) {
			n := strings.Count(r.Log.String(), what)
			return n >= times, fmt.Sprintf("%q stands in the log %d times, want %d", what, n, times)
		})
		if n := strings.Count(r.Log.String(), what); n != times {
			t.Errorf("%q stands in the log %d times, want %d", what, n, times)
		}
	}
	reached := func() {
		t.Helper()
		tuntest.Poll(t, time.Minute, func() (bool, string) {
			for _, n := range r.Nodes() {
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

	if err := syscall.Kill(childOf(r.Cmd.Process.Pid), syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	inLog(`msg="radio down`, 1)
	inLog(`msg="radio up"`, 2)
	reached()

	before := programtest.Ours(t, ns)
	if err := ns.Handle().LinkDel(ns.Link("mesh0")); err != nil {
		t.Fatal(err)
	}
	inLog("the TUN interface is gone", 1)
	inLog("the TUN interface is back", 1)
	reached()
	if after := programtest.Ours(t, ns); strings.Join(after, "\n") != strings.Join(before, "\n") {
		t.Errorf("after the interface came back: %q\nbefore: %q", after, before)
	}

	if code := r.Stop(syscall.SIGTERM); code != 0 {
		t.Errorf("exit code %d", code)
	}
	if left := programtest.Ours(t, ns); len(left) != 0 {
		t.Errorf("left behind: %q", left)
	}
}

// TestRunHeldUp stops the whole daemon for longer than a radio may be silent, as a
// suspended machine does: the radio is not taken for dead.
func TestRunHeldUp(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	r := programtest.StartRun(t, ns, programtest.CopySite(t))
	signal := func(s syscall.Signal) {
		t.Helper()
		if err := r.Cmd.Process.Signal(s); err != nil {
			t.Fatal(err)
		}
	}
	signal(syscall.SIGSTOP)
	tuntest.Poll(t, time.Minute, func() (bool, string) { return stopped(t, r.Cmd.Process.Pid), "the daemon runs on" })
	// Four keepalives a second apart, and more.
	tuntest.Hold(t, 5500*time.Millisecond, func() (bool, string) { return stopped(t, r.Cmd.Process.Pid), "the daemon runs again" })
	signal(syscall.SIGCONT)
	up := func() (bool, string) {
		return !strings.Contains(r.Log.String(), "radio down"), "the radio was taken for dead"
	}
	tuntest.Hold(t, 2500*time.Millisecond, up) // until it has looked at its radio again
	pingFrom(t, ns, "fd5e:2a11:77c0:1:200:5eef:1000:7")
	tuntest.Hold(t, 0, up)
	if code := r.Stop(syscall.SIGTERM); code != 0 {
		t.Errorf("exit code %d", code)
	}
}

// stopped reports whether a process is stopped by a signal (state T in proc_pid_stat(5),
// behind the name in parentheses).
func stopped(t *testing.T, pid int) bool {
	t.Helper()
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		t.Fatal(err)
	}
	return bytes.HasPrefix(b[bytes.LastIndexByte(b, ')')+1:], []byte(" T"))
}
