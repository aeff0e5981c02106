package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/demo"
	"culvert/cmd/culvert/internal/programtest"
	"culvert/tun/tuntest"
)

// demoWait is more than the demo may take, which is a minute.
const demoWait = 4 * time.Minute

// demoRun is a demo that runs as a program.
type demoRun struct {
	cmd    *exec.Cmd
	ended  <-chan struct{}
	stdout *programtest.ProgramOutput
	stderr *programtest.ProgramOutput
	began  time.Time
}

// startDemo starts `culvert demo` with a temporary folder of its own. set changes
// the command before.
func startDemo(t *testing.T, set func(*exec.Cmd), args ...string) *demoRun {
	t.Helper()
	tuntest.NewNS(t) // fails where no namespace may be made, with what would permit it
	d := &demoRun{cmd: exec.Command(programtest.Built(t), append([]string{"demo"}, args...)...), stdout: &programtest.ProgramOutput{}, stderr: &programtest.ProgramOutput{}}
	d.cmd.Stdout, d.cmd.Stderr = d.stdout, d.stderr
	d.cmd.Env = append(os.Environ(), "TMPDIR="+t.TempDir())
	if set != nil {
		set(d.cmd)
	}
	d.began = time.Now()
	d.ended = tuntest.Start(t, d.cmd)
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("the demo printed:\n%s%s", d.stdout, d.stderr)
		}
	})
	return d
}

// wait waits for the end and returns the exit code.
func (d *demoRun) wait(t *testing.T) int {
	t.Helper()
	select {
	case <-d.ended:
	case <-time.After(demoWait):
		t.Fatalf("still runs after %v", demoWait)
	}
	return d.cmd.ProcessState.ExitCode()
}

// TestDemo runs the demo from end to end: it reaches all nodes, says so, ends within
// a minute, and leaves neither interface nor file behind.
func TestDemo(t *testing.T) {
	t.Parallel()
	d := startDemo(t, nil)
	if code := d.wait(t); code != 0 {
		t.Errorf("exit code %d", code)
	}
	if took := time.Since(d.began); os.Getenv("CULVERT_LONG") != "" && took > time.Minute {
		t.Errorf("took %v, want less than a minute", took)
	}
	text := d.stdout.String()
	for _, want := range []string{
		"6 of 6 nodes have joined", "All 6 nodes were reached", "hop limit 64", "Cel",
		`read back "1"`, `read back "0"`, "CAUTION", "local interlock", "local codes", "culvert demo --stay",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("it does not say %q", want)
		}
	}
	for _, place := range []string{"north-sump", "bank-east", "mast", "grain-bin", "cold-store", "pump-house"} {
		if !regexp.MustCompile(`(?m)^  ` + place + ` +[1-4]  \d+ ms, .* Cel$`).MatchString(text) {
			t.Errorf("no good row for %s", place)
		}
	}
	if d.stderr.String() != "" {
		t.Errorf("stderr: %s", d.stderr)
	}
	nothingLeft(t, d)
}

// nothingLeft holds that the demo has removed its folder, and that the namespace of
// the test has no interface of it.
func nothingLeft(t *testing.T, d *demoRun) {
	t.Helper()
	for _, e := range d.cmd.Env {
		if dir, ok := strings.CutPrefix(e, "TMPDIR="); ok {
			if left, _ := filepath.Glob(filepath.Join(dir, "culvert-demo-*")); len(left) > 0 && dir != "" {
				t.Errorf("left behind: %v", left)
			}
		}
	}
	if left := programtest.Ours(t, tuntest.Own(t)); len(left) != 0 {
		t.Errorf("left behind: %q", left)
	}
}

// TestDemoHere runs it in the network that it is started in, with the answer for
// machines.
func TestDemoHere(t *testing.T) {
	d := startDemo(t, nil, "--here", "--json")
	if code := d.wait(t); code != 0 {
		t.Errorf("exit code %d", code)
	}
	var answer struct {
		OK     bool
		Faults []string
		Nodes  []demo.DemoRow
		Output []demo.OutputStep
	}
	if err := json.Unmarshal([]byte(d.stdout.String()), &answer); err != nil {
		t.Fatal(err)
	}
	if !answer.OK || len(answer.Faults) != 0 || len(answer.Nodes) != 6 || len(answer.Output) != 2 {
		t.Errorf("%+v", answer)
	}
	for _, n := range answer.Nodes {
		if n.HopLimit != demo.EchoHopLimit || n.RTT <= 0 || n.Hops == 0 {
			t.Errorf("%+v", n)
		}
	}
	nothingLeft(t, d)
}

// TestDemoStay reads the web side on this side of the namespace, and ends the site
// by Ctrl-C.
func TestDemoStay(t *testing.T) {
	t.Parallel()
	d := startDemo(t, nil, "--stay")
	url := ""
	tuntest.Poll(t, demoWait, func() (bool, string) {
		url = regexp.MustCompile(`http://127\.0\.0\.1:\d+`).FindString(d.stdout.String())
		return url != "", "no URL is printed"
	})
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 10 * time.Second}
	for path, want := range map[string]string{
		"/metrics": `culvert_nodes{mesh="fenland",state="up"} 6`,
		"/":        "pump-house",
		"/healthz": "ok",
	} {
		resp, err := client.Get(url + path)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		if err != nil || resp.StatusCode != http.StatusOK || !strings.Contains(string(body), want) {
			t.Errorf("%s: %s, %v, want %q in\n%s", path, resp.Status, err, want, body)
		}
	}
	if err := d.cmd.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	if code := d.wait(t); code != 0 || !strings.HasSuffix(d.stdout.String(), "\nstopped\n") {
		t.Errorf("exit code %d, and the last line should be 'stopped'", code)
	}
	nothingLeft(t, d)
}

// TestDemoShell gives a script to the shell inside: culvert and ping work there, and
// nodes can be called by their names.
func TestDemoShell(t *testing.T) {
	t.Parallel()
	ping := tuntest.Tool(t, "ping", "iputils-ping")
	d := startDemo(t, func(cmd *exec.Cmd) {
		cmd.Env = append(cmd.Env, "SHELL=/bin/sh")
		cmd.Stdin = strings.NewReader("culvert nodes | grep -c ' up '\n" +
			ping + " -6 -c 5 -i 0.3 -W 5 grain-bin | tail -n 2\nexit 3\n")
	}, "--shell")
	if code := d.wait(t); code != 0 {
		t.Errorf("exit code %d", code)
	}
	text := d.stdout.String()
	if !strings.Contains(text, "\n6\n") || !regexp.MustCompile(`[1-5] received`).MatchString(text) {
		t.Error("the shell inside does not reach the site")
	}
	nothingLeft(t, d)
}

// TestDemoKilled kills the outer process: the inner one goes with it.
func TestDemoKilled(t *testing.T) {
	t.Parallel()
	d := startDemo(t, nil, "--stay")
	inner := 0
	tuntest.Poll(t, demoWait, func() (bool, string) {
		inner = childOf(d.cmd.Process.Pid)
		return inner != 0 && strings.Contains(d.stdout.String(), "have joined"), "the site is not up"
	})
	if err := d.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	tuntest.Poll(t, 10*time.Second, func() (bool, string) {
		return unix.Kill(inner, 0) == unix.ESRCH, fmt.Sprintf("process %d still runs", inner)
	})
}

// childOf returns a child of a process, 0 if it has none.
func childOf(pid int) int {
	tasks, err := os.ReadDir(fmt.Sprintf("/proc/%d/task", pid))
	if err != nil {
		return 0
	}
	for _, task := range tasks { // a thread knows only the children that it forked itself
		b, err := os.ReadFile(fmt.Sprintf("/proc/%d/task/%s/children", pid, task.Name()))
		var child int
		if _, scan := fmt.Sscan(string(b), &child); err == nil && scan == nil {
			return child
		}
	}
	return 0
}

// TestDemoUnprivileged runs it as an ordinary user, with /dev/net/tun as it may be:
// open to all, closed, and not there.
func TestDemoUnprivileged(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Log("this is an ordinary user already: TestDemo shows the same")
		return
	}
	tuntest.Own(t)
	const nobody = 65534
	asNobody := func(cmd *exec.Cmd) {
		dir := t.TempDir()
		if err := os.Chmod(filepath.Dir(dir), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Chown(dir, nobody, nobody); err != nil {
			t.Fatal(err)
		}
		cmd.Env = append(cmd.Env, "TMPDIR="+dir)
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
	}
	t.Run("open", func(t *testing.T) {
		device(t, func(path string) error {
			if err := unix.Mknod(path, unix.S_IFCHR|0o666, int(unix.Mkdev(10, 200))); err != nil {
				return err
			}
			return os.Chmod(path, 0o666)
		})
		d := startDemo(t, asNobody)
		if code := d.wait(t); code != 0 {
			t.Errorf("exit code %d", code)
		}
	})
	t.Run("closed", func(t *testing.T) {
		device(t, func(path string) error {
			return unix.Mknod(path, unix.S_IFCHR|0o600, int(unix.Mkdev(10, 200)))
		})
		d := startDemo(t, asNobody)
		refused(t, d, "culvert demo: /dev/net/tun may not be opened by this user", "run this command as root", "chmod 666 /dev/net/tun")
	})
	t.Run("no driver", func(t *testing.T) {
		device(t, func(path string) error {
			if err := unix.Mknod(path, unix.S_IFCHR|0o666, int(unix.Mkdev(10, 254))); err != nil {
				return err
			}
			return os.Chmod(path, 0o666)
		})
		d := startDemo(t, nil)
		refused(t, d, "culvert demo: /dev/net/tun is not there", "modprobe tun")
	})
}

// TestDemoNoNamespace runs it where the kernel allows no further network namespace,
// in a user namespace that has this limit for itself (namespaces(7)).
func TestDemoNoNamespace(t *testing.T) {
	d := startDemo(t, func(cmd *exec.Cmd) {
		script := `echo 0 >/proc/sys/user/max_net_namespaces && exec "$0" demo`
		cmd.Path, cmd.Args = "/bin/sh", []string{"sh", "-c", script, cmd.Path}
		cmd.SysProcAttr = &syscall.SysProcAttr{
			Cloneflags:  unix.CLONE_NEWUSER,
			UidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Geteuid(), Size: 1}},
			GidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getegid(), Size: 1}},
		}
	})
	refused(t, d, "culvert demo: this user may not make a network namespace", "run this command as root",
		"sysctl -w user.max_net_namespaces=10000", "--here")
}

// device puts another /dev/net/tun in place of that of the machine, in the mount
// namespace of the test alone.
func device(t *testing.T, make func(path string) error) {
	t.Helper()
	dir := t.TempDir()
	if err := unix.Mount("none", dir, "tmpfs", 0, "mode=755"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, unix.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	path := filepath.Join(dir, "tun")
	if err := make(path); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount(path, cli.TunDevice, "", unix.MS_BIND, ""); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(cli.TunDevice, unix.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
}

// refused holds that the demo ended with exit code 1 and these words.
func refused(t *testing.T, d *demoRun, words ...string) {
	t.Helper()
	if code := d.wait(t); code != cli.ExitBad {
		t.Errorf("exit code %d", code)
	}
	for _, w := range words {
		if !strings.Contains(d.stderr.String(), w) {
			t.Errorf("it does not say %q", w)
		}
	}
}
