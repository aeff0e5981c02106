package node

import (
	"errors"
	"net/netip"
	"slices"
	"time"

	"culvert/bridge/ieee802154"
)

// Errors of AddAddress.
var (
	ErrNoNode      = errors.New("node: no node has the link address")
	ErrTaken       = errors.New("node: another node has the address")
	ErrManyAddress = errors.New("node: the node has as many addresses as it may")
)

// AddAddress binds an address that neighbour discovery accepted to the node with a link
// address. Neighbour discovery keeps the lifetime. An address that the node has already is
// no error.
func (t *Table) AddAddress(link ieee802154.Addr, addr netip.Addr, origin Origin, at time.Time) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	n := t.ByLink(link)
	if n == nil {
		return ErrNoNode
	}
	addr = addr.WithZone("")
	holder := t.ByAddress(addr)
	id := *n.id.Load()
	switch {
	case holder != nil && holder != n:
		return ErrTaken
	case id.extraIndex(addr) >= 0:
		return nil
	case len(id.extra) >= maxAddresses:
		return ErrManyAddress
	}
	id.extra = append(slices.Clone(id.extra), Address{Addr: addr, Origin: origin, Since: at})
	n.id.Store(&id)
	t.addr.set(addr, n)
	t.extras.Add(1)
	return nil
}

// RemoveAddress undoes AddAddress. It does nothing if the node or its address is not there.
func (t *Table) RemoveAddress(link ieee802154.Addr, addr netip.Addr) {
	t.mu.Lock()
	defer t.mu.Unlock()
	n := t.ByLink(link)
	if n == nil {
		return
	}
	addr = addr.WithZone("")
	id := *n.id.Load()
	i := id.extraIndex(addr)
	if i < 0 {
		return
	}
	id.extra = slices.Delete(slices.Clone(id.extra), i, i+1)
	t.addr.set(addr, nil)
	t.extras.Add(-1)
	n.id.Store(&id)
}

// extraIndex returns the index of addr in id.extra, -1 if it is not there.
func (id *identity) extraIndex(addr netip.Addr) int {
	return slices.IndexFunc(id.extra, func(a Address) bool { return a.Addr == addr })
}
