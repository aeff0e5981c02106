package node

import (
	"fmt"
	"time"

	"culvert/bridge/ieee802154"
)

// SetPlaces puts other places in force in a table that is in use. The device of a new
// place, known already or not, becomes the place, and is admitted. A device whose place
// is gone stands at no place any more, and is admitted only if the table admits any
// device; if nothing was ever heard of it, its record ends. What is learned of a device
// stays. Which nodes the table admits never changes. It returns the nodes whose label
// changed. On an error nothing has changed.
func (t *Table) SetPlaces(places []Place, at time.Time) (renamed []*Node, err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	stand, waiting, err := t.checkPlacesLocked(places)
	if err != nil {
		return nil, err
	}
	was := map[*Node]string{}
	for _, n := range t.nodes {
		if n == nil || n.Place() == nil {
			continue
		}
		p := n.Place()
		v, ok := p.EUI64.EUI64()
		if next := stand[v]; ok && next != nil && next.Name == p.Name || !ok && waiting[p.Name] != nil {
			continue // it stays where it is
		}
		if n.record() == Expected { // what comes next makes another record
			t.removeLocked(n)
			continue
		}
		was[n] = n.Label()
		id := *n.id.Load()
		id.place, id.admitted = nil, t.admit == AdmitAny
		t.bindLocked(n, t.outOfServiceLocked(id))
	}
	t.places = stand
	t.placeCount.Store(int64(len(places)))
	for v, p := range stand {
		delete(t.retired, v)
		n := t.eui.lookup(v)
		if n == nil {
			t.expectLocked(p)
			continue
		}
		if old := n.Place(); old != nil && *old == *p {
			stand[v] = old
			continue
		}
		if _, ok := was[n]; !ok {
			was[n] = n.Label()
		}
		t.takePlaceLocked(n, p, at)
	}
	for name, p := range waiting {
		if t.byLabel[name] == nil {
			t.expectLocked(p)
		}
	}
	for n, label := range was {
		if n.Label() != label {
			renamed = append(renamed, n)
		}
	}
	return renamed, nil
}

// expectLocked makes the record of a place whose device is not known. There is room.
func (t *Table) expectLocked(p *Place) {
	if n := t.addLocked(identity{eui: p.EUI64, place: p, admitted: true}, time.Time{}); n != nil {
		n.state.Store(uint32(Expected))
	}
}

// checkPlacesLocked returns places by their EUI-64s, and those without a device by
// their names, if the table can hold them.
func (t *Table) checkPlacesLocked(places []Place) (stand map[uint64]*Place, waiting map[string]*Place, err error) {
	stand, waiting = map[uint64]*Place{}, map[string]*Place{}
	names := map[string]bool{}
	unknown := 0
	for i := range places {
		p := places[i]
		if err := p.check(); err != nil {
			return nil, nil, err
		}
		if names[p.Name] {
			return nil, nil, fmt.Errorf("node: place %q stands twice", p.Name)
		}
		names[p.Name] = true
		v, ok := p.EUI64.EUI64()
		switch {
		case !ok:
			waiting[p.Name] = &p
			unknown++
		case stand[v] != nil:
			return nil, nil, fmt.Errorf("node: places %q and %q have the same EUI-64 %v", stand[v].Name, p.Name, p.EUI64)
		default:
			stand[v] = &p
			if n := t.eui.lookup(v); n == nil || n.record() == Expected {
				unknown++
			}
		}
	}
	known := 0
	for _, n := range t.nodes {
		if n != nil && n.record() != Expected {
			known++
		}
	}
	if known+unknown > t.max {
		return nil, nil, fmt.Errorf("%w: %d devices are known and %d more are expected, of %d at most", ErrNoRoom, known, unknown, t.max)
	}
	return stand, waiting, nil
}

// check reports what is wrong with the name or the device of a place.
func (p *Place) check() error {
	if err := CheckName(p.Name); err != nil {
		return err
	}
	if _, ok := p.EUI64.EUI64(); p.EUI64 != (ieee802154.Addr{}) && (!ok || !p.EUI64.IsNode()) {
		return fmt.Errorf("node: place %q: %v is no node's EUI-64", p.Name, p.EUI64)
	}
	return nil
}
