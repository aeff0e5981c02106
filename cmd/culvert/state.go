package main

import (
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"

	"culvert/bridge"
	"culvert/bridge/node"
)

// Files in state_dir.
const (
	stateFile  = "state.db"      // the state of all meshes
	prefixFile = "prefixes.json" // the generated prefixes, a second time
)

// openState opens the file of what outlives the daemon, and fills in the prefixes
// that the configuration wants generated.
func openState(cfg *config, log *slog.Logger) (*node.Store, error) {
	log = log.With("part", "state")
	store, err := node.OpenStore(filepath.Join(cfg.stateDir, stateFile), log)
	if err != nil {
		return nil, fmt.Errorf("state_dir: %w", err)
	}
	if err := generatePrefixes(cfg, store, log); err != nil {
		return nil, errors.Join(fmt.Errorf("state_dir: %w", err), store.Close())
	}
	return store, nil
}

// generatePrefixes fills in the prefixes that the configuration wants generated.
func generatePrefixes(cfg *config, store *node.Store, log *slog.Logger) error {
	if !slices.ContainsFunc(cfg.meshes, func(m meshConfig) bool { return m.generate }) {
		return nil
	}
	prefixes, err := bridge.OpenPrefixes(store, filepath.Join(cfg.stateDir, prefixFile), log)
	if err != nil {
		return err
	}
	for i := range cfg.meshes {
		m := &cfg.meshes[i]
		if !m.generate {
			continue
		}
		p, fresh, err := prefixes.Of(m.name)
		if err != nil {
			return fmt.Errorf("mesh %s: %w", m.name, err)
		}
		m.prefix = p
		log.Info("prefix of the mesh", "mesh", m.name, "prefix", p.String(), "generated_now", fresh)
	}
	return nil
}
