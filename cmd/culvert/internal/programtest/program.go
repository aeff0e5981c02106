package programtest

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/vishvananda/netlink"

	"culvert/bridge/node"
	"culvert/coap/api"
	"culvert/deploy/fenland"
	"culvert/tun"
	"culvert/tun/tuntest"
)

// program is the real program, built once for all tests.
var program = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "culvert-test-")
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, "culvert")
	args := []string{"build", "-o", path}
	if raceFlag != "" {
		args = append(args, raceFlag)
	}
	out, err := exec.Command("go", append(args, "culvert/cmd/culvert")...).CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("go build: %w\n%s", err, out)
	}
	return path, os.Chmod(dir, 0o755) // for the test as an ordinary user
})

// Built returns the path of the real program.
func Built(t *testing.T) string {
	t.Helper()
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// CopySite copies the example site to a folder of its own and returns the path of
// the configuration. The HTTP side takes a free port.
func CopySite(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	text := strings.Replace(string(fenland.Config), "[::1]:6282", "[::1]:0", 1)
	for name, data := range map[string][]byte{"culvert.toml": []byte(text), "site.toml": fenland.Site} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, "culvert.toml")
}

// output is what a program has printed so far.
type ProgramOutput struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (o *ProgramOutput) Write(b []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.Write(b)
}

func (o *ProgramOutput) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.String()
}

// Running is a daemon that runs as a program in a namespace of its own.
type Running struct {
	T      *testing.T
	Ns     *tuntest.NS
	Config string
	Cmd    *exec.Cmd
	ended  <-chan struct{}
	Log    *ProgramOutput
}

// StartRun starts `culvert run` and waits until all six nodes are up.
func StartRun(t *testing.T, ns *tuntest.NS, config string) *Running {
	t.Helper()
	return StartNodes(t, ns, config, 6)
}

// StartNodes is StartRun for a site of which so many nodes come up.
func StartNodes(t *testing.T, ns *tuntest.NS, config string, want int) *Running {
	t.Helper()
	r := &Running{T: t, Ns: ns, Config: config, Log: &ProgramOutput{}}
	r.Cmd = ns.Command(Built(t), "run", "--config", config)
	r.Cmd.Stderr = r.Log
	r.ended = tuntest.Start(t, r.Cmd)
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("log of the daemon:\n%s", r.Log)
		}
	})
	tuntest.Poll(t, time.Minute, func() (bool, string) {
		up := 0
		for _, n := range r.Nodes() {
			if n.State == node.Up.String() || n.State == node.Joining.String() && n.Hops > 0 { // it has sent nothing yet
				up++
			}
		}
		return up >= want, fmt.Sprintf("%d of %d nodes are up", up, want)
	})
	return r
}

// Nodes asks the daemon by `culvert nodes --json`; nil while it is not up.
func (r *Running) Nodes() []api.NodeState {
	r.T.Helper()
	out, err := r.Ns.Command(Built(r.T), "nodes", "--json", "--config", r.Config).Output()
	if err != nil {
		return nil
	}
	var nodes []api.NodeState
	if err := json.Unmarshal(out, &nodes); err != nil {
		r.T.Fatalf("nodes --json: %v\n%s", err, out)
	}
	return nodes
}

// Stop ends the daemon by a signal, and returns its exit code.
func (r *Running) Stop(s syscall.Signal) int {
	r.T.Helper()
	return r.StopWithin(s, 10*time.Second)
}

// StopWithin is stop for a daemon that may take longer.
func (r *Running) StopWithin(s syscall.Signal, limit time.Duration) int {
	r.T.Helper()
	if err := r.Cmd.Process.Signal(s); err != nil {
		r.T.Fatal(err)
	}
	select {
	case <-r.ended:
	case <-time.After(limit):
		r.T.Fatalf("the daemon did not end within %v of %v", limit, s)
	}
	return r.Cmd.ProcessState.ExitCode()
}

// Ours lists what the daemon changed in the namespace: the interface, policy rules,
// and routes and addresses in its prefix.
func Ours(t *testing.T, ns *tuntest.NS) []string {
	t.Helper()
	h := ns.Handle()
	var found []string
	fail := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	links, err := h.LinkList()
	fail(err)
	for _, l := range links {
		if l.Attrs().Name != "lo" {
			found = append(found, "link "+l.Attrs().Name)
		}
	}
	rules, err := h.RuleList(netlink.FAMILY_V6)
	fail(err)
	for _, r := range rules {
		if r.Protocol == tun.Protocol {
			found = append(found, "rule "+r.String())
		}
	}
	prefix := netip.MustParsePrefix("fd5e:2a11:77c0:1::/64")
	inPrefix := func(n *net.IPNet) bool {
		if n == nil {
			return false
		}
		a, _ := netip.AddrFromSlice(n.IP)
		return prefix.Contains(a)
	}
	routes, err := h.RouteListFiltered(netlink.FAMILY_V6, &netlink.Route{}, netlink.RT_FILTER_TABLE)
	fail(err)
	for _, r := range routes {
		if inPrefix(r.Dst) {
			found = append(found, "route "+r.Dst.String())
		}
	}
	addrs, err := h.AddrList(nil, netlink.FAMILY_V6)
	fail(err)
	for _, a := range addrs {
		if inPrefix(a.IPNet) {
			found = append(found, "address "+a.IPNet.String())
		}
	}
	return found
}

// JournalPipe is a pipe that stands for the stream to the journal, and the value of
// JOURNAL_STREAM for it: device and inode, in decimal (systemd.exec(5)).
func JournalPipe(t *testing.T) (r, w *os.File, stream string) {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close(); w.Close() })
	var st syscall.Stat_t
	if err := syscall.Fstat(int(w.Fd()), &st); err != nil {
		t.Fatal(err)
	}
	return r, w, fmt.Sprintf("%d:%d", st.Dev, st.Ino)
}

// RunBuilt runs the program with a command line, and returns what it printed.
func RunBuilt(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	cmd := exec.Command(Built(t), args...)
	cmd.Stdout, cmd.Stderr = &out, &errs
	// With the race detector a program waits a second at its end, unless told otherwise.
	cmd.Env = append(os.Environ(), "GORACE=atexit_sleep_ms=0")
	err := cmd.Run()
	if exit := (*exec.ExitError)(nil); err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return cmd.ProcessState.ExitCode(), out.String(), errs.String()
}
