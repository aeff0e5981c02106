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
	GHC          bool `json:",omitzero"` // it understands generic header compression
	OfferedGHC   bool `json:",omitzero"` // which was offered to it
}

// Records returns what is to be kept of every node that was ever heard.
func (t *Table) Records() []Record {
	var out []Record
	for n := range t.All() {
		if n.State() != Expected {
			out = append(out, n.Record())
		}
	}
	return out
}

// Record returns what is to be kept of one node.
func (n *Node) Record() Record {
	id := n.id.Load()
	return Record{EUI64: id.eui, Short: id.short, PAN: id.pan, FirstSeen: n.first, LastHeard: n.LastHeard(),
		GHC: n.GHC(), OfferedGHC: n.OfferedGHC()}
}

// Restore brings back records of an earlier run, into a table that nobody uses
// yet. The nodes are silent until the radio lists them or they are heard, but
// reachable until it says that they are gone. It returns the number of records for
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
		n.told.Store(0) // it is not the radio that says so
		if !r.LastHeard.IsZero() {
			n.heard.Store(t.clock.number(r.LastHeard))
		}
		if n.State() != Retired {
			setState(n, Silent, at)
		}
	}
	return lost
}
