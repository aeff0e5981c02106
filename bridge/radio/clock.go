package radio

import "time"

// Bounds of the mapping from a radio's clock to ours.
const (
	clockWindow = 30 * time.Second // how long the least offset seen is believed
	clockJump   = 10 * time.Second // more than any record is on its way: the radio's clock was set
	clockMax    = 1 << 53          // microseconds, 285 years: beyond it no clock makes sense
)

// clock maps a radio's microseconds since boot to our time. Each record with a
// clock shows an offset: our time at its arrival less the radio's time. It is the
// true offset and what the record took on its way, so the least of the last minute
// is nearest to the truth, while old ones are let go because the clocks drift
// apart (100 ppm are 6 ms in that time). The zero value is ready.
type clock struct {
	known     bool
	base      time.Time     // our time at the first sight, with its monotonic part
	cur, prev time.Duration // least offsets from base, of this window and the one before
	began     time.Duration // when this window began, since base
}

// at returns when the radio's clock showed the given microseconds, for a record
// that arrived at now; never later than now. It is now where the radio gave no
// time, or none that can be.
func (c *clock) at(micros uint64, now time.Time) time.Time {
	if micros == 0 || micros > clockMax {
		return now
	}
	radio := time.Duration(micros) * time.Microsecond
	if !c.known {
		c.restart(radio, now)
		return now
	}
	since := now.Sub(c.base)
	offset := since - radio
	if offset-min(c.cur, c.prev) > clockJump { // a jump forward shows the least offset by itself
		c.restart(radio, now)
		return now
	}
	if since-c.began >= clockWindow {
		c.prev, c.cur, c.began = c.cur, offset, since
	}
	c.cur = min(c.cur, offset)
	return c.base.Add(radio + min(c.cur, c.prev))
}

func (c *clock) restart(radio time.Duration, now time.Time) {
	*c = clock{known: true, base: now, cur: -radio, prev: -radio}
}
