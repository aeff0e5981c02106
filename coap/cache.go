package coap

import (
	"encoding/binary"
	"fmt"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"
	"unicode/utf8"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
)

// Bounds of the cache, ours.
const (
	maxEntries     = 8192    // answers of nodes that are kept
	maxEntriesNode = 64      // of one node
	maxKept        = 8 << 20 // octets of them
	maxKeptNode    = 256 << 10
	maxWaiting     = 16384 // requests that wait for an answer that is under way
	maxWatches     = 4096  // observations of nodes
	maxWatchesNode = 16
	maxKeyPart     = 1024 // octets of a key; a longer request is not cached
	entryCost      = 512  // octets that an entry costs besides its answer, about
)

// nodeCache keeps answers of nodes (RFC 7252, section 5.6), joins requests that
// ask for the same at the same time, and knows what is observed (watch.go).
type nodeCache struct {
	s *Server

	mu      sync.Mutex
	nodes   map[*node.Node]*nodeEntries
	count   int // of entries
	octets  int // of their answers
	waiting int
	watches int
	// pending are the registrations that wait for the node's answer: a client may
	// withdraw before it comes.
	pending map[observerKey]*request

	hits atomic.Uint64
}

// nodeEntries are those of one node, by the request but for who asks.
type nodeEntries struct {
	by      map[string]*entry
	octets  int
	watches int
}

// entry is one request to a node that was or is asked, or observed.
type entry struct {
	t       target
	key     string
	path    string // of the node's resource
	code    codes.Code
	options message.Options // to the node, without ETag and Observe
	body    []byte          // of FETCH

	kept   bool
	resp   response // the node's, with its Max-Age
	at     time.Time
	maxAge time.Duration
	stale  bool // whatever its age
	used   time.Time

	fetch *fetch // under way, and good to be joined
	watch *watch
}

// fetch is a request on its way to a node for all who want the same.
type fetch struct {
	e       *entry
	late    bool     // something was written since: the answer may be older than that
	base    response // whose ETag the node was told
	waiting []waiter
}

// waiter is a client's request that a fetch will answer.
type waiter struct {
	req   *request
	watch bool // it wants to observe
	reply func(response)
}

func (c *nodeCache) init(s *Server) {
	c.s, c.nodes, c.pending = s, map[*node.Node]*nodeEntries{}, map[observerKey]*request{}
}

// resourcePath is the path of the node's resource in one string.
func resourcePath(o message.Options, id message.OptionID) string {
	var b []byte
	for _, x := range o {
		if x.ID == id {
			b = append(append(b, '/'), x.Value...)
		}
	}
	return string(b)
}

// entryKey is the cache key (RFC 7252, section 5.6; RFC 8132, section 2): the
// method, the options but for those that the cache acts on, and FETCH's payload.
func entryKey(code codes.Code, o message.Options, body []byte) string {
	b := []byte{byte(code)}
	for _, x := range o {
		b = appendKeyPart(b, x)
	}
	if code == codes.FETCH {
		b = append(append(b, 0xff), body...)
	}
	return string(b)
}

func appendKeyPart(b []byte, x message.Option) []byte {
	if noCacheKey(x.ID) {
		return b
	}
	b = binary.BigEndian.AppendUint16(b, uint16(x.ID))
	b = binary.BigEndian.AppendUint16(b, uint16(len(x.Value)))
	return append(b, x.Value...)
}

// cacheable reports whether the cache may answer such a request. What OSCORE hides
// is only for the node (RFC 8613, section 10), and Echo proves to the node that the
// request is new (RFC 9175, section 2.3).
func cacheable(code codes.Code, o message.Options, key string) bool {
	if code != codes.GET && code != codes.FETCH || len(key) > maxKeyPart {
		return false
	}
	for _, x := range o {
		if x.ID == optOSCORE || x.ID == message.Echo {
			return false
		}
	}
	return true
}

// read answers a GET or FETCH of a node's resource from what is kept, or asks the
// node.
func (c *nodeCache) read(req *request, t target, addr netip.AddrPort, opts message.Options, reply func(response)) {
	now := time.Now()
	key := entryKey(req.code, opts, req.payload)
	w := waiter{req: req, watch: c.s.observers.wanted(req), reply: reply}

	c.mu.Lock()
	e := c.entryLocked(t, key, now)
	if e == nil {
		c.mu.Unlock()
		reply(unavailable(10, "too many of the node's resources are asked for at once"))
		return
	}
	if e.code == 0 {
		e.code, e.options, e.body, e.path = req.code, opts, req.payload, resourcePath(opts, message.URIPath)
	}
	e.used = now
	observed := e.watch != nil && e.watch.up
	if e.freshLocked(now) && (!w.watch || observed) {
		r := e.agedLocked(now)
		if w.watch {
			r = c.s.observers.attach(req, e.watch.subject, r)
		}
		c.mu.Unlock()
		c.hits.Add(1)
		reply(r)
		return
	}
	if c.waiting >= maxWaiting {
		c.mu.Unlock()
		reply(unavailable(10, "too many requests wait for the nodes"))
		return
	}
	begin := w.watch && e.watch == nil && c.watchLocked(e)
	if w.watch {
		c.pending[observerOf(req)] = req
	}
	if f := e.fetch; f != nil && !begin {
		f.waiting = append(f.waiting, w)
		c.waiting++
		c.mu.Unlock()
		return
	}
	x := c.fetchLocked(e, begin, now)
	x.into.waiting = append(x.into.waiting, w)
	c.waiting++
	c.mu.Unlock()
	c.s.upstream.submit(addr, x)
}

// fetchLocked makes the request to the node for e; with register it begins an
// observation, or renews it.
func (c *nodeCache) fetchLocked(e *entry, register bool, now time.Time) *exchange {
	f := &fetch{e: e}
	e.fetch = f
	opts := e.options
	// Notifications could be validated too (RFC 7641, section 3.3), by ETags of long ago:
	// those who observe get whole ones.
	if tag, ok := option(e.resp.options, message.ETag); ok && e.kept && len(tag) > 0 && !register {
		opts = with(cloneOptions(opts), message.ETag, tag)
		f.base = e.resp
	}
	x := &exchange{
		code: e.code, options: opts, body: e.body, ask: true,
		deadline: now.Add(c.s.towards(e.t.table).NodeTimeout), into: f,
	}
	if register {
		x.watch = e.watch
	}
	x.reply = func(r response) { c.fetched(x, r) }
	return x
}

// fetched hands an answer to all who wait for it, and keeps it if it may.
func (c *nodeCache) fetched(x *exchange, r response) {
	f, now := x.into, time.Now()
	e := f.e
	if x.heard {
		r = hopped(r)
	}
	c.mu.Lock()
	if e.fetch == f {
		e.fetch = nil
	}
	c.waiting -= len(f.waiting)
	if x.heard && r.code == codes.Valid && f.base.code != 0 {
		r = renewed(f.base, r)
	}
	if x.heard {
		c.keepLocked(e, r, now)
		e.stale = e.stale || f.late
	} else if r.code == codes.GatewayTimeout {
		r = e.lastWordsLocked(r, now)
	}
	after := c.watchFetchedLocked(x, r, now)
	answers := make([]response, len(f.waiting))
	for i, w := range f.waiting {
		answers[i] = r
		if w.watch && c.pendsLocked(w.req) && e.watch != nil && e.watch.up && r.code>>5 == 2 {
			answers[i] = c.s.observers.attach(w.req, e.watch.subject, r)
		}
	}
	if w := e.watch; w != nil && w.up && x.watch == w && c.s.observers.empty(w.subject) {
		after = append(after, w.subject.left)
	}
	c.tidyLocked(e)
	c.mu.Unlock()
	for i, w := range f.waiting {
		w.reply(answers[i])
	}
	for _, do := range after {
		do()
	}
}

// pendsLocked ends the wait of a registration, and reports whether the client still
// wants it.
func (c *nodeCache) pendsLocked(req *request) bool {
	k := observerOf(req)
	if c.pending[k] != req {
		return false
	}
	delete(c.pending, k)
	return true
}

// withdraw takes a request with Observe 1 for a registration that has no answer yet:
// it gets one, and observes nothing (RFC 7641, section 3.6).
func (c *nodeCache) withdraw(req *request) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.pending, observerOf(req))
}

// renewed is an answer that the node validated: 2.03 brings new options, the
// Max-Age among them (RFC 7252, section 5.6.2).
func renewed(old, valid response) response {
	r := old
	r.options = without(old.options, message.MaxAge)
	if v, ok := option(valid.options, message.MaxAge); ok {
		r.options = with(r.options, message.MaxAge, v)
	}
	return r
}

// lifetime is how long an answer is fresh (RFC 7252, section 5.10.5).
func lifetime(r response) time.Duration {
	v, ok := option(r.options, message.MaxAge)
	if !ok {
		return defaultMaxAge * time.Second
	}
	return time.Duration(uintValue(v)) * time.Second
}

// keepLocked puts an answer of the node into e. Those of class 2 but 2.05 are not
// to be reused (section 5.9.1), errors are (sections 5.9.2 and 5.9.3).
func (c *nodeCache) keepLocked(e *entry, r response, now time.Time) {
	_, echo := option(r.options, message.Echo)
	_, tagged := option(r.options, message.ETag)
	life := lifetime(r)
	keep := (r.code == codes.Content || r.code>>5 == 4 || r.code>>5 == 5) && !echo &&
		(life > 0 || tagged && r.code == codes.Content || e.watch != nil)
	n := c.nodes[e.t.node]
	if n == nil || n.by[e.key] != e {
		return // it was dropped meanwhile, with its node
	}
	c.octets -= len(e.resp.payload)
	n.octets -= len(e.resp.payload)
	e.kept, e.resp = false, response{}
	if !keep {
		return
	}
	e.kept, e.resp, e.at, e.maxAge, e.stale = true, r, now, life, false
	c.octets += len(r.payload)
	n.octets += len(r.payload)
	for n.octets > maxKeptNode && c.evictLocked(n, e) {
	}
	for c.octets > maxKept {
		if !c.evictLocked(c.largestLocked(), e) {
			// The largest share is this very answer: it is not kept.
			c.octets -= len(r.payload)
			n.octets -= len(r.payload)
			e.kept, e.resp = false, response{}
			break
		}
	}
}

// freshLocked reports whether e answers a request now (RFC 7252, section 5.6.1).
func (e *entry) freshLocked(now time.Time) bool {
	return e.kept && !e.stale && now.Sub(e.at) < e.maxAge
}

// agedLocked is the answer with its age taken off its Max-Age.
func (e *entry) agedLocked(now time.Time) response { return aged(e.resp, e.maxAge, now.Sub(e.at)) }

func aged(r response, life, age time.Duration) response {
	if age < 0 {
		age = 0
	}
	left := max(life-age, 0)
	seconds := uint32((left + time.Second - 1) / time.Second)
	r.options = with(without(r.options, message.MaxAge), message.MaxAge, uintBytes(seconds))
	return r
}

// lastWordsLocked adds to a 5.04 what the node said last, and when: old, and not to
// be taken for an answer.
func (e *entry) lastWordsLocked(r response, now time.Time) response {
	if !e.kept || e.resp.code != codes.Content {
		return r
	}
	age := now.Sub(e.at).Round(time.Second)
	text := fmt.Appendf(nil, "%s; its last answer is %v old", r.payload, age)
	if p := e.resp.payload; len(p) > 0 && len(p) <= 64 && utf8.Valid(p) {
		text = fmt.Appendf(text, ": %s", p)
	}
	r.payload = text
	return r
}

// entryLocked returns the entry of a request, a new one if need be; nil if there is
// no room.
func (c *nodeCache) entryLocked(t target, key string, now time.Time) *entry {
	n := c.nodes[t.node]
	if n == nil {
		n = &nodeEntries{by: map[string]*entry{}}
		c.nodes[t.node] = n
	}
	e := n.by[key]
	if e != nil {
		return e
	}
	if len(n.by) >= maxEntriesNode && !c.evictLocked(n, nil) ||
		(c.count >= maxEntries || c.octets+entryCost > maxKept) && !c.evictLocked(c.largestLocked(), nil) {
		c.forgetLocked(t.node)
		return nil
	}
	c.nodes[t.node] = n
	e = &entry{t: t, key: key, used: now}
	n.by[key] = e
	n.octets += entryCost
	c.octets += entryCost
	c.count++
	return e
}

// evictLocked drops the answer of n that was asked for longest ago, but not keep
// and not what is under way or observed.
func (c *nodeCache) evictLocked(n *nodeEntries, keep *entry) bool {
	var old *entry
	for _, e := range n.by {
		if e != keep && e.fetch == nil && e.watch == nil && (old == nil || e.used.Before(old.used)) {
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
// that who asks for much of one node does not push all others out.
func (c *nodeCache) largestLocked() *nodeEntries {
	var most *nodeEntries
	for _, n := range c.nodes {
		if most == nil || n.octets > most.octets {
			most = n
		}
	}
	return most
}

func (c *nodeCache) dropLocked(e *entry) {
	n := c.nodes[e.t.node]
	if n == nil || n.by[e.key] != e {
		return
	}
	delete(n.by, e.key)
	n.octets -= entryCost + len(e.resp.payload)
	c.octets -= entryCost + len(e.resp.payload)
	c.count--
	c.forgetLocked(e.t.node)
}

func (c *nodeCache) forgetLocked(k *node.Node) {
	if n := c.nodes[k]; n != nil && len(n.by) == 0 {
		delete(c.nodes, k)
	}
}

// tidyLocked drops an entry of which nothing is left to know.
func (c *nodeCache) tidyLocked(e *entry) {
	if !e.kept && e.fetch == nil && e.watch == nil {
		c.dropLocked(e)
	}
}

// written takes note that a request which may change the resource at path goes to
// the node, or, when over, that it went: answers from before are not reused (RFC
// 7252, sections 5.8.2 to 5.8.4; RFC 8132, section 3), and those under way are not
// joined by who asks after it.
func (c *nodeCache) written(n *node.Node, path string, over bool) {
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
			f.late = true
			e.fetch = nil
		}
		e.stale = e.stale || over
	}
}

// expire drops what is of no use any more: answers long stale, and nodes that left.
func (c *nodeCache) expire(now time.Time) {
	c.mu.Lock()
	var after []func()
	for n, all := range c.nodes {
		gone := n.Removed()
		for _, e := range all.by {
			switch {
			case gone && e.watch != nil:
				after = append(after, c.endWatchLocked(e, diagnose(codes.NotFound, "the node was removed"))...)
				fallthrough
			case gone && e.fetch == nil,
				e.fetch == nil && e.watch == nil && now.Sub(e.at) > e.maxAge+time.Hour:
				c.dropLocked(e)
			}
		}
	}
	c.mu.Unlock()
	for _, do := range after {
		do()
	}
}
