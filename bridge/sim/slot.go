package sim

import (
	"cmp"
	"slices"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/radio"
)

// frame is one frame on its way through the mesh.
type frame struct {
	from, to ieee802154.Addr // of the ends, as the frame carries them
	origin   int32
	final    int32
	id       uint32 // the daemon's
	tracked  bool   // the daemon still waits for its result
	full     bool   // the last attempt found the receiver's queue full
	tries    uint8
	hops     uint8
	priority radio.Priority
	signal   int8
	born     time.Duration // when it entered its first queue
	n        int
	data     [MaxShort]byte
}

func (f *frame) payload() []byte { return f.data[:f.n] }

func (m *Mesh) newFrame() *frame {
	if n := len(m.free); n > 0 {
		f := m.free[n-1]
		m.free = m.free[:n-1]
		return f
	}
	return new(frame)
}

// maxFree bounds the frames that are kept for use again.
const maxFree = 256

func (m *Mesh) release(f *frame) {
	*f = frame{}
	if len(m.free) < maxFree {
		m.free = append(m.free, f)
	}
}

// originate puts a frame with its final node into the queue of its first.
func (m *Mesh) originate(f *frame, n int32) {
	f.origin = n
	if n != gateway {
		m.nodes[n].stats.Sent++
		m.stats.FromNodes++
	}
	if m.ideal {
		m.deliver(f)
		return
	}
	f.born = m.now
	if !m.enqueue(f, n) {
		m.fail(f, radio.OutcomeQueueFull)
	}
}

// enqueue puts a frame into a node's queue, behind those of its priority and above.
func (m *Mesh) enqueue(f *frame, n int32) bool {
	s := m.nodes[n].station
	limit := m.air.Queue
	if n == gateway {
		limit = credits
	}
	if len(s.queue) >= limit {
		return false
	}
	f.tries, f.full = 0, false
	i := len(s.queue)
	for i > 0 && s.queue[i-1].priority < f.priority && s.queue[i-1].tries == 0 {
		i--
	}
	s.queue = slices.Insert(s.queue, i, f)
	m.plan.waiting++
	m.wake()
	return true
}

// fail ends a frame that did not arrive.
func (m *Mesh) fail(f *frame, o radio.Outcome) {
	if f.tracked {
		m.result(f.id, o)
	}
	if f.origin != gateway {
		m.stats.NodesLost++
		m.nodes[f.origin].stats.Lost++
	} else {
		m.stats.DaemonLost++
	}
	m.release(f)
}

// dropQueue ends all frames in a node's queue.
func (m *Mesh) dropQueue(n int32, o radio.Outcome) {
	s := m.nodes[n].station
	if s == nil {
		return
	}
	for len(s.queue) > 0 {
		m.fail(m.take(s, 0), o)
	}
}

// take removes a frame from a queue.
func (m *Mesh) take(s *station, i int) *frame {
	f := s.queue[i]
	s.queue = slices.Delete(s.queue, i, i+1)
	m.plan.waiting--
	return f
}

// cell is one slot of the slotframe for one direction of one tree link.
type cell struct{ from, to int32 }

// schedule is who may send to whom in each slot of the slotframe.
type schedule struct {
	cells   [][]cell // by slot; the first is the shared one
	stale   bool     // the tree has changed
	next    time.Duration
	waiting int // frames in queues
}

// wake makes sure that the next slot is on the agenda.
func (m *Mesh) wake() {
	at := (m.now/m.air.Slot + 1) * m.air.Slot
	if m.plan.next != at {
		m.plan.next = at
		m.agenda.push(at, eventSlot, gateway)
	}
}

// slot lets the cells of one slot do their work: at is the end of the slot.
func (m *Mesh) slot(at time.Duration) {
	if m.plan.next != at {
		return
	}
	if m.plan.stale || m.plan.cells == nil { // the gateway may speak before anybody has joined
		m.replan()
	}
	number := int64(at / m.air.Slot)
	index := int(number % int64(m.air.Slots))
	if index == 0 {
		m.sweep()
		m.sharedSlot()
	} else if cells := m.plan.cells[index]; len(cells) > 0 {
		// Where there are more cells than slots, two may need one node: the round
		// starts at another one in each slotframe, so that none starves.
		first := int(number / int64(m.air.Slots) % int64(len(cells)))
		for i := range cells {
			m.use(cells[(first+i)%len(cells)], number+1)
		}
	}
	if m.plan.waiting > 0 || len(m.floods) > 0 {
		m.wake()
	}
}

// frameAge is how long a frame may wait in the mesh: less than the time in which
// the daemon is promised its result.
const frameAge = 20 * time.Second

// sweep ends, once in a slotframe, the frames that have waited for too long and
// those for which there is no way any more.
func (m *Mesh) sweep() {
	for n := range m.nodes {
		s := m.nodes[n].station
		for i := 0; i < len(s.queue); {
			switch f := s.queue[i]; {
			case m.now-f.born > frameAge:
				m.fail(m.take(s, i), radio.OutcomeExpired)
			case m.nextHop(f, int32(n)) == none:
				m.fail(m.take(s, i), radio.OutcomeNoRoute)
			default:
				i++
			}
		}
	}
}

// use lets one cell carry the first frame that waits for it.
func (m *Mesh) use(c cell, slot int64) {
	s, r := m.nodes[c.from].station, m.nodes[c.to].station
	if len(s.queue) == 0 || s.busy == slot || r.busy == slot || c.from == gateway && m.off {
		return
	}
	i := slices.IndexFunc(s.queue, func(f *frame) bool { return m.nextHop(f, c.from) == c.to })
	if i < 0 {
		return
	}
	f := s.queue[i]
	s.busy, r.busy = slot, slot
	link := m.linkTo(c.from, c.to)
	arrived := m.receives(c.to) && m.attempt(link)
	if arrived && m.pass(f, c.to, link) {
		m.take(s, i)
		if c.from != gateway && c.to == s.parents[0] {
			s.misses = 0
		}
		m.settle(f, c)
		return
	}
	f.full = arrived
	if f.tries++; int(f.tries) <= m.air.Retries {
		return
	}
	m.take(s, i)
	outcome := radio.OutcomeNoAck
	if f.full {
		outcome = radio.OutcomeQueueFull
	}
	m.fail(f, outcome)
	if outcome == radio.OutcomeNoAck && c.from != gateway && c.to == s.parents[0] {
		m.miss(c.from)
	}
}

// receives reports whether a node listens at all.
func (m *Mesh) receives(n int32) bool {
	if n == gateway {
		return !m.off
	}
	return m.nodes[n].state == stateJoined
}

// pass moves a frame to the node that heard it, unless its queue is full.
func (m *Mesh) pass(f *frame, to, link int32) bool {
	if to != f.final && len(m.nodes[to].station.queue) >= m.air.Queue {
		m.nodes[to].stats.QueueFull++
		return false
	}
	f.hops++
	f.signal = m.links[link].signal
	return true
}

// settle goes on with a frame that has passed one hop.
func (m *Mesh) settle(f *frame, c cell) {
	if f.tracked && m.firstHop && c.from == gateway {
		f.tracked = false
		m.result(f.id, radio.OutcomeFirstHop)
	}
	if c.to == f.final {
		m.deliver(f)
		return
	}
	m.nodes[c.to].stats.Relayed++
	if !m.enqueue(f, c.to) { // pass has seen room
		m.fail(f, radio.OutcomeQueueFull)
	}
}

// deliver hands a frame to its final node.
func (m *Mesh) deliver(f *frame) {
	defer m.release(f)
	if f.tracked {
		m.result(f.id, radio.OutcomeDelivered)
	}
	if f.final != gateway {
		m.stats.ToNodes++
		m.nodes[f.final].stats.Received++
		m.receive(f.final, f)
		return
	}
	m.stats.ToDaemon++
	m.tell(radio.Event{Kind: radio.EventFrame, Frame: radio.Frame{
		From: f.from, To: f.to, Payload: f.payload(), At: m.start.Add(m.now),
		Signal: f.signal, Hops: max(f.hops, 1), Priority: f.priority,
	}})
}

// nextHop returns where a node passes a frame on to: up to its preferred parent, or
// down to the child through which the final node goes up. None: there is no way.
func (m *Mesh) nextHop(f *frame, n int32) int32 {
	if f.final == gateway {
		return m.nodes[n].station.parents[0]
	}
	at := f.final
	for range m.nodes {
		up := m.nodes[at].station.parents[0]
		switch up {
		case n:
			return at
		case none:
			return none
		}
		if at = up; at == gateway {
			return none
		}
	}
	return none
}

// attempt makes one transmission over a link, and reports whether it got through
// and was acknowledged.
func (m *Mesh) attempt(link int32) bool {
	l := &m.links[link]
	l.hop.attempts++
	m.stats.Attempts++
	p := l.delivery
	if m.loss >= 0 {
		p = 1 - m.loss
	} else if m.burst(l) {
		p *= m.air.Bursts.Delivery
	}
	if l.cut || p < 1 && m.random.Float64() >= p {
		m.stats.AttemptsLost++
		return false
	}
	l.hop.acked++
	return true
}

// replan gives each direction of each tree link its cells. Going down the tree, a
// node's cells stand behind its parent's, and going up behind its children's, so
// that a frame passes several hops in one slotframe where there is room.
func (m *Mesh) replan() {
	m.plan.stale = false
	slots := m.air.Slots
	p := planner{mesh: m, busy: make([]bool, len(m.nodes)*slots), start: make([]int, len(m.nodes))}
	m.plan.cells = make([][]cell, slots)
	var order []int32
	depth := make([]int, len(m.nodes))
	for n := int32(1); int(n) < len(m.nodes); n++ {
		if depth[n] = m.hops(n); depth[n] > 0 {
			order = append(order, n)
		}
	}
	slices.SortStableFunc(order, func(a, b int32) int { return cmp.Compare(depth[a], depth[b]) })
	for range m.air.Cells {
		clear(p.start)
		for _, n := range order {
			up := m.nodes[n].station.parents[0]
			p.start[n] = p.assign(cell{from: up, to: n}, p.start[up])
		}
		clear(p.start)
		for _, n := range slices.Backward(order) {
			up := m.nodes[n].station.parents[0]
			p.start[up] = max(p.start[up], p.assign(cell{from: n, to: up}, p.start[n]))
		}
	}
}

// planner assigns cells to slots.
type planner struct {
	mesh  *Mesh
	busy  []bool // node by slot
	start []int  // by node: the slot after which its own cells should stand
}

// assign puts a cell into the first slot after start in which both ends are free,
// round and round, and returns that slot. Where there is none, it shares the one
// with the fewest cells.
func (p *planner) assign(c cell, start int) int {
	slots := p.mesh.air.Slots
	cells := p.mesh.plan.cells
	best := 1
	for i := range slots - 1 {
		at := 1 + (start+i)%(slots-1)
		a, b := int(c.from)*slots+at, int(c.to)*slots+at
		if !p.busy[a] && !p.busy[b] {
			p.busy[a], p.busy[b] = true, true
			cells[at] = append(cells[at], c)
			return at
		}
		if len(cells[at]) < len(cells[best]) {
			best = at
		}
	}
	cells[best] = append(cells[best], c)
	return best
}
