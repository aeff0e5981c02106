// Package door holds the ways in: UDP and DTLS (RFC 7252), TCP and TLS (RFC 8323), the control
// socket, and HTTP for reading (RFC 8075); with deduplication and the guard against
// amplification. Doors take a Handler for requests, and report to Observers what became of
// notifications.
package door

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"

	"culvert/bridge/loglimit"
	"culvert/bridge/node"
	"culvert/coap/access"
	"culvert/coap/msg"
)

// Handler answers the requests of all doors.
type Handler interface {
	// Serve answers a request. It calls reply once, now or later, from any goroutine.
	Serve(req *msg.Request, reply func(msg.Response))
	// Cached answers a request at once, if a fresh response is in the cache.
	Cached(req *msg.Request) (msg.Response, bool)
	// Count counts r as the response to a request that Serve does not get.
	Count(req *msg.Request, r msg.Response) msg.Response
	// Deregister ends the observation that a request names, or its registration.
	Deregister(req *msg.Request)
}

// Observers take reports about notifications, and supply those of connections.
type Observers interface {
	// Acknowledged and Rejected report the end of a confirmable message; Rejected, too,
	// that it was never acknowledged.
	Acknowledged(msg.MessageKey)
	Rejected(msg.MessageKey)
	// ResponseSent and ResponseQueued report that a response which began an observation
	// left as a message of its own, or is queued on its connection.
	ResponseSent(msg.ObservationKey, msg.MessageKey)
	ResponseQueued(msg.ObservationKey)
	// Next returns the next notification for a connection.
	Next(msg.Connection) (message.Message, bool)
	// Closed and EndWhere report that connections and sessions ended.
	Closed(msg.Connection)
	EndWhere(func(msg.Peer) bool)
}

// Options are what the doors are opened with.
type Options struct {
	Meshes         node.Meshes
	UDP            []netip.AddrPort
	Conns          []*net.UDPConn
	Gateways       map[string]netip.Addr
	DTLS, TCP, TLS []netip.AddrPort
	Certificate    *tls.Certificate
	ClientCAs      *x509.CertPool
	Control        string
	// Access returns the identities in force; nil where everybody may do everything.
	Access func() *access.List
	// Trusted reports whether an address cannot be forged.
	Trusted  func(netip.Addr) bool
	AckDelay time.Duration
}

// Doors are the ways in: UDP, DTLS, TCP, TLS and the control socket.
type Doors struct {
	Options
	handler   Handler
	observers Observers
	log       *slog.Logger
	now       func() time.Time

	guard      amplificationGuard
	counts     counts
	numbers    atomic.Uint64 // of sockets, connections and sessions
	refusals   loglimit.Limiter
	handshakes loglimit.Limiter

	mu      sync.Mutex
	udp     []*UDP
	control *controlDoor
	secure  []*dtlsDoor
	streams []*tcpDoor
}

// counts are the counters of the doors.
type counts struct {
	malformed, handshakesFailed [msg.NumDoors]atomic.Uint64

	sessions, tlsSessions, dtlsStray, dtlsEvicted, dtlsAbandoned, streamsRefused, duplicates, gaveUp, challenged atomic.Uint64
}

// Stats are figures of the doors since the start.
type Stats struct {
	Malformed        [msg.NumDoors]uint64 // messages that could not be read
	HandshakesFailed [msg.NumDoors]uint64 // of clients that were there and could not prove an identity
	Sessions         uint64               // DTLS sessions that were opened
	SessionsTLS      uint64               // TLS connections whose client proved an identity, or showed none
	Abandoned        uint64               // DTLS handshakes whose client never proved its address, with those evicted
	Evicted          uint64               // DTLS handshakes that ended early because too many were in progress
	Stray            uint64               // datagrams to a DTLS door that belong to no session and begin none
	StreamsRefused   uint64               // connections of TCP and TLS doors above the limits
	Duplicates       uint64               // repeated requests
	GaveUp           uint64               // responses that their client never acknowledged
	Handshakes       int                  // DTLS handshakes in progress
	Challenged       uint64               // large responses that gave way to a challenge
}

// New returns doors that are not open yet.
func New(h Handler, n Observers, log *slog.Logger, now func() time.Time) *Doors {
	s := &Doors{handler: h, observers: n, log: log, now: now}
	s.guard.init()
	return s
}

// number returns a number that no socket, connection or session of the doors has.
func (s *Doors) number() uint64 { return s.numbers.Add(1) }

// Open opens every door. An error names the door; none is open then.
func (s *Doors) Open(o Options) error {
	s.mu.Lock()
	s.Options = o
	err := s.openLocked()
	s.mu.Unlock()
	if err != nil {
		s.Close()
	}
	return err
}

func (s *Doors) openLocked() error {
	for _, c := range s.Conns {
		if err := s.addLocked(c); err != nil {
			return fmt.Errorf("coap: udp %v: %w", c.LocalAddr(), err)
		}
	}
	for _, a := range s.UDP {
		c, err := s.listenUDP(msg.DoorUDP, a)
		if err == nil {
			err = s.addLocked(c)
		}
		if err != nil {
			return fmt.Errorf("coap: udp %v: %w", a, err)
		}
	}
	if err := s.openNodeDoorsLocked(); err != nil {
		return err
	}
	if err := s.openSecureLocked(); err != nil {
		return err
	}
	if s.Control == "" {
		return nil
	}
	d, err := listenControl(s, s.Control)
	s.control = d
	return err
}

// addLocked makes c a UDP door, which closes it.
func (s *Doors) addLocked(c *net.UDPConn) error {
	d, err := newUDPDoor(s, c)
	if err != nil {
		c.Close()
		return err
	}
	s.udp = append(s.udp, d)
	return nil
}

// Start serves every door: it calls run for each function that must run until close.
func (s *Doors) Start(run func(what string, f func() error)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, d := range s.udp {
		s.log.Info("CoAP door open", "door", "udp", "address", d.conn.LocalAddr().String(), "nodes_only", d.accepts != nil)
		for range readers {
			run("udp "+d.conn.LocalAddr().String(), d.read)
		}
	}
	for _, d := range s.secure {
		s.log.Info("CoAP door open", "door", "dtls", "address", d.conn.LocalAddr().String())
		run("dtls "+d.conn.LocalAddr().String(), d.read)
	}
	for _, d := range s.streams {
		s.log.Info("CoAP door open", "door", d.kind.String(), "address", d.listener.Addr().String())
		run(d.kind.String()+" "+d.listener.Addr().String(), d.accept)
	}
	if s.control != nil {
		s.log.Info("CoAP door open", "door", "control", "path", s.Control)
		run("control socket", s.control.accept)
	}
}

// Close closes every door, and ends its connections and sessions.
func (s *Doors) Close() {
	s.mu.Lock()
	udp, secure, streams, control := s.udp, s.secure, s.streams, s.control
	s.mu.Unlock() // requests in progress may ask where the doors are
	for _, d := range udp {
		d.conn.Close()
	}
	for _, d := range secure {
		d.end()
	}
	for _, d := range streams {
		d.close()
	}
	if control != nil {
		control.close()
	}
}

// Forget forgets doors that are closed.
func (s *Doors) Forget() {
	s.mu.Lock()
	s.udp, s.control, s.secure, s.streams = nil, nil, nil, nil
	s.mu.Unlock()
}

// Tick sends what is due: acknowledgements and repetitions; and ends idle sessions.
func (s *Doors) Tick(now time.Time) {
	s.mu.Lock()
	udp, secure := s.udp, s.secure
	s.mu.Unlock()
	for _, d := range udp {
		d.Tick(now)
	}
	for _, d := range secure {
		d.tick(now)
	}
}

// Expire drops what the doors need not know any more.
func (s *Doors) Expire(now time.Time) { s.guard.expire(now) }

// Stats returns the figures now.
func (s *Doors) Stats() Stats {
	c := &s.counts
	out := Stats{
		Sessions: c.sessions.Load(), SessionsTLS: c.tlsSessions.Load(), Abandoned: c.dtlsAbandoned.Load(), Evicted: c.dtlsEvicted.Load(),
		Stray: c.dtlsStray.Load(), StreamsRefused: c.streamsRefused.Load(), Duplicates: c.duplicates.Load(), GaveUp: c.gaveUp.Load(), Challenged: c.challenged.Load(),
	}
	for d := range msg.NumDoors {
		out.Malformed[d], out.HandshakesFailed[d] = c.malformed[d].Load(), c.handshakesFailed[d].Load()
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, d := range s.secure {
		out.Handshakes += d.handshakes()
	}
	return out
}

// FirstUDP returns the first UDP door, for tests that move its clock.
func (s *Doors) FirstUDP() *UDP {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.udp[0]
}
