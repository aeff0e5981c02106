package sim

import (
	"math"
	"time"
)

// extra is the state of a node's program that few nodes have: settings, observers and
// faults. It is allocated on first use.
type extra struct {
	// Kept over a boot: the interlock, which is a switch at the machine, and faults.
	interlock   bool
	slow        time.Duration // delay of its answers
	slowQuiet   bool          // without an empty acknowledgement before the answer
	silentUntil time.Duration // it neither receives nor sends until then
	muteUntil   time.Duration // it sends nothing until then

	volatileState
}

// volatileState is cleared by a boot.
type volatileState struct {
	tagSalt   uint32        // of the entity tags
	leaseEnd  time.Duration // end of the output's lease; 0: no lease
	label     []byte
	limits    *limits
	log       *logbook
	upload    *upload
	watch     *watch
	pending   []pending
	writes    uint32        // accepted by its output
	changed   bool          // the output changed since its observers were notified
	duplicate bool          // send the next message twice
	wakeAt    time.Duration // time of the scheduled eventWake; 0: none
}

// forever is the end of a fault that does not end by itself.
const forever = time.Duration(math.MaxInt64)

// extraOf returns the extra of a node, and allocates it if there is none.
func (m *Mesh) extraOf(n int32) *extra {
	nd := &m.nodes[n]
	if nd.extra == nil {
		nd.extra = new(extra)
	}
	return nd.extra
}

// resetProgram sets a node's program to its state after a boot.
func (m *Mesh) resetProgram(n int32) {
	nd := &m.nodes[n]
	nd.output = 0
	nd.exchanges = nil
	x := nd.extra
	if x == nil {
		return
	}
	if x.wakeAt != 0 {
		m.agenda.drop(eventWake, n)
	}
	x.volatileState = volatileState{}
	m.releaseExtra(n)
}

// releaseExtra frees the extra of a node if it holds nothing.
func (m *Mesh) releaseExtra(n int32) {
	x := m.nodes[n].extra
	if x.interlock || x.writes > 0 || x.slow > 0 || x.silentUntil > m.now || x.muteUntil > m.now ||
		x.tagSalt != 0 || x.leaseEnd != 0 || x.label != nil || x.limits != nil || x.log != nil || x.upload != nil ||
		x.watch != nil || len(x.pending) > 0 || x.changed || x.duplicate || x.wakeAt != 0 {
		return
	}
	m.nodes[n].extra = nil
}

// silent reports whether a node's program is hung.
func (m *Mesh) silent(n int32) bool {
	x := m.nodes[n].extra
	return x != nil && x.silentUntil > m.now
}

// mute reports whether a node sends nothing.
func (m *Mesh) mute(n int32) bool {
	x := m.nodes[n].extra
	return x != nil && (x.muteUntil > m.now || x.silentUntil > m.now)
}

// scheduleWake schedules the next eventWake of a node.
func (m *Mesh) scheduleWake(n int32) {
	x := m.nodes[n].extra
	if x == nil {
		return
	}
	at := forever
	sooner := func(t time.Duration) {
		if t != 0 {
			at = min(at, t)
		}
	}
	sooner(x.leaseEnd)
	for i := range x.pending {
		sooner(x.pending[i].due)
	}
	if x.upload != nil {
		sooner(x.upload.until)
	}
	if x.watch != nil {
		for i := range x.watch.observers {
			sooner(x.watch.observers[i].due)
		}
	}
	if at == forever || x.wakeAt != 0 && x.wakeAt <= at {
		m.releaseExtra(n) // or the scheduled wake will handle it
		return
	}
	if x.wakeAt != 0 {
		m.agenda.drop(eventWake, n) // or repeated changes would fill the agenda
	}
	x.wakeAt = max(at, 1)
	m.agenda.push(x.wakeAt, eventWake, n)
}

// handleWake does what is due in a node's program.
func (m *Mesh) handleWake(e event) {
	x := m.nodes[e.node].extra
	if x == nil || x.wakeAt != e.at {
		return
	}
	x.wakeAt = 0
	if x.leaseEnd != 0 && x.leaseEnd <= m.now {
		m.switchOutput(e.node, 0, 0)
	}
	if x.upload != nil && x.upload.until <= m.now {
		x.upload = nil
	}
	m.transmitDue(e.node)
	m.updateObservers(e.node)
}

// updateObservers sends the notifications that are due and schedules the next wake.
func (m *Mesh) updateObservers(n int32) {
	m.markOutputObservers(n)
	m.notifyDue(n)
	m.scheduleWake(n)
}
