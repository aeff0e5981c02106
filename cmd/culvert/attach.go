package main

import (
	"context"
	"fmt"
	"log/slog"
	"path/filepath"
	"sync"
	"time"

	"culvert/bridge/radio"
	"culvert/bridge/radio/netif"
	"culvert/bridge/sim"
)

// simulatedSeed makes the simulated mesh of each run take the same course.
const simulatedSeed = 1

// attach returns the attachment of a mesh's radio; nothing is opened before it is
// first read, but a Linux interface must be there. A simulated one comes with a world, which must run beside it.
func attach(c meshConfig, log *slog.Logger) (a radio.Attachment, world func(context.Context) error, err error) {
	o := radio.Options{Log: log.With("part", "radio")}
	switch r := c.radio; r.kind {
	case radioSerial:
		a, err = radio.NewSerial(radio.SerialOptions{Options: o, Device: r.device, Speed: r.speed})
	case radioStream:
		a, err = radio.NewStream(radio.StreamOptions{Options: o, Address: r.address})
	case radioProcess:
		a, err = radio.NewProcess(radio.ProcessOptions{Options: o, Command: r.command, Dir: r.dir()})
	case radioInterface:
		a, err = netif.Open(netif.Options{Name: r.name, Log: o.Log})
	case radioSimulated:
		var s *sim.Radio
		if s, err = simulated(c, o.Log); err == nil {
			a, world = radio.NewLink("simulated radio", s.Dial, o), s.Run
			if r.control != "" {
				world = func(ctx context.Context) error { return runControlled(ctx, s, r.control, o.Log) }
			}
		}
	default:
		err = fmt.Errorf("radio of kind %q cannot be attached", r.kind)
	}
	if err != nil {
		return nil, nil, err // not a nil *radio.Link in an interface
	}
	return a, world, nil
}

// dir returns where the program of a process radio runs.
func (r radioConfig) dir() string {
	if filepath.IsAbs(r.command[0]) {
		return filepath.Dir(r.command[0])
	}
	return ""
}

// simulated returns the radio of a simulated mesh.
func simulated(c meshConfig, log *slog.Logger) (*sim.Radio, error) {
	site, err := loadSite(c.radio.site)
	if err != nil {
		return nil, &exitError{exitUsage, err}
	}
	if site.Prefix != c.prefix {
		return nil, usagef("mesh %s: its prefix is %v, but its simulated nodes have %v (%s)", c.name, c.prefix, site.Prefix, c.radio.site)
	}
	mesh, err := sim.New(sim.Options{Site: site, Seed: simulatedSeed, Start: time.Now()})
	if err != nil {
		return nil, fmt.Errorf("simulated mesh: %w", err)
	}
	return sim.NewRadio(mesh, sim.RadioOptions{Log: log}), nil
}

// runControlled runs a simulated mesh, and takes the commands of 'culvert simulate tell'
// on a Unix socket. Where the socket cannot be had, the mesh runs without.
func runControlled(ctx context.Context, s *sim.Radio, socket string, log *slog.Logger) error {
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

// controlOfSimulation is the socket on which a simulated mesh takes commands: beside that
// of the daemon.
func controlOfSimulation(control, mesh string) string {
	return filepath.Join(filepath.Dir(control), "simulated-"+mesh+".sock")
}
