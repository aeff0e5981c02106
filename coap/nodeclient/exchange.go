package nodeclient

import (
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	mrand "math/rand/v2"
	"net"
	"net/netip"
	"slices"
	"sync"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/udp/coder"

	"culvert/coap/msg"
)

// Limits of the queues to nodes. They are our choice.
const (
	MaxQueue      = 16       // requests queued for one node, with the one in progress
	MaxAnonymous  = 4        // among them, of clients without an identity
	maxQueued     = 8192     // requests queued for all nodes
	maxQueuedBody = 16 << 20 // octets of their bodies
)

// queues are the requests to nodes: one UDP socket, and for each node a queue with one
// exchange in progress (NSTART is 1: RFC 7252, section 4.7; to its nodes the front is one
// client, whatever clients it has). Only urgent exchanges do not count: a machine that must
// stop does not wait for a read.
type queues struct {
	log     *slog.Logger
	now     func() time.Time
	towards func(netip.Addr) *Transmission
	counts  *counts
	cache   *cache // takes notifications

	mu     sync.Mutex
	conn   *net.UDPConn
	closed bool
	peers  map[netip.AddrPort]*peer
	busy   map[*peer]struct{} // those with an exchange in progress
	queued int
	octets int // of the bodies queued
}

// peer is one node's CoAP server.
type peer struct {
	addr         netip.AddrPort
	mid          uint16
	queue        []*Exchange // the first one is in progress
	urgent       []*Exchange // all in progress: at most a write or a read for each output
	idle         time.Time   // since when the queue is empty
	noBlocks     bool        // the node does not know blocks: it said 4.02 to one
	lastCON      uint16      // MID of the last separate answer, whose acknowledgement may be lost
	hadCON       bool
	observations map[[4]byte]*observation // observations of the node, by token
	trip         roundTrip
	transmission *Transmission // how it is asked
}

func newQueues(log *slog.Logger, now func() time.Time, towards func(netip.Addr) *Transmission, counts *counts, cache *cache) *queues {
	return &queues{log: log, now: now, towards: towards, counts: counts, cache: cache, peers: map[netip.AddrPort]*peer{}, busy: map[*peer]struct{}{}}
}

func (u *queues) open() error {
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
func (u *queues) close() {
	u.mu.Lock()
	if u.conn != nil {
		u.conn.Close()
	}
	u.closed = true
	var ended []*Exchange
	for _, p := range u.peers {
		ended = append(append(ended, p.queue...), p.urgent...)
		p.queue, p.urgent = nil, nil
	}
	u.queued, u.octets = 0, 0
	clear(u.busy)
	u.mu.Unlock()
	for _, x := range ended {
		x.Reply(msg.Errorf(codes.ServiceUnavailable, "the front is stopping"))
	}
}

const notSent = "the node was busy for too long; the request was not sent to it"

// submit queues x for the node at addr.
func (u *queues) submit(addr netip.AddrPort, x *Exchange) {
	u.mu.Lock()
	p := u.peers[addr]
	if p == nil {
		p = &peer{addr: addr, mid: uint16(mrand.Uint32()), transmission: u.towards(addr.Addr())}
		u.peers[addr] = p
	}
	x.peer = p
	switch {
	case u.closed:
		u.mu.Unlock()
		x.Reply(msg.Unavailable(5, "the front is stopping"))
		return
	case x.Urgent:
		u.submitUrgentLocked(p, x, u.now())
		u.mu.Unlock()
		return
	case !u.enqueueLocked(p, x):
		full := len(p.queue)
		u.mu.Unlock()
		x.Reply(msg.Unavailable(10, fmt.Sprintf("busy: %d requests wait for this node", full)))
		return
	}
	var ended []*Exchange
	if len(p.queue) == 1 {
		ended = u.startLocked(p, u.now())
	}
	u.mu.Unlock()
	answerAll(ended)
}

// enqueueLocked puts x into p's queue, if there is room. One that concerns an output is
// bounded by the number of outputs, and goes behind the others of its kind.
func (u *queues) enqueueLocked(p *peer, x *Exchange) bool {
	full := len(p.queue) >= MaxQueue || u.queued >= maxQueued || u.octets+len(x.Body) > maxQueuedBody ||
		x.Anonymous && p.anonymous() >= MaxAnonymous
	if u.closed || full && !x.Output {
		return false
	}
	at := len(p.queue)
	for x.Output && at > 1 && !p.queue[at-1].Output {
		at--
	}
	p.queue = slices.Insert(p.queue, at, x)
	u.countLocked(x, 1)
	return true
}

// anonymous counts the exchanges in p's queue of clients without an identity.
func (p *peer) anonymous() (n int) {
	for _, x := range p.queue {
		if x.Anonymous {
			n++
		}
	}
	return n
}

// answerAll calls back those whose end was found under the lock; got says what
// became of each.
func answerAll(ended []*Exchange) {
	for _, x := range ended {
		x.Reply(x.response)
	}
}

// startLocked begins the first request in p's queue; those that cannot even be
// sent are returned.
func (u *queues) startLocked(p *peer, now time.Time) (ended []*Exchange) {
	for len(p.queue) > 0 {
		x := p.queue[0]
		if x.Deadline.Sub(now) < p.transmission.AckTimeout || x.Barred != nil && (!now.Before(x.SendDeadline) || x.Barred()) {
			// It could not come back in time, and must not act when its client has
			// given up.
			x.response = msg.Unavailable(30, notSent)
			ended = append(ended, x)
			u.popLocked(p, now)
			continue
		}
		p.chooseBlocks(x)
		err := u.sendLocked(p, x, now)
		if err == nil {
			u.busy[p] = struct{}{}
			return ended
		}
		x.response = msg.Errorf(codes.InternalServerError, "towards the node: %v", err)
		ended = append(ended, x)
		u.popLocked(p, now)
	}
	return ended
}

// chooseBlocks says how x's body goes to the node, and how its response comes.
func (p *peer) chooseBlocks(x *Exchange) {
	szx := p.transmission.szx()
	if _, secret := msg.Option(x.Options, msg.OptOSCORE); secret {
		szx = msg.MaxSZX // RFC 8613: as it came, if it fits into a packet
	}
	x.mode = bodyWhole
	switch {
	case !p.noBlocks && len(x.Body) > 16<<szx:
		x.mode = bodyInBlocks
	case p.noBlocks && x.progress != fromLaterBlock:
		x.mode = withoutBlocks
	}
	x.upload = msg.Block{SZX: szx}
	if x.progress != fromLaterBlock {
		x.download = msg.Block{SZX: szx}
	}
}

// keepMeasured is how long the measured round trip of a node is kept. It is our choice.
const keepMeasured = time.Hour

// keep is for how long a node that is asked for nothing is remembered: for as long as
// a Message ID may not be used again (RFC 7252, section 4.4).
func (p *peer) keep() time.Duration {
	life := p.transmission.exchangeLifetime(p.trip.first(p.transmission))
	if p.trip.wait > p.transmission.AckTimeout {
		return max(life, keepMeasured)
	}
	return life
}

// countLocked counts x in or out.
func (u *queues) countLocked(x *Exchange, by int) {
	u.queued += by
	u.octets += by * len(x.Body)
}

func (u *queues) popLocked(p *peer, now time.Time) {
	u.countLocked(p.queue[0], -1)
	p.queue[0] = nil
	p.queue = p.queue[1:]
	if len(p.queue) == 0 {
		p.queue = nil
	}
	u.idleLocked(p, now)
}

// idleLocked takes p from the busy ones if no exchange of it is in progress.
func (u *queues) idleLocked(p *peer, now time.Time) {
	if len(p.queue) == 0 && len(p.urgent) == 0 {
		p.idle = now
		delete(u.busy, p)
	}
}

// sendLocked sends the next message of x: a new Message ID, a new token that
// cannot be guessed (RFC 7252, section 5.3.1).
func (u *queues) sendLocked(p *peer, x *Exchange, now time.Time) error {
	p.mid++
	x.mid = p.mid
	if _, err := rand.Read(x.token[:]); err != nil {
		return err
	}
	opts := slices.Clone(x.Options)
	if w := x.observation; w != nil && x.download.Num == 0 && x.upload.Num == 0 {
		x.token = w.token
		if x.purpose == deregisters {
			opts = msg.With(opts, message.Observe, msg.EncodeUint(1))
		} else {
			opts = msg.With(opts, message.Observe, nil)
			u.observeLocked(p, w)
		}
	}
	if x.fetch != nil && (x.download.Num > 0 || x.progress == restarted) {
		opts = msg.Without(opts, message.ETag) // it asks about the whole, and has its answer
	}
	payload := x.Body
	if x.mode == bodyInBlocks {
		from := x.upload.Offset()
		to := min(from+x.upload.Size(), len(x.Body))
		x.upload.More = to < len(x.Body)
		payload = x.Body[from:to]
		opts = msg.With(opts, message.Block1, x.upload.Encode())
		if x.upload.Num == 0 {
			opts = msg.With(opts, message.Size1, msg.EncodeUint(uint32(len(x.Body))))
		}
	}
	if x.asksForBlocks() && !x.upload.More {
		opts = msg.With(opts, message.Block2, x.download.Encode())
		if x.download.Num > 0 && x.Code != codes.FETCH {
			payload = nil // RFC 7959, section 3.3: the body is there already
			opts = msg.Without(opts, message.Block1, message.Size1)
		}
	}
	m := message.Message{
		Type: message.Confirmable, Code: x.Code, MessageID: int32(x.mid),
		Token: x.token[:], Options: opts, Payload: payload,
	}
	buf := make([]byte, 64+len(payload)+msg.OptionsSize(opts))
	n, err := coder.DefaultCoder.Encode(m, buf)
	if err != nil {
		return err
	}
	if err := u.setDeadlineLocked(x); err != nil {
		return err
	}
	x.msg = buf[:n]
	x.phase, x.resent, x.returns = awaitsAck, 0, returns{}
	// RFC 7252, section 4.2: the random factor once, then doubling.
	x.wait = time.Duration(float64(p.trip.first(p.transmission)) * (1 + mrand.Float64()*(p.transmission.AckRandomFactor-1)))
	x.firstSent, x.due = now, now.Add(x.wait)
	return u.transmitLocked(p, x, now)
}

// transmitLocked sends the current message. That a path is gone just now is no error
// of the exchange: retransmission or its deadline settles it.
func (u *queues) transmitLocked(p *peer, x *Exchange, now time.Time) error {
	u.counts.messages.Add(1)
	err := u.writeLocked(x.msg, p.addr)
	if err == nil || errors.Is(err, net.ErrClosed) {
		return err
	}
	u.log.Debug("message to a node not sent", "to", p.addr.Addr().String(), "error", err)
	x.returned(msg.Errorf(codes.GatewayTimeout, "the gateway has no way to the node: %v", err), now)
	return nil
}

// tick retransmits what is due and ends what is over.
func (u *queues) tick(now time.Time) {
	u.mu.Lock()
	u.errorsLocked(now)
	var ended []*Exchange
	for p := range u.busy {
		ended = append(ended, u.tickLocked(p, now)...)
	}
	u.mu.Unlock()
	answerAll(ended)
}

// expire forgets nodes that were not asked for long.
func (u *queues) expire(now time.Time) {
	u.mu.Lock()
	defer u.mu.Unlock()
	for addr, p := range u.peers {
		if len(p.queue) == 0 && len(p.urgent) == 0 && len(p.observations) == 0 && now.Sub(p.idle) > p.keep() {
			delete(u.peers, addr)
		}
	}
}

func (u *queues) tickLocked(p *peer, now time.Time) (ended []*Exchange) {
	ended = u.tickUrgentLocked(p, now)
	if len(p.queue) == 0 {
		return ended
	}
	// Those that wait too long in the queue never reached the node.
	for i := len(p.queue) - 1; i > 0; i-- {
		if x := p.queue[i]; now.After(x.Deadline) {
			x.response = msg.Unavailable(30, notSent)
			ended = append(ended, x)
			p.queue = slices.Delete(p.queue, i, i+1)
			u.countLocked(x, -1)
		}
	}
	x := p.queue[0]
	switch {
	case x.unreachable():
		u.counts.timeouts.Add(1)
		return append(ended, u.endLocked(p, x, x.returnedResponse, now)...)
	case now.After(x.Deadline), x.phase == awaitsAck && now.After(x.due) && x.resent >= p.transmission.retransmit():
		u.counts.timeouts.Add(1)
		if x.phase == awaitsAck {
			p.trip.reset()
		}
		r := msg.Errorf(codes.GatewayTimeout, "the node did not answer")
		if x.phase == awaitsAck && x.returnedNth == x.resent+1 {
			r = x.returnedResponse
		}
		return append(ended, u.endLocked(p, x, r, now)...)
	case x.phase == awaitsAck && now.After(x.due) && x.Barred != nil && (!now.Before(x.SendDeadline) || x.Barred()):
		// What acts must not act late, nor against a lock-out: it is not sent again.
	case x.phase == awaitsAck && now.After(x.due):
		x.resent++
		x.wait *= 2
		x.due = now.Add(x.wait)
		u.counts.retransmissions.Add(1)
		if u.transmitLocked(p, x, now) != nil {
			return ended // the socket is closed, and close answers all
		}
	}
	return ended
}

// endLocked takes x, which is in progress, out with its answer. Where it was the first of
// p's queue, the next one starts.
func (u *queues) endLocked(p *peer, x *Exchange, r msg.Response, now time.Time) []*Exchange {
	if x.Urgent {
		return u.endUrgentLocked(p, x, r, now)
	}
	x.response = r
	u.popLocked(p, now)
	return append([]*Exchange{x}, u.startLocked(p, now)...)
}
