// Package observe notifies the clients that observe a resource of its changes (RFC 7641).
package observe

import (
	"context"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// Limits and intervals of observation by clients. They are our choice.
const (
	maxObservers   = 16384
	maxAnonymous   = 12000 // among them, of clients without an identity
	maxObserversIP = 6000  // of them from one network; a dashboard may hold thousands
	maxLocals      = 1024  // observed resources of the front itself
	ConfirmEvery   = 8     // every eighth notification is confirmable,
	ConfirmWithin  = time.Hour
)

// Observers are the clients that observe something (RFC 7641, section 4). Each is one
// entry; one goroutine notifies all of them.
type Observers struct {
	now       func() time.Time
	transfers *msg.Transfers                          // for the later blocks of a notification
	rewrite   func(msg.Response, string) msg.Response // moves links below a node's path
	refused   func(*msg.Request) (msg.Response, bool) // judges a registration; nil: each is allowed
	wake      chan struct{}                           // capacity 1; wakes the notifying goroutine
	sent      atomic.Uint64                           // notifications
	changed   atomic.Bool                             // a local resource changed: see Changed

	mu        sync.Mutex
	byKey     map[msg.ObservationKey]*observer
	byMessage map[msg.MessageKey]*observer // by the key of the latest notification
	byNetwork map[netip.Prefix]int         // of clients without an identity
	anonymous int
	dirty     map[*Subject]struct{}
	locals    map[string]*localSubject
	conns     map[msg.Connection]*connection
	order     uint32 // Observe value of the latest state of any subject; it only grows
	// orphans lost their last observer because it reused its token for another subject.
	orphans []*Subject
}

// observer is one client's observation of one subject.
type observer struct {
	key     msg.ObservationKey
	subject *Subject
	via     msg.Notifier // UDP and DTLS
	source  []byte       // of the datagrams
	conn    *connection  // streams
	request string       // cache key under which the client fetches further blocks
	label   string       // node below whose path links are moved
	room    int          // octets of the largest payload without blocks
	block   msg.Block
	sized   bool // the client named a block size

	order     uint32 // of the state that the client was sent last
	message   msg.MessageKey
	since     int // notifications since the last confirmable one
	confirmed time.Time
	// blocked holds notifications back: a confirmable one awaits its acknowledgement,
	// or the response that begins the observation is not yet queued on its connection.
	blocked bool
	final   *msg.Response // connections: the error that ended the observation, not sent yet
	queued  bool          // in the connection's queue
}

// Subject is what clients observe: the latest state of a resource.
type Subject struct {
	// abandoned is called without locks when the last observer has left.
	abandoned func()

	// Guarded by the mutex of the observers.
	all   map[*observer]struct{}
	state msg.Response
	at    time.Time
	life  time.Duration
	order uint32
	local *localSubject // of a resource of the front itself
}

// NewSubject returns a subject without observers; abandoned is called when the last one
// has left.
func NewSubject(abandoned func()) *Subject { return &Subject{abandoned: abandoned} }

// New returns observers without any. Later blocks of notifications are kept in t; rewrite
// moves links below the path of a node, whose label it is given.
func New(t *msg.Transfers, rewrite func(msg.Response, string) msg.Response, now func() time.Time) *Observers {
	return &Observers{
		now: now, transfers: t, rewrite: rewrite, wake: make(chan struct{}, 1),
		byKey: map[msg.ObservationKey]*observer{}, byMessage: map[msg.MessageKey]*observer{}, byNetwork: map[netip.Prefix]int{},
		dirty: map[*Subject]struct{}{}, locals: map[string]*localSubject{}, conns: map[msg.Connection]*connection{},
	}
}

// Judge has refused look at each registration right before it begins: rights may have
// changed while a request waited for its node. It must not call Observers.
func (o *Observers) Judge(refused func(*msg.Request) (msg.Response, bool)) { o.refused = refused }

// Wants reports whether a request registers an observation, through a door
// that can notify.
func Wants(req *msg.Request) bool {
	return (req.Code == codes.GET || req.Code == codes.FETCH) && (req.Notifier != nil || req.Connection != nil) &&
		msg.Uint(req.Options, message.Observe) == 0
}

// fullLocked reports whether there is no room for x. Clients without an identity leave room
// for the others.
func (o *Observers) fullLocked(x *observer) bool {
	p := x.key.Peer
	return len(o.byKey) >= maxObservers ||
		p.Anonymous() && (o.anonymous >= maxAnonymous || o.byNetwork[msg.Network(p.Addr.Addr())] >= maxObserversIP)
}

// Attach makes the client an observer of sub and returns r, its present state, as the
// response that says so. Without room for another observer r is returned as it is; a client
// that may not observe the resource (any longer) gets the refusal instead.
func (o *Observers) Attach(req *msg.Request, sub *Subject, r msg.Response) msg.Response {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.refused != nil { // under the lock, so that EndWhere misses no observer that was allowed before it
		if refusal, refused := o.refused(req); refused {
			return refusal
		}
	}
	x := &observer{
		key: req.Observation(), subject: sub, via: req.Notifier, source: req.Source,
		request: req.CacheKey().Request, label: req.Label, room: req.Room, confirmed: o.now(),
	}
	x.block, x.sized, _ = msg.BlockOption(req.Options, message.Block2, req.BERT)
	old := o.byKey[x.key]
	if old == nil && o.fullLocked(x) {
		return r
	}
	if req.Connection != nil {
		if req.Connection.Closed() {
			return r
		}
		x.conn, x.blocked = o.connectionLocked(req.Connection), true
	}
	if old != nil {
		o.dropLocked(old)
		if len(old.subject.all) == 0 && old.subject != sub && old.subject.abandoned != nil {
			o.orphans = append(o.orphans, old.subject)
			o.wakeLocked()
		}
	}
	o.byKey[x.key] = x
	if x.key.Peer.Anonymous() {
		o.byNetwork[msg.Network(x.key.Peer.Addr.Addr())]++
		o.anonymous++
	}
	if sub.all == nil {
		sub.all = map[*observer]struct{}{}
	}
	sub.all[x] = struct{}{}
	if sub.order == 0 {
		sub.order = o.nextOrderLocked()
	}
	x.order = sub.order
	r.Options = msg.With(msg.Without(r.Options, message.Observe), message.Observe, msg.EncodeUint(x.order))
	return r
}

func (o *Observers) nextOrderLocked() uint32 {
	o.order = (o.order + 1) & 0xffffff
	if o.order == 0 {
		o.order = 1 // 0 means that there is no state yet
	}
	return o.order
}

// Set makes r the state of sub, and notifies its observers if notify is set.
func (o *Observers) Set(sub *Subject, r msg.Response, now time.Time, notify bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	sub.state, sub.at, sub.life = r, now, msg.MaxAge(r)
	if sub.order == 0 || notify {
		sub.order = o.nextOrderLocked()
	}
	if notify && len(sub.all) > 0 {
		o.markLocked(sub)
	}
}

func (o *Observers) markLocked(sub *Subject) {
	o.dirty[sub] = struct{}{}
	o.wakeLocked()
}

func (o *Observers) wakeLocked() {
	select {
	case o.wake <- struct{}{}:
	default:
	}
}

// End removes all observers of sub. The returned function sends them r, unless its
// code is zero, and must be called without locks.
func (o *Observers) End(sub *Subject, r msg.Response) (send func()) {
	o.mu.Lock()
	if sub.local != nil {
		delete(o.locals, sub.local.key)
	}
	var all []*observer
	for x := range sub.all {
		o.dropLocked(x)
		switch {
		case r.Code == 0:
		case x.conn != nil:
			x.final = &r
			x.conn.queueLocked(x)
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

// Empty reports whether nobody observes sub.
func (o *Observers) Empty(sub *Subject) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	return len(sub.all) == 0
}

func (o *Observers) dropLocked(x *observer) {
	if o.byKey[x.key] != x {
		return
	}
	delete(o.byKey, x.key)
	if o.byMessage[x.message] == x {
		delete(o.byMessage, x.message)
	}
	if x.key.Peer.Anonymous() {
		from := msg.Network(x.key.Peer.Addr.Addr())
		if o.byNetwork[from]--; o.byNetwork[from] == 0 {
			delete(o.byNetwork, from)
		}
		o.anonymous--
	}
	delete(x.subject.all, x)
}

// remove ends the observation that find returns, if any.
func (o *Observers) remove(find func() *observer) {
	o.mu.Lock()
	var abandoned func()
	if x := find(); x != nil {
		abandoned = o.removeLocked(x)
	}
	o.mu.Unlock()
	if abandoned != nil {
		abandoned()
	}
}

// removeLocked returns what must be called without the lock, or nil.
func (o *Observers) removeLocked(x *observer) (abandoned func()) {
	o.dropLocked(x)
	sub := x.subject
	if len(sub.all) > 0 {
		return nil
	}
	delete(o.dirty, sub)
	if sub.local != nil {
		delete(o.locals, sub.local.key)
	}
	return sub.abandoned
}

// Deregister ends an observation by a request with Observe 1 (RFC 7641, section 3.6).
func (o *Observers) Deregister(k msg.ObservationKey) {
	o.remove(func() *observer { return o.byKey[k] })
}

// EndWhere ends all observations of the peers that match.
func (o *Observers) EndWhere(matches func(msg.Peer) bool) {
	var abandoned []func()
	o.mu.Lock()
	for k, x := range o.byKey {
		if matches(k.Peer) {
			if f := o.removeLocked(x); f != nil {
				abandoned = append(abandoned, f)
			}
		}
	}
	o.mu.Unlock()
	for _, f := range abandoned {
		f()
	}
}

// ResponseSent reports that the response which began an observation went out under a
// Message ID of its own: the client may reject it as it may a notification.
func (o *Observers) ResponseSent(k msg.ObservationKey, m msg.MessageKey) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if x := o.byKey[k]; x != nil {
		o.nameLocked(x, m)
	}
}

func (o *Observers) nameLocked(x *observer, m msg.MessageKey) {
	if o.byMessage[x.message] == x {
		delete(o.byMessage, x.message)
	}
	x.message = m
	o.byMessage[m] = x
}

// Acknowledged reports that a client acknowledged a message.
func (o *Observers) Acknowledged(m msg.MessageKey) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if x := o.byMessage[m]; x != nil {
		o.unblockLocked(x)
	}
}

// unblockLocked lets x be notified again, and of what changed meanwhile (RFC 7641,
// section 4.5.1).
func (o *Observers) unblockLocked(x *observer) {
	if !x.blocked {
		return
	}
	x.blocked = false
	if x.order != x.subject.order {
		o.markLocked(x.subject)
	}
}

// Rejected reports that a client rejected a notification, or never acknowledged it:
// either ends its observation (RFC 7641, sections 4.2 and 4.5.2).
func (o *Observers) Rejected(m msg.MessageKey) { o.remove(func() *observer { return o.byMessage[m] }) }

// Run notifies observers until ctx ends.
func (o *Observers) Run(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-o.wake:
			o.notifyDirty()
		}
	}
}

// notifyDirty sends the observers of each changed subject its latest state.
func (o *Observers) notifyDirty() {
	var due []*observer
	o.mu.Lock()
	orphans := o.orphans
	o.orphans = nil
	for sub := range o.dirty {
		for x := range sub.all {
			if x.order != sub.order && !x.blocked {
				due = append(due, x)
			}
		}
		delete(o.dirty, sub)
	}
	o.mu.Unlock()
	for _, sub := range orphans {
		sub.abandoned() // it checks that there is still no observer
	}
	for _, x := range due {
		o.notify(x, o.now())
	}
}

func (o *Observers) notify(x *observer, now time.Time) {
	o.mu.Lock()
	sub := x.subject
	if o.byKey[x.key] != x || x.blocked || x.order == sub.order {
		o.mu.Unlock()
		return
	}
	if x.conn != nil {
		x.conn.queueLocked(x)
		o.mu.Unlock()
		return
	}
	kind := message.NonConfirmable
	if x.since++; x.since >= ConfirmEvery || now.Sub(x.confirmed) >= ConfirmWithin {
		kind = message.Confirmable
		x.since, x.confirmed = 0, now
		x.blocked = true
	}
	r := x.latestLocked(now)
	o.mu.Unlock()
	o.send(x, r, kind)
}

// latestLocked returns the latest state, and records that x has it.
func (x *observer) latestLocked(now time.Time) msg.Response {
	sub := x.subject
	x.order = sub.order
	r := msg.WithAge(sub.state, sub.life, now.Sub(sub.at))
	r.Options = msg.With(r.Options, message.Observe, msg.EncodeUint(x.order))
	return r
}

// notification makes the message. A large one carries its first block; the client
// fetches the others (RFC 7959, section 2.6).
func (o *Observers) notification(x *observer, r msg.Response) message.Message {
	r = o.rewrite(r, x.label)
	if len(r.Payload) > x.room || x.sized && len(r.Payload) > x.block.Size() {
		r = msg.WithETag(r)
		b := x.block
		b.Num = 0
		out, more := msg.Cut(x.room, r, b, x.sized)
		if more {
			o.transfers.Keep(msg.CacheKey{Peer: x.key.Peer, Request: x.request}, r, o.now())
		}
		r = out
	}
	o.sent.Add(1)
	return message.Message{Code: r.Code, Token: x.key.Token[:x.key.TokenLen], Options: r.Options, Payload: r.Payload}
}

// send sends a notification as a datagram.
func (o *Observers) send(x *observer, r msg.Response, kind message.Type) {
	m := o.notification(x, r)
	m.Type = kind
	key := x.via.NextKey(x.key.Peer)
	m.MessageID = int32(key.ID)
	o.mu.Lock()
	if o.byKey[x.key] == x {
		o.nameLocked(x, key)
	}
	o.mu.Unlock()
	if confirmed := x.via.Notify(key, m, x.source); !confirmed {
		o.mu.Lock()
		x.blocked = false
		o.mu.Unlock()
	}
}

// Stats are figures about observers.
type Stats struct {
	Observers     int
	Queued        int    // observers that await their turn on their connections
	Locals        int    // observed resources of the front itself
	Notifications uint64 // sent, without retransmissions
}

// Stats returns the figures now.
func (o *Observers) Stats() Stats {
	o.mu.Lock()
	defer o.mu.Unlock()
	s := Stats{Observers: len(o.byKey), Locals: len(o.locals), Notifications: o.sent.Load()}
	for _, c := range o.conns {
		s.Queued += len(c.queue)
	}
	return s
}
