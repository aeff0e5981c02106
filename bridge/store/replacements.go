package store

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
)

// keyReplaced is the key of the Replacements in the bucket of a mesh.
const keyReplaced = "replaced"

// Replacements are the devices of a mesh that took over places from others.
type Replacements struct {
	Places  map[string]Replacement `json:"places"`
	Retired []ieee802154.Addr      `json:"retired"`
}

// Replacement is the device of one place.
type Replacement struct {
	// Listed is the device that the configuration named at the time. A replacement ends when
	// the configuration names another one.
	Listed ieee802154.Addr `json:"listed"`
	Device ieee802154.Addr `json:"device"`
	At     time.Time       `json:"at"`
}

// Replacements reads the replacements of a mesh. It logs a damaged record and returns none
// then.
func (s *Store) Replacements(mesh string, log *slog.Logger) (r Replacements, err error) {
	b, err := s.Value(meshBucket+mesh, keyReplaced)
	if err != nil {
		return r, fmt.Errorf("state of mesh %s: replaced devices: %w", mesh, err)
	}
	if b != nil {
		if err := json.Unmarshal(b, &r); err != nil {
			log.Error("the record of replaced devices is damaged: each place has the device named in the configuration", "cause", err)
			r = Replacements{}
		}
	}
	if r.Places == nil {
		r.Places = map[string]Replacement{}
	}
	return r, nil
}

// CommitReplacements stores the replacements of a mesh.
func (s *Store) CommitReplacements(mesh string, r Replacements) error {
	b, err := json.Marshal(r)
	if err != nil {
		return err
	}
	return s.Commit([]Write{{Bucket: meshBucket + mesh, Key: []byte(keyReplaced), Value: b}})
}

// Places returns configured places with the devices that stand there now, and the retired
// devices. If s is nil nothing was replaced.
func (s *Store) Places(mesh string, configured []node.Place, log *slog.Logger) ([]node.Place, []ieee802154.Addr, error) {
	if s == nil {
		return configured, nil, nil
	}
	r, err := s.Replacements(mesh, log)
	if err != nil {
		return nil, nil, err
	}
	places := slices.Clone(configured)
	listed := map[ieee802154.Addr]string{}
	for _, p := range places {
		listed[p.EUI64] = p.Name
	}
	for i := range places {
		p := &places[i]
		x, ok := r.Places[p.Name]
		other := listed[x.Device]
		switch {
		case !ok || x.Listed != p.EUI64:
		case other != "" && other != p.Name && r.Places[other].Device.IsNone():
			log.Warn("a replaced place returns to the device named in the configuration, which now names the replacement for another place",
				"place", p.Name, "eui64", p.EUI64.String(), "other", other)
		default:
			p.EUI64 = x.Device
		}
	}
	return places, r.Retired, nil
}
