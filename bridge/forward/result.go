package forward

import (
	"culvert/bridge/drop"
	"culvert/bridge/radio"
)

// resolve deals with the result of a frame.
func (f *Forwarder) resolve(fl *flight, o radio.Outcome) {
	s, c := &f.sender, &f.counters.to
	p := fl.p
	q := p.q
	q.note(o, s.now)
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
		f.again(fl, int64(pause))
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

// release ends a frame, and its packet's memory if the packet has ended already.
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

// drop ends a frame that failed for good, and abandons its datagram.
func (f *Forwarder) drop(fl *flight, r drop.Reason) {
	f.fail(fl.p, r)
	f.release(fl)
}

// again lets a frame be tried again; its node rests for so many nanoseconds.
func (f *Forwarder) again(fl *flight, pause int64) {
	q := fl.p.q
	fl.waiting = true
	q.waiting++
	q.backoff = f.now() + pause
	f.sender.waiting = append(f.sender.waiting, fl)
}

// rested takes fl out of those to be tried again. The last one of a node ends the
// node's rest.
func (fl *flight) rested() {
	q := fl.p.q
	fl.waiting = false
	if q.waiting--; q.waiting == 0 {
		q.backoff = 0
	}
}

// retry hands over the frames whose nodes have rested, and returns when the next
// one will have; 0 if none waits.
func (f *Forwarder) retry() (next int64) {
	s := &f.sender
	now := s.now
	list := s.waiting
	s.waiting = s.waiting[:0]
	for _, fl := range list {
		p := fl.p
		q := p.q
		r := drop.None
		if !p.ended {
			r = f.unfit(p, fl.to, now)
		}
		switch {
		case p.ended || r != drop.None:
			fl.rested()
			f.drop(fl, r)
		case q.backoff > now:
			next = earlier(next, q.backoff)
			s.waiting = append(s.waiting, fl)
		case f.window() == 0: // until a result or new credits wake the sender
			s.waiting = append(s.waiting, fl)
		default:
			fl.rested()
			s.unblock(q)
			f.hand(fl) // may put it back into s.waiting, which list is ahead of
		}
	}
	return next
}

// earlier returns the earlier of two times, where 0 is never.
func earlier(a, b int64) int64 {
	if a == 0 || b != 0 && b < a {
		return b
	}
	return a
}

// lose fails every frame that was handed to the radio before it went down.
func (f *Forwarder) lose() {
	s := &f.sender
	now := s.session.Load()
	s.seen = now
	for i := range s.flights.all {
		fl := &s.flights.all[i]
		if fl.p == nil || fl.session == now {
			continue
		}
		if fl.waiting { // it has no id; retry gives it back
			f.fail(fl.p, drop.RadioDown)
			continue
		}
		id := fl.id.Load()
		if id == 0 || !fl.id.CompareAndSwap(id, 0) {
			continue // its result came just now
		}
		s.inFlight--
		f.counters.to.framesInFlight.Add(-1)
		f.countFailed(fl, drop.RadioDown)
		f.drop(fl, drop.RadioDown)
	}
}

// sweep ends what is too old, in the queues and without a result.
func (f *Forwarder) sweep() {
	s := &f.sender
	if f.deadlines.all.Load() != nil {
		f.withdraw()
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
		for c := range q.flows {
			fl := &q.flows[c]
			for fl.head != nil {
				r := f.unfit(fl.head, fl.to, now)
				if r == drop.None {
					break
				}
				f.fail(fl.head, r)
			}
		}
		if q.count.Load() == 0 && q.unresolved == 0 {
			q.busy = false
			continue
		}
		kept = append(kept, q)
	}
	clear(s.busy[len(kept):])
	s.busy = kept
}

// delivered ends a packet that got through.
func (f *Forwarder) delivered(p *packet) {
	c := &f.counters.to
	c.delivered.Add(1)
	c.octets.Add(uint64(len(p.octets)))
	p.q.node.Traffic().PacketsDelivered.Add(1)
	f.end(p)
}

// fail ends a packet that did not, wherever it is.
func (f *Forwarder) fail(p *packet, r drop.Reason) {
	if p.ended {
		return
	}
	f.counters.to.dropped[r].Add(1)
	p.q.node.Traffic().PacketsDropped.Add(1)
	if fl := &p.q.flows[p.class]; fl.head == p {
		fl.pop()
	}
	f.end(p)
}

// end takes a packet off the books. Its memory stays while frames of it are without
// a result.
func (f *Forwarder) end(p *packet) {
	p.ended = true
	p.q.count.Add(-1)
	p.q.octets.Add(-int32(len(p.octets)))
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
	f.takeNews()
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
			if fl.waiting {
				fl.rested()
			}
			f.drop(fl, drop.Shutdown)
		}
	}
	s.waiting = nil
	for _, q := range s.busy {
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
