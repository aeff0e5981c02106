package coap

import (
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	mrand "math/rand/v2"
	"net"
	"net/netip"
	"slices"
	"sync"
	"time"

	"culvert/coap/msg"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/udp/coder"
)

// Limits of the queues to nodes. They are our choice.
const (
	maxQueue      = 16       // requests queued for one node, with the one in progress
	maxQueued     = 8192     // requests queued for all nodes
	maxQueuedBody = 16 << 20 // octets of their bodies
)

// upstream is the client side towards the nodes: one UDP socket, and for each node
// that was asked a queue of which one request is under way (NSTART is 1: RFC 7252,
// section 4.7; to its nodes the front is one client, whoever asks).
type upstream struct {
	s *Server

	mu     sync.Mutex
	conn   *net.UDPConn
	closed bool
	peers  map[netip.AddrPort]*nodePeer
	busy   map[*nodePeer]struct{} // those with a request under way
	queued int
	octets int // of the bodies queued
}

// nodePeer is one node's CoAP server in the eyes of the front.
type nodePeer struct {
	addr    netip.AddrPort
	mid     uint16
	queue   []*exchange // the first one is under way
	idle    time.Time   // since when the queue is empty
	whole   bool        // the node does not know blocks: it said 4.02 to one
	lastCON uint16      // MID of the last separate answer, whose acknowledgement may be lost
	hadCON  bool
	watches map[[4]byte]*watch // observations of the node, by token
	trip    roundTrip
	via     *Transmission // how it is asked
}

// exchange is one request to a node, with all the messages that its body needs.
type exchange struct {
	code     codes.Code
	options  message.Options // without those of blocks
	body     []byte
	deadline time.Time
	reply    func(msg.Response)
	into     *fetch // what the cache waits for
	watch    *watch // the observation that it registers or, with leave, cancels
	leave    bool
	// barred marks a write to an output, and reports whether it must not be sent, or
	// not once more; nil for everything else.
	barred   func() bool
	notAfter time.Time // where barred is set: when it is sent no more, and is not to leave any queue
	// hold says until when a message from a port, with a Message ID, may leave for the
	// node; nil where nobody can be told.
	hold     func(port, id uint16, until time.Time) error
	heard    bool // the answer is the node's own, and not one of ours about it
	observed bool // the node took the registration

	// The message under way.
	token  [4]byte
	mid    uint16
	msg    []byte
	acked  bool      // the node will answer separately: no more retransmission
	sent   time.Time // first
	due    time.Time
	wait   time.Duration
	resent int
	back   int          // the latest transmission that came back, from 1 on
	why    msg.Response // as was said of it
	// Of those that came back one after the other: when the first one did, and how much
	// later the latest.
	backSince time.Time
	backFor   time.Duration

	upload   msg.Block // the block of the body that is under way
	blocks   bool      // the body goes in blocks
	download msg.Block // the block that is asked for
	ask      bool      // a Block2 option is sent
	got      msg.Response
	resume   bool // it begins with a later block than the first
	again    bool // the answer changed in the middle, and was begun anew once
	fell     bool // the node said 4.02, and is asked once more without blocks
}

func newUpstream(s *Server) *upstream {
	return &upstream{s: s, peers: map[netip.AddrPort]*nodePeer{}, busy: map[*nodePeer]struct{}{}}
}

func (u *upstream) open() error {
	c, err := net.ListenUDP("udp6", nil)
	if err != nil {
		return fmt.Errorf("coap: socket towards the nodes: %w", err)
	}
	if err := wantErrors(c); err != nil {
		c.Close()
		return fmt.Errorf("coap: socket towards the nodes: %w", err)
	}
	u.mu.Lock()
	u.conn, u.closed = c, false
	u.mu.Unlock()
	return nil
}

// close ends the socket and answers everything that is on its way.
func (u *upstream) close() {
	u.mu.Lock()
	if u.conn != nil {
		u.conn.Close()
	}
	u.closed = true
	var ended []*exchange
	for _, p := range u.peers {
		ended = append(ended, p.queue...)
		p.queue = nil
	}
	u.queued, u.octets = 0, 0
	clear(u.busy)
	u.mu.Unlock()
	for _, x := range ended {
		x.reply(msg.Errorf(codes.ServiceUnavailable, "the front is stopping"))
	}
}

const notSent = "the node was busy for too long; the request was not sent to it"

// submit queues x for the node at addr.
func (u *upstream) submit(addr netip.AddrPort, x *exchange) {
	u.mu.Lock()
	p := u.peers[addr]
	if p == nil {
		p = &nodePeer{addr: addr, mid: uint16(mrand.Uint32()), via: u.s.towardsAddr(addr.Addr())}
		u.peers[addr] = p
	}
	switch {
	case u.closed:
		u.mu.Unlock()
		x.reply(msg.Unavailable(5, "the front is stopping"))
		return
	case !u.enqueueLocked(p, x):
		full := len(p.queue)
		u.mu.Unlock()
		x.reply(msg.Unavailable(10, fmt.Sprintf("busy: %d requests wait for this node", full)))
		return
	}
	var ended []*exchange
	if len(p.queue) == 1 {
		ended = u.startLocked(p, time.Now())
	}
	u.mu.Unlock()
	answerAll(ended)
}

// enqueueLocked puts x into p's queue, if there is room.
func (u *upstream) enqueueLocked(p *nodePeer, x *exchange) bool {
	if u.closed || len(p.queue) >= maxQueue || u.queued >= maxQueued || u.octets+len(x.body) > maxQueuedBody {
		return false
	}
	p.queue = append(p.queue, x)
	u.countLocked(x, 1)
	return true
}

// answerAll calls back those whose end was found under the lock; got says what
// became of each.
func answerAll(ended []*exchange) {
	for _, x := range ended {
		x.reply(x.got)
	}
}

// startLocked begins the first request in p's queue; those that cannot even be
// sent are returned.
func (u *upstream) startLocked(p *nodePeer, now time.Time) (ended []*exchange) {
	for len(p.queue) > 0 {
		x := p.queue[0]
		if x.deadline.Sub(now) < p.via.AckTimeout || x.barred != nil && (!now.Before(x.notAfter) || x.barred()) {
			// It could not come back in time, and must not act when its client has
			// given up.
			x.got = msg.Unavailable(30, notSent)
			ended = append(ended, x)
			u.popLocked(p, now)
			continue
		}
		szx := p.via.szx()
		if _, secret := msg.Option(x.options, msg.OptOSCORE); secret {
			szx = msg.MaxSZX // RFC 8613: as it came, if it fits into a packet
		}
		x.blocks = len(x.body) > 16<<szx && !p.whole
		x.upload = msg.Block{SZX: szx}
		if !x.resume {
			x.download = msg.Block{SZX: szx}
			x.ask = x.ask && !p.whole
		}
		err := u.sendLocked(p, x, now)
		if err == nil {
			u.busy[p] = struct{}{}
			return ended
		}
		x.got = msg.Errorf(codes.InternalServerError, "towards the node: %v", err)
		ended = append(ended, x)
		u.popLocked(p, now)
	}
	return ended
}

// keepMeasured is for how long what was measured of a node is kept, ours.
const keepMeasured = time.Hour

// keep is for how long a node that is asked for nothing is remembered: for as long as
// a Message ID may not be used again (RFC 7252, section 4.4).
func (p *nodePeer) keep() time.Duration {
	life := p.via.exchangeLifetime(p.trip.first(p.via))
	if p.trip.wait > p.via.AckTimeout {
		return max(life, keepMeasured)
	}
	return life
}

// countLocked counts x in or out.
func (u *upstream) countLocked(x *exchange, by int) {
	u.queued += by
	u.octets += by * len(x.body)
}

func (u *upstream) popLocked(p *nodePeer, now time.Time) {
	u.countLocked(p.queue[0], -1)
	p.queue[0] = nil
	p.queue = p.queue[1:]
	if len(p.queue) == 0 {
		p.queue = nil
		p.idle = now
		delete(u.busy, p)
	}
}

// sendLocked sends the next message of x: a new Message ID, a new token that
// nobody can guess (RFC 7252, section 5.3.1).
func (u *upstream) sendLocked(p *nodePeer, x *exchange, now time.Time) error {
	p.mid++
	x.mid = p.mid
	if _, err := rand.Read(x.token[:]); err != nil {
		return err
	}
	opts := slices.Clone(x.options)
	if w := x.watch; w != nil && x.download.Num == 0 && x.upload.Num == 0 {
		x.token = w.token
		if x.leave {
			opts = msg.With(opts, message.Observe, msg.EncodeUint(1))
		} else {
			opts = msg.With(opts, message.Observe, nil)
			u.watchLocked(p, w)
		}
	}
	if x.into != nil && (x.download.Num > 0 || x.again) {
		opts = msg.Without(opts, message.ETag) // it asks about the whole, and has its answer
	}
	payload := x.body
	if x.blocks {
		from := x.upload.Offset()
		to := min(from+x.upload.Size(), len(x.body))
		x.upload.More = to < len(x.body)
		payload = x.body[from:to]
		opts = msg.With(opts, message.Block1, x.upload.Encode())
		if x.upload.Num == 0 {
			opts = msg.With(opts, message.Size1, msg.EncodeUint(uint32(len(x.body))))
		}
	}
	if x.ask && !x.upload.More {
		opts = msg.With(opts, message.Block2, x.download.Encode())
		if x.download.Num > 0 && x.code != codes.FETCH {
			payload = nil // RFC 7959, section 3.3: the body is there already
			opts = msg.Without(opts, message.Block1, message.Size1)
		}
	}
	m := message.Message{
		Type: message.Confirmable, Code: x.code, MessageID: int32(x.mid),
		Token: x.token[:], Options: opts, Payload: payload,
	}
	buf := make([]byte, 64+len(payload)+msg.OptionsSize(opts))
	n, err := coder.DefaultCoder.Encode(m, buf)
	if err != nil {
		return err
	}
	if err := u.holdLocked(x); err != nil {
		return err
	}
	x.msg = buf[:n]
	x.acked, x.resent, x.back, x.backFor = false, 0, 0, 0
	// RFC 7252, section 4.2: the random factor once, then doubling.
	x.wait = time.Duration(float64(p.trip.first(p.via)) * (1 + mrand.Float64()*(p.via.AckRandomFactor-1)))
	x.sent, x.due = now, now.Add(x.wait)
	return u.transmitLocked(p, x, now)
}

// transmitLocked sends the message under way. That a path is gone just now is no error
// of the exchange: retransmission or its deadline settles it.
func (u *upstream) transmitLocked(p *nodePeer, x *exchange, now time.Time) error {
	u.s.counts.nodeAsked.Add(1)
	err := u.writeLocked(x.msg, p.addr)
	if err == nil || errors.Is(err, net.ErrClosed) {
		return err
	}
	u.s.log.Debug("message to a node not sent", "to", p.addr.Addr().String(), "error", err)
	x.cameBack(msg.Errorf(codes.GatewayTimeout, "the gateway has no way to the node: %v", err), now)
	return nil
}

// tick retransmits what is due and ends what is over.
func (u *upstream) tick(now time.Time) {
	u.mu.Lock()
	u.errorsLocked(now)
	var ended []*exchange
	for p := range u.busy {
		ended = append(ended, u.tickLocked(p, now)...)
	}
	u.mu.Unlock()
	answerAll(ended)
}

// expire forgets nodes that were not asked for long.
func (u *upstream) expire(now time.Time) {
	u.mu.Lock()
	defer u.mu.Unlock()
	for addr, p := range u.peers {
		if len(p.queue) == 0 && len(p.watches) == 0 && now.Sub(p.idle) > p.keep() {
			delete(u.peers, addr)
		}
	}
}

func (u *upstream) tickLocked(p *nodePeer, now time.Time) (ended []*exchange) {
	// Those that wait too long in the queue never reached the node.
	for i := len(p.queue) - 1; i > 0; i-- {
		if x := p.queue[i]; now.After(x.deadline) {
			x.got = msg.Unavailable(30, notSent)
			ended = append(ended, x)
			p.queue = slices.Delete(p.queue, i, i+1)
			u.countLocked(x, -1)
		}
	}
	x := p.queue[0]
	switch {
	case x.lost():
		u.s.counts.nodeTimeout.Add(1)
		return append(ended, u.endLocked(p, x, x.why, now)...)
	case now.After(x.deadline), !x.acked && now.After(x.due) && x.resent >= p.via.retransmit():
		u.s.counts.nodeTimeout.Add(1)
		if !x.acked {
			p.trip.silent()
		}
		r := msg.Errorf(codes.GatewayTimeout, "the node did not answer")
		if !x.acked && x.back == x.resent+1 {
			r = x.why
		}
		return append(ended, u.endLocked(p, x, r, now)...)
	case !x.acked && now.After(x.due) && x.barred != nil && (!now.Before(x.notAfter) || x.barred()):
		// What acts must not act late, nor against a lock-out: it is not sent again.
	case !x.acked && now.After(x.due):
		x.resent++
		x.wait *= 2
		x.due = now.Add(x.wait)
		u.s.counts.nodeResent.Add(1)
		if u.transmitLocked(p, x, now) != nil {
			return ended // the socket is closed, and close answers all
		}
	}
	return ended
}

// endLocked takes x, the first of p's queue, out with its answer, and starts the
// next one.
func (u *upstream) endLocked(p *nodePeer, x *exchange, r msg.Response, now time.Time) []*exchange {
	x.got = r
	u.popLocked(p, now)
	return append([]*exchange{x}, u.startLocked(p, now)...)
}

// read takes what nodes send until the socket is closed.
func (u *upstream) read() error {
	u.mu.Lock()
	conn := u.conn
	u.mu.Unlock()
	buf := make([]byte, 1<<16)
	for {
		n, from, err := conn.ReadFromUDPAddrPort(buf)
		if errors.Is(err, net.ErrClosed) {
			return err
		}
		if err != nil {
			continue // what ICMP says of an earlier datagram: tick asks what exactly
		}
		u.receive(buf[:n], from)
	}
}

// receive takes one datagram (RFC 7252, sections 4.2, 5.2 and 5.3.2).
func (u *upstream) receive(b []byte, from netip.AddrPort) {
	if len(b) < 4 || b[0]>>6 != 1 {
		return
	}
	kind := message.Type(b[0] >> 4 & 3)
	mid := binary.BigEndian.Uint16(b[2:])
	m := message.Message{Options: make(message.Options, 0, msg.MaxOptions)}
	_, err := coder.DefaultCoder.Decode(b, &m)
	class := m.Code >> 5
	bad := err != nil || m.Code == codes.Empty && len(b) > 4 || m.Code != codes.Empty && class != 2 && class != 4 && class != 5

	u.mu.Lock()
	now := time.Now()
	p := u.peers[from]
	var x *exchange
	if p != nil && len(p.queue) > 0 {
		x = p.queue[0]
	}
	var ended []*exchange
	var deliver func()
	w := p.watchOf(m.Token)
	switch matched := x != nil && mid == x.mid; {
	case kind == message.Reset && matched:
		ended = u.endLocked(p, x, msg.Errorf(codes.BadGateway, "the node rejected the request"), now)
	case kind == message.Acknowledgement && matched && bad,
		kind == message.Acknowledgement && matched && m.Code != codes.Empty && !sameToken(m.Token, x):
		ended = u.endLocked(p, x, msg.Errorf(codes.BadGateway, "the node's answer could not be read"), now)
	case kind == message.Acknowledgement && matched && m.Code == codes.Empty:
		p.measure(x, true, now)
		x.acked = true // RFC 7252, section 5.2.2: the answer comes by itself
	case kind == message.Acknowledgement && !matched, kind == message.Reset, kind == message.NonConfirmable && bad:
		// Late, or of nothing that we asked.
	case !bad && w != nil && (x == nil || !sameToken(m.Token, x)):
		if kind == message.Confirmable {
			u.acknowledgeLocked(p, mid)
		}
		deliver, ended = u.notificationLocked(p, w, &m, now)
	case !bad && kind == message.NonConfirmable && p != nil && msg.Uint(m.Options, message.Observe) >= 0 && (x == nil || !sameToken(m.Token, x)):
		// RFC 7641, section 3.6: of an observation that is none any more.
		u.rejectLocked(p, from, mid)
	case bad, x == nil || !sameToken(m.Token, x):
		if kind == message.Confirmable {
			u.rejectLocked(p, from, mid)
		}
	default:
		if kind == message.Confirmable {
			u.acknowledgeLocked(p, mid)
		}
		p.measure(x, kind == message.Acknowledgement, now)
		ended = u.answeredLocked(p, x, &m, now)
	}
	u.mu.Unlock()
	answerAll(ended)
	if deliver != nil {
		deliver()
	}
}

func sameToken(t message.Token, x *exchange) bool {
	return len(t) == len(x.token) && [4]byte(t) == x.token
}

// rejectLocked answers a confirmable message that fits nothing with a reset; the
// repetition of the last separate answer is acknowledged once more.
func (u *upstream) rejectLocked(p *nodePeer, from netip.AddrPort, mid uint16) {
	kind := message.Reset
	if p != nil && p.hadCON && p.lastCON == mid {
		kind = message.Acknowledgement
	}
	_ = u.writeLocked(msg.EmptyMessage(kind, mid), from) // lost is lost: it comes again
}

func (u *upstream) acknowledgeLocked(p *nodePeer, mid uint16) {
	p.lastCON, p.hadCON = mid, true
	_ = u.writeLocked(msg.EmptyMessage(message.Acknowledgement, mid), p.addr)
}
