package node

import (
	"time"

	"culvert/bridge/ieee802154"
)

// Bits of Node.listedLinks.
const (
	listedEUI64 = 1 << iota
	listedShort
)

// linkKinds returns the kinds of link address that the radio listed for the node.
func (j Joined) linkKinds() (bits uint32) {
	if !j.EUI64.IsNone() {
		bits |= listedEUI64
	}
	if !j.Short.IsNone() {
		bits |= listedShort
	}
	return bits
}

// MayAssociate reports whether a node that sends from one of the two link addresses may
// prove that it has both. It returns false if the table already has them as one node, and
// if the radio's list contradicts the claim: it has another short address for the EUI-64,
// another EUI-64 for the short address, or two nodes.
func (t *Table) MayAssociate(from, eui, short ieee802154.Addr) bool {
	if from != eui && from != short || !eui.IsExtended() || !short.IsShort() || !eui.IsNode() || !short.IsNode() ||
		t.IsGateway(eui) || t.IsGateway(short) {
		return false
	}
	a, b := t.ByLink(eui), t.ByLink(short)
	if a == nil && b == nil || a == b { // neither is known, or both are one node already
		return false
	}
	var listedA, listedB uint32
	if a != nil {
		listedA = a.listedLinks.Load()
	}
	if b != nil {
		listedB = b.listedLinks.Load()
	}
	return listedA&listedShort == 0 && listedB&listedEUI64 == 0 && (listedA == 0 || listedB == 0)
}

// Associate records that one node has both an EUI-64 and a short address. The caller has
// verified that the node sends from one and receives at the other; without that proof a
// node could divert another node's packets to itself. If MayAssociate returns false,
// Associate changes nothing.
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
		t.transferAddressesLocked(c.Node, extra)
		c.Node.heard.Store(c.Cut.heard.Load())
		c.Node.SetGHC(c.Cut.GHC())
		c.Node.SetOfferedGHC(c.Cut.OfferedGHC())
		c.Node.reports.takeOver(&c.Cut.reports)
		c.Cut = nil // its record was merged into c.Node
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

// Overdue reports whether n has sent no frame for so long that its configured report
// period makes it silent. Others may then take over its claimed addresses. So a learned
// period does not count, nor a report of the radio that the node is gone, nor time in
// which the radio or the daemon was down.
func (t *Table) Overdue(n *Node, at time.Time) bool {
	period, learned := t.period(n)
	heard := n.heard.Load()
	if period <= 0 || learned || heard == never || n.doubtful() {
		return false
	}
	return time.Duration(t.clock.number(at)-max(heard, n.due.Load())) > t.silentAfter(period)
}
