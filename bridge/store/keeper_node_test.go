package store

import (
	"path/filepath"
	"testing"
	"time"

	"culvert/bridge/node"
)

// What is kept of a node's reports is there at the next start, and its times are those
// of the store's clock: a wall clock that jumped between does not move them.
func TestReportsOutliveTheDaemon(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state.db")
	start := time.Now()
	x := openKeeping(t, path, start)
	n := x.table.Learn(keptNode, start).Node
	for range 10 {
		x.now = x.now.Add(40 * time.Second)
		n.Heard(x.now, 0, 0)
		x.table.Report(n, x.now)
	}
	if err := x.k.sweep(0); err != nil {
		t.Fatal(err)
	}
	x.store.Close()

	y := openKeeping(t, path, start.Round(0).Add(365*24*time.Hour)) // the machine's clock since boot went on by nothing
	n = y.table.ByLink(keptNode)
	if n == nil {
		t.Fatal("the node is gone")
	}
	if s := y.table.Schedule(n, y.now); s.Period != 40*time.Second || !s.Learned {
		t.Errorf("%+v", s)
	}
	if d := y.now.Sub(n.LastHeard()); d < -10*time.Minute || d > 10*time.Minute {
		t.Errorf("last heard %v ago", d)
	}
	if y.table.Tick(y.now, func(node.Change) {}); n.Removed() {
		t.Error("forgotten, because the clock jumped")
	}
	// What is forgotten is gone from the disk.
	y.table.Forget(n)
	if err := y.k.sweep(heardEvery); err != nil {
		t.Fatal(err)
	}
	y.store.Close()
	if z := openKeeping(t, path, start); z.table.ByLink(keptNode) != nil {
		t.Error("it came back")
	}
}

// That a node is silent by its reports is written at once, and not only when the daemon
// stops: it may be killed.
func TestSilenceIsKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state.db")
	x := openKeeping(t, path, time.Now())
	n := x.table.Learn(keptNode, x.now).Node
	x.table.Attach(node.Joined{EUI64: keptNode}, x.now)
	n.Heard(x.now, 0, 0)
	x.table.Confirm(n, x.now)
	for range 10 {
		x.now = x.now.Add(40 * time.Second)
		n.Heard(x.now, 0, 0)
		x.table.Report(n, x.now)
	}
	sweep := func() {
		t.Helper()
		if err := x.k.sweep(heardEvery); err != nil {
			t.Fatal(err)
		}
	}
	sweep()
	x.now = x.now.Add(10 * time.Minute)
	x.table.Tick(x.now, func(node.Change) {})
	sweep()
	x.store.Close()

	y := openKeeping(t, path, x.now)
	n = y.table.ByLink(keptNode)
	y.table.RadioDown(y.now)
	y.table.BeginSnapshot()
	y.table.Attach(node.Joined{EUI64: keptNode}, y.now)
	y.table.EndSnapshot(y.now, func(node.Change) {})
	if n.State() != node.Silent {
		t.Errorf("%v: %q", n.State(), y.table.Status(n, y.now))
	}
}
