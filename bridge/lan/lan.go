// Package lan is the gateway on the site's own network: it switches
// forwarding on without losing a default route that came by router advertisement,
// advertises a route to each mesh prefix (RFC 4191 in messages of RFC 4861),
// answers neighbour solicitations for nodes whose prefix is the site's too (RFC
// 4861, section 7.2.8; RFC 8929), and gives the nodes names: a hosts file, and
// multicast DNS with service discovery (RFC 6762, RFC 6763).
//
// All of it is said on somebody's network, so nothing is unless the owner of that
// network has asked for it. Whatever is changed on this host is put back when Run
// returns, or by the next Run or Restore after a kill. deploy/UPSTREAM.md tells
// what is sent, and what the sandbox of a service manager must permit.
package lan

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"

	"culvert/bridge/lan/mdns"
)

// Network serves the site's network. Run it once.
type Network struct {
	opts   Options
	meshes atomic.Pointer[[]Mesh]
	wake   chan struct{} // the meshes changed; holds one
	stats  counters

	mu    sync.Mutex // guards ports
	ports map[string]*port
}

// New checks the options. Nothing is changed or sent before Run.
func New(o Options) (*Network, error) {
	meshes := append([]Mesh(nil), o.Meshes...)
	o.Meshes = meshes
	if err := o.check(); err != nil {
		return nil, err
	}
	l := &Network{opts: o, wake: make(chan struct{}, 1), ports: map[string]*port{}}
	l.meshes.Store(&meshes)
	return l, nil
}

// SetMeshes replaces the meshes, as when a mesh is renumbered: the routes to
// prefixes that are no longer among them are withdrawn. It may be called from any
// goroutine; a bad list changes nothing.
func (l *Network) SetMeshes(meshes []Mesh) error {
	meshes = append([]Mesh(nil), meshes...)
	if err := l.opts.checkMeshes(meshes); err != nil {
		return err
	}
	l.meshes.Store(&meshes)
	select {
	case l.wake <- struct{}{}:
	default:
	}
	return nil
}

// Run switches forwarding on and serves the interfaces until ctx ends. Then it
// withdraws the routes, which takes up to ten seconds because advertisements must
// stand three seconds apart (RFC 4861, section 6.2.4), takes its names back, and
// puts everything as it was. What goes wrong on one interface or with one
// parameter is logged, and tried again; the error is of what keeps the whole from
// being served, or of what could not be put back.
func (l *Network) Run(ctx context.Context) error {
	s, err := newSite(l)
	if err != nil {
		return fmt.Errorf("lan: %w", err)
	}
	return s.run(ctx)
}

// Stats are the figures of a Network.
type Stats struct {
	Forwarding    bool   // this host forwards IPv6 packets
	HostRoutes    int    // of single nodes, where a prefix is shared
	RoutesRefused uint64 // for which there was no room
	HostsWritten  uint64 // times that the hosts file was written
	Interfaces    []InterfaceStats
}

// InterfaceStats are the figures of one interface since it last came up.
type InterfaceStats struct {
	Name       string
	Up         bool // with a link-local address
	Routes     int  // that are advertised
	Shared     int  // mesh prefixes that are the network's too
	Advertised uint64
	Solicited  uint64 // router solicitations received
	SendErrors uint64

	Proxied           int    // addresses whose solicitations are answered
	Solicitations     uint64 // neighbour solicitations for an address of a mesh prefix
	Answered          uint64 // of them
	Defended          uint64 // of those, against duplicate address detection
	AddressConflicts  int    // addresses that another host of the network uses
	GroupsUnavailable uint64 // solicited-node groups that could not be joined

	Names mdns.Stats
}

// Stats returns the figures now.
func (l *Network) Stats() Stats {
	s := Stats{
		Forwarding:    l.stats.forwarding.Load(),
		HostRoutes:    int(l.stats.hostRoutes.Load()),
		RoutesRefused: l.stats.routesRefused.Load(),
		HostsWritten:  l.stats.hostsWritten.Load(),
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, name := range l.opts.Interfaces {
		i := InterfaceStats{Name: name}
		if p := l.ports[name]; p != nil {
			x := p.stats
			i.Up = true
			i.Routes, i.Shared, i.Proxied, i.AddressConflicts =
				int(x.routes.Load()), int(x.shared.Load()), int(x.proxied.Load()), int(x.conflicts.Load())
			i.Advertised, i.Solicited, i.SendErrors = x.advertised.Load(), x.solicited.Load(), x.sendErrors.Load()
			i.Solicitations, i.Answered, i.Defended = x.solicitations.Load(), x.answered.Load(), x.defended.Load()
			i.GroupsUnavailable = x.groupsRefused.Load()
			if r := p.names.Load(); r != nil {
				i.Names = r.Stats()
			}
		}
		s.Interfaces = append(s.Interfaces, i)
	}
	return s
}

type counters struct {
	forwarding    atomic.Bool
	hostRoutes    atomic.Int64
	routesRefused atomic.Uint64
	hostsWritten  atomic.Uint64
}
