package forward

import "math"

// The gateway's own writes to outputs, neighbour discovery and ICMPv6 errors always
// find a place. Therefore the places and octets of a node's queue, and the buffers of
// all queues together, are shared out in eighths:
//
//	forwarded packets            at most 4/8, and only while 2/8 stay free
//	the gateway's own packets    while 2/8 stay free: reads, echo requests
//	discovery and ICMPv6 errors  while 1/8 stays free: a node can provoke these
//	the gateway's own writes     everything
//
// So a node that accepts nothing, and hosts that send it more than it can accept, keep
// no write out, whatever they send and from however many addresses.
const (
	eighths        = 8
	forwardedShare = 4
	commonShare    = 6
	networkShare   = 7
)

// load is how much a queue holds, in one number, so that a packet costs one atomic
// operation: the forwarded packets and their octets, and all packets and their octets.
type load uint64

const (
	octetBits  = 20
	packetBits = 12
	halfBits   = octetBits + packetBits

	maxQueuePackets = 1<<(packetBits-1) - 1 // half of what fits, since goroutines push at the same time
	maxQueueOctets  = 1<<(octetBits-1) - 1
)

// loadOf returns the load of one packet.
func loadOf(octets int, forwarded bool) load {
	l := load(1<<octetBits | octets)
	if forwarded {
		l |= l << halfBits
	}
	return l
}

func (l load) packets() int    { return int(l >> octetBits & (1<<packetBits - 1)) }
func (l load) octets() int     { return int(l & (1<<octetBits - 1)) }
func (l load) forwarded() load { return l >> halfBits }

// share is how much may be held, the new packet included, for packets of one kind to
// be added.
type share struct{ all, forwarded limit }

type limit struct{ packets, octets, buffers int }

// room reports whether a packet of some octets may be added to a queue with load q,
// while so many buffers are in use, and so many of these for forwarded packets.
func (s *share) room(q load, used, forwarded, octets int) bool {
	fq := q.forwarded()
	return q.packets() < s.all.packets && q.octets()+octets <= s.all.octets && used < s.all.buffers &&
		fq.packets() < s.forwarded.packets && fq.octets()+octets <= s.forwarded.octets && forwarded < s.forwarded.buffers
}

// shares are those of the kinds of packets.
type shares struct{ forwarded, common, network, writes share }

func (x *shares) init(o *Options) {
	part := func(n int) limit {
		return limit{max(1, o.QueuePackets*n/eighths), max(1, o.QueueOctets*n/eighths), max(1, o.Buffers*n/eighths)}
	}
	any := limit{math.MaxInt, math.MaxInt, math.MaxInt}
	x.forwarded = share{all: part(commonShare), forwarded: part(forwardedShare)}
	x.common = share{all: part(commonShare), forwarded: any}
	x.network = share{all: part(networkShare), forwarded: any}
	x.writes = share{all: part(eighths), forwarded: any}
}

// of returns the share of a packet.
func (x *shares) of(e entry) *share {
	switch {
	case e.forwarded:
		return &x.forwarded
	case e.class == classOwn:
		return &x.writes
	case e.class == classNetwork:
		return &x.network
	}
	return &x.common
}
