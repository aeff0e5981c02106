package store

import (
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// Stored lifetimes must go on while the daemon or the machine is off, but the wall clock is
// not reliable: a gateway without a battery-backed clock starts in 1970, or at the time it
// last saved, and jumps by years when it reaches a time server. So stored times count seconds
// of the store's own clock, which follows the monotonic clock while the daemon runs. A stamp
// of all clocks is stored too. At the next start it gives the time that passed: exactly if the
// machine has not rebooted, else by the wall clock if its difference is plausible.

// stamp is one moment on each clock.
type stamp struct {
	Seconds   int64  `json:"seconds"`    // of the store's own clock
	Wall      int64  `json:"wall"`       // Unix time
	Boot      string `json:"boot"`       // the machine's boot id
	SinceBoot int64  `json:"since_boot"` // seconds, time asleep included
}

// maxAway is the longest absence accepted from the wall clock: the longest lifetime of a
// registration, 65,535 minutes (RFC 6775, 4.1). After that all registrations have expired.
const maxAway = 65535 * time.Minute

// away returns the time between two stamps, false if the clocks do not give it.
func away(last, now stamp) (time.Duration, bool) {
	if last.Boot != "" && last.Boot == now.Boot && now.SinceBoot >= last.SinceBoot {
		return time.Duration(now.SinceBoot-last.SinceBoot) * time.Second, true
	}
	if d := now.Wall - last.Wall; d >= 0 && d <= int64(maxAway/time.Second) {
		return time.Duration(d) * time.Second, true
	}
	return 0, false
}

// readStamp reads the machine's clocks. Boot and SinceBoot stay empty if they cannot be read.
func readStamp(now time.Time) stamp {
	s := stamp{Wall: now.Unix()}
	var ts unix.Timespec
	id, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err == nil && unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts) == nil {
		s.Boot, s.SinceBoot = strings.TrimSpace(string(id)), int64(ts.Sec) // 32 bits on 32-bit ARM
	}
	return s
}

// storeClock is the store's own clock.
type storeClock struct {
	base time.Time // with its monotonic reading
	at   int64     // seconds, at base
	last stamp     // last one written
}

// seconds returns t on the store's clock, rounded down.
func (c *storeClock) seconds(t time.Time) int64 {
	d := t.Sub(c.base)
	if d < 0 {
		d -= time.Second - 1
	}
	return c.at + int64(d/time.Second)
}

// time returns the time at which the store's clock shows s.
func (c *storeClock) time(s int64) time.Time {
	return c.base.Add(time.Duration(s-c.at) * time.Second)
}

// stamp returns the stamp of now.
func (c *storeClock) stamp(now time.Time) stamp {
	s := readStamp(now)
	s.Seconds = c.seconds(now)
	return s
}

// jumped reports whether the wall clock and the store's clock have diverged by more than a
// minute since the last stamp was written.
func (c *storeClock) jumped(now time.Time) bool {
	apart := (now.Unix() - c.last.Wall) - (c.seconds(now) - c.last.Seconds)
	return apart < -60 || apart > 60
}
