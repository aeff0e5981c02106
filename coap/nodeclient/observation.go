package nodeclient

import (
	"crypto/rand"
	"net/netip"
	"slices"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
	"culvert/coap/observe"
)

// observation is one observation of a node's resource, for any number of clients (RFC
// 7641, section 5). Its token is the only one that ever names it.
type observation struct {
	e       *entry
	token   [4]byte
	subject *observe.Subject

	// Guarded by the cache's lock.
	registered bool      // the node accepted the registration
	updated    time.Time // the latest state
	renewAt    time.Time // when to register again

	// Guarded by the mutex of the queues.
	peer     *peer
	order    uint32 // Observe value of the latest notification
	orderAt  time.Time
	fetching bool // the further blocks of a large notification are being fetched
	again    bool // and there was another one meanwhile
}

// Times of observations of nodes. They are our choice.
const (
	renewLead  = 5 * time.Second  // before an observation lapses, at most
	renewLeast = 10 * time.Second // between two registrations
	renewRetry = 10 * time.Second // after one that could not be sent
)

// observeLocked prepares an observation of e.
func (c *cache) observeLocked(e *entry) bool {
	n := c.nodes[e.member.Node]
	if c.observations >= maxObservations || n.observations >= maxObservationsNode {
		return false // the client gets an answer, and no more (RFC 7641, section 4.1)
	}
	w := &observation{e: e}
	if _, err := rand.Read(w.token[:]); err != nil {
		return false
	}
	w.subject = observe.NewSubject(func() { c.abandoned(w) })
	e.observation = w
	c.observations++
	n.observations++
	return true
}

// observationFetchedLocked sees to the observation when an answer has come; what it
// returns is to be done without the lock.
func (c *cache) observationFetchedLocked(x *Exchange, r msg.Response, now time.Time) []func() {
	e := x.fetch.e
	w := x.observation
	switch {
	case w == nil && e.observation != nil && e.observation.registered && x.FromNode && r.Code == codes.Content:
		// Not a notification, and yet the latest state.
		return c.publishLocked(e.observation, r, now, false, true)
	case w == nil || e.observation != w:
		return nil
	case x.purpose == registered && x.FromNode && r.Code>>5 == 2:
		first := !w.registered
		w.registered = true
		return c.publishLocked(w, r, now, first, false)
	case w.registered && !x.FromNode && r.Code == codes.ServiceUnavailable && now.Before(w.updated.Add(e.maxAge+c.towards(e.member.Table).NodeTimeout)):
		w.renewAt = now.Add(renewRetry) // it was never asked: its queue was full
		return nil
	case x.FromNode && r.Code>>5 == 2:
		// The node answers, and will not notify (any more).
		return c.endObservationLocked(e, msg.Unavailable(msg.DefaultMaxAge, "the node ended the observation"))
	}
	return c.endObservationLocked(e, r)
}

// publishLocked makes r the state that the clients see. The first one has no
// observers yet; aside is one that is no notification.
func (c *cache) publishLocked(w *observation, r msg.Response, now time.Time, first, aside bool) []func() {
	life := msg.MaxAge(r)
	w.updated = now
	w.renewAt = now.Add(max(life-min(life/10, renewLead), c.renewLeast))
	c.observers.Set(w.subject, r, now, !first && !aside)
	return nil
}

// endObservationLocked ends the observation of e: its clients are sent r, and observe no
// longer (RFC 7641, section 4.2).
func (c *cache) endObservationLocked(e *entry, r msg.Response) []func() {
	w := e.observation
	e.observation = nil
	c.observations--
	if n := c.nodes[e.member.Node]; n != nil {
		n.observations--
	}
	e.stale = true // its changes are no longer notified
	tell := c.observers.End(w.subject, r)
	return []func(){func() { c.queues.forget(w) }, tell}
}

// abandoned is called when the last client has left: it deregisters with the node (RFC
// 7641, section 3.6).
func (c *cache) abandoned(w *observation) {
	now := c.now()
	c.mu.Lock()
	e := w.e
	if e.observation != w || !w.registered || !c.observers.Empty(w.subject) {
		c.mu.Unlock()
		return
	}
	stale := e.stale
	after := c.endObservationLocked(e, msg.Response{})
	e.stale = stale // as good as any answer, for as long as it says
	x := &Exchange{
		Code: e.code, Options: e.options, Body: e.body, TakeBlocks: true, Deadline: now.Add(c.towards(e.member.Table).NodeTimeout),
		observation: w, purpose: deregisters, Reply: func(msg.Response) {},
	}
	addr := c.locate(e.member)
	c.mu.Unlock()
	for _, do := range after {
		do()
	}
	if addr.Addr().IsValid() {
		c.queues.submit(addr, x)
	}
}

// notified takes the state that a notification brought, whole.
func (c *cache) notified(w *observation, r msg.Response, good bool) {
	now := c.now()
	c.mu.Lock()
	e := w.e
	if e.observation != w {
		c.mu.Unlock()
		return
	}
	r = WithoutHopOptions(r)
	var after []func()
	switch {
	case good && r.Code == codes.Content:
		c.keepLocked(e, r, now)
		after = c.publishLocked(w, r, now, false, false)
	case r.Code>>5 > 2 && good:
		c.keepLocked(e, r, now)
		after = c.endObservationLocked(e, r)
	default:
		w.renewAt = now // what it says could not be had: the next registration settles it
	}
	c.dropUnusedLocked(e)
	c.mu.Unlock()
	for _, do := range after {
		do()
	}
}

// renew registers again where an observation is about to lapse: the node may have
// forgotten its observers, and would say nothing (RFC 7641, section 3.3.1).
func (c *cache) renew(now time.Time) {
	type job struct {
		addr netip.AddrPort
		x    *Exchange
	}
	var jobs []job
	c.mu.Lock()
	if c.observations > 0 {
		for _, n := range c.nodes {
			if n.observations == 0 {
				continue
			}
			for _, e := range n.by {
				w := e.observation
				if w == nil || !w.registered || e.fetch != nil || now.Before(w.renewAt) {
					continue
				}
				if addr := c.locate(e.member); addr.Addr().IsValid() {
					jobs = append(jobs, job{addr, c.fetchLocked(e, true, false, now)})
				}
			}
		}
	}
	c.mu.Unlock()
	for _, j := range jobs {
		c.queues.submit(j.addr, j.x)
	}
}

// forget forgets the token of w: what comes with it is rejected from now on.
func (u *queues) forget(w *observation) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if w.peer != nil && w.peer.observations[w.token] == w {
		delete(w.peer.observations, w.token)
	}
}

// observeLocked makes w's token one on which p notifies.
func (u *queues) observeLocked(p *peer, w *observation) {
	if w.peer != nil && w.peer != p {
		delete(w.peer.observations, w.token) // the node has another address now
	}
	w.peer = p
	if p.observations == nil {
		p.observations = map[[4]byte]*observation{}
	}
	p.observations[w.token] = w
}

// observationOf returns the observation to which a message of p belongs.
func (p *peer) observationOf(t message.Token) *observation {
	if p == nil || len(t) != 4 {
		return nil
	}
	return p.observations[[4]byte(t)]
}

// newer orders notifications (RFC 7641, section 3.4).
func newer(v1, v2 uint32, t1, t2 time.Time) bool {
	const half = 1 << 23
	return v1 < v2 && v2-v1 < half || v1 > v2 && v1-v2 > half || t2.Sub(t1) > 128*time.Second
}

// notificationLocked takes a message with w's token; deliver, if not nil, is to be
// called without the lock.
func (u *queues) notificationLocked(p *peer, w *observation, m *message.Message, now time.Time) (deliver func(), ended []*Exchange) {
	c := u.cache
	if _, ok := checkResponseOptions(m.Options); !ok {
		return func() { c.notified(w, msg.Response{}, false) }, nil
	}
	v := msg.Uint(m.Options, message.Observe)
	if m.Code>>5 == 2 && v < 0 {
		return func() { c.notified(w, msg.Response{}, false) }, nil // it notifies no more
	}
	if v >= 0 && !newer(w.order, uint32(v)&0xffffff, w.orderAt, now) {
		u.counts.disordered.Add(1)
		return nil, nil
	}
	if v >= 0 {
		w.order, w.orderAt = uint32(v)&0xffffff, now
	}
	r := msg.Response{Code: m.Code, Options: msg.CloneOptions(m.Options), Payload: slices.Clone(m.Payload)}
	b, blocks, ok := msg.BlockOption(m.Options, message.Block2, false)
	switch {
	case !blocks || !ok || !b.More || m.Code>>5 != 2:
		return func() { c.notified(w, r, ok) }, nil
	case w.fetching:
		w.again = true
		return nil, nil
	case b.Num != 0 || len(m.Payload) != b.Size():
		return func() { c.notified(w, msg.Response{}, false) }, nil
	}
	// RFC 7959, section 2.6: the rest comes by requests that do not observe.
	x := u.restLocked(w, now)
	x.response = r
	x.progress = fromLaterBlock
	x.download = msg.Block{Num: 1, SZX: b.SZX}
	if !u.enqueueLocked(p, x) {
		w.fetching = false
		return func() { c.notified(w, msg.Response{}, false) }, nil
	}
	if len(p.queue) == 1 {
		ended = u.startLocked(p, now)
	}
	return nil, ended
}

// restLocked is the exchange for a representation too large for its notification.
func (u *queues) restLocked(w *observation, now time.Time) *Exchange {
	w.fetching, w.again = true, false
	e := w.e
	x := &Exchange{Code: e.code, Options: e.options, Body: e.body, TakeBlocks: true, Deadline: now.Add(w.peer.transmission.NodeTimeout)}
	x.Reply = func(r msg.Response) {
		u.mu.Lock()
		w.fetching = false
		var next *Exchange
		addr := w.peer.addr
		if w.again && w.peer.observations[w.token] == w {
			next = u.restLocked(w, u.now())
		}
		u.mu.Unlock()
		u.cache.notified(w, r, x.FromNode)
		if next != nil {
			u.submit(addr, next)
		}
	}
	return x
}
