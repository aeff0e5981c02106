package lowpan

import "net/netip"

// Contexts is the set of up to 16 compression contexts that both ends share (RFC
// 6282, section 3.1.2; RFC 6775, section 7.2). It is immutable once in use: a
// change makes a new one. The nil *Contexts has none.
type Contexts struct {
	entry [16]contextEntry
}

type contextEntry struct {
	prefix   netip.Prefix
	set      bool
	compress bool
}

// NewContexts returns a set in which each given prefix, keyed by its context
// identifier 0 to 15, serves both compression and decompression.
func NewContexts(m map[uint8]netip.Prefix) *Contexts {
	c := &Contexts{}
	for id, p := range m {
		c = c.With(id, p, true)
	}
	return c
}

// With returns a copy of c in which context id stands for the prefix p, whose
// bits past its length are cleared. Decompression always may use it; compression
// only if compress is true (RFC 6775, section 4.2, flag C). An id over 15 or an
// invalid prefix changes nothing.
func (c *Contexts) With(id uint8, p netip.Prefix, compress bool) *Contexts {
	var n Contexts
	if c != nil {
		n = *c
	}
	if id < 16 && p.IsValid() && p.Addr().Is6() {
		n.entry[id] = contextEntry{prefix: p.Masked(), set: true, compress: compress}
	}
	return &n
}

// Without returns a copy of c that lacks context id.
func (c *Contexts) Without(id uint8) *Contexts {
	var n Contexts
	if c != nil {
		n = *c
	}
	if id < 16 {
		n.entry[id] = contextEntry{}
	}
	return &n
}

// Lookup returns the prefix of context id for decompression.
func (c *Contexts) Lookup(id uint8) (netip.Prefix, bool) {
	if c == nil || id > 15 || !c.entry[id].set {
		return netip.Prefix{}, false
	}
	return c.entry[id].prefix, true
}
