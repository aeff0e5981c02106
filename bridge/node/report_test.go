package node

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"culvert/bridge/ieee802154"
)

// watched is a table with a passed clock, and what its ticks changed.
type watched struct {
	t       *testing.T
	tab     *Table
	now     time.Time
	changes []string
}

func watch(t *testing.T, o Options) *watched {
	t.Helper()
	return &watched{t: t, tab: table(t, o), now: start}
}

func (w *watched) note(c Change) {
	if c.Node != nil && (c.Was != c.Is || c.Created || c.Removed) {
		word := fmt.Sprintf("%s %v-%v", c.Node.Label(), c.Was, c.Is)
		if c.Removed {
			word = c.Node.Label() + " removed"
		}
		w.changes = append(w.changes, word)
	}
}

// pass lets time go by in steps of a second, as the daemon's ticker does.
func (w *watched) pass(d time.Duration) {
	for end := w.now.Add(d); w.now.Before(end); {
		w.now = w.now.Add(min(time.Second, end.Sub(w.now)))
		w.tab.Tick(w.now, w.note)
	}
}

func (w *watched) frame(n *Node) {
	n.Heard(w.now, -60, 2)
	if n.FrameChangesState() {
		w.note(w.tab.Seen(n, w.now))
	}
	w.note(w.tab.Confirm(n, w.now))
}

func (w *watched) report(n *Node) {
	w.frame(n)
	w.tab.Report(n, w.now)
}

// reports lets n report so often at the given distance.
func (w *watched) reports(n *Node, times int, every time.Duration) {
	for range times {
		w.pass(every)
		w.report(n)
	}
}

func (w *watched) expect(n *Node, s State, status string) {
	w.t.Helper()
	if n.State() != s || w.tab.Status(n, w.now) != status {
		w.t.Errorf("%v %q, want %v %q", n.State(), w.tab.Status(n, w.now), s, status)
	}
}

func mast(r Reporting) Options {
	return Options{Report: r, Places: []Place{{Name: "mast", EUI64: euiA}}}
}

// A node that reports by a clock and is switched off becomes late after two periods and
// silent after ten, but not within five minutes; the period was learned.
func TestLearnedPeriod(t *testing.T) {
	w := watch(t, mast(Reporting{}))
	n := w.tab.ByLabel("mast")
	w.reports(n, gapsKept, 40*time.Second)
	w.pass(time.Hour)
	w.expect(n, Up, "up") // one gap too few to say anything
	w.report(n)
	w.reports(n, gapsKept, 40*time.Second)
	if s := w.tab.Schedule(n, w.now); s.Period != 40*time.Second || !s.Learned || !s.Last.Equal(w.now) {
		t.Fatalf("%+v", s)
	}
	w.pass(80 * time.Second)
	w.expect(n, Up, "up")
	w.pass(time.Second)
	w.expect(n, Late, "late 81 s, 2 reports of 40 s missed")
	w.pass(400*time.Second - 81*time.Second)
	w.expect(n, Late, "late 6 min, 10 reports of 40 s missed")
	w.pass(time.Second)
	w.expect(n, Silent, "silent 6 min, 10 reports of 40 s missed")
	if !n.Reachable() {
		t.Error("silent by its reports alone: it may still be tried")
	}
	w.report(n)
	w.pass(time.Second)
	w.expect(n, Up, "up")
}

// Ten periods of ten seconds are less than five minutes, which silence takes at least;
// both figures and the minimum are the configuration's.
func TestSilentAfterIsSettable(t *testing.T) {
	w := watch(t, mast(Reporting{Period: 10 * time.Second}))
	n := w.tab.ByLabel("mast")
	w.report(n)
	w.pass(5 * time.Minute)
	w.expect(n, Late, "late 5 min, 30 reports of 10 s missed")
	w.pass(time.Second)
	w.expect(n, Silent, "silent 5 min, 30 reports of 10 s missed")

	w = watch(t, mast(Reporting{Period: 10 * time.Second, LateAfter: 3, SilentAfter: 4, SilentLeast: time.Second}))
	n = w.tab.ByLabel("mast")
	w.report(n)
	w.pass(30 * time.Second)
	w.expect(n, Up, "up")
	w.pass(time.Second)
	w.expect(n, Late, "late 31 s, 3 reports of 10 s missed")
	w.pass(10 * time.Second)
	w.expect(n, Silent, "silent 41 s, 4 reports of 10 s missed")
}

// What is due is a report: a node that answers, but reports no more, is late. A node
// that never reports counts by any frame.
func TestOnlyReportsCount(t *testing.T) {
	w := watch(t, mast(Reporting{Period: 10 * time.Second}))
	n := w.tab.ByLabel("mast")
	w.report(n)
	for range 301 {
		w.pass(time.Second)
		w.frame(n)
	}
	w.expect(n, Silent, "silent 5 min, 30 reports of 10 s missed")
	if want := []string{"mast expected-joining", "mast joining-up", "mast up-late", "mast late-silent"}; fmt.Sprint(w.changes) != fmt.Sprint(want) {
		t.Errorf("%v, want %v", w.changes, want)
	}

	w = watch(t, mast(Reporting{Period: 10 * time.Second}))
	n = w.tab.ByLabel("mast")
	for range 301 {
		w.pass(time.Second)
		w.frame(n)
	}
	w.expect(n, Up, "up")
	w.pass(21 * time.Second)
	w.expect(n, Late, "late 21 s, 2 reports of 10 s missed")
	w.frame(n)
	w.expect(n, Up, "up")
}

// A node that reports when something happens has no period: it is never late. Once one
// is configured it is.
func TestIrregularNodeIsNeverLate(t *testing.T) {
	w := watch(t, mast(Reporting{}))
	n := w.tab.ByLabel("mast")
	for _, gap := range []int{5, 300, 40, 1200, 12, 90, 700, 3, 45, 60, 2000} {
		w.reports(n, 1, time.Duration(gap)*time.Second)
	}
	w.pass(26 * time.Hour)
	w.expect(n, Up, "up")
	if s := w.tab.Schedule(n, w.now); s.Period != 0 || s.Missed != 0 {
		t.Errorf("%+v", s)
	}
	w = watch(t, Options{Places: []Place{{Name: "mast", EUI64: euiA, Period: time.Hour}}})
	n = w.tab.ByLabel("mast")
	w.report(n)
	w.pass(2*time.Hour + time.Second)
	w.expect(n, Late, "late 2 h, 2 reports of 1 h missed")
}

// gapsOf draws the gaps between reports in seconds.
func gapsOf(draw func() float64) (g [gapsKept]int64) {
	for i := range g {
		g[i] = int64(draw() * float64(time.Second))
	}
	return g
}

// Of nodes that report by a clock with a jitter of a tenth, and lose a tenth of their
// reports, nearly all are found regular, and their period is right; of those that
// report at random (exponential gaps) nearly none.
func TestRegularGaps(t *testing.T) {
	const draws = 20000
	r := rand.New(rand.NewPCG(1, 2))
	regulars, randoms := 0, 0
	for range draws {
		d := regular(gapsOf(func() float64 {
			lost := 1.0
			for r.Float64() < 0.1 {
				lost++
			}
			return 60 * (lost + 0.1*(2*r.Float64()-1))
		}))
		if d != 0 {
			regulars++
		}
		if d != 0 && (d < 54*time.Second || d > 66*time.Second) && d < 114*time.Second {
			t.Fatalf("a period of %v", d)
		}
		if regular(gapsOf(func() float64 { return 60 * r.ExpFloat64() })) != 0 {
			randoms++
		}
	}
	if regulars < draws*97/100 || randoms > draws/200 {
		t.Errorf("of %d: %d with a clock are regular, %d at random", draws, regulars, randoms)
	}
	t.Logf("of %d: %d with a clock are regular, %d at random", draws, regulars, randoms)
}

// Several messages of one report are one, and the first gap after a time in which
// nobody could hear the node is none.
func TestGapsThatCount(t *testing.T) {
	w := watch(t, mast(Reporting{}))
	n := w.tab.ByLabel("mast")
	for range gapsKept + 1 {
		w.report(n)
		w.pass(400 * time.Millisecond)
		w.report(n)
		w.pass(time.Minute - 400*time.Millisecond)
	}
	if s := w.tab.Schedule(n, w.now); s.Period != time.Minute {
		t.Errorf("two messages a minute: %+v", s)
	}
	before := n.Record().Gaps
	w.tab.RadioDown(w.now)
	w.pass(20 * time.Minute)
	w.tab.BeginSnapshot()
	w.note(w.tab.Attach(Joined{EUI64: euiA}, w.now))
	w.tab.EndSnapshot(w.now, w.note)
	w.report(n)
	if after := n.Record().Gaps; after != before {
		t.Errorf("gaps %v, before the outage %v", after, before)
	}
	w.reports(n, 1, 61*time.Second)
	if after := n.Record().Gaps; after[gapsKept-1] != 61_000 {
		t.Errorf("gaps %v after one more", after)
	}
}

// While the radio is down a node is unknown, and counts as that; when it is back each
// is what the radio says, and reports that nobody could hear are not missed.
func TestUnknownWhileRadioIsDown(t *testing.T) {
	w := watch(t, Options{Report: Reporting{Period: 10 * time.Second}, Places: []Place{
		{Name: "mast", EUI64: euiA}, {Name: "sump", EUI64: euiB}, {Name: "bin", EUI64: eui(7)}, {Name: "bank"}}})
	a, b, c := w.tab.ByLabel("mast"), w.tab.ByLabel("sump"), w.tab.ByLabel("bin")
	for _, n := range []*Node{a, b, c} {
		w.tab.Attach(Joined{EUI64: n.EUI64()}, w.now)
		w.report(n)
	}
	w.note(w.tab.Detach(eui(7), w.now))
	w.pass(15 * time.Second)
	w.changes = nil
	w.tab.RadioDown(w.now)
	w.pass(20 * time.Minute)
	w.expect(a, Unknown, "unknown 20 min, its radio is down")
	w.expect(c, Unknown, "unknown 20 min, its radio is down")
	w.expect(w.tab.ByLabel("bank"), Expected, "expected, never heard")
	if s := w.tab.Stats(); s.Nodes[Unknown] != 3 || s.Nodes[Expected] != 1 || s.Nodes[Up] != 0 {
		t.Errorf("%+v", s)
	}
	if got := w.now.Sub(a.Since()); got != 20*time.Minute {
		t.Errorf("unknown for %v", got)
	}

	// The radio is back, and has not listed anything yet.
	w.tab.BeginSnapshot()
	w.tab.SetPAN(0xbeef)
	w.pass(time.Second)
	w.expect(b, Unknown, "unknown 20 min, its radio is down")
	w.note(w.tab.Attach(Joined{EUI64: euiA}, w.now))
	w.expect(a, Up, "up")
	w.tab.EndSnapshot(w.now, w.note)
	w.expect(b, Silent, "silent 20 min, 121 reports of 10 s missed")
	w.pass(10 * time.Second) // it had missed one report before the outage
	w.expect(a, Up, "up")
	w.pass(time.Second)
	w.expect(a, Late, "late 21 s, 2 reports of 10 s missed")
	if want := []string{"sump up-silent", "mast up-late"}; fmt.Sprint(w.changes) != fmt.Sprint(want) {
		t.Errorf("%v, want %v", w.changes, want)
	}

	// A frame counts as well as a list.
	w.tab.RadioDown(w.now)
	w.tab.BeginSnapshot()
	w.report(b)
	w.expect(b, Up, "up")
	w.expect(a, Unknown, "unknown 0 s, its radio is down")
}

// outage lets the radio go for a time, and then list every node that it listed before.
func (w *watched) outage(d time.Duration) {
	w.tab.RadioDown(w.now)
	w.pass(d)
	w.tab.BeginSnapshot()
	for n := range w.tab.All() {
		w.note(w.tab.Attach(Joined{EUI64: n.EUI64()}, w.now))
	}
	w.tab.EndSnapshot(w.now, w.note)
}

// A node that was silent before the radio went down is silent when it is back: that the
// radio lists it, or a frame of it comes, is no report. One that was well gets as long
// as ever, however long the outage was.
func TestSilentBeforeOutage(t *testing.T) {
	for _, period := range []time.Duration{time.Second, 7 * time.Second, time.Hour} {
		o := mast(Reporting{Period: period})
		o.Places = append(o.Places, Place{Name: "sump", EUI64: euiB})
		w := watch(t, o)
		dead, well := w.tab.ByLabel("mast"), w.tab.ByLabel("sump")
		for _, n := range []*Node{dead, well} {
			w.tab.Attach(Joined{EUI64: n.EUI64()}, w.now)
			w.report(n)
		}
		for w.now.Sub(start) <= w.tab.silentAfter(period) {
			w.reports(well, 1, period)
		}
		if dead.State() != Silent || well.State() != Up {
			t.Fatalf("%v: before the outage %v and %v", period, dead.State(), well.State())
		}
		w.pass(period - time.Second/2)
		w.changes = nil
		w.outage(20 * period)
		if dead.State() != Silent || well.State() != Up {
			t.Errorf("%v: after the outage %v and %v", period, dead.State(), well.State())
		}
		w.frame(dead)
		w.pass(2 * period)
		if dead.State() != Silent || well.State() != Up {
			t.Errorf("%v: two periods later %v and %v", period, dead.State(), well.State())
		}
		w.report(dead)
		w.report(well)
		w.pass(period)
		if want := []string{"mast silent-up"}; fmt.Sprint(w.changes) != fmt.Sprint(want) {
			t.Errorf("%v: %v, want %v", period, w.changes, want)
		}
	}
}

// A radio that goes down again and again does not keep a dead node up.
func TestSilentOverManyOutages(t *testing.T) {
	w := watch(t, mast(Reporting{Period: time.Minute}))
	n := w.tab.ByLabel("mast")
	w.tab.Attach(Joined{EUI64: euiA}, w.now)
	w.report(n)
	for range 4 {
		w.pass(3 * time.Minute)
		w.outage(30 * time.Second)
	}
	w.expect(n, Silent, "silent 12 min, 12 reports of 1 min missed")
}

// What was silent by its reports is silent after a restart of the daemon, until it
// reports: that its radio still lists it says nothing new.
func TestSilentOverRestart(t *testing.T) {
	w := watch(t, mast(Reporting{Period: time.Minute}))
	n := w.tab.ByLabel("mast")
	w.tab.Attach(Joined{EUI64: euiA}, w.now)
	w.report(n)
	w.pass(11 * time.Minute)
	records := w.tab.Records()
	w.tab = table(t, mast(Reporting{Period: time.Minute}))
	w.tab.Restore(records, w.now)
	n = w.tab.ByLabel("mast")
	w.outage(5 * time.Second)
	w.frame(n)
	w.pass(time.Second)
	w.expect(n, Silent, "silent 11 min, 11 reports of 1 min missed")
	w.report(n)
	w.pass(time.Second)
	w.expect(n, Up, "up")
}

// A radio that lists a node again and again does not make it up: its reports are
// overdue as before. One that left and came back gets its time.
func TestListedAgainIsStillSilent(t *testing.T) {
	w := watch(t, mast(Reporting{Period: time.Minute}))
	n := w.tab.ByLabel("mast")
	w.tab.Attach(Joined{EUI64: euiA}, w.now)
	w.expect(n, Joining, "joining, not heard yet")
	w.report(n)
	w.pass(11 * time.Minute)
	w.note(w.tab.Attach(Joined{EUI64: euiA}, w.now))
	w.expect(n, Silent, "silent 11 min, 11 reports of 1 min missed")
	w.note(w.tab.Detach(euiA, w.now))
	w.expect(n, Silent, "silent 11 min, 11 reports of 1 min missed")
	w.note(w.tab.Attach(Joined{EUI64: euiA}, w.now))
	w.pass(2 * time.Minute)
	w.expect(n, Up, "up")
	w.pass(time.Second)
	w.expect(n, Late, "late 2 min, 2 reports of 1 min missed")
}

// A node that the radio lists and that never sends a frame is never up; where it should
// report, it becomes silent. It is not forgotten as long as the radio lists it.
func TestNeverHeardIsNotUp(t *testing.T) {
	w := watch(t, Options{})
	n := w.tab.Attach(Joined{EUI64: euiA}, w.now).Node
	w.pass(30 * time.Hour)
	w.expect(n, Joining, "joining, not heard yet")
	if n.Removed() {
		t.Error("forgotten, though the radio lists it")
	}
	w.frame(n)
	w.expect(n, Up, "up")

	w = watch(t, mast(Reporting{Period: time.Minute}))
	n = w.tab.Attach(Joined{EUI64: euiA}, w.now).Node
	w.pass(10 * time.Minute)
	w.expect(n, Joining, "joining, not heard yet")
	w.pass(time.Second)
	w.expect(n, Silent, "silent 10 min, 10 reports of 1 min missed")
	w.frame(n)
	w.expect(n, Up, "up")
}

// A clock that is set back does not keep a dead node up until it has caught up. (A
// clock that has a monotonic reading, as the daemon's own, never jumps here.)
func TestClockSetBack(t *testing.T) {
	w := watch(t, mast(Reporting{Period: time.Minute}))
	n := w.tab.ByLabel("mast")
	w.report(n)
	w.now = w.now.Add(-24 * 365 * time.Hour)
	w.pass(2*time.Minute + 2*time.Second)
	w.expect(n, Late, "late 2 min, 2 reports of 1 min missed")
	w.pass(9 * time.Minute)
	w.expect(n, Silent, "silent 11 min, 11 reports of 1 min missed")
}

// The gaps come back with the records of an earlier run, the period with them; the time
// in which the daemon was away is none.
func TestReportsAreKept(t *testing.T) {
	w := watch(t, mast(Reporting{}))
	n := w.tab.ByLabel("mast")
	w.reports(n, gapsKept+1, 40*time.Second)
	r := n.Record()
	if r.LastReport != w.now || r.Gaps != [gapsKept]int64{40000, 40000, 40000, 40000, 40000, 40000, 40000, 40000} {
		t.Errorf("%+v", r)
	}
	later := w.now.Add(3 * time.Hour)
	tab, err := New(Options{Prefix: prefix, Start: later, Places: []Place{{Name: "mast", EUI64: euiA}}})
	if err != nil {
		t.Fatal(err)
	}
	v := &watched{t: t, tab: tab, now: later}
	tab.Restore([]Record{r, {EUI64: euiB, Gaps: [gapsKept]int64{-1, 1 << 62, 5}}}, later)
	tab.RadioDown(later)
	n = tab.ByLabel("mast")
	v.expect(n, Unknown, "unknown 0 s, its radio is down")
	tab.BeginSnapshot()
	tab.Attach(Joined{EUI64: euiA}, later)
	tab.EndSnapshot(later, v.note)
	v.pass(80 * time.Second)
	v.expect(n, Up, "up")
	v.report(n)
	if got := n.Record().Gaps; got != r.Gaps {
		t.Errorf("gaps %v", got)
	}
	v.pass(81 * time.Second)
	v.expect(n, Late, "late 81 s, 2 reports of 40 s missed")
}

// A device that stands at no place and was silent for a day is forgotten, with the
// addresses that it had; a place never is.
func TestUnplacedAreForgotten(t *testing.T) {
	w := watch(t, mast(Reporting{}))
	n, stranger := w.tab.ByLabel("mast"), w.tab.Learn(euiB, w.now).Node
	w.frame(n)
	w.frame(stranger)
	listed := w.tab.Attach(Joined{EUI64: eui(7)}, w.now).Node
	w.frame(listed)
	x := addr("2001:db8:0:1::77")
	if err := w.tab.AddAddress(euiB, x, Registered, w.now); err != nil {
		t.Fatal(err)
	}
	w.changes = nil
	w.now = w.now.Add(24*time.Hour - time.Second)
	w.pass(time.Second)
	if stranger.Removed() {
		t.Fatal("forgotten too early")
	}
	w.pass(time.Second)
	if !stranger.Removed() || w.tab.ByLink(euiB) != nil || w.tab.ByAddress(x) != nil || w.tab.extras.Load() != 0 {
		t.Error("still there after a day")
	}
	if n.Removed() || listed.Removed() {
		t.Error("a place, or a node that the radio lists, was forgotten")
	}
	if want := []string{euiB.String() + " removed"}; fmt.Sprint(w.changes) != fmt.Sprint(want) {
		t.Errorf("%v, want %v", w.changes, want)
	}

	// Strangers of earlier runs: not before the radio has been up for a while.
	tab, err := New(Options{Prefix: prefix, Start: start})
	if err != nil {
		t.Fatal(err)
	}
	v := &watched{t: t, tab: tab, now: start}
	tab.Restore([]Record{{EUI64: euiA, LastHeard: start.Add(-30 * time.Hour)}}, start)
	tab.RadioDown(start)
	v.pass(2 * time.Hour)
	old := tab.ByLink(euiA)
	if old == nil {
		t.Fatal("forgotten while the radio was down")
	}
	tab.BeginSnapshot()
	tab.EndSnapshot(v.now, v.note)
	v.pass(forgetGrace)
	if old.Removed() {
		t.Fatal("forgotten before it had time to be heard")
	}
	v.pass(time.Second)
	if !old.Removed() {
		t.Error("still there")
	}
}

// Strangers are devices without a place where there are places, admitted or not.
func TestStrangers(t *testing.T) {
	for _, c := range []struct {
		o         Options
		strangers int
		unserved  int
	}{
		{Options{}, 0, 0},
		{mast(Reporting{}), 1, 0},
		{Options{Admit: AdmitListed, Places: mast(Reporting{}).Places}, 1, 1},
		{Options{Admit: AdmitListed}, 2, 2},
	} {
		tab := table(t, c.o)
		tab.Learn(euiA, start)
		tab.Learn(euiB, start)
		if s := tab.Stats(); s.Strangers != c.strangers || s.Unserved != c.unserved {
			t.Errorf("admit %d, %d places: %+v", c.o.Admit, len(c.o.Places), s)
		}
	}
}

// Forget ends a record; the device makes a new one, and a place is expected again.
func TestForget(t *testing.T) {
	w := watch(t, mast(Reporting{}))
	n, stranger := w.tab.ByLabel("mast"), w.tab.Learn(euiB, w.now).Node
	w.reports(n, gapsKept+1, 40*time.Second)
	w.frame(stranger)
	if !w.tab.Forget(stranger) || w.tab.ByLink(euiB) != nil || w.tab.Forget(stranger) {
		t.Error("the stranger is still there")
	}
	if !w.tab.Forget(n) || !n.Removed() {
		t.Error("the device of the place is still there")
	}
	n = w.tab.ByLabel("mast")
	if n == nil || n.EUI64() != euiA || !n.Admitted() || w.tab.ByLink(euiA) != n {
		t.Fatal("the place is gone")
	}
	w.expect(n, Expected, "expected, never heard")
	if s := w.tab.Schedule(n, w.now); s.Period != 0 {
		t.Errorf("what was learned stays: %+v", s)
	}
	w.frame(n)
	w.expect(n, Up, "up")
}

// The radio says once which short address a node has. A node that is forgotten while the
// radio lists it is the same one, with the same address, when its next frame comes from
// the short address alone.
func TestForgetListed(t *testing.T) {
	o := mast(Reporting{})
	o.Admit = AdmitListed
	w := watch(t, o)
	for i, eui := range []ieee802154.Addr{euiA, euiB} {
		short := ieee802154.Short(uint16(8 + i))
		n := w.tab.Attach(Joined{EUI64: eui, Short: short, Parents: [2]ieee802154.Addr{eui}, Hops: 2}, w.now).Node
		w.report(n)
		label, admitted := n.Label(), n.Admitted()
		if !w.tab.Forget(n) || !n.Removed() {
			t.Fatal("not forgotten")
		}
		n = w.tab.Learn(short, w.now).Node
		if n.Label() != label || n.EUI64() != eui || n.Admitted() != admitted || n.Hops() != 2 || !n.LastHeard().IsZero() {
			t.Errorf("%s is %s after that, admitted %v, heard %v", label, n.Label(), n.Admitted(), n.LastHeard())
		}
		w.frame(n)
		w.expect(n, Up, "up")
	}
	// One that is gone, or whose reports do not come, does not come back by itself.
	n := w.tab.ByLink(euiB)
	w.note(w.tab.Detach(euiB, w.now))
	if w.tab.Forget(n); w.tab.ByLink(euiB) != nil {
		t.Error("a stranger that is gone is still there")
	}
}

// The signal is that of the node's own link to its parent, and the parents have names.
func TestParentSignal(t *testing.T) {
	tab := table(t, Options{Places: []Place{{Name: "mast", EUI64: euiA}}})
	gw := eui(1)
	tab.SetGateway(gw, ieee802154.Short(0))
	far := tab.Attach(Joined{EUI64: euiB, Short: ieee802154.Short(6), Parents: [2]ieee802154.Addr{ieee802154.Short(5), gw}, Hops: 2}, start).Node
	near := tab.Attach(Joined{EUI64: euiA, Short: ieee802154.Short(5), Parents: [2]ieee802154.Addr{ieee802154.Short(0), eui(99)}, Hops: 1}, start).Node
	far.Heard(start, -44, 2) // the gateway's last hop
	if s := tab.ParentSignal(far); s != 0 {
		t.Errorf("%d dBm without statistics", s)
	}
	tab.SetLink(euiB, gw, Link{Signal: -99})   // to another neighbour
	tab.SetLink(euiA, euiB, Link{Signal: -70}) // from its parent
	if s := tab.ParentSignal(far); s != -70 {
		t.Errorf("%d dBm, want that of the other direction, -70", s)
	}
	tab.SetLink(euiB, euiA, Link{Channel: 26, Signal: -81})
	tab.SetLink(euiB, euiA, Link{Signal: -80})
	tab.SetLink(euiB, euiA, Link{Channel: 11, Signal: -82})
	if s := tab.ParentSignal(far); s != -80 {
		t.Errorf("%d dBm, want -80", s)
	}
	tab.SetLink(ieee802154.Short(5), gw, Link{Signal: -55})
	if s := tab.ParentSignal(near); s != -55 {
		t.Errorf("%d dBm to the gateway, want -55", s)
	}
	if got := fmt.Sprint(tab.ParentLabels(far), tab.ParentLabels(near)); got != "[mast gateway] [gateway "+eui(99).String()+"]" {
		t.Error(got)
	}
}

func TestSpans(t *testing.T) {
	for d, want := range map[time.Duration]string{-1: "0 s", 119 * time.Second: "119 s", 4 * time.Minute: "4 min", 2 * time.Hour: "2 h", 49 * time.Hour: "2 days"} {
		if got := Span(d); got != want {
			t.Errorf("%v: %q", d, got)
		}
	}
	for d, want := range map[time.Duration]string{10*time.Second + 40*time.Millisecond: "10 s", 90 * time.Second: "90 s", 59800 * time.Millisecond: "1 min",
		15*time.Minute + 2*time.Second: "15 min", 2 * time.Hour: "2 h", 1: "1 s"} {
		if got := PeriodText(d); got != want {
			t.Errorf("%v: %q", d, got)
		}
	}
}
