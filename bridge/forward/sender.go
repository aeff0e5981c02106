package forward

import (
	"context"
	"errors"
	"net"
	"sync/atomic"
	"time"

	"culvert/bridge/adapt"
	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/lowpan"
	"culvert/bridge/radio"
)

// Our own figures.
const (
	maxUnresolved = 2                     // frames of one node without a result
	firstBackoff  = 20 * time.Millisecond // after "queue full", doubling
	lastBackoff   = 2 * time.Second
	maxTurns      = 8                    // that a goroutine with other work takes in a row
	turnFrames    = 64                   // that one turn hands to the radio at most
	timeEvery     = time.Second          // between two frames of a node whose time is measured
	noCreditPause = 5 * time.Millisecond // the radio refused a frame that we thought it had room for
)

// sender is what empties the queues into the radio.
type sender struct {
	// Shared.
	stack   atomic.Pointer[queue]      // queues that have news
	asked   atomic.Uint32              // for a turn, since it was anybody's; 0: it is
	wake    chan struct{}              // holds one: the turn, for the sending goroutine
	next    atomic.Int64               // when something is to be tried again; 0: never
	sooner  chan struct{}              // holds one: next is earlier than it was
	info    atomic.Pointer[radio.Info] // nil: the radio is down
	credits atomic.Int64
	session atomic.Uint32 // goes up each time the radio goes down
	ticked  atomic.Bool
	turns   atomic.Uint64
	flights flights

	// Of whoever has the turn.
	adapt    *adapt.Sender
	seen     uint32 // session whose end was dealt with
	now      int64  // on the forwarder's clock, at the last tick or later
	dead     uint32 // session in which the radio refused frames as down, plus 1
	pause    int64  // until when no frame leaves, since the radio had no room
	firm     int64  // the earliest deadline of a frame that the radio has; 0: none has one
	inFlight int
	rings    [classes]ring
	busy     []*queue // every queue that holds a packet, and some that did
	resting  []*queue // every queue with frames to be tried again
	retryAt  int64    // when the first of them has rested; 0: none rests
}

// Whoever has news for the sender takes its turn, if nobody is at it: so a packet
// that may leave at once costs no switch of goroutines. The sending goroutine takes
// the turns for which the time has come, and relieves one that is kept too long.

// kick lets the sender look at what changed.
func (f *Forwarder) kick() {
	s := &f.sender
	if s.asked.Add(1) != 1 {
		return // somebody is at it, and will look again
	}
	for range maxTurns {
		if f.takeTurn() {
			return
		}
	}
	s.wake <- struct{}{} // the turn goes with it: nobody else sends into it now
}

// takeTurn takes one turn, and reports whether that was all that was asked for. The
// turn is then anybody's.
func (f *Forwarder) takeTurn() bool {
	s := &f.sender
	asked := s.asked.Load()
	next, more := f.turn()
	s.turns.Add(1)
	if was := s.next.Swap(next); next != 0 && (was == 0 || next < was) {
		select {
		case s.sooner <- struct{}{}:
		default: // it is told already
		}
	}
	return !more && s.asked.CompareAndSwap(asked, 0)
}

// Run takes the turns that nobody else does until ctx ends.
func (f *Forwarder) Run(ctx context.Context) error {
	s := &f.sender
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	for {
		var due <-chan time.Time
		if next := s.next.Load(); next != 0 {
			timer.Reset(max(0, time.Duration(next-f.now())))
			due = timer.C
		}
		select {
		case <-s.wake:
			for !f.takeTurn() {
			}
		case <-due:
			s.next.Store(0)
			f.kick()
		case <-s.sooner:
		case <-ctx.Done():
			return nil
		}
	}
}

// news tells the sender that q has something for it.
func (f *Forwarder) news(q *queue) {
	s := &f.sender
	if q.listed.CompareAndSwap(false, true) {
		for {
			top := s.stack.Load()
			q.nextNews = top
			if s.stack.CompareAndSwap(top, q) {
				break
			}
		}
	}
	f.kick()
}

// turn does what can be done now: all of it, or as much as goes with turnFrames frames,
// so that a load without end holds up no goroutine that has other work. It returns when
// something is to be tried again, 0 if nothing is, and whether more can be done at once.
func (f *Forwarder) turn() (next int64, more bool) {
	s := &f.sender
	s.now = f.lately()
	for frames := 0; ; frames++ {
		for fl, o, ok := s.flights.landed(); ok; fl, o, ok = s.flights.landed() {
			f.resolve(fl, o)
		}
		if s.session.Load() != s.seen {
			f.lose()
		}
		if s.stack.Load() != nil {
			f.takeNews()
		}
		if s.ticked.Load() && s.ticked.CompareAndSwap(true, false) {
			f.sweep()
		}
		if s.firm != 0 && f.now() >= s.firm {
			f.withdraw()
		}
		next = s.firm
		if s.pause != 0 && f.now() >= s.pause {
			s.pause = 0
		}
		if s.retryAt != 0 {
			next = earlier(next, f.retry())
		}
		next = earlier(next, s.pause)
		if frames == turnFrames {
			return next, true
		}
		fl := s.pick(f.window())
		if fl == nil {
			return next, false
		}
		f.serve(fl)
	}
}

// window returns how many frames a node may have unresolved now: at most 2, and
// half of the credits; 0 if no frame at all may leave.
func (f *Forwarder) window() int {
	s := &f.sender
	credits := int(s.credits.Load())
	if s.inFlight >= credits || s.pause != 0 || s.info.Load() == nil || s.dead == s.session.Load()+1 || len(s.flights.free) == 0 {
		return 0
	}
	return max(1, min(maxUnresolved, credits/2))
}

// takeNews sorts what was pushed into the flows.
func (f *Forwarder) takeNews() {
	s := &f.sender
	for q := s.stack.Swap(nil); q != nil; {
		following := q.nextNews
		q.listed.Store(false) // from here on a push lists it again
		for p := q.takeAll(); p != nil; {
			next := p.next
			p.next = nil
			fl := &q.flows[p.class]
			if fl.tail == nil {
				fl.head = p
			} else {
				fl.tail.next = p
			}
			fl.tail = p
			s.rings[p.class].add(fl)
			p = next
		}
		if !q.busy {
			q.busy = true
			s.busy = append(s.busy, q)
		}
		q = following
	}
}

// serve sends one frame of the flow that is to go next.
func (f *Forwarder) serve(fl *flow) {
	s := &f.sender
	q, p := fl.q, fl.head
	if r := f.unfit(p, fl.to, s.now); r != drop.None {
		f.fail(p, r)
		return
	}
	if !p.begun {
		if err := f.begin(fl, p); err != nil {
			f.fail(p, drop.Of(err))
			return
		}
	}
	out := s.flights.take()
	out.p, out.to = p, fl.to
	out.payload = fl.out.Append(out.payload[:0])
	fl.deficit -= len(out.payload)
	p.pending++
	q.unresolved++
	if len(out.payload) == 0 {
		f.drop(out, drop.NotSent)
		return
	}
	if fl.out.Done() {
		p.sent = true
		fl.pop()
	}
	f.hand(out)
}

// unfit returns why p may not go on its way, or further on it to the link address
// at which it was begun.
func (f *Forwarder) unfit(p *packet, to ieee802154.Addr, now int64) drop.Reason {
	n := p.q.node
	switch {
	case f.late(p):
		return drop.DeadlinePassed
	case now-p.at > int64(f.opt.MaxAge):
		return drop.QueueExpired
	case n.Removed(), p.begun && p.link.IsNone() && !n.HasLink(to):
		// The short address may be another node's now: no further fragment goes there.
		return drop.NodeRemoved
	case !n.Reachable():
		return drop.NodeSilent
	}
	return drop.None
}

// begin starts the compression of the packet at the head of a flow.
func (f *Forwarder) begin(fl *flow, p *packet) error {
	q, s := fl.q, &f.sender
	info := s.info.Load()
	if info == nil {
		return errDown
	}
	to, room := q.node.SendTo(), info.MaxShort
	if eui := q.node.EUI64(); to.IsExtended() || room == 0 && !eui.IsNone() {
		to, room = eui, info.MaxExtended
	}
	if p.link.IsShort() {
		to, room = p.link, info.MaxShort
	} else if p.link.IsExtended() {
		to, room = p.link, info.MaxExtended
	}
	peer := lowpan.Peer{From: info.Source(), To: to, Full: f.opt.Full || q.node.Full(), GHC: q.node.GHC()}
	fl.to = to
	p.begun = true
	return s.adapt.Start(&fl.out, p.octets, peer, f.contexts.Load(), room)
}

var errDown = drop.NewError(drop.RadioDown, "radio", "PROTOCOL.md, down")

// hand gives a frame to the radio.
func (f *Forwarder) hand(fl *flight) {
	s, c := &f.sender, &f.counters.to
	q := fl.p.q
	fl.session = s.session.Load()
	fl.sentAt, fl.timed = s.now, false
	if q.timedAt == 0 || s.now-q.timedAt >= int64(timeEvery) {
		fl.sentAt, fl.timed = f.now(), true
		q.timedAt = fl.sentAt
	}
	err := f.opt.Radio.Send(radio.Frame{To: fl.to, Payload: fl.payload, Priority: fl.p.class.priority()}, fl.depart())
	if err == nil {
		s.inFlight++
		c.framesInFlight.Add(1)
		c.frames.Add(1)
		c.frameOctets.Add(uint64(len(fl.payload)))
		q.node.Traffic().FramesSent.Add(1)
		if d := fl.p.deadline; d != nil {
			s.firm = earlier(s.firm, d.at.Load())
		}
		return
	}
	fl.id.Store(0)
	switch {
	case errors.Is(err, radio.ErrNoCredit):
		s.pause = f.now() + int64(noCreditPause)
		f.again(fl, 0)
	case errors.Is(err, radio.ErrDown):
		s.dead = fl.session + 1
		f.drop(fl, drop.RadioDown)
	case errors.Is(err, net.ErrClosed):
		s.dead = fl.session + 1
		f.drop(fl, drop.Shutdown)
	default: // too long for the radio, or no address: it will never go
		f.drop(fl, drop.NotSent)
	}
}
