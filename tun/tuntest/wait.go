package tuntest

import (
	"testing"
	"time"
)

// The only places in which a test waits for time to pass. A wait for an event is Poll,
// or a channel; a wait without any condition is either too short on a loaded machine or
// too long everywhere.

// guard is what a machine with many other programs may need for anything here.
const guard = 90 * time.Second

// Poll waits until cond holds, and ends the test with what cond last said when
// it does not within the time given. In real time that only keeps a test that fails
// from hanging, so at least 90 s are given; the clock of a bubble is exact.
func Poll(t testing.TB, within time.Duration, cond func() (ok bool, state string)) {
	t.Helper()
	if !inBubble() {
		within = max(within, guard)
	}
	deadline := time.Now().Add(within)
	for pause := time.Millisecond; ; pause = min(2*pause, 50*time.Millisecond) {
		ok, state := cond()
		if ok {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("tuntest: not within %v: %s", within, state)
		}
		time.Sleep(pause)
	}
}

// Hold checks that cond holds during the whole of the time given, and ends the test
// with what cond said when it does not.
func Hold(t testing.TB, during time.Duration, cond func() (ok bool, state string)) {
	t.Helper()
	for began := time.Now(); ; time.Sleep(20 * time.Millisecond) {
		if ok, state := cond(); !ok {
			t.Fatalf("tuntest: no longer so after %v: %s", time.Since(began).Round(time.Millisecond), state)
		}
		if time.Since(began) >= during {
			return
		}
	}
}

// Advance lets the clock of a testing/synctest bubble go on by d, and panics outside
// of one, where it would be a sleep.
func Advance(d time.Duration) {
	if !inBubble() {
		panic("tuntest.Advance outside of a testing/synctest bubble: poll a condition")
	}
	time.Sleep(d)
}

// inBubble reports whether the clock is that of a bubble of testing/synctest, which
// begins with the year 2000.
func inBubble() bool { return time.Now().Year() < 2020 }
