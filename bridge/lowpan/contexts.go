package lowpan

import (
	"encoding/binary"
	"net/netip"
)

// Contexts is the set of up to 16 compression contexts that both ends share (RFC 6282, section
// 3.1.2; RFC 6775, section 7.2). It is immutable. A nil *Contexts has none.
type Contexts struct {
	entry [16]context
}

// context is the prefix of a context, in a form that is fast to compare.
type context struct {
	address        // the prefix; the other bits are zero
	mask    uint64 // bits of the interface identifier that the prefix covers
	bits    int    // prefix length
	set     bool
	offer   bool // the compressor may use it too
}

// linkLocal is the prefix of the stateless modes: fe80::/64.
var linkLocal = context{address: address{hi: 0xfe80 << 48}, bits: 64}

// NewContexts returns a set of prefixes, keyed by context identifier 0 to 15. All serve both
// compression and decompression.
func NewContexts(m map[uint8]netip.Prefix) *Contexts {
	c := &Contexts{}
	for id, p := range m {
		c = c.With(id, p, true)
	}
	return c
}

// With returns a copy of c in which context id is the prefix p. The decompressor may use it;
// the compressor only if compress is true (RFC 6775, section 4.2, flag C). An id over 15 or an
// invalid prefix changes nothing.
func (c *Contexts) With(id uint8, p netip.Prefix, compress bool) *Contexts {
	var n Contexts
	if c != nil {
		n = *c
	}
	if id < 16 && p.IsValid() && p.Addr().Is6() {
		e := context{address: addressOf(p.Masked().Addr()), bits: p.Bits(), set: true, offer: compress}
		if e.bits > 64 {
			e.mask = ^uint64(0) << (128 - e.bits)
		}
		n.entry[id] = e
	}
	return &n
}

// Lookup returns the prefix of context id for decompression.
func (c *Contexts) Lookup(id uint8) (netip.Prefix, bool) {
	e := c.get(id)
	if e == nil {
		return netip.Prefix{}, false
	}
	return netip.PrefixFrom(e.netip(), e.bits), true
}

// get returns context id, or nil if it is not installed.
func (c *Contexts) get(id uint8) *context {
	if c == nil || id > 15 || !c.entry[id].set {
		return nil
	}
	return &c.entry[id]
}

// offers reports whether compression may use context id.
func (c *Contexts) offers(id uint8) bool {
	e := c.get(id)
	return e != nil && e.offer
}

// join returns the address made of the context and an interface identifier. The context's bits
// take precedence; bits between a short context and the identifier are zero (RFC 6282, section
// 3.1.1).
func (e *context) join(iid uint64) address {
	return address{e.hi, e.lo | iid&^e.mask}
}

// address is an IPv6 address as two numbers: prefix and interface identifier.
type address struct{ hi, lo uint64 }

func addressOf(a netip.Addr) address {
	b := a.As16()
	return addressAt(b[:])
}

// addressAt returns the address in the first 16 octets of b.
func addressAt(b []byte) address {
	return address{binary.BigEndian.Uint64(b), binary.BigEndian.Uint64(b[8:])}
}

func (a address) appendTo(b []byte) []byte {
	b = binary.BigEndian.AppendUint64(b, a.hi)
	return binary.BigEndian.AppendUint64(b, a.lo)
}

func (a address) netip() netip.Addr {
	var b [16]byte
	return netip.AddrFrom16([16]byte(a.appendTo(b[:0])))
}

func (a address) isMulticast() bool { return a.hi>>56 == 0xff }
