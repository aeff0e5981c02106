package simulate

import (
	"context"
	"fmt"
	"log/slog"
	"path/filepath"
	"sync"
	"time"

	"culvert/bridge/sim"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/conf"
)

// simulatedSeed makes the simulated mesh of each run take the same course.
const simulatedSeed = 1

// Simulated returns the radio of a simulated mesh.
func Simulated(c conf.MeshConfig, log *slog.Logger) (*sim.Radio, error) {
	site, err := LoadSite(c.Radio.Site)
	if err != nil {
		return nil, &cli.ExitError{Code: cli.ExitUsage, Err: err}
	}
	if site.Prefix != c.Prefix {
		return nil, cli.Usagef("mesh %s: its prefix is %v, but its simulated nodes have %v (%s)", c.Name, c.Prefix, site.Prefix, c.Radio.Site)
	}
	mesh, err := sim.New(sim.Options{Site: site, Seed: simulatedSeed, Start: time.Now()})
	if err != nil {
		return nil, fmt.Errorf("simulated mesh: %w", err)
	}
	return sim.NewRadio(mesh, sim.RadioOptions{Log: log}), nil
}

// RunControlled runs a simulated mesh, and takes the commands of 'culvert simulate tell'
// on a Unix socket. Where the socket cannot be had, the mesh runs without.
func RunControlled(ctx context.Context, s *sim.Radio, socket string, log *slog.Logger) error {
	l, err := listenUnix(socket)
	if err != nil {
		log.Warn("the simulated mesh takes no commands", "error", err)
		return s.Run(ctx)
	}
	log.Info("the simulated mesh takes commands", "try", "culvert simulate tell "+socket+" list")
	ctx, cancel := context.WithCancel(ctx)
	var wg sync.WaitGroup
	wg.Go(func() { serveControl(ctx, l, s.Exec) })
	defer func() { cancel(); wg.Wait() }()
	return s.Run(ctx)
}

// ControlOfSimulation is the socket on which a simulated mesh takes commands: beside that
// of the daemon.
func ControlOfSimulation(control, mesh string) string {
	return filepath.Join(filepath.Dir(control), "simulated-"+mesh+".sock")
}
