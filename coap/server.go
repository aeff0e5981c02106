package coap

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	"culvert/bridge/loglimit"
	"culvert/bridge/node"
	"culvert/bridge/reading"
	"culvert/coap/access"
	"culvert/coap/directory"
	"culvert/coap/door"
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

	uploads   msg.Uploads
	transfers msg.Transfers
	listings  listings
	readings  *reading.Store
	nodes     *nodeclient.Client
	outputs   *output.Outputs
	swapped   atomic.Pointer[access.List] // by SetAccess; nil: opts.Access
	observers *observe.Observers
	directory *directory.Directory
	trust     func(netip.Addr) bool // tests trust nobody
	doors     *door.Doors
	counts    counters
	refusals  loglimit.Limiter
	now       func() time.Time // tests shift it
	started   time.Time

	ackDelay time.Duration                    // tests shorten it
	locate   func(node.Member) netip.AddrPort // tests have their nodes on the loopback

	mu   sync.Mutex
	bare *reading.Receiver // of bare datagrams
}

// New returns a front that is not open yet.
func New(o Options) *Server {
	s := &Server{opts: o, log: o.Log, now: time.Now, started: time.Now(), ackDelay: door.DefaultAckDelay, locate: nodeAddress}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	s.log = s.log.With("part", "coap")
	s.opts.Transmission = o.Transmission.WithDefaults()
	clock := func() time.Time { return s.now() }
	s.observers = observe.New(&s.transfers, s.moved, clock)
	s.observers.Judge(s.refusesObservation)
	s.readings = reading.New(s.log, s.observers.MarkChanged)
	s.nodes = nodeclient.New(nodeclient.Options{
		Meshes: o.Meshes, Default: &s.opts.Transmission, ByMesh: o.MeshTransmission, Observers: s.observers, NotAfter: o.NotAfter,
		Locate: func(t node.Member) netip.AddrPort { return s.locate(t) }, Log: s.log, Now: clock,
	})
	locate := func(t node.Member) netip.AddrPort { return s.locate(t) }
	s.outputs = output.New(output.Options{Nodes: s.nodes, Meshes: o.Meshes, Locate: locate, Who: s.who, PathOn: s.pathOn,
		Registered: func(n *node.Node) ([]msg.Link, bool) { return s.directory.LinksOf(n) }, Log: s.log, Now: clock})
	s.directory = directory.New(directory.Options{Meshes: o.Meshes, Locate: locate, Read: s.outputs.ReadListing, Log: s.log, Now: clock})
	s.trust = s.trusted
	s.doors = door.New(frontHandler{s}, s.observers, s.log, clock)
	return s
}

// nodeAddress is where a node's CoAP server is.
func nodeAddress(t node.Member) netip.AddrPort {
	return netip.AddrPortFrom(t.Address(), msg.PortCoAP)
}

// Listen opens every door, so that clients may connect before Run serves them. An error
// names the door, and none is open then. Run calls Listen if it was not called.
func (s *Server) Listen() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.bare != nil {
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
	o := &s.opts
	if err := s.doors.Open(door.Options{Meshes: o.Meshes, UDP: o.UDP, Conns: o.Conns, Gateways: o.Gateways, DTLS: o.DTLS, TCP: o.TCP, TLS: o.TLS,
		Certificate: o.Certificate, ClientCAs: o.ClientCAs, Control: o.Control, Access: s.access, Trusted: s.trust, AckDelay: s.ackDelay}); err != nil {
		return err
	}
	bare, err := reading.Listen(s.opts.Decoders, s.opts.Meshes, s.readings, s.log)
	if err != nil {
		return err
	}
	s.bare = bare
	if err := s.outputs.Open(s.opts.Outputs, s.opts.Undeclared, s.opts.StateDir); err != nil {
		return err
	}
	return s.nodes.Open()
}

func (s *Server) closeLocked() {
	s.doors.Close()
	s.doors.Forget()
	s.bare.Close()
	s.nodes.Close()
	_ = s.outputs.Close() // nothing was written yet
	s.bare = nil
}

// UDPAddrs returns where the UDP doors listen, once Listen has opened them.
func (s *Server) UDPAddrs() []netip.AddrPort { return s.doors.Addrs(msg.DoorUDP) }

// Addrs returns where the doors of a kind listen, once Listen has opened them.
func (s *Server) Addrs(kind msg.Door) []netip.AddrPort { return s.doors.Addrs(kind) }

// HTTP returns the way from HTTP to CoAP for reading nodes; see httpHandler.
func (s *Server) HTTP() http.Handler { return door.HTTP(frontHandler{s}) }

// frontHandler is what doors ask of a Server.
type frontHandler struct{ s *Server }

func (h frontHandler) Serve(req *msg.Request, reply func(msg.Response)) { h.s.serve(req, reply) }

func (h frontHandler) Cached(req *msg.Request) (msg.Response, bool) { return h.s.cachedResponse(req) }

func (h frontHandler) Count(req *msg.Request, r msg.Response) msg.Response { return h.s.count(req, r) }

func (h frontHandler) Deregister(req *msg.Request) { h.s.deregister(req) }

// deregister ends the observation that a request names, or its registration.
func (s *Server) deregister(req *msg.Request) {
	s.nodes.Withdraw(req)
	s.observers.Deregister(req.Observation())
}

// Run opens the doors and serves them until ctx ends, which is no error, or until
// one fails for good. It returns when everything that it started has ended.
func (s *Server) Run(ctx context.Context) error {
	if err := s.Listen(); err != nil {
		return err
	}
	s.mu.Lock()
	bare := s.bare
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
	s.doors.Start(start)
	start("decoders", bare.Run)
	start("towards nodes", s.nodes.Run)
	wg.Go(func() { s.tick(ctx) })
	wg.Go(func() { s.observers.Run(ctx) })

	<-ctx.Done()
	// From the source to the sink: the doors, what is on its way, the nodes' socket.
	s.doors.Close()
	bare.Close()
	s.nodes.Close()
	wg.Wait()
	if err := s.outputs.Close(); err != nil { // outcomes are on the disk
		s.log.Error("audit log not closed", "error", err)
	}
	s.mu.Lock()
	s.bare = nil
	s.mu.Unlock()
	s.doors.Forget()
	if err := context.Cause(ctx); !errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return nil
}

// tickEvery is how exactly the front keeps time.
const tickEvery = 100 * time.Millisecond

// tick does what is due: retransmissions, acknowledgements, deadlines, and the removal of
// what has expired.
func (s *Server) tick(ctx context.Context) {
	t := time.NewTicker(tickEvery)
	defer t.Stop()
	for n := 0; ; n++ {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
			now := s.now()
			s.outputs.CheckStandstill() // before the nodes: what waited too long is not sent again
			s.nodes.Tick(now)
			s.doors.Tick(now)
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
				s.doors.Expire(now)
				s.directory.Expire(now)
				s.readings.Expire()
				s.outputs.Tick()
			}
		}
	}
}
