package sim

import (
	"bytes"
	"net/netip"
	"slices"
	"time"
)

// The bounds of observation (RFC 7641).
const (
	maxObservers = 4 // of a node
	confirmEvery = 8 // one notification in so many is confirmable
	// confirmWithin is how long a client that takes no interest may go unnoticed
	// (RFC 7641, section 4.5).
	confirmWithin = 24 * time.Hour
	// freshMargin is how much longer than to the next one a notification is fresh.
	freshMargin = 10 // seconds
	keptIDs     = 4  // notifications of which a Reset is recognized
	// maxSequence bounds the values of the Observe option: 24 bits.
	maxSequence = 1<<24 - 1
)

// watch is what a node has while it is observed.
type watch struct {
	observers []observer
	swap      bool // the next notification is held until the one after it
}

// observer is one entry of the list of observers (RFC 7641, section 4.1).
type observer struct {
	peer     netip.AddrPort
	local    netip.Addr
	token    []byte
	path     string
	accept   int
	block2   int
	due      time.Duration   // of the next notification
	told     uint32          // notifications
	plain    int             // of these, those since the last confirmable one
	confirms time.Duration   // when one must be confirmable
	unacked  bool            // one is under way
	again    bool            // when it is acknowledged, another follows
	ids      [keptIDs]uint16 // the latest first
	idCount  int
	held     []byte // to be sent behind the next one
}

// note remembers the MID of a notification.
func (o *observer) note(id uint16) {
	copy(o.ids[1:], o.ids[:])
	o.ids[0] = id
	o.idCount = min(o.idCount+1, keptIDs)
}

func (o *observer) is(peer netip.AddrPort, token []byte) bool {
	return o.peer == peer && bytes.Equal(o.token, token)
}

// notifyPeriod is how often the observers of a node are told.
func (n *node) notifyPeriod() time.Duration {
	if n.period <= 0 {
		return defaultPeriod
	}
	return n.period
}

func observable(path string) bool {
	return slices.ContainsFunc(links[:], func(l link) bool { return l.path == path && l.observable })
}

// observe notes, or ends, what a request with the Observe option asks for, once its
// answer is known to be good. It reports whether the client is an observer now, and
// the value of the option.
func (m *Mesh) observe(n int32, local netip.Addr, from netip.AddrPort, in message, req *request) (value uint32, ok bool) {
	nd := &m.nodes[n]
	path := req.pathString()
	later := req.block2 >= 0 && req.block2>>4 > 0 // fetches the rest of a notification
	if req.observe < 0 || in.code != codeGET || later || !observable(path) {
		return 0, false
	}
	if req.observe > 0 {
		if req.observe == 1 {
			m.forgetObserver(n, func(o *observer) bool { return o.is(from, in.token) })
		}
		return 0, false
	}
	x := m.extraOf(n)
	if x.watch == nil {
		x.watch = new(watch)
	}
	w := x.watch
	i := slices.IndexFunc(w.observers, func(o observer) bool { return o.is(from, in.token) })
	if i < 0 && len(w.observers) >= maxObservers {
		return 0, false
	}
	o := observer{peer: from, local: local, token: bytes.Clone(in.token), path: path, accept: req.accept, block2: req.block2,
		due: m.now + x.slow + nd.notifyPeriod(), confirms: m.now + confirmWithin}
	if i < 0 {
		w.observers = append(w.observers, o)
	} else {
		m.dropPending(n, &w.observers[i])
		w.observers[i] = o
	}
	return nd.next(), true
}

// noteID remembers the MID of the answer that began an observation, which a client
// may reset too.
func (m *Mesh) noteID(n int32, peer netip.AddrPort, token []byte, id uint16) {
	w := m.nodes[n].extra.watch
	for i := range w.observers {
		if o := &w.observers[i]; o.is(peer, token) {
			o.note(id)
		}
	}
}

// next is the value of the next Observe option (RFC 7641, section 4.4): it goes on
// from one observation to the next, until a boot.
func (n *node) next() uint32 {
	n.sequence = (n.sequence + 1) & maxSequence
	return n.sequence
}

// forgetObserver ends the observation that is the one.
func (m *Mesh) forgetObserver(n int32, is func(*observer) bool) {
	x := m.nodes[n].extra
	if x == nil || x.watch == nil {
		return
	}
	w := x.watch
	for i := range w.observers {
		if o := &w.observers[i]; is(o) {
			m.dropPending(n, o)
			w.observers = slices.Delete(w.observers, i, i+1)
			break
		}
	}
	if len(w.observers) == 0 {
		x.watch = nil
	}
}

// dropPending ends the notification of an observer that is under way.
func (m *Mesh) dropPending(n int32, o *observer) {
	x := m.nodes[n].extra
	x.pending = slices.DeleteFunc(x.pending, func(p pending) bool {
		return !p.late && p.peer == o.peer && o.unacked && p.id() == o.ids[0]
	})
}

// unobserved ends the observation of which a notification was reset, or never
// acknowledged.
func (m *Mesh) unobserved(n int32, peer netip.AddrPort, id uint16) {
	m.forgetObserver(n, func(o *observer) bool { return o.notified(peer, id) })
}

// notified reports whether id is that of one of the last notifications.
func (o *observer) notified(peer netip.AddrPort, id uint16) bool {
	return o.peer == peer && slices.Contains(o.ids[:o.idCount], id)
}

// confirmed notes that a notification was acknowledged: if there is something newer,
// it follows (RFC 7641, section 4.5.1).
func (m *Mesh) confirmed(n int32, peer netip.AddrPort, id uint16) {
	w := m.nodes[n].extra.watch
	if w == nil {
		return
	}
	for i := range w.observers {
		o := &w.observers[i]
		if !o.unacked || o.peer != peer || o.ids[0] != id {
			continue
		}
		o.unacked = false
		if o.again {
			o.again, o.due = false, m.now
		}
	}
}

// tellOutput makes the observers of the output due if it has changed.
func (m *Mesh) tellOutput(n int32) {
	x := m.nodes[n].extra
	if x == nil || !x.changed {
		return
	}
	x.changed = false
	m.makeDue(n, m.now, func(o *observer) bool { return o.path == pathOutput })
}

// makeDue has the next notifications of some observers at a time, at the latest.
func (m *Mesh) makeDue(n int32, at time.Duration, which func(*observer) bool) {
	x := m.nodes[n].extra
	if x == nil || x.watch == nil {
		return
	}
	for i := range x.watch.observers {
		if o := &x.watch.observers[i]; which(o) {
			o.due = min(o.due, at)
		}
	}
}

// notifyDue tells the observers whose time has come.
func (m *Mesh) notifyDue(n int32) {
	x := m.nodes[n].extra
	if x == nil || x.watch == nil {
		return
	}
	for i := range x.watch.observers {
		o := &x.watch.observers[i]
		if o.due > m.now {
			continue
		}
		o.due = m.now + m.nodes[n].notifyPeriod()
		switch {
		case m.silent(n):
		case o.unacked:
			o.again = true
		default:
			m.notify(n, x, o)
		}
	}
}

// notify sends one notification, or holds it to be overtaken by the next one.
func (m *Mesh) notify(n int32, x *extra, o *observer) {
	nd, w := &m.nodes[n], x.watch
	hold := w.swap
	kind := typeNON
	o.plain++
	if !hold && o.held == nil && (o.plain >= confirmEvery || m.now >= o.confirms) && len(x.pending) < maxPending && !x.awaits(o.peer) {
		kind = typeCON
		o.plain, o.confirms = 0, m.now+confirmWithin
	}
	o.told++
	nd.message++
	o.note(nd.message)
	req := requestFor(o.path, o.accept)
	req.block2 = o.block2
	m.scratch = m.scratch[:0]
	a := m.resource(n, message{code: codeGET}, &req)
	a.observe, a.observed = nd.next(), true
	a.maxAge = nd.notifyFresh()
	m.answer = m.respond(n, m.answer[:0], reply{kind: kind, id: nd.message, token: o.token, answer: a, request: &req})
	if m.speaks(n) {
		nd.stats.Notifications++
	}
	if hold {
		w.swap, o.held = false, bytes.Clone(m.answer)
		return
	}
	if kind == typeCON {
		o.unacked = true
		p := pending{peer: o.peer, local: o.local, msg: bytes.Clone(m.answer)}
		m.transmit(n, &p)
		x.pending = append(x.pending, p)
		return
	}
	m.say(n, o.local, o.peer, m.answer)
	if o.held != nil {
		m.say(n, o.local, o.peer, o.held)
		o.held = nil
	}
}

// notifyFresh is the Max-Age of notifications, in seconds.
func (n *node) notifyFresh() int { return int(n.notifyPeriod()/time.Second) + freshMargin }
