package node

import "time"

// Tick brings the states in line with the time: late and silent by each node's report
// period, and up again. It forgets nodes that stand at no place and were silent for a
// day, and after ten minutes those that never got further than joining and have no
// address but derived ones. Call it about once a second; each change is reported to
// changed.
func (t *Table) Tick(now time.Time, changed func(Change)) {
	t.clock.follow(now)
	t.expireAddresses(now)
	at := t.clock.number(now)
	var forget []*Node
	for n := range t.All() {
		n.follow(at)
		if n.doubtful() {
			continue // its radio is down: nobody could hear it
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

// forgettable reports whether a node stands at no place and was not heard for so long
// that its record may go. One that the radio lists stays, unless its own reports say
// that it is silent.
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

// forget removes the record of a node, if it still may.
func (t *Table) forget(n *Node, may func() bool) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	if n.removed.Load() || !may() {
		return false
	}
	t.removeLocked(n)
	return true
}

// Forget ends the record of a node, with all that was learned of it. A place stays,
// and its device is expected again; any other device makes a new record if it is
// heard once more. The link addresses of a node that the radio lists stay together: the
// radio says once which they are, and frames from the short one alone would be those of
// a stranger. It reports whether n was in the table.
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
		fresh.told.Store(n.told.Load())
		fresh.parents.Store(n.parents.Load())
		fresh.hops.Store(n.hops.Load())
		fresh.epoch = n.epoch
		fresh.sure.Store(n.sure.Load())
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
