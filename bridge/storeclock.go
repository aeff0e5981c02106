package bridge

import (
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// A lifetime that is kept has to go on while the daemon, or the machine, is off,
// and the wall clock is not to be believed: a gateway without a battery starts in
// 1970, or where it was when it last wrote the time down, and jumps by years when it
// reaches a time server. So what is kept counts seconds of a clock of the store's
// own, which goes on with the monotonic clock while a daemon runs. A stamp of all
// clocks beside it says, at the next start, how long nobody counted: exactly, if the
// machine did not boot meanwhile; else by the wall clock, where that is plausible.

// stamp is one moment on each clock.
type stamp struct {
	Seconds   int64  `json:"seconds"`    // of the store's own clock
	Wall      int64  `json:"wall"`       // Unix time
	Boot      string `json:"boot"`       // the machine's boot id
	SinceBoot int64  `json:"since_boot"` // seconds, time asleep included
}

// maxAway is the longest absence that the wall clock is believed: the longest
// lifetime of a registration, 65,535 minutes (RFC 6775, 4.1). After more than that
// nothing would be left anyway.
const maxAway = 65535 * time.Minute

// away returns for how long nobody counted between two stamps; false where the
// clocks do not say.
func away(last, now stamp) (time.Duration, bool) {
	if last.Boot != "" && last.Boot == now.Boot && now.SinceBoot >= last.SinceBoot {
		return time.Duration(now.SinceBoot-last.SinceBoot) * time.Second, true
	}
	if d := now.Wall - last.Wall; d >= 0 && d <= int64(maxAway/time.Second) {
		return time.Duration(d) * time.Second, true
	}
	return 0, false
}

// readStamp reads the machine's clocks. What the system does not tell stays empty.
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
	last stamp     // that was written
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

// jumped reports whether the wall clock went otherwise than the store's since the
// last stamp was written.
func (c *storeClock) jumped(now time.Time) bool {
	apart := (now.Unix() - c.last.Wall) - (c.seconds(now) - c.last.Seconds)
	return apart < -60 || apart > 60
}
