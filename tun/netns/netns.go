// Package netns starts a process in Linux namespaces of its own, so that it leaves the
// network of this machine alone.
package netns

import (
	"fmt"
	"os"
	"syscall"

	"github.com/vishvananda/netlink"
	"golang.org/x/sys/unix"
)

// Attr returns the attributes of a process that gets a network and a mount namespace
// of its own. If user is set it also gets a user namespace, in which this user and
// group keep their numbers: for callers without CAP_SYS_ADMIN. The kernel kills the
// process when the thread that started it ends, so the caller locks its thread.
func Attr(user bool) *syscall.SysProcAttr {
	attr := &syscall.SysProcAttr{Cloneflags: unix.CLONE_NEWNET | unix.CLONE_NEWNS, Pdeathsig: unix.SIGKILL}
	if user {
		attr.Cloneflags |= unix.CLONE_NEWUSER
		attr.UidMappings = []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Geteuid(), Size: 1}}
		attr.GidMappings = []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getegid(), Size: 1}}
	}
	return attr
}

// Enter is the first call of a process in new namespaces: it keeps mounts from
// propagating to the host, and brings up the loopback interface.
func Enter() error {
	if err := unix.Mount("", "/", "", unix.MS_REC|unix.MS_PRIVATE, ""); err != nil {
		return fmt.Errorf("make the mounts private: %w", err)
	}
	lo, err := netlink.LinkByName("lo")
	if err == nil {
		err = netlink.LinkSetUp(lo)
	}
	if err != nil {
		return fmt.Errorf("bring up the loopback interface: %w", err)
	}
	return nil
}
