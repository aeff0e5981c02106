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

// priority returns the priority of a class at the radio, which does not distinguish who
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

// queue holds the packets for one node. Any goroutine may push. Fields below "the sender's"
// belong to the goroutine that runs the sender.
type queue struct {
	node   *node.Node
	held   atomic.Uint64 // a load: all packets from push to their end
	result atomic.Uint64 // the last of a frame: queue.recordResult
	failed atomic.Int32  // frames in a row

	listed     atomic.Bool // on the stack of queues with pushed packets
	nextPushed *queue

	mu         sync.Mutex
	head, tail *packet // guarded by mu: pushed, not yet in a flow

	// The sender's.
	flows      [classes]flow
	unresolved int                     // frames in flight or returned
	returned   [maxUnresolved]returned // the first waiting of them are in use, oldest first
	waiting    int                     // returned frames; nothing else is sent to the node while it is not 0
	retryAt    int64                   // when the returned frames may be resent
	fulls      int                     // "queue full" in a row
	timedAt    int64                   // when the latency was last measured
	busy       bool                    // in the sender's list of queues that are not empty
	resting    bool                    // in the sender's list of queues with returned frames
}

// returned is a frame that the radio returned as "queue full". It waits in the queue of its
// node and holds no flight, so that full nodes take no flights from others.
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
	deficit    int             // octets of MAC payload left in this round
	round      uint64          // up to which deficit was topped up
	next       *flow
	ready      bool // in the ring of its class
}

// room returns why the queue of n refuses a forwarded packet of octets octets; drop.None if
// it accepts one.
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

// push adds a copy of pkt to the queue of n and decrements the hop limit of a forwarded
// packet. It returns the reason if there is no room. verdict is that of the rules, nil for a
// packet of the gateway itself; push opens its flow before an answer can arrive.
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
		f.beginFlow(verdict)
		ipv6.Packet(p.octets).SetHopLimit(pkt.HopLimit() - 1)
	} else {
		p.deadline = f.deadlines.of(pkt)
	}
	p.q, p.at = q, f.cachedNow()
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
	f.notifySender(q)
	return drop.None
}

// takeAll removes and returns the pushed packets, oldest first.
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
		if cell.CompareAndSwap(q, fresh) { // the queue of the slot's earlier node drains by itself
			return fresh
		}
	}
}
