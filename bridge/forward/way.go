package forward

import (
	"time"

	"culvert/bridge/node"
	"culvert/bridge/radio"
)

// Way is the state of the packet path to one node.
type Way struct {
	Packets, Octets       int           // in the node's queue and in flight
	MaxPackets, MaxOctets int           // limits at which packets of that kind are refused
	Last                  radio.Outcome // of the last frame to the node that had a result
	At                    time.Time     // of that result; zero if there was none yet
	Failed                int           // frames in a row that failed for good, the last one included
}

// Way returns the state of the path to n. If own is set, it counts all packets and gives
// the limits of the gateway's own; else it counts forwarded packets and gives their limits.
func (f *Forwarder) Way(n *node.Node, own bool) Way {
	max := f.shares.forwarded.forwarded
	if own {
		max = f.shares.common.all
	}
	w := Way{MaxPackets: max.packets, MaxOctets: max.octets}
	q := f.queues.of(n)
	if q == nil {
		return w
	}
	l := load(q.held.Load())
	if !own {
		l = l.forwarded()
	}
	w.Packets, w.Octets = l.packets(), l.octets()
	if r := q.result.Load(); r != 0 {
		w.Failed = int(q.failed.Load())
		w.Last, w.At = radio.Outcome(r), f.start.Add(time.Duration(r>>8)*time.Millisecond)
	}
	return w
}

// recordResult stores the result of a frame for Way: milliseconds on the forwarder's clock
// and the outcome, which is never 0.
func (q *queue) recordResult(o radio.Outcome, now int64) {
	switch {
	case o.OK():
		q.failed.Store(0)
	case o != radio.OutcomeQueueFull: // the frame is resent
		q.failed.Add(1)
	}
	q.result.Store(uint64(now/1e6)<<8 | uint64(o))
}
