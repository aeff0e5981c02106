package main

import (
	"net/netip"
)

// contextConfig is one [[mesh.context]]: a compression context beyond the mesh
// prefix.
type contextConfig struct {
	id     uint8
	prefix netip.Prefix
}

// meshContexts returns the compression contexts of a mesh (RFC 6282, 3.1.2): its
// prefix as context 0, unless the file says otherwise, and those of the file.
func (c *meshConfig) meshContexts() map[uint8]netip.Prefix {
	out := map[uint8]netip.Prefix{}
	if !c.noPrefixContext {
		out[0] = c.prefix
	}
	for _, x := range c.contexts {
		out[x.id] = x.prefix
	}
	return out
}

// contexts reads the compression contexts of a mesh.
func (r *configReader) contexts(t *table) (list []contextConfig, noPrefix bool) {
	if v, ok := t.value("prefix_context"); ok {
		b, isBool := v.(bool)
		if !isBool {
			t.errorf("prefix_context", "%s; want true (the mesh prefix is compression context 0) or false", describe(v))
		}
		noPrefix = isBool && !b
	}
	taken := map[uint8]bool{}
	for _, c := range t.tables("context") {
		x, ok := r.context(c)
		switch {
		case !ok:
		case x.id == 0 && !noPrefix:
			c.errorf("id", "0 is the mesh prefix; want 1 to 15, or prefix_context = false in the mesh to have 0 free")
		case taken[x.id]:
			c.errorf("id", "%d stands there twice", x.id)
		default:
			taken[x.id] = true
			list = append(list, x)
		}
	}
	return list, noPrefix
}

// context reads one [[mesh.context]].
func (r *configReader) context(t *table) (x contextConfig, ok bool) {
	const want = "an IPv6 prefix, like \"2001:db8:7::/64\""
	before := len(t.doc.errs)
	if !t.has("id") {
		t.value("id")
		t.errorf("id", "missing; want a number from 0 to 15")
	}
	x.id = uint8(t.integer("id", 0, 0, 15, "a number"))
	if s, there := t.required("prefix", want); there {
		p, err := netip.ParsePrefix(s)
		a := p.Addr()
		switch {
		case err != nil || !a.Is6() || a.Is4In6() || p.Bits() == 0:
			t.errorf("prefix", "%s; want %s", describe(s), want)
		case p != p.Masked():
			t.errorf("prefix", "%q has bits set behind its length; want %s, here %q", s, want, p.Masked())
		case a.IsMulticast(), a.IsLinkLocalUnicast():
			t.errorf("prefix", "%q needs no context: its compression is stateless; want %s", s, want)
		}
		x.prefix = p
	}
	t.close(nil)
	return x, len(t.doc.errs) == before
}
