package nd

import (
	"net/netip"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/node"
)

// Options are what a Server is made from. Zero values mean the defaults.
type Options struct {
	Prefix   netip.Prefix    // of the mesh, a /64
	Gateway  netip.Addr      // of the bridge in it; zero: prefix::1
	EUI64    ieee802154.Addr // of the gateway's radio
	Table    *node.Table
	Contexts []Context // that are to be in use; none of them may share an id
	// Registered asks nodes for a claim or a registration of their derived addresses
	// of the prefix too: the table serves no others.
	Registered bool

	RouterLifetime time.Duration // default 2 h 30 min, the most that RFC 4861, 6.2.1, allows
	Interval       time.Duration // between unsolicited advertisements; default 30 min
	ClaimLifetime  time.Duration // of an address that was claimed and is not heard of; default 24 h
	ContextDelay   time.Duration // default 300 s: MIN_CONTEXT_CHANGE_DELAY (RFC 6775, 9)
	MaxPerNode     int           // addresses of one node; default 8, and as many by relays
	MaxPerRelay    int           // that one relay registers for others; default 64, at most an eighth of all
	MaxAddresses   int           // in all; default 65,536
}

// Our own limits.
const (
	defaultLifetime = 9000 * time.Second // AdvDefaultLifetime's maximum (RFC 4861, 6.2.1)
	defaultInterval = 1800 * time.Second // MaxRtrAdvInterval's maximum (RFC 4861, 6.2.1)
	defaultClaim    = 24 * time.Hour
	defaultDelay    = 300 * time.Second // RFC 6775, 9
	defaultPerNode  = 8
	defaultPerRelay = 64
	defaultMax      = 65536
	maxProbes       = 256 // at one time
	probeTries      = 3   // MAX_UNICAST_SOLICIT (RFC 4861, 10)
	probeInterval   = time.Second
	solicitBurst    = 8 // messages that one node may have answered at once: a start takes about 6
	solicitEvery    = time.Second
	maxRates        = 4096 // nodes whose rate is remembered
)

// Server is the router's side of neighbour discovery on one mesh. It is not safe
// for concurrent use.
type Server struct {
	o         Options
	linkLocal netip.Addr
	bindings  map[netip.Addr]*Binding
	counts    counts
	probes    map[netip.Addr]*probe
	rates     map[ieee802154.Addr]rate
	contexts  contextTable
	version   uint32
	nextRA    time.Time
	burst     int       // advertisements still to be sent closely after a change
	expiry    time.Time // no binding ends before; zero: unknown
	stats     Stats
}

// Stats are counts since New.
type Stats struct {
	Solicitations  uint64 // router solicitations answered
	Advertisements uint64
	Registrations  uint64 // accepted, renewals included
	Refused        uint64 // registrations with a status other than success
	Claims         uint64
	Probes         uint64
	Expired        uint64 // bindings whose lifetime ran out
	Bindings       int    // addresses that nodes registered or claimed, now
	Claimed        int    // of them, claimed
}

// Out collects what is to be done. Its slices are the caller's, to be reset and
// used again.
type Out struct {
	Buf     []byte // all packets, one after another
	Packets []Packet
	Changes []Change
	Pairs   []Pair
	Peers   []Peer
}

// Peer is what a node said of itself in a router solicitation.
type Peer struct {
	Link ieee802154.Addr
	// Asked: it carried a 6CIO, so that the answer offers generic header compression
	// (RFC 7400, section 3.4). GHC: G was set, the node understands it.
	Asked, GHC bool
}

// Pair is a node's word that two link addresses are its own: its message carried
// both, and came from one of them. Whoever keeps the nodes decides what it is worth.
type Pair struct{ From, EUI64, Short ieee802154.Addr }

// Packet is a packet to be sent on the mesh.
type Packet struct {
	To         ieee802154.Addr // link destination; broadcast for groups
	Start, End int             // within Out.Buf
	// Durable asks that the changes made by the same call are on disk before the
	// packet leaves: it acknowledges them.
	Durable bool
}

// Change is a change of one binding: the new one, or for Reassigned and Ended the old one.
type Change struct {
	Binding
	Kind ChangeKind
}

// ChangeKind says what happened to a binding.
type ChangeKind uint8

// The kinds of changes.
const (
	Bound      ChangeKind = iota // a node got an address, or more than its lifetime changed
	Renewed                      // only the lifetime changed
	Reassigned                   // the node lost the address to another node: a Bound follows
	Ended                        // the node lost the address
)

// Reset empties out and keeps its memory.
func (o *Out) Reset() {
	o.Buf, o.Packets, o.Changes, o.Pairs, o.Peers = o.Buf[:0], o.Packets[:0], o.Changes[:0], o.Pairs[:0], o.Peers[:0]
}

// Bytes returns the octets of one of its packets.
func (o *Out) Bytes(p Packet) []byte { return o.Buf[p.Start:p.End] }

type rate struct {
	tokens int
	at     time.Time
}

// New returns a server that knows what state holds (the zero State at the first
// start).
func New(o Options, state State, now time.Time) *Server {
	o = o.withDefaults()
	s := &Server{
		o:        o,
		bindings: map[netip.Addr]*Binding{},
		counts:   newCounts(),
		probes:   map[netip.Addr]*probe{},
		rates:    map[ieee802154.Addr]rate{},
		version:  state.Version,
		burst:    initialAdvertisements,
		contexts: contextTable{delay: o.ContextDelay},
	}
	if iid, ok := ipv6.IIDOf(o.EUI64); ok {
		s.linkLocal = ipv6.LinkLocal(iid)
	}
	if s.contexts.restore(state.Contexts, o.Contexts, state.Version != 0, now) || s.version == 0 {
		s.version++
	}
	for _, b := range state.Bindings {
		s.restore(b, now)
	}
	s.nextRA = now
	return s
}

func (o Options) withDefaults() Options {
	if !o.Gateway.IsValid() {
		o.Gateway = ipv6.Gateway(o.Prefix)
	}
	set := func(d *time.Duration, v time.Duration) {
		if *d <= 0 {
			*d = v
		}
	}
	set(&o.RouterLifetime, defaultLifetime)
	set(&o.Interval, defaultInterval)
	set(&o.ClaimLifetime, defaultClaim)
	set(&o.ContextDelay, defaultDelay)
	if o.MaxPerNode <= 0 {
		o.MaxPerNode = defaultPerNode
	}
	if o.MaxAddresses <= 0 {
		o.MaxAddresses = defaultMax
	}
	if o.MaxPerRelay <= 0 {
		o.MaxPerRelay = defaultPerRelay
	}
	o.MaxPerRelay = min(o.MaxPerRelay, max(1, o.MaxAddresses/8))
	return o
}

// Contexts returns the contexts in use now. The value is immutable.
func (s *Server) Contexts() *lowpan.Contexts { return s.contexts.published }

// Stats returns the counts so far.
func (s *Server) Stats() Stats {
	st := s.stats
	st.Bindings = len(s.bindings)
	return st
}

// Handle takes a packet for which IsND holds, which arrived in frames from the
// link address from. The error, a *drop.Error, says why the packet ended unused;
// nil says that it was consumed.
func (s *Server) Handle(p ipv6.Packet, from ieee802154.Addr, now time.Time, out *Out) error {
	var m message
	if err := parse(p, &m); err != nil {
		return err
	}
	if !from.IsNode() {
		return errSource
	}
	if !s.mayAnswer(s.nameOf(from), now) {
		return errRate
	}
	if !m.sourceShort.IsNone() && m.source.IsExtended() && (from == m.source || from == m.sourceShort) {
		out.Pairs = append(out.Pairs, Pair{From: from, EUI64: m.source, Short: m.sourceShort})
	}
	from = s.nameOf(from)
	switch m.typ {
	case ipv6.TypeRouterSol:
		s.stats.Solicitations++
		out.Peers = append(out.Peers, Peer{Link: from, Asked: m.hasCaps, GHC: m.hasCaps && m.caps&capGHC != 0})
		s.advertise(out, m.src, from, m.hasCaps)
		return nil
	case ipv6.TypeNeighborSol:
		return s.solicitation(&m, from, now, out)
	case ipv6.TypeNeighborAdv:
		return s.advertisement(&m, from, now, out)
	case ipv6.TypeDuplicateReq:
		return s.duplicateRequest(&m, from, now, out)
	}
	return errType // a confirmation, for which nobody here asked
}

// mayAnswer is a bucket for each node, so that a storm of solicitations costs the
// mesh little (RFC 4861, 6.2.6, limits answers too). A node for which there is no
// room is answered: the table holds those that spoke last.
func (s *Server) mayAnswer(a ieee802154.Addr, now time.Time) bool {
	r, ok := s.rates[a]
	if !ok {
		if len(s.rates) >= maxRates {
			s.forgetRates(now)
		}
		r = rate{tokens: solicitBurst, at: now}
	}
	if n := int(now.Sub(r.at) / solicitEvery); n > 0 {
		r.tokens = min(solicitBurst, r.tokens+n)
		r.at = now
	}
	ok = r.tokens > 0
	if ok {
		r.tokens--
	}
	s.rates[a] = r
	return ok
}

// forgetRates drops the buckets that are full again, or all where none is.
func (s *Server) forgetRates(now time.Time) {
	for a, r := range s.rates {
		if now.Sub(r.at) >= solicitBurst*solicitEvery {
			delete(s.rates, a)
		}
	}
	if len(s.rates) >= maxRates {
		clear(s.rates)
	}
}

// Tick does what is due: expiry, probes, unsolicited advertisements, the steps of
// contexts. It returns when it wants to be called next.
func (s *Server) Tick(now time.Time, out *Out) time.Time {
	next := s.expire(now, out)
	next = earlier(next, s.probeTick(now, out))
	if changed, at := s.contexts.tick(now); changed {
		s.version++
		s.burst = initialAdvertisements
		s.nextRA = now
		next = earlier(next, at)
	} else {
		next = earlier(next, at)
	}
	if !now.Before(s.nextRA) {
		s.advertise(out, ipv6.AllNodes, ieee802154.Broadcast, false)
		s.nextRA = now.Add(s.o.Interval)
		if s.burst > 0 {
			s.burst--
			s.nextRA = now.Add(initialInterval)
		}
	}
	return earlier(next, s.nextRA)
}

// Unsolicited advertisements at start and after a change (RFC 4861, 6.2.4 and 10).
const (
	initialAdvertisements = 3
	initialInterval       = 16 * time.Second
)

func earlier(a, b time.Time) time.Time {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}

// expire ends the bindings whose lifetime is over. A claimed address is probed
// first: its owner may only have been quiet. The bindings are looked through only
// when one of them may have come to its end.
func (s *Server) expire(now time.Time, out *Out) (next time.Time) {
	if now.Before(s.expiry) {
		return s.expiry
	}
	for a, b := range s.bindings {
		switch p := s.probes[a]; {
		case now.Before(b.Until):
			next = earlier(next, b.Until)
		case b.Origin != node.Claimed:
			s.stats.Expired++
			s.unbind(b, out)
		case p != nil:
			p.expiring = true
		case s.startProbe(a, b.Link, ieee802154.Addr{}, now, out):
			s.probes[a].expiring = true
		default: // no room for a probe now
			next = earlier(next, now.Add(probeInterval))
		}
	}
	s.expiry = next
	if next.IsZero() {
		s.expiry = now.Add(s.o.Interval)
	}
	return next
}

// bind makes or replaces a binding and appends the change to out. renewal: at most its
// lifetime has changed.
func (s *Server) bind(b Binding, renewal bool, out *Out) {
	s.tally(&b, 1)
	if old := s.bindings[b.Addr]; old != nil {
		s.tally(old, -1)
		if old.Link != b.Link {
			out.Changes = append(out.Changes, Change{*old, Reassigned})
			renewal = false
		}
		*old = b
	} else {
		s.bindings[b.Addr] = &b
	}
	s.expiry = earlier(s.expiry, b.Until)
	kind := Bound
	if renewal {
		kind = Renewed
	}
	out.Changes = append(out.Changes, Change{b, kind})
}

func (s *Server) unbind(b *Binding, out *Out) {
	delete(s.bindings, b.Addr)
	s.tally(b, -1)
	out.Changes = append(out.Changes, Change{*b, Ended})
}

// ours reports whether an address is the gateway's own, or the subnet-router
// anycast address (RFC 4291, 2.6.1).
func (s *Server) ours(a netip.Addr) bool {
	return a == s.o.Gateway || a == s.linkLocal || a == s.o.Prefix.Masked().Addr()
}

// onLink reports whether an address can be one of a node of this mesh.
func (s *Server) onLink(a netip.Addr) bool {
	return s.o.Prefix.Contains(a) || a.IsLinkLocalUnicast()
}

// derivedOwner returns the node whose link address gives the interface identifier
// of a, nil if there is none.
func (s *Server) derivedOwner(a netip.Addr) *node.Node {
	if s.o.Table == nil || s.bindings[a] != nil {
		return nil
	}
	return s.o.Table.Derived(a)
}

// nameOf returns the EUI-64 of the node with a link address where it is known, which
// is the better name for it: a short address may be another node's tomorrow.
func (s *Server) nameOf(a ieee802154.Addr) ieee802154.Addr {
	if s.o.Table != nil && a.IsShort() {
		if n := s.o.Table.ByLink(a); n != nil && !n.EUI64().IsNone() {
			return n.EUI64()
		}
	}
	return a
}

// sameNode reports whether two link addresses are of one node.
func (s *Server) sameNode(a, b ieee802154.Addr) bool {
	if a == b {
		return true
	}
	if s.o.Table == nil {
		return false
	}
	n := s.o.Table.ByLink(a)
	return n != nil && n == s.o.Table.ByLink(b)
}
