package sim

import (
	"slices"
	"time"
)

// event is an event scheduled for a time.
type event struct {
	at   time.Duration
	seq  uint32 // orders events of the same time
	node int32
	kind eventKind
}

type eventKind uint8

const (
	eventSlot   eventKind = iota // a slot with cells for frames that wait
	eventBoot                    // a node is switched on
	eventScan                    // a node looks for parents
	eventJoin                    // a node has joined
	eventBeat                    // a node checks its parent
	eventLost                    // the gateway detaches a node
	eventReport                  // a node publishes its readings
	eventStats                   // link statistics are due
	eventTidy                    // a node expires its reassembly
	eventWake                    // something is due in a node's program
)

// before orders events by time, then by age. seq may wrap around: what is in the
// heap at one time is far less than half of its range.
func (e event) before(f event) bool {
	return e.at < f.at || e.at == f.at && int32(e.seq-f.seq) < 0
}

// agenda is a binary heap of events. Removing events scans all of them, so handlers
// ignore an outdated event instead. drop is for events that could pile up without bound.
type agenda struct {
	heap []event
	seq  uint32
}

func (a *agenda) push(at time.Duration, kind eventKind, node int32) {
	a.seq++
	a.heap = append(a.heap, event{at: at, seq: a.seq, node: node, kind: kind})
	i := len(a.heap) - 1
	for i > 0 {
		parent := (i - 1) / 2
		if !a.heap[i].before(a.heap[parent]) {
			return
		}
		a.heap[i], a.heap[parent] = a.heap[parent], a.heap[i]
		i = parent
	}
}

// next returns the time of the first event, and false when there is none.
func (a *agenda) next() (time.Duration, bool) {
	if len(a.heap) == 0 {
		return 0, false
	}
	return a.heap[0].at, true
}

func (a *agenda) pop() event {
	e := a.heap[0]
	last := len(a.heap) - 1
	a.heap[0] = a.heap[last]
	a.heap = a.heap[:last]
	a.sink(0)
	return e
}

// drop removes the events of one kind of a node.
func (a *agenda) drop(kind eventKind, node int32) {
	a.heap = slices.DeleteFunc(a.heap, func(e event) bool { return e.kind == kind && e.node == node })
	for i := len(a.heap)/2 - 1; i >= 0; i-- {
		a.sink(i)
	}
}

// sink moves an event down to its place in the heap.
func (a *agenda) sink(i int) {
	for {
		child := 2*i + 1
		if child >= len(a.heap) {
			return
		}
		if child+1 < len(a.heap) && a.heap[child+1].before(a.heap[child]) {
			child++
		}
		if !a.heap[child].before(a.heap[i]) {
			return
		}
		a.heap[i], a.heap[child] = a.heap[child], a.heap[i]
		i = child
	}
}
