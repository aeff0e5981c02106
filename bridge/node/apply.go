package node

import (
	"errors"
	"net/netip"
	"slices"
	"time"

	"culvert/bridge/ieee802154"
)

// AddressChange gives an address to a node, or takes one from it (Remove). Packages
// that speak neighbour discovery make them; Apply carries them out.
type AddressChange struct {
	Link   ieee802154.Addr // of the node
	Addr   netip.Addr
	Origin Origin    // Registered or Claimed
	Until  time.Time // when it ends; zero is never
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
	case i >= 0: // renewed
		id.extra = slices.Clone(id.extra)
		id.extra[i].Until = c.Until
		n.id.Store(&id)
		return nil
	case len(id.extra) >= maxAddresses:
		return ErrManyAddress
	}
	id.extra = append(slices.Clone(id.extra), Address{Addr: addr, Origin: c.Origin, Since: at, Until: c.Until})
	n.id.Store(&id)
	t.addr.set(addr, n)
	t.extras.Add(1)
	return nil
}

// expireAddresses ends the addresses whose time is over.
func (t *Table) expireAddresses(now time.Time) {
	if t.extras.Load() == 0 {
		return
	}
	for n := range t.All() {
		for _, a := range n.id.Load().extra {
			if !a.Until.IsZero() && a.Until.Before(now) {
				// The only error left is a node that vanished meanwhile.
				_ = t.Apply(AddressChange{Link: n.SendTo(), Addr: a.Addr, Remove: true}, now)
			}
		}
	}
}
