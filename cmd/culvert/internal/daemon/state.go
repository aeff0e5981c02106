package daemon

import (
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"

	"culvert/bridge/store"
	"culvert/cmd/culvert/internal/conf"
)

// Files in state_dir.
const (
	prefixFile = "prefixes.json" // the generated prefixes, a second time
)

// openState opens the state file, and fills in the prefixes that the configuration leaves to
// be generated.
func openState(cfg *conf.Config, log *slog.Logger) (*store.Store, error) {
	log = log.With("part", "state")
	state, err := store.Open(filepath.Join(cfg.StateDir, conf.StateFile), log)
	if err != nil {
		return nil, fmt.Errorf("state_dir: %w", err)
	}
	if err := generatePrefixes(cfg, state, log); err != nil {
		return nil, errors.Join(fmt.Errorf("state_dir: %w", err), state.Close())
	}
	return state, nil
}

// generatePrefixes fills in the prefixes that the configuration wants generated.
func generatePrefixes(cfg *conf.Config, state *store.Store, log *slog.Logger) error {
	if !slices.ContainsFunc(cfg.Meshes, func(m conf.MeshConfig) bool { return m.Generate }) {
		return nil
	}
	prefixes, err := store.OpenPrefixes(state, filepath.Join(cfg.StateDir, prefixFile), log)
	if err != nil {
		return err
	}
	for i := range cfg.Meshes {
		m := &cfg.Meshes[i]
		if !m.Generate {
			continue
		}
		p, fresh, err := prefixes.Of(m.Name)
		if err != nil {
			return fmt.Errorf("mesh %s: %w", m.Name, err)
		}
		m.Prefix = p
		log.Info("prefix of the mesh", "mesh", m.Name, "prefix", p.String(), "generated_now", fresh)
	}
	return nil
}
