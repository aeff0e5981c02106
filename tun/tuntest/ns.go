package tuntest

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"testing"

	"github.com/vishvananda/netlink"
	"github.com/vishvananda/netns"
	"golang.org/x/sys/unix"
)

// NS is a network namespace without a name. It lasts until the test that made it ends.
type NS struct {
	t      testing.TB
	file   *os.File // keeps the namespace alive
	handle *netlink.Handle
}

// NewNS makes a network namespace with its loopback interface up. Duplicate
// address detection is off on interfaces made in it, so that addresses serve at once.
func NewNS(t testing.TB) *NS {
	t.Helper()
	permitted(t)
	return newNS(t, true)
}

// Own is the namespace that Main made for the test process itself. The interfaces
// in it outlive the test, so a test removes what it puts there.
func Own(t testing.TB) *NS {
	t.Helper()
	permitted(t)
	if os.Getenv(envInside) == "" {
		t.Fatal("tuntest: the network of this process is the host's: call tuntest.Main from TestMain")
	}
	return newNS(t, false)
}

func permitted(t testing.TB) {
	t.Helper()
	if why := os.Getenv(envRefused); why != "" {
		t.Fatal("tuntest: " + why)
	}
}

func newNS(t testing.TB, fresh bool) *NS {
	t.Helper()
	n := &NS{t: t}
	err := onThread(func() (err error) {
		if fresh {
			if err := unix.Unshare(unix.CLONE_NEWNET); err != nil {
				return fmt.Errorf("no network namespace could be made (call tuntest.Main from TestMain, "+
					"or run the tests as root): %w", err)
			}
		}
		if n.file, err = os.Open("/proc/thread-self/ns/net"); err != nil {
			return err
		}
		if n.handle, err = handleHere(); err != nil || !fresh {
			return err
		}
		return prepare(n.handle)
	})
	t.Cleanup(n.close)
	if err != nil {
		t.Fatal("tuntest: ", err)
	}
	return n
}

func (n *NS) close() {
	if n.handle != nil {
		n.handle.Close()
	}
	if n.file != nil {
		n.file.Close()
	}
}

// Handle is a netlink handle inside the namespace.
func (n *NS) Handle() *netlink.Handle { return n.handle }

// Do runs f on a thread of its own inside the namespace and waits for it. Sockets
// and devices that f opens stay in the namespace when f has returned; goroutines
// that f starts run outside of it. f may end the test.
func (n *NS) Do(f func()) {
	n.t.Helper()
	returned := false
	err := onThread(func() error {
		if err := unix.Setns(int(n.file.Fd()), unix.CLONE_NEWNET); err != nil {
			return os.NewSyscallError("setns", err)
		}
		f()
		returned = true
		return nil
	})
	switch {
	case returned:
	case errors.Is(err, errExited):
		runtime.Goexit() // as f did by t.Fatal, of whichever test t is
	default:
		n.t.Fatal("tuntest: ", err)
	}
}

var errExited = errors.New("the function ended its goroutine")

// onThread runs f on an operating system thread that ends with it, so whatever f
// does to the thread goes with it.
func onThread(f func() error) error {
	done := make(chan error, 1)
	go func() {
		runtime.LockOSThread() // never unlocked: the thread is not used again
		err := errExited
		defer func() { done <- err }()
		err = f()
	}()
	return <-done
}

// Command is like exec.Command, for a program that runs inside the namespace.
func (n *NS) Command(name string, args ...string) *exec.Cmd {
	n.t.Helper()
	nsenter := Tool(n.t, "nsenter", "util-linux")
	in := fmt.Sprintf("--net=/proc/%d/fd/%d", os.Getpid(), n.file.Fd())
	return exec.Command(nsenter, append([]string{in, "--", name}, args...)...)
}

// Role is a command that runs a role of this test binary (see the option Role)
// inside the namespace.
func (n *NS) Role(role string, args ...string) *exec.Cmd {
	n.t.Helper()
	self, err := os.Executable()
	if err != nil {
		n.t.Fatal("tuntest: ", err)
	}
	cmd := n.Command(self, args...)
	cmd.Env = append(os.Environ(), envRole+"="+role)
	return cmd
}

func handleHere() (*netlink.Handle, error) {
	h, err := netlink.NewHandleAt(netns.None(), unix.NETLINK_ROUTE)
	if err != nil {
		return nil, fmt.Errorf("open netlink: %w", err)
	}
	return h, nil
}

// prepare sets up the namespace of the calling thread.
func prepare(h *netlink.Handle) error {
	lo, err := h.LinkByName("lo")
	if err != nil {
		return fmt.Errorf("find lo: %w", err)
	}
	if err := h.LinkSetUp(lo); err != nil {
		return fmt.Errorf("set lo up: %w", err)
	}
	return disableDAD()
}

// disableDAD turns off duplicate address detection (RFC 4862, section 5.4) on new
// interfaces of the calling thread's namespace: addresses are usable at once.
func disableDAD() error { return writeSysctl("net.ipv6.conf.default.accept_dad", "0") }
