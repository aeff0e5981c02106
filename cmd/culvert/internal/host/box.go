package host

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/findings"
)

// These checks look at the box: IPv6, disk, clock.

// checkIPv6 looks whether this host has IPv6 at all.
func (h *host) checkIPv6(_ context.Context, f *findings.Finding) {
	if _, err := os.Stat(filepath.Join(h.proc, "net/if_inet6")); errors.Is(err, os.ErrNotExist) {
		f.Set(findings.VerdictWrong, "this kernel runs without IPv6: no mesh can have an interface")
		f.Remedy = "remove ipv6.disable=1 from the kernel's command line (/proc/cmdline shows it) and reboot; in a container, let it have IPv6"
		return
	}
	var off []string
	for _, key := range []string{"all", "default", "lo"} {
		b, err := os.ReadFile(filepath.Join(h.proc, "sys/net/ipv6/conf", key, "disable_ipv6"))
		if err == nil && strings.TrimSpace(string(b)) == "1" {
			off = append(off, "net.ipv6.conf."+key+".disable_ipv6")
		}
	}
	if len(off) == 0 {
		f.Set(findings.VerdictOK, "enabled")
		return
	}
	f.Set(findings.VerdictWrong, "IPv6 is disabled: %s = 1", strings.Join(off, ", "))
	f.Remedy = "sysctl -w " + strings.Join(off, "=0 ") + "=0, and remove the line that sets it from /etc/sysctl.conf or /etc/sysctl.d; then start the daemon anew"
}

// A disk with less than this share or size free is a fault.
const (
	diskShare  = 0.05
	diskOctets = 32 << 20
)

// checkDisk looks at the file system of the state folder.
func (h *host) checkDisk(ctx context.Context, f *findings.Finding) {
	if h.cfg == nil {
		f.Set(findings.VerdictNotTried, "without a configuration it is not known where the state is kept")
		return
	}
	dir := h.cfg.StateDir
	var s unix.Statfs_t
	err := unix.Statfs(dir, &s)
	switch {
	case errors.Is(err, os.ErrNotExist) && !h.running:
		f.Set(findings.VerdictNote, "%s does not exist yet: the daemon makes it at its first start", dir)
		return
	case err != nil:
		f.Set(findings.VerdictWrong, "%s: %v", dir, err)
		f.Remedy = "see that state_dir names a folder that the daemon's user can write"
		return
	}
	free, size := uint64(s.Bavail)*uint64(s.Bsize), uint64(s.Blocks)*uint64(s.Bsize)
	f.Set(findings.VerdictOK, "%s: %s free of %s", dir, cli.Octets(free), cli.Octets(size))
	switch {
	case s.Flags&unix.ST_RDONLY != 0:
		f.Set(findings.VerdictWrong, "%s is on a file system that is mounted read-only: nothing new is kept", dir)
		f.Remedy = "see the kernel's log for errors of the disk (journalctl -k), and mount it writable"
	case size > 0 && (free < diskOctets || float64(free) < diskShare*float64(size)):
		f.Verdict = findings.VerdictWrong
		f.Remedy = "make room on this file system: soon nothing new can be kept"
	case s.Files > 0 && s.Ffree < 100:
		f.Set(findings.VerdictWrong, "%s: %d of %d inodes are free", dir, s.Ffree, s.Files)
		f.Remedy = "remove files that nobody needs from this file system"
	}
}

// clockFloor is before any time at which this program can run: an earlier clock was
// never set.
var clockFloor = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// checkClock looks whether this host's clock was set, and is kept right.
func (h *host) checkClock(_ context.Context, f *findings.Finding) {
	now, synchronized, err := h.clock()
	switch {
	case now.Before(clockFloor):
		f.Set(findings.VerdictWrong, "it is %s by this host's clock, which was never set: times of readings are wrong", now.UTC().Format(time.DateTime))
		f.Remedy = "let a time service set it ('timedatectl set-ntp true'), or set it by hand ('timedatectl set-time ...')"
	case err != nil:
		f.Set(findings.VerdictNotTried, "whether the clock is synchronized cannot be told: %v", err)
	case !synchronized:
		f.Set(findings.VerdictNote, "%s, not synchronized with a time server", now.UTC().Format(time.DateTime+" UTC"))
		f.Remedy = "if this host can reach a time server: 'timedatectl set-ntp true'; 'timedatectl timesync-status' says why it does not"
	default:
		f.Set(findings.VerdictOK, "synchronized")
	}
}

// systemClock returns the time, and whether the kernel says that something keeps it
// right (adjtimex(2)).
func systemClock() (now time.Time, synchronized bool, err error) {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	if err != nil {
		return time.Now(), false, os.NewSyscallError("adjtimex", err)
	}
	return time.Now(), state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0, nil
}
