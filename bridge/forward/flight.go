package forward

import (
	"sync/atomic"

	"culvert/bridge/ieee802154"
	"culvert/bridge/radio"
)

// maxFlights is the maximum of frames in flight to all nodes together, whatever credits the
// radio gives. A power of 2.
const maxFlights = 1024

// flight is one frame from when it is given to the radio to its result.
type flight struct {
	// id is not 0 while the frame has no result. The goroutine that swaps it to 0 ends the
	// flight: the radio's reader on a result, or the sender.
	id atomic.Uint32

	// The sender's.
	slot     uint32
	tries    uint32
	session  uint32 // of the radio, when it was handed over
	sentAt   int64
	timed    bool // sentAt is exact
	p        *packet
	to       ieee802154.Addr
	payload  []byte // kept for the next frame that takes this flight
	recalled bool   // its deadline passed, and the radio was asked to drop it
}

// flights holds all flights and the results that the sender has not processed yet. Only the
// radio's reader pushes to the ring, only the sender pops. A flight is in the ring at most
// once, so the ring cannot overflow.
type flights struct {
	all  [maxFlights]flight
	free []uint32 // the sender's

	ring       [maxFlights]uint32 // slot << 8 | outcome
	head, tail atomic.Uint32
}

func (x *flights) init() {
	x.free = make([]uint32, maxFlights)
	for i := range x.free {
		x.free[i] = uint32(maxFlights - 1 - i)
		x.all[i].slot = uint32(i)
	}
}

// take returns an unused flight, nil if there is none.
func (x *flights) take() *flight {
	if len(x.free) == 0 {
		return nil
	}
	fl := &x.all[x.free[len(x.free)-1]]
	x.free = x.free[:len(x.free)-1]
	return fl
}

func (x *flights) give(fl *flight) {
	fl.p = nil
	fl.recalled = false
	x.free = append(x.free, fl.slot)
}

// depart marks fl as without a result, and returns its id: one that was not in use
// for long.
func (fl *flight) depart() uint32 {
	fl.tries++
	id := (fl.tries<<10 | fl.slot)
	if id < maxFlights { // the count went round
		fl.tries = 1
		id = maxFlights | fl.slot
	}
	fl.id.Store(id)
	return id
}

// land takes the result of the frame with an id, from the radio's reader. Ids that
// no frame under way has are ignored: false.
func (x *flights) land(id uint32, o radio.Outcome) bool {
	fl := &x.all[id%maxFlights]
	if id == 0 || !fl.id.CompareAndSwap(id, 0) {
		return false
	}
	t := x.tail.Load()
	x.ring[t%maxFlights] = fl.slot<<8 | uint32(o)
	x.tail.Store(t + 1)
	return true
}

// landed returns the next result, for the sender.
func (x *flights) landed() (*flight, radio.Outcome, bool) {
	h := x.head.Load()
	if h == x.tail.Load() {
		return nil, 0, false
	}
	v := x.ring[h%maxFlights]
	x.head.Store(h + 1)
	return &x.all[v>>8], radio.Outcome(v & 0xff), true
}
