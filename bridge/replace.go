package bridge

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/bridge/store"
)

// keyReplaced is where the devices that took others' places are kept, in the bucket
// of the mesh.
const keyReplaced = "replaced"

// replaced is what is kept of devices that took others' places.
type replaced struct {
	Places  map[string]replacement `json:"places"`
	Retired []ieee802154.Addr      `json:"retired"`
}

// replacement is the device of one place.
type replacement struct {
	// Listed is the device that the configuration named then. Where it names another
	// one now, the configuration has been brought up to date, and counts.
	Listed ieee802154.Addr `json:"listed"`
	Device ieee802154.Addr `json:"device"`
	At     time.Time       `json:"at"`
}

// errNotKept is why nothing can be replaced in a mesh without a store.
var errNotKept = errors.New("bridge: without a state folder nothing can be replaced: it would be forgotten")

// readReplaced reads what was replaced in a mesh. A record that is damaged is logged,
// and is as if it was not there.
func readReplaced(s *store.Store, mesh string, log *slog.Logger) (r replaced, err error) {
	b, err := s.Value(meshBucket+mesh, keyReplaced)
	if err != nil {
		return r, fmt.Errorf("state of mesh %s: replaced devices: %w", mesh, err)
	}
	if b != nil {
		if err := json.Unmarshal(b, &r); err != nil {
			log.Error("the record of replaced devices is damaged: each place has the device named in the configuration", "cause", err)
			r = replaced{}
		}
	}
	if r.Places == nil {
		r.Places = map[string]replacement{}
	}
	return r, nil
}

// placed returns the places of the configuration with the devices that stand there by
// now, and those that are out of service.
func placed(s *store.Store, mesh string, places []node.Place, log *slog.Logger) ([]node.Place, []ieee802154.Addr, error) {
	if s == nil {
		return places, nil, nil
	}
	r, err := readReplaced(s, mesh, log)
	if err != nil {
		return nil, nil, err
	}
	places = slices.Clone(places)
	listed := map[ieee802154.Addr]string{}
	for _, p := range places {
		listed[p.EUI64] = p.Name
	}
	for i := range places {
		p := &places[i]
		x, ok := r.Places[p.Name]
		switch {
		case !ok || x.Listed != p.EUI64:
		case listed[x.Device] != "" && listed[x.Device] != p.Name && r.Places[listed[x.Device]].Device.IsNone():
			log.Warn("a replaced place returns to the device named in the configuration, which now names the replacement for another place",
				"place", p.Name, "eui64", p.EUI64.String(), "other", listed[x.Device])
		default:
			p.EUI64 = x.Device
		}
	}
	return places, r.Retired, nil
}

// Places returns the places of the configuration that is in force, each with the device
// that it names: Replace may have bound another one.
func (m *Mesh) Places() []node.Place {
	m.replaceMu.Lock()
	defer m.replaceMu.Unlock()
	return slices.Clone(m.opt.Places)
}

// SetPlaces puts the places of another configuration in force, as the next start
// would: where the configuration still names the device that it named when Replace
// bound another one to the place, that one stays. Which nodes are admitted never
// changes. On an error nothing has changed.
func (m *Mesh) SetPlaces(places []node.Place) error {
	m.replaceMu.Lock()
	defer m.replaceMu.Unlock()
	if slices.Equal(places, m.opt.Places) {
		return nil
	}
	now, _, err := placed(m.opt.Store, m.opt.Name, places, m.log)
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

// maxRenamed bounds the lines of the log about one change of the configuration.
const maxRenamed = 20

// Forget ends the record of a node, with all that was learned of it and the addresses
// that it registered or claimed, for this run and the next. A place is expected again;
// any other device makes a new record if it is heard once more.
func (m *Mesh) Forget(ctx context.Context, n *node.Node) error {
	m.replaceMu.Lock()
	defer m.replaceMu.Unlock()
	if !m.fwd.Release(n.HasLink) {
		return errors.New("bridge: too many changes wait for the disk; try again")
	}
	if !m.nodes.Forget(n) {
		return nil // it has gone meanwhile
	}
	m.log.Info("node forgotten on request", "node", n.Label())
	if m.keep == nil {
		return nil
	}
	done := make(chan error, 1)
	select {
	case m.keep.ask <- done:
	case <-ctx.Done():
		return ctx.Err()
	}
	if err := <-done; err != nil {
		return fmt.Errorf("the node is forgotten, but not beyond the next start of the daemon: %w", err)
	}
	return nil
}

// Replaced tells of a device that took another one's place.
type Replaced struct {
	Place    string
	Old, New ieee802154.Addr // Old is none where no device stood there
}

// Replace binds a place of the mesh to another device. The one that stood there is
// retired: listed, not served, whatever the configuration admits. Both outlive the
// daemon, until the configuration names another device for the place.
func (m *Mesh) Replace(place string, eui ieee802154.Addr) (Replaced, error) {
	out := Replaced{Place: place, New: eui}
	if m.opt.Store == nil {
		return out, errNotKept
	}
	m.replaceMu.Lock()
	defer m.replaceMu.Unlock()
	kept, err := readReplaced(m.opt.Store, m.opt.Name, m.log)
	if err != nil {
		return out, err
	}
	now := m.opt.Now()
	if out.Old, err = m.nodes.Replace(place, eui, now); err != nil {
		return out, err
	}
	x := replacement{Device: eui, At: now.UTC().Truncate(time.Second)}
	for _, p := range m.opt.Places {
		if p.Name == place {
			x.Listed = p.EUI64
		}
	}
	kept.Places[place], kept.Retired = x, m.nodes.Retired()
	b, err := json.Marshal(kept)
	if err == nil {
		err = m.opt.Store.Commit([]store.Write{{Bucket: meshBucket + m.opt.Name, Key: []byte(keyReplaced), Value: b}})
	}
	if err != nil {
		return out, fmt.Errorf("the place is bound to the other device, but not beyond the next start of the daemon: %w", err)
	}
	if old := m.nodes.ByLink(out.Old); old != nil {
		m.fwd.Release(old.HasLink)
	}
	m.log.Info("place bound to another device", "place", place, "eui64", eui.String(), "retired", out.Old.String())
	return out, nil
}
