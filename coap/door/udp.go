package door

import (
	"encoding/binary"
	"errors"
	"hash/maphash"
	mrand "math/rand/v2"
	"net"
	"net/netip"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/udp/coder"

	"culvert/coap/msg"
)

// Limits of a UDP door. They are our choice.
const (
	MaxDatagram   = 2048     // octets of a request in one datagram
	maxSeparate   = 1024     // separate responses that await their acknowledgement
	MaxRemembered = 1 << 16  // exchanges remembered for deduplication
	maxRememberIP = 1 << 13  // of them, of one address
	rememberBytes = 32 << 20 // octets of their responses
)

// DefaultAckDelay is the time after which an empty acknowledgement goes out (RFC 7252,
// section 5.2.2: before the client retransmits).
const DefaultAckDelay = time.Second

// readers is how many goroutines read one UDP door, one of them at a time. A request that may
// change something is served, in the order of arrival, before the next one is read; for a
// listing, which takes time to render, the reader first lets the next one read.
const readers = 3

// UDP is one UDP socket on which clients ask (RFC 7252, section 4).
type UDP struct {
	s       *Doors
	Number  uint64
	conn    *net.UDPConn
	v6      bool
	mid     atomic.Uint32
	seed    maphash.Seed
	kind    msg.Door
	secure  *dtlsDoor             // of a DTLS door: its sessions, in the place of the socket
	accepts func(netip.Addr) bool // sources that may send here; nil: all
	turn    sync.Mutex            // held by the reader whose turn it is

	mu       sync.Mutex
	memory   exchanges
	waiting  []*exchange                          // confirmable requests without an answer yet, oldest first
	separate map[msg.MessageKey]*separateResponse // answers that wait for their acknowledgement
}

// exchange is one request that came through the door.
type exchange struct {
	d          *UDP
	req        msg.Request // good until it is served
	key        msg.MessageKey
	oob        []byte // puts the source address of the answer right
	token      [8]byte
	tkl        int
	con        bool
	size       int    // octets of the request
	noResponse uint32 // No-Response (RFC 7967): bits of the classes that the client does not want
	entry      *rememberedExchange

	// Guarded by d.mu.
	acked    bool // the empty acknowledgement went out
	answered bool
	at       time.Time
}

// separateResponse is a separate answer on its way to a client.
type separateResponse struct {
	msg    []byte
	oob    []byte
	due    time.Time
	wait   time.Duration
	resent int
}

func newUDPDoor(s *Doors, c *net.UDPConn) (*UDP, error) {
	a, ok := c.LocalAddr().(*net.UDPAddr)
	if !ok {
		return nil, errors.New("not a UDP socket")
	}
	d := &UDP{
		s: s, Number: s.number(), conn: c, v6: a.IP.To4() == nil, seed: maphash.MakeSeed(),
		separate: map[msg.MessageKey]*separateResponse{},
	}
	d.mid.Store(mrand.Uint32())
	d.memory.init()
	return d, wantLocal(c, d.v6)
}

// read serves datagrams until the socket is closed.
func (d *UDP) read() error {
	buf := make([]byte, MaxDatagram)
	oob := make([]byte, oobRoom)
	opts := make(message.Options, 0, msg.MaxOptions)
	d.turn.Lock()
	defer d.turn.Unlock()
	for {
		n, nOOB, flags, from, err := d.conn.ReadMsgUDPAddrPort(buf, oob)
		if errors.Is(err, net.ErrClosed) {
			return err
		}
		if err != nil {
			continue // of one datagram: the next one may do
		}
		switch c := d.Datagram(buf[:n], oob[:nOOB], flags, from, opts[:0]); {
		case c == nil:
		case takesTime(&c.req):
			d.turn.Unlock()
			d.s.handler.Serve(&c.req, c.reply)
			d.turn.Lock()
		default: // to wake another reader would cost more than the answer
			d.s.handler.Serve(&c.req, c.reply)
		}
	}
}

// Datagram sorts out by where a datagram was sent to, and whether it is whole. What
// it returns is still to be served, and need not be in turn.
func (d *UDP) Datagram(b, oob []byte, flags int, from netip.AddrPort, opts message.Options) *exchange {
	local, reply := LocalOf(oob, d.v6)
	switch {
	case local.IsMulticast():
		// RFC 7252, section 8: nothing here is for groups, and a server may stay
		// silent. To answer would make every host of the link a target.
	case d.accepts != nil && !d.accepts(from.Addr()):
	case truncated(flags):
		d.malformed(b, from, reply)
	default:
		return d.Receive(b, opts, from, local, reply)
	}
	return nil
}

// Receive takes one datagram.
func (d *UDP) Receive(b []byte, opts message.Options, from netip.AddrPort, local netip.Addr, oob []byte) *exchange {
	m := message.Message{Options: opts}
	if _, err := coder.DefaultCoder.Decode(b, &m); err != nil {
		d.malformed(b, from, oob)
		return nil
	}
	key := msg.MessageKey{Socket: d.Number, Remote: from, Local: local, ID: uint16(m.MessageID)}
	switch class := m.Code >> 5; {
	case m.Type == message.Acknowledgement || m.Type == message.Reset:
		if m.Code == codes.Empty {
			d.mu.Lock()
			delete(d.separate, key)
			d.mu.Unlock()
			if m.Type == message.Reset {
				d.s.observers.Rejected(key)
				d.s.guard.pingAnswered(key, d.s.now())
			} else {
				d.s.observers.Acknowledged(key)
			}
		}
	case m.Code == codes.Empty, class != 0:
		// A ping (RFC 7252, section 4.3), an answer to a question that nobody asked,
		// or a reserved class.
		d.malformed(b, from, oob)
	default:
		return d.request(&m, b, key, oob)
	}
	return nil
}

// malformed answers what is no message, or none for a server: confirmable ones
// with a reset, others not (RFC 7252, sections 3, 4.2 and 4.3).
func (d *UDP) malformed(b []byte, from netip.AddrPort, oob []byte) {
	ping := len(b) == 4 && b[1] == 0
	if !ping {
		d.s.counts.malformed[d.kind].Add(1)
	}
	if len(b) < 4 || b[0]>>6 != 1 || message.Type(b[0]>>4&3) != message.Confirmable {
		return
	}
	d.write(msg.EmptyMessage(message.Reset, binary.BigEndian.Uint16(b[2:])), oob, from)
}

// request takes one request; a repetition gets the answer that the first one had.
// A request that only looks is returned.
func (d *UDP) request(m *message.Message, b []byte, key msg.MessageKey, oob []byte) *exchange {
	c := &exchange{d: d, key: key, con: m.Type == message.Confirmable, size: len(b), oob: oob}
	c.tkl = copy(c.token[:], m.Token)
	if v, ok := msg.Option(m.Options, message.NoResponse); ok {
		c.noResponse = msg.DecodeUint(v)
	}
	c.req = msg.Request{
		Code: m.Code, Options: m.Options, Payload: m.Payload, Room: 1 << (4 + msg.MaxSZX),
		Peer: msg.Peer{Door: msg.DoorUDP, Addr: key.Remote, Local: key.Local, Conn: d.Number},
	}
	if d.secure != nil {
		c.req.Peer = d.secure.peer(oob)
	}
	c.req.Notifier, c.req.Token, c.req.TokenLen = d, c.token, uint8(c.tkl)
	req := &c.req
	req.ParsePath()
	if d.secure == nil {
		d.s.guard.takeEcho(req, d.s.now())
	}
	if !c.con {
		// RFC 7252, section 5.4.1: a critical option that is not understood makes the
		// server reject a non-confirmable request, silently here.
		if _, ok := msg.CheckOptions(req.Options, req.Path.Own() || msg.ViaProxy(req)); !ok {
			d.s.counts.malformed[d.kind].Add(1)
			return nil
		}
	}
	if !mustRemember(req) {
		// A GET that changes nothing and costs no node anything may be done twice
		// (RFC 7252, section 4.5), and its answer never waits.
		return c
	}
	if r, ok := d.s.handler.Cached(req); ok {
		c.reply(d.s.handler.Count(req, r))
		return nil
	}
	now := d.s.now()
	d.mu.Lock()
	old, fresh, ok := d.memory.begin(key, maphash.Bytes(d.seed, b), now)
	if !fresh {
		again := old.answer
		d.mu.Unlock()
		d.s.counts.duplicates.Add(1)
		if c.con && again != nil {
			d.write(again, oob, key.Remote)
		}
		return nil
	}
	if !ok {
		d.mu.Unlock()
		c.reply(d.s.handler.Count(req, msg.Unavailable(5, "too many exchanges at once")))
		return nil
	}
	c.entry = old
	old.non = !c.con
	c.oob = slices.Clone(oob)
	req.Source = c.oob
	c.at = now
	if c.con {
		d.waiting = append(d.waiting, c)
	}
	d.mu.Unlock()
	d.s.handler.Serve(req, c.reply)
	return nil
}

// mustRemember reports whether a repetition of the request must not be served again.
func mustRemember(r *msg.Request) bool {
	if r.Code != codes.GET && r.Code != codes.FETCH {
		return true
	}
	for _, o := range r.Options {
		if o.ID == message.Block1 || o.ID == message.Observe || o.ID == message.ProxyURI || o.ID == message.ProxyScheme {
			return true
		}
	}
	return r.Path.Own()
}

// takesTime reports whether a request, of those that only look, takes a while to answer:
// the listings do, with thousands of nodes.
func takesTime(r *msg.Request) bool {
	p := r.Path
	return p.Len < 2 || p.Part[0] != "nodes"
}

// reply sends the answer: on the acknowledgement, or by itself if that went out
// already (RFC 7252, section 5.2).
func (c *exchange) reply(r msg.Response) {
	d := c.d
	r = c.challenge(r)
	m := message.Message{
		Type: message.NonConfirmable, Code: r.Code, Token: c.token[:c.tkl],
		Options: r.Options, Payload: r.Payload,
	}
	// RFC 7967, section 2.1: classes 2, 4 and 5 are bits 1, 3 and 4.
	quiet := c.noResponse != 0 && c.noResponse>>(r.Code>>5-1)&1 != 0

	d.mu.Lock()
	c.answered = true
	separate := c.con && c.acked
	switch {
	case c.con && !separate && quiet:
		m = message.Message{Type: message.Acknowledgement}
	case c.con && !separate:
		m.Type = message.Acknowledgement
	case separate && len(d.separate) < maxSeparate:
		m.Type = message.Confirmable
	}
	m.MessageID = int32(c.key.ID)
	if m.Type != message.Acknowledgement {
		m.MessageID = int32(d.mid.Add(1) & 0xffff)
	}
	var out []byte
	if !quiet || m.Type == message.Acknowledgement {
		out = msg.Encode(m)
	}
	if c.entry != nil {
		if m.Type == message.Acknowledgement {
			d.memory.done(c.entry, out)
		} else {
			d.memory.done(c.entry, c.entry.answer) // the empty acknowledgement stays
		}
	}
	k := msg.MessageKey{Socket: d.Number, Remote: c.key.Remote, Local: c.key.Local, ID: uint16(m.MessageID)}
	if m.Type == message.Confirmable && out != nil {
		d.confirmLocked(k, out, c.oob, c.maxRepeats(len(out)))
	}
	d.mu.Unlock()
	if m.Type != message.Acknowledgement && msg.Uint(r.Options, message.Observe) >= 0 {
		d.s.observers.ResponseSent(c.req.Observation(), k)
	}
	if out != nil {
		d.write(out, c.oob, c.key.Remote)
	}
}

// confirmLocked has a confirmable message repeated until it is acknowledged, at most so
// many times.
func (d *UDP) confirmLocked(k msg.MessageKey, encoded, oob []byte, repeats int) {
	wait := time.Duration(float64(msg.AckTimeout) * (1 + mrand.Float64()*(msg.AckRandomFactor-1)))
	d.separate[k] = &separateResponse{msg: encoded, oob: oob, due: d.s.now().Add(wait), wait: wait, resent: msg.MaxRetransmit - repeats}
}

// write sends one datagram. What the kernel refuses is lost as on any network, and
// comes again.
func (d *UDP) write(b, oob []byte, to netip.AddrPort) {
	if d.secure != nil {
		d.secure.write(b, oob)
		return
	}
	_, _, err := d.conn.WriteMsgUDPAddrPort(b, oob, to)
	if err != nil && !errors.Is(err, net.ErrClosed) {
		d.s.log.Debug("answer not sent", "to", to.String(), "error", err)
	}
}

// Tick sends the empty acknowledgements that are due, and repeats separate
// answers.
func (d *UDP) Tick(now time.Time) {
	type datagram struct {
		b, oob []byte
		to     netip.AddrPort
	}
	var out []datagram
	var lost []msg.MessageKey
	d.mu.Lock()
	for len(d.waiting) > 0 {
		c := d.waiting[0]
		if !c.answered && now.Sub(c.at) < d.s.AckDelay {
			break
		}
		d.waiting[0] = nil
		d.waiting = d.waiting[1:]
		if !c.answered {
			c.acked = true
			ack := msg.EmptyMessage(message.Acknowledgement, c.key.ID)
			d.memory.set(c.entry, ack)
			out = append(out, datagram{ack, c.oob, c.key.Remote})
		}
	}
	if len(d.waiting) == 0 {
		d.waiting = nil
	}
	for k, o := range d.separate {
		if now.Before(o.due) {
			continue
		}
		if o.resent >= msg.MaxRetransmit {
			delete(d.separate, k)
			lost = append(lost, k)
			d.s.counts.gaveUp.Add(1)
			continue
		}
		o.resent++
		o.wait *= 2
		o.due = now.Add(o.wait)
		out = append(out, datagram{o.msg, o.oob, k.Remote})
	}
	d.memory.expire(now)
	d.mu.Unlock()
	for _, k := range lost {
		d.s.observers.Rejected(k)
	}
	for _, x := range out {
		d.write(x.b, x.oob, x.to)
	}
}

// NextKey is Notifier.NextKey.
func (d *UDP) NextKey(p msg.Peer) msg.MessageKey {
	return msg.MessageKey{Socket: d.Number, Remote: p.Addr, Local: p.Local, ID: uint16(d.mid.Add(1))}
}

// Notify is Notifier.Notify.
func (d *UDP) Notify(k msg.MessageKey, m message.Message, source []byte) (confirmed bool) {
	confirmed = true
	if m.Type == message.Confirmable {
		d.mu.Lock()
		if confirmed = len(d.separate) < maxSeparate; confirmed {
			d.confirmLocked(k, msg.Encode(m), slices.Clip(source), msg.MaxRetransmit)
		} else {
			m.Type = message.NonConfirmable
		}
		d.mu.Unlock()
	}
	d.write(msg.Encode(m), source, k.Remote)
	return confirmed
}

// UDPStats are what a UDP door holds now.
type UDPStats struct {
	Remembered int // exchanges, for deduplication
	Open       int // of them: requests without a response yet
	Waiting    int // confirmable requests without a response yet
	Separate   int // responses that await their acknowledgement
}

// Stats returns the figures now.
func (d *UDP) Stats() UDPStats {
	d.mu.Lock()
	defer d.mu.Unlock()
	s := UDPStats{Remembered: len(d.memory.byKey), Waiting: len(d.waiting), Separate: len(d.separate)}
	for _, r := range d.memory.byKey {
		if r.open {
			s.Open++
		}
	}
	return s
}

// Awaits reports whether a response that was sent under k awaits its acknowledgement.
func (d *UDP) Awaits(k msg.MessageKey) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.separate[k] != nil
}

// Expire forgets the exchanges that are over by now.
func (d *UDP) Expire(now time.Time) {
	d.mu.Lock()
	d.memory.expire(now)
	d.mu.Unlock()
}
