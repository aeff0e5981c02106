package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"time"

	systemd "github.com/coreos/go-systemd/v22/daemon"

	"culvert/bridge"
	"culvert/bridge/lan"
	"culvert/bridge/node"
	"culvert/bridge/reading"
	"culvert/coap"
	"culvert/coap/nodeclient"
	"culvert/coap/output"
	"culvert/tun"
)

// daemonOptions are what runDaemon needs besides the configuration. Only log is
// required.
type daemonOptions struct {
	log    *slog.Logger
	notify *notifier        // the service manager; nil where there is none
	http   net.Listener     // already open; nil opens what the configuration says
	reload <-chan os.Signal // asks to read the rules again; nil: nothing does
}

// daemon is everything that runs, in the order of its start: the meshes, the
// doors through which others ask, then what the site's network is told. It stops in the opposite order.
type daemon struct {
	cfg    *config
	log    *slog.Logger
	meshes []*bridge.Mesh
	rules  *rulebook
	drops  *dropHistory

	worlds []part // of simulated radios
	state  *node.Store
	opened chan struct{} // gets one value for each mesh whose interface is open
	coap   *coap.Server
	http   net.Listener
	site   *lan.Network // serves the site's network; nil: nothing is said there
}

// part is something that runs until its context ends.
type part struct {
	name string
	run  func(context.Context) error
}

// runDaemon runs the daemon until ctx ends or a part of it fails. When it returns,
// nothing of it runs any more, unless the error says that a part hangs.
func runDaemon(ctx context.Context, cfg *config, o daemonOptions) (err error) {
	defer func() { err = errors.Join(err, closeListener(o.http)) }()
	unlock, err := lockState(cfg.stateDir, o.log)
	if err != nil {
		return err
	}
	defer unlock()
	d, err := assemble(cfg, o)
	if err != nil {
		return err
	}
	o.log.Info("starting", "version", readBuildInfo().Version, "config", cfg.file, "meshes", len(cfg.meshes))

	ctx, fail := context.WithCancelCause(ctx)
	defer fail(nil)
	worlds, worldCtx := newGroup(fail)
	for _, w := range d.worlds {
		worlds.start(worldCtx, w)
	}
	meshes, meshCtx := newGroup(fail)
	for _, m := range d.meshes {
		meshes.start(meshCtx, part{"mesh " + m.Name(), m.Run})
	}
	doors, doorCtx := newGroup(fail)
	doors.start(doorCtx, part{"rules", func(ctx context.Context) error { return d.rules.run(ctx, o.reload) }})
	doors.start(doorCtx, part{"counters of the last minutes", d.drops.run})
	if d.waitOpen(ctx) {
		if err := d.openDoors(doorCtx, doors); err != nil {
			fail(err)
		}
	}
	site, siteCtx := newGroup(fail)
	site.wait = upstreamWait
	if d.site != nil && ctx.Err() == nil {
		site.start(siteCtx, part{"upstream", d.site.Run})
	}
	if ctx.Err() == nil {
		o.log.Info("ready")
		o.notify.say(systemd.SdNotifyReady)
		doors.start(doorCtx, part{"status line", func(ctx context.Context) error { return o.notify.status(ctx, d.statusLine) }})
	}
	o.notify.feed(ctx, (&health{meshes: d.meshes}).check) // until ctx ends

	o.log.Info("stopping")
	o.notify.say(systemd.SdNotifyStopping)
	err = context.Cause(ctx)
	if errors.Is(err, context.Canceled) {
		err = nil // somebody asked for it
	}
	// The site's hosts are told first that the routes are gone; the mesh works meanwhile.
	farewell, cancel := context.WithTimeout(context.Background(), upstreamWait)
	defer cancel()
	err = errors.Join(err, site.stop(farewell))
	deadline, cancel := context.WithTimeout(context.Background(), stopWait)
	defer cancel()
	err = errors.Join(err, doors.stop(deadline), meshes.stop(deadline), worlds.stop(deadline))
	if err == nil {
		err = d.state.Close()
	}
	if err == nil {
		o.log.Info("stopped")
	}
	return err
}

// statusLine is the status of now.
func (d *daemon) statusLine() string {
	all := make([]meshStatus, 0, len(d.meshes))
	for _, m := range d.meshes {
		all = append(all, newMeshStatus(m))
	}
	return statusLine(all, d.state.Stats().Failing)
}

// assemble makes the parts from the configuration. Nothing is opened yet but the state.
func assemble(cfg *config, o daemonOptions) (*daemon, error) {
	d := &daemon{cfg: cfg, log: o.log, http: o.http, opened: make(chan struct{}, len(cfg.meshes))}
	var err error
	if d.state, err = openState(cfg, o.log); err != nil {
		return nil, err
	}
	var shown node.Meshes
	var decoders []reading.Decoder
	asked := map[string]nodeclient.Transmission{}
	gateways := map[string]netip.Addr{}
	for _, c := range cfg.meshes {
		m, err := d.mesh(c)
		if err != nil {
			return nil, errors.Join(err, d.state.Close())
		}
		d.meshes = append(d.meshes, m)
		shown = append(shown, node.Mesh{Name: c.name, Table: m.Nodes()})
		decoders = append(decoders, c.atGateway()...)
		gateways[c.name] = c.ownAddress(c.prefix)
		if c.nodes != nil {
			asked[c.name] = *c.nodes
		}
	}
	d.logAdmission()
	d.drops = newDropHistory(d.meshes, time.Now)
	if d.rules, err = newRulebook(cfg, d.meshes, o.log.With("part", "rules")); err != nil {
		return nil, errors.Join(err, d.state.Close())
	}
	if d.site, err = d.newUpstream(); err != nil {
		return nil, errors.Join(err, d.state.Close())
	}
	d.coap = coap.New(coap.Options{
		Resources:    d.resources(),
		Meshes:       shown,
		Transmission: cfg.nodes, MeshTransmission: asked,
		UDP: cfg.coapListen, Gateways: gateways,
		DTLS: cfg.doors.dtls, TCP: cfg.doors.tcp, TLS: cfg.doors.tls,
		Certificate: cfg.doors.certificate, ClientCAs: cfg.doors.clientCAs,
		Undeclared: cmp.Or(cfg.undeclared, output.UndeclaredAsk),
		Outputs:    cfg.outputs, StateDir: cfg.stateDir, NotAfter: d.notAfter,
		Access:    cfg.access,
		Control:   cfg.control,
		Decoders:  decoders,
		ReadNodes: true,
		Version:   readBuildInfo().Version,
		Log:       o.log,
	})
	d.rules.front = d.coap
	return d, nil
}

// mesh makes one mesh.
func (d *daemon) mesh(c meshConfig) (*bridge.Mesh, error) {
	log := d.log.With("mesh", c.name)
	c.radio.control = controlOfSimulation(d.cfg.control, c.name)
	attachment, world, err := attach(c, log)
	if err != nil {
		return nil, fmt.Errorf("mesh %s: %w", c.name, err)
	}
	if world != nil {
		d.worlds = append(d.worlds, part{"simulated mesh " + c.name, world})
	}
	shared := d.cfg.sharedWith(c)
	first := true
	open := func() (bridge.Tun, error) { // called by one goroutine of the mesh
		dev, err := tun.Open(tun.Options{Name: c.iface, Prefix: c.prefix, Gateway: c.gateway, Shared: shared, Log: log})
		if err != nil {
			return nil, err // not a nil *tun.Device in an interface
		}
		if first {
			first = false
			d.opened <- struct{}{} // has room for each mesh
		}
		return dev, nil
	}
	admit := node.AdmitAny
	if c.listed {
		admit = node.AdmitListed
	}
	m, err := bridge.New(bridge.Options{
		Name:                c.name,
		Prefix:              c.prefix,
		Gateway:             c.gateway,
		Shared:              len(shared) > 0,
		Contexts:            c.meshContexts(),
		Registered:          c.registered,
		Store:               d.state,
		Radio:               attachment,
		OpenTun:             open,
		Places:              c.nodePlaces(c.full),
		Admit:               admit,
		Report:              c.report,
		Full:                c.full,
		ElidedChecksumPorts: c.elidedPorts,
		MeshHeaders:         c.radio.meshHeaders,
		Policy:              newEngine(c),
		ErrorRate:           c.icmpErrors.Packets,
		ErrorBurst:          c.icmpErrors.Burst,
		Log:                 d.log,
	})
	if err != nil {
		return nil, errors.Join(err, attachment.Close())
	}
	return m, nil
}

// nodePlaces returns the places of a mesh; full is whether nodes decode every encoding
// where their places do not say.
func (c meshConfig) nodePlaces(full bool) []node.Place {
	out := make([]node.Place, 0, len(c.places))
	for _, p := range c.places {
		out = append(out, node.Place{Name: p.name, EUI64: p.eui64, Full: *cmp.Or(p.full, &full), Period: p.period})
	}
	return out
}

// waitOpen waits until every mesh has its interface, so that a door can listen at an
// address of it. It reports false if ctx ended before.
func (d *daemon) waitOpen(ctx context.Context) bool {
	for range d.meshes {
		select {
		case <-d.opened:
		case <-ctx.Done():
			return false
		}
	}
	return true
}

// stopWait is how long all parts together may take to stop, after upstreamWait; both
// stand in TimeoutStopSec of deploy/culvert.service.
const stopWait = 8 * time.Second

// closeListener closes l; nil, and a listener that is closed already, are no error.
func closeListener(l net.Listener) error {
	if l == nil {
		return nil
	}
	if err := l.Close(); !errors.Is(err, net.ErrClosed) {
		return err
	}
	return nil
}
