package forward

import (
	"encoding/binary"
	"hash/maphash"
	"net/netip"
	"slices"
	"sync"

	"culvert/bridge/node"
	"culvert/bridge/policy"
)

// Sizes of a tally: sets of a few places each. A packet looks at one set under its
// lock, whatever somebody sends.
const (
	tallySets = 256
	tallyWays = 4
)

// tally counts packets under a bounded number of keys. Where a set is full, the key
// with the fewest packets makes room: who sends much stays.
type tally[K comparable, V any] struct {
	seed maphash.Seed // so that nobody outside can aim at one set
	set  [tallySets]struct {
		mu   sync.Mutex
		cell [tallyWays]cell[K, V] // guarded by mu
	}
}

type cell[K comparable, V any] struct {
	key K
	val V
	counted
}

// counted is what a tally knows of a key.
type counted struct {
	count uint64 // 0: the cell is free
	last  int64  // on the forwarder's clock
	told  bool
}

func (t *tally[K, V]) init() { t.seed = maphash.MakeSeed() }

// add counts a packet. As long as the key was not told, it offers val to tell, which
// reports whether it took it. tell may be nil.
func (t *tally[K, V]) add(k K, val V, at int64, tell chan<- V) {
	s := &t.set[maphash.Comparable(t.seed, k)%tallySets]
	s.mu.Lock()
	defer s.mu.Unlock()
	c := &s.cell[0]
	for i := range s.cell {
		if x := &s.cell[i]; x.count > 0 && x.key == k {
			c = x
			break
		} else if x.count < c.count {
			c = x
		}
	}
	if c.count == 0 || c.key != k {
		*c = cell[K, V]{key: k, val: val}
	}
	c.count++
	c.last = at
	if !c.told && tell != nil {
		select {
		case tell <- val:
			c.told = true
		default: // the log is behind: the next packet tries again
		}
	}
}

// clear forgets all keys.
func (t *tally[K, V]) clear() {
	for i := range t.set {
		s := &t.set[i]
		s.mu.Lock()
		clear(s.cell[:])
		s.mu.Unlock()
	}
}

// len returns the number of keys.
func (t *tally[K, V]) len() (n int) {
	for i := range t.set {
		s := &t.set[i]
		s.mu.Lock()
		for j := range s.cell {
			if s.cell[j].count > 0 {
				n++
			}
		}
		s.mu.Unlock()
	}
	return n
}

// top returns what show makes of the n keys with the most packets.
func top[K comparable, V, T any](t *tally[K, V], n int, show func(K, V, counted) T) []T {
	var all []cell[K, V]
	for i := range t.set {
		s := &t.set[i]
		s.mu.Lock()
		for j := range s.cell {
			if s.cell[j].count > 0 {
				all = append(all, s.cell[j])
			}
		}
		s.mu.Unlock()
	}
	slices.SortFunc(all, func(a, b cell[K, V]) int {
		if a.count != b.count {
			return int(min(1, max(-1, int64(b.count)-int64(a.count))))
		}
		return int(min(1, max(-1, b.last-a.last)))
	})
	var out []T
	for _, c := range all[:min(n, len(all))] {
		out = append(out, show(c.key, c.val, c.counted))
	}
	return out
}

// prefix64 is the /64 with the given first octets.
func prefix64(hi uint64) netip.Prefix {
	var b [16]byte
	binary.BigEndian.PutUint64(b[:], hi)
	return netip.PrefixFrom(netip.AddrFrom16(b), 64)
}

// refusedKey is what is told of once.
type refusedKey struct {
	far      uint64 // the /64 outside; of the source, from node to node
	from, to int32  // slots of nodes; -1 is outside
	proto    uint8
	echo     bool
	port     uint16
}

// refusedAbout is the first packet of a key.
type refusedAbout struct {
	tuple    policy.Tuple
	why      policy.Why
	from, to *node.Node
}

// refusals is what no rule let pass.
type refusals struct {
	table tally[refusedKey, refusedAbout]
	news  chan refusedAbout // for Tick, which logs
	log   bucket
	quiet uint64 // not logged since, as there was too much; Tick's
}

// What is logged of refusals: this many at once, and one more every so often.
const (
	refusedNews  = 64
	refusedBurst = 20
	refusedEvery = 10 // seconds
)

func (r *refusals) init() {
	r.table.init()
	r.news = make(chan refusedAbout, refusedNews)
	r.log.interval = refusedEvery * 1e9
	r.log.depth = refusedBurst * r.log.interval
}

func (r *refusals) note(t policy.Tuple, why policy.Why, from, to *node.Node, at int64) {
	slot := func(n *node.Node) int32 {
		if n == nil {
			return -1
		}
		return int32(n.Slot())
	}
	far := t.Source
	if to == nil {
		far = t.Destination
	}
	s := policy.ServiceOf(t)
	b := far.As16()
	k := refusedKey{far: binary.BigEndian.Uint64(b[:]), from: slot(from), to: slot(to), proto: s.Proto, echo: s.Echo, port: s.Port}
	r.table.add(k, refusedAbout{t, why, from, to}, at, r.news)
}

// tellRefusals logs, at a bounded rate, what no rule let pass, with the rule that
// would. What is over the rate is left to `culvert check`.
func (f *Forwarder) tellRefusals() {
	r := &f.refused
	for {
		select {
		case a := <-r.news:
			if !r.log.take(f.now()) {
				r.quiet++
				continue
			}
			from, to := labelOf(a.from), labelOf(a.to)
			s := policy.Suggest(a.tuple, f.opt.Name, from, to)
			args := []any{"from", s.From[0].String(), "to", s.To[0].String(), "service", s.Services[0].String(), "rule", s.Text("; ")}
			if a.why == policy.Unnamed {
				args = append(args, "note", `"any" is not enough between a unique local and a global address: name the prefix`)
			}
			if r.quiet > 0 {
				args = append(args, "not_shown_before", r.quiet)
				r.quiet = 0
			}
			f.opt.Log.Warn("no rule lets this pass (said once); this one would", args...)
		default:
			return
		}
	}
}
