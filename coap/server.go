package coap

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	"culvert/bridge/loglimit"
	"culvert/bridge/node"
	"culvert/bridge/reading"
	"culvert/coap/access"
	"culvert/coap/directory"
	"culvert/coap/msg"
	"culvert/coap/nodeclient"
	"culvert/coap/observe"
	"culvert/coap/output"
)

// Options are what a Server is made from. Zero values are the defaults.
type Options struct {
	Meshes node.Meshes
	// UDP lists the addresses of the UDP doors. Conns are UDP doors that are already
	// open; the server closes them.
	UDP   []netip.AddrPort
	Conns []*net.UDPConn
	// Gateways are this host's own addresses in the meshes, by the meshes' names. Port 5683
	// there takes the readings and registrations of the mesh's nodes, and drops what
	// anybody else sends, unless a UDP door listens there already.
	Gateways map[string]netip.Addr
	// DTLS, TCP and TLS list the addresses of the other doors. A TLS door needs a
	// Certificate; a DTLS door needs one, or an identity with a key. ClientCAs vouch for
	// clients that show a certificate.
	DTLS, TCP, TLS []netip.AddrPort
	Certificate    *tls.Certificate
	ClientCAs      *x509.CertPool
	// Control is the path of the control socket; empty for none.
	Control string
	// Resources are those under /control, besides status, by their names.
	Resources map[string]ControlResource
	// Access says who may do what at doors that are open to a network. Without it
	// everybody may do everything there.
	Access *access.List
	// Outputs are resources of nodes that move something. They need StateDir, where
	// their audit log and their lock-outs stand.
	Outputs  []output.Output
	StateDir string
	// Undeclared is what becomes of writes to actuators that no Output declares. With it,
	// too, StateDir is needed. Empty: they are written like all others.
	Undeclared output.UndeclaredPolicy
	// NotAfter has no packet leave for a node of a mesh after at, of the message that is sent to it
	// from a port with a Message ID; called once more with an earlier time it withdraws
	// the message. Writes to outputs need it, so that no queue of the mesh delivers them
	// late. Nil: the meshes have no queues.
	NotAfter func(mesh string, to netip.AddrPort, port, id uint16, at time.Time) error
	// Version is what /control/status says.
	Version string
	Log     *slog.Logger
	// Transmission is how nodes are asked, but for the meshes that MeshTransmission
	// names.
	nodeclient.Transmission
	MeshTransmission map[string]nodeclient.Transmission
	// Decoders read the bare datagrams that nodes send to a port of the gateway.
	Decoders []reading.Decoder
	// ReadNodes has /.well-known/core of each node read once after it joins, and its
	// links listed in the resource directory.
	ReadNodes bool
}

// Server is the CoAP front.
type Server struct {
	opts Options
	log  *slog.Logger

	uploads    msg.Uploads
	transfers  msg.Transfers
	listings   listings
	readings   *reading.Store
	nodes      *nodeclient.Client
	outputs    *output.Outputs
	swapped    atomic.Pointer[access.List] // by SetAccess; nil: opts.Access
	observers  *observe.Observers
	numbers    atomic.Uint64 // of sockets, connections and sessions
	guard      guard
	directory  *directory.Directory
	trust      func(netip.Addr) bool // tests trust nobody
	counts     counters
	refusals   loglimit.Limiter
	handshakes loglimit.Limiter
	now        func() time.Time // tests shift it
	started    time.Time

	ackDelay time.Duration                    // tests shorten it
	locate   func(node.Member) netip.AddrPort // tests have their nodes on the loopback

	mu      sync.Mutex
	udp     []*udpDoor
	control *controlDoor
	secure  []*dtlsDoor
	streams []*netDoor
	bare    *reading.Receiver // of bare datagrams
}

// New returns a front that is not open yet.
func New(o Options) *Server {
	s := &Server{opts: o, log: o.Log, now: time.Now, started: time.Now(), ackDelay: defaultAckDelay, locate: nodeAddress}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	s.log = s.log.With("part", "coap")
	s.opts.Transmission = o.Transmission.WithDefaults()
	clock := func() time.Time { return s.now() }
	s.observers = observe.New(&s.transfers, s.moved, clock)
	s.readings = reading.New(s.log, s.observers.MarkChanged)
	s.nodes = nodeclient.New(nodeclient.Options{
		Meshes: o.Meshes, Default: &s.opts.Transmission, ByMesh: o.MeshTransmission, Observers: s.observers, NotAfter: o.NotAfter,
		Locate: func(t node.Member) netip.AddrPort { return s.locate(t) }, Log: s.log, Now: clock,
	})
	s.guard.init()
	locate := func(t node.Member) netip.AddrPort { return s.locate(t) }
	s.outputs = output.New(output.Options{Nodes: s.nodes, Meshes: o.Meshes, Locate: locate, Who: s.who, PathOn: s.pathOn,
		Registered: func(n *node.Node) ([]msg.Link, bool) { return s.directory.LinksOf(n) }, Log: s.log, Now: clock})
	s.directory = directory.New(directory.Options{Meshes: o.Meshes, Locate: locate, Read: s.outputs.ReadListing, Log: s.log, Now: clock})
	s.trust = s.trusted
	return s
}

// nodeAddress is where a node's CoAP server is.
func nodeAddress(t node.Member) netip.AddrPort {
	return netip.AddrPortFrom(t.Address(), msg.PortCoAP)
}

// Listen opens every door, so that clients can be told before Run serves them. An
// error names the door; those opened before it are closed again. Run calls Listen
// where nobody did.
func (s *Server) Listen() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.udp != nil || s.control != nil || s.secure != nil || s.streams != nil || s.bare != nil {
		return nil
	}
	err := s.openLocked()
	if err != nil {
		s.closeLocked()
	}
	return err
}

func (s *Server) openLocked() error {
	if err := s.nodes.Check(); err != nil {
		return err
	}
	for _, c := range s.opts.Conns {
		d, err := newUDPDoor(s, c)
		if err != nil {
			return fmt.Errorf("coap: udp %v: %w", c.LocalAddr(), err)
		}
		s.udp = append(s.udp, d)
	}
	for _, a := range s.opts.UDP {
		c, err := net.ListenUDP(family("udp", a), net.UDPAddrFromAddrPort(a))
		if err != nil {
			return fmt.Errorf("coap: udp %v: %w", a, err)
		}
		d, err := newUDPDoor(s, c)
		if err != nil {
			c.Close()
			return fmt.Errorf("coap: udp %v: %w", a, err)
		}
		s.udp = append(s.udp, d)
	}
	if err := s.openNodeDoorsLocked(); err != nil {
		return err
	}
	if err := s.openSecureLocked(); err != nil {
		return err
	}
	bare, err := reading.Listen(s.opts.Decoders, s.opts.Meshes, s.readings, s.log)
	if err != nil {
		return err
	}
	s.bare = bare
	if s.opts.Control != "" {
		d, err := listenControl(s, s.opts.Control)
		if err != nil {
			return err
		}
		s.control = d
	}
	if err := s.outputs.Open(s.opts.Outputs, s.opts.Undeclared, s.opts.StateDir); err != nil {
		return err
	}
	return s.nodes.Open()
}

func (s *Server) closeLocked() {
	for _, d := range s.udp {
		d.conn.Close()
	}
	for _, d := range s.secure {
		d.end()
	}
	for _, d := range s.streams {
		d.close()
	}
	s.bare.Close()
	if s.control != nil {
		s.control.close()
	}
	s.nodes.Close()
	_ = s.outputs.Close() // nothing was written yet
	s.udp, s.control, s.secure, s.streams, s.bare = nil, nil, nil, nil, nil
}

// UDPAddrs returns where the UDP doors listen, once Listen has opened them.
func (s *Server) UDPAddrs() []netip.AddrPort {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []netip.AddrPort
	for _, d := range s.udp {
		out = append(out, d.conn.LocalAddr().(*net.UDPAddr).AddrPort())
	}
	return out
}

// Run opens the doors and serves them until ctx ends, which is no error, or until
// one fails for good. It returns when everything that it started has ended.
func (s *Server) Run(ctx context.Context) error {
	if err := s.Listen(); err != nil {
		return err
	}
	s.mu.Lock()
	udp, control, secure, streams, bare := s.udp, s.control, s.secure, s.streams, s.bare
	s.mu.Unlock()

	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var wg sync.WaitGroup
	start := func(what string, f func() error) {
		wg.Go(func() {
			if err := f(); err != nil && !errors.Is(err, net.ErrClosed) {
				cancel(fmt.Errorf("coap: %s: %w", what, err))
			}
		})
	}
	for _, d := range udp {
		s.log.Info("CoAP door open", "door", "udp", "address", d.conn.LocalAddr().String(), "nodes_only", d.from != nil)
		for range readers {
			start("udp "+d.conn.LocalAddr().String(), d.read)
		}
	}
	for _, d := range secure {
		s.log.Info("CoAP door open", "door", "dtls", "address", d.conn.LocalAddr().String())
		start("dtls "+d.conn.LocalAddr().String(), d.read)
	}
	for _, d := range streams {
		s.log.Info("CoAP door open", "door", d.kind.String(), "address", d.listener.Addr().String())
		start(d.kind.String()+" "+d.listener.Addr().String(), d.accept)
	}
	start("decoders", bare.Run)
	if control != nil {
		s.log.Info("CoAP door open", "door", "control", "path", s.opts.Control)
		start("control socket", control.accept)
	}
	start("towards nodes", s.nodes.Run)
	wg.Go(func() { s.tick(ctx) })
	wg.Go(func() { s.observers.Run(ctx) })

	<-ctx.Done()
	// From the source to the sink: the doors, what is on its way, the nodes' socket.
	for _, d := range udp {
		d.conn.Close()
	}
	for _, d := range secure {
		d.end()
	}
	for _, d := range streams {
		d.close()
	}
	bare.Close()
	if control != nil {
		control.close()
	}
	s.nodes.Close()
	wg.Wait()
	if err := s.outputs.Close(); err != nil { // outcomes are on the disk
		s.log.Error("audit log not closed", "error", err)
	}
	s.mu.Lock()
	s.udp, s.control, s.secure, s.streams, s.bare = nil, nil, nil, nil, nil
	s.mu.Unlock()
	if err := context.Cause(ctx); !errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return nil
}

// tickEvery is how exactly the front keeps time.
const tickEvery = 100 * time.Millisecond

// tick does what is due: retransmissions, acknowledgements, deadlines, and the end
// of what nobody asks for any more.
func (s *Server) tick(ctx context.Context) {
	s.mu.Lock()
	udp, secure := s.udp, s.secure
	s.mu.Unlock()
	t := time.NewTicker(tickEvery)
	defer t.Stop()
	for n := 0; ; n++ {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
			now := s.now()
			s.nodes.Tick(now)
			for _, d := range udp {
				d.tick(now)
			}
			for _, d := range secure {
				d.tick(now)
			}
			s.observers.RefreshLocal(now)
			if n%5 == 0 {
				s.nodes.Renew(now)
				if s.opts.ReadNodes {
					s.directory.Discover(now)
				}
			}
			if n%50 == 0 {
				s.nodes.Expire(now)
				s.uploads.Expire(now)
				s.transfers.Expire(now)
				s.guard.expire(now)
				s.directory.Expire(now)
				s.readings.Expire()
			}
		}
	}
}

// number returns a number that no socket, connection or session of the doors has.
func (s *Server) number() uint64 { return s.numbers.Add(1) }
