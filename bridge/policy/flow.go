package policy

import (
	"encoding/binary"
	"math/bits"
	"net/netip"
	"sync"
	"time"

	"culvert/bridge/ipv6"
)

// Sizes of the tables of flows and buckets: sets of a few places each, so that a
// packet looks at one set under the lock of its stripe, and no flood makes a table
// grow or cost more.
const (
	ways    = 8
	stripes = 64
)

// sets returns how many sets, a power of two, hold so many places.
func sets(size int) int {
	n := 1
	for n*ways < size {
		n *= 2
	}
	return n
}

// key names a flow by its tuple, or a bucket by its rule and address.
type key struct {
	a, b [16]byte
	c    uint64
}

func flowKey(t *Tuple) key {
	return key{t.Source.As16(), t.Destination.As16(),
		uint64(t.Proto)<<32 | uint64(t.SourcePort)<<16 | uint64(t.DestinationPort)}
}

// reverse returns the key of the flow that the other side would open.
func (k *key) reverse() key {
	return key{k.b, k.a, k.c&^0xffffffff | k.c>>16&0xffff | k.c&0xffff<<16}
}

// flowHash is the hash of a flow's key, the same for both directions.
func (k *key) flowHash(secret uint64) uint64 {
	end := func(a *[16]byte, port uint64) uint64 {
		hi, lo := bits.Mul64(binary.LittleEndian.Uint64(a[:])^secret, 0x9e3779b97f4a7c15)
		hi2, lo2 := bits.Mul64(binary.LittleEndian.Uint64(a[8:])^hi^lo^port, 0xd6e8feb86659fd93)
		return hi2 ^ lo2
	}
	hi, lo := bits.Mul64(end(&k.a, k.c>>16&0xffff)+end(&k.b, k.c&0xffff)^k.c>>32^secret, 0x9e3779b97f4a7c15)
	return hi ^ lo
}

// opened returns the tuple of the packet that opened the flow with the key.
func (k *key) opened() Tuple {
	proto := uint8(k.c >> 32)
	return Tuple{Source: netip.AddrFrom16(k.a), Destination: netip.AddrFrom16(k.b), Proto: proto,
		SourcePort: uint16(k.c >> 16), DestinationPort: uint16(k.c)}
}

// hash mixes a key with a secret, so that nobody outside can aim at one set.
func (k *key) hash(secret uint64) uint64 {
	h := secret
	for _, v := range [...]uint64{
		binary.LittleEndian.Uint64(k.a[:]), binary.LittleEndian.Uint64(k.a[8:]),
		binary.LittleEndian.Uint64(k.b[:]), binary.LittleEndian.Uint64(k.b[8:]), k.c,
	} {
		hi, lo := bits.Mul64(h^v, 0x9e3779b97f4a7c15)
		h = hi ^ lo ^ bits.RotateLeft64(h, 23)
	}
	return h
}

// flow is one conversation that a rule let begin. Its key is the tuple of the side
// that opened it.
type flow struct {
	key      key
	used     int64 // nanoseconds since the engine was made; 0: the place is free
	until    int64 // answers pass until then
	opener   int64 // when the opener's last packet passed
	life     int64 // after the opener's last packet, without an observation
	errorAt  int64 // when the last ICMPv6 error about it went to a node
	rules    *live // that allow it
	from, to *class
	answered bool
	echo     bool
	hello    bool // the opener sent a DTLS ClientHello
	observed [maxObservations]observation
}

// opening is what an allowed packet changes in the table of flows once it has found
// room on its way.
type opening struct {
	valid, echo, hello bool
	key                key
	hash               uint64
	rules              *live
	from, to           *class
	now, life          int64
	coap               message
}

// flowSet is one set of the table of flows. A tag is a part of the hash of the key beside
// it, so that a packet looks at the flow that it belongs to and at no other.
type flowSet struct {
	tag  [ways]uint32
	flow [ways]flow
}

// find returns the flow with the key, nil if it is not there. The caller holds the lock of
// the set.
func (s *flowSet) find(k *key, tag uint32) *flow {
	for i, t := range s.tag {
		if t == tag {
			if f := &s.flow[i]; f.used != 0 && f.key == *k {
				return f
			}
		}
	}
	return nil
}

// flowTable is the bounded table of flows.
type flowTable struct {
	secret uint64
	lock   [stripes]sync.Mutex
	set    []flowSet // a power of two
}

func (t *flowTable) init(size int, secret uint64) {
	t.set, t.secret = make([]flowSet, sets(size)), secret
}

// at returns the set for the hash of a key, its lock, and the tag of the key.
func (t *flowTable) at(h uint64) (s *flowSet, mu *sync.Mutex, tag uint32) {
	i := h & uint64(len(t.set)-1)
	return &t.set[i], &t.lock[i%stripes], uint32(h >> 32)
}

// helloLife is for how long after its opener's last packet a flow remembers that the
// opener sent a ClientHello, longer than answers pass: a node that reports every quarter
// of an hour over one DTLS session opens the flow anew each time. Our choice.
const helloLife = int64(25 * time.Hour)

// note records that a rule let a packet of the flow pass, which makes or renews it.
// Where a set is full, the flow goes that is over, else the one without an answer
// that was used longest ago, else the one used longest ago.
func (t *flowTable) note(o *opening) {
	set, mu, tag := t.at(o.hash)
	mu.Lock()
	defer mu.Unlock()
	f := set.find(&o.key, tag)
	switch {
	case f == nil:
		i := 0
		for j := range set.flow {
			if worse(&set.flow[j], &set.flow[i], o.now) {
				i = j
			}
		}
		f = &set.flow[i]
		*f, set.tag[i] = flow{key: o.key}, tag
	case f.until <= o.now:
		*f = flow{key: o.key, hello: f.hello && o.now-f.opener < helloLife}
	}
	f.used, f.opener, f.life = o.now, o.now, o.life
	f.rules, f.from, f.to, f.echo = o.rules, o.from, o.to, o.echo
	f.hello = f.hello || o.hello
	if o.coap.valid {
		f.request(&o.coap)
	}
	f.extend()
}

// worse reports whether a should rather go than b.
func worse(a, b *flow, now int64) bool {
	overA, overB := a.used == 0 || a.until <= now, b.used == 0 || b.until <= now
	if overA != overB {
		return overA
	}
	if a.answered != b.answered {
		return !a.answered
	}
	return a.used < b.used
}

// count returns the number of live flows.
func (t *flowTable) count(now int64) (n int) {
	for i := range t.set {
		mu := &t.lock[uint64(i)%stripes]
		mu.Lock()
		for j := range t.set[i].flow {
			if f := &t.set[i].flow[j]; f.used != 0 && f.until > now {
				n++
			}
		}
		mu.Unlock()
	}
	return n
}

// stands reports whether the rules l would open the flow between the given classes of
// nodes, and remembers that they do. A flow that the rules would not open any more, or
// one whose address is another node's now, is closed.
func (e *Engine) stands(f *flow, l *live, from, to *class) bool {
	if f.rules == l && f.from == from && f.to == to {
		return true
	}
	t := f.key.opened()
	t.Echo = f.echo
	if i, _ := l.set.find(&t, from, to); i < 0 || l.set.rules[i].Deny {
		*f = flow{}
		return false
	}
	f.rules, f.from, f.to = l, from, to
	return true
}

// closeFlows closes all flows that the rules l would not open.
func (e *Engine) closeFlows(l *live) {
	t := &e.flows
	for i := range t.set {
		mu := &t.lock[uint64(i)%stripes]
		mu.Lock()
		for j := range t.set[i].flow {
			if f := &t.set[i].flow[j]; f.used != 0 {
				e.stands(f, l, e.classes.under(l.set, f.from), e.classes.under(l.set, f.to))
			}
		}
		mu.Unlock()
	}
}

// isDTLS reports whether one of the ports of a UDP packet is that of CoAP over DTLS.
func (t *Tuple) isDTLS() bool {
	return t.Proto == ipv6.ProtoUDP && (t.SourcePort == PortCoAPS || t.DestinationPort == PortCoAPS)
}

// isCoAP reports whether one of the ports of a UDP packet is that of CoAP.
func (t *Tuple) isCoAP() bool {
	return t.Proto == ipv6.ProtoUDP && (t.SourcePort == PortCoAP || t.DestinationPort == PortCoAP)
}
