package policy

import (
	"encoding/binary"
	"math/bits"
	"sync"

	"culvert/bridge/ipv6"
)

// Sizes of the tables of flows and buckets: sets of a few places each, so that a
// packet looks at one set under the lock of its stripe, and no flood makes a table
// grow or cost more.
const (
	ways    = 8
	stripes = 64
)

// key names a flow by its tuple, or a bucket by its rule and address.
type key struct {
	a, b [16]byte
	c    uint64
}

func flowKey(t *Tuple) key {
	return key{t.Source.As16(), t.Destination.As16(),
		uint64(t.Proto)<<32 | uint64(t.SourcePort)<<16 | uint64(t.DestinationPort)}
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

// flow is one conversation that a rule let begin.
type flow struct {
	key      key
	used     int64 // nanoseconds since the engine was made; 0: the place is free
	until    int64
	answered bool
}

// flowTable is the bounded table of flows.
type flowTable struct {
	secret uint64
	lock   [stripes]sync.Mutex
	set    [][ways]flow // a power of two
}

func (t *flowTable) init(size int, secret uint64) {
	n := 1
	for n*ways < size {
		n *= 2
	}
	t.set, t.secret = make([][ways]flow, n), secret
}

func (t *flowTable) at(k *key) (*[ways]flow, *sync.Mutex) {
	h := k.hash(t.secret)
	i := h & uint64(len(t.set)-1)
	return &t.set[i], &t.lock[i%stripes]
}

// note records that a rule let a packet of the flow pass, which makes or renews it.
// Where a set is full, the flow goes that is over, else the one without an answer
// that was used longest ago, else the one used longest ago.
func (t *flowTable) note(k key, now, life int64) {
	set, mu := t.at(&k)
	mu.Lock()
	defer mu.Unlock()
	victim := &set[0]
	for i := range set {
		f := &set[i]
		if f.used != 0 && f.key == k {
			f.used, f.until = now, now+life
			return
		}
		if worse(f, victim, now) {
			victim = f
		}
	}
	*victim = flow{key: k, used: now, until: now + life}
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

// answers reports whether the flow with the key is live, and renews it: what passes
// is its answer.
func (t *flowTable) answers(k key, now, life int64) bool {
	set, mu := t.at(&k)
	mu.Lock()
	defer mu.Unlock()
	for i := range set {
		if f := &set[i]; f.used != 0 && f.key == k && f.until > now {
			f.used, f.until, f.answered = now, now+life, true
			return true
		}
	}
	return false
}

// live reports whether the flow with the key is live, and leaves it as it is.
func (t *flowTable) live(k key, now int64) bool {
	set, mu := t.at(&k)
	mu.Lock()
	defer mu.Unlock()
	for i := range set {
		if f := &set[i]; f.used != 0 && f.key == k && f.until > now {
			return true
		}
	}
	return false
}

// count returns the number of live flows.
func (t *flowTable) count(now int64) (n int) {
	for i := range t.set {
		mu := &t.lock[uint64(i)%stripes]
		mu.Lock()
		for j := range t.set[i] {
			if f := &t.set[i][j]; f.used != 0 && f.until > now {
				n++
			}
		}
		mu.Unlock()
	}
	return n
}

// bucket is a token bucket. Its level is time: a packet costs as many nanoseconds
// as the rate gives each.
type bucket struct {
	key   key
	used  int64 // 0: the place is free
	level int64
}

// bucketTable is the bounded table of buckets.
type bucketTable struct {
	secret uint64
	lock   [stripes]sync.Mutex
	set    [][ways]bucket
}

func (t *bucketTable) init(size int, secret uint64) {
	n := 1
	for n*ways < size {
		n *= 2
	}
	t.set, t.secret = make([][ways]bucket, n), secret
}

// take takes one packet's cost from the bucket with the key. A bucket that is not
// there is full. The one used longest ago makes room.
func (t *bucketTable) take(k key, cost, capacity, now int64) bool {
	h := k.hash(t.secret)
	i := h & uint64(len(t.set)-1)
	mu := &t.lock[i%stripes]
	mu.Lock()
	defer mu.Unlock()
	set := &t.set[i]
	b := &set[0]
	for j := range set {
		if x := &set[j]; x.used != 0 && x.key == k {
			b = x
			break
		} else if x.used < b.used {
			b = x
		}
	}
	if b.used == 0 || b.key != k {
		*b = bucket{key: k, used: now, level: capacity}
	}
	return b.draw(cost, capacity, now)
}

// draw refills the bucket and takes cost from it if that much is there.
func (b *bucket) draw(cost, capacity, now int64) bool {
	b.level = min(capacity, b.level+now-b.used)
	b.used = now
	if b.level < cost {
		return false
	}
	b.level -= cost
	return true
}

// fragmentKey names a fragmented packet, so that later fragments pass with the
// first (RFC 8200, 4.5).
func fragmentKey(t *Tuple, id uint32) key {
	return key{t.Source.As16(), t.Destination.As16(), uint64(ipv6.ProtoFragment)<<32 | uint64(id)}
}
