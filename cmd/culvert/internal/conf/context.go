package conf

import (
	"net/netip"
)

// contextConfig is one [[mesh.context]]: a compression context beyond the mesh
// prefix.
type contextConfig struct {
	id     uint8
	prefix netip.Prefix
}

// MeshContexts returns the compression contexts of a mesh (RFC 6282, 3.1.2): its
// prefix as context 0, unless the file says otherwise, and those of the file.
func (c *MeshConfig) MeshContexts() map[uint8]netip.Prefix {
	out := map[uint8]netip.Prefix{}
	if !c.noPrefixContext {
		out[0] = c.Prefix
	}
	for _, x := range c.contexts {
		out[x.id] = x.prefix
	}
	return out
}

// contexts reads the compression contexts of a mesh.
func (r *ConfigReader) contexts(t *Table) (list []contextConfig, noPrefix bool) {
	if v, ok := t.Value("prefix_context"); ok {
		b, isBool := v.(bool)
		if !isBool {
			t.Errorf("prefix_context", "%s; want true (the mesh prefix is compression context 0) or false", Describe(v))
		}
		noPrefix = isBool && !b
	}
	taken := map[uint8]bool{}
	for _, c := range t.Tables("context") {
		x, ok := r.context(c)
		switch {
		case !ok:
		case x.id == 0 && !noPrefix:
			c.Errorf("id", "0 is the mesh prefix; want 1 to 15, or prefix_context = false in the mesh to have 0 free")
		case taken[x.id]:
			c.Errorf("id", "%d stands there twice", x.id)
		default:
			taken[x.id] = true
			list = append(list, x)
		}
	}
	return list, noPrefix
}

// context reads one [[mesh.context]].
func (r *ConfigReader) context(t *Table) (x contextConfig, ok bool) {
	const want = "an IPv6 prefix, like \"2001:db8:7::/64\""
	before := len(t.doc.Errs)
	if !t.Has("id") {
		t.Value("id")
		t.Errorf("id", "missing; want a number from 0 to 15")
	}
	x.id = uint8(t.Integer("id", 0, 0, 15, "a number"))
	if s, there := t.Required("prefix", want); there {
		p, err := netip.ParsePrefix(s)
		a := p.Addr()
		switch {
		case err != nil || !a.Is6() || a.Is4In6() || p.Bits() == 0:
			t.Errorf("prefix", "%s; want %s", Describe(s), want)
		case p != p.Masked():
			t.Errorf("prefix", "%q has bits set behind its length; want %s, here %q", s, want, p.Masked())
		case a.IsMulticast(), a.IsLinkLocalUnicast():
			t.Errorf("prefix", "%q needs no context: its compression is stateless; want %s", s, want)
		}
		x.prefix = p
	}
	t.Close(nil)
	return x, len(t.doc.Errs) == before
}
