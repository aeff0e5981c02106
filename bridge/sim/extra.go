package sim

import (
	"math"
	"time"
)

// extra is what a node has once a client wrote to it or observes it, or a fault is
// played; most nodes have none.
type extra struct {
	// What a boot does not change: a switch beside the machine, and the faults.
	interlock   bool
	slow        time.Duration // how late it answers
	slowQuiet   bool          // without an empty acknowledgement meanwhile
	silentUntil time.Duration // it neither hears nor says anything
	muteUntil   time.Duration // it says nothing

	memory
}

// memory is what a boot clears.
type memory struct {
	tagSalt   uint32        // of the entity tags
	leaseEnd  time.Duration // of the output; 0: there is none
	label     []byte
	limits    *limits
	log       *logbook
	upload    *upload
	watch     *watch
	pending   []pending
	writes    uint32        // that its output took, and acted on
	changed   bool          // the output, since its observers were told
	duplicate bool          // the next message goes out twice
	wakeAt    time.Duration // of the eventWake on the agenda; 0: there is none
}

// forever is the end of a fault without one.
const forever = time.Duration(math.MaxInt64)

// extraOf returns what a node has beyond the usual, and makes it if there is none.
func (m *Mesh) extraOf(n int32) *extra {
	nd := &m.nodes[n]
	if nd.extra == nil {
		nd.extra = new(extra)
	}
	return nd.extra
}

// forgetAll sets a node's program to its state after a boot.
func (m *Mesh) forgetAll(n int32) {
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
	x.memory = memory{}
	m.shed(n)
}

// shed takes what a node has beyond the usual away, if there is nothing in it.
func (m *Mesh) shed(n int32) {
	x := m.nodes[n].extra
	if x.interlock || x.writes > 0 || x.slow > 0 || x.silentUntil > m.now || x.muteUntil > m.now ||
		x.tagSalt != 0 || x.leaseEnd != 0 || x.label != nil || x.limits != nil || x.log != nil || x.upload != nil ||
		x.watch != nil || len(x.pending) > 0 || x.changed || x.duplicate || x.wakeAt != 0 {
		return
	}
	m.nodes[n].extra = nil
}

// silent reports whether a node's program hangs.
func (m *Mesh) silent(n int32) bool {
	x := m.nodes[n].extra
	return x != nil && x.silentUntil > m.now
}

// mute reports whether a node says nothing.
func (m *Mesh) mute(n int32) bool {
	x := m.nodes[n].extra
	return x != nil && (x.muteUntil > m.now || x.silentUntil > m.now)
}

// arrange sees to it that a node wakes when it next has something to do.
func (m *Mesh) arrange(n int32) {
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
		m.shed(n) // or it will look again when it wakes
		return
	}
	if x.wakeAt != 0 {
		m.agenda.drop(eventWake, n) // or changes of mind would fill the agenda
	}
	x.wakeAt = max(at, 1)
	m.agenda.push(x.wakeAt, eventWake, n)
}

// awake does what a node has to do by itself.
func (m *Mesh) awake(e event) {
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
	m.attend(e.node)
}

// attend tells a node's observers what is new, and sees to it that it wakes again.
func (m *Mesh) attend(n int32) {
	m.tellOutput(n)
	m.notifyDue(n)
	m.arrange(n)
}
