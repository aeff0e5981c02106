package daemon

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
	"culvert/bridge/store"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/conf"
	"culvert/cmd/culvert/internal/simulate"
	"culvert/coap"
	"culvert/coap/nodeclient"
	"culvert/coap/output"
	"culvert/tun"
)

// DaemonOptions are what RunDaemon needs besides the configuration. Only log is
// required.
type DaemonOptions struct {
	Log    *slog.Logger
	notify *notifier        // the service manager; nil where there is none
	Http   net.Listener     // already open; nil opens what the configuration says
	reload <-chan os.Signal // asks to read the rules again; nil: nothing does
}

// daemon is everything that runs, in the order of its start: the meshes, the
// doors through which others ask, then what the site's network is told. It stops in the opposite order.
type daemon struct {
	cfg    *conf.Config
	log    *slog.Logger
	meshes []*bridge.Mesh
	rules  *rulebook
	drops  *dropHistory

	worlds []part // of simulated radios
	state  *store.Store
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

// RunDaemon runs the daemon until ctx ends or a part of it fails. When it returns,
// nothing of it runs any more, unless the error says that a part hangs.
func RunDaemon(ctx context.Context, cfg *conf.Config, o DaemonOptions) (err error) {
	defer func() { err = errors.Join(err, closeListener(o.Http)) }()
	unlock, err := lockState(cfg.StateDir, o.Log)
	if err != nil {
		return err
	}
	defer unlock()
	d, err := assemble(cfg, o)
	if err != nil {
		return err
	}
	o.Log.Info("starting", "version", cli.ReadBuildInfo().Version, "config", cfg.File, "meshes", len(cfg.Meshes))

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
	site.wait = UpstreamWait
	if d.site != nil && ctx.Err() == nil {
		site.start(siteCtx, part{"upstream", d.site.Run})
	}
	if ctx.Err() == nil {
		o.Log.Info("ready")
		o.notify.say(systemd.SdNotifyReady)
		doors.start(doorCtx, part{"status line", func(ctx context.Context) error { return o.notify.status(ctx, d.statusLine) }})
	}
	o.notify.feed(ctx, (&health{meshes: d.meshes}).check) // until ctx ends

	o.Log.Info("stopping")
	o.notify.say(systemd.SdNotifyStopping)
	err = context.Cause(ctx)
	if errors.Is(err, context.Canceled) {
		err = nil // somebody asked for it
	}
	// The site's hosts are told first that the routes are gone; the mesh works meanwhile.
	farewell, cancel := context.WithTimeout(context.Background(), UpstreamWait)
	defer cancel()
	err = errors.Join(err, site.stop(farewell))
	deadline, cancel := context.WithTimeout(context.Background(), StopWait)
	defer cancel()
	err = errors.Join(err, doors.stop(deadline), meshes.stop(deadline), worlds.stop(deadline))
	if err == nil {
		err = d.state.Close()
	}
	if err == nil {
		o.Log.Info("stopped")
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
func assemble(cfg *conf.Config, o DaemonOptions) (*daemon, error) {
	d := &daemon{cfg: cfg, log: o.Log, http: o.Http, opened: make(chan struct{}, len(cfg.Meshes))}
	var err error
	if d.state, err = openState(cfg, o.Log); err != nil {
		return nil, err
	}
	var shown node.Meshes
	var decoders []reading.Decoder
	asked := map[string]nodeclient.Transmission{}
	gateways := map[string]netip.Addr{}
	for _, c := range cfg.Meshes {
		m, err := d.mesh(c)
		if err != nil {
			return nil, errors.Join(err, d.state.Close())
		}
		d.meshes = append(d.meshes, m)
		shown = append(shown, node.Mesh{Name: c.Name, Table: m.Nodes()})
		decoders = append(decoders, c.AtGateway()...)
		gateways[c.Name] = c.OwnAddress(c.Prefix)
		if c.Nodes != nil {
			asked[c.Name] = *c.Nodes
		}
	}
	d.logAdmission()
	d.drops = newDropHistory(d.meshes, time.Now)
	if d.rules, err = newRulebook(cfg, d.meshes, o.Log.With("part", "rules")); err != nil {
		return nil, errors.Join(err, d.state.Close())
	}
	if d.site, err = d.newUpstream(); err != nil {
		return nil, errors.Join(err, d.state.Close())
	}
	d.coap = coap.New(coap.Options{
		Resources:    d.resources(),
		Meshes:       shown,
		Transmission: cfg.Nodes, MeshTransmission: asked,
		UDP: cfg.CoapListen, Gateways: gateways,
		DTLS: cfg.Doors.Dtls, TCP: cfg.Doors.Tcp, TLS: cfg.Doors.Tls,
		Certificate: cfg.Doors.Certificate, ClientCAs: cfg.Doors.ClientCAs,
		Undeclared: cmp.Or(cfg.Undeclared, output.UndeclaredAsk),
		Outputs:    cfg.Outputs, StateDir: cfg.StateDir, NotAfter: d.notAfter,
		Access:    cfg.Access,
		Control:   cfg.Control,
		Decoders:  decoders,
		ReadNodes: true,
		Version:   cli.ReadBuildInfo().Version,
		Log:       o.Log,
	})
	d.rules.front = d.coap
	return d, nil
}

// mesh makes one mesh.
func (d *daemon) mesh(c conf.MeshConfig) (*bridge.Mesh, error) {
	log := d.log.With("mesh", c.Name)
	c.Radio.Control = simulate.ControlOfSimulation(d.cfg.Control, c.Name)
	attachment, world, err := attach(c, log)
	if err != nil {
		return nil, fmt.Errorf("mesh %s: %w", c.Name, err)
	}
	if world != nil {
		d.worlds = append(d.worlds, part{"simulated mesh " + c.Name, world})
	}
	shared := d.cfg.SharedWith(c)
	first := true
	open := func() (bridge.Tun, error) { // called by one goroutine of the mesh
		dev, err := tun.Open(tun.Options{Name: c.Iface, Prefix: c.Prefix, Gateway: c.Gateway, Shared: shared, Log: log})
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
	if c.Listed {
		admit = node.AdmitListed
	}
	m, err := bridge.New(bridge.Options{
		Name:                c.Name,
		Prefix:              c.Prefix,
		Gateway:             c.Gateway,
		Shared:              len(shared) > 0,
		Contexts:            c.MeshContexts(),
		Registered:          c.Registered,
		Store:               d.state,
		Radio:               attachment,
		OpenTun:             open,
		Places:              c.NodePlaces(c.Full),
		Admit:               admit,
		Report:              c.Report,
		Full:                c.Full,
		ElidedChecksumPorts: c.ElidedPorts,
		MeshHeaders:         c.Radio.MeshHeaders,
		Policy:              newEngine(c),
		ErrorRate:           c.IcmpErrors.Packets,
		ErrorBurst:          c.IcmpErrors.Burst,
		Log:                 d.log,
	})
	if err != nil {
		return nil, errors.Join(err, attachment.Close())
	}
	return m, nil
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

// StopWait is how long all parts together may take to stop, after UpstreamWait; both
// stand in TimeoutStopSec of deploy/culvert.service.
const StopWait = 8 * time.Second

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
