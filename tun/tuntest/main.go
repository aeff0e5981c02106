// Package tuntest is the one harness for tests that need network namespaces and
// real TUN interfaces. A package that uses it calls Main from its TestMain: the
// test binary then starts itself again inside namespaces of its own, as root or
// through a user namespace, so that the network of the host is left alone.
// Where neither is allowed, each test that asks for a namespace fails and says
// what would permit it; none is skipped.
package tuntest

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"runtime"
	"strings"

	"culvert/tun/netns"

	"go.uber.org/goleak"
	"golang.org/x/sys/unix"
)

// The environment that Main hands to what it starts.
const (
	envInside  = "CULVERT_TUNTEST_INSIDE"  // set inside the namespaces that Main made: the one outside
	envRefused = "CULVERT_TUNTEST_REFUSED" // why none could be made, and what would permit it
	envRole    = "CULVERT_TUNTEST_ROLE"    // the role to play instead of running tests
)

// Option adjusts Main.
type Option func(*options)

type options struct {
	roles map[string]func(args []string) int
}

// Role names a function that the test binary runs, instead of its tests, when
// NS.Role started it. It gets the arguments and returns the exit status. A role
// is a process of its own, which a test may kill or measure.
func Role(name string, run func(args []string) int) Option {
	return func(o *options) { o.roles[name] = run }
}

// Main is the body of a TestMain: Main(m). It runs the tests in a fresh network
// and mount namespace, with a user namespace where the process is not privileged,
// and exits with their status, or with 1 if they passed but leaked a goroutine.
func Main(m interface{ Run() int }, opts ...Option) {
	o := options{roles: make(map[string]func([]string) int)}
	for _, opt := range opts {
		opt(&o)
	}
	if name, ok := os.LookupEnv(envRole); ok {
		os.Exit(play(o, name))
	}
	if os.Getenv(envInside) == "" {
		status, err := reexec()
		if err == nil {
			os.Exit(status)
		}
		if err := os.Setenv(envRefused, err.Error()); err != nil {
			fmt.Fprintln(os.Stderr, "tuntest:", err)
			os.Exit(1)
		}
	} else if err := enter(); err != nil {
		fmt.Fprintln(os.Stderr, "tuntest:", err)
		os.Exit(1)
	}
	status := m.Run()
	if status == 0 {
		if err := goleak.Find(); err != nil {
			fmt.Fprintln(os.Stderr, "tuntest: the tests passed, but", err)
			status = 1
		}
	}
	os.Exit(status)
}

func play(o options, name string) int {
	run := o.roles[name]
	if run == nil {
		fmt.Fprintf(os.Stderr, "tuntest: no role %q was given to Main\n", name)
		return 2
	}
	if err := os.Unsetenv(envRole); err != nil {
		fmt.Fprintln(os.Stderr, "tuntest:", err)
		return 2
	}
	return run(os.Args[1:])
}

// reexec runs this program again inside namespaces and returns its exit status.
// Privilege is tried first: a user namespace maps a single user, and devices of
// the host may be out of its reach.
func reexec() (int, error) {
	outside, err := os.Readlink("/proc/self/ns/net")
	if err != nil {
		return 0, fmt.Errorf("network namespaces need a mounted /proc: %w", err)
	}
	var tried []string
	for _, user := range []bool{false, true} {
		cmd := command(user, outside)
		status, err := run(cmd)
		if err == nil {
			return status, nil
		}
		what := "as user " + fmt.Sprint(os.Geteuid())
		if user {
			what = "in a user namespace"
		}
		tried = append(tried, what+": "+err.Error())
	}
	return 0, fmt.Errorf("no network namespace may be made here (%s); run the tests as root, or permit user namespaces: "+
		"sysctl user.max_user_namespaces=1000, and where these keys exist kernel.unprivileged_userns_clone=1 and "+
		"kernel.apparmor_restrict_unprivileged_userns=0; in a container, permit CAP_SYS_ADMIN or unshare(2)",
		strings.Join(tried, "; "))
}

func command(user bool, outside string) *exec.Cmd {
	cmd := exec.Command("/proc/self/exe", os.Args[1:]...)
	cmd.Args[0] = os.Args[0]
	cmd.Env = append(os.Environ(), envInside+"="+outside)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = os.Stdin, os.Stdout, os.Stderr
	cmd.SysProcAttr = netns.Attr(user)
	return cmd
}

// run waits for cmd and passes signals on to it. An error means that it did not start.
func run(cmd *exec.Cmd) (int, error) {
	runtime.LockOSThread() // the parent-death signal follows the thread, not the process
	defer runtime.UnlockOSThread()
	if err := cmd.Start(); err != nil {
		return 0, err
	}
	signals := make(chan os.Signal, 4)
	signal.Notify(signals, unix.SIGINT, unix.SIGTERM, unix.SIGQUIT)
	defer signal.Stop(signals)
	done := make(chan error, 1)
	go func() { done <- cmd.Wait() }()
	for {
		select {
		case s := <-signals:
			_ = cmd.Process.Signal(s) // it may have ended by itself
		case err := <-done:
			var exit *exec.ExitError
			switch {
			case err == nil:
				return 0, nil
			case errors.As(err, &exit) && exit.Exited():
				return exit.ExitCode(), nil
			}
			fmt.Fprintln(os.Stderr, "tuntest: the tests ended by", err)
			return 1, nil
		}
	}
}

// enter sets up the namespaces from inside.
func enter() error {
	if err := netns.Enter(); err != nil {
		return err
	}
	return disableDAD()
}
