package node

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"culvert/bridge/ieee802154"
)

// Errors of Replace.
var (
	ErrNoPlace  = errors.New("node: there is no such place")
	ErrPlaced   = errors.New("node: the device stands at another place")
	ErrSame     = errors.New("node: the device stands there already")
	ErrNoDevice = errors.New("node: that is not the EUI-64 of one device")
	ErrNoRoom   = errors.New("node: the table has no room for another device")
)

// Replace binds the place with a name to another device. The node that stands there
// now loses the place and is retired: listed, and not served. It returns the EUI-64 of
// that device, none if there was none.
func (t *Table) Replace(place string, eui ieee802154.Addr, at time.Time) (old ieee802154.Addr, err error) {
	v, ok := eui.EUI64()
	if !ok || !eui.IsNode() || v>>56&1 == 1 { // IEEE Std 802, 8.2: the group bit
		return old, fmt.Errorf("%w: %v", ErrNoDevice, eui)
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	n := t.byLabel[place]
	switch {
	case n == nil || n.Place() == nil:
		return old, fmt.Errorf("%w: %q", ErrNoPlace, place)
	case n.EUI64() == eui:
		return old, fmt.Errorf("%w: %v at %s", ErrSame, eui, place)
	}
	next := t.eui.lookup(v)
	if next != nil && next.Place() != nil {
		return old, fmt.Errorf("%w: %v at %s", ErrPlaced, eui, next.Label())
	}
	p := *n.Place()
	old, p.EUI64 = p.EUI64, eui
	if next == nil && !old.IsNone() && len(t.free) == 0 && len(t.nodes) >= t.max {
		return old, ErrNoRoom
	}
	if w, ok := old.EUI64(); ok {
		delete(t.places, w)
		t.retired[w] = true
		id := *n.id.Load()
		id.place, id.admitted = nil, false
		t.bindLocked(n, id)
		setState(n, Retired, at)
	}
	delete(t.retired, v)
	t.places[v] = &p
	switch {
	case old.IsNone(): // the record of the place was waiting for a device
		if next != nil {
			t.removeLocked(n)
			t.takePlaceLocked(next, &p, at)
			break
		}
		id := *n.id.Load()
		id.place, id.eui = &p, eui
		t.bindLocked(n, id)
	case next != nil:
		t.takePlaceLocked(next, &p, at)
	default:
		if n := t.addLocked(identity{eui: eui, place: &p, admitted: true}, time.Time{}); n != nil {
			setState(n, Expected, at)
		}
	}
	return old, nil
}

// takePlaceLocked puts a device that is known already at a place.
func (t *Table) takePlaceLocked(n *Node, p *Place, at time.Time) {
	id := *n.id.Load()
	id.place, id.admitted = p, true
	t.bindLocked(n, id)
	if n.record() == Retired {
		setState(n, Silent, at) // until it is heard
	}
}

// outOfServiceLocked takes a record that has an EUI-64 of a retired device out of
// service.
func (t *Table) outOfServiceLocked(id identity) identity {
	if v, ok := id.eui.EUI64(); ok && t.retired[v] && id.place == nil {
		id.admitted = false
	}
	return id
}

// retiredLocked reports whether n is a device that another took the place of.
func (t *Table) retiredLocked(n *Node) bool {
	v, ok := n.EUI64().EUI64()
	return ok && t.retired[v] && n.Place() == nil
}

// Retired returns the EUI-64s of devices that were taken out of service.
func (t *Table) Retired() []ieee802154.Addr {
	t.mu.RLock()
	defer t.mu.RUnlock()
	out := make([]ieee802154.Addr, 0, len(t.retired))
	for v := range t.retired {
		out = append(out, ieee802154.Extended(v))
	}
	slices.SortFunc(out, func(a, b ieee802154.Addr) int {
		x, _ := a.EUI64()
		y, _ := b.EUI64()
		switch {
		case x < y:
			return -1
		case x > y:
			return 1
		}
		return 0
	})
	return out
}
