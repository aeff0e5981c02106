package node

import (
	"time"

	"culvert/bridge/ieee802154"
)

// Which link addresses of a node the radio itself told.
const (
	toldEUI = 1 << iota
	toldShort
)

// told says which link addresses the radio told of a node that it listed.
func (j Joined) told() (bits uint32) {
	if !j.EUI64.IsNone() {
		bits |= toldEUI
	}
	if !j.Short.IsNone() {
		bits |= toldShort
	}
	return bits
}

// MayAssociate reports whether a node that sends from one of the two link addresses
// may show that both are its own. It may not where they are known to be one node's
// already, and where the radio has listed otherwise: another short address for the
// EUI-64, another EUI-64 for the short address, or two nodes.
func (t *Table) MayAssociate(from, eui, short ieee802154.Addr) bool {
	if from != eui && from != short || !eui.IsExtended() || !short.IsShort() || !eui.IsNode() || !short.IsNode() ||
		t.IsGateway(eui) || t.IsGateway(short) {
		return false
	}
	a, b := t.ByLink(eui), t.ByLink(short)
	if a == nil && b == nil || a == b { // nobody sent, or nothing new
		return false
	}
	var listedA, listedB uint32
	if a != nil {
		listedA = a.told.Load()
	}
	if b != nil {
		listedB = b.told.Load()
	}
	return listedA&toldShort == 0 && listedB&toldEUI == 0 && (listedA == 0 || listedB == 0)
}

// Associate records that an EUI-64 and a short address are one node's, which sends
// from one of them and has shown that it receives at the other: its word alone would
// let it draw another node's packets to itself. Where MayAssociate does not hold
// nothing changes.
func (t *Table) Associate(from, eui, short ieee802154.Addr, at time.Time) Change {
	t.mu.Lock()
	defer t.mu.Unlock()
	if !t.MayAssociate(from, eui, short) {
		return Change{}
	}
	var extra []Address
	if b := t.ByLink(short); b != nil && b.EUI64().IsNone() {
		extra = b.id.Load().extra // the same node as long as only its short address was known
	}
	c := t.joinLocked(Joined{EUI64: eui, Short: short}, at)
	if c.Cut != nil && c.Cut.removed.Load() && c.Node != nil {
		t.giveLocked(c.Node, extra)
		c.Node.heard.Store(c.Cut.heard.Load())
		c.Node.SetGHC(c.Cut.GHC())
		c.Node.SetOfferedGHC(c.Cut.OfferedGHC())
		c.Node.reports.takeOver(&c.Cut.reports)
		c.Cut = nil // it went on as c.Node
	}
	if c.Node != nil {
		c.Node.gone.Store(false)
		c.Node.settle()
		if s := c.Node.record(); s == Expected || s == Late || s == Silent {
			c.Is = Joining
			setState(c.Node, Joining, at)
		}
	}
	return c
}

// Overdue reports whether no frame of n came for as long as makes a node silent, by
// its configured report period. A learned period is not enough to take something from
// a node, nor is the radio's word that it is gone, nor that nobody could hear it: the
// radio was down, or the daemon.
func (t *Table) Overdue(n *Node, at time.Time) bool {
	period, learned := t.period(n)
	heard := n.heard.Load()
	if period <= 0 || learned || heard == never || n.doubtful() {
		return false
	}
	return time.Duration(t.clock.number(at)-max(heard, n.due.Load())) > t.silentAfter(period)
}
