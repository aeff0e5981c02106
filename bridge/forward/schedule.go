package forward

// Deficit round robin by octets of MAC payload: the size of the next frame is only
// known once it was made, so a flow may overdraw by one frame, and waits until
// later rounds made up for it. Flows that may not send now are in no ring; when one
// comes back it gets what it missed, at most one round's worth.

const (
	quantum  = 128  // octets a round
	maxBurst = 8    // frames of a higher class in a row while a lower one waits
	maxFrame = 2047 // octets of MAC payload that any attachment can carry
)

// ring is the flows of one class that may send, in the order of their turns.
type ring struct {
	head, tail *flow
	size       int
	round      uint64
	burst      int // frames in a row while a lower class waited
}

// add puts fl at the end, unless it is in the ring or empty.
func (r *ring) add(fl *flow) {
	if fl.ready || fl.head == nil {
		return
	}
	fl.ready = true
	fl.next = nil
	if r.tail == nil {
		r.head = fl
	} else {
		r.tail.next = fl
	}
	r.tail = fl
	r.size++
}

// shift takes the first flow out.
func (r *ring) shift() *flow {
	fl := r.head
	r.head = fl.next
	if r.head == nil {
		r.tail = nil
	}
	fl.next = nil
	fl.ready = false
	r.size--
	return fl
}

// first returns the flow whose turn it is, nil if none may send. Flows whose node
// has window frames unresolved, or rests, leave the ring until unblock.
func (r *ring) first(window int) *flow {
	for visits := 0; r.head != nil; {
		fl := r.head
		if fl.head == nil || fl.q.unresolved >= window || fl.q.waiting > 0 {
			r.shift()
			continue
		}
		if fl.round != r.round {
			missed := int(min(r.round-fl.round, 1+maxFrame/quantum))
			fl.deficit = min(fl.deficit+missed*quantum, quantum)
			fl.round = r.round
		}
		if fl.deficit > 0 {
			return fl
		}
		r.add(r.shift())
		if visits++; visits >= r.size { // nobody has anything left of this round
			r.round++
			visits = 0
		}
	}
	return nil
}

// pick returns the flow that sends the next frame: of the highest class that can,
// but of a lower one after maxBurst frames, so that nothing starves.
func (s *sender) pick(window int) *flow {
	if window == 0 {
		return nil
	}
	var found *flow
	for c := classes - 1; c >= 0; c-- {
		r := &s.rings[c]
		fl := r.first(window)
		if fl == nil {
			continue
		}
		if found != nil {
			// A higher class has one too, and has had its burst.
			s.rings[found.class].burst = 0
		}
		found = fl
		if r.burst < maxBurst {
			r.burst++
			return fl
		}
	}
	return found
}

// unblock puts the flows of q back into their rings.
func (s *sender) unblock(q *queue) {
	for c := range q.flows {
		s.rings[c].add(&q.flows[c])
	}
}

// pop takes the first packet from the flow.
func (fl *flow) pop() {
	p := fl.head
	fl.head = p.next
	if fl.head == nil {
		fl.tail = nil
	}
	p.next = nil
}
