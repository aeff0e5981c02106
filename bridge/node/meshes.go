package node

import "net/netip"

// Mesh is the name of a mesh and the table of its nodes.
type Mesh struct {
	Name  string
	Table *Table
}

// Meshes are the meshes of a daemon.
type Meshes []Mesh

// Member is a node of one of the meshes.
type Member struct {
	Mesh
	Node *Node
}

// Address returns the address at which the node is reached; the zero Addr if it has none.
func (m Member) Address() netip.Addr { return m.Table.Address(m.Node) }

// ByLabel returns the node with this label, in whichever mesh it is.
func (ms Meshes) ByLabel(label string) (Member, bool) {
	for _, m := range ms {
		if n := m.Table.ByLabel(label); n != nil {
			return Member{m, n}, true
		}
	}
	return Member{}, false
}

// ByAddress returns the node with this address. Link-local addresses, and those with a
// zone, name no node: every mesh may have them.
func (ms Meshes) ByAddress(a netip.Addr) (Member, bool) {
	if a.IsLinkLocalUnicast() || a.Zone() != "" {
		return Member{}, false
	}
	for _, m := range ms {
		if n := m.Table.ByAddress(a); n != nil {
			return Member{m, n}, true
		}
	}
	return Member{}, false
}

// Sender returns the admitted node from whose address, with any zone, something came.
func (ms Meshes) Sender(from netip.Addr) (Member, bool) {
	m, ok := ms.ByAddress(from.WithZone(""))
	return m, ok && m.Node.Admitted()
}
