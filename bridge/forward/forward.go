// Package forward carries packets between a TUN interface and a mesh: the way to
// the mesh (to_mesh.go) up to a bounded queue a node, the scheduler that empties
// the queues into the radio (sender.go), the way from the mesh (from_mesh.go), and
// neighbour discovery with the nodes (discovery.go). It is a router of one link: RFC 8200 (hop limits, sizes), RFC 4443 (ICMPv6
// errors), RFC 4291 and RFC 4007 (what may pass at all).
package forward

import (
	"encoding/binary"
	"io"
	"log/slog"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	"culvert/bridge/adapt"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/nd"
	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/bridge/radio"
)

// Options are a Forwarder's. Nil and zero mean the defaults.
type Options struct {
	Table    *node.Table      // of the mesh; required
	Radio    Radio            // takes frames; required
	Gateway  netip.Addr       // the gateway's own address in the mesh; prefix::1
	Contexts *lowpan.Contexts // of header compression; with Discovery its contexts count
	// Discovery answers the nodes' neighbour discovery, and is the Forwarder's from now
	// on. Nil: it ends as neighbor-invalid.
	Discovery *nd.Server
	// Keep takes what Discovery must not forget. Whoever reads it calls Saved when it is
	// on disk; what finds no room in it is not answered. Nil: nothing is kept.
	Keep chan<- *Unsaved
	// Policy says what may pass between the mesh and outside, and from node to node.
	// Nil: everything.
	Policy *policy.Engine
	Name   string // of the mesh, for the rules that are suggested
	// Shared: another network has the mesh prefix too, and neighbours are proxied there.
	// What no node holds then belongs to that network.
	Shared bool

	Full  bool          // every node decodes every next header encoding
	Adapt adapt.Options // of the receiving end
	// MeshHeaders: the radio delivers frames that nodes relayed with a mesh header (RFC
	// 4944, section 5.2), and its originator is believed. Otherwise the header must name
	// the node that sent the frame.
	MeshHeaders bool
	Tag         uint16 // of the first fragmented datagram

	QueuePackets int           // of one node; 64, at most 2047
	QueueOctets  int           // of one node; 32 KiB, at most 512 KiB
	Buffers      int           // packets in all queues together; 4096
	MaxAge       time.Duration // in the queue; 10 s
	ResultWait   time.Duration // for the result of a frame, should the radio forget it; 60 s
	ErrorRate    int           // ICMPv6 errors a second, for unknown destinations and for all else each; DefaultErrorRate
	ErrorBurst   int           // of them at once; DefaultErrorBurst

	Log *slog.Logger
	Now func() time.Time
}

// Defaults of the rate of ICMPv6 errors (RFC 4443, section 2.4 f). Our choice.
const (
	DefaultErrorRate  = 100 // a second
	DefaultErrorBurst = 50
)

// Radio is the sending half of a radio.Attachment.
type Radio interface {
	Send(f radio.Frame, id uint32) error
}

func (o Options) withDefaults() Options {
	if !o.Gateway.IsValid() {
		o.Gateway = ipv6.Gateway(o.Table.Prefix())
	}
	set := func(v *int, d int) {
		if *v <= 0 {
			*v = d
		}
	}
	set(&o.QueuePackets, 64)
	set(&o.QueueOctets, 32<<10)
	set(&o.Buffers, 4096)
	o.QueuePackets, o.QueueOctets = min(o.QueuePackets, maxQueuePackets), min(o.QueueOctets, maxQueueOctets)
	set(&o.ErrorRate, DefaultErrorRate)
	set(&o.ErrorBurst, DefaultErrorBurst)
	if o.MaxAge <= 0 {
		o.MaxAge = 10 * time.Second
	}
	if o.ResultWait <= 0 {
		o.ResultWait = 60 * time.Second
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	return o
}

// Forwarder is the packet path of one mesh. ToMesh, FromMesh with Event, Run and
// Tick are each for one goroutine, different ones at the same time; the rest may be
// called from anywhere.
type Forwarder struct {
	opt   Options
	table *node.Table
	start time.Time // of the monotonic clock of packets
	clock atomic.Int64

	prefix     netip.Prefix
	prefixBits uint64
	own        atomic.Pointer[own]
	contexts   atomic.Pointer[lowpan.Contexts]
	tun        atomic.Pointer[tunWriter]

	shares    shares
	buffers   buffers
	queues    queues
	sender    sender
	deadlines deadlines

	discovery discovery
	forgotten map[ieee802154.Addr]bool // link addresses whose bindings TickNodes has to end
	refused   refusals
	scans     tally[uint64, struct{}] // packets for addresses that no node holds, by /64 of the source

	receiveMu sync.Mutex // Receive and Expire take turns
	receiver  *adapt.Receiver

	counters    counters
	radioChange atomic.Pointer[radioChange] // nil: the radio was never there
	unknown     bucket                      // ICMPv6 errors about destinations that no node has
	errors      bucket                      // all others
	texts       radioTexts
	changes     nodeChanges

	toReplies, fromReplies, sendReplies replies // one for each goroutine
}

// own are the gateway's addresses.
type own struct {
	global    [16]byte
	anycast   [16]byte // RFC 4291, section 2.6.1
	linkLocal [16]byte
	hasLocal  bool
	groups    [5][16]byte // that the gateway is in
	link      [2]ieee802154.Addr
}

type tunWriter struct{ w io.Writer }

// New returns a Forwarder with no radio and no TUN yet.
func New(o Options) *Forwarder {
	o = o.withDefaults()
	f := &Forwarder{
		opt:    o,
		table:  o.Table,
		start:  o.Now(),
		prefix: o.Table.Prefix(),
	}
	o.Adapt.OfferedGHC = f.offeredGHC
	if !o.MeshHeaders {
		o.Adapt.MayRelay = f.oneNode
	}
	f.receiver = adapt.NewReceiver(o.Adapt)
	b := f.prefix.Addr().As16()
	f.prefixBits = binary.BigEndian.Uint64(b[:])
	f.contexts.Store(o.Contexts)
	if o.Discovery != nil {
		f.discovery.server, f.discovery.keep, f.discovery.version = o.Discovery, o.Keep, o.Discovery.Version()
		f.contexts.Store(o.Discovery.Contexts())
	}
	f.setOwn(radio.Info{})
	f.shares.init(&o)
	f.buffers.init(o.Buffers)
	f.queues.init(o.Table.Max())
	f.sender.wake = make(chan struct{}, 1)
	f.sender.sooner = make(chan struct{}, 1)
	f.sender.adapt = adapt.NewSender(o.Tag)
	f.sender.flights.init()
	f.refused.init()
	f.scans.init()
	f.unknown.init(o.ErrorRate, o.ErrorBurst)
	f.errors.init(o.ErrorRate, o.ErrorBurst)
	f.texts.limit.init(radioTextRate, radioTextBurst)
	return f
}

// SetContexts replaces the contexts of header compression.
func (f *Forwarder) SetContexts(c *lowpan.Contexts) { f.contexts.Store(c) }

// SetTun says where packets from the mesh go; nil while there is no interface.
func (f *Forwarder) SetTun(w io.Writer) {
	if w == nil {
		f.tun.Store(nil)
		return
	}
	f.tun.Store(&tunWriter{w})
}

// setOwn publishes the gateway's addresses, those of its radio included.
func (f *Forwarder) setOwn(info radio.Info) {
	o := &own{
		global:  f.opt.Gateway.As16(),
		anycast: f.prefix.Addr().As16(),
		link:    [2]ieee802154.Addr{info.EUI64, info.Short},
	}
	if iid, ok := ipv6.IIDOf(info.EUI64); ok {
		o.linkLocal, o.hasLocal = ipv6.LinkLocal(iid).As16(), true
	}
	o.groups = [...][16]byte{ipv6.AllNodes.As16(), ipv6.AllRouters.As16(), ipv6.SolicitedNode(f.opt.Gateway).As16(),
		ipv6.SolicitedNode(f.prefix.Addr()).As16(), ipv6.SolicitedNode(netip.AddrFrom16(o.linkLocal)).As16()}
	f.own.Store(o)
}

// now is the time on the forwarder's clock, which the wall clock's steps do not
// move.
func (f *Forwarder) now() int64 {
	n := int64(f.opt.Now().Sub(f.start))
	f.clock.Store(n)
	return n
}

// cachedNow returns the time that the last call of now read: that of the sender while it
// has work, else that of the last tick. Reading the clock would cost as much as all else
// that a packet from the mesh needs.
func (f *Forwarder) cachedNow() int64 { return f.clock.Load() }
