package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"runtime"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"

	"culvert/cmd/culvert/internal/cli"
	"culvert/tun/netns"
)

// This file runs a command of ours again inside a network namespace that is made
// for it, so that it leaves the network of this machine alone:
//
//  1. the outer process checks /dev/net/tun and starts the inner one with a network
//     and a mount namespace, in a user namespace with id maps where it is not root;
//  2. the inner one brings up the loopback interface and goes on;
//  3. the outer one hands signals on, waits, and ends with the inner one's exit code.
//     If it is killed, the kernel kills the inner one too.

// inner says how a command is run again inside a namespace of its own.
type inner struct {
	args           []string
	env            []string   // added to the environment
	files          []*os.File // become descriptor 3 and up
	stdin          io.Reader
	stdout, stderr io.Writer
}

// runInner starts the inner process, waits for it, and returns its exit code. An
// error means that it did not start, and says what would permit it.
func runInner(ctx context.Context, in inner) (int, error) {
	if err := checkTun(); err != nil {
		return cli.ExitBad, err
	}
	// Pdeathsig counts from the thread that forks, so this goroutine stays on it.
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	signals := make(chan os.Signal, 8)
	signal.Notify(signals, syscall.SIGINT, syscall.SIGTERM, syscall.SIGHUP)
	defer signal.Stop(signals)

	cmd, err := startInner(in)
	if err != nil {
		return cli.ExitBad, err
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	for {
		select {
		case s := <-signals:
			// The terminal has sent SIGINT to the inner one too; a second one does no harm.
			cmd.Process.Signal(s)
		case <-ctx.Done():
			cmd.Process.Signal(syscall.SIGTERM)
			ctx = context.WithoutCancel(ctx)
		case err := <-ended:
			var exit *exec.ExitError
			if err != nil && !errors.As(err, &exit) {
				return cli.ExitBad, fmt.Errorf("wait for the process inside the namespace: %w", err)
			}
			if code := cmd.ProcessState.ExitCode(); code >= 0 {
				return code, nil
			}
			return cli.ExitBad, fmt.Errorf("the process inside the namespace ended by %v", cmd.ProcessState)
		}
	}
}

// startInner starts the inner process: as root in new namespaces at once, else, or
// where a container does not let root do that, inside a new user namespace.
func startInner(in inner) (*exec.Cmd, error) {
	if os.Geteuid() == 0 {
		cmd := innerCommand(in, false)
		err := cmd.Start()
		if err == nil || !errors.Is(err, unix.EPERM) {
			return cmd, startError(err)
		}
	}
	cmd := innerCommand(in, true)
	return cmd, startError(cmd.Start())
}

// innerCommand returns the inner process, not started.
func innerCommand(in inner, userNamespace bool) *exec.Cmd {
	cmd := exec.Command("/proc/self/exe", in.args...)
	cmd.Args[0] = os.Args[0]
	cmd.Env = append(os.Environ(), in.env...)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = in.stdin, in.stdout, in.stderr
	cmd.ExtraFiles = in.files
	cmd.SysProcAttr = netns.Attr(userNamespace)
	return cmd
}

// checkTun reports why TUN interfaces cannot be opened, and what would permit it.
func checkTun() error {
	f, err := os.OpenFile(cli.TunDevice, os.O_RDWR, 0)
	if err == nil {
		f.Close()
		return nil
	}
	switch {
	case errors.Is(err, os.ErrPermission):
		return fmt.Errorf("%s may not be opened by this user. Any one of these permits it:\n"+
			"  run this command as root\n"+
			"  chmod 666 %[1]s   as root; making an interface still needs its own right (CAP_NET_ADMIN)\n"+
			"  in a container:   give it the device (--device %[1]s)", cli.TunDevice)
	case errors.Is(err, os.ErrNotExist), errors.Is(err, unix.ENODEV), errors.Is(err, unix.ENXIO):
		return fmt.Errorf("%s is not there. One of these brings it:\n"+
			"  modprobe tun      as root, on a machine of its own\n"+
			"  in a container:   give it the device (--device %[1]s)", cli.TunDevice)
	}
	return fmt.Errorf("TUN interfaces cannot be opened: %w", err)
}

// startError explains why the namespaces could not be made; nil stays nil.
func startError(err error) error {
	if err == nil {
		return nil
	}
	if !errors.Is(err, unix.EPERM) && !errors.Is(err, unix.EACCES) && !errors.Is(err, unix.ENOSPC) &&
		!errors.Is(err, unix.EINVAL) && !errors.Is(err, unix.EUSERS) {
		return fmt.Errorf("start inside a network namespace: %w", err)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "this user may not make a network namespace (%v). Any one of these permits it:\n", err)
	b.WriteString("  run this command as root\n")
	for _, s := range namespaceSwitches {
		if v, ok := sysctl(s.name); ok && v == s.bad {
			fmt.Fprintf(&b, "  sysctl -w %s=%s   as root: it is %s now\n", s.name, s.good, v)
		}
	}
	b.WriteString("  in a container:   --cap-add SYS_ADMIN, or a seccomp profile that lets it make user namespaces\n")
	b.WriteString("  --here            as root, in the network of this machine itself")
	return errors.New(b.String())
}

// namespaceSwitches are the kernel settings that forbid user namespaces, as the
// kernel and the common distributions have them (common practice, no source).
var namespaceSwitches = []struct{ name, bad, good string }{
	{"user.max_user_namespaces", "0", "10000"},
	{"user.max_net_namespaces", "0", "10000"},
	{"kernel.unprivileged_userns_clone", "0", "1"},
	{"kernel.apparmor_restrict_unprivileged_userns", "1", "0"},
}

// sysctl returns a setting of the kernel, where it has it.
func sysctl(name string) (string, bool) {
	b, err := os.ReadFile("/proc/sys/" + strings.ReplaceAll(name, ".", "/"))
	return strings.TrimSpace(string(b)), err == nil
}
