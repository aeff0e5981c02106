package policy

import (
	"encoding/binary"
	"hash/fnv"
	"hash/maphash"
	"io"
	"sync"
	"sync/atomic"
	"time"

	"culvert/bridge/ipv6"
	"culvert/bridge/node"
)

// Options are what an Engine is made from. Zero values mean the defaults.
type Options struct {
	Mesh  string // its name in rules
	Nodes int    // the largest number of nodes; default 65,536
	Flows int    // places for flows; default 16,384
	Limits
	Now time.Time // the time from which the calls count
}

// Our own defaults.
const (
	defaultNodes = 65536
	defaultFlows = 16384
	minFragments = 64 // packets that pass in fragments at a time; else a sixteenth of the flows
	errorEvery   = int64(time.Second)
)

// Engine decides about packets. All methods may be called from any goroutine.
type Engine struct {
	o       Options
	rules   atomic.Pointer[live]
	limits  atomic.Pointer[Limits]
	classes classes
	flows   flowTable
	first   fragmentTable
	buckets bucketTable

	airMu   sync.Mutex
	meshAir bucket
	nodeAir []airBucket
	stats   counters
}

// live is the Set in force with the fingerprint and hit counter of each rule.
type live struct {
	set  *Set
	id   []uint64 // fingerprint of each rule, which keys its buckets: they survive a new list
	hits []atomic.Uint64
}

type airBucket struct {
	mu sync.Mutex
	b  bucket
}

type counters struct {
	allowed, answered, denied, limited, air atomic.Uint64
}

// Stats are counts since New.
type Stats struct {
	Allowed  uint64 // by a rule
	Answered uint64 // as the answer of a flow
	Denied   uint64
	Limited  uint64 // over a rule's rate
	Air      uint64 // over the air's
	Flows    int    // live now
	Rules    int
}

// New returns an engine without rules: it denies everything.
func New(o Options) *Engine {
	if o.Nodes <= 0 {
		o.Nodes = defaultNodes
	}
	if o.Flows <= 0 {
		o.Flows = defaultFlows
	}
	e := &Engine{o: o, classes: classes{mesh: o.Mesh, slot: make([]atomic.Pointer[class], o.Nodes)}, nodeAir: make([]airBucket, o.Nodes)}
	secret := maphash.Bytes(maphash.MakeSeed(), nil)
	e.flows.init(o.Flows, secret)
	e.buckets.init(o.Flows, secret+1)
	e.first.init(max(minFragments, o.Flows/16), secret+2)
	e.SetLimits(o.Limits)
	none, _ := Compile(nil)
	e.Swap(none)
	return e
}

// Swap replaces the rules. It closes flows that the new rules would not open; other flows and
// the buckets are kept.
func (e *Engine) Swap(s *Set) {
	l := &live{set: s, id: make([]uint64, s.Len()), hits: make([]atomic.Uint64, s.Len())}
	for i := range l.id {
		l.id[i] = fingerprint(s.Rule(i))
	}
	e.rules.Store(l)
	e.closeFlows(l)
}

// SetLimits replaces the limits. Flows and buckets are kept; a flow keeps the lifetime that
// its last packet gave it.
func (e *Engine) SetLimits(l Limits) {
	l = l.withDefaults()
	e.limits.Store(&l)
}

// fingerprint hashes the selectors of a rule.
func fingerprint(r Rule) uint64 {
	h := fnv.New64a()
	add := func(s string) {
		io.WriteString(h, s)
		h.Write([]byte{0xff}) // ends the string
	}
	for _, x := range r.From {
		add(x.String())
	}
	add("to")
	for _, x := range r.To {
		add(x.String())
	}
	for _, x := range r.Services {
		add(x.String())
	}
	return h.Sum64()
}

// Verdict is the decision about a packet.
type Verdict struct {
	Allow  bool
	Answer bool // a denied packet is answered: administratively prohibited
	Why    Why
	Rule   int // that decided, from 0; -1 if none
	// Keep is how many octets of an allowed ICMPv6 error go on, from its start; 0 is all.
	Keep int

	opens opening
	first firstFragment
}

// Why names what decided.
type Why uint8

// What may decide.
const (
	ByRule      Why = iota // a rule
	ByFlow                 // the packet answers one that a rule let pass
	ByDefault              // no rule matched
	Unnamed                // none but by "any", and the packet crosses between a unique local and a global address
	OverRate               // a rule would allow it, but not so often
	NotFirst               // a fragment of a packet whose first fragment did not pass
	BadFragment            // a fragment that hides or rewrites what rules look at
	BadICMP                // an ICMPv6 error about no flow
	OverErrors             // an ICMPv6 error about a flow that had one a moment ago
	whyWordsLen            // the number of reasons
)

var whyWords = [whyWordsLen]string{"rule", "flow", "default", "unnamed", "rate", "fragment", "bad-fragment", "icmp-error", "icmp-rate"}

// String returns the word for w in the log.
func (w Why) String() string {
	if w >= whyWordsLen {
		return "invalid"
	}
	return whyWords[w]
}

// Decide sets v to what becomes of a packet from the node from, nil for one from outside, to the
// node to, nil for one to the outside. u is the walk over p. It must be asked once a
// packet: it counts. An allowed packet opens a flow only when Begin is called with the
// verdict.
func (e *Engine) Decide(v *Verdict, p ipv6.Packet, u ipv6.Upper, from, to *node.Node, now time.Time) {
	l := e.rules.Load()
	q := query{t: Parse(p, u), p: p, u: u, rules: l, from: e.classes.of(l.set, from), to: e.classes.of(l.set, to), fromNode: from, toNode: to, now: int64(now.Sub(e.o.Now)) + 1}
	e.decide(v, &q)
	switch {
	case v.Allow && v.Why == ByFlow:
		e.stats.answered.Add(1)
	case v.Allow:
		e.stats.allowed.Add(1)
	case v.Why == OverRate || v.Why == OverErrors:
		e.stats.limited.Add(1)
	default:
		e.stats.denied.Add(1)
	}
}

// Begin says that a packet which was allowed has found room on its way: from now on it
// is answered, and its later fragments follow it. What finds none opens nothing, so that
// packets that are thrown away push no flows out. It must be called before the packet can
// be answered.
func (e *Engine) Begin(v *Verdict) {
	if v.opens.valid {
		e.flows.note(&v.opens)
	}
	if v.first.at != 0 {
		e.first.note(&v.first)
	}
}

func (e *Engine) decide(v *Verdict, q *query) {
	v.Allow, v.Answer, v.Rule, v.Keep, v.opens.valid, v.first.at = false, false, -1, 0, false, 0
	if q.u.FragmentAt != 0 {
		var ok bool
		if q.fragment, ok = fragmentOf(q.p, q.u); !ok {
			v.Why = BadFragment
			return
		}
		if q.t.Later {
			e.later(v, q)
			return
		}
	}
	if q.t.ICMPError {
		e.icmpError(v, q)
		return
	}
	if !q.fragment.more {
		e.decideWhole(v, q)
		return
	}
	if q.u.Cut || q.u.Offset+minTransport > len(q.p) {
		v.Why = BadFragment
		return
	}
	k, end := fragmentKey(&q.t, q.fragment.id), len(q.p)-q.fragment.start
	shape := e.first.shape(q, end)
	if !e.first.mayBegin(&k, shape, q.now) {
		v.Why = BadFragment
		return
	}
	if e.decideWhole(v, q); v.Allow {
		v.first = firstFragment{key: k, at: q.now, shape: shape, end: end, rules: q.rules, rule: v.Rule}
	}
}

// query is a packet that is asked about.
type query struct {
	t                Tuple
	p                ipv6.Packet
	u                ipv6.Upper
	fragment         fragmentHeader
	rules            *live
	from, to         *class // of the nodes; nil is outside
	fromNode, toNode *node.Node
	now              int64
	key              key    // of the flow that it would open
	hash             uint64 // of that
}

// decideWhole decides about a packet that shows its transport.
func (e *Engine) decideWhole(v *Verdict, q *query) {
	q.key = key{[16]byte(q.p.SourceBytes()), [16]byte(q.p.DestinationBytes()), uint64(q.t.Proto)<<32 | uint64(q.t.SourcePort)<<16 | uint64(q.t.DestinationPort)}
	q.hash = q.key.flowHash(e.flows.secret)
	if e.answers(q) {
		v.Allow, v.Why = true, ByFlow
		return
	}
	e.byRule(v, q)
}

// later decides about a fragment that is not the first. Each one counts under the rates
// of the rule that let the first pass.
func (e *Engine) later(v *Verdict, q *query) {
	k := fragmentKey(&q.t, q.fragment.id)
	first, ok := e.first.first(&k, q.now)
	switch {
	case !ok || first.rules != q.rules:
		v.Why = NotFirst
	case q.fragment.offset < first.end:
		v.Why = BadFragment
	case first.rule >= 0 && !e.withinRates(q, first.rule):
		v.Why, v.Answer = OverRate, q.rules.set.rules[first.rule].Answer
	default:
		v.Allow, v.Why = true, ByFlow
	}
}

func (e *Engine) byRule(v *Verdict, q *query) {
	l := q.rules
	i, why := l.set.find(&q.t, q.from, q.to)
	if i < 0 {
		v.Why = why
		return
	}
	l.hits[i].Add(1)
	r := &l.set.rules[i]
	v.Why, v.Rule, v.Answer = ByRule, i, r.Answer
	if r.Deny {
		return
	}
	if !e.withinRates(q, i) {
		v.Why = OverRate
		return
	}
	v.Allow, v.Answer = true, false
	o := &v.opens
	o.valid, o.echo, o.hello, o.coap.valid = true, q.t.Echo, false, false
	o.key, o.hash, o.rules, o.from, o.to, o.now, o.life = q.key, q.hash, l, q.from, q.to, q.now, e.life(&q.t)
	switch {
	case q.t.isCoAP():
		if b, _, ok := udpPayload(q.p, q.u, q.fragment.more); ok {
			o.coap = parseCoAP(b)
		}
	case q.t.isDTLS():
		if b, _, ok := udpPayload(q.p, q.u, q.fragment.more); ok {
			o.hello, _ = readRecords(b)
		}
	}
}

// find returns the rule that decides about a packet, or -1 and why there is none.
func (s *Set) find(t *Tuple, from, to *class) (int, Why) {
	named := crosses(t)
	i := s.match(t, from, to, named)
	if i < 0 && named && s.match(t, from, to, false) >= 0 {
		return i, Unnamed
	}
	return i, ByDefault
}

// withinRates asks the buckets of a rule: the source's first, so that a source over
// its own rate takes nothing from others. Outside, a source is a /64: whoever has one
// address there has all of them.
func (e *Engine) withinRates(q *query, rule int) bool {
	r, id, now := &q.rules.set.rules[rule], q.rules.id[rule], q.now
	if r.Source.limited() {
		k := key{a: q.t.Source.As16(), c: id}
		if q.fromNode == nil {
			clear(k.a[8:])
		}
		if !e.take(r.Source, k, now) {
			return false
		}
	}
	if r.Node.limited() {
		n := q.toNode
		if n == nil {
			n = q.fromNode
		}
		k := key{c: id}
		k.b[0] = 1
		if n != nil {
			binary.LittleEndian.PutUint64(k.a[:], uint64(n.Slot()))
		}
		if !e.take(r.Node, k, now) {
			return false
		}
	}
	if r.Mesh.limited() {
		k := key{c: id}
		k.b[0] = 2
		return e.take(r.Mesh, k, now)
	}
	return true
}

func (e *Engine) take(r Rate, k key, now int64) bool {
	cost := int64(r.Per) / int64(r.Packets)
	return e.buckets.take(k, cost, cost*int64(r.burst()), now)
}

func (e *Engine) life(t *Tuple) int64 {
	l := e.limits.Load()
	switch {
	case t.Proto == ipv6.ProtoTCP:
		return int64(l.TCP)
	case t.Echo:
		return int64(l.Echo)
	}
	return int64(l.UDP)
}

// Air asks for the octets on the air that a packet to n will cost, and takes them if
// the node and the mesh have as many left.
func (e *Engine) Air(n *node.Node, octets int, at time.Time) bool {
	now := int64(at.Sub(e.o.Now)) + 1
	slot := n.Slot()
	l := e.limits.Load()
	if l.NodeAir.PerSecond > 0 && slot < len(e.nodeAir) {
		a := &e.nodeAir[slot]
		a.mu.Lock()
		ok := a.b.octets(l.NodeAir, octets, now)
		a.mu.Unlock()
		if !ok {
			e.stats.air.Add(1)
			return false
		}
	}
	if l.MeshAir.PerSecond <= 0 {
		return true
	}
	e.airMu.Lock()
	ok := e.meshAir.octets(l.MeshAir, octets, now)
	e.airMu.Unlock()
	if !ok {
		e.stats.air.Add(1)
	}
	return ok
}

func (b *bucket) octets(a Air, n int, now int64) bool {
	each := int64(time.Second) / int64(a.PerSecond)
	capacity := each * int64(max(a.Burst, a.PerSecond, 2*ipv6.MinMTU))
	if b.used == 0 {
		*b = bucket{used: now, level: capacity}
	}
	return b.draw(each*int64(n), capacity, now)
}

// Rules returns the rules in force.
func (e *Engine) Rules() *Set { return e.rules.Load().set }

// Hits returns how often each rule decided since it is in force.
func (e *Engine) Hits() []uint64 {
	l := e.rules.Load()
	out := make([]uint64, len(l.hits))
	for i := range out {
		out[i] = l.hits[i].Load()
	}
	return out
}

// Would tells which rule decides about a packet with the tuple that belongs to no
// flow, or -1 and why there is none, and counts nothing.
func (e *Engine) Would(t Tuple, from, to *node.Node) (int, Why) {
	s := e.rules.Load().set
	return s.find(&t, e.classes.of(s, from), e.classes.of(s, to))
}

// Stats returns the counts so far.
func (e *Engine) Stats(now time.Time) Stats {
	return Stats{
		Allowed: e.stats.allowed.Load(), Answered: e.stats.answered.Load(), Denied: e.stats.denied.Load(),
		Limited: e.stats.limited.Load(), Air: e.stats.air.Load(),
		Flows: e.flows.count(int64(now.Sub(e.o.Now)) + 1), Rules: e.Rules().Len(),
	}
}
