package radio

import (
	"testing"
	"time"
)

func TestClock(t *testing.T) {
	const s, ms = time.Second, time.Millisecond
	// Each step is one record: when the radio stamped it by its clock, when it came,
	// and which time the frame is given, both since the first moment.
	type step struct {
		radio         time.Duration
		arrived, want time.Duration
	}
	for _, c := range []struct {
		name  string
		steps []step
	}{
		{"first sight", []step{{7 * s, 0, 0}}},
		{"steady", []step{{7 * s, 0, 0}, {8 * s, s, s}, {9 * s, 2 * s, 2 * s}}},
		{"delayed on the line", []step{{7 * s, 0, 0}, {8 * s, 1300 * ms, s}, {8100 * ms, 1301 * ms, 1100 * ms}}},
		{"the first was delayed", []step{{7 * s, 200 * ms, 200 * ms}, {8 * s, s, s}, {9 * s, 2500 * ms, 2 * s}}},
		{"out of order", []step{{7 * s, 0, 0}, {9 * s, 2 * s, 2 * s}, {8 * s, 2 * s, s}}},
		{"never later than its arrival", []step{{7 * s, 0, 0}, {9 * s, s, s}, {10 * s, 2 * s, 2 * s}}},
		{"no clock", []step{{7 * s, 0, 0}, {0, s, s}}},
		{"no clock at first", []step{{0, 0, 0}, {7 * s, s, s}, {8 * s, 2500 * ms, 2 * s}}},
		{"set forward", []step{{7 * s, 0, 0}, {107 * s, s, s}, {108 * s, 2 * s, 2 * s}, {109 * s, 3200 * ms, 3 * s}}},
		{"set back", []step{{107 * s, 0, 0}, {7 * s, s, s}, {8 * s, 2 * s, 2 * s}}},
		{"beyond all clocks", []step{{7 * s, 0, 0}, {1<<63 - 1, s, s}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var k clock
			base := time.Now()
			for i, st := range c.steps {
				micros := uint64(st.radio / time.Microsecond)
				if st.radio == 1<<63-1 {
					micros = 1<<64 - 1
				}
				if got := k.at(micros, base.Add(st.arrived)).Sub(base); got != st.want {
					t.Errorf("record %d: %v, want %v", i, got, st.want)
				}
			}
		})
	}
}

// Two clocks drift apart: a radio that is slow by 200 ppm is followed, and one that
// is fast as well, each record having taken 1 to 81 ms on its way.
func TestClockDrift(t *testing.T) {
	for _, ppm := range []int64{-200, 200} {
		var k clock
		base := time.Now()
		worst := time.Duration(0)
		for i := range int64(3600 * 4) {
			now := time.Duration(i) * 250 * time.Millisecond
			stamped := now - time.Duration(1+i%9*10)*time.Millisecond
			radio := time.Hour + stamped + time.Duration(int64(stamped)/1_000_000*ppm)
			got := k.at(uint64(radio/time.Microsecond), base.Add(now))
			if i > 8 {
				worst = max(worst, (got.Sub(base) - stamped).Abs())
			}
		}
		// A minute's drift, and the millisecond that even the quickest record takes.
		if limit := 60*time.Second/1_000_000*200 + 2*time.Millisecond; worst > limit {
			t.Errorf("%d ppm: wrong by %v within an hour, want %v at most", ppm, worst, limit)
		}
	}
}

func TestClockAllocatesNothing(t *testing.T) {
	var k clock
	now := time.Now()
	n := uint64(0)
	if a := testing.AllocsPerRun(100, func() { n += 1000; k.at(n, now) }); a != 0 {
		t.Errorf("%v allocations", a)
	}
}
