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

// checkIPv6 checks that this host has IPv6.
func (h *host) checkIPv6(_ context.Context, f *findings.Finding) {
	if _, err := os.Stat(filepath.Join(h.proc, "net/if_inet6")); errors.Is(err, os.ErrNotExist) {
		f.Wrong("the kernel has IPv6 switched off: no mesh can get an interface").
			Do("remove ipv6.disable=1 from the kernel's command line (see /proc/cmdline) and reboot; a container must be given IPv6")
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
		f.OK("enabled")
		return
	}
	f.Wrong("IPv6 is disabled: %s = 1", strings.Join(off, ", ")).
		Do("sysctl -w " + strings.Join(off, "=0 ") + "=0, and remove the line that sets it from /etc/sysctl.conf or /etc/sysctl.d; then restart the daemon")
}

// Less free disk space than this share or size is a fault.
const (
	diskShare  = 0.05
	diskOctets = 32 << 20
)

// checkDisk checks the file system of state_dir.
func (h *host) checkDisk(ctx context.Context, f *findings.Finding) {
	if h.cfg == nil {
		f.NotTried("state_dir is not known without a configuration")
		return
	}
	dir := h.cfg.StateDir
	var s unix.Statfs_t
	err := unix.Statfs(dir, &s)
	switch {
	case errors.Is(err, os.ErrNotExist) && !h.running:
		f.Note("%s does not exist yet: the daemon creates it at its first start", dir)
		return
	case err != nil:
		f.Wrong("%s: %v", dir, err).
			Do("state_dir must be a folder that the daemon's user can write")
		return
	}
	free, size := uint64(s.Bavail)*uint64(s.Bsize), uint64(s.Blocks)*uint64(s.Bsize)
	f.OK("%s: %s free of %s", dir, cli.Octets(free), cli.Octets(size))
	switch {
	case s.Flags&unix.ST_RDONLY != 0:
		f.Wrong("%s is mounted read-only: no changes of state can be stored", dir).
			Do("look for disk errors in the kernel log (journalctl -k), then remount it writable")
	case size > 0 && (free < diskOctets || float64(free) < diskShare*float64(size)):
		f.Verdict = findings.VerdictWrong
		f.Remedy = "free space on this file system: soon no changes of state can be stored"
	case s.Files > 0 && s.Ffree < 100:
		f.Wrong("%s: %d of %d inodes are free", dir, s.Ffree, s.Files).
			Do("delete files on this file system")
	}
}

// clockFloor is older than this program: a clock that shows an earlier time was never set.
var clockFloor = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// checkClock checks that the clock was set and is synchronized.
func (h *host) checkClock(_ context.Context, f *findings.Finding) {
	now, synchronized, err := h.clock()
	switch {
	case now.Before(clockFloor):
		f.Wrong("the clock says %s, so it was never set: readings get wrong times", now.UTC().Format(time.DateTime)).
			Do("enable time synchronization ('timedatectl set-ntp true') or set the clock by hand ('timedatectl set-time ...')")
	case err != nil:
		f.NotTried("the kernel did not report whether the clock is synchronized: %v", err)
	case !synchronized:
		f.Note("%s, not synchronized with a time server", now.UTC().Format(time.DateTime+" UTC")).
			Do("if this host can reach a time server, run 'timedatectl set-ntp true'; 'timedatectl timesync-status' shows errors")
	default:
		f.OK("synchronized")
	}
}

// systemClock returns the time and whether the kernel considers it synchronized (adjtimex(2)).
func systemClock() (now time.Time, synchronized bool, err error) {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	if err != nil {
		return time.Now(), false, os.NewSyscallError("adjtimex", err)
	}
	return time.Now(), state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0, nil
}
