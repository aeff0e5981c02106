package node

import (
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

// Parameters for learning the report period (our own choice). With eight gaps, about one
// in several hundred nodes that report at random is taken for a regular one. Nearly all
// nodes are recognised that report periodically with 10 % jitter and lose 10 % of their
// reports.
const (
	gapsKept = 8
	// sameReport is how long after the first message of a report another one is part of it.
	sameReport = 500 * time.Millisecond
	// regularSpread bounds the median of the distances of the gaps from their median
	// (the median absolute deviation), as a share of the median: 15 %.
	regularSpread = 0.15
	// earlyGap is the share of the median below which a gap counts as early. Losses only
	// lengthen gaps, so that a regular node has at most earlyGaps of them.
	earlyGap  = 0.75
	earlyGaps = 1
)

// reports is what is known of a node's reports.
type reports struct {
	last   atomic.Int64 // the last message with readings, on the clock
	period atomic.Int64 // learned, in nanoseconds; 0: not known, or there is none

	mu    sync.Mutex      // guards what follows
	first int64           // the first message of the last report
	gaps  [gapsKept]int64 // nanoseconds, the oldest first; 0: none
}

func (r *reports) init() {
	r.last.Store(never)
	r.first = never
}

// Report records the arrival of a message with readings of n. It may be called from any
// goroutine; Tick derives the state from it.
func (t *Table) Report(n *Node, at time.Time) {
	v := t.clock.number(at)
	r := &n.reports
	r.mu.Lock()
	defer r.mu.Unlock()
	r.last.Store(v)
	gap := v - r.first
	switch {
	case r.first == never, gap < 0, r.first < n.due.Load():
		// The first report, a clock that was set back, or an outage since the last report.
	case gap < int64(sameReport):
		return
	default:
		copy(r.gaps[:], r.gaps[1:])
		r.gaps[gapsKept-1] = gap
		r.period.Store(int64(regular(r.gaps)))
	}
	r.first = v
}

// regular returns the median of the gaps, or 0 where there are too few, or the node
// does not report by a clock.
func regular(gaps [gapsKept]int64) time.Duration {
	sorted := gaps
	slices.Sort(sorted[:])
	if sorted[0] <= 0 {
		return 0
	}
	middle := median(sorted)
	early := 0
	var apart [gapsKept]int64
	for i, g := range sorted {
		apart[i] = max(g-middle, middle-g)
		if float64(g) < earlyGap*float64(middle) {
			early++
		}
	}
	slices.Sort(apart[:])
	if early > earlyGaps || float64(median(apart)) > regularSpread*float64(middle) {
		return 0
	}
	return time.Duration(middle)
}

// median returns the median of sorted numbers.
func median(sorted [gapsKept]int64) int64 {
	lo, hi := sorted[gapsKept/2-1], sorted[gapsKept/2]
	return lo + (hi-lo)/2
}

// takeOver merges the reports of o, a record of the same device, into r. The later ones win.
func (r *reports) takeOver(o *reports) {
	o.mu.Lock()
	first, gaps, last, period := o.first, o.gaps, o.last.Load(), o.period.Load()
	o.mu.Unlock()
	r.mu.Lock()
	defer r.mu.Unlock()
	if last > r.last.Load() {
		r.first, r.gaps = first, gaps
		r.last.Store(last)
		r.period.Store(period)
	}
}

// Schedule is what is known of when a node reports.
type Schedule struct {
	Period  time.Duration // between two reports; 0: none is known
	Learned bool          // the period is not configured, but learned
	Last    time.Time     // when the last report arrived; zero if none ever did
	Overdue time.Duration // since the last report, without outages of the radio before it was silent
	Missed  int           // reports in that time
}

// Schedule returns what is known of the reports of n.
func (t *Table) Schedule(n *Node, now time.Time) Schedule {
	s := Schedule{Last: t.clock.time(n.reports.last.Load())}
	s.Period, s.Learned = t.period(n)
	if s.Period > 0 {
		s.Overdue = max(0, t.quiet(n, t.clock.number(now)))
		s.Missed = int(s.Overdue / s.Period)
	}
	return s
}

// period returns the report period of n, 0 where there is none.
func (t *Table) period(n *Node) (d time.Duration, learned bool) {
	if p := n.id.Load().place; p != nil && p.Period > 0 {
		return p.Period, false
	}
	if t.report.Period > 0 {
		return t.report.Period, false
	}
	d = time.Duration(n.reports.period.Load())
	return d, d > 0
}

// quiet returns how long n has been due to report: since its last report or, if it never
// reported, since its last frame. Outages of the radio are excluded.
func (t *Table) quiet(n *Node, at int64) time.Duration {
	counts := n.reports.last.Load()
	if counts == never {
		counts = n.heard.Load()
	}
	from := max(counts, n.due.Load())
	if from == never {
		from = n.since.Load()
	}
	if from == never {
		return 0
	}
	return time.Duration(at - from)
}

// silentAfter is how long a node with a report period must be quiet to be silent.
func (t *Table) silentAfter(period time.Duration) time.Duration {
	return max(time.Duration(t.report.SilentAfter)*period, t.report.SilentLeast)
}

// judge returns the state of n according to its reports: Up, Late or overdue.
func (t *Table) judge(n *Node, at int64) State {
	period, _ := t.period(n)
	if period <= 0 {
		return Up
	}
	switch quiet := t.quiet(n, at); {
	case quiet > t.silentAfter(period):
		return overdue
	case quiet > time.Duration(t.report.LateAfter)*period:
		return Late
	}
	return Up
}

// clockSlack is how far times may lie ahead of the tick: they come from several readings
// of one clock.
const clockSlack = 2 * time.Second

// clampTimes sets times in the future to now. Otherwise a clock that is set back by years
// would keep a dead node up until the clock has caught up.
func (n *Node) clampTimes(at int64) {
	for _, v := range []*atomic.Int64{&n.heard, &n.due, &n.since, &n.reports.last} {
		if was := v.Load(); was > at+int64(clockSlack) {
			v.CompareAndSwap(was, at)
		}
	}
}
