package main

import (
	"fmt"
	"log/slog"
	"path/filepath"

	"culvert/bridge"
	"culvert/bridge/node"
)

// stateFile is where the state of all meshes is kept, in state_dir.
const stateFile = "state.db"

// openState opens the file of what outlives the daemon, and fills in the prefixes
// that the configuration wants generated.
func openState(cfg *config, log *slog.Logger) (*node.Store, error) {
	log = log.With("part", "state")
	store, err := node.OpenStore(filepath.Join(cfg.stateDir, stateFile), log)
	if err != nil {
		return nil, fmt.Errorf("state_dir: %w", err)
	}
	for i := range cfg.meshes {
		m := &cfg.meshes[i]
		if !m.generate {
			continue
		}
		p, fresh, err := bridge.GeneratedPrefix(store, m.name)
		if err != nil {
			_ = store.Close()
			return nil, fmt.Errorf("state_dir: prefix of mesh %s: %w", m.name, err)
		}
		m.prefix = p
		log.Info("prefix of the mesh", "mesh", m.name, "prefix", p.String(), "generated_now", fresh)
	}
	return store, nil
}
