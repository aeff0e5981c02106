package coap

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	mrand "math/rand/v2"
	"net/netip"
	"sync"
	"time"

	"culvert/coap/msg"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// Bounds of the guard against amplification, ours but for the factor.
const (
	amplify    = 3 // RFC 9175, section 2.4, item 3: octets answered for one received
	maxProved  = 16384
	proofHolds = time.Hour // since the last request
	echoHolds  = time.Minute
	maxPings   = 1024
	echoOctets = 12 // a time and a part of a hash

	// Of the options of a challenge: an empty Max-Age, and Echo after it.
	challengeOctets = 2 + 2 + echoOctets

	pingPatient = 10 * time.Second
)

// guard keeps open UDP doors from answering more octets than they received three
// times over to addresses that were never shown to have asked (RFC 7252, section
// 11.3): a large answer gives way to a challenge by the Echo option (RFC 9175, section
// 2.4), and to a ping (RFC 7252, section 4.3), whose answer proves the address of a
// client that knows no Echo, for its next try.
type guard struct {
	key [32]byte

	mu     sync.Mutex
	proved map[netip.Addr]time.Time // when they asked last
	pings  map[msg.MessageKey]time.Time
}

func (g *guard) init() {
	if _, err := rand.Read(g.key[:]); err != nil {
		panic(err) // it never fails
	}
	g.proved, g.pings = map[netip.Addr]time.Time{}, map[msg.MessageKey]time.Time{}
}

// echo is the value with which a can prove itself.
func (g *guard) echo(a netip.Addr, now time.Time) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(now.Unix()))
	h := hmac.New(sha256.New, g.key[:])
	h.Write(b)
	x := a.As16()
	h.Write(x[:])
	return h.Sum(b)[:echoOctets]
}

// take looks at the Echo option of a request. One of ours proves the address, and is
// for nobody else: it is taken out.
func (g *guard) take(req *msg.Request, now time.Time) {
	v, ok := msg.Option(req.Options, message.Echo)
	if !ok || len(v) != echoOctets {
		return
	}
	at := time.Unix(int64(binary.BigEndian.Uint32(v)), 0)
	a := req.Peer.Addr.Addr()
	if !hmac.Equal(v, g.echo(a, at)) {
		return
	}
	req.Options = msg.Without(req.Options, message.Echo)
	if age := now.Sub(at); age > -2*time.Second && age < echoHolds {
		g.prove(a, now)
	}
}

func (g *guard) prove(a netip.Addr, now time.Time) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if _, ok := g.proved[a]; !ok && len(g.proved) >= maxProved {
		for old := range g.proved { // any: it can prove itself again
			delete(g.proved, old)
			break
		}
	}
	g.proved[a] = now
}

func (g *guard) knows(a netip.Addr, now time.Time) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	at, ok := g.proved[a]
	if ok = ok && now.Sub(at) < proofHolds; ok {
		g.proved[a] = now
	}
	return ok
}

// answered takes a Reset, which may be that to a ping.
func (g *guard) answered(id msg.MessageKey, now time.Time) {
	g.mu.Lock()
	_, ok := g.pings[id]
	delete(g.pings, id)
	g.mu.Unlock()
	if ok {
		g.prove(id.Remote.Addr(), now)
	}
}

// ping notes one; false if it is too much to send one now.
func (g *guard) ping(id msg.MessageKey, now time.Time) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if len(g.pings) >= maxPings {
		return false
	}
	g.pings[id] = now
	return true
}

func (g *guard) expire(now time.Time) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for id, at := range g.pings {
		if now.Sub(at) > pingPatient {
			delete(g.pings, id)
		}
	}
	for a, at := range g.proved {
		if now.Sub(at) > proofHolds {
			delete(g.proved, a)
		}
	}
}

// trusted reports whether an address cannot be forged, or is a node's, which the
// mesh has checked.
func (s *Server) trusted(a netip.Addr) bool {
	if a.Unmap().IsLoopback() {
		return true
	}
	for _, m := range s.opts.Meshes { // also link-local ones
		if m.Table.ByAddress(a.WithZone("")) != nil {
			return true
		}
	}
	return false
}

// challenge makes r, an answer to look at something, one that asks for proof first,
// if r is too large for somebody unknown or begins an observation. What changed
// something keeps its answer.
func (c *call) challenge(r msg.Response) msg.Response {
	d := c.d
	_, observes := msg.Option(r.Options, message.Observe)
	size := 4 + 5 + c.tkl + len(r.Payload) // 4: an empty acknowledgement may have gone out
	for _, o := range r.Options {
		size += 3 + len(o.Value)
	}
	if d.secure != nil || c.req.Code != codes.GET && c.req.Code != codes.FETCH || size <= amplify*c.size && !observes {
		return r
	}
	a, now := c.key.Remote.Addr(), time.Now()
	if d.s.trust(a) || d.s.guard.knows(a, now) {
		return r
	}
	if observes {
		d.s.nodes.Withdraw(&c.req)
		d.s.observers.Deregister(c.req.Observation())
	}
	d.s.counts.challenged.Add(1)
	room := amplify*c.size - (4 + c.tkl + challengeOctets)
	if room < 0 { // asked in so few octets, nothing is there but an error
		return msg.Response{Code: max(r.Code, codes.BadRequest)}
	}
	id := msg.MessageKey{Socket: d.number, Remote: c.key.Remote, Local: c.key.Local, ID: uint16(mrand.Uint32())}
	if room >= 8 && d.s.guard.ping(id, now) {
		d.write(msg.EmptyMessage(message.Confirmable, id.ID), c.oob, c.key.Remote)
	}
	// RFC 9175, section 2.3.
	return msg.Response{Code: codes.Unauthorized, Options: message.Options{
		{ID: message.MaxAge}, {ID: message.Echo, Value: d.s.guard.echo(a, now)},
	}}
}

// repeats is how often a separate answer of so many octets may be repeated: to an
// address that was never shown to have asked, all of them together stay in the bound.
func (c *call) repeats(octets int) int {
	a := c.key.Remote.Addr()
	if c.d.secure != nil || c.d.s.trust(a) || c.d.s.guard.knows(a, time.Now()) {
		return msg.MaxRetransmit
	}
	acked := 4 // the empty acknowledgement
	return min(max((amplify*c.size-acked)/octets-1, 0), msg.MaxRetransmit)
}
