package tuntest

import (
	"testing"
	"time"
)

// The only places in which a test waits for time to pass. A wait for an event is Poll,
// or a channel; a wait without any condition is either too short on a loaded machine or
// too long everywhere.

// Poll waits until cond holds, and ends the test with what cond last said when
// it does not within the time given. That time only keeps a test that fails from
// hanging: it is to be far longer than a loaded machine needs.
func Poll(t testing.TB, within time.Duration, cond func() (ok bool, state string)) {
	t.Helper()
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
	if time.Now().Year() > 2020 { // the clock of a bubble begins with 2000
		panic("tuntest.Advance outside of a testing/synctest bubble: poll a condition")
	}
	time.Sleep(d)
}
