package sim

import (
	"culvert/bridge/radio"
)

// flood is one broadcast on its way: each node that has it sends it on, once for
// each time in repeats, in the shared slot.
type flood struct {
	frame   *frame
	has     []bool // by node
	senders []int32
	sent    int // times by the first of senders
}

const (
	maxFloods = 8 // at once
	repeats   = 2 // transmissions of a broadcast by each node: nobody acknowledges it
)

// flood starts a broadcast from a node.
func (m *Mesh) flood(f *frame, from int32) {
	f.origin, f.final = from, none
	if from != gateway {
		m.nodes[from].stats.Sent++
		m.stats.FromNodes++
	}
	if m.ideal {
		m.floodIdeal(f, from)
		return
	}
	if len(m.floods) >= maxFloods {
		m.fail(f, radio.OutcomeQueueFull)
		return
	}
	fl := flood{frame: f, has: make([]bool, len(m.nodes)), senders: []int32{from}}
	fl.has[from] = true
	m.floods = append(m.floods, fl)
	m.wake()
}

func (m *Mesh) floodIdeal(f *frame, from int32) {
	if f.tracked {
		m.result(f.id, radio.OutcomeDelivered)
		f.tracked = false
	}
	for n := range m.nodes {
		if int32(n) != from && m.nodes[n].state == stateJoined {
			m.hear(f, int32(n))
		}
	}
	m.release(f)
}

// hear gives a copy of a broadcast to one node.
func (m *Mesh) hear(f *frame, n int32) {
	c := m.newFrame()
	*c = *f
	c.tracked, c.final = false, n
	m.deliver(c)
}

// sharedSlot lets one node send the oldest broadcast.
func (m *Mesh) sharedSlot() {
	if len(m.floods) == 0 {
		return
	}
	fl := &m.floods[0]
	from := fl.senders[0]
	if m.receives(from) {
		for _, b := range m.nodes[from].station.neighbours {
			if fl.has[b.node] || !m.receives(b.node) || !m.attempt(b.out) {
				continue
			}
			fl.has[b.node] = true
			fl.senders = append(fl.senders, b.node)
			fl.frame.hops = 0
			fl.frame.signal = m.links[b.out].signal
			m.hear(fl.frame, b.node)
			fl = &m.floods[0]
		}
	}
	if from == gateway && fl.frame.tracked {
		fl.frame.tracked = false
		m.result(fl.frame.id, radio.OutcomeDelivered)
	}
	if fl.sent++; fl.sent < repeats {
		return
	}
	fl.sent = 0
	if fl.senders = fl.senders[1:]; len(fl.senders) == 0 {
		m.release(fl.frame)
		m.floods = append(m.floods[:0], m.floods[1:]...)
	}
}
