package forward

import (
	"encoding/binary"
	"errors"
	"maps"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	"culvert/bridge/ipv6"
	"culvert/bridge/radio"
)

// A message that makes a machine move must not be delivered late. Its sender on this host
// sets a deadline before it sends. push marks the packet with it, so that other packets
// cost nothing more, and each of its frames is checked right before it is sent.

// Message is a CoAP message of the gateway itself (RFC 7252, section 3).
type Message struct {
	To   netip.AddrPort // of the node
	Port uint16         // that it is sent from
	ID   uint16         // its Message ID
}

// Our own figures.
const (
	maxDeadlines = 1024
	keepDeadline = time.Minute // after it has passed, for packets that the kernel delivers late
)

// ErrDeadlines says that there are too many messages with a deadline.
var ErrDeadlines = errors.New("forward: too many messages with a deadline")

// deadline is the latest time, on the forwarder's clock, at which packets of a message may
// be sent.
type deadline struct{ at atomic.Int64 }

// deadlines are all deadlines. A lookup takes no lock.
type deadlines struct {
	mu  sync.Mutex // guards replacing all
	all atomic.Pointer[map[Message]*deadline]
}

// canceller is a radio that can drop a frame it has not sent yet.
type canceller interface{ Cancel(id uint32) error }

// NotAfter sets the deadline of m: packets and fragments not sent by then end as
// deadline-passed. A radio with radio.FeatureCancel is asked to drop frames that it has not
// sent yet; frames on the air cannot be recalled. Call it before m is sent. A second call
// with an earlier time moves the deadline forward, which withdraws m if that time has
// passed. It returns ErrDeadlines if maxDeadlines are set. Any goroutine may call it.
func (f *Forwarder) NotAfter(m Message, at time.Time) error {
	ds, until := &f.deadlines, int64(at.Sub(f.start))
	ds.mu.Lock()
	defer ds.mu.Unlock()
	old := ds.all.Load()
	if old != nil {
		if d := (*old)[m]; d != nil {
			d.at.Store(min(until, d.at.Load()))
			f.sender.ticked.Store(true)
			f.kick()
			return nil
		}
		if len(*old) >= maxDeadlines {
			return ErrDeadlines
		}
	}
	next := map[Message]*deadline{}
	if old != nil {
		next = maps.Clone(*old)
	}
	d := &deadline{}
	d.at.Store(until)
	next[m] = d
	ds.all.Store(&next)
	return nil
}

// of returns the deadline of a packet of the gateway itself, nil for none.
func (ds *deadlines) of(p ipv6.Packet) *deadline {
	all := ds.all.Load()
	if all == nil || p.NextHeader() != ipv6.ProtoUDP || len(p) < ipv6.HeaderLen+12 {
		return nil
	}
	u := p.Payload()
	return (*all)[Message{
		To:   netip.AddrPortFrom(p.Destination(), binary.BigEndian.Uint16(u[2:])),
		Port: binary.BigEndian.Uint16(u), ID: binary.BigEndian.Uint16(u[10:]),
	}]
}

// expire removes deadlines that passed more than keepDeadline ago.
func (ds *deadlines) expire(now int64) {
	if ds.all.Load() == nil {
		return
	}
	ds.mu.Lock()
	defer ds.mu.Unlock()
	next := maps.Clone(*ds.all.Load())
	maps.DeleteFunc(next, func(_ Message, d *deadline) bool { return now-d.at.Load() > int64(keepDeadline) })
	if len(next) == 0 {
		ds.all.Store(nil)
		return
	}
	ds.all.Store(&next)
}

// pastDeadline reports whether the deadline of p has passed. It reads the clock, since the
// cached time is not exact enough.
func (f *Forwarder) pastDeadline(p *packet) bool {
	return p.deadline != nil && f.now() >= p.deadline.at.Load()
}

// cancelPastDeadline asks the radio to drop frames whose deadline has passed, and sets
// nextDeadline.
func (f *Forwarder) cancelPastDeadline() {
	s := &f.sender
	s.nextDeadline = 0
	for i := range s.flights.all {
		fl := &s.flights.all[i]
		id := fl.id.Load()
		if id == 0 || fl.p == nil || fl.p.deadline == nil || fl.recalled {
			continue
		}
		if !f.pastDeadline(fl.p) {
			s.nextDeadline = earlier(s.nextDeadline, fl.p.deadline.at.Load())
			continue
		}
		fl.recalled = true
		info := s.info.Load()
		if c, ok := f.opt.Radio.(canceller); ok && info != nil && info.Feature&radio.FeatureCancel != 0 {
			_ = c.Cancel(id) // the frame's result follows as an event
		}
	}
}
