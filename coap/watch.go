package coap

import (
	"crypto/rand"
	"net/netip"
	"slices"
	"time"

	"culvert/coap/msg"
	"culvert/coap/observe"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// watch is one observation of a node's resource, for any number of clients (RFC
// 7641, section 5). Its token is the only one that ever names it.
type watch struct {
	e       *entry
	token   [4]byte
	subject *observe.Subject

	// Guarded by the cache's lock.
	up    bool      // the node said that it will notify
	heard time.Time // the latest state
	due   time.Time // when to register again

	// Guarded by the upstream's lock.
	peer     *nodePeer
	order    uint32 // Observe value of the latest notification
	orderAt  time.Time
	fetching bool // the rest of a large notification is under way
	again    bool // and there was another one meanwhile
}

// Times of observations of nodes, ours.
const (
	renewLead  = 5 * time.Second  // before an observation lapses, at most
	renewLeast = 10 * time.Second // between two registrations
	renewRetry = 10 * time.Second // after one that could not be sent
)

// watchLocked prepares an observation of e.
func (c *nodeCache) watchLocked(e *entry) bool {
	n := c.nodes[e.t.Node]
	if c.watches >= maxWatches || n.watches >= maxWatchesNode {
		return false // the client gets an answer, and no more (RFC 7641, section 4.1)
	}
	w := &watch{e: e}
	if _, err := rand.Read(w.token[:]); err != nil {
		return false
	}
	w.subject = observe.NewSubject(func() { c.left(w) })
	e.watch = w
	c.watches++
	n.watches++
	return true
}

// watchFetchedLocked sees to the observation when an answer has come; what it
// returns is to be done without the lock.
func (c *nodeCache) watchFetchedLocked(x *exchange, r msg.Response, now time.Time) []func() {
	e := x.into.e
	w := x.watch
	switch {
	case w == nil && e.watch != nil && e.watch.up && x.heard && r.Code == codes.Content:
		// Not a notification, and yet the latest state.
		return c.publishLocked(e.watch, r, now, false, true)
	case w == nil || e.watch != w:
		return nil
	case x.observed && x.heard && r.Code>>5 == 2:
		first := !w.up
		w.up = true
		return c.publishLocked(w, r, now, first, false)
	case w.up && !x.heard && r.Code == codes.ServiceUnavailable && now.Before(w.heard.Add(e.maxAge+c.s.towards(e.t.Table).NodeTimeout)):
		w.due = now.Add(renewRetry) // it was never asked: its queue was full
		return nil
	case x.heard && r.Code>>5 == 2:
		// The node answers, and will not notify (any more).
		return c.endWatchLocked(e, msg.Unavailable(msg.DefaultMaxAge, "the node ended the observation"))
	}
	return c.endWatchLocked(e, r)
}

// publishLocked makes r the state that the clients see. The first one has no
// observers yet; aside is one that is no notification.
func (c *nodeCache) publishLocked(w *watch, r msg.Response, now time.Time, first, aside bool) []func() {
	life := msg.MaxAge(r)
	w.heard = now
	w.due = now.Add(max(life-min(life/10, renewLead), c.s.renewLeast))
	c.s.observers.Set(w.subject, r, now, !first && !aside)
	return nil
}

// endWatchLocked gives the observation of e up: its clients are told r, and are
// observers no more (RFC 7641, section 4.2).
func (c *nodeCache) endWatchLocked(e *entry, r msg.Response) []func() {
	w := e.watch
	e.watch = nil
	c.watches--
	if n := c.nodes[e.t.Node]; n != nil {
		n.watches--
	}
	e.stale = true // nobody says any more when it changes
	tell := c.s.observers.End(w.subject, r)
	return []func(){func() { c.s.upstream.unwatch(w) }, tell}
}

// left is called when the last client has left: the node is told (RFC 7641, section
// 3.6).
func (c *nodeCache) left(w *watch) {
	now := time.Now()
	c.mu.Lock()
	e := w.e
	if e.watch != w || !w.up || !c.s.observers.Empty(w.subject) {
		c.mu.Unlock()
		return
	}
	stale := e.stale
	after := c.endWatchLocked(e, msg.Response{})
	e.stale = stale // as good as any answer, for as long as it says
	x := &exchange{
		code: e.code, options: e.options, body: e.body, ask: true, deadline: now.Add(c.s.towards(e.t.Table).NodeTimeout),
		watch: w, leave: true, reply: func(msg.Response) {},
	}
	addr := c.s.locate(e.t)
	c.mu.Unlock()
	for _, do := range after {
		do()
	}
	if addr.Addr().IsValid() {
		c.s.upstream.submit(addr, x)
	}
}

// notified takes the state that a notification brought, whole.
func (c *nodeCache) notified(w *watch, r msg.Response, good bool) {
	now := time.Now()
	c.mu.Lock()
	e := w.e
	if e.watch != w {
		c.mu.Unlock()
		return
	}
	r = hopped(r)
	var after []func()
	switch {
	case good && r.Code == codes.Content:
		c.keepLocked(e, r, now)
		after = c.publishLocked(w, r, now, false, false)
	case r.Code>>5 > 2 && good:
		c.keepLocked(e, r, now)
		after = c.endWatchLocked(e, r)
	default:
		w.due = now // what it says could not be had: the next registration settles it
	}
	c.tidyLocked(e)
	c.mu.Unlock()
	for _, do := range after {
		do()
	}
}

// renew registers again where an observation is about to lapse: the node may have
// forgotten its observers, and would say nothing (RFC 7641, section 3.3.1).
func (c *nodeCache) renew(now time.Time) {
	type job struct {
		addr netip.AddrPort
		x    *exchange
	}
	var jobs []job
	c.mu.Lock()
	if c.watches > 0 {
		for _, n := range c.nodes {
			if n.watches == 0 {
				continue
			}
			for _, e := range n.by {
				w := e.watch
				if w == nil || !w.up || e.fetch != nil || now.Before(w.due) {
					continue
				}
				if addr := c.s.locate(e.t); addr.Addr().IsValid() {
					jobs = append(jobs, job{addr, c.fetchLocked(e, true, now)})
				}
			}
		}
	}
	c.mu.Unlock()
	for _, j := range jobs {
		c.s.upstream.submit(j.addr, j.x)
	}
}

// unwatch forgets the token of w: what comes with it is rejected from now on.
func (u *upstream) unwatch(w *watch) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if w.peer != nil && w.peer.watches[w.token] == w {
		delete(w.peer.watches, w.token)
	}
}

// watchLocked makes w's token one on which p notifies.
func (u *upstream) watchLocked(p *nodePeer, w *watch) {
	if w.peer != nil && w.peer != p {
		delete(w.peer.watches, w.token) // the node has another address now
	}
	w.peer = p
	if p.watches == nil {
		p.watches = map[[4]byte]*watch{}
	}
	p.watches[w.token] = w
}

// watchOf returns the observation to which a message of p belongs.
func (p *nodePeer) watchOf(t message.Token) *watch {
	if p == nil || len(t) != 4 {
		return nil
	}
	return p.watches[[4]byte(t)]
}

// newer orders notifications (RFC 7641, section 3.4).
func newer(v1, v2 uint32, t1, t2 time.Time) bool {
	const half = 1 << 23
	return v1 < v2 && v2-v1 < half || v1 > v2 && v1-v2 > half || t2.Sub(t1) > 128*time.Second
}

// notificationLocked takes a message with w's token; deliver, if not nil, is to be
// called without the lock.
func (u *upstream) notificationLocked(p *nodePeer, w *watch, m *message.Message, now time.Time) (deliver func(), ended []*exchange) {
	c := &u.s.cache
	if _, ok := badAnswer(m.Options); !ok {
		return func() { c.notified(w, msg.Response{}, false) }, nil
	}
	v := msg.Uint(m.Options, message.Observe)
	if m.Code>>5 == 2 && v < 0 {
		return func() { c.notified(w, msg.Response{}, false) }, nil // it notifies no more
	}
	if v >= 0 && !newer(w.order, uint32(v)&0xffffff, w.orderAt, now) {
		u.s.counts.disordered.Add(1)
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
	x.got = r
	x.resume = true
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
func (u *upstream) restLocked(w *watch, now time.Time) *exchange {
	w.fetching, w.again = true, false
	e := w.e
	x := &exchange{code: e.code, options: e.options, body: e.body, ask: true, deadline: now.Add(u.s.towards(e.t.Table).NodeTimeout)}
	x.reply = func(r msg.Response) {
		u.mu.Lock()
		w.fetching = false
		var next *exchange
		addr := w.peer.addr
		if w.again && w.peer.watches[w.token] == w {
			next = u.restLocked(w, time.Now())
		}
		u.mu.Unlock()
		u.s.cache.notified(w, r, x.heard)
		if next != nil {
			u.submit(addr, next)
		}
	}
	return x
}
