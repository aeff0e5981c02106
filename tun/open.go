package tun

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"syscall"

	"github.com/songgao/water"
	"golang.org/x/sys/unix"
)

const devicePath = "/dev/net/tun"

var (
	errBusy       = errors.New("the interface is in use by another process; is the daemon running already?")
	errCapability = errors.New("CAP_NET_ADMIN is needed in the network namespace: run as root, " +
		"or grant it (systemd: AmbientCapabilities=CAP_NET_ADMIN)")
)

// openTUN opens a TUN interface. Set persist for an existing interface. Without it the
// kernel deletes the interface when the descriptor is closed.
//
// The library opens the descriptor without close-on-exec, and leaks it if the interface
// cannot be created. ForkLock keeps other processes from inheriting it and other calls of
// this function from interfering.
func openTUN(name string, persist bool) (*os.File, error) {
	syscall.ForkLock.Lock()
	defer syscall.ForkLock.Unlock()
	i, err := water.New(water.Config{
		DeviceType:             water.TUN,
		PlatformSpecificParams: water.PlatformSpecificParams{Name: name, Persist: persist},
	})
	if err != nil {
		closeLeaked()
		return nil, explainOpen(err)
	}
	file, ok := i.ReadWriteCloser.(*os.File)
	if !ok {
		return nil, errors.Join(errors.New("the TUN library returned no file"), i.Close())
	}
	if err := setCloseOnExec(file); err != nil {
		return nil, errors.Join(fmt.Errorf("set close-on-exec: %w", err), file.Close())
	}
	return file, nil
}

func setCloseOnExec(f *os.File) error {
	conn, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var set error
	err = conn.Control(func(fd uintptr) {
		_, set = unix.FcntlInt(fd, unix.F_SETFD, unix.FD_CLOEXEC)
	})
	return errors.Join(err, set)
}

// closeLeaked closes the descriptor that the library leaked: it belongs to the TUN
// driver, is attached to no interface, and lacks close-on-exec, which all of ours have.
func closeLeaked() {
	entries, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		return // without /proc each failure leaks a descriptor
	}
	for _, e := range entries {
		fd, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		var st unix.Stat_t
		if unix.Fstat(fd, &st) != nil || st.Mode&unix.S_IFMT != unix.S_IFCHR || st.Rdev != unix.Mkdev(10, 200) {
			continue
		}
		if flags, err := unix.FcntlInt(uintptr(fd), unix.F_GETFD, 0); err != nil || flags&unix.FD_CLOEXEC != 0 {
			continue
		}
		var ifr unix.Ifreq
		if unix.IoctlIfreq(fd, unix.TUNGETIFF, &ifr) == unix.EBADFD {
			_ = unix.Close(fd)
		}
	}
}

// explainOpen adds to an error what would permit opening the interface.
func explainOpen(err error) error {
	made := errors.As(err, new(*os.SyscallError)) // the device file was opened
	switch {
	case made && errors.Is(err, unix.EPERM):
		return fmt.Errorf("make the interface: %w: %w", errCapability, err)
	case made && errors.Is(err, unix.EBUSY):
		return fmt.Errorf("make the interface: %w: %w", errBusy, err)
	case made:
		return fmt.Errorf("make the interface: %w", err)
	case errors.Is(err, unix.ENOENT):
		return fmt.Errorf("open %s: %w: load the driver (modprobe tun); in a container, pass the device in", devicePath, err)
	case errors.Is(err, unix.ENODEV), errors.Is(err, unix.ENXIO):
		return fmt.Errorf("open %s: %w: this kernel has no TUN driver (modprobe tun)", devicePath, err)
	case errors.Is(err, unix.EACCES), errors.Is(err, unix.EPERM):
		return fmt.Errorf("open %s: %w: run as root (of the host, not of a user namespace), or chmod 0666 %s; "+
			"under systemd, DeviceAllow=%s rw", devicePath, err, devicePath, devicePath)
	}
	return fmt.Errorf("open %s: %w", devicePath, err)
}
