package policy

import (
	"fmt"
	"math/bits"
	"net/netip"
	"slices"
	"sync/atomic"

	"culvert/bridge/ipv6"
	"culvert/bridge/node"
)

// MaxRules bounds a list, so that its compiled form stays small.
const MaxRules = 4096

// Set is a compiled list of rules. It is immutable and may be used from any
// goroutine. For a packet it holds, for each of source, destination and service,
// the rules that this part of the packet satisfies, as a bit for each rule; the
// first bit that all three have is the rule that decides. The cost grows with the
// number of rules by a few machine words only.
type Set struct {
	rules    []Rule
	words    int
	from, to spans
	any      []uint64            // by service: rules for any
	ports    map[uint32][]uint64 // proto << 16 | port
	proto    map[uint8][]uint64  // rules for every port of the protocol, and any
	echo     []uint64
}

// spans cuts the space of addresses where some prefix begins or ends. An address
// satisfies the rules of the span that it stands in.
type spans struct {
	start []netip.Addr // sorted; the first is ::
	rules [][]uint64
	named [][]uint64 // of them, those that name the address by more than "any", or deny
}

// Compile makes a Set of a list.
func Compile(rules []Rule) (*Set, error) {
	if len(rules) > MaxRules {
		return nil, fmt.Errorf("policy: %d rules: at most %d are allowed", len(rules), MaxRules)
	}
	s := &Set{rules: slices.Clone(rules), words: (len(rules) + 63) / 64,
		ports: map[uint32][]uint64{}, proto: map[uint8][]uint64{}}
	for i, r := range rules {
		if len(r.From) == 0 || len(r.To) == 0 || len(r.Services) == 0 {
			return nil, fmt.Errorf("policy: rule %d: from, to and service must each name something", i+1)
		}
	}
	s.from = s.spansOf(func(r *Rule) []End { return r.From })
	s.to = s.spansOf(func(r *Rule) []End { return r.To })
	s.compileServices()
	return s, nil
}

// Len returns the number of rules.
func (s *Set) Len() int { return len(s.rules) }

// Rule returns rule i, counted from 0.
func (s *Set) Rule(i int) Rule { return s.rules[i] }

func (s *Set) spansOf(ends func(*Rule) []End) spans {
	starts := []netip.Addr{netip.IPv6Unspecified()}
	for i := range s.rules {
		for _, e := range ends(&s.rules[i]) {
			if e.Prefix.IsValid() {
				starts = append(starts, e.Prefix.Masked().Addr())
				if next, ok := after(e.Prefix); ok {
					starts = append(starts, next)
				}
			}
		}
	}
	slices.SortFunc(starts, netip.Addr.Compare)
	starts = slices.Compact(starts)
	sp := spans{start: starts, rules: make([][]uint64, len(starts)), named: make([][]uint64, len(starts))}
	for j := range sp.rules {
		sp.rules[j], sp.named[j] = make([]uint64, s.words), make([]uint64, s.words)
	}
	for i := range s.rules {
		for _, e := range ends(&s.rules[i]) {
			if !e.Prefix.IsValid() {
				continue
			}
			at, _ := slices.BinarySearchFunc(starts, e.Prefix.Masked().Addr(), netip.Addr.Compare)
			for ; at < len(starts) && e.Prefix.Contains(starts[at]); at++ {
				setBit(sp.rules[at], i)
				if e.Prefix.Bits() > 0 || s.rules[i].Deny {
					setBit(sp.named[at], i)
				}
			}
		}
	}
	return sp
}

// after returns the first address behind a prefix, and false if there is none.
func after(p netip.Prefix) (netip.Addr, bool) {
	b := p.Masked().Addr().As16()
	for i := p.Bits(); i < 128; i++ {
		b[i/8] |= 0x80 >> (i % 8)
	}
	next := netip.AddrFrom16(b).Next()
	return next, next.IsValid()
}

// of returns the rules that the address satisfies; where named is set, those that
// allow only by more than "any".
func (sp *spans) of(a netip.Addr, named bool) []uint64 {
	lo, hi := 0, len(sp.start)
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; sp.start[mid].Compare(a) <= 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	if named {
		return sp.named[lo]
	}
	return sp.rules[lo]
}

// crosses reports whether a packet has a unique local address at one end alone. By
// default none of these crosses to the world outside (RFC 4193, section 4.3; RFC
// 6092, REC-7): to let one pass, "any" is not enough, a rule has to name both ends.
func crosses(t *Tuple) bool { return t.Source.IsPrivate() != t.Destination.IsPrivate() }

func (s *Set) compileServices() {
	s.any = make([]uint64, s.words)
	s.echo = make([]uint64, s.words)
	each := func(f func(i int, v Service)) {
		for i := range s.rules {
			for _, v := range s.rules[i].Services {
				f(i, v)
			}
		}
	}
	each(func(i int, v Service) {
		if v.Any {
			setBit(s.any, i)
			setBit(s.echo, i)
		} else if v.Echo {
			setBit(s.echo, i)
		}
	})
	each(func(i int, v Service) {
		if !v.Any && !v.Echo && s.proto[v.Proto] == nil {
			s.proto[v.Proto] = slices.Clone(s.any)
		}
	})
	each(func(i int, v Service) {
		if !v.Any && !v.Echo && v.Port == 0 {
			setBit(s.proto[v.Proto], i)
		}
	})
	each(func(i int, v Service) {
		if v.Port != 0 {
			k := portKey(v.Proto, v.Port)
			if s.ports[k] == nil {
				s.ports[k] = slices.Clone(s.proto[v.Proto])
			}
			setBit(s.ports[k], i)
		}
	})
}

func portKey(proto uint8, port uint16) uint32 { return uint32(proto)<<16 | uint32(port) }

// service returns the rules that a packet with the given tuple satisfies.
func (s *Set) service(t *Tuple) []uint64 {
	if t.Proto == ipv6.ProtoICMPv6 {
		if t.Echo && !t.Reply {
			return s.echo
		}
		return s.any
	}
	if b := s.ports[portKey(t.Proto, t.DestinationPort)]; b != nil {
		return b
	}
	if b := s.proto[t.Proto]; b != nil {
		return b
	}
	return s.any
}

// class is what the rules say of one node by its label, found once for each node
// and list of rules.
type class struct {
	set      *Set
	slot     int // of the node
	label    string
	from, to []uint64
}

func (s *Set) classOf(mesh, label string, slot int) *class {
	c := &class{set: s, slot: slot, label: label, from: make([]uint64, s.words), to: make([]uint64, s.words)}
	for i := range s.rules {
		for _, e := range s.rules[i].From {
			if e.matches(mesh, label) {
				setBit(c.from, i)
			}
		}
		for _, e := range s.rules[i].To {
			if e.matches(mesh, label) {
				setBit(c.to, i)
			}
		}
	}
	return c
}

// match returns the first rule that a packet satisfies, -1 for none. A node's class
// stands beside its address: a rule may name either. named asks for more than "any".
func (s *Set) match(t *Tuple, from, to *class, named bool) int {
	a, b, c := s.from.of(t.Source, named), s.to.of(t.Destination, named), s.service(t)
	for w := range s.words {
		f, d := a[w], b[w]
		if from != nil {
			f |= from.from[w]
		}
		if to != nil {
			d |= to.to[w]
		}
		if hit := f & d & c[w]; hit != 0 {
			return w*64 + bits.TrailingZeros64(hit)
		}
	}
	return -1
}

func setBit(b []uint64, i int) { b[i/64] |= 1 << (i % 64) }

// classes holds the class of each node by its slot.
type classes struct {
	mesh string
	slot []atomic.Pointer[class]
}

// of returns the class of a node under the given rules. It is made anew when the
// rules or the node's label have changed, and kept for all packets that follow.
func (cs *classes) of(s *Set, n *node.Node) *class {
	if n == nil {
		return nil
	}
	return cs.get(s, n.Slot(), n.Label())
}

// under returns what a class is under the given rules; nil is outside.
func (cs *classes) under(s *Set, c *class) *class {
	if c == nil {
		return nil
	}
	return cs.get(s, c.slot, c.label)
}

func (cs *classes) get(s *Set, slot int, label string) *class {
	if slot < 0 || slot >= len(cs.slot) {
		return s.classOf(cs.mesh, label, slot)
	}
	c := cs.slot[slot].Load()
	if c == nil || c.set != s || c.label != label {
		c = s.classOf(cs.mesh, label, slot)
		cs.slot[slot].Store(c)
	}
	return c
}
