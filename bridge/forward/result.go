package forward

import (
	"culvert/bridge/drop"
	"culvert/bridge/radio"
)

// resolve handles the result of a frame.
func (f *Forwarder) resolve(fl *flight, o radio.Outcome) {
	s, c := &f.sender, &f.counters.to
	p := fl.p
	q := p.q
	q.recordResult(o, s.now)
	s.inFlight--
	s.pause = 0
	c.framesInFlight.Add(-1)
	switch {
	case o.OK():
		c.framesConsumed.Add(1)
		q.fulls = 0
		t := q.node.Traffic()
		t.FramesAcked.Add(1)
		if fl.timed {
			took, old := f.now()-fl.sentAt, t.Latency.Load()
			if old == 0 {
				old = took
			}
			t.Latency.Store(old + (took-old)/8)
		}
		last := p.sent && p.pending == 1 && !p.ended
		f.release(fl)
		if last {
			f.delivered(p)
		}
	case o == radio.OutcomeQueueFull && !p.ended:
		c.framesReturned.Add(1)
		pause := min(firstBackoff<<min(q.fulls, 16), lastBackoff)
		q.fulls++
		f.returnToQueue(fl, int64(pause))
	default:
		if o == radio.OutcomeNoRoute && !p.ended {
			f.unreachable(p)
		}
		r := drop.RadioFailed
		if o == radio.OutcomeCancelled && fl.recalled {
			r = drop.DeadlinePassed
		}
		f.countFailed(fl, r)
		f.drop(fl, r)
	}
}

func (f *Forwarder) countFailed(fl *flight, r drop.Reason) {
	f.counters.to.framesDropped[r].Add(1)
	fl.p.q.node.Traffic().FramesFailed.Add(1)
}

// release frees the flight of a frame, and the packet's buffer if the packet has ended and
// this was its last frame.
func (f *Forwarder) release(fl *flight) {
	s, p := &f.sender, fl.p
	q := p.q
	p.pending--
	q.unresolved--
	s.flights.give(fl)
	if p.ended && p.pending == 0 {
		f.buffers.give(p)
	}
	s.unblock(q)
}

// drop releases a frame that cannot be retried, and fails its packet.
func (f *Forwarder) drop(fl *flight, r drop.Reason) {
	f.fail(fl.p, r)
	f.release(fl)
}

// returnToQueue schedules a frame to be resent after pause nanoseconds. The frame moves from
// its flight into the queue of its node.
func (f *Forwarder) returnToQueue(fl *flight, pause int64) {
	s, q := &f.sender, fl.p.q
	r := &q.returned[q.waiting]
	r.p, r.to, r.payload = fl.p, fl.to, append(r.payload[:0], fl.payload...)
	q.waiting++
	q.retryAt = max(1, f.now()+pause)
	s.retryAt = earlier(s.retryAt, q.retryAt)
	s.flights.give(fl)
	if !q.resting {
		q.resting = true
		s.resting = append(s.resting, q)
	}
}

// retry resends the returned frames that are due, and returns when the next one is; 0 if
// there is none, or if it has to wait for a result or credits, which run the sender.
func (f *Forwarder) retry() int64 {
	s := &f.sender
	if s.now < s.retryAt {
		return s.retryAt
	}
	if f.window() == 0 {
		return 0
	}
	s.retryAt = 0
	kept := s.resting[:0]
	for _, q := range s.resting {
		for q.waiting > 0 && q.retryAt <= s.now && f.window() > 0 {
			f.resend(q)
		}
		if q.waiting == 0 {
			q.resting = false
			continue
		}
		s.retryAt = earlier(s.retryAt, q.retryAt)
		kept = append(kept, q)
	}
	clear(s.resting[len(kept):])
	s.resting = kept
	if f.window() == 0 {
		return 0
	}
	return s.retryAt
}

// resend gives the oldest returned frame of q to the radio once more.
func (f *Forwarder) resend(q *queue) {
	s, r := &f.sender, &q.returned[0]
	if why := f.whyEnded(r.p, r.to, s.now); why != drop.None {
		f.fail(r.p, why)
		return
	}
	fl := s.flights.take()
	fl.p, fl.to, fl.payload = r.p, r.to, append(fl.payload[:0], r.payload...)
	q.shift(0)
	s.unblock(q)
	f.hand(fl)
}

// shift removes the returned frame at index i. Without any the node sends again.
func (q *queue) shift(i int) {
	gone := q.returned[i]
	gone.p = nil
	q.waiting--
	copy(q.returned[i:], q.returned[i+1:q.waiting+1])
	q.returned[q.waiting] = gone
}

// dropReturned removes the returned frames of a packet that failed.
func (f *Forwarder) dropReturned(p *packet) {
	q := p.q
	for i := q.waiting - 1; i >= 0; i-- {
		if q.returned[i].p == p {
			q.shift(i)
			q.unresolved--
			p.pending--
		}
	}
	f.sender.unblock(q)
}

// earlier returns the earlier of two times, where 0 is never.
func earlier(a, b int64) int64 {
	if a == 0 || b != 0 && b < a {
		return b
	}
	return a
}

// failLost fails all frames in flight and returned frames of an earlier session of the radio.
func (f *Forwarder) failLost() {
	s := &f.sender
	now := s.session.Load()
	s.failedSession = now
	for _, q := range s.resting {
		for q.waiting > 0 {
			f.fail(q.returned[0].p, drop.RadioDown)
		}
	}
	for i := range s.flights.all {
		fl := &s.flights.all[i]
		if fl.p == nil || fl.session == now {
			continue
		}
		id := fl.id.Load()
		if id == 0 || !fl.id.CompareAndSwap(id, 0) {
			continue // its result has just arrived
		}
		s.inFlight--
		f.counters.to.framesInFlight.Add(-1)
		f.countFailed(fl, drop.RadioDown)
		f.drop(fl, drop.RadioDown)
	}
}

// sweep fails packets that are too old, and frames whose result is overdue.
func (f *Forwarder) sweep() {
	s := &f.sender
	if f.deadlines.all.Load() != nil {
		f.cancelPastDeadline()
	}
	now := s.now
	for i := range s.flights.all {
		fl := &s.flights.all[i]
		id := fl.id.Load()
		if id == 0 || fl.p == nil || now-fl.sentAt <= int64(f.opt.ResultWait) || !fl.id.CompareAndSwap(id, 0) {
			continue
		}
		s.inFlight--
		f.counters.to.framesInFlight.Add(-1)
		f.countFailed(fl, drop.RadioFailed)
		f.drop(fl, drop.RadioFailed)
	}
	kept := s.busy[:0]
	for _, q := range s.busy {
		for i := q.waiting - 1; i >= 0; i = min(i, q.waiting) - 1 {
			if r := f.whyEnded(q.returned[i].p, q.returned[i].to, now); r != drop.None {
				f.fail(q.returned[i].p, r)
			}
		}
		for c := range q.flows {
			fl := &q.flows[c]
			for fl.head != nil {
				r := f.whyEnded(fl.head, fl.to, now)
				if r == drop.None {
					break
				}
				f.fail(fl.head, r)
			}
		}
		if load(q.held.Load()).packets() == 0 && q.unresolved == 0 {
			q.busy = false
			continue
		}
		kept = append(kept, q)
	}
	clear(s.busy[len(kept):])
	s.busy = kept
}

// delivered ends a packet that was delivered.
func (f *Forwarder) delivered(p *packet) {
	c := &f.counters.to
	c.delivered.Add(1)
	c.octets.Add(uint64(len(p.octets)))
	p.q.node.Traffic().PacketsDelivered.Add(1)
	f.end(p)
}

// fail ends a packet that was not, in a flow, returned or in flight.
func (f *Forwarder) fail(p *packet, r drop.Reason) {
	if p.ended {
		return
	}
	f.counters.to.dropped[r].Add(1)
	p.q.node.Traffic().PacketsDropped.Add(1)
	if fl := &p.q.flows[p.class]; fl.head == p {
		fl.pop()
	}
	if p.q.waiting > 0 {
		f.dropReturned(p)
	}
	f.end(p)
}

// end takes a packet off the books. Its memory stays while frames of it are without
// a result.
func (f *Forwarder) end(p *packet) {
	p.ended = true
	p.q.held.Add(-uint64(loadOf(len(p.octets), p.forwarded)))
	f.counters.to.queued.Add(-1)
	if p.pending == 0 {
		f.buffers.give(p)
	}
}

// Close ends everything that is still queued or under way as a shutdown. Run and
// everything that pushes has ended before.
func (f *Forwarder) Close() {
	f.logChanges()
	s := &f.sender
	f.takePushed()
	for fl, o, ok := s.flights.landed(); ok; fl, o, ok = s.flights.landed() {
		f.resolve(fl, o)
	}
	for i := range s.flights.all {
		if fl := &s.flights.all[i]; fl.p != nil {
			if fl.id.Swap(0) != 0 {
				s.inFlight--
				f.counters.to.framesInFlight.Add(-1)
				f.countFailed(fl, drop.Shutdown)
			}
			f.drop(fl, drop.Shutdown)
		}
	}
	for _, q := range s.busy {
		for q.waiting > 0 {
			f.fail(q.returned[0].p, drop.Shutdown)
		}
		for c := range q.flows {
			for q.flows[c].head != nil {
				f.fail(q.flows[c].head, drop.Shutdown)
			}
		}
	}
}

func (s *sender) state() RadioState {
	return RadioState{Up: s.info.Load() != nil, Credits: int(s.credits.Load())}
}
