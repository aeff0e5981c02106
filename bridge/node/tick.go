package node

import "time"

// Tick updates the states: it makes nodes late, silent or up again, by their report
// periods. It removes nodes without a place that were silent for a day, and after ten
// minutes those that are still joining and have only derived addresses. Call it about once
// a second; it calls changed for each change.
func (t *Table) Tick(now time.Time, changed func(Change)) {
	t.clock.rebase(now)
	at := t.clock.number(now)
	var forget []*Node
	for n := range t.All() {
		n.clampTimes(at)
		if n.doubtful() {
			continue // no report could be received while its radio was down
		}
		if t.forgettable(n, at) {
			forget = append(forget, n)
			continue
		}
		was := State(n.state.Load())
		is := was
		switch was {
		case Up, Late, overdue:
			is = t.judge(n, at)
		case Joining: // that the radio lists
			if n.listed.Load() && t.judge(n, at) == overdue {
				is = overdue
			}
		}
		if is != was && n.state.CompareAndSwap(uint32(was), uint32(is)) {
			n.since.Store(at)
			changed(Change{Node: n, Was: was.word(), Is: is.word()})
		}
	}
	for _, n := range forget {
		if was := n.record(); t.forget(n, func() bool { return t.forgettable(n, at) }) {
			changed(Change{Node: n, Was: was, Is: was, Removed: true})
		}
	}
}

// word returns the state that others see.
func (s State) word() State {
	if s == overdue {
		return Silent
	}
	return s
}

// forgettable reports whether the record of n may be removed: n has no place and was not
// heard for long enough. A node that the radio lists is kept unless its reports are overdue.
func (t *Table) forgettable(n *Node, at int64) bool {
	id := n.id.Load()
	s := State(n.state.Load())
	if id.place != nil || s == Retired || s == Expected || n.listed.Load() && s != overdue {
		return false
	}
	quiet := time.Duration(at - max(n.heard.Load(), n.since.Load()))
	if s == Joining && len(id.extra) == 0 && quiet > forgetJoining {
		return true
	}
	return quiet > forgetUnplaced && time.Duration(at-t.settled.Load()) > forgetGrace
}

// forget removes the record of n if may still returns true under the table's lock.
func (t *Table) forget(n *Node, may func() bool) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	if n.removed.Load() || !may() {
		return false
	}
	t.removeLocked(n)
	return true
}

// Forget removes the record of a node and everything learned about it, and reports whether
// n was in the table. A place is kept and its device is expected again; another device gets
// a new record when it is next heard. A node that the radio lists keeps both link
// addresses: the radio reports the pair only once, and without it frames from the short
// address would be those of a stranger.
func (t *Table) Forget(n *Node) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	if n.removed.Load() {
		return false
	}
	id := n.id.Load()
	listed := n.listed.Load() && n.record() != Retired
	t.removeLocked(n)
	switch {
	case listed && (id.place != nil || State(n.state.Load()) != overdue):
		fresh := t.addLocked(identity{eui: id.eui, short: id.short, pan: id.pan, place: id.place, admitted: id.admitted}, time.Time{})
		fresh.listed.Store(true) // there is room: that of n
		fresh.listedLinks.Store(n.listedLinks.Load())
		fresh.parents.Store(n.parents.Load())
		fresh.hops.Store(n.hops.Load())
		fresh.epoch = n.epoch
		fresh.confirmedOutage.Store(n.confirmedOutage.Load())
		fresh.state.Store(uint32(Expected))
		if id.place == nil {
			fresh.state.Store(uint32(Joining))
		}
	case id.place != nil:
		fresh := t.addLocked(identity{eui: id.eui, place: id.place, admitted: true}, time.Time{})
		fresh.state.Store(uint32(Expected))
	}
	return true
}
