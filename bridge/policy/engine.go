package policy

import (
	"encoding/binary"
	"hash/maphash"
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
	fragmentLife = 60 * time.Second // RFC 8200, 4.5
)

// Engine decides about packets. All methods may be called from any goroutine.
type Engine struct {
	o       Options
	rules   atomic.Pointer[live]
	limits  atomic.Pointer[Limits]
	classes classes
	flows   flowTable
	buckets bucketTable

	airMu   sync.Mutex
	meshAir bucket
	nodeAir []airBucket
	stats   counters
}

// live is a Set in use, with what the engine keeps of each rule.
type live struct {
	set  *Set
	id   []uint64 // a fingerprint of each rule: its buckets outlive a new list
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

// New returns an engine without rules: nothing may pass.
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
	e.SetLimits(o.Limits)
	none, _ := Compile(nil)
	e.Swap(none)
	return e
}

// Swap puts other rules in force, for all packets from now on. Flows and buckets
// stay.
func (e *Engine) Swap(s *Set) {
	l := &live{set: s, id: make([]uint64, s.Len()), hits: make([]atomic.Uint64, s.Len())}
	for i := range l.id {
		l.id[i] = fingerprint(s.Rule(i))
	}
	e.rules.Store(l)
}

// SetLimits puts other limits in force. Flows and buckets stay; a flow keeps the life
// that its last packet gave it.
func (e *Engine) SetLimits(l Limits) {
	l = l.withDefaults()
	e.limits.Store(&l)
}

// fingerprint is FNV-1a over what a rule says.
func fingerprint(r Rule) uint64 {
	h := uint64(14695981039346656037)
	add := func(s string) {
		for i := range len(s) {
			h = (h ^ uint64(s[i])) * 1099511628211
		}
		h = (h ^ 0xff) * 1099511628211
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
	return h
}

// Verdict is what becomes of a packet.
type Verdict struct {
	Allow  bool
	Answer bool // a denied packet is answered: administratively prohibited
	Why    Why
	Rule   int // that decided, from 0; -1 if none
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
	OverAir                // the air has no room for it
	NotFirst               // a fragment of a packet whose first fragment did not pass
	BadICMP                // an ICMPv6 error about no flow
	whyWordsLen            // the number of reasons
)

var whyWords = [whyWordsLen]string{"rule", "flow", "default", "unnamed", "rate", "air", "fragment", "icmp-error"}

// String returns the word for w in the log.
func (w Why) String() string {
	if w >= whyWordsLen {
		return "invalid"
	}
	return whyWords[w]
}

// Check decides about a packet from the node from, nil for one from outside, to the
// node to, nil for one to the outside. u is the walk over p. It must be asked once a
// packet: it counts.
func (e *Engine) Check(p ipv6.Packet, u ipv6.Upper, from, to *node.Node, now time.Time) Verdict {
	v := e.check(p, u, from, to, int64(now.Sub(e.o.Now))+1)
	switch {
	case v.Why == ByFlow:
		e.stats.answered.Add(1)
	case v.Allow:
		e.stats.allowed.Add(1)
	case v.Why == OverRate:
		e.stats.limited.Add(1)
	default:
		e.stats.denied.Add(1)
	}
	return v
}

func (e *Engine) check(p ipv6.Packet, u ipv6.Upper, from, to *node.Node, now int64) Verdict {
	t := Parse(p, u)
	if t.Later {
		if e.flows.live(fragmentKey(&t, fragmentID(p, u)), now) {
			return Verdict{Allow: true, Why: ByFlow, Rule: -1}
		}
		return Verdict{Why: NotFirst, Rule: -1}
	}
	if t.ICMPError {
		// RFC 4890, 4.3.1: errors about a live flow always pass, whichever end they
		// come from; the flow stands under the tuple of what opened it.
		if q, ok := Quoted(p, u); ok && q.Source == t.Destination {
			back := q.reverse()
			if e.flows.live(flowKey(&q), now) || e.flows.live(flowKey(&back), now) {
				return Verdict{Allow: true, Why: ByFlow, Rule: -1}
			}
		}
		return Verdict{Why: BadICMP, Rule: -1}
	}
	back := t.reverse()
	v := Verdict{Rule: -1, Why: ByFlow, Allow: true}
	if !e.flows.answers(flowKey(&back), now, e.life(&t)) {
		v = e.byRule(&t, from, to, now)
	}
	if v.Allow && u.Fragment {
		e.flows.note(fragmentKey(&t, fragmentID(p, u)), now, int64(fragmentLife))
	}
	return v
}

func (e *Engine) byRule(t *Tuple, from, to *node.Node, now int64) Verdict {
	l := e.rules.Load()
	i, why := e.find(l.set, t, from, to)
	if i < 0 {
		return Verdict{Why: why, Rule: -1}
	}
	l.hits[i].Add(1)
	r := &l.set.rules[i]
	if r.Deny {
		return Verdict{Answer: r.Answer, Why: ByRule, Rule: i}
	}
	if !e.withinRates(r, l.id[i], t, from, to, now) {
		return Verdict{Answer: r.Answer, Why: OverRate, Rule: i}
	}
	e.flows.note(flowKey(t), now, e.life(t))
	return Verdict{Allow: true, Why: ByRule, Rule: i}
}

// find returns the rule that decides about a packet, or -1 and why there is none.
func (e *Engine) find(s *Set, t *Tuple, from, to *node.Node) (int, Why) {
	a, b, named := e.classes.of(s, from), e.classes.of(s, to), crosses(t)
	i := s.match(t, a, b, named)
	if i < 0 && named && s.match(t, a, b, false) >= 0 {
		return i, Unnamed
	}
	return i, ByDefault
}

// withinRates asks the buckets of a rule: the source's first, so that a source over
// its own rate takes nothing from others.
func (e *Engine) withinRates(r *Rule, id uint64, t *Tuple, from, to *node.Node, now int64) bool {
	if r.Source.limited() && !e.take(r.Source, key{a: t.Source.As16(), c: id}, now) {
		return false
	}
	if r.Node.limited() {
		n := to
		if n == nil {
			n = from
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

// fragmentID returns the identification of the Fragment header, which is the last
// extension header that the walk passed.
func fragmentID(p ipv6.Packet, u ipv6.Upper) uint32 {
	for at, proto := ipv6.HeaderLen, p.NextHeader(); at+8 <= len(p); {
		b := p[at:]
		n := 8 * (int(b[1]) + 1)
		if proto == ipv6.ProtoFragment {
			return binary.BigEndian.Uint32(b[4:])
		}
		if at >= u.NextAt {
			break
		}
		if proto == ipv6.ProtoAH {
			n = 4 * (int(b[1]) + 2)
		}
		proto, at = b[0], at+n
	}
	return 0
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
	return e.find(e.rules.Load().set, &t, from, to)
}

// Stats returns the counts so far.
func (e *Engine) Stats(now time.Time) Stats {
	return Stats{
		Allowed: e.stats.allowed.Load(), Answered: e.stats.answered.Load(), Denied: e.stats.denied.Load(),
		Limited: e.stats.limited.Load(), Air: e.stats.air.Load(),
		Flows: e.flows.count(int64(now.Sub(e.o.Now)) + 1), Rules: e.Rules().Len(),
	}
}
