package simulate

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"strings"
	"sync"
	"syscall"

	"github.com/spf13/cobra"
	"golang.org/x/sys/unix"

	"culvert/bridge/sim"
	"culvert/cmd/culvert/internal/cli"
)

// simulateDoor opens where the daemon will come in, and returns what serves it.
func simulateDoor(cmd *cobra.Command, o simulateOptions, r *sim.Radio, log *slog.Logger) (func(context.Context) error, error) {
	switch {
	case o.listen != "" && o.pty:
		return nil, cli.Usagef("--listen and --pty: only one of them")
	case o.pty:
		return func(ctx context.Context) error { return servePTY(ctx, cmd.OutOrStdout(), r) }, nil
	case o.listen != "":
		l, err := listenSimulated(o.listen)
		if err != nil {
			return nil, err
		}
		log.Info("waiting for the daemon", "address", l.Addr())
		return func(ctx context.Context) error { return serveListener(ctx, l, r, log) }, nil
	}
	conn, err := standardIO(cmd.InOrStdin(), cmd.OutOrStdout())
	if err != nil {
		return nil, err
	}
	return func(ctx context.Context) error { return r.Serve(ctx, conn) }, nil
}

// listenSimulated opens the socket of --listen.
func listenSimulated(address string) (net.Listener, error) {
	if path, ok := strings.CutPrefix(address, "unix:"); ok {
		l, err := listenUnix(path)
		if err != nil {
			return nil, fmt.Errorf("--listen: %w", err)
		}
		return l, nil
	}
	host, ok := strings.CutPrefix(address, "tcp:")
	if !ok {
		return nil, cli.Usagef("--listen %q: want tcp:HOST:PORT, like tcp:[::1]:6283, or unix:PATH", address)
	}
	l, err := net.Listen("tcp", host)
	if err != nil {
		return nil, fmt.Errorf("--listen: %w", err)
	}
	return l, nil
}

// listenUnix listens on a Unix socket that only this user may open. A socket that
// was left behind by a program that is gone is taken away first.
func listenUnix(path string) (net.Listener, error) {
	if info, err := os.Lstat(path); err == nil && info.Mode().Type() == os.ModeSocket {
		if conn, err := net.Dial("unix", path); err == nil {
			conn.Close()
			return nil, fmt.Errorf("%s: another program listens there", path)
		} else if errors.Is(err, syscall.ECONNREFUSED) {
			os.Remove(path)
		}
	}
	l, err := net.Listen("unix", path)
	if err != nil {
		return nil, err
	}
	if err := os.Chmod(path, 0o600); err != nil {
		l.Close()
		return nil, err
	}
	return l, nil
}

// serveListener serves one daemon after the other; a new one ends the one before.
func serveListener(ctx context.Context, l net.Listener, r *sim.Radio, log *slog.Logger) error {
	stop := context.AfterFunc(ctx, func() { l.Close() })
	defer stop()
	var wg sync.WaitGroup
	defer wg.Wait()
	for {
		conn, err := l.Accept()
		if errors.Is(err, net.ErrClosed) {
			return nil
		}
		if err != nil {
			return err
		}
		wg.Go(func() {
			if err := r.Serve(ctx, conn); err != nil {
				log.Warn("line ended", "cause", err)
			}
		})
	}
}

// servePTY serves a pseudo-terminal after the other, each until the line is cut; a
// daemon that goes and comes back finds the same one.
func servePTY(ctx context.Context, out io.Writer, r *sim.Radio) error {
	for ctx.Err() == nil {
		master, slave, err := OpenPTY()
		if err != nil {
			return fmt.Errorf("--pty: %w", err)
		}
		fmt.Fprintln(out, slave.Name())
		// The slave is kept open, or the master would see an end while no daemon is there.
		err = r.Serve(ctx, master)
		slave.Close()
		if err != nil && !errors.Is(err, sim.ErrLineCut) {
			return fmt.Errorf("--pty: %w", err)
		}
		if err := r.AwaitLine(ctx); err != nil {
			return nil
		}
	}
	return nil
}

// OpenPTY opens a pseudo-terminal (pty(7), ioctl_tty(2)) that lets every octet pass.
// The master is non-blocking, so that closing it ends a read that waits.
func OpenPTY() (master, slave *os.File, err error) {
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_CLOEXEC|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, nil, fmt.Errorf("/dev/ptmx: %w", err)
	}
	master = os.NewFile(uintptr(fd), "/dev/ptmx")
	number, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	if err == nil {
		err = unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0)
	}
	if err == nil {
		slave, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", number), os.O_RDWR|unix.O_NOCTTY, 0)
	}
	if err != nil {
		master.Close()
		return nil, nil, err
	}
	if err := makeRaw(fd); err != nil {
		master.Close()
		slave.Close()
		return nil, nil, err
	}
	return master, slave, nil
}

// makeRaw lets every octet pass a terminal as it is (termios(3), cfmakeraw).
func makeRaw(fd int) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return err
	}
	t.Iflag &^= unix.IGNBRK | unix.BRKINT | unix.PARMRK | unix.ISTRIP | unix.INLCR | unix.IGNCR | unix.ICRNL | unix.IXON
	t.Oflag &^= unix.OPOST
	t.Lflag &^= unix.ECHO | unix.ECHONL | unix.ICANON | unix.ISIG | unix.IEXTEN
	t.Cflag = t.Cflag&^(unix.CSIZE|unix.PARENB) | unix.CS8
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	return unix.IoctlSetTermios(fd, unix.TCSETS, t)
}

// stdio is standard input and output as one connection.
type stdio struct {
	io.Reader
	io.Writer
}

// Close closes both.
func (s stdio) Close() error {
	for _, end := range []any{s.Reader, s.Writer} {
		if c, ok := end.(io.Closer); ok {
			c.Close()
		}
	}
	return nil
}

// standardIO makes a connection of standard input and output. Files are made
// non-blocking, so that closing them ends a read that waits.
func standardIO(in io.Reader, out io.Writer) (io.ReadWriteCloser, error) {
	if f, ok := in.(*os.File); ok {
		if _, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS); err == nil {
			return nil, cli.Usagef("standard input is a terminal, and the radio link is no text: " +
				"use --listen or --pty, or let the daemon start this as a radio of the kind \"process\"")
		}
		in = unblocked(f)
	}
	if f, ok := out.(*os.File); ok {
		out = unblocked(f)
	}
	return stdio{in, out}, nil
}

// unblocked returns a file over the same descriptor that Go's poller serves, if the
// kernel can poll it.
func unblocked(f *os.File) *os.File {
	fd := f.Fd()
	if unix.SetNonblock(int(fd), true) != nil {
		return f
	}
	return os.NewFile(fd, f.Name())
}
