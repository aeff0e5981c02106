package bridge

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/bridge/store"
)

// errNotKept is returned by Replace if the mesh has no store.
var errNotKept = errors.New("bridge: without a state folder nothing can be replaced: it would be forgotten")

// Places returns the configured places with their configured devices. Replace may have bound
// other devices to them.
func (m *Mesh) Places() []node.Place {
	m.replaceMu.Lock()
	defer m.replaceMu.Unlock()
	return slices.Clone(m.opt.Places)
}

// SetPlaces replaces the configured places, with the result of a restart: a place keeps the
// device that Replace bound to it while the configuration still names the old one. It never
// changes which nodes are admitted. On an error nothing has changed.
func (m *Mesh) SetPlaces(places []node.Place) error {
	m.replaceMu.Lock()
	defer m.replaceMu.Unlock()
	if slices.Equal(places, m.opt.Places) {
		return nil
	}
	now, _, err := m.opt.Store.Places(m.opt.Name, places, m.log)
	if err != nil {
		return err
	}
	renamed, err := m.nodes.SetPlaces(now, m.opt.Now())
	if err != nil {
		return err
	}
	m.opt.Places = slices.Clone(places)
	for i, n := range renamed {
		if i == maxRenamed {
			m.log.Info("more places changed", "more", len(renamed)-i)
			break
		}
		m.log.Info("place changed by the configuration", "node", n.Label(), "eui64", n.EUI64().String(), "admitted", n.Admitted())
	}
	return nil
}

// maxRenamed is the most places that SetPlaces logs one by one.
const maxRenamed = 20

// Forget removes a node, what was learned of it and its addresses, from the table and from the
// store. A place is expected again. Any other device gets a new record if it is heard again.
func (m *Mesh) Forget(ctx context.Context, n *node.Node) error {
	m.replaceMu.Lock()
	defer m.replaceMu.Unlock()
	if !m.fwd.Release(n.HasLink) {
		return errors.New("bridge: too many changes wait for the disk; try again")
	}
	if !m.nodes.Forget(n) {
		return nil // already gone
	}
	m.log.Info("node forgotten on request", "node", n.Label())
	if m.keep == nil {
		return nil
	}
	err := m.keep.Sync(ctx)
	if err != nil && err != ctx.Err() {
		return fmt.Errorf("the node is forgotten, but not beyond the next start of the daemon: %w", err)
	}
	return err
}

// Replaced is the result of Replace.
type Replaced struct {
	Place    string
	Old, New ieee802154.Addr // Old is none if no device stood there
}

// Replace binds a place to another device. The device that stood there is retired: listed, but
// not served, whatever the configuration admits. Both are stored, and hold until the
// configuration names another device for the place.
func (m *Mesh) Replace(place string, eui ieee802154.Addr) (Replaced, error) {
	out := Replaced{Place: place, New: eui}
	if m.opt.Store == nil {
		return out, errNotKept
	}
	m.replaceMu.Lock()
	defer m.replaceMu.Unlock()
	kept, err := m.opt.Store.Replacements(m.opt.Name, m.log)
	if err != nil {
		return out, err
	}
	now := m.opt.Now()
	if out.Old, err = m.nodes.Replace(place, eui, now); err != nil {
		return out, err
	}
	x := store.Replacement{Device: eui, At: now.UTC().Truncate(time.Second)}
	for _, p := range m.opt.Places {
		if p.Name == place {
			x.Listed = p.EUI64
		}
	}
	kept.Places[place], kept.Retired = x, m.nodes.Retired()
	if err := m.opt.Store.CommitReplacements(m.opt.Name, kept); err != nil {
		return out, fmt.Errorf("the place is bound to the other device, but not beyond the next start of the daemon: %w", err)
	}
	if old := m.nodes.ByLink(out.Old); old != nil {
		m.fwd.Release(old.HasLink)
	}
	m.log.Info("place bound to another device", "place", place, "eui64", eui.String(), "retired", out.Old.String())
	return out, nil
}
