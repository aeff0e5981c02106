package door

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	mrand "math/rand/v2"
	"net/netip"
	"sync"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// Limits of the guard against amplification. Ours, except for the factor.
const (
	Amplification = 3 // RFC 9175, section 2.4, item 3: octets answered for one received
	maxVerified   = 16384
	verifiedFor   = time.Hour // since the last request
	echoLifetime  = time.Minute
	maxPings      = 1024
	echoOctets    = 12 // a time and a part of a hash

	// Of the options of a challenge: an empty Max-Age, and Echo after it.
	challengeOctets = 2 + 2 + echoOctets

	pingTimeout = 10 * time.Second
	pingPause   = time.Minute // before the next ping to an address that sent a wrong Reset
)

// amplificationGuard keeps open UDP doors from answering more octets than they received three
// times over to addresses that were never shown to have asked (RFC 7252, section
// 11.3): a large answer gives way to a challenge by the Echo option (RFC 9175, section
// 2.4), and to a ping (RFC 7252, section 4.3), whose answer proves the address of a
// client that knows no Echo, for its next try.
type amplificationGuard struct {
	key [32]byte

	mu       sync.Mutex
	verified map[netip.Addr]time.Time // when they asked last
	pings    map[netip.Addr]pendingPing
}

// pendingPing is the only ping to an address. A Message ID has 16 bits, so a sender that
// forges the address must not be able to try many: the first wrong Reset ends the ping, and
// no other one is sent until the pause is over.
type pendingPing struct {
	key    msg.MessageKey
	until  time.Time // of the ping, or of the pause after it
	failed bool
}

func (g *amplificationGuard) init() {
	if _, err := rand.Read(g.key[:]); err != nil {
		panic(err) // it never fails
	}
	g.verified, g.pings = map[netip.Addr]time.Time{}, map[netip.Addr]pendingPing{}
}

// echo is the value with which a can prove itself.
func (g *amplificationGuard) echo(a netip.Addr, now time.Time) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(now.Unix()))
	h := hmac.New(sha256.New, g.key[:])
	h.Write(b)
	x := a.As16()
	h.Write(x[:])
	return h.Sum(b)[:echoOctets]
}

// takeEcho removes an Echo option that this guard issued from a request. A fresh one
// verifies the client's address.
func (g *amplificationGuard) takeEcho(req *msg.Request, now time.Time) {
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
	if age := now.Sub(at); age > -2*time.Second && age < echoLifetime {
		g.verify(a, now)
	}
}

func (g *amplificationGuard) verify(a netip.Addr, now time.Time) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if _, ok := g.verified[a]; !ok && len(g.verified) >= maxVerified {
		for old := range g.verified { // any: it can prove itself again
			delete(g.verified, old)
			break
		}
	}
	g.verified[a] = now
}

func (g *amplificationGuard) isVerified(a netip.Addr, now time.Time) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	at, ok := g.verified[a]
	if ok = ok && now.Sub(at) < verifiedFor; ok {
		g.verified[a] = now
	}
	return ok
}

// pingAnswered takes a Reset. It verifies the address if it answers the pending ping, and
// fails that ping otherwise.
func (g *amplificationGuard) pingAnswered(id msg.MessageKey, now time.Time) {
	a := id.Remote.Addr()
	g.mu.Lock()
	p, ok := g.pings[a]
	ok = ok && !p.failed && now.Before(p.until)
	right := ok && p.key == id
	switch {
	case right:
		delete(g.pings, a)
	case ok:
		p.failed, p.until = true, now.Add(pingPause)
		g.pings[a] = p
	}
	g.mu.Unlock()
	if right {
		g.verify(a, now)
	}
}

// ping notes a ping; false if none may be sent now: one to this address is pending or
// failed a short time ago, or there are too many.
func (g *amplificationGuard) ping(id msg.MessageKey, now time.Time) bool {
	a := id.Remote.Addr()
	g.mu.Lock()
	defer g.mu.Unlock()
	p, ok := g.pings[a]
	if ok && now.Before(p.until) || !ok && len(g.pings) >= maxPings {
		return false
	}
	g.pings[a] = pendingPing{key: id, until: now.Add(pingTimeout)}
	return true
}

func (g *amplificationGuard) expire(now time.Time) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for a, p := range g.pings {
		if !now.Before(p.until) {
			delete(g.pings, a)
		}
	}
	for a, at := range g.verified {
		if now.Sub(at) > verifiedFor {
			delete(g.verified, a)
		}
	}
}

// challenge replaces the response to a GET or FETCH by a challenge if the client's address
// is not verified, and the response is too large for that or begins an observation. The
// response to any other method, which was carried out, is cut to what it may have. Octets
// are those of UDP payloads, both ways.
func (c *exchange) challenge(r msg.Response) msg.Response {
	d := c.d
	_, observes := msg.Option(r.Options, message.Observe)
	size := 4 + 5 + c.tkl + len(r.Payload) // 4: an empty acknowledgement may have gone out
	for _, o := range r.Options {
		size += 3 + len(o.Value)
	}
	if d.secure != nil || size <= Amplification*c.size && !observes {
		return r
	}
	a, now := c.key.Remote.Addr(), d.s.now()
	if d.s.Trusted(a) || d.s.guard.isVerified(a, now) {
		return r
	}
	if c.req.Code != codes.GET && c.req.Code != codes.FETCH {
		if fits := Amplification*c.size - (size - len(r.Payload)); fits >= 0 {
			r.Payload = r.Payload[:min(fits, len(r.Payload))]
			if _, format := msg.Option(r.Options, message.ContentFormat); !format {
				return r // a diagnostic text
			}
		}
		return msg.Response{Code: r.Code}
	}
	if observes {
		d.s.handler.Deregister(&c.req)
	}
	d.s.counts.challenged.Add(1)
	room := Amplification*c.size - (4 + c.tkl + challengeOctets)
	if room < 0 { // asked in so few octets, nothing is there but an error
		return msg.Response{Code: max(r.Code, codes.BadRequest)}
	}
	id := msg.MessageKey{Socket: d.Number, Remote: c.key.Remote, Local: c.key.Local, ID: uint16(mrand.Uint32())}
	if room >= 8 && d.s.guard.ping(id, now) {
		d.write(msg.EmptyMessage(message.Confirmable, id.ID), c.oob, c.key.Remote)
	}
	// RFC 9175, section 2.3.
	return msg.Response{Code: codes.Unauthorized, Options: message.Options{
		{ID: message.MaxAge}, {ID: message.Echo, Value: d.s.guard.echo(a, now)},
	}}
}

// maxRepeats is how often a separate answer of so many octets may be repeated: to an
// address that was never shown to have asked, all of them together stay in the bound.
func (c *exchange) maxRepeats(octets int) int {
	a := c.key.Remote.Addr()
	if c.d.secure != nil || c.d.s.Trusted(a) || c.d.s.guard.isVerified(a, c.d.s.now()) {
		return msg.MaxRetransmit
	}
	acked := 4 // the empty acknowledgement
	return min(max((Amplification*c.size-acked)/octets-1, 0), msg.MaxRetransmit)
}
