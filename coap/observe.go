package coap

import (
	"context"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// Bounds and times of observation by clients, ours.
const (
	maxObservers   = 16384
	maxObserversIP = 12000 // of one address; a dashboard may be many
	maxLocals      = 1024  // resources of the front itself that are observed
	confirmEvery   = 8     // one notification in so many is confirmable
	confirmWithin  = time.Hour
	// observedAge is the Max-Age, in seconds, of what the front notifies of itself.
	observedAge = 60
	localEvery  = time.Second     // how often readings are looked at
	listEvery   = 5 * time.Second // and lists and states of nodes, that change all the time
)

// observers are the clients that observe something (RFC 7641, section 4): an entry
// each, and one goroutine that tells them all.
type observers struct {
	s    *Server
	wake chan struct{} // for the teller; has room for one

	mu     sync.Mutex
	by     map[observerKey]*observer
	byID   map[noticeKey]*observer // by the Message ID of the latest notification
	byHost map[peer]int
	dirty  map[*subject]struct{}
	locals map[string]*subject
	order  uint32 // of the latest state of whatever is observed: it only ever grows
	// orphans are left by a client that took their token for something else.
	orphans []*subject

	touched atomic.Bool // readings came
}

// observerKey is a client's endpoint and its token (RFC 7641, section 4.1).
type observerKey struct {
	peer  peer
	udp   *udpDoor
	token [8]byte
	tkl   uint8
}

// noticeKey names a notification to which a client may answer.
type noticeKey struct {
	udp *udpDoor
	callKey
}

// observer is one client's interest in one subject.
type observer struct {
	key     observerKey
	subject *subject
	oob     []byte
	stream  *stream
	request string // the cache key, for the blocks that the client will fetch
	label   string // for moved
	room    int
	block   block
	asked   bool // the client named a block size

	told      uint32 // order of the state that it was told last
	id        noticeKey
	since     int // notifications since the last confirmable one
	confirmed time.Time
	// unacked holds notifications back: a confirmable one is under way, or, on a
	// connection, the answer that begins the observation is not written yet.
	unacked bool
	posted  bool      // its connection's writer will look at it
	final   *response // of a connection: what ended it, and is still to be told
}

// subject is what clients observe: the latest state of a resource.
type subject struct {
	left func() // called, without locks, when the last observer is gone

	// Guarded by the observers' lock.
	all   map[*observer]struct{}
	state response
	at    time.Time
	life  time.Duration
	order uint32

	// Of a resource of the front itself.
	local  string // its key in locals
	req    *request
	render func(*request) response
	every  time.Duration
	looked time.Time
}

func (o *observers) init(s *Server) {
	o.s = s
	o.wake = make(chan struct{}, 1)
	o.by, o.byID, o.byHost = map[observerKey]*observer{}, map[noticeKey]*observer{}, map[peer]int{}
	o.dirty, o.locals = map[*subject]struct{}{}, map[string]*subject{}
}

// wanted reports whether a request asks to observe, through a door that can tell.
func (o *observers) wanted(req *request) bool {
	return (req.code == codes.GET || req.code == codes.FETCH) && (req.udp != nil || req.stream != nil) &&
		uintOption(req.options, message.Observe) == 0
}

func observerOf(req *request) observerKey {
	return observerKey{req.peer, req.udp, req.token, req.tkl}
}

// host is what maxObserversIP counts.
func (k observerKey) host() peer {
	if k.udp == nil {
		return k.peer
	}
	return peer{door: k.peer.door, local: k.peer.addr.Addr()}
}

// attach makes the one who asks an observer of sub, and r, the state now, the
// answer that says so; where there is no room, r stays as it is.
func (o *observers) attach(req *request, sub *subject, r response) response {
	k := observerOf(req)
	o.mu.Lock()
	defer o.mu.Unlock()
	old := o.by[k]
	if old == nil && (len(o.by) >= maxObservers || o.byHost[k.host()] >= maxObserversIP) {
		return r
	}
	if st := req.stream; st != nil {
		select {
		case <-st.done:
			return r
		default:
			st.observes = true
		}
	}
	x := &observer{key: k, subject: sub, oob: req.oob, stream: req.stream, request: req.cacheKey().request, label: req.label, room: req.room, confirmed: time.Now()}
	x.block, x.asked, _ = blockOption(req.options, message.Block2, req.bert)
	x.unacked = x.stream != nil
	if old != nil {
		o.dropLocked(old)
		if len(old.subject.all) == 0 && old.subject != sub && old.subject.left != nil {
			o.orphans = append(o.orphans, old.subject)
			o.wakeLocked()
		}
	}
	o.by[k] = x
	o.byHost[k.host()]++
	if sub.all == nil {
		sub.all = map[*observer]struct{}{}
	}
	sub.all[x] = struct{}{}
	if sub.order == 0 {
		sub.order = o.nextLocked()
	}
	x.told = sub.order
	r.options = with(without(r.options, message.Observe), message.Observe, uintBytes(x.told))
	return r
}

func (o *observers) nextLocked() uint32 {
	o.order = (o.order + 1) & 0xffffff
	if o.order == 0 {
		o.order = 1 // 0 means that nothing was told
	}
	return o.order
}

// set makes r the state of sub, and tells everybody if it is to be told.
func (o *observers) set(sub *subject, r response, now time.Time, tell bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	sub.state, sub.at, sub.life = r, now, lifetime(r)
	if sub.order == 0 || tell {
		sub.order = o.nextLocked()
	}
	if tell && len(sub.all) > 0 {
		o.markLocked(sub)
	}
}

func (o *observers) markLocked(sub *subject) {
	o.dirty[sub] = struct{}{}
	o.wakeLocked()
}

func (o *observers) wakeLocked() {
	select {
	case o.wake <- struct{}{}:
	default:
	}
}

// end makes the observers of sub none any more. What it returns tells them r, if
// that is an error, and is to be called without locks.
func (o *observers) end(sub *subject, r response) func() {
	o.mu.Lock()
	if sub.local != "" {
		delete(o.locals, sub.local)
	}
	var all []*observer
	for x := range sub.all {
		o.dropLocked(x)
		switch {
		case r.code == 0:
		case x.stream != nil:
			x.final = &r
			o.postLocked(x)
		default:
			all = append(all, x)
		}
	}
	o.mu.Unlock()
	return func() {
		for _, x := range all {
			o.send(x, r, message.Confirmable)
		}
	}
}

func (o *observers) empty(sub *subject) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	return len(sub.all) == 0
}

func (o *observers) dropLocked(x *observer) {
	if o.by[x.key] != x {
		return
	}
	delete(o.by, x.key)
	if o.byID[x.id] == x {
		delete(o.byID, x.id)
	}
	h := x.key.host()
	if o.byHost[h]--; o.byHost[h] == 0 {
		delete(o.byHost, h)
	}
	delete(x.subject.all, x)
}

// remove ends an observation of a client.
func (o *observers) remove(which func() *observer) {
	o.mu.Lock()
	var left func()
	if x := which(); x != nil {
		left = o.removeLocked(x)
	}
	o.mu.Unlock()
	if left != nil {
		left()
	}
}

// removeLocked returns what is to be called without the lock, if anything.
func (o *observers) removeLocked(x *observer) (left func()) {
	o.dropLocked(x)
	sub := x.subject
	if len(sub.all) > 0 {
		return nil
	}
	delete(o.dirty, sub)
	if sub.local != "" {
		delete(o.locals, sub.local)
	}
	return sub.left
}

// leave is a request with Observe 1 (RFC 7641, section 3.6).
func (o *observers) leave(req *request) {
	o.s.cache.withdraw(req)
	o.remove(func() *observer { return o.by[observerOf(req)] })
}

// noted remembers under which Message ID the answer that began an observation went
// out by itself: it may be rejected as notifications may.
func (o *observers) noted(k observerKey, id noticeKey) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if x := o.by[k]; x != nil {
		o.nameLocked(x, id)
	}
}

func (o *observers) nameLocked(x *observer, id noticeKey) {
	if o.byID[x.id] == x {
		delete(o.byID, x.id)
	}
	x.id = id
	o.byID[id] = x
}

// settled takes the acknowledgement of a notification.
func (o *observers) settled(id noticeKey) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if x := o.byID[id]; x != nil && x.unacked {
		x.unacked = false
		if x.told != x.subject.order {
			o.markLocked(x.subject) // what changed meanwhile (RFC 7641, section 4.5.1)
		}
	}
}

// lost takes the rejection of a notification, or that it was never acknowledged (RFC
// 7641, sections 4.2 and 4.5.2).
func (o *observers) lost(id noticeKey) { o.remove(func() *observer { return o.byID[id] }) }

// run tells observers what is new until ctx ends.
func (o *observers) run(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-o.wake:
			o.tell()
		}
	}
}

// tell sends every observer the latest state of its subject, if it may.
func (o *observers) tell() {
	var todo []*observer
	o.mu.Lock()
	orphans := o.orphans
	o.orphans = nil
	for sub := range o.dirty {
		for x := range sub.all {
			if x.told != sub.order && !x.unacked {
				todo = append(todo, x)
			}
		}
		delete(o.dirty, sub)
	}
	o.mu.Unlock()
	for _, sub := range orphans {
		sub.left() // looks whether it is still so
	}
	for _, x := range todo {
		o.tellOne(x, time.Now())
	}
}

func (o *observers) tellOne(x *observer, now time.Time) {
	o.mu.Lock()
	sub := x.subject
	if o.by[x.key] != x || x.unacked || x.told == sub.order {
		o.mu.Unlock()
		return
	}
	if x.stream != nil {
		o.postLocked(x)
		o.mu.Unlock()
		return
	}
	kind := message.NonConfirmable
	if x.since++; x.since >= confirmEvery || now.Sub(x.confirmed) >= confirmWithin {
		kind = message.Confirmable
		x.since, x.confirmed = 0, now
		x.unacked = true
	}
	r := x.newsLocked(now)
	o.mu.Unlock()
	o.send(x, r, kind)
}

// newsLocked is the latest state, as x is told it.
func (x *observer) newsLocked(now time.Time) response {
	sub := x.subject
	x.told = sub.order
	r := aged(sub.state, sub.life, now.Sub(sub.at))
	r.options = with(r.options, message.Observe, uintBytes(x.told))
	return r
}

// notice makes the message of a notification. A large one has its first block; the
// client fetches the others (RFC 7959, section 2.6).
func (o *observers) notice(x *observer, r response) message.Message {
	r = o.s.moved(r, x.label)
	if len(r.payload) > x.room || x.asked && len(r.payload) > x.block.size() {
		r = tag(r)
		b := x.block
		b.num = 0
		out, more := cut(&request{room: x.room}, r, b, x.asked)
		if more {
			o.s.transfers.keep(cacheKey{x.key.peer, x.request}, r, time.Now())
		}
		r = out
	}
	o.s.counts.notified.Add(1)
	return message.Message{Code: r.code, Token: x.key.token[:x.key.tkl], Options: r.options, Payload: r.payload}
}

// send sends a notification through a UDP or DTLS door.
func (o *observers) send(x *observer, r response, kind message.Type) {
	m := o.notice(x, r)
	d := x.key.udp
	m.MessageID = int32(d.mid.Add(1) & 0xffff)
	m.Type = kind
	id := noticeKey{d, callKey{x.key.peer.addr, x.key.peer.local, uint16(m.MessageID)}}
	o.mu.Lock()
	if o.by[x.key] == x {
		o.nameLocked(x, id)
	}
	o.mu.Unlock()
	if kind == message.Confirmable && !d.confirm(id.callKey, encode(m), x.oob) {
		m.Type = message.NonConfirmable // no room to wait for the acknowledgement: another time
		o.mu.Lock()
		x.unacked = false
		o.mu.Unlock()
	}
	d.write(encode(m), x.oob, x.key.peer.addr)
}

// len returns how many clients observe.
func (o *observers) len() int {
	o.mu.Lock()
	defer o.mu.Unlock()
	return len(o.by)
}

// confirm has a confirmable message repeated until it is acknowledged; false if too
// many are under way.
func (d *udpDoor) confirm(k callKey, msg, oob []byte) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.separate) >= maxSeparate {
		return false
	}
	d.confirmLocked(k, msg, slices.Clip(oob), maxRetransmit)
	return true
}
