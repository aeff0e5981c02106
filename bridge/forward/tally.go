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

// Sizes of a tally: sets of a few cells each. A packet examines one set under its lock,
// whatever the traffic.
const (
	tallySets = 256
	tallyWays = 4
)

// tally counts packets under a bounded number of keys. If a set is full, the key with the
// fewest packets is evicted.
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

// counted is what a tally records about a key.
type counted struct {
	count  uint64 // 0: the cell is free
	last   int64  // on the forwarder's clock
	logged bool   // the value was passed on to be logged
}

func (t *tally[K, V]) init() { t.seed = maphash.MakeSeed() }

// add counts a packet. Until a value of the key was accepted by toLog, it offers val there
// without blocking. toLog may be nil.
func (t *tally[K, V]) add(k K, val V, at int64, toLog chan<- V) {
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
	if !c.logged && toLog != nil {
		select {
		case toLog <- val:
			c.logged = true
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

// refusedKey identifies refusals that are logged once together.
type refusedKey struct {
	far      uint64 // the /64 outside; of the source, from node to node
	from, to int32  // slots of nodes; -1 is outside
	proto    uint8
	echo     bool
	port     uint16
}

// refusedPacket is the first packet of a key.
type refusedPacket struct {
	tuple    policy.Tuple
	why      policy.Why
	from, to *node.Node
}

// refusals are the packets that no rule allowed.
type refusals struct {
	table    tally[refusedKey, refusedPacket]
	pending  chan refusedPacket // to be logged by Tick
	log      bucket
	unlogged uint64 // not logged since the last entry, because of the rate; used by Tick only
}

// Limits on logging refusals: a burst, and one more per interval.
const (
	refusedPending = 64
	refusedBurst   = 20
	refusedEvery   = 10 // seconds
)

func (r *refusals) init() {
	r.table.init()
	r.pending = make(chan refusedPacket, refusedPending)
	r.log.interval = refusedEvery * 1e9
	r.log.depth = refusedBurst * r.log.interval
}

func (r *refusals) add(t policy.Tuple, why policy.Why, from, to *node.Node, at int64) {
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
	r.table.add(k, refusedPacket{t, why, from, to}, at, r.pending)
}

// logRefusals logs, at a bounded rate, packets that no rule allowed, with a rule that
// would allow them. `culvert check` lists them all.
func (f *Forwarder) logRefusals() {
	r := &f.refused
	for {
		select {
		case a := <-r.pending:
			if !r.log.take(f.now()) {
				r.unlogged++
				continue
			}
			from, to := labelOf(a.from), labelOf(a.to)
			s := policy.Suggest(a.tuple, f.opt.Name, from, to)
			args := []any{"from", s.From[0].String(), "to", s.To[0].String(), "service", s.Services[0].String(), "rule", s.Text("; ")}
			if a.why == policy.Unnamed {
				args = append(args, "note", `"any" is not enough between a unique local and a global address: name the prefix`)
			}
			if r.unlogged > 0 {
				args = append(args, "not_shown_before", r.unlogged)
				r.unlogged = 0
			}
			f.opt.Log.Warn("no rule allows this packet (logged once); this rule would allow it", args...)
		default:
			return
		}
	}
}
