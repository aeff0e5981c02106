package forward

import (
	"sync"
	"sync/atomic"

	"culvert/bridge/adapt"
	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/bridge/radio"
)

// class is the importance of a packet. A higher one goes first.
type class uint8

const (
	classData    class = iota // everything else
	classControl              // forwarded CoAP requests that change something
	classOwn                  // the same of the gateway itself: writes to outputs
	classNetwork              // neighbour discovery, ICMPv6 errors of ours

	classes = int(classNetwork) + 1
)

// priority returns what the radio is told of a class: it does not distinguish who
// sent a control write.
func (c class) priority() radio.Priority {
	switch c {
	case classNetwork:
		return radio.PriorityNetwork
	case classControl, classOwn:
		return radio.PriorityControl
	}
	return radio.PriorityData
}

// queue is what waits for one node. Any goroutine may push; the sender takes all
// at once, and everything below "the sender's" is its alone.
type queue struct {
	node   *node.Node
	held   atomic.Uint64 // a load: all packets from push to their end
	result atomic.Uint64 // the last of a frame: queue.note
	failed atomic.Int32  // frames in a row

	listed   atomic.Bool // on the stack of queues that have news for the sender
	nextNews *queue

	mu         sync.Mutex
	head, tail *packet // guarded by mu: pushed, and not yet taken

	// The sender's.
	flows      [classes]flow
	unresolved int                     // frames handed to the radio, or waiting to be tried again
	returned   [maxUnresolved]returned // the first waiting of them wait to be tried again, oldest first
	waiting    int                     // the node rests while it is not 0
	retryAt    int64                   // when the node has rested
	fulls      int                     // "queue full" in a row
	timedAt    int64                   // when a frame was last handed over whose time is measured
	busy       bool                    // in the sender's list of queues that are not empty
	resting    bool                    // in the sender's list of queues with frames to be tried again
}

// returned is a frame for which the radio had no room. It waits in the queue of its
// node and holds no flight, so that nodes that are full take nothing from others.
type returned struct {
	p       *packet
	to      ieee802154.Addr
	payload []byte // kept for the next frame of the node that comes back
}

// flow is the packets of one class for one node, and their place in the scheduler.
type flow struct {
	q          *queue
	class      class
	head, tail *packet
	out        adapt.Outgoing  // of head, once head.begun
	to         ieee802154.Addr // where out goes
	deficit    int             // octets of MAC payload that it may still send in this round
	round      uint64          // up to which it got its share
	next       *flow
	ready      bool // in the ring of its class
}

// room returns why the queue of n has no room for a forwarded packet of some octets.
func (f *Forwarder) room(n *node.Node, octets int) drop.Reason {
	q := f.queues.of(n)
	if q == nil || n.Removed() {
		return drop.NodeRemoved
	}
	return f.roomIn(q, &f.shares.forwarded, octets)
}

func (f *Forwarder) roomIn(q *queue, s *share, octets int) drop.Reason {
	used, forwarded := f.buffers.inUse()
	if !s.room(load(q.held.Load()), used, forwarded, octets) {
		return drop.QueueFull
	}
	return drop.None
}

// push adds a copy of pkt to the queue of n, with one hop less if it is forwarded;
// the reason if there is no room. verdict is what the rules say of a forwarded packet, nil
// for one of the gateway itself; it opens its flow here, before anybody can answer.
func (f *Forwarder) push(n *node.Node, pkt ipv6.Packet, e entry, verdict *policy.Verdict) drop.Reason {
	q := f.queues.of(n)
	if q == nil || n.Removed() {
		return drop.NodeRemoved
	}
	if r := f.roomIn(q, f.shares.of(e), len(pkt)); r != drop.None {
		return r
	}
	p := f.buffers.take(e.forwarded)
	if p == nil {
		return drop.QueueFull
	}
	p.octets = append(p.octets, pkt...)
	p.entry = e
	if e.forwarded {
		f.passed(verdict)
		ipv6.Packet(p.octets).SetHopLimit(pkt.HopLimit() - 1)
	} else {
		p.deadline = f.deadlines.of(pkt)
	}
	p.q, p.at = q, f.lately()
	q.held.Add(uint64(loadOf(len(pkt), e.forwarded)))
	f.counters.to.queued.Add(1)
	q.mu.Lock()
	if q.tail == nil {
		q.head = p
	} else {
		q.tail.next = p
	}
	q.tail = p
	q.mu.Unlock()
	f.news(q)
	return drop.None
}

// takeAll empties what was pushed.
func (q *queue) takeAll() *packet {
	q.mu.Lock()
	p := q.head
	q.head, q.tail = nil, nil
	q.mu.Unlock()
	return p
}

const queuePage = 256

// queues finds the queue of a node by its slot, without a lock.
type queues struct {
	everyone *queue // of frames to all nodes
	pages    []atomic.Pointer[[queuePage]atomic.Pointer[queue]]
}

func (qs *queues) init(slots int) {
	qs.everyone = newQueue(node.Everyone())
	qs.pages = make([]atomic.Pointer[[queuePage]atomic.Pointer[queue]], (slots+queuePage-1)/queuePage)
}

func newQueue(n *node.Node) *queue {
	q := &queue{node: n}
	for c := range q.flows {
		q.flows[c] = flow{q: q, class: class(c)}
	}
	return q
}

// of returns the queue of n, made at the first call.
func (qs *queues) of(n *node.Node) *queue {
	i := n.Slot()
	if i < 0 {
		return qs.everyone
	}
	if i/queuePage >= len(qs.pages) {
		return nil
	}
	at := &qs.pages[i/queuePage]
	page := at.Load()
	if page == nil {
		at.CompareAndSwap(nil, new([queuePage]atomic.Pointer[queue]))
		page = at.Load()
	}
	cell := &page[i%queuePage]
	for {
		q := cell.Load()
		if q != nil && q.node == n {
			return q
		}
		fresh := newQueue(n)
		if cell.CompareAndSwap(q, fresh) { // an earlier node's queue drains by itself
			return fresh
		}
	}
}
