package sim

import (
	"slices"
	"time"
)

// event is something that happens by itself at a time.
type event struct {
	at   time.Duration
	seq  uint32 // breaks ties: first come, first served
	node int32
	kind eventKind
}

type eventKind uint8

const (
	eventSlot   eventKind = iota // a slot with cells for frames that wait
	eventBoot                    // a node is switched on
	eventScan                    // a node looks for parents
	eventJoin                    // a node has joined
	eventBeat                    // a node makes sure of its parent
	eventLost                    // the gateway gives a node up
	eventReport                  // a node publishes its readings
	eventStats                   // link statistics are due
	eventTidy                    // a node looks after its reassembly
	eventWake                    // a node's program has something to do by itself
)

// before orders events by time, then by age. seq may wrap around: what is in the
// heap at one time is far less than half of its range.
func (e event) before(f event) bool {
	return e.at < f.at || e.at == f.at && int32(e.seq-f.seq) < 0
}

// agenda is a binary heap of events. To take events back costs a look at all of
// them: who finds one out of date when it comes up lets it pass, and drop is for
// what could be put on it without end.
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

// drop takes the events of one kind of a node back.
func (a *agenda) drop(kind eventKind, node int32) {
	a.heap = slices.DeleteFunc(a.heap, func(e event) bool { return e.kind == kind && e.node == node })
	for i := len(a.heap)/2 - 1; i >= 0; i-- {
		a.sink(i)
	}
}

// sink puts an event below those that come before it.
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
