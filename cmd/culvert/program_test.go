package main

import (
	"bytes"
	"encoding/json"
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

	"culvert/coap/api"

	"github.com/vishvananda/netlink"

	"culvert/bridge/node"
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
	out, err := exec.Command("go", append(args, ".")...).CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("go build: %w\n%s", err, out)
	}
	return path, os.Chmod(dir, 0o755) // for the test as an ordinary user
})

// built returns the path of the real program.
func built(t *testing.T) string {
	t.Helper()
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// copySite copies the example site to a folder of its own and returns the path of
// the configuration. The HTTP side takes a free port.
func copySite(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	text := strings.Replace(string(fenland.Config), "[::1]:6282", "[::1]:0", 1)
	for name, data := range map[string][]byte{siteConfig: []byte(text), sitePlan: fenland.Site} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, siteConfig)
}

// output is what a program has printed so far.
type programOutput struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (o *programOutput) Write(b []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.Write(b)
}

func (o *programOutput) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.String()
}

// running is a daemon that runs as a program in a namespace of its own.
type running struct {
	t      *testing.T
	ns     *tuntest.NS
	config string
	cmd    *exec.Cmd
	ended  <-chan struct{}
	log    *programOutput
}

// startRun starts `culvert run` and waits until all six nodes are up.
func startRun(t *testing.T, ns *tuntest.NS, config string) *running {
	t.Helper()
	return startNodes(t, ns, config, 6)
}

// startNodes is startRun for a site of which so many nodes come up.
func startNodes(t *testing.T, ns *tuntest.NS, config string, want int) *running {
	t.Helper()
	r := &running{t: t, ns: ns, config: config, log: &programOutput{}}
	r.cmd = ns.Command(built(t), "run", "--config", config)
	r.cmd.Stderr = r.log
	r.ended = tuntest.Start(t, r.cmd)
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("log of the daemon:\n%s", r.log)
		}
	})
	tuntest.Poll(t, time.Minute, func() (bool, string) {
		up := 0
		for _, n := range r.nodes() {
			if n.State == node.Up.String() || n.State == node.Joining.String() && n.Hops > 0 { // it has sent nothing yet
				up++
			}
		}
		return up >= want, fmt.Sprintf("%d of %d nodes are up", up, want)
	})
	return r
}

// nodes asks the daemon by `culvert nodes --json`; nil while it is not up.
func (r *running) nodes() []api.NodeState {
	r.t.Helper()
	out, err := r.ns.Command(built(r.t), "nodes", "--json", "--config", r.config).Output()
	if err != nil {
		return nil
	}
	var nodes []api.NodeState
	if err := json.Unmarshal(out, &nodes); err != nil {
		r.t.Fatalf("nodes --json: %v\n%s", err, out)
	}
	return nodes
}

// stop ends the daemon by a signal, and returns its exit code.
func (r *running) stop(s syscall.Signal) int {
	r.t.Helper()
	return r.stopWithin(s, 10*time.Second)
}

// stopWithin is stop for a daemon that may take longer.
func (r *running) stopWithin(s syscall.Signal, limit time.Duration) int {
	r.t.Helper()
	if err := r.cmd.Process.Signal(s); err != nil {
		r.t.Fatal(err)
	}
	select {
	case <-r.ended:
	case <-time.After(limit):
		r.t.Fatalf("the daemon did not end within %v of %v", limit, s)
	}
	return r.cmd.ProcessState.ExitCode()
}

// ours lists what the daemon changed in the namespace: the interface, policy rules,
// and routes and addresses in its prefix.
func ours(t *testing.T, ns *tuntest.NS) []string {
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
