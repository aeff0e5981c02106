package nodeclient

import (
	"encoding/binary"
	"fmt"
	"net/netip"
	"slices"
	"sync"
	"sync/atomic"
	"time"
	"unicode/utf8"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/msg"
	"culvert/coap/observe"
)

// Limits of the cache. They are our choice.
const (
	maxEntries          = 8192    // answers of nodes that are kept
	maxEntriesNode      = 64      // of one node
	maxKept             = 8 << 20 // octets of them
	maxKeptNode         = 256 << 10
	maxWaiting          = 16384 // requests that wait for a response in progress
	maxObservations     = 4096  // observations of nodes
	maxObservationsNode = 16
	maxKeyPart          = 1024 // octets of a key; a longer request is not cached
	entryCost           = 512  // octets that an entry costs besides its answer, about
)

// cache keeps responses of nodes (RFC 7252, section 5.6), joins concurrent requests for the
// same resource, and holds the observations of nodes (observation.go).
type cache struct {
	queues     *queues
	observers  *observe.Observers
	towards    func(*node.Table) *Transmission
	locate     func(node.Member) netip.AddrPort
	now        func() time.Time
	renewLeast time.Duration // between two registrations with a node

	mu           sync.Mutex
	nodes        map[*node.Node]*nodeEntries
	count        int // of entries
	octets       int // of their answers
	waiting      int
	observations int
	// pending are the registrations that wait for the node's answer: a client may
	// withdraw before it comes.
	pending map[msg.ObservationKey]*msg.Request

	hits atomic.Uint64
}

// nodeEntries are the entries of one node, by their cache keys.
type nodeEntries struct {
	by           map[string]*entry
	octets       int
	observations int
}

// entry is one request to a node that was or is asked, or observed.
type entry struct {
	member  node.Member
	key     string
	path    string // of the node's resource
	code    codes.Code
	options message.Options // to the node, without ETag and Observe
	body    []byte          // of FETCH

	kept   bool
	resp   msg.Response // the node's, with its Max-Age
	at     time.Time
	maxAge time.Duration
	stale  bool // whatever its age
	used   time.Time

	fetch       *fetch // in progress, and open to be joined
	observation *observation
}

// fetch is a request in progress with a node, for all clients that want the same.
type fetch struct {
	e        *entry
	outdated bool         // the resource was written since: the response may be older
	base     msg.Response // whose ETag was sent to the node for validation
	waiting  []waiter
}

// waiter is a client's request that a fetch will answer.
type waiter struct {
	req     *msg.Request
	observe bool // it wants to observe
	reply   func(msg.Response)
}

func (c *cache) init(u *queues, o *observe.Observers, towards func(*node.Table) *Transmission, locate func(node.Member) netip.AddrPort, now func() time.Time) {
	c.queues, c.observers, c.towards, c.locate, c.now, c.renewLeast = u, o, towards, locate, now, renewLeast
	c.nodes, c.pending = map[*node.Node]*nodeEntries{}, map[msg.ObservationKey]*msg.Request{}
}

// entryKey is the cache key (RFC 7252, section 5.6; RFC 8132, section 2): the
// method, the options but for those that the cache acts on, and FETCH's payload.
func entryKey(code codes.Code, o message.Options, body []byte) string {
	b := []byte{byte(code)}
	for _, x := range o {
		b = AppendKeyPart(b, x)
	}
	if code == codes.FETCH {
		b = append(append(b, 0xff), body...)
	}
	return string(b)
}

// AppendKeyPart appends an option to a cache key, unless it is no part of it.
func AppendKeyPart(b []byte, x message.Option) []byte {
	if msg.NoCacheKey(x.ID) {
		return b
	}
	b = binary.BigEndian.AppendUint16(b, uint16(x.ID))
	b = binary.BigEndian.AppendUint16(b, uint16(len(x.Value)))
	return append(b, x.Value...)
}

// Request is a request for a node's resource as the cache knows it.
type Request struct {
	addr    netip.AddrPort
	options message.Options // for the node, without ETag: the cache has its own
	key     string
}

// NewRequest makes one. ok is false if the cache may not answer it. What OSCORE
// hides is only for the node (RFC 8613, section 10), and Echo proves to the node that
// the request is new (RFC 9175, section 2.3). What a critical option that is not known here
// asks for may change the response in any way. Options that are no part of the cache key do
// not reach the node, since its response goes to others, too.
func NewRequest(code codes.Code, addr netip.AddrPort, o message.Options, body []byte) (r Request, ok bool) {
	if code != codes.GET && code != codes.FETCH {
		return r, false
	}
	for _, x := range o {
		if x.ID == msg.OptOSCORE || x.ID == message.Echo || msg.Critical(x.ID) && !msg.Understood(x.ID) {
			return r, false
		}
	}
	o = slices.DeleteFunc(msg.Without(o, message.ETag), func(x message.Option) bool { return msg.NoCacheKey(x.ID) })
	r = Request{addr, o, entryKey(code, o, body)}
	return r, len(r.key) <= maxKeyPart
}

// read answers a GET or FETCH of a node's resource from what is kept, or asks the
// node.
func (c *cache) read(req *msg.Request, t node.Member, o Request, reply func(msg.Response)) {
	now := c.now()
	w := waiter{req: req, observe: observe.Wants(req), reply: reply}

	c.mu.Lock()
	e := c.entryLocked(t, o.key, now)
	if e == nil {
		c.mu.Unlock()
		reply(msg.Unavailable(10, "too many of the node's resources are asked for at once"))
		return
	}
	if e.code == 0 {
		e.code, e.options, e.body, e.path = req.Code, o.options, req.Payload, msg.ResourcePath(o.options, message.URIPath)
	}
	e.used = now
	observed := e.observation != nil && e.observation.registered
	if e.freshLocked(now) && (!w.observe || observed) {
		r := e.agedLocked(now)
		if w.observe {
			r = c.observers.Attach(req, e.observation.subject, r)
		}
		c.mu.Unlock()
		c.hits.Add(1)
		reply(r)
		return
	}
	if c.waiting >= maxWaiting {
		c.mu.Unlock()
		reply(msg.Unavailable(10, "too many requests wait for the nodes"))
		return
	}
	begin := w.observe && e.observation == nil && c.observeLocked(e)
	if w.observe {
		c.pending[req.Observation()] = req
	}
	if f := e.fetch; f != nil && !begin {
		f.waiting = append(f.waiting, w)
		c.waiting++
		c.mu.Unlock()
		return
	}
	x := c.fetchLocked(e, begin, req.Anonymous(), now)
	x.fetch.waiting = append(x.fetch.waiting, w)
	c.waiting++
	c.mu.Unlock()
	c.queues.submit(o.addr, x)
}

// fetchLocked makes the request to the node for e; with register it begins an
// observation, or renews it.
func (c *cache) fetchLocked(e *entry, register, anonymous bool, now time.Time) *Exchange {
	f := &fetch{e: e}
	e.fetch = f
	opts := e.options
	// Notifications could be validated too (RFC 7641, section 3.3), by ETags of long ago:
	// observers get whole ones.
	if tag, ok := msg.Option(e.resp.Options, message.ETag); ok && e.kept && len(tag) > 0 && !register {
		opts = msg.With(msg.CloneOptions(opts), message.ETag, tag)
		f.base = e.resp
	}
	x := &Exchange{
		Code: e.code, Options: opts, Body: e.body, TakeBlocks: true,
		Deadline: now.Add(c.towards(e.member.Table).NodeTimeout), fetch: f, Anonymous: anonymous,
	}
	if register {
		x.observation = e.observation
	}
	x.Reply = func(r msg.Response) { c.fetched(x, r) }
	return x
}

// fetched hands an answer to all who wait for it, and keeps it if it may.
func (c *cache) fetched(x *Exchange, r msg.Response) {
	f, now := x.fetch, c.now()
	e := f.e
	if x.FromNode {
		r = WithoutHopOptions(r)
	}
	c.mu.Lock()
	if e.fetch == f {
		e.fetch = nil
	}
	c.waiting -= len(f.waiting)
	if x.FromNode && r.Code == codes.Valid && f.base.Code != 0 {
		r = withValidated(f.base, r)
	}
	if x.FromNode {
		c.keepLocked(e, r, now)
		e.stale = e.stale || f.outdated
	} else if r.Code == codes.GatewayTimeout {
		r = e.withLastResponseLocked(r, now)
	}
	after := c.observationFetchedLocked(x, r, now)
	answers := make([]msg.Response, len(f.waiting))
	for i, w := range f.waiting {
		answers[i] = r
		if w.observe && c.stillWantedLocked(w.req) && e.observation != nil && e.observation.registered && r.Code>>5 == 2 {
			answers[i] = c.observers.Attach(w.req, e.observation.subject, r)
		}
	}
	if w := e.observation; w != nil && w.registered && x.observation == w && c.observers.Empty(w.subject) {
		after = append(after, func() { c.abandoned(w) })
	}
	c.dropUnusedLocked(e)
	c.mu.Unlock()
	for i, w := range f.waiting {
		w.reply(answers[i])
	}
	for _, do := range after {
		do()
	}
}

// stillWantedLocked ends the wait of a registration, and reports whether the client still
// wants it.
func (c *cache) stillWantedLocked(req *msg.Request) bool {
	k := req.Observation()
	if c.pending[k] != req {
		return false
	}
	delete(c.pending, k)
	return true
}

// withdraw takes a request with Observe 1 for a registration that has no answer yet:
// it gets one, and observes nothing (RFC 7641, section 3.6).
func (c *cache) withdraw(req *msg.Request) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.pending, req.Observation())
}

// keepLocked puts an answer of the node into e. Those of class 2 but 2.05 are not
// to be reused (section 5.9.1), errors are (sections 5.9.2 and 5.9.3).
func (c *cache) keepLocked(e *entry, r msg.Response, now time.Time) {
	_, echo := msg.Option(r.Options, message.Echo)
	_, tagged := msg.Option(r.Options, message.ETag)
	life := msg.MaxAge(r)
	keep := (r.Code == codes.Content || r.Code>>5 == 4 || r.Code>>5 == 5) && !echo &&
		(life > 0 || tagged && r.Code == codes.Content || e.observation != nil)
	n := c.nodes[e.member.Node]
	if n == nil || n.by[e.key] != e {
		return // it was dropped meanwhile, with its node
	}
	c.octets -= len(e.resp.Payload)
	n.octets -= len(e.resp.Payload)
	e.kept, e.resp = false, msg.Response{}
	if !keep {
		return
	}
	e.kept, e.resp, e.at, e.maxAge, e.stale = true, r, now, life, false
	c.octets += len(r.Payload)
	n.octets += len(r.Payload)
	for n.octets > maxKeptNode && c.evictLocked(n, e) {
	}
	for c.octets > maxKept {
		if !c.evictLocked(c.largestLocked(), e) {
			// The largest share is this very answer: it is not kept.
			c.octets -= len(r.Payload)
			n.octets -= len(r.Payload)
			e.kept, e.resp = false, msg.Response{}
			break
		}
	}
}

// freshLocked reports whether e answers a request now (RFC 7252, section 5.6.1).
func (e *entry) freshLocked(now time.Time) bool {
	return e.kept && !e.stale && now.Sub(e.at) < e.maxAge
}

// agedLocked is the answer with its age taken off its Max-Age.
func (e *entry) agedLocked(now time.Time) msg.Response {
	return msg.WithAge(e.resp, e.maxAge, now.Sub(e.at))
}

// withLastResponseLocked adds to a 5.04 what the node said last, and when: old, and not to
// be taken for an answer.
func (e *entry) withLastResponseLocked(r msg.Response, now time.Time) msg.Response {
	if !e.kept || e.resp.Code != codes.Content {
		return r
	}
	age := now.Sub(e.at).Round(time.Second)
	text := fmt.Appendf(nil, "%s; its last answer is %v old", r.Payload, age)
	if p := e.resp.Payload; len(p) > 0 && len(p) <= 64 && utf8.Valid(p) {
		text = fmt.Appendf(text, ": %s", p)
	}
	r.Payload = text
	return r
}

// entryLocked returns the entry of a request, a new one if need be; nil if there is
// no room.
func (c *cache) entryLocked(t node.Member, key string, now time.Time) *entry {
	n := c.nodes[t.Node]
	if n == nil {
		n = &nodeEntries{by: map[string]*entry{}}
		c.nodes[t.Node] = n
	}
	e := n.by[key]
	if e != nil {
		return e
	}
	if len(n.by) >= maxEntriesNode && !c.evictLocked(n, nil) ||
		(c.count >= maxEntries || c.octets+entryCost > maxKept) && !c.evictLocked(c.largestLocked(), nil) {
		c.forgetLocked(t.Node)
		return nil
	}
	c.nodes[t.Node] = n
	e = &entry{member: t, key: key, used: now}
	n.by[key] = e
	n.octets += entryCost
	c.octets += entryCost
	c.count++
	return e
}

// evictLocked drops the answer of n that was asked for longest ago, but not keep
// and not what is in progress or observed.
func (c *cache) evictLocked(n *nodeEntries, keep *entry) bool {
	var old *entry
	for _, e := range n.by {
		if e != keep && e.fetch == nil && e.observation == nil && (old == nil || e.used.Before(old.used)) {
			old = e
		}
	}
	if old == nil {
		return false
	}
	c.dropLocked(old)
	return true
}

// largestLocked returns the node that takes most room: it is the one to give way, so
// that many requests for one node do not evict the entries of all others.
func (c *cache) largestLocked() *nodeEntries {
	var most *nodeEntries
	for _, n := range c.nodes {
		if most == nil || n.octets > most.octets {
			most = n
		}
	}
	return most
}

func (c *cache) dropLocked(e *entry) {
	n := c.nodes[e.member.Node]
	if n == nil || n.by[e.key] != e {
		return
	}
	delete(n.by, e.key)
	n.octets -= entryCost + len(e.resp.Payload)
	c.octets -= entryCost + len(e.resp.Payload)
	c.count--
	c.forgetLocked(e.member.Node)
}

func (c *cache) forgetLocked(k *node.Node) {
	if n := c.nodes[k]; n != nil && len(n.by) == 0 {
		delete(c.nodes, k)
	}
}

// dropUnusedLocked drops an entry of which nothing is left to know.
func (c *cache) dropUnusedLocked(e *entry) {
	if !e.kept && e.fetch == nil && e.observation == nil {
		c.dropLocked(e)
	}
}

// written reports that a request which may change the resource at path is about to be sent
// to the node or, when over, was sent: earlier responses are not reused (RFC 7252,
// sections 5.8.2 to 5.8.4; RFC 8132, section 3), and later requests do not join fetches
// that are in progress.
func (c *cache) written(n *node.Node, path string, over bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	all := c.nodes[n]
	if all == nil {
		return
	}
	for _, e := range all.by {
		if e.path != path {
			continue
		}
		if f := e.fetch; f != nil && !over {
			f.outdated = true
			e.fetch = nil
		}
		e.stale = e.stale || over
	}
}

// expire drops what is of no use any more: answers long stale, and nodes that left.
func (c *cache) expire(now time.Time) {
	c.mu.Lock()
	var after []func()
	for n, all := range c.nodes {
		gone := n.Removed()
		for _, e := range all.by {
			switch {
			case gone && e.observation != nil:
				after = append(after, c.endObservationLocked(e, msg.Errorf(codes.NotFound, "the node was removed"))...)
				fallthrough
			case gone && e.fetch == nil,
				e.fetch == nil && e.observation == nil && now.Sub(e.at) > e.maxAge+time.Hour:
				c.dropLocked(e)
			}
		}
	}
	c.mu.Unlock()
	for _, do := range after {
		do()
	}
}

// withValidated is an answer that the node validated: 2.03 brings new options, the
// Max-Age among them (RFC 7252, section 5.6.2).
func withValidated(old, valid msg.Response) msg.Response {
	r := old
	r.Options = msg.Without(old.Options, message.MaxAge)
	if v, ok := msg.Option(valid.Options, message.MaxAge); ok {
		r.Options = msg.With(r.Options, message.MaxAge, v)
	}
	return r
}

// look returns the answer kept under a key, if it is fresh.
func (c *cache) look(n *node.Node, key []byte, now time.Time) (msg.Response, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	all := c.nodes[n]
	if all == nil {
		return msg.Response{}, false
	}
	e := all.by[string(key)]
	if e == nil || !e.freshLocked(now) {
		return msg.Response{}, false
	}
	e.used = now
	c.hits.Add(1)
	return e.agedLocked(now), true
}
