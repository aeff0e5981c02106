package tuntest

import (
	"fmt"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"
)

func TestMain(m *testing.M) {
	Main(m, Role("netns", func(args []string) int {
		name, err := os.Readlink("/proc/self/ns/net")
		if err != nil {
			return 1
		}
		fmt.Println(name, strings.Join(args, " "))
		return 0
	}))
}

// inode names the network namespace of the calling thread.
func inode(t testing.TB) string {
	t.Helper()
	name, err := os.Readlink("/proc/thread-self/ns/net")
	if err != nil {
		t.Fatal(err)
	}
	return name
}

// The test process itself is out of the host's network: its namespace holds
// nothing but lo, and differs from that of the process that started it.
func TestMainIsolates(t *testing.T) {
	links, err := Own(t).Handle().LinkList()
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range links {
		// Some kernels make these fallback devices in each namespace.
		if name := l.Attrs().Name; name != "lo" && !strings.HasSuffix(name, "0") {
			t.Errorf("interface %s in a fresh namespace", name)
		}
	}
	if here, outside := inode(t), os.Getenv(envInside); here == outside || !strings.HasPrefix(outside, "net:") {
		t.Errorf("the tests run in %s, their parent in %s", here, outside)
	}
}

func TestDo(t *testing.T) {
	a, b := NewNS(t), NewNS(t)
	var inA, inB, out string
	a.Do(func() { inA = inode(t) })
	b.Do(func() { inB = inode(t) })
	out = inode(t)
	if inA == inB || inA == out || inB == out {
		t.Errorf("namespaces are not distinct: %s, %s, outside %s", inA, inB, out)
	}
	var again string
	a.Do(func() { again = inode(t) })
	if again != inA {
		t.Errorf("second Do ran in %s, not in %s", again, inA)
	}
}

// A socket stays in the namespace that it was made in.
func TestDoSockets(t *testing.T) {
	a, b := NewNS(t), NewNS(t)
	var ln net.Listener
	a.Do(func() {
		var err error
		if ln, err = net.Listen("tcp", "[::1]:5683"); err != nil {
			t.Fatal(err)
		}
	})
	defer ln.Close()
	dial := func(n *NS) (err error) {
		n.Do(func() {
			var c net.Conn
			if c, err = net.Dial("tcp", "[::1]:5683"); err == nil {
				c.Close()
			}
		})
		return err
	}
	if err := dial(a); err != nil {
		t.Errorf("from the same namespace: %v", err)
	}
	if err := dial(b); err == nil {
		t.Error("a listener was reached from another namespace")
	}
}

// fake takes the failures that the harness itself reports.
type fake struct {
	testing.TB
	fatal    string
	cleanups []func()
}

func (f *fake) Helper()          {}
func (f *fake) Cleanup(c func()) { f.cleanups = append(f.cleanups, c) }
func (f *fake) Fatal(a ...any)   { f.fatal = fmt.Sprint(a...); runtime.Goexit() }
func (f *fake) Fatalf(s string, a ...any) {
	f.fatal = fmt.Sprintf(s, a...)
	runtime.Goexit()
}

// failure runs f with a fake and returns what it failed with.
func failure(f func(t *fake)) string {
	var t fake
	done := make(chan struct{})
	go func() {
		defer close(done)
		defer func() {
			for _, c := range t.cleanups {
				c()
			}
		}()
		f(&t)
	}()
	<-done
	return t.fatal
}

func TestFailures(t *testing.T) {
	t.Run("fatal inside Do ends the test", func(t *testing.T) {
		got := failure(func(t *fake) {
			NewNS(t).Do(func() { t.Fatal("inside") })
			t.fatal = "went on"
		})
		if got != "inside" {
			t.Errorf("got %q", got)
		}
	})
	t.Run("a missing program names its package", func(t *testing.T) {
		got := failure(func(t *fake) { Tool(t, "no-such-program", "no-such-package") })
		if !strings.Contains(got, "no-such-program is not installed: apt-get install -y no-such-package") {
			t.Errorf("got %q", got)
		}
	})
	t.Run("a condition that never holds says its state", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) { // real time is given more: see the next
			got := failure(func(t *fake) {
				Poll(t, time.Millisecond, func() (bool, string) { return false, "still dark" })
			})
			if !strings.Contains(got, "not within 1ms: still dark") {
				t.Errorf("got %q", got)
			}
		})
	})
	t.Run("a condition that holds late on a slow machine", func(t *testing.T) {
		tries := 0
		got := failure(func(t *fake) {
			Poll(t, time.Nanosecond, func() (bool, string) { tries++; return tries == 5, "still dark" })
		})
		if got != "" {
			t.Errorf("got %q", got)
		}
	})
	t.Run("a refused namespace says what would permit it", func(t *testing.T) {
		t.Setenv(envRefused, "no network namespace may be made here; run the tests as root")
		for _, f := range []func(t *fake){func(t *fake) { NewNS(t) }, func(t *fake) { Own(t) }} {
			if got := failure(f); !strings.Contains(got, "run the tests as root") {
				t.Errorf("got %q", got)
			}
		}
	})
	t.Run("the host's own network is refused", func(t *testing.T) {
		t.Setenv(envInside, "")
		if got := failure(func(t *fake) { Own(t) }); !strings.Contains(got, "tuntest.Main") {
			t.Errorf("got %q", got)
		}
	})
}

// Kernel parameters are those of the namespace, whichever thread asks.
func TestSysctl(t *testing.T) {
	a, b := NewNS(t), NewNS(t)
	a.Forward()
	const key = "net.ipv6.conf.all.forwarding"
	if got := a.ReadSysctl(key); got != "1" {
		t.Errorf("in the namespace where it was set: %q", got)
	}
	if got := b.ReadSysctl(key); got != "0" {
		t.Errorf("in the other one: %q", got)
	}
	if got := Own(t).ReadSysctl(key); got != "0" {
		t.Errorf("in the test's own: %q", got)
	}
}

// A datagram crosses three namespaces, the middle one forwarding.
func TestVethForward(t *testing.T) {
	host, gateway, node := NewNS(t), NewNS(t), NewNS(t)
	Veth(t, host, "up", gateway, "down")
	Veth(t, gateway, "in", node, "out")
	pfx := netip.MustParsePrefix
	host.Addr("up", pfx("2001:db8:1::2/64"))
	gateway.Addr("down", pfx("2001:db8:1::1/64"))
	gateway.Addr("in", pfx("2001:db8:2::1/64"))
	node.Addr("out", pfx("2001:db8:2::2/64"))
	host.Route(pfx("2001:db8:2::/64"), netip.MustParseAddr("2001:db8:1::1"))
	node.Route(pfx("::/0"), netip.MustParseAddr("2001:db8:2::1"))
	gateway.Forward()

	var in, out *net.UDPConn
	node.Do(func() {
		var err error
		in, err = net.ListenUDP("udp6", &net.UDPAddr{IP: net.ParseIP("2001:db8:2::2"), Port: 5683})
		if err != nil {
			t.Fatal(err)
		}
	})
	defer in.Close()
	host.Do(func() {
		var err error
		out, err = net.DialUDP("udp6", nil, in.LocalAddr().(*net.UDPAddr))
		if err != nil {
			t.Fatal(err)
		}
	})
	defer out.Close()
	if _, err := out.Write([]byte("level")); err != nil {
		t.Fatal(err)
	}
	if err := in.SetReadDeadline(time.Now().Add(guard)); err != nil {
		t.Fatal(err)
	}
	b := make([]byte, 64)
	n, from, err := in.ReadFromUDPAddrPort(b)
	if err != nil || string(b[:n]) != "level" || from.Addr() != netip.MustParseAddr("2001:db8:1::2") {
		t.Errorf("got %q from %v, %v", b[:n], from, err)
	}
}

func TestCommandAndRole(t *testing.T) {
	n := NewNS(t)
	var want string
	n.Do(func() { want = inode(t) })
	got, err := n.Command("readlink", "/proc/self/ns/net").CombinedOutput()
	if err != nil || strings.TrimSpace(string(got)) != want {
		t.Errorf("a command ran in %s, %v; want %s", got, err, want)
	}
	got, err = n.Role("netns", "one", "two").CombinedOutput()
	if err != nil || strings.TrimSpace(string(got)) != want+" one two" {
		t.Errorf("a role printed %s, %v; want %s and its arguments", got, err, want)
	}
	if got, err := n.Role("nobody").CombinedOutput(); err == nil {
		t.Errorf("an unknown role succeeded: %s", got)
	}
}

func TestStart(t *testing.T) {
	n := NewNS(t)
	var pid int
	t.Run("inner", func(t *testing.T) {
		cmd := n.Command("sleep", "300")
		Start(t, cmd)
		pid = cmd.Process.Pid
		if err := unix.Kill(pid, 0); err != nil {
			t.Error("it does not run:", err)
		}
	})
	if err := unix.Kill(pid, 0); err != unix.ESRCH {
		t.Errorf("the process outlived its test: %v", err)
	}
	cmd := n.Command("false")
	<-Start(t, cmd)
	if code := cmd.ProcessState.ExitCode(); code != 1 {
		t.Errorf("exit code %d", code)
	}
}

// Mounts made by a test stay inside: none of the test's is shared with the host's.
func TestMountsArePrivate(t *testing.T) {
	b, err := os.ReadFile("/proc/self/mountinfo")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(b)) {
		if strings.Contains(line, " shared:") || strings.Contains(line, " master:") {
			t.Errorf("mount travels between namespaces: %s", line)
		}
	}
}

// Where namespaces are not permitted, the tests that need none still run, and
// those that do fail with the reason. Here user namespaces are refused by a
// limit, as on a host that forbids them.
func TestMainRefused(t *testing.T) {
	limit := "/proc/sys/user/max_net_namespaces"
	if _, err := os.Stat(limit); err != nil {
		t.Fatal(err)
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(Tool(t, "unshare", "util-linux"), "--user", "--map-root-user", "sh", "-c",
		`echo 0 > `+limit+` && exec "$0" -test.run '^TestDo$' -test.v`, self)
	cmd.Env = append(os.Environ(), envInside+"=")
	out, err := cmd.CombinedOutput()
	if err == nil || !strings.Contains(string(out), "run the tests as root, or permit user namespaces") {
		t.Errorf("%v:\n%s", err, out)
	}
}
