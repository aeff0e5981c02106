package node

import (
	"slices"
	"time"

	"culvert/bridge/ieee802154"
)

// Change describes the effect of an event on the table, for the log.
type Change struct {
	Node    *Node // nil if the event changed nothing, or there was no room
	Was, Is State
	Created bool
	Removed bool // the record left the table
	// Cut is the node that lost the short address which Node has now; nil if none
	// did. It may have left the table by that.
	Cut *Node
}

// Joined is a node that the radio reports as part of the mesh.
type Joined struct {
	EUI64   ieee802154.Addr // none if the radio does not know it
	Short   ieee802154.Addr // none if it has none
	Parents [2]ieee802154.Addr
	Hops    uint8 // 0 is unknown
}

// Learn returns the node with the link address a, which it adds in state joining
// on first sight. The Node is nil for an address that no single node can have and
// when the table is full.
func (t *Table) Learn(a ieee802154.Addr, at time.Time) Change {
	if n := t.ByLink(a); n != nil || !a.IsNode() || t.IsGateway(a) {
		return Change{Node: n}
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if n := t.ByLink(a); n != nil {
		return Change{Node: n}
	}
	id := identity{admitted: t.admit == AdmitAny}
	if a.IsShort() {
		id.short, id.pan = a, t.PAN()
	} else {
		id.eui = a
	}
	n := t.addLocked(t.outOfServiceLocked(id), at)
	if n == nil {
		return Change{}
	}
	is := Joining
	if t.retiredLocked(n) {
		is = Retired
	}
	setState(n, is, at)
	return Change{Node: n, Was: is, Is: is, Created: true}
}

// Seen records the arrival of a frame of n: a node that was expected becomes joining, one
// that the radio had listed, or that was silent, becomes up. A node with overdue reports
// stays overdue until it reports; an outage of the radio does not change that. The packet
// path calls Seen after Heard if FrameChangesState returns true.
func (t *Table) Seen(n *Node, at time.Time) Change {
	back := n.gone.Swap(false)
	settled := n.settle()
	was := State(n.state.Load())
	switch was {
	case Expected:
		return change(n, was, Joining, at)
	case Joining:
		if !n.listed.Load() {
			return Change{}
		}
	case Late, overdue:
		if !back && n.reports.last.Load() != never {
			if settled {
				t.skipOutage(n, at)
			}
			return Change{}
		}
	case Silent:
	case Up:
		if back {
			n.due.Store(n.clock.number(at))
		} else if settled {
			t.skipOutage(n, at)
		}
		return Change{}
	default:
		return Change{}
	}
	n.due.Store(n.clock.number(at))
	return change(n, was.word(), Up, at)
}

// FrameChangesState reports whether the next frame of n may change its state: n is
// expected, listed but never heard, late, silent or gone, or its radio was down.
func (n *Node) FrameChangesState() bool {
	switch State(n.state.Load()) {
	case Expected, Late, Silent, overdue:
		return true
	case Joining:
		if n.listed.Load() {
			return true
		}
	}
	return n.gone.Load() || n.doubtful()
}

// Confirm records that a packet of n with one of its own source addresses was accepted.
func (t *Table) Confirm(n *Node, at time.Time) Change {
	if s := n.record(); s == Joining || s == Expected {
		n.due.Store(n.clock.number(at))
		return change(n, s, Up, at)
	}
	return Change{}
}

// Attach records a node that joined, or that the radio listed. Its state is up if a frame
// of it was ever received, else joining. A short address that another node had is removed
// from that node at once.
func (t *Table) Attach(j Joined, at time.Time) Change {
	if !j.EUI64.IsExtended() || !j.EUI64.IsNode() {
		j.EUI64 = ieee802154.Addr{}
	}
	if !j.Short.IsShort() || !j.Short.IsNode() {
		j.Short = ieee802154.Addr{}
	}
	if j.EUI64.IsNone() && j.Short.IsNone() {
		return Change{}
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	c := t.joinLocked(j, at)
	n := c.Node
	if n == nil {
		return c
	}
	n.epoch = t.epoch
	back := n.gone.Swap(false)
	first := !n.listed.Swap(true)
	settled := n.settle()
	back = back || first && !settled
	n.listedLinks.Store(j.linkKinds())
	if j.Parents != n.Parents() {
		n.parents.Store(&j.Parents)
	}
	if j.Hops != 0 {
		n.hops.Store(uint32(j.Hops))
	}
	was := State(n.state.Load())
	c.Was, c.Is = was.word(), Up
	switch {
	case t.retiredLocked(n):
		c.Is = Retired
	case n.heard.Load() == never && was != Up:
		c.Is = Joining
	case (was == Late || was == overdue) && !back:
		if c.Is = c.Was; settled { // its reports are overdue as before
			t.skipOutage(n, at)
		}
		return c
	}
	if back {
		n.due.Store(n.clock.number(at))
	} else if settled {
		t.skipOutage(n, at)
	}
	if was != c.Is {
		setState(n, c.Is, at)
	}
	return c
}

// joinLocked finds or creates the record of j and gives it both link addresses. The Node
// is nil if the table is full.
func (t *Table) joinLocked(j Joined, at time.Time) (c Change) {
	n, holder := t.ByLink(j.EUI64), t.ByLink(j.Short)
	if j.EUI64.IsNone() {
		n = holder
	}
	if n == nil && holder != nil && holder.EUI64().IsNone() {
		n = holder // only frames from its short address were seen so far
	}
	if holder != nil && holder != n {
		t.cutLocked(holder)
		c.Cut = holder
	}
	if n == nil {
		if n = t.addLocked(t.identityLocked(identity{}, j), at); n == nil {
			return c
		}
		setState(n, Joining, at)
		c.Created = true
	} else if id := t.identityLocked(*n.id.Load(), j); id.eui != n.EUI64() || id.short != n.Short() || id.pan != n.PAN() {
		t.bindLocked(n, id)
	}
	c.Node, c.Was, c.Is = n, n.record(), n.record()
	return c
}

// transferAddressesLocked moves the registered and claimed addresses of a record that was
// merged into n to n, up to maxAddresses.
func (t *Table) transferAddressesLocked(n *Node, extra []Address) {
	if len(extra) == 0 {
		return
	}
	id := *n.id.Load()
	id.extra = slices.Clone(id.extra)
	for _, a := range extra {
		if len(id.extra) < maxAddresses && t.ByAddress(a.Addr) == nil {
			id.extra = append(id.extra, a)
			t.addr.set(a.Addr, n)
			t.extras.Add(1)
		}
	}
	n.id.Store(&id)
}

// identityLocked returns id updated from j, with its place and admission.
func (t *Table) identityLocked(id identity, j Joined) identity {
	if !j.EUI64.IsNone() {
		id.eui = j.EUI64
	}
	id.short, id.pan = j.Short, 0
	if !j.Short.IsNone() {
		id.pan = t.PAN()
	}
	if v, ok := id.eui.EUI64(); ok && id.place == nil {
		id.place = t.places[v]
	}
	id.admitted = id.place != nil || t.admit == AdmitAny
	return t.outOfServiceLocked(id)
}

// cutLocked removes the short address from n. A record without EUI-64 and place is removed.
func (t *Table) cutLocked(n *Node) {
	id := *n.id.Load()
	if id.eui.IsNone() && id.place == nil {
		t.removeLocked(n)
		return
	}
	id.short, id.pan = ieee802154.Addr{}, 0
	n.listedLinks.Store(n.listedLinks.Load() &^ listedShort)
	t.bindLocked(n, id)
}

// Detach records that the radio reported the node with link address a as detached.
func (t *Table) Detach(a ieee802154.Addr, at time.Time) Change {
	n := t.ByLink(a)
	if n == nil {
		return Change{}
	}
	return t.markGone(n, at)
}

func (t *Table) markGone(n *Node, at time.Time) Change {
	n.gone.Store(true)
	n.listedLinks.Store(0)
	n.listed.Store(false)
	n.settle()
	switch s := State(n.state.Load()); s {
	case Joining, Up, Late:
		return change(n, s, Silent, at)
	case overdue:
		n.state.CompareAndSwap(uint32(overdue), uint32(Silent))
	}
	return Change{}
}

// SetParents records new parents, and the hop count where it is not 0.
func (t *Table) SetParents(a ieee802154.Addr, parents [2]ieee802154.Addr, hops uint8) Change {
	n := t.ByLink(a)
	if n == nil {
		return Change{}
	}
	n.parents.Store(&parents)
	if hops != 0 {
		n.hops.Store(uint32(hops))
	}
	return Change{Node: n, Was: n.record(), Is: n.record()}
}

// SetBattery records the supply of a node: millivolts (0 is unknown) and percent
// (255 is unknown).
func (t *Table) SetBattery(a ieee802154.Addr, millivolts uint16, percent uint8) {
	if n := t.ByLink(a); n != nil {
		n.battery.Store(uint32(millivolts)<<8 | uint32(percent))
	}
}

// SetLink records what the radio counted on the link from one address to another,
// at each end that is a node.
func (t *Table) SetLink(from, to ieee802154.Addr, l Link) {
	for _, end := range [...]struct {
		node, peer ieee802154.Addr
		fromNode   bool
	}{{from, to, true}, {to, from, false}} {
		if n := t.ByLink(end.node); n != nil {
			l.Peer, l.FromNode = end.peer, end.fromNode
			n.setLink(l)
		}
	}
}

func (n *Node) setLink(l Link) {
	n.linkMu.Lock()
	defer n.linkMu.Unlock()
	for i := range n.links {
		if o := &n.links[i]; o.Peer == l.Peer && o.FromNode == l.FromNode && o.Channel == l.Channel {
			*o = l
			return
		}
	}
	if len(n.links) == maxLinks { // the oldest makes room
		copy(n.links, n.links[1:])
		n.links = n.links[:maxLinks-1]
	}
	n.links = append(n.links, l)
}

// SetPAN records the PAN that the radio is in. A change cuts every short address.
func (t *Table) SetPAN(pan uint16) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.pan.Load() == uint32(pan) {
		return
	}
	t.pan.Store(uint32(pan))
	for i := range t.short {
		if n := t.short[i].Load(); n != nil {
			t.cutLocked(n)
		}
	}
}

// RadioDown records the beginning of an outage of the radio. Nodes are unknown until the
// radio lists them or a frame of theirs is received.
func (t *Table) RadioDown(at time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.radio.outage.Load() == 0 { // else the outage goes on
		t.radio.since.Store(t.clock.number(at))
	}
	t.outages++
	t.radio.outage.Store(t.outages)
}

// skipOutage excludes the outage of the radio that has just ended from the time in which n
// was due to report: reports that could not be received are not missed. Whole periods
// missed before the outage still count; otherwise a radio with frequent outages would keep
// a dead node up. A node that was already silent stays so.
func (t *Table) skipOutage(n *Node, at time.Time) {
	if State(n.state.Load()) == overdue {
		return
	}
	now := n.clock.number(at)
	missed := time.Duration(0)
	if period, _ := t.period(n); period > 0 {
		missed = t.quiet(n, t.radio.since.Load()) / period * period
	}
	n.due.Store(now - int64(max(0, missed)))
}

// BeginSnapshot starts a list of all attached nodes, which the radio sends when it comes up.
func (t *Table) BeginSnapshot() {
	t.mu.Lock()
	t.epoch++
	t.mu.Unlock()
}

// EndSnapshot ends the list. Nodes that are not in it become silent; changed is called for
// each.
func (t *Table) EndSnapshot(at time.Time, changed func(Change)) {
	var gone []Change
	t.mu.Lock()
	for _, n := range t.nodes {
		if n != nil && n.epoch != t.epoch {
			if c := t.markGone(n, at); c.Node != nil {
				gone = append(gone, c)
			}
		}
	}
	t.settled.Store(t.clock.number(at))
	t.radio.outage.Store(0)
	t.mu.Unlock()
	for _, c := range gone {
		changed(c)
	}
}

func change(n *Node, was, is State, at time.Time) Change {
	setState(n, is, at)
	return Change{Node: n, Was: was, Is: is}
}

func setState(n *Node, s State, at time.Time) {
	n.state.Store(uint32(s))
	n.since.Store(n.clock.number(at))
}
