package sim

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"net/netip"
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/radio"
)

// Octets of the frames on the air: IEEE Std 802.15.4's longest frame, its check
// sequence, and the MAC header of a data frame with one PAN id: frame control (2),
// sequence number (1), PAN id (2), destination (2 or 8), and the sender's EUI-64 (8).
const (
	maxFrame      = 127
	checkSequence = 2
	headerFixed   = 2 + 1 + 2 + 8

	// MaxShort and MaxExtended are the largest MAC payloads to a short and to an
	// extended destination: 110 and 104 octets.
	MaxShort    = maxFrame - checkSequence - headerFixed - 2
	MaxExtended = maxFrame - checkSequence - headerFixed - 8
)

// Our own limits.
const (
	credits      = 64               // frames from the daemon that the gateway's radio holds
	idealCredits = radio.MaxCredits // of a mesh that delivers at once
	lostBeats    = 3                // beats without a parent, after which the gateway gives a node up
	statsEvery   = time.Minute
	gateway      = 0 // index of the gateway's radio among the nodes
	none         = -1
)

// Options are what a Mesh is made from. Only Site is needed.
type Options struct {
	Site Site
	Seed uint64
	// Ideal leaves the slots, losses and joins out: all nodes are there at once, and
	// a frame arrives when it is sent. The Site's links are not used.
	Ideal bool
	// Boot is the number of the gateway's radio until it is booted anew; 0 draws it from
	// the Seed. A radio that outlives nothing needs another one in each process.
	Boot uint64
	// Start is the time of day at time 0, for the course of the readings; the zero
	// value is midnight of 1 June 2026, UTC.
	Start time.Time
	// Period is the default of /period, in whole seconds: how often a node publishes
	// its readings. 0 is one minute; negative: the nodes publish nothing.
	Period time.Duration
	// FirstHop makes results tell of the first hop only, as many radios do. Without
	// it they tell of the node itself, which the model knows at once.
	FirstHop bool
	// Full lets the nodes use the encodings that not every peer decodes.
	Full bool
	// Contexts are those of the nodes (RFC 6282, section 3.1.2). Nil: context 0 is
	// the Site's prefix.
	Contexts *lowpan.Contexts
}

// defaultPeriod is that of Options.Period.
const defaultPeriod = time.Minute

// Mesh is the model of a mesh, without a clock: the caller moves its time on. It is
// not safe for use by more than one goroutine.
type Mesh struct {
	site     Site // without nodes and links
	air      Air
	ideal    bool
	firstHop bool
	full     bool
	period   time.Duration
	start    time.Time
	seed     uint64
	contexts *lowpan.Contexts

	now    time.Duration
	agenda agenda
	random *rand.Rand
	emit   func(radio.Event) // nil while no daemon is joined to the gateway's radio
	boot   uint64
	bootAt time.Duration
	off    bool // the gateway's radio is off

	nodes  []node // the gateway's radio first
	names  map[string]int32
	bare   map[int32]uint16 // nodes that report in bare datagrams, and to which port
	addrs  map[ieee802154.Addr]int32
	links  []radioLink
	loss   float64 // of every attempt; negative: as the links have it
	plan   schedule
	floods []flood
	free   []*frame // not in use

	adaptation adaptation                                       // what the nodes share
	scratch    []byte                                           // the representation of a resource
	answer     []byte                                           // the CoAP message being sent
	direct     func(node string, to netip.AddrPort, msg []byte) // takes messages to clients that are not reached over the mesh; see Radio.ServeCoAP
	stats      Stats
}

// New returns the mesh of a site at time 0, before any node is switched on (or, if
// it is ideal, with all of them up). The error lists all that is wrong with the
// Site.
func New(o Options) (*Mesh, error) {
	if err := o.Site.Check(); err != nil {
		return nil, err
	}
	if o.Period > 0 && (o.Period%time.Second != 0 || o.Period > maxPeriod*time.Second) {
		return nil, fmt.Errorf("sim: period %v: want whole seconds, 1 to %d", o.Period, maxPeriod)
	}
	m := &Mesh{
		site:     o.Site,
		air:      o.Site.Air.withDefaults(),
		ideal:    o.Ideal,
		firstHop: o.FirstHop,
		full:     o.Full,
		period:   cmp.Or(o.Period, defaultPeriod),
		start:    o.Start,
		seed:     o.Seed,
		contexts: o.Contexts,
		random:   rand.New(rand.NewPCG(o.Seed, mix(o.Seed))),
		names:    make(map[string]int32, len(o.Site.Nodes)+1),
		bare:     map[int32]uint16{},
		addrs:    make(map[ieee802154.Addr]int32, len(o.Site.Nodes)+1),
		loss:     -1,
	}
	if m.start.IsZero() {
		m.start = time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	}
	if m.contexts == nil {
		m.contexts = lowpan.NewContexts(map[uint8]netip.Prefix{0: o.Site.Prefix})
	}
	m.boot = cmp.Or(o.Boot, m.random.Uint64()|1) // drawn in any case: the course stays
	m.place(o.Site)
	m.site.Nodes, m.site.Links = nil, nil
	m.adaptation.init(m)
	m.begin()
	return m, nil
}

// place makes the nodes and, unless the mesh is ideal, their radio links.
func (m *Mesh) place(s Site) {
	m.nodes = make([]node, 1+len(s.Nodes))
	m.nodes[gateway] = node{name: GatewayName, eui64: s.Gateway.EUI64, short: s.Gateway.Short}
	for i, p := range s.Nodes {
		n := node{name: p.Name, eui64: p.EUI64, short: p.Short}
		if p.Climate != (Climate{}) {
			c := p.Climate
			n.weather = &c
		}
		m.nodes[1+i] = n
		if p.Bare != 0 {
			m.bare[int32(1+i)] = p.Bare
		}
	}
	for i := range m.nodes {
		n := &m.nodes[i]
		m.names[n.name] = int32(i)
		m.addrs[n.eui64] = int32(i)
		if !n.short.IsNone() {
			m.addrs[n.short] = int32(i)
		}
	}
	if m.ideal {
		return
	}
	for i := range m.nodes {
		m.nodes[i].station = &station{parents: [2]int32{none, none}}
	}
	m.wire(s)
}

// begin puts the first events on the agenda.
func (m *Mesh) begin() {
	m.nodes[gateway].state = stateJoined
	for i := 1; i < len(m.nodes); i++ {
		n := &m.nodes[i]
		m.renumber(int32(i))
		n.message, n.token = uint16(m.random.Uint32()), uint16(m.random.Uint32())
		if m.ideal {
			n.state, n.known = stateJoined, true
			m.powerUp(int32(i))
			m.scheduleReport(int32(i), m.between(0, n.period))
			continue
		}
		at := n.station.joins
		if at == 0 {
			at = m.between(0, m.air.Joins)
		}
		m.agenda.push(at, eventBoot, int32(i))
	}
	if !m.ideal {
		m.agenda.push(statsEvery, eventStats, gateway)
	}
}

// Now returns the mesh's time, counted from when it was made.
func (m *Mesh) Now() time.Duration { return m.now }

// Next returns when something happens next by itself, and false when nothing will.
func (m *Mesh) Next() (time.Duration, bool) { return m.agenda.next() }

// Advance lets everything happen up to and at the given time. A time before Now
// changes nothing.
func (m *Mesh) Advance(to time.Duration) {
	for {
		at, ok := m.agenda.next()
		if !ok || at > to {
			break
		}
		e := m.agenda.pop()
		m.now = max(m.now, at)
		m.happen(e)
	}
	m.now = max(m.now, to)
}

func (m *Mesh) happen(e event) {
	switch e.kind {
	case eventSlot:
		m.slot(e.at)
	case eventBoot:
		m.switchOn(e.node)
	case eventScan:
		m.scan(e)
	case eventJoin:
		m.join(e)
	case eventBeat:
		m.beat(e)
	case eventLost:
		m.giveUp(e)
	case eventReport:
		m.report(e)
	case eventStats:
		m.tellLinks()
	case eventTidy:
		m.tidy(e.node)
	case eventWake:
		m.awake(e)
	}
}

// between returns a random time from a up to b.
func (m *Mesh) between(a, b time.Duration) time.Duration {
	if b <= a {
		return a
	}
	return a + time.Duration(m.random.Int64N(int64(b-a)))
}

// Connect begins a session with a daemon: emit is called with all that the gateway's
// radio says from now on, starting with up, its nodes, and the end of that list. What
// an earlier session sent and is not on the air yet is dropped, and no more results
// of it are told. The slices of an event are good until emit returns; emit must not
// call the Mesh.
func (m *Mesh) Connect(emit func(radio.Event)) {
	m.emit = nil
	m.forget()
	m.emit = emit
	m.Introduce()
}

// Introduce says up and the list of nodes once more, within a session.
func (m *Mesh) Introduce() {
	if m.off {
		return
	}
	m.tellUp()
	for i := 1; i < len(m.nodes); i++ {
		if m.nodes[i].known {
			m.tell(radio.Event{Kind: radio.EventAttached, Node: m.info(int32(i))})
		}
	}
	m.tell(radio.Event{Kind: radio.EventSnapshot})
}

// forget drops the frames in the gateway's radio, and their results with those of
// the frames that are on their way.
func (m *Mesh) forget() {
	for i := range m.floods {
		m.floods[i].frame.tracked = false
	}
	if m.ideal {
		return
	}
	for n := range m.nodes {
		for _, f := range m.nodes[n].station.queue {
			f.tracked = false
		}
	}
	m.dropQueue(gateway, radio.OutcomeNoRoute)
}

// Disconnect ends what Connect began.
func (m *Mesh) Disconnect() { m.emit = nil }

func (m *Mesh) tellUp() {
	n, features := credits, radio.FeatureMultihop|radio.FeatureBroadcast|radio.FeatureAssign|radio.FeatureCancel
	if m.ideal {
		n = idealCredits
	} else {
		features |= radio.FeatureParents | radio.FeatureLinkStats
	}
	g := &m.nodes[gateway]
	m.tell(radio.Event{Kind: radio.EventUp, Credits: n, Info: radio.Info{
		EUI64: g.eui64, Short: g.short, PAN: m.site.PAN, Boot: m.boot, Feature: features,
		MaxShort: MaxShort, MaxExtended: MaxExtended, Channel: m.site.Channel,
	}})
}

// tell passes an event to the daemon.
func (m *Mesh) tell(e radio.Event) {
	if m.emit != nil && !m.off {
		m.emit(e)
	}
}

// info is a node in the eyes of the gateway's radio.
func (m *Mesh) info(n int32) radio.NodeInfo {
	nd := &m.nodes[n]
	i := radio.NodeInfo{Addr: nd.eui64, Short: nd.short}
	if nd.station == nil {
		i.Hops = 1
		i.Parents[0] = m.nodes[gateway].eui64
		return i
	}
	for k, p := range nd.station.parents {
		if p != none {
			i.Parents[k] = m.nodes[p].eui64
		}
	}
	i.Hops = uint8(min(m.hops(n), 255))
	return i
}

// Assign gives a node a short address, as the daemon may ask: none takes it away.
// It reports whether the node is known and the address free.
func (m *Mesh) Assign(eui64, short ieee802154.Addr) bool {
	n, ok := m.addrs[eui64]
	if !ok || n == gateway || !eui64.IsExtended() || !short.IsNone() && !(short.IsShort() && short.IsNode()) {
		return false
	}
	if other, taken := m.addrs[short]; taken && other != n {
		return false
	}
	nd := &m.nodes[n]
	if !nd.short.IsNone() {
		delete(m.addrs, nd.short)
	}
	nd.short = short
	if !short.IsNone() {
		m.addrs[short] = n
	}
	if nd.known {
		m.tell(radio.Event{Kind: radio.EventAttached, Node: m.info(n)})
	}
	return true
}

// Send takes a frame from the daemon, under the daemon's id. What becomes of it is
// told by a result event, from within Send or later.
func (m *Mesh) Send(f radio.Frame, id uint32) {
	if m.off {
		return
	}
	m.stats.FromDaemon++
	limit := MaxExtended
	if f.To.IsShort() {
		limit = MaxShort
	}
	if len(f.Payload) > limit {
		m.stats.DaemonLost++
		m.result(id, radio.OutcomeTooLong)
		return
	}
	fr := m.newFrame()
	fr.from, fr.to = m.nodes[gateway].eui64, f.To
	fr.priority, fr.id, fr.tracked = f.Priority, id, true
	fr.n = copy(fr.data[:], f.Payload)
	if isGroup(f.To) {
		m.flood(fr, gateway)
		return
	}
	n, ok := m.addrs[f.To]
	if !ok || n == gateway || !m.nodes[n].known {
		m.fail(fr, radio.OutcomeNoRoute)
		return
	}
	fr.final = n
	m.originate(fr, gateway)
}

// Cancel drops a frame that still waits in the gateway's radio.
func (m *Mesh) Cancel(id uint32) {
	if m.off || m.ideal {
		return
	}
	s := m.nodes[gateway].station
	for i, f := range s.queue {
		if f.tracked && f.id == id {
			m.fail(m.take(s, i), radio.OutcomeCancelled)
			return
		}
	}
}

// result tells the daemon what became of its frame.
func (m *Mesh) result(id uint32, o radio.Outcome) {
	if int(o) < len(m.stats.Outcomes) {
		m.stats.Outcomes[o]++
	}
	m.tell(radio.Event{Kind: radio.EventResult, ID: id, Outcome: o})
}

// isGroup reports whether a destination is more than one node: 0xffff, or a group of
// RFC 4944, section 9.
func isGroup(a ieee802154.Addr) bool { return a.IsShort() && !a.IsNode() }

// dropped counts a frame or packet that ended in a node.
func (m *Mesh) dropped(r drop.Reason) {
	if r < drop.Count {
		m.stats.Drops[r]++
	}
}

// gatewayAddr is the address of the gateway's host in the mesh, prefix::1.
func (m *Mesh) gatewayAddr() netip.Addr { return ipv6.Gateway(m.site.Prefix) }
