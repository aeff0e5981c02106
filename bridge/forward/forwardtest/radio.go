// Package forwardtest has in-memory twins of what the packet path works between: a
// radio attachment and a TUN interface. Only tests import it.
package forwardtest

import (
	"net"
	"sync"

	"culvert/bridge/ieee802154"
	"culvert/bridge/radio"
)

// Sent is a frame that was handed to a Radio.
type Sent struct {
	ID    uint32
	Frame radio.Frame // the payload is a copy
}

// Radio is a radio.Attachment whose far end is the test. Events go in by Push; each
// frame that is sent goes to OnSend, or is kept for Sent.
type Radio struct {
	// OnSend, if set before use, takes each frame that was accepted, from the sending
	// goroutine. It may call Push.
	OnSend func(*Radio, Sent)

	mu         sync.Mutex // guards what follows
	events     []radio.Event
	news       chan struct{} // holds one
	closed     bool
	up         bool
	credits    int
	unresolved map[uint32]bool
	sent       []Sent
	maxSeen    int
	cancelled  []uint32
}

// NewRadio returns a radio that is down.
func NewRadio() *Radio {
	return &Radio{news: make(chan struct{}, 1), unresolved: map[uint32]bool{}}
}

// Info is a radio side as most tests want it: EUI-64 00-00-5E-EF-10-00-00-01, no
// short address, PAN 0xbeef, frames of 102 and 96 octets.
func Info() radio.Info {
	return radio.Info{
		Version: 1, EUI64: ieee802154.MustParseAddr("00005eef10000001"), PAN: 0xbeef, Boot: 1,
		MaxShort: 102, MaxExtended: 96, Name: "test",
	}
}

// Up pushes an Up event with a number of credits, and the end of an empty list of
// nodes if nodes is nil, else the list.
func (r *Radio) Up(info radio.Info, credits int, nodes ...radio.NodeInfo) {
	r.Push(radio.Event{Kind: radio.EventUp, Info: info, Credits: credits})
	for _, n := range nodes {
		r.Push(radio.Event{Kind: radio.EventAttached, Node: n})
	}
	r.Push(radio.Event{Kind: radio.EventSnapshot})
}

// Push lets the radio say something. Payloads are not copied.
func (r *Radio) Push(ev radio.Event) {
	r.mu.Lock()
	switch ev.Kind {
	case radio.EventUp:
		r.up, r.credits = true, ev.Credits
	case radio.EventDown:
		r.up = false
		clear(r.unresolved)
	case radio.EventCredits:
		r.credits = ev.Credits
	case radio.EventResult:
		delete(r.unresolved, ev.ID)
	}
	r.events = append(r.events, ev)
	r.mu.Unlock()
	r.wake()
}

func (r *Radio) wake() {
	select {
	case r.news <- struct{}{}:
	default:
	}
}

// Receive returns what was pushed, in order.
func (r *Radio) Receive([]byte) (radio.Event, error) {
	for {
		r.mu.Lock()
		switch {
		case len(r.events) > 0:
			ev := r.events[0]
			r.events = r.events[1:]
			r.mu.Unlock()
			return ev, nil
		case r.closed:
			r.mu.Unlock()
			r.wake()
			return radio.Event{}, net.ErrClosed
		}
		r.mu.Unlock()
		<-r.news
	}
}

// Poll returns the next event without waiting; false if there is none.
func (r *Radio) Poll() (radio.Event, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.events) == 0 {
		return radio.Event{}, false
	}
	ev := r.events[0]
	r.events = r.events[1:]
	return ev, true
}

// Send takes a frame, if there is a credit left.
func (r *Radio) Send(f radio.Frame, id uint32) error {
	r.mu.Lock()
	switch {
	case r.closed:
		r.mu.Unlock()
		return net.ErrClosed
	case !r.up:
		r.mu.Unlock()
		return radio.ErrDown
	case len(r.unresolved) >= r.credits:
		r.mu.Unlock()
		return radio.ErrNoCredit
	case r.unresolved[id]:
		r.mu.Unlock()
		return radio.ErrID
	}
	r.unresolved[id] = true
	r.maxSeen = max(r.maxSeen, len(r.unresolved))
	f.Payload = append([]byte(nil), f.Payload...)
	s := Sent{ID: id, Frame: f}
	if r.OnSend == nil {
		r.sent = append(r.sent, s)
	}
	r.mu.Unlock()
	if r.OnSend != nil {
		r.OnSend(r, s)
	}
	return nil
}

// Sent returns the frames that were sent since the last call.
func (r *Radio) Sent() []Sent {
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.sent
	r.sent = nil
	return s
}

// Cancel notes that the daemon wants a frame dropped. Its result is the test's.
func (r *Radio) Cancel(id uint32) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.cancelled = append(r.cancelled, id)
	return nil
}

// Cancelled returns the ids of the frames that were to be dropped, since the last call.
func (r *Radio) Cancelled() []uint32 {
	r.mu.Lock()
	defer r.mu.Unlock()
	ids := r.cancelled
	r.cancelled = nil
	return ids
}

// MaxUnresolved returns the largest number of frames that were unresolved at once.
func (r *Radio) MaxUnresolved() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.maxSeen
}

// Result pushes the result of a frame.
func (r *Radio) Result(id uint32, o radio.Outcome) {
	r.Push(radio.Event{Kind: radio.EventResult, ID: id, Outcome: o})
}

// Close ends Receive and Send.
func (r *Radio) Close() error {
	r.mu.Lock()
	r.closed = true
	r.mu.Unlock()
	r.wake()
	return nil
}
