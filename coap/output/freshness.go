package output

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"sync"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"golang.org/x/sys/unix"

	"culvert/coap/msg"
)

// A write may be held up before it reaches the daemon: in a TCP connection while the network
// is down, by somebody on the path, or in a socket while the daemon stands still. It must not
// act later than its sender meant it to. So a client that comes over a network proves by the
// Echo option (RFC 9175, section 2.3) that it sent the write after the daemon issued the
// option's value, and the deadline counts from then: it is never later than by the sender's
// own count.

// Our own figures.
const (
	standstill  = time.Second // a gap between two ticks of this daemon, after which it stood still
	settleAfter = time.Second // for so long afterwards what comes may have waited meanwhile
	proofOctets = 24          // a time, and a part of a hash
)

// freshness issues and checks proofs, and notices when the daemon stood still.
type freshness struct {
	mu    sync.Mutex
	key   []byte        // nil: none was issued since the daemon stood still
	epoch time.Time     // of the times in proofs
	seen  time.Duration // on the boot clock: the last tick, or look
	until time.Duration // on the boot clock: what comes before may have waited
}

// BootTime returns the time since the machine started, the time in which it slept included.
func BootTime() time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &t); err != nil {
		return 0
	}
	return time.Duration(t.Nano())
}

// CheckStandstill is to be called several times a second: a gap shows that the daemon stood
// still, and then nothing that is pending may act but the safe value.
func (s *Outputs) CheckStandstill() { s.stoodStill() }

// stoodStill reports whether what comes now may have waited while the daemon stood still.
func (s *Outputs) stoodStill() bool {
	boot := s.Boot()

	f := &s.fresh
	f.mu.Lock()
	gap := boot - f.seen
	f.seen = boot
	stood := gap > standstill
	if stood {
		f.until = boot + settleAfter
		f.key = nil // proofs from before are worth nothing
	}
	waits := boot < f.until
	f.mu.Unlock()
	if stood {
		s.stopAll("the gateway stood still for " + gap.Round(100*time.Millisecond).String())
	}
	return waits
}

// stopAll withdraws every pending write but those of safe values.
func (s *Outputs) stopAll(why string) {
	var stopped []*write
	s.mu.Lock()
	for _, x := range s.known {
		if o := x.pending; o != nil && o.stopped == "" {
			o.stopped = why
			stopped = append(stopped, o)
		}
	}
	s.mu.Unlock()
	for _, o := range stopped {
		s.stop(o)
	}
	if len(stopped) > 0 {
		s.Log.Warn("writes to outputs withdrawn", "writes", len(stopped), "because", why)
	}
}

// proof is the value of an Echo option that was issued at a time, to a client that asked for
// a write to an output.
func (s *Outputs) proof(req *msg.Request, o *write, at uint64) []byte {
	f := &s.fresh
	f.mu.Lock()
	if f.key == nil {
		f.key = make([]byte, 32)
		if _, err := rand.Read(f.key); err != nil {
			panic(err) // it never fails
		}
	}
	h := hmac.New(sha256.New, f.key)
	f.mu.Unlock()
	b := binary.BigEndian.AppendUint64(nil, at)
	a := req.Peer.Addr.Addr().As16()
	h.Write(b)
	h.Write(a[:])
	h.Write([]byte(outputKey(o.Place, o.Resource) + "\x00"))
	if p := req.Peer.Proved; p != nil {
		h.Write([]byte(p.Name))
	}
	return h.Sum(b)[:proofOctets]
}

// sinceEpoch is s.Now on the clock of proofs, in milliseconds. It does not jump.
func (s *Outputs) sinceEpoch(t time.Time) uint64 {
	return uint64(t.Sub(s.fresh.epoch) / time.Millisecond)
}

// proved reports whether a request carries a proof that it is so fresh that least is left of
// its time; its time counts from when the proof was issued.
func (s *Outputs) proved(req *msg.Request, o *write, least time.Duration) bool {
	v, ok := msg.Option(req.Options, message.Echo)
	if !ok || len(v) != proofOctets {
		return false
	}
	at := binary.BigEndian.Uint64(v)
	if !hmac.Equal(v, s.proof(req, o, at)) {
		return false
	}
	o.issued = s.fresh.epoch.Add(time.Duration(at) * time.Millisecond)
	age := o.begun.Sub(o.issued)
	return age >= -time.Millisecond && age+least < o.within
}

// challenge asks the client for a proof (RFC 9175, section 2.3). Nothing was done, so that it
// stands in no log.
func (s *Outputs) challenge(req *msg.Request, o *write) msg.Response {
	r := msg.Errorf(codes.Unauthorized, "not proven fresh: send it again with this Echo option")
	r.Options = msg.With(r.Options, message.Echo, s.proof(req, o, s.sinceEpoch(s.Now())))
	r.Options = msg.With(r.Options, message.MaxAge, nil)
	return r
}
