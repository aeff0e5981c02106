package node

import (
	"time"

	"culvert/bridge/ieee802154"
)

// Record is what of a node outlives the daemon.
type Record struct {
	EUI64, Short ieee802154.Addr
	PAN          uint16
	FirstSeen    time.Time
	LastHeard    time.Time
	Addresses    []Address // registered and claimed
}

// Records returns what is to be kept of every node that was ever heard.
func (t *Table) Records() []Record {
	var out []Record
	for n := range t.All() {
		id := n.id.Load()
		if n.State() == Expected {
			continue
		}
		out = append(out, Record{EUI64: id.eui, Short: id.short, PAN: id.pan,
			FirstSeen: n.first, LastHeard: n.LastHeard(), Addresses: id.extra})
	}
	return out
}

// Restore brings back records of an earlier run, into a table that nobody uses
// yet. The nodes are silent until the radio lists them or they are heard, but
// their addresses are theirs. It returns the number of records for which there was
// no room.
func (t *Table) Restore(records []Record, at time.Time) (lost int) {
	for _, r := range records {
		if t.PAN() == 0 && !r.Short.IsNone() {
			t.SetPAN(r.PAN)
		}
		c := t.Attach(Joined{EUI64: r.EUI64, Short: r.Short}, at)
		n := c.Node
		if n == nil {
			lost++
			continue
		}
		n.first = r.FirstSeen
		if !r.LastHeard.IsZero() {
			n.heard.Store(t.clock.number(r.LastHeard))
		}
		setState(n, Silent, at)
		n.gone.Store(true)
		for _, a := range r.Addresses {
			// A bad record costs its address only.
			_ = t.Apply(AddressChange{Link: n.SendTo(), Addr: a.Addr, Origin: a.Origin, Until: a.Until}, a.Since)
		}
	}
	return lost
}
