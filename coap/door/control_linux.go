package door

import (
	"errors"
	"fmt"
	"net"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// socketMode is that of the control socket: owner and group.
const socketMode = 0o660

// listenControl opens the control socket at path. The file that a killed daemon
// left is replaced; a daemon that lives is an error. A lock beside the socket
// decides which it is, since between asking and removing another may start.
func listenControl(s *Doors, path string) (*controlDoor, error) {
	lock, err := lockPath(path + ".lock")
	if err != nil {
		return nil, fmt.Errorf("coap: control socket %s: %w", path, err)
	}
	fail := func(err error) (*controlDoor, error) {
		lock.Close()
		return nil, fmt.Errorf("coap: control socket %s: %w", path, err)
	}
	if err := removeStale(path); err != nil {
		return fail(err)
	}
	l, err := listenUnix(path)
	if err != nil {
		return fail(err)
	}
	unlock := func() {
		os.Remove(path) // while the lock is ours, so is the file
		lock.Close()
	}
	return &controlDoor{s: s, listener: l, unlock: unlock, conns: map[*net.UnixConn]struct{}{}}, nil
}

// ErrLive says that another daemon has the control socket.
var ErrLive = errors.New("another daemon listens there")

// lockPath takes the lock that a daemon holds as long as it lives. The kernel lets
// it go when the daemon dies, however it does.
func lockPath(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if err == nil {
		return f, nil
	}
	f.Close()
	if errors.Is(err, unix.EWOULDBLOCK) {
		return nil, ErrLive
	}
	return nil, fmt.Errorf("lock: %w", err)
}

// removeStale removes a socket at path on which nobody listens.
func removeStale(path string) error {
	fi, err := os.Lstat(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil
	case err != nil:
		return err
	case fi.Mode().Type() != os.ModeSocket:
		return errors.New("there is a file of another kind; remove it, or name another path")
	}
	c, err := net.DialTimeout("unix", path, time.Second)
	if err == nil {
		c.Close()
		return ErrLive
	}
	if !errors.Is(err, unix.ECONNREFUSED) {
		return fmt.Errorf("is a daemon alive there? %w", err)
	}
	return os.Remove(path)
}

// listenUnix makes the socket with its mode set before anybody can connect: between
// bind and listen the kernel refuses.
func listenUnix(path string) (*net.UnixListener, error) {
	fd, err := unix.Socket(unix.AF_UNIX, unix.SOCK_STREAM|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, 0)
	if err != nil {
		return nil, fmt.Errorf("socket: %w", err)
	}
	f := os.NewFile(uintptr(fd), path)
	defer f.Close() // FileListener has its own
	if err := unix.Bind(fd, &unix.SockaddrUnix{Name: path}); err != nil {
		return nil, fmt.Errorf("bind: %w", err)
	}
	if err := os.Chmod(path, socketMode); err != nil {
		return nil, err
	}
	if err := unix.Listen(fd, 64); err != nil {
		return nil, fmt.Errorf("listen: %w", err)
	}
	l, err := net.FileListener(f)
	if err != nil {
		return nil, err
	}
	return l.(*net.UnixListener), nil
}

// credentials returns user and group of the process that opened the connection, from the
// kernel.
func credentials(c *net.UnixConn) (uid, gid uint32, err error) {
	raw, err := c.SyscallConn()
	if err != nil {
		return 0, 0, err
	}
	var cred *unix.Ucred
	var opt error
	err = raw.Control(func(fd uintptr) {
		cred, opt = unix.GetsockoptUcred(int(fd), unix.SOL_SOCKET, unix.SO_PEERCRED)
	})
	if err == nil {
		err = opt
	}
	if err != nil {
		return 0, 0, fmt.Errorf("SO_PEERCRED: %w", err)
	}
	return cred.Uid, cred.Gid, nil
}
