package door

import (
	"container/list"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/binary"
	"errors"
	"net"
	"net/netip"
	"slices"
	"sync"
	"time"

	"github.com/pion/dtls/v3"
	"github.com/pion/logging"
	"github.com/plgd-dev/go-coap/v3/message"

	"culvert/coap/access"
	"culvert/coap/msg"
)

// Limits of a DTLS door. They are our choice.
const (
	maxHandshakes = 1024 // handshakes in progress
	maxSessions   = 2048
	anonSessions  = 1536 // among them, of clients without an identity
	handshakeTime = 5 * time.Second
	sessionIdle   = 15 * time.Minute // without a message from the client
)

// dtlsDoor is one UDP socket with DTLS 1.2 sessions on it (RFC 7252, section 9; RFC
// 6347). A datagram from an unknown address is dropped unless it begins a handshake.
// maxHandshakes bounds the cost: handshakes whose client has not verified its address by
// the cookie (RFC 6347, section 4.2.1) are evicted first, of them the oldest one of the
// network that has most handshakes. Sessions of clients without an identity leave room for
// the others, and give way to them. The sessions use the message layer of a UDP door.
type dtlsDoor struct {
	s       *Doors
	conn    *net.UDPConn
	v6      bool
	door    *UDP
	options []dtls.ServerOption
	wg      sync.WaitGroup // the sessions

	mu           sync.Mutex
	ended        bool
	byNumber     map[uint64]*dtlsSession         // all of them
	pending      map[netip.AddrPort]*dtlsSession // by the client's address
	open         map[netip.AddrPort]*dtlsSession
	pendingOrder list.List // of pending, oldest first
	openOrder    list.List // of open, longest unused first
	crowd        crowd     // of pending
	anonymous    crowd     // of open, without an identity
	anonCount    int
}

func newDTLSDoor(s *Doors, c *net.UDPConn) (*dtlsDoor, error) {
	inner, err := newUDPDoor(s, c)
	if err != nil {
		return nil, err
	}
	d := &dtlsDoor{
		s: s, conn: c, v6: inner.v6, door: inner, byNumber: map[uint64]*dtlsSession{},
		pending: map[netip.AddrPort]*dtlsSession{}, open: map[netip.AddrPort]*dtlsSession{}, crowd: newCrowd(), anonymous: newCrowd(),
	}
	inner.kind, inner.secure = msg.DoorDTLS, d
	d.options, err = dtlsOptions(s.Options)
	return d, err
}

// cipherSuites are those of RFC 7252, section 9.1.3, and of RFC 7925, section 4, and
// with GCM for clients that have no CCM.
var cipherSuites = [...]dtls.CipherSuiteID{
	dtls.TLS_ECDHE_ECDSA_WITH_AES_128_CCM_8, dtls.TLS_ECDHE_ECDSA_WITH_AES_128_CCM,
	dtls.TLS_ECDHE_ECDSA_WITH_AES_128_GCM_SHA256, dtls.TLS_ECDHE_RSA_WITH_AES_128_GCM_SHA256,
	dtls.TLS_PSK_WITH_AES_128_CCM_8, dtls.TLS_PSK_WITH_AES_128_CCM, dtls.TLS_PSK_WITH_AES_128_GCM_SHA256,
}

// silentLogger has the library log nothing: what matters it returns.
func silentLogger() logging.LoggerFactory {
	return &logging.DefaultLoggerFactory{DefaultLogLevel: logging.LogLevelDisabled}
}

func dtlsOptions(o Options) ([]dtls.ServerOption, error) {
	out := []dtls.ServerOption{
		dtls.WithCipherSuites(cipherSuites[:]...), dtls.WithLoggerFactory(silentLogger()),
		dtls.WithExtendedMasterSecret(dtls.RequestExtendedMasterSecret),
	}
	if o.Access() != nil { // a reload may bring the first key
		out = append(out, dtls.WithPSK(func(name []byte) ([]byte, error) {
			if key := o.Access().PSK(name); key != nil {
				return key, nil
			}
			return nil, access.ErrStranger
		}))
	}
	if o.Certificate != nil {
		out = append(out, dtls.WithCertificates(*o.Certificate))
		if o.ClientCAs != nil {
			out = append(out, dtls.WithClientAuth(dtls.VerifyClientCertIfGiven), dtls.WithClientCAs(o.ClientCAs))
		}
	} else if o.Access() == nil || !o.Access().HasKeys() {
		return nil, errors.New("neither a certificate nor an identity with a key")
	}
	return out, nil
}

// tlsCredential returns what the client of a TLS connection proved; nil if nothing.
func tlsCredential(a *access.List, st tls.ConnectionState) (*msg.Credential, error) {
	if len(st.PeerCertificates) == 0 {
		return nil, nil
	}
	return a.ByCertificate(st.PeerCertificates[0])
}

// dtlsCredential returns what the client of a DTLS session proved; nil if nothing.
func dtlsCredential(a *access.List, c *dtls.Conn) (*msg.Credential, error) {
	st, ok := c.ConnectionState()
	switch {
	case !ok:
		return nil, errors.New("the session's state cannot be read")
	case len(st.PeerCertificates) > 0:
		cert, err := x509.ParseCertificate(st.PeerCertificates[0])
		if err != nil {
			return nil, err
		}
		return a.ByCertificate(cert)
	case len(st.IdentityHint) == 0:
		return nil, nil
	}
	return a.ByPSKIdentity(st.IdentityHint)
}

// read sorts datagrams by session until the socket is closed, and returns when all
// sessions have ended.
func (d *dtlsDoor) read() error {
	defer d.wg.Wait()
	defer d.end()
	buf := make([]byte, 1<<14)
	oob := make([]byte, oobRoom)
	for {
		n, nOOB, flags, from, err := d.conn.ReadMsgUDPAddrPort(buf, oob)
		if errors.Is(err, net.ErrClosed) {
			return err
		}
		if err != nil {
			continue
		}
		if local, reply := LocalOf(oob[:nOOB], d.v6); !local.IsMulticast() && !truncated(flags) {
			d.datagram(buf[:n], reply, from)
		}
	}
}

// datagram gives a datagram to its session, or to a new one.
func (d *dtlsDoor) datagram(b, oob []byte, from netip.AddrPort) {
	hello, cookie, ok := parseHello(b)
	begins := ok && hello == 0 && len(cookie) == 0
	d.mu.Lock()
	defer d.mu.Unlock()
	x := d.pending[from]
	if current := d.open[from]; current != nil && x != nil && !ok && !d.ended {
		// Whoever forges a ClientHello must not take the datagrams of an open session (section
		// 4.2.8). Each session passes over what was not protected by its own keys.
		current.enqueue(b, nil)
		if !x.verified.Load() {
			return
		}
	}
	switch {
	case d.ended:
		return
	case x != nil && !(begins && x.superseded(b)):
		// Also a client that has a session and makes another one (section 4.2.8).
	case begins:
		if x != nil {
			d.forgetLocked(x)
			x.close()
		}
		x = d.startLocked(from, oob)
		copy(x.random[:], b[randomAt:])
	default:
		x = d.open[from]
	}
	if x == nil {
		d.s.counts.dtlsStray.Add(1)
		return
	}
	x.enqueue(b, cookie)
}

// startLocked makes room for a new session, and begins it.
func (d *dtlsDoor) startLocked(from netip.AddrPort, oob []byte) *dtlsSession {
	if d.pendingOrder.Len() >= maxHandshakes {
		d.evictLocked()
	}
	x := newDTLSSession(d, d.s.number(), from, slices.Clone(oob))
	d.byNumber[x.number] = x
	d.pending[from] = x
	x.place = d.pendingOrder.PushBack(x)
	d.crowd.add(msg.Network(from.Addr()), 1)
	d.wg.Go(func() { x.run() })
	return x
}

// evictLocked ends the oldest handshake of a client that has not proved its address, of the
// most crowded network that has such; if all have, the oldest of those.
func (d *dtlsDoor) evictLocked() {
	victim := d.pendingOrder.Front()
	for e := victim; e != nil; e = e.Next() {
		y := e.Value.(*dtlsSession)
		switch {
		case y.verified.Load():
			continue
		case victim.Value.(*dtlsSession).verified.Load():
			victim = e // until a better one is found
		}
		if d.crowd.crowded(msg.Network(y.from.Addr())) {
			victim = e
			break
		}
	}
	x := victim.Value.(*dtlsSession)
	d.forgetLocked(x)
	x.close()
	d.s.counts.dtlsEvicted.Add(1)
}

// opened makes a pending session an open one. It reports false where it was evicted.
func (d *dtlsDoor) opened(x *dtlsSession) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.ended || d.pending[x.from] != x {
		return false
	}
	d.pendingOrder.Remove(x.place)
	delete(d.pending, x.from)
	d.crowd.add(msg.Network(x.from.Addr()), -1)
	if old := d.open[x.from]; old != nil {
		d.forgetLocked(old)
		old.close()
	}
	if x.peer.Anonymous() && d.anonCount >= anonSessions || d.openOrder.Len() >= maxSessions {
		old := d.givesWayLocked()
		d.forgetLocked(old)
		old.close()
	}
	if x.peer.Anonymous() {
		d.anonCount++
		d.anonymous.add(msg.Network(x.from.Addr()), 1)
	}
	d.open[x.from] = x
	x.place = d.openOrder.PushBack(x)
	x.heard = d.s.now()
	return true
}

// givesWayLocked is the session that gives way to a new one: of those without an identity, of the
// network that has most of them, the one that was not used for longest; else of all.
func (d *dtlsDoor) givesWayLocked() *dtlsSession {
	for e := d.openOrder.Front(); e != nil; e = e.Next() {
		if x := e.Value.(*dtlsSession); x.peer.Anonymous() && d.anonymous.crowded(msg.Network(x.from.Addr())) {
			return x
		}
	}
	return d.openOrder.Front().Value.(*dtlsSession)
}

// touch notes that something came through an open session.
func (d *dtlsDoor) touch(x *dtlsSession) {
	d.mu.Lock()
	if d.open[x.from] == x {
		x.heard = d.s.now()
		d.openOrder.MoveToBack(x.place)
	}
	d.mu.Unlock()
}

func (d *dtlsDoor) forgetLocked(x *dtlsSession) {
	delete(d.byNumber, x.number)
	switch {
	case d.pending[x.from] == x:
		delete(d.pending, x.from)
		d.pendingOrder.Remove(x.place)
		d.crowd.add(msg.Network(x.from.Addr()), -1)
	case d.open[x.from] == x:
		delete(d.open, x.from)
		d.openOrder.Remove(x.place)
		if x.peer.Anonymous() {
			d.anonCount--
			d.anonymous.add(msg.Network(x.from.Addr()), -1)
		}
	}
}

func (d *dtlsDoor) forget(x *dtlsSession) {
	d.mu.Lock()
	d.forgetLocked(x)
	d.mu.Unlock()
}

// tick closes idle sessions, and retransmits what is due.
func (d *dtlsDoor) tick(now time.Time) {
	d.door.Tick(now)
	d.mu.Lock()
	defer d.mu.Unlock()
	for e := d.openOrder.Front(); e != nil; e = d.openOrder.Front() {
		x := e.Value.(*dtlsSession)
		if now.Sub(x.heard) < sessionIdle {
			return
		}
		d.forgetLocked(x)
		x.close()
	}
}

// end closes every session, and the socket.
func (d *dtlsDoor) end() {
	d.mu.Lock()
	d.ended = true
	for _, x := range d.byNumber {
		x.close()
	}
	d.mu.Unlock()
	d.wg.Wait() // each session tells its client that it ends (RFC 5246, section 7.2.1), which takes the socket
	d.conn.Close()
}

// peer is the client of a session; tag is the number of the session, in the place of the
// control message that a plain UDP door keeps for its response.
func (d *dtlsDoor) peer(tag []byte) msg.Peer {
	d.mu.Lock()
	defer d.mu.Unlock()
	if x := d.byNumber[binary.BigEndian.Uint64(tag)]; x != nil {
		return x.peer
	}
	return msg.Peer{Door: msg.DoorDTLS}
}

// write sends a message through the session that tag names, if it is still there.
func (d *dtlsDoor) write(b, tag []byte) {
	d.mu.Lock()
	x := d.byNumber[binary.BigEndian.Uint64(tag)]
	d.mu.Unlock()
	if x == nil {
		return
	}
	if _, err := x.secure.Write(b); err != nil {
		d.s.log.Debug("answer not sent", "door", "dtls", "to", x.from.String(), "error", err)
	}
}

// sessionAddr makes an address of a session's number, for the keys of its messages: a Message
// ID counts within its session (RFC 7252, section 9.1.1).
func sessionAddr(number uint64) netip.Addr {
	var a [16]byte
	binary.BigEndian.PutUint64(a[8:], number)
	return netip.AddrFrom16(a)
}

// run is one session, from its handshake to its end.
func (x *dtlsSession) run() {
	d := x.d
	defer d.forget(x)
	defer x.close()
	c, err := dtls.ServerWithOptions(x, net.UDPAddrFromAddrPort(x.from), d.options...)
	if err != nil { // a defect: the options were good for New
		d.s.log.Error("DTLS session not begun", "error", err)
		return
	}
	defer c.Close()
	ctx, cancel := context.WithTimeout(context.Background(), handshakeTime)
	defer cancel()
	var who *msg.Credential
	if err = c.HandshakeContext(ctx); err == nil {
		who, err = dtlsCredential(d.s.Access(), c)
	}
	if err != nil {
		d.failed(x, err)
		return
	}
	x.secure = c
	x.peer = msg.Peer{Door: msg.DoorDTLS, Addr: x.from, Local: sessionAddr(x.number), Conn: x.number, Proved: who}
	if !d.opened(x) {
		return
	}
	d.s.counts.sessions.Add(1)
	tag := binary.BigEndian.AppendUint64(nil, x.number)
	buf := make([]byte, MaxDatagram)
	opts := make(message.Options, 0, msg.MaxOptions)
	for {
		n, err := c.Read(buf)
		if err != nil {
			break
		}
		d.touch(x)
		if call := d.door.Receive(buf[:n], opts[:0], x.from, x.peer.Local, tag); call != nil {
			d.s.handler.Serve(&call.req, call.reply)
		}
	}
	d.s.observers.EndWhere(func(p msg.Peer) bool { return p == x.peer })
}

// failed counts a handshake that came to nothing, and logs those of clients that
// are really there, now and then.
func (d *dtlsDoor) failed(x *dtlsSession, err error) {
	if !x.verified.Load() {
		d.s.counts.dtlsAbandoned.Add(1)
		return
	}
	d.s.handshakeFailed(msg.DoorDTLS, x.from, err)
}

func (s *Doors) handshakeFailed(door msg.Door, from netip.AddrPort, err error) {
	s.counts.handshakesFailed[door].Add(1)
	if more, ok := s.handshakes.Allow(s.now()); ok {
		s.log.Warn("handshake failed", "door", door.String(), "from", from.String(), "error", err, "not_logged_before", more)
	}
}

// handshakes returns how many are in progress.
func (d *dtlsDoor) handshakes() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.pendingOrder.Len()
}
