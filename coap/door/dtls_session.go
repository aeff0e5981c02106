package door

import (
	"container/list"
	"encoding/binary"
	"net"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	"github.com/pion/dtls/v3"

	"culvert/coap/msg"
)

// dtlsSession is one client of a DTLS door. To the DTLS library it is the
// net.PacketConn on which that client's datagrams come.
type dtlsSession struct {
	d      *dtlsDoor
	number uint64
	from   netip.AddrPort
	oob    []byte   // puts the source address of what is sent right
	random [32]byte // of the first ClientHello

	verified atomic.Bool // the client is where its datagrams say it is

	// Guarded by the door's lock.
	place *list.Element
	heard time.Time

	// Written before the session is open, and not after.
	secure *dtls.Conn
	peer   msg.Peer

	mu       sync.Mutex
	ready    chan struct{} // there is something to read; has room for one
	queue    [][]byte
	closed   bool
	done     chan struct{}
	deadline time.Time
	expired  chan struct{} // closed when the deadline for reading has passed or changes
	timer    *time.Timer
	in, out  int // octets, until the address is proved
	cookie   []byte
}

// maxSessionQueue is how many datagrams wait for the DTLS library.
const maxSessionQueue = 16

func newDTLSSession(d *dtlsDoor, number uint64, from netip.AddrPort, oob []byte) *dtlsSession {
	return &dtlsSession{
		d: d, number: number, from: from, oob: oob,
		ready: make(chan struct{}, 1), done: make(chan struct{}), expired: make(chan struct{}),
	}
}

// enqueue queues a datagram of the client; cookie is that of a ClientHello.
func (x *dtlsSession) enqueue(b, cookie []byte) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if !x.verified.Load() {
		x.in += len(b)
		if len(cookie) > 0 && string(cookie) == string(x.cookie) {
			x.verified.Store(true)
		}
	}
	if x.closed || len(x.queue) >= maxSessionQueue {
		return // lost, as on any network
	}
	x.queue = append(x.queue, append([]byte(nil), b...))
	select {
	case x.ready <- struct{}{}:
	default:
	}
}

// superseded reports whether b, which begins a handshake, is not the repetition of
// the hello that began this one: as long as that one's client has not proved its
// address, another may have been given it since, with a port that was used before.
func (x *dtlsSession) superseded(b []byte) bool {
	return !x.verified.Load() && string(x.random[:]) != string(b[randomAt:randomAt+32])
}

// ReadFrom waits for the client's next datagram.
func (x *dtlsSession) ReadFrom(b []byte) (int, net.Addr, error) {
	for {
		x.mu.Lock()
		switch {
		case len(x.queue) > 0:
			n := copy(b, x.queue[0])
			x.queue = x.queue[1:]
			x.mu.Unlock()
			return n, net.UDPAddrFromAddrPort(x.from), nil
		case x.closed:
			x.mu.Unlock()
			return 0, nil, net.ErrClosed
		case !x.deadline.IsZero() && !time.Now().Before(x.deadline):
			x.mu.Unlock()
			return 0, nil, timeoutError{}
		}
		expired := x.expired
		x.mu.Unlock()
		select {
		case <-x.ready:
		case <-x.done:
		case <-expired:
		}
	}
}

// WriteTo sends a datagram to the client: as long as its address is not proved, no
// more octets than came from there.
func (x *dtlsSession) WriteTo(b []byte, _ net.Addr) (int, error) {
	if !x.verified.Load() {
		x.mu.Lock()
		x.out += len(b)
		over := x.out > x.in
		if over {
			x.out -= len(b)
		}
		if c := CookieOf(b); c != nil {
			x.cookie = append([]byte(nil), c...)
		}
		x.mu.Unlock()
		if over {
			return len(b), nil
		}
	}
	n, _, err := x.d.conn.WriteMsgUDPAddrPort(b, x.oob, x.from)
	return n, err
}

// Close does nothing: the door closes its sessions.
func (x *dtlsSession) Close() error { return nil }

func (x *dtlsSession) close() {
	x.mu.Lock()
	defer x.mu.Unlock()
	if !x.closed {
		x.closed = true
		close(x.done)
		if x.timer != nil {
			x.timer.Stop()
		}
	}
}

// LocalAddr is the door's.
func (x *dtlsSession) LocalAddr() net.Addr { return x.d.conn.LocalAddr() }

// SetDeadline is SetReadDeadline: writing does not wait.
func (x *dtlsSession) SetDeadline(t time.Time) error { return x.SetReadDeadline(t) }

// SetWriteDeadline does nothing: writing does not wait.
func (x *dtlsSession) SetWriteDeadline(time.Time) error { return nil }

// SetReadDeadline has a waiting ReadFrom look at its deadline again.
func (x *dtlsSession) SetReadDeadline(t time.Time) error {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.deadline = t
	close(x.expired)
	x.expired = make(chan struct{})
	if x.timer != nil {
		x.timer.Stop()
		x.timer = nil
	}
	if !t.IsZero() && !x.closed {
		mine := x.expired
		x.timer = time.AfterFunc(time.Until(t), func() {
			x.mu.Lock()
			defer x.mu.Unlock()
			if x.expired == mine {
				close(x.expired)
				x.expired = make(chan struct{})
			}
		})
	}
	return nil
}

// timeoutError is a net.Error as of a deadline.
type timeoutError struct{}

func (timeoutError) Error() string   { return "i/o timeout" }
func (timeoutError) Timeout() bool   { return true }
func (timeoutError) Temporary() bool { return true }

// Parts of a DTLS 1.2 record and handshake message (RFC 6347, sections 4.1, 4.2.1
// and 4.2.2).
const (
	recordHeader    = 13
	handshakeHeader = 12
	typeHandshake   = 22
	typeClientHello = 1
	typeVerify      = 3
	randomAt        = recordHeader + handshakeHeader + 2
)

// parseHello returns message_seq and cookie of an unencrypted ClientHello. It only keeps
// other datagrams from the DTLS library, which parses the message in full.
func parseHello(b []byte) (seq uint16, cookie []byte, ok bool) {
	body, seq, ok := parseHandshake(b, typeClientHello)
	if !ok || len(body) < 2+32+1 {
		return 0, nil, false
	}
	p := 2 + 32 // version, random
	p += 1 + int(body[p])
	if p >= len(body) {
		return 0, nil, false
	}
	n := int(body[p])
	p++
	if p+n > len(body) {
		return 0, nil, false
	}
	return seq, body[p : p+n], true
}

// CookieOf returns the cookie in a HelloVerifyRequest, nil where it is none.
func CookieOf(b []byte) []byte {
	body, _, ok := parseHandshake(b, typeVerify)
	if !ok || len(body) < 3 || len(body) < 3+int(body[2]) {
		return nil
	}
	return body[3 : 3+int(body[2])]
}

// parseHandshake returns the body of the unencrypted handshake message with which a
// datagram begins, as far as it is there.
func parseHandshake(b []byte, kind byte) (body []byte, seq uint16, ok bool) {
	if len(b) < recordHeader+handshakeHeader || b[0] != typeHandshake || b[1] != 0xfe ||
		binary.BigEndian.Uint16(b[3:]) != 0 || b[recordHeader] != kind {
		return nil, 0, false
	}
	n := int(binary.BigEndian.Uint16(b[11:]))
	if recordHeader+n > len(b) || n < handshakeHeader {
		return nil, 0, false
	}
	h := b[recordHeader : recordHeader+n]
	if h[6]|h[7]|h[8] != 0 { // a later fragment
		return nil, 0, false
	}
	return h[handshakeHeader:], binary.BigEndian.Uint16(h[4:]), true
}
