package sim

import (
	"math"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/radio"
)

// station is a node's part in a mesh of slots and hops. An ideal mesh has none.
type station struct {
	joins       time.Duration // when it is switched on first; 0: at random
	east, north float64
	neighbours  []neighbour
	parents     [2]int32 // preferred one first
	rank        float64  // expected attempts to the gateway
	misses      int      // of the preferred parent, in a row
	cut         bool     // switched off until restored
	nextScan    time.Duration
	nextBeat    time.Duration
	lostAt      time.Duration // when the gateway gives it up; 0: not in question
	queue       []*frame
	busy        int64 // the last slot in which it sent or heard, counted from 1
}

// neighbour is another node within radio range, with the links there and back as
// indexes into Mesh.links.
type neighbour struct {
	node     int32
	out, in  int32
	attempts float64 // expected, for one frame there
}

// radioLink is one direction of a radio link.
type radioLink struct {
	from, to int32
	delivery float64
	signal   int8 // dBm
	cut      bool
	bad      bool          // within a burst
	drawn    time.Duration // when bad was drawn
	hop      hopCount
	boot     hopCount // when the gateway's radio booted
	told     hopCount // when the daemon was told last
	reset    hopCount // at ResetStats
}

// hopCount counts the attempts over one direction of a radio link.
type hopCount struct{ attempts, acked uint64 }

// wire makes the radio links of a site.
func (m *Mesh) wire(s Site) {
	for i, p := range append([]Place{s.Gateway}, s.Nodes...) {
		st := m.nodes[i].station
		st.joins, st.east, st.north = p.Joins, p.East, p.North
	}
	for _, l := range s.Links {
		a, b := m.names[l.A], m.names[l.B]
		back := l.Back
		if back == 0 {
			back = l.Delivery
		}
		sa, sb := m.nodes[a].station, m.nodes[b].station
		signal := signalAt(math.Hypot(sa.east-sb.east, sa.north-sb.north))
		there := int32(len(m.links))
		m.links = append(m.links,
			radioLink{from: a, to: b, delivery: l.Delivery, signal: signal},
			radioLink{from: b, to: a, delivery: back, signal: signal})
		sa.neighbours = append(sa.neighbours, neighbour{node: b, out: there, in: there + 1, attempts: 1 / l.Delivery})
		sb.neighbours = append(sb.neighbours, neighbour{node: a, out: there + 1, in: there, attempts: 1 / back})
	}
}

// signalAt returns a plausible signal in dBm at a distance in metres: 40 dB lost in
// the first metre at 0 dBm and 27 dB more for each tenfold. Common practice for open
// ground with crops, no source.
func signalAt(metres float64) int8 {
	return int8(max(-40-27*math.Log10(max(metres, 1)), -100))
}

// hops counts the radio links from a node to the gateway along preferred parents; 0
// if it has no way there.
func (m *Mesh) hops(n int32) int {
	count := 0
	for n != gateway {
		n = m.nodes[n].station.parents[0]
		if count++; n == none || count > len(m.nodes) {
			return 0
		}
	}
	return count
}

// leadsThrough reports whether the way of node n to the gateway passes via, or ends
// before the gateway.
func (m *Mesh) leadsThrough(n, via int32) bool {
	for steps := 0; n != gateway; steps++ {
		if n == via || steps > len(m.nodes) {
			return true
		}
		if n = m.nodes[n].station.parents[0]; n == none {
			return true
		}
	}
	return via == gateway
}

// candidates returns the best two parents for a node, the best one first, with what
// the way by the first would cost. Not is left out.
func (m *Mesh) candidates(n, not int32) (parents [2]int32, rank float64) {
	parents, costs := [2]int32{none, none}, [2]float64{math.Inf(1), math.Inf(1)}
	for _, b := range m.nodes[n].station.neighbours {
		other := &m.nodes[b.node]
		if b.node == not || other.state != stateJoined || m.links[b.out].cut || m.links[b.in].cut ||
			b.node == gateway && m.off || m.leadsThrough(b.node, n) {
			continue
		}
		cost := other.station.rank + b.attempts
		switch {
		case cost < costs[0]:
			parents[1], costs[1] = parents[0], costs[0]
			parents[0], costs[0] = b.node, cost
		case cost < costs[1]:
			parents[1], costs[1] = b.node, cost
		}
	}
	return parents, costs[0]
}

// switchOn starts a node: it looks for parents a little later.
func (m *Mesh) switchOn(n int32) {
	nd := &m.nodes[n]
	if nd.state != stateOff || nd.station.cut {
		return
	}
	nd.state = stateScanning
	m.powerUp(n)
	m.scanAt(n, m.now+m.between(200*time.Millisecond, 600*time.Millisecond))
}

func (m *Mesh) scanAt(n int32, at time.Duration) {
	m.nodes[n].station.nextScan = at
	m.agenda.push(at, eventScan, n)
}

// scan looks for parents, and begins to join or looks again.
func (m *Mesh) scan(e event) {
	nd := &m.nodes[e.node]
	if nd.state != stateScanning || nd.station.nextScan != e.at {
		return
	}
	parents, _ := m.candidates(e.node, none)
	if parents[0] == none {
		m.scanAt(e.node, m.now+m.between(300*time.Millisecond, 500*time.Millisecond))
		return
	}
	at := m.now + m.between(200*time.Millisecond, 500*time.Millisecond)
	nd.station.nextScan = at
	m.agenda.push(at, eventJoin, e.node)
}

// join completes what scan began.
func (m *Mesh) join(e event) {
	nd := &m.nodes[e.node]
	if nd.state != stateScanning || nd.station.nextScan != e.at {
		return
	}
	parents, rank := m.candidates(e.node, none)
	if parents[0] == none {
		m.scanAt(e.node, m.now+m.between(300*time.Millisecond, 500*time.Millisecond))
		return
	}
	s := nd.station
	nd.state = stateJoined
	s.parents, s.rank, s.misses, s.lostAt = parents, rank, 0, 0
	m.plan.stale = true
	nd.known = true
	m.tell(radio.Event{Kind: radio.EventAttached, Node: m.info(e.node)})
	m.tellBattery(e.node)
	m.beatAt(e.node, m.now+m.between(m.air.Beat/2, m.air.Beat))
	if nd.reportAt == 0 {
		m.scheduleReport(e.node, m.now+m.between(time.Second, min(nd.period, 10*time.Second)))
	}
}

func (m *Mesh) tellBattery(n int32) {
	r := m.readingsOf(n)
	m.tell(radio.Event{
		Kind: radio.EventBattery, Node: radio.NodeInfo{Addr: m.nodes[n].eui64},
		Battery: radio.Battery{Millivolts: uint16(r.batt * 1000), Percent: 255},
	})
}

func (m *Mesh) beatAt(n int32, at time.Duration) {
	m.nodes[n].station.nextBeat = at
	m.agenda.push(at, eventBeat, n)
}

// betterBy is how many attempts shorter a way must be to be worth a change.
const betterBy = 1.0

// beat makes sure that the preferred parent is there, with an empty frame and its
// retries, which find room in cells that are not used otherwise. Twice without an
// acknowledgement is once too often.
func (m *Mesh) beat(e event) {
	nd := &m.nodes[e.node]
	s := nd.station
	if nd.state != stateJoined || s.nextBeat != e.at {
		return
	}
	m.beatAt(e.node, m.now+m.between(m.air.Beat*9/10, m.air.Beat*11/10))
	if !m.probe(e.node, s.parents[0]) {
		m.miss(e.node)
		return
	}
	s.misses = 0
	parents, rank := m.candidates(e.node, none)
	if parents[0] == none {
		return // it will be missed soon
	}
	kept := m.nodes[s.parents[0]].station.rank + m.attemptsTo(e.node, s.parents[0])
	if parents[0] != s.parents[0] && rank+betterBy > kept {
		rank = kept
		if parents[1] == s.parents[0] || parents[1] == none {
			parents[1] = parents[0]
		}
		parents[0] = s.parents[0]
	}
	m.takeParents(e.node, parents, rank)
}

// probe tries an empty frame, with its retries.
func (m *Mesh) probe(n, to int32) bool {
	l := m.linkTo(n, to)
	if l == none {
		return false
	}
	for range 1 + m.air.Retries {
		m.stats.Beats++
		if m.nodes[to].state == stateJoined && !(to == gateway && m.off) && m.attempt(l) {
			return true
		}
	}
	return false
}

func (m *Mesh) attemptsTo(n, to int32) float64 {
	for _, b := range m.nodes[n].station.neighbours {
		if b.node == to {
			return b.attempts
		}
	}
	return math.Inf(1)
}

func (m *Mesh) linkTo(n, to int32) int32 {
	for _, b := range m.nodes[n].station.neighbours {
		if b.node == to {
			return b.out
		}
	}
	return none
}

// miss notes that the preferred parent did not acknowledge; after two in a row the
// node takes others, or none.
func (m *Mesh) miss(n int32) {
	nd := &m.nodes[n]
	s := nd.station
	if s.misses++; s.misses < 2 || nd.state != stateJoined {
		return
	}
	s.misses = 0
	parents, rank := m.candidates(n, s.parents[0])
	if parents[0] == none {
		m.orphan(n)
		return
	}
	m.takeParents(n, parents, rank)
}

func (m *Mesh) takeParents(n int32, parents [2]int32, rank float64) {
	s := m.nodes[n].station
	s.rank = rank
	if s.parents == parents {
		return
	}
	if s.parents[0] != parents[0] {
		m.plan.stale = true
		m.stats.ParentChanges++
	}
	s.parents = parents
	m.tell(radio.Event{Kind: radio.EventParent, Node: m.info(n)})
}

// orphan puts a node without a parent back to looking for one.
func (m *Mesh) orphan(n int32) {
	nd := &m.nodes[n]
	nd.state = stateScanning
	m.leave(n)
	m.scanAt(n, m.now+m.between(200*time.Millisecond, 600*time.Millisecond))
}

// leave takes a node out of the tree; the gateway notices after a while.
func (m *Mesh) leave(n int32) {
	s := m.nodes[n].station
	s.parents = [2]int32{none, none}
	m.plan.stale = true
	m.dropQueue(n, radio.OutcomeNoRoute)
	if m.nodes[n].known && s.lostAt == 0 {
		s.lostAt = m.now + lostBeats*m.air.Beat
		m.agenda.push(s.lostAt, eventLost, n)
	}
}

// giveUp is the gateway's view: nothing was heard of the node for too long.
func (m *Mesh) giveUp(e event) {
	nd := &m.nodes[e.node]
	if !nd.known || nd.station.lostAt != e.at {
		return
	}
	nd.station.lostAt = 0
	nd.known = false
	m.tell(radio.Event{Kind: radio.EventDetached, Node: radio.NodeInfo{Addr: nd.eui64, Short: nd.short}})
}

// tellLinks gives the daemon the statistics of the links that were used since the
// last time, and the supply of each node.
func (m *Mesh) tellLinks() {
	m.agenda.push(m.now+statsEvery, eventStats, gateway)
	for i := range m.links {
		l := &m.links[i]
		if l.hop == l.told {
			continue
		}
		l.told = l.hop
		m.tell(radio.Event{Kind: radio.EventLink, Link: radio.LinkStats{
			From: m.nodes[l.from].eui64, To: m.nodes[l.to].eui64,
			Attempts: uint32(l.hop.attempts - l.boot.attempts), Acked: uint32(l.hop.acked - l.boot.acked), Signal: l.signal,
		}})
	}
	for n := 1; n < len(m.nodes); n++ {
		if m.nodes[n].state == stateJoined {
			m.tellBattery(int32(n))
		}
	}
}

// find returns the node of a name or link address.
func (m *Mesh) find(name string) (int32, bool) {
	if n, ok := m.names[name]; ok {
		return n, true
	}
	a, err := ieee802154.ParseAddr(name)
	if err != nil || a.IsNone() {
		return none, false
	}
	n, ok := m.addrs[a]
	return n, ok
}
