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
	maxTurns      = 8                    // in a row, of a goroutine with other work
	turnFrames    = 64                   // that one turn hands to the radio at most
	timeEvery     = time.Second          // between two latency measurements of a node
	noCreditPause = 5 * time.Millisecond // after the radio refused a frame although it had credits
)

// sender takes frames from the queues and gives them to the radio.
type sender struct {
	// Shared.
	stack   atomic.Pointer[queue]      // queues to which packets were pushed
	asked   atomic.Uint32              // turns asked for since the sender was last idle; 0: it is idle
	wake    chan struct{}              // capacity 1: passes the turn to the sending goroutine
	next    atomic.Int64               // time of the next retry or deadline; 0: none
	sooner  chan struct{}              // capacity 1: next is earlier than it was
	info    atomic.Pointer[radio.Info] // nil: the radio is down
	credits atomic.Int64
	session atomic.Uint32 // goes up each time the radio goes down
	ticked  atomic.Bool
	turns   atomic.Uint64
	flights flights

	// Owned by the goroutine that has the turn.
	adapt         *adapt.Sender
	failedSession uint32 // last session whose frames were failed
	now           int64  // on the forwarder's clock, at the last tick or later
	downSession   uint32 // session in which the radio returned ErrDown, plus 1
	pause         int64  // no frame is sent before this time: the radio had no room
	nextDeadline  int64  // the earliest deadline of a frame in flight; 0: none
	inFlight      int
	rings         [classes]ring
	busy          []*queue // every queue that holds a packet, and some that did
	resting       []*queue // every queue with frames to be tried again
	retryAt       int64    // when the first of them is retried; 0: none
}

// The goroutine that has work for the sender, such as the one that enqueues a packet, runs
// the sender itself if the sender is idle. So a packet that can be sent at once costs no
// goroutine switch. The sending goroutine runs the sender for retries and deadlines, and
// takes over from a goroutine that has run it maxTurns times.

// kick runs the sender, or makes the goroutine that is running it run it once more.
func (f *Forwarder) kick() {
	s := &f.sender
	if s.asked.Add(1) != 1 {
		return // another goroutine runs the sender and will see the request
	}
	for range maxTurns {
		if f.takeTurn() {
			return
		}
	}
	s.wake <- struct{}{} // passes the turn, so no other goroutine sends to wake now
}

// takeTurn runs the sender once, and reports whether no work is left; the sender is then
// idle.
func (f *Forwarder) takeTurn() bool {
	s := &f.sender
	asked := s.asked.Load()
	next, more := f.turn()
	s.turns.Add(1)
	if was := s.next.Swap(next); next != 0 && (was == 0 || next < was) {
		select {
		case s.sooner <- struct{}{}:
		default: // Run is notified already
		}
	}
	return !more && s.asked.CompareAndSwap(asked, 0)
}

// Run runs the sender for retries and deadlines, and when kick passes its turn on, until
// ctx ends.
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

// notifySender puts q on the stack of pushed queues and runs the sender.
func (f *Forwarder) notifySender(q *queue) {
	s := &f.sender
	if q.listed.CompareAndSwap(false, true) {
		for {
			top := s.stack.Load()
			q.nextPushed = top
			if s.stack.CompareAndSwap(top, q) {
				break
			}
		}
	}
	f.kick()
}

// turn processes results and queues and sends up to turnFrames frames, so that constant
// load does not hold up the goroutine that runs it. It returns the time of the next retry
// or deadline, 0 for none, and whether more frames can be sent at once.
func (f *Forwarder) turn() (next int64, more bool) {
	s := &f.sender
	s.now = f.cachedNow()
	for frames := 0; ; frames++ {
		for fl, o, ok := s.flights.landed(); ok; fl, o, ok = s.flights.landed() {
			f.resolve(fl, o)
		}
		if s.session.Load() != s.failedSession {
			f.failLost()
		}
		if s.stack.Load() != nil {
			f.takePushed()
		}
		if s.ticked.Load() && s.ticked.CompareAndSwap(true, false) {
			f.sweep()
		}
		if s.nextDeadline != 0 && f.now() >= s.nextDeadline {
			f.cancelPastDeadline()
		}
		next = s.nextDeadline
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

// window returns how many frames a node may have unresolved now: at most maxUnresolved and
// half of the credits; 0 if no frame may be sent.
func (f *Forwarder) window() int {
	s := &f.sender
	credits := int(s.credits.Load())
	if s.inFlight >= credits || s.pause != 0 || s.info.Load() == nil || s.downSession == s.session.Load()+1 || len(s.flights.free) == 0 {
		return 0
	}
	return max(1, min(maxUnresolved, credits/2))
}

// takePushed moves pushed packets into the flows of their classes.
func (f *Forwarder) takePushed() {
	s := &f.sender
	for q := s.stack.Swap(nil); q != nil; {
		following := q.nextPushed
		q.listed.Store(false) // a later push puts it on the stack again
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

// serve sends one frame of a flow.
func (f *Forwarder) serve(fl *flow) {
	s := &f.sender
	q, p := fl.q, fl.head
	if r := f.whyEnded(p, fl.to, s.now); r != drop.None {
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

// whyEnded returns why p may not be sent, or its further fragments not to the link address
// of the first; drop.None if it may.
func (f *Forwarder) whyEnded(p *packet, to ieee802154.Addr, now int64) drop.Reason {
	n := p.q.node
	switch {
	case f.pastDeadline(p):
		return drop.DeadlinePassed
	case now-p.at > int64(f.opt.MaxAge):
		return drop.QueueExpired
	case n.Removed(), p.begun && p.link.IsNone() && !n.HasLink(to):
		// Another node may have the short address now: send it no further fragment.
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

// hand gives a frame to the radio and handles a refusal.
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
			s.nextDeadline = earlier(s.nextDeadline, d.at.Load())
		}
		return
	}
	fl.id.Store(0)
	switch {
	case errors.Is(err, radio.ErrNoCredit):
		s.pause = f.now() + int64(noCreditPause)
		f.returnToQueue(fl, 0)
	case errors.Is(err, radio.ErrDown):
		s.downSession = fl.session + 1
		f.drop(fl, drop.RadioDown)
	case errors.Is(err, net.ErrClosed):
		s.downSession = fl.session + 1
		f.drop(fl, drop.Shutdown)
	default: // too long for the radio, or no address: a retry cannot succeed
		f.drop(fl, drop.NotSent)
	}
}
