package door

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"sync"
	"time"

	"culvert/coap/msg"
)

// Limits of TCP and TLS doors, besides maxStreams. They are our choice.
const (
	maxStreamsIP = 64               // connections of one network without an identity
	anonStreams  = 192              // connections without an identity, of MaxStreams
	streamIdle   = 15 * time.Minute // without a message; a client that observes pings (RFC 8323, section 5.4)
)

// tcpDoor is a TCP door, with or without TLS (RFC 8323).
type tcpDoor struct {
	s        *Doors
	kind     msg.Door
	listener net.Listener
	config   *tls.Config // of a TLS door

	mu    sync.Mutex
	conns map[net.Conn]*streamConn
	crowd crowd // of those without an identity
	anon  int
	ended bool
}

// streamConn is an open connection.
type streamConn struct {
	net   netip.Prefix
	since time.Time
	known bool // its client proved an identity
}

func newNetDoor(s *Doors, kind msg.Door, l net.Listener) *tcpDoor {
	d := &tcpDoor{s: s, kind: kind, listener: l, conns: map[net.Conn]*streamConn{}, crowd: newCrowd()}
	if kind == msg.DoorTLS {
		d.config = &tls.Config{
			Certificates: []tls.Certificate{*s.Certificate},
			MinVersion:   tls.VersionTLS12,
			NextProtos:   []string{"coap"}, // RFC 8323, section 8.2
		}
		if s.ClientCAs != nil {
			d.config.ClientAuth, d.config.ClientCAs = tls.VerifyClientCertIfGiven, s.ClientCAs
		}
	}
	return d
}

// accept serves connections until the door is closed, and returns when all of them
// have ended.
func (d *tcpDoor) accept() error {
	var wg sync.WaitGroup
	defer wg.Wait()
	for {
		c, err := d.listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return err
		}
		if err != nil {
			d.s.log.Warn("connection not taken", "door", d.kind.String(), "error", err)
			time.Sleep(50 * time.Millisecond) // out of descriptors, most likely
			continue
		}
		from := c.RemoteAddr().(*net.TCPAddr).AddrPort()
		if !d.add(c, from.Addr()) {
			d.s.counts.streamsRefused.Add(1)
			c.Close()
			continue
		}
		wg.Go(func() {
			d.serve(c, msg.Peer{Door: d.kind, Addr: from, Conn: d.s.number()})
			d.remove(c)
		})
	}
}

// serve is one connection.
func (d *tcpDoor) serve(c net.Conn, p msg.Peer) {
	defer c.Close()
	if d.config != nil {
		sec := tls.Server(c, d.config)
		ctx, cancel := context.WithTimeout(context.Background(), handshakeTime)
		defer cancel()
		err := sec.HandshakeContext(ctx)
		if err == nil {
			p.Proved, err = tlsCredential(d.s.Access(), sec.ConnectionState())
		}
		if err != nil {
			d.s.handshakeFailed(d.kind, p.Addr, err)
			return
		}
		d.s.counts.tlsSessions.Add(1)
		if p.Proved != nil {
			d.proved(c)
		}
		c = sec
	}
	d.s.ServeStream(&idleConn{Conn: c}, p)
}

// add takes a connection in. Where there are too many without an identity, the oldest one of
// the network that has most of them gives way; those with one never do.
func (d *tcpDoor) add(c net.Conn, host netip.Addr) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	from := msg.Network(host)
	switch {
	case d.ended:
		return false
	case d.crowd.by[from] >= maxStreamsIP:
		d.evictLocked(func(x *streamConn) bool { return x.net == from })
	case d.anon >= anonStreams || len(d.conns) >= MaxStreams:
		d.evictLocked(func(x *streamConn) bool { return d.crowd.crowded(x.net) })
	}
	if len(d.conns) >= MaxStreams {
		return false
	}
	d.conns[c] = &streamConn{net: from, since: d.s.now()}
	d.anon++
	d.crowd.add(from, 1)
	return true
}

// evictLocked closes the oldest connection without an identity of those that may go.
func (d *tcpDoor) evictLocked(may func(*streamConn) bool) {
	var old net.Conn
	for c, x := range d.conns {
		if !x.known && may(x) && (old == nil || x.since.Before(d.conns[old].since)) {
			old = c
		}
	}
	if old != nil {
		d.s.counts.streamsRefused.Add(1)
		d.removeLocked(old)
		old.Close()
	}
}

// proved notes that the client of a connection proved an identity.
func (d *tcpDoor) proved(c net.Conn) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if x := d.conns[c]; x != nil && !x.known {
		x.known = true
		d.anon--
		d.crowd.add(x.net, -1)
	}
}

func (d *tcpDoor) remove(c net.Conn) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.removeLocked(c)
}

func (d *tcpDoor) removeLocked(c net.Conn) {
	x := d.conns[c]
	if x == nil {
		return
	}
	delete(d.conns, c)
	if !x.known {
		d.anon--
		d.crowd.add(x.net, -1)
	}
}

// close ends the door and every connection through it.
func (d *tcpDoor) close() {
	d.listener.Close()
	d.mu.Lock()
	defer d.mu.Unlock()
	d.ended = true
	for c := range d.conns {
		c.Close()
	}
}

// idleConn is a connection whose reads end with an error if nothing comes for
// streamIdle, where no nearer deadline is set.
type idleConn struct {
	net.Conn
	near bool // set and read by the one who reads
}

// SetReadDeadline sets a deadline of the reader's own; zero is back to streamIdle.
func (c *idleConn) SetReadDeadline(t time.Time) error {
	c.near = !t.IsZero()
	return c.Conn.SetReadDeadline(t)
}

// Read reads.
func (c *idleConn) Read(b []byte) (int, error) {
	if !c.near {
		if err := c.Conn.SetReadDeadline(time.Now().Add(streamIdle)); err != nil {
			return 0, err
		}
	}
	return c.Conn.Read(b)
}

// family is the network to listen in at an address: 0.0.0.0 is every IPv4 address of this
// host, which package net alone would take for every IPv6 address too; [::] is both.
func family(network string, at netip.AddrPort) string {
	if at.Addr().Is4() {
		return network + "4"
	}
	return network
}

// openSecureLocked opens the DTLS, TCP and TLS doors.
func (s *Doors) openSecureLocked() error {
	for _, a := range s.DTLS {
		c, err := s.listenUDP(msg.DoorDTLS, a)
		if err != nil {
			return fmt.Errorf("coap: dtls %v: %w", a, err)
		}
		d, err := newDTLSDoor(s, c)
		if err != nil {
			c.Close()
			return fmt.Errorf("coap: dtls %v: %w", a, err)
		}
		s.secure = append(s.secure, d)
	}
	if len(s.TLS) > 0 && s.Certificate == nil {
		return errors.New("coap: a tls door needs a certificate")
	}
	for kind, addrs := range map[msg.Door][]netip.AddrPort{msg.DoorTCP: s.TCP, msg.DoorTLS: s.TLS} {
		for _, a := range addrs {
			l, err := s.listenTCP(kind, a)
			if err != nil {
				return fmt.Errorf("coap: %v %v: %w", kind, a, err)
			}
			s.streams = append(s.streams, newNetDoor(s, kind, l))
		}
	}
	return nil
}

// Addrs returns where the doors of a kind listen, once Listen has opened them.
func (s *Doors) Addrs(kind msg.Door) []netip.AddrPort {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []netip.AddrPort
	switch kind {
	case msg.DoorUDP:
		for _, d := range s.udp {
			out = append(out, d.conn.LocalAddr().(*net.UDPAddr).AddrPort())
		}
	case msg.DoorDTLS:
		for _, d := range s.secure {
			out = append(out, d.conn.LocalAddr().(*net.UDPAddr).AddrPort())
		}
	default:
		for _, d := range s.streams {
			if d.kind == kind {
				out = append(out, d.listener.Addr().(*net.TCPAddr).AddrPort())
			}
		}
	}
	return out
}
