package node

import (
	"errors"
	"net/netip"
	"slices"
	"time"

	"culvert/bridge/ieee802154"
)

// AddressChange binds an address to a node, or removes the binding (Remove). Neighbour
// discovery, which also keeps the lifetimes, makes the changes; Apply carries them out.
type AddressChange struct {
	Link   ieee802154.Addr // of the node
	Addr   netip.Addr
	Origin Origin // Registered or Claimed
	Remove bool
}

// Errors of Apply.
var (
	ErrNoNode      = errors.New("node: no node has the link address")
	ErrTaken       = errors.New("node: another node has the address")
	ErrManyAddress = errors.New("node: the node has as many addresses as it may")
)

// Apply carries out one change of addresses.
func (t *Table) Apply(c AddressChange, at time.Time) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	n := t.ByLink(c.Link)
	if n == nil {
		return ErrNoNode
	}
	addr := c.Addr.WithZone("")
	holder := t.ByAddress(addr)
	id := *n.id.Load()
	i := slices.IndexFunc(id.extra, func(a Address) bool { return a.Addr == addr })
	switch {
	case c.Remove:
		if i >= 0 {
			id.extra = slices.Delete(slices.Clone(id.extra), i, i+1)
			t.addr.set(addr, nil)
			t.extras.Add(-1)
			n.id.Store(&id)
		}
		return nil
	case holder != nil && holder != n:
		return ErrTaken
	case i >= 0:
		return nil
	case len(id.extra) >= maxAddresses:
		return ErrManyAddress
	}
	id.extra = append(slices.Clone(id.extra), Address{Addr: addr, Origin: c.Origin, Since: at})
	n.id.Store(&id)
	t.addr.set(addr, n)
	t.extras.Add(1)
	return nil
}
