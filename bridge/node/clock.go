package node

import (
	"math"
	"sync/atomic"
	"time"
)

// clock converts times to nanoseconds since the table was made, which fit an atomic. It
// uses the monotonic reading of a time if there is one: a gateway without a battery-backed
// clock steps by years when it first reaches a time server, and that step must not make
// nodes late.
type clock struct {
	base atomic.Pointer[time.Time] // the time of number 0
}

const never = math.MinInt64

func newClock(start time.Time) *clock {
	c := &clock{}
	c.base.Store(&start)
	return c
}

func (c *clock) number(at time.Time) int64 {
	if at.IsZero() {
		return never
	}
	return int64(at.Sub(*c.base.Load()))
}

// time returns the time of a number: the zero time for never.
func (c *clock) time(n int64) time.Time {
	if n == never {
		return time.Time{}
	}
	return c.base.Load().Add(time.Duration(n))
}

// rebase adopts a step of the wall clock of more than a second: time then returns what the
// corrected wall clock would have shown.
func (c *clock) rebase(now time.Time) {
	base := now.Add(-now.Sub(*c.base.Load()))
	if base.Round(0).Sub(c.base.Load().Round(0)).Abs() > time.Second {
		c.base.Store(&base)
	}
}

// radioState is what all nodes of a table share about their radio.
type radioState struct {
	// outage is 0 while the radio is up and its list of nodes is complete. Else it is a
	// number that grows with each outage.
	outage atomic.Uint32
	since  atomic.Int64 // when the present outage began, on the clock
}
