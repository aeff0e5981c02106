package node

import (
	"time"

	"culvert/bridge/ieee802154"
)

// Record is what of a node outlives the daemon. The addresses that it registered or
// claimed are kept by whoever grants them.
type Record struct {
	EUI64, Short ieee802154.Addr
	PAN          uint16
	FirstSeen    time.Time
	LastHeard    time.Time
	GHC          bool            `json:",omitzero"` // it understands generic header compression
	OfferedGHC   bool            `json:",omitzero"` // which was offered to it
	LastReport   time.Time       `json:",omitzero"`
	Gaps         [gapsKept]int64 `json:",omitzero"` // between its last reports, milliseconds, the oldest first; 0: none
	Overdue      bool            `json:",omitzero"` // it was silent, as its reports did not come
}

// Records returns what is to be kept of every node that was ever heard.
func (t *Table) Records() []Record {
	var out []Record
	for n := range t.All() {
		if n.record() != Expected {
			out = append(out, n.Record())
		}
	}
	return out
}

// Record returns what is to be kept of one node.
func (n *Node) Record() Record {
	id := n.id.Load()
	r := Record{EUI64: id.eui, Short: id.short, PAN: id.pan, FirstSeen: n.first, LastHeard: n.LastHeard(),
		GHC: n.GHC(), OfferedGHC: n.OfferedGHC(), Overdue: State(n.state.Load()) == overdue}
	n.reports.mu.Lock()
	defer n.reports.mu.Unlock()
	r.LastReport = n.clock.time(n.reports.last.Load())
	for i, g := range n.reports.gaps {
		r.Gaps[i] = g / int64(time.Millisecond)
	}
	return r
}

// maxGap bounds a gap between reports that is read from the state: a century.
const maxGap = int64(100 * 365 * 24 * time.Hour / time.Millisecond)

// restoreReports brings back what a record says of a node's reports.
func (n *Node) restoreReports(r Record) {
	x := &n.reports
	x.mu.Lock()
	defer x.mu.Unlock()
	x.last.Store(n.clock.number(r.LastReport))
	x.first = x.last.Load()
	for i, g := range r.Gaps {
		if g > 0 && g <= maxGap {
			x.gaps[i] = g * int64(time.Millisecond)
		}
	}
	x.period.Store(int64(regular(x.gaps)))
}

// Restore brings back records of an earlier run, into a table that nobody uses
// yet. The nodes are silent until the radio lists them or they are heard, but
// reachable until it says that they are gone. One whose reports were overdue is silent
// until it reports. It returns the number of records for
// which there was no room.
func (t *Table) Restore(records []Record, at time.Time) (lost int) {
	for _, r := range records {
		if t.PAN() == 0 && !r.Short.IsNone() {
			t.SetPAN(r.PAN)
		}
		n := t.Attach(Joined{EUI64: r.EUI64, Short: r.Short}, at).Node
		if n == nil {
			lost++
			continue
		}
		n.first = r.FirstSeen
		n.SetGHC(r.GHC)
		n.SetOfferedGHC(r.OfferedGHC)
		n.listedLinks.Store(0) // it is not the radio that says so
		n.listed.Store(false)
		n.confirmedOutage.Store(0)
		since := at
		if !r.LastHeard.IsZero() {
			since = r.LastHeard
			n.heard.Store(t.clock.number(r.LastHeard))
		}
		n.restoreReports(r)
		n.due.Store(t.clock.number(at))
		switch {
		case n.record() == Retired:
		case r.Overdue:
			setState(n, overdue, since)
			n.due.Store(never) // the time that the daemon was away counts: nothing says that it is well
		default:
			setState(n, Silent, since)
		}
	}
	return lost
}
