// Package bridge assembles one mesh from its parts and runs it: a radio
// attachment, the node table, the packet path with its 6LoWPAN adaptation layer
// (RFC 4944, RFC 6282), neighbour discovery with the nodes (RFC 6775), a TUN
// interface, and what of all this outlives the daemon.
package bridge

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	"culvert/bridge/adapt"
	"culvert/bridge/drop"
	"culvert/bridge/forward"
	"culvert/bridge/nd"
	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/bridge/radio"
	"culvert/bridge/store"
)

// Tun is the kernel's side of a mesh: one IPv6 packet a call, one reader and any
// number of writers. Close ends a blocked Read. tun.Device is one.
type Tun interface {
	io.ReadWriteCloser
}

// LinkLocalSetter is a Tun that wants to know the gateway's link-local address,
// which comes from the EUI-64 of the radio, as soon as the radio has told it.
type LinkLocalSetter interface {
	SetLinkLocal(netip.Addr) error
}

// Router is a Tun that knows whether the kernel sends packets for nodes to it. It is
// asked whenever the figures of the mesh are.
type Router interface {
	Routed() bool
}

// Options are what a mesh is made from. Name, Prefix, Radio and OpenTun are
// required; nil and zero mean the default elsewhere.
type Options struct {
	Name   string       // of the mesh, in logs and metrics
	Prefix netip.Prefix // a /64
	// Gateway is the gateway's own address in Prefix, as the TUN has it; the first
	// one, Prefix::1, by default.
	Gateway netip.Addr
	Radio   radio.Attachment
	// OpenTun opens the interface, at the start and again when it vanished. It is
	// tried once a second as long as it fails after the start; at the start an error
	// ends Run.
	OpenTun func() (Tun, error)

	Contexts   map[uint8]netip.Prefix // of header compression; nil: context 0 is the mesh prefix
	Places     []node.Place
	Admit      node.Admit
	Report     node.Reporting // when a node is late or silent
	MaxNodes   int            // 65,536
	Registered bool           // addresses = "registered": only what nodes registered or claimed is served
	// Store keeps what outlives the daemon, under the name of the mesh; whoever opened
	// it closes it after Run. Nil: nothing does.
	Store *store.Store
	Full  bool // encoding = "full" for every node
	// MeshHeaders: the radio delivers frames that nodes relayed with a mesh header (RFC
	// 4944, section 5.2), and their originators are believed.
	MeshHeaders         bool
	ElidedChecksumPorts []uint16      // UDP ports whose elided checksums are restored (RFC 6282, 4.3.2)
	MaxAge              time.Duration // of a packet in a queue; 10 s
	// Shared: another network has Prefix too, where neighbours are proxied (RFC 4861,
	// section 7.2.8). The TUN's options must say so as well.
	Shared bool
	// Policy says what may pass between the mesh and other hosts, and from node to
	// node. Nil: everything.
	Policy *policy.Engine
	// ErrorRate and ErrorBurst are how many ICMPv6 errors the gateway sends a second, and at
	// once: about destinations that no node has, and about all else each. 0: the defaults of
	// package forward.
	ErrorRate, ErrorBurst int

	Log *slog.Logger
	Now func() time.Time
}

// Mesh is one mesh of the daemon.
type Mesh struct {
	opt   Options
	log   *slog.Logger
	nodes *node.Table
	fwd   *forward.Forwarder
	keep  *store.Keeper // nil: nothing is stored

	running  atomic.Bool
	tunUp    atomic.Bool
	tunDowns atomic.Uint64
	ticks    atomic.Uint64

	replaceMu sync.Mutex // held through a Replace

	tunMu     sync.Mutex
	dev       Tun        // guarded by tunMu; nil while there is none
	linkLocal netip.Addr // guarded by tunMu; of the gateway, once the radio has told its EUI-64
}

// New returns a mesh that does nothing until Run.
func New(o Options) (*Mesh, error) {
	if o.Radio == nil || o.OpenTun == nil {
		return nil, errors.New("bridge: a mesh needs a radio and a TUN interface")
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	places, retired, err := o.Store.Places(o.Name, o.Places, o.Log.With("mesh", o.Name))
	if err != nil {
		return nil, fmt.Errorf("bridge: mesh %q: %w", o.Name, err)
	}
	nodes, err := node.New(node.Options{Prefix: o.Prefix, Admit: o.Admit, Places: places, Report: o.Report, Start: o.Now(),
		Max: o.MaxNodes, Registered: o.Registered, Retired: retired})
	if err != nil {
		return nil, fmt.Errorf("bridge: mesh %q: %w", o.Name, err)
	}
	m := &Mesh{opt: o, log: o.Log.With("mesh", o.Name), nodes: nodes}
	server, err := m.discovery()
	if err != nil {
		return nil, err
	}
	nodes.RadioDown(o.Now()) // until it is up for the first time
	fo := forward.Options{
		Table:       nodes,
		Radio:       o.Radio,
		Gateway:     o.Gateway,
		Discovery:   server,
		Full:        o.Full,
		Adapt:       adapt.Options{ElidedChecksumPorts: o.ElidedChecksumPorts},
		MeshHeaders: o.MeshHeaders,
		MaxAge:      o.MaxAge,
		Policy:      o.Policy,
		ErrorRate:   o.ErrorRate,
		ErrorBurst:  o.ErrorBurst,
		Name:        o.Name,
		Shared:      o.Shared,
		Tag:         uint16(o.Now().UnixNano()), // a restarted gateway does not repeat the last tags
		Log:         m.log.With("part", "forward"),
		Now:         o.Now,
	}
	if m.keep != nil {
		fo.Keep = m.keep.Unsaved()
	}
	m.fwd = forward.New(fo)
	if m.keep != nil {
		m.keep.Connect(m.fwd)
	}
	return m, nil
}

// discovery makes the server of neighbour discovery, with what the store knows.
func (m *Mesh) discovery() (*nd.Server, error) {
	o := &m.opt
	contexts := []nd.Context{{ID: 0, Prefix: o.Prefix}}
	if o.Contexts != nil {
		contexts = contexts[:0]
		for id, p := range o.Contexts {
			contexts = append(contexts, nd.Context{ID: id, Prefix: p})
		}
	}
	no := nd.Options{Prefix: o.Prefix.Masked(), Gateway: o.Gateway, Table: m.nodes, Contexts: contexts, Registered: o.Registered}
	if o.Store == nil {
		return nd.New(no, nd.State{}, o.Now()), nil
	}
	k, state, err := store.NewKeeper(o.Store, o.Name, m.nodes, m.log.With("part", "state"), o.Now)
	if err != nil {
		return nil, fmt.Errorf("bridge: %w", err)
	}
	server := nd.New(no, state, o.Now())
	k.Begin(server)
	m.keep = k
	return server, nil
}

// Name returns the name of the mesh.
func (m *Mesh) Name() string { return m.opt.Name }

// Prefix returns the prefix of the mesh.
func (m *Mesh) Prefix() netip.Prefix { return m.opt.Prefix.Masked() }

// Nodes returns the node table.
func (m *Mesh) Nodes() *node.Table { return m.nodes }

// Stats are the figures of one mesh.
type Stats struct {
	Name     string
	Up       bool // Run runs, the TUN is open with its route, and the radio is up
	TunUp    bool
	Routed   bool   // the kernel sends packets for nodes to the TUN
	TunDowns uint64 // times that the TUN vanished
	Ticks    uint64 // of the goroutine that lets what is too old end, four a second
	Forward  forward.Stats
	Nodes    node.Stats
	Policy   policy.Stats // all zero without one
}

// Stats returns the figures now.
func (m *Mesh) Stats() Stats {
	s := Stats{Name: m.opt.Name, TunUp: m.tunUp.Load(), TunDowns: m.tunDowns.Load(), Ticks: m.ticks.Load(), Forward: m.fwd.Stats(), Nodes: m.nodes.Stats()}
	if l, ok := m.opt.Radio.(linkStats); ok {
		addLinkDrops(&s.Forward.FromMesh, l.Stats())
	}
	if m.opt.Policy != nil {
		s.Policy = m.opt.Policy.Stats(m.opt.Now())
	}
	s.Routed = s.TunUp && m.routed()
	s.Up = m.running.Load() && s.Routed && s.Forward.Radio.Up
	return s
}

// linkStats is an attachment that speaks the radio link protocol.
type linkStats interface{ Stats() radio.Stats }

// addLinkDrops adds the records and frames that ended in the radio link, before the packet
// path saw them. They count as received, so that received is consumed and dropped still.
func addLinkDrops(d *forward.Direction, s radio.Stats) {
	for _, r := range []drop.Reason{drop.LinkRecord, drop.FrameTooLong, drop.RadioDown} {
		n := s.Dropped(r)
		d.Frames += n
		d.FramesDropped[r] += n
	}
}

// routed asks the TUN; one that does not know counts as routed.
func (m *Mesh) routed() bool {
	m.tunMu.Lock()
	dev := m.dev
	m.tunMu.Unlock()
	r, ok := dev.(Router)
	return !ok || r.Routed()
}
