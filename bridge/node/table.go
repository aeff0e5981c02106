package node

import (
	"encoding/binary"
	"fmt"
	"iter"
	"net/netip"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
)

const linkLocalPrefix = 0xfe80 << 48

// Options are what a table is made from.
type Options struct {
	Prefix netip.Prefix // of the mesh, a /64
	Admit  Admit
	Places []Place
	Report Reporting // when a node is late or silent
	Max    int       // nodes; 0 is 65,536
	Start  time.Time // now; zero is time.Now()
	// Registered leaves derived addresses of the mesh prefix out: nodes have those
	// that they registered or claimed. Link-local ones are derived all the same.
	Registered bool
	Retired    []ieee802154.Addr // EUI-64s of devices that are out of service, unless one has a place
}

// Table is the nodes of one mesh. All methods may be called from any goroutine.
type Table struct {
	prefix   uint64
	prefixAt netip.Prefix
	admit    Admit
	report   Reporting
	max      int
	only     bool // registered and claimed addresses

	short  [1 << 16]atomic.Pointer[Node]
	eui    euiIndex
	addr   addrIndex
	extras atomic.Int64 // entries in addr
	pan    atomic.Uint32

	clock      *clock
	radio      radioState
	settled    atomic.Int64 // when the radio's list of nodes was last complete, on the clock
	placeCount atomic.Int64
	gateway    atomic.Pointer[[2]ieee802154.Addr] // the radio's own link addresses
	refused    atomic.Uint64

	mu      sync.RWMutex      // taken by every change, and by readers of what follows
	nodes   []*Node           // by slot; nil where free
	free    []int             // slots
	byLabel map[string]*Node  //
	places  map[uint64]*Place // by EUI-64
	retired map[uint64]bool   // EUI-64s
	epoch   uint32            // counts radio snapshots
	outages uint32            // counts outages of the radio
}

// New returns a table with a record in state expected for each place. It fails on
// a prefix that is no IPv6 /64 and on places with a bad or repeated name or EUI-64.
func New(o Options) (*Table, error) {
	if !o.Prefix.IsValid() || !o.Prefix.Addr().Is6() || o.Prefix.Bits() != 64 {
		return nil, fmt.Errorf("node: mesh prefix %v: want an IPv6 /64", o.Prefix)
	}
	b := o.Prefix.Addr().As16()
	t := &Table{
		prefix:   binary.BigEndian.Uint64(b[:]),
		prefixAt: o.Prefix.Masked(),
		admit:    o.Admit,
		report:   o.Report.WithDefaults(),
		max:      o.Max,
		only:     o.Registered,
		byLabel:  map[string]*Node{},
		places:   map[uint64]*Place{},
		retired:  map[uint64]bool{},
	}
	if o.Start.IsZero() {
		o.Start = time.Now()
	}
	t.clock = newClock(o.Start)
	if t.max <= 0 {
		t.max = defaultMax
	}
	for _, a := range o.Retired {
		if v, ok := a.EUI64(); ok {
			t.retired[v] = true
		}
	}
	if len(o.Places) > t.max {
		return nil, fmt.Errorf("node: %d places, and room for %d nodes", len(o.Places), t.max)
	}
	for i := range o.Places {
		if err := t.addPlace(o.Places[i]); err != nil {
			return nil, err
		}
	}
	return t, nil
}

func (t *Table) addPlace(p Place) error {
	if err := p.check(); err != nil {
		return err
	}
	if t.byLabel[p.Name] != nil {
		return fmt.Errorf("node: place %q stands twice", p.Name)
	}
	if v, ok := p.EUI64.EUI64(); ok {
		if other := t.places[v]; other != nil {
			return fmt.Errorf("node: places %q and %q have the same EUI-64 %v", other.Name, p.Name, p.EUI64)
		}
		t.places[v] = &p
		delete(t.retired, v)
	}
	t.expectLocked(&p)
	t.placeCount.Add(1)
	return nil
}

// Prefix returns the mesh prefix.
func (t *Table) Prefix() netip.Prefix { return t.prefixAt }

// PAN returns the PAN in which short addresses are looked up.
func (t *Table) PAN() uint16 { return uint16(t.pan.Load()) }

// ByLink returns the node with a link address, short ones in the present PAN; nil
// if there is none.
func (t *Table) ByLink(a ieee802154.Addr) *Node {
	if s, ok := a.Short(); ok {
		return t.short[s].Load()
	}
	if v, ok := a.EUI64(); ok {
		return t.eui.lookup(v)
	}
	return nil
}

// ByAddress returns the node that has an IPv6 address, link-local ones included;
// nil if there is none.
func (t *Table) ByAddress(a netip.Addr) *Node {
	if n := t.derived(a, !t.only); n != nil {
		return n
	}
	if t.extras.Load() == 0 {
		return nil
	}
	return t.addr.lookup(a)
}

// Derived returns the node from one of whose link addresses a is derived, whether
// it is served there or not; nil if there is none.
func (t *Table) Derived(a netip.Addr) *Node { return t.derived(a, true) }

func (t *Table) derived(a netip.Addr, global bool) *Node {
	b := a.As16()
	if hi := binary.BigEndian.Uint64(b[:]); hi != linkLocalPrefix && !(global && hi == t.prefix) {
		return nil
	}
	iid := ipv6.IID(binary.BigEndian.Uint64(b[8:]))
	if iid.OfShort() { // a short address comes before an EUI-64 of the same form
		if n := t.short[uint16(iid)].Load(); n != nil && n.id.Load().derives(iid) {
			return n
		}
	}
	return t.ByLink(iid.LinkAddr())
}

// Owns reports whether a packet of n may have the source a.
func (t *Table) Owns(n *Node, a netip.Addr) bool {
	_, ok := t.Owned(n, a)
	return ok
}

// Owned reports whether a packet of n may have the source a, and how n came to it.
func (t *Table) Owned(n *Node, a netip.Addr) (Origin, bool) {
	origin, ok := n.owned(a, t.prefix, t.only)
	switch {
	case !ok:
	case origin != Derived: // another may have appeared since, from whose link address a is derived
		if d := t.derived(a, !t.only); d != nil && d != n {
			return origin, false
		}
	case ipv6.IIDIn(a).OfShort() && t.Derived(a) != n:
		return Derived, false // its EUI-64 has the form of another node's short address
	}
	return origin, ok
}

// ByLabel returns the node with a label, nil if there is none.
func (t *Table) ByLabel(s string) *Node {
	t.mu.RLock()
	defer t.mu.RUnlock()
	return t.byLabel[s]
}

// Max returns the number of nodes that the table has room for.
func (t *Table) Max() int { return t.max }

// Len returns the number of nodes, of all states.
func (t *Table) Len() int {
	t.mu.RLock()
	defer t.mu.RUnlock()
	return len(t.nodes) - len(t.free)
}

// All iterates over the nodes as they are when it starts, by slot. The table may
// change meanwhile.
func (t *Table) All() iter.Seq[*Node] {
	return func(yield func(*Node) bool) {
		var some [page]*Node
		for at := 0; ; {
			t.mu.RLock()
			k := copy(some[:], t.nodes[min(at, len(t.nodes)):])
			t.mu.RUnlock()
			if k == 0 {
				return
			}
			for _, n := range some[:k] {
				if n != nil && !yield(n) {
					return
				}
			}
			at += k
		}
	}
}

// Addresses returns the addresses of n, best one first: derived from the EUI-64,
// from the short address, then registered and claimed ones; each once. Link-local
// ones are left out.
func (t *Table) Addresses(n *Node) []Address {
	id := n.id.Load()
	var out []Address
	for _, a := range t.derivedOf(id) {
		if a.IsValid() && !slices.ContainsFunc(id.extra, func(e Address) bool { return e.Addr == a }) {
			out = append(out, Address{Addr: a, Origin: Derived})
		}
	}
	for _, a := range id.extra {
		if !a.Addr.IsLinkLocalUnicast() {
			out = append(out, a)
		}
	}
	return out
}

// derivedOf returns the addresses that are derived from the EUI-64 and the short
// address of a node; the zero Addr where there is none.
func (t *Table) derivedOf(id *identity) (out [2]netip.Addr) {
	if t.only {
		return out
	}
	for i, a := range [...]ieee802154.Addr{id.eui, id.short} {
		if iid, ok := ipv6.IIDOf(a); ok && iid.LinkAddr() == a {
			out[i] = ipv6.Join(t.prefixAt.Addr(), iid)
		}
	}
	return out
}

// Address returns the address by which n is best reached and known: the one
// derived from its EUI-64, which outlives its short address, else that from its
// short address, else the first of the mesh prefix that it registered or claimed;
// the zero Addr if it has none.
func (t *Table) Address(n *Node) netip.Addr {
	id := n.id.Load()
	for _, a := range t.derivedOf(id) {
		if a.IsValid() {
			return a
		}
	}
	for _, a := range id.extra {
		if t.prefixAt.Contains(a.Addr) {
			return a.Addr
		}
	}
	return netip.Addr{}
}

// Stats are a table's figures.
type Stats struct {
	Nodes     [States]int // by state
	Strangers int         // of them, devices that are no place in a mesh that has places
	Unserved  int         // strangers that are not served
	Max       int
	Refused   uint64 // nodes for which the table had no room
}

// Stats returns the figures now.
func (t *Table) Stats() Stats {
	s := Stats{Max: t.max, Refused: t.refused.Load()}
	for n := range t.All() {
		s.Nodes[n.State()]++
		if t.Stranger(n) {
			s.Strangers++
			if !n.Admitted() {
				s.Unserved++
			}
		}
	}
	return s
}

// addLocked puts a new record into a free slot; nil if there is none. The caller
// holds mu, or nobody else has the table yet.
func (t *Table) addLocked(id identity, at time.Time) *Node {
	n := &Node{first: at, clock: t.clock, radio: &t.radio}
	n.heard.Store(never)
	n.since.Store(never)
	n.due.Store(never)
	n.confirmedOutage.Store(t.radio.outage.Load())
	n.reports.init()
	switch {
	case len(t.free) > 0:
		n.slot = t.free[len(t.free)-1]
		t.free = t.free[:len(t.free)-1]
		t.nodes[n.slot] = n
	case len(t.nodes) < t.max:
		n.slot = len(t.nodes)
		t.nodes = append(t.nodes, n)
	default:
		t.refused.Add(1)
		return nil
	}
	n.battery.Store(255)
	t.bindLocked(n, id)
	return n
}

// bindLocked gives n a new identity and brings every index in line with it.
func (t *Table) bindLocked(n *Node, id identity) {
	old := n.id.Load()
	id.send = id.short
	if id.send.IsNone() {
		id.send = id.eui
	}
	id.label = label(id.place, id.eui, id.short, id.pan)
	n.id.Store(&id)
	if old != nil {
		if v, ok := old.eui.EUI64(); ok && old.eui != id.eui && t.eui.lookup(v) == n {
			t.eui.set(v, nil)
		}
		if s, ok := old.short.Short(); ok && (old.short != id.short || old.pan != id.pan) {
			t.short[s].CompareAndSwap(n, nil)
		}
		if old.label != id.label && t.byLabel[old.label] == n {
			delete(t.byLabel, old.label)
		}
	}
	if v, ok := id.eui.EUI64(); ok {
		t.eui.set(v, n)
	}
	if s, ok := id.short.Short(); ok {
		t.short[s].Store(n)
	}
	t.byLabel[id.label] = n
}

// removeLocked takes n out of the table and of every index.
func (t *Table) removeLocked(n *Node) {
	n.removed.Store(true)
	id := n.id.Load()
	if v, ok := id.eui.EUI64(); ok && t.eui.lookup(v) == n {
		t.eui.set(v, nil)
	}
	if s, ok := id.short.Short(); ok {
		t.short[s].CompareAndSwap(n, nil)
	}
	for _, a := range id.extra {
		if t.addr.lookup(a.Addr) == n {
			t.addr.set(a.Addr, nil)
			t.extras.Add(-1)
		}
	}
	if t.byLabel[id.label] == n {
		delete(t.byLabel, id.label)
	}
	t.nodes[n.slot] = nil
	t.free = append(t.free, n.slot)
}
