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

// A message that makes a machine move must not wait here and act late. Who sends one
// from this host says before, by when it must have left. The packet is marked when it
// comes to the queue of its node, so that nobody else pays for it, and every frame of
// it is looked at again right before it leaves.

// Message is a CoAP message of the gateway itself (RFC 7252, section 3).
type Message struct {
	To   netip.AddrPort // of the node
	Port uint16         // that it is sent from
	ID   uint16         // its Message ID
}

// Our own figures.
const (
	maxDeadlines = 1024
	keepDeadline = time.Minute // after it has passed: what comes late from the kernel is still known
)

// ErrDeadlines says that there are too many messages with a deadline.
var ErrDeadlines = errors.New("forward: too many messages with a deadline")

// deadline is until when the packets of a message may leave, on the forwarder's clock.
type deadline struct{ at atomic.Int64 }

// deadlines are all of them. Looking one up takes no lock.
type deadlines struct {
	mu  sync.Mutex // held while all is replaced
	all atomic.Pointer[map[Message]*deadline]
}

// canceller is a radio that can be asked to drop a frame that waits in it.
type canceller interface{ Cancel(id uint32) error }

// NotAfter has every packet of m end as deadline-passed that has not left for the
// node by at, and no further fragment of one leave. A radio with
// radio.FeatureCancel is asked to drop the frames that still wait in it. It is to
// be called before m is sent; once more with an earlier time withdraws m. Frames that
// have left cannot be called back. It may be called from any goroutine.
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

// expire forgets those that passed long ago.
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

// late reports whether p may not leave any more. The clock is read anew for those
// that have a deadline: that it was read lately is not enough.
func (f *Forwarder) late(p *packet) bool {
	return p.deadline != nil && f.now() >= p.deadline.at.Load()
}

// withdraw asks the radio to drop the frames whose deadline has passed, and notes when
// to look again.
func (f *Forwarder) withdraw() {
	s := &f.sender
	s.firm = 0
	for i := range s.flights.all {
		fl := &s.flights.all[i]
		id := fl.id.Load()
		if id == 0 || fl.p == nil || fl.p.deadline == nil || fl.recalled {
			continue
		}
		if !f.late(fl.p) {
			s.firm = earlier(s.firm, fl.p.deadline.at.Load())
			continue
		}
		fl.recalled = true
		info := s.info.Load()
		if c, ok := f.opt.Radio.(canceller); ok && info != nil && info.Feature&radio.FeatureCancel != 0 {
			_ = c.Cancel(id) // what becomes of the frame, its result says
		}
	}
}
