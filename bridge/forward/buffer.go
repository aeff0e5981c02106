package forward

import (
	"sync/atomic"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
)

// packet is one packet in a queue. Its octets stand in the slab of its buffers.
type packet struct {
	next     *packet
	q        *queue
	octets   []byte    // the packet
	at       int64     // when it was offered, on the forwarder's clock
	deadline *deadline // of a message that must not act late; nil for the rest
	index    uint32
	entry
	pending uint8 // frames without a result
	begun   bool  // the first frame was made
	sent    bool  // the last frame was handed to the radio
	ended   bool  // counted; only frames without a result still hold it
}

// entry is what a packet is when it comes to the queue of its node.
type entry struct {
	class     class
	forwarded bool            // not of the gateway itself: its hop limit is one less than it came with
	linkGroup bool            // it came in a frame to more than one node
	link      ieee802154.Addr // that it goes to; none: the one that its node is sent to
}

// buffers is the bounded store of all packets that wait. Taking and giving back is
// a compare-and-swap on a stack of free indices; nothing is allocated after the
// start, and memory that was never used is never touched.
type buffers struct {
	packets []packet
	data    []byte
	next    []atomic.Uint32 // the free index below, plus 1
	head    atomic.Uint64   // a count of changes << 32 | the top free index plus 1
	fresh   atomic.Uint32   // indices from here on were never used
	used    atomic.Uint64   // those of forwarded packets << 32 | all that are in use
}

func (b *buffers) init(n int) {
	b.packets = make([]packet, n)
	b.data = make([]byte, n*ipv6.MinMTU)
	b.next = make([]atomic.Uint32, n)
}

// take returns a packet with room for an MTU, nil if there is none left.
func (b *buffers) take(forwarded bool) *packet {
	for {
		h := b.head.Load()
		top := uint32(h)
		if top == 0 {
			break
		}
		below := b.next[top-1].Load()
		if b.head.CompareAndSwap(h, (h>>32+1)<<32|uint64(below)) {
			b.used.Add(oneBuffer(forwarded))
			return b.reset(top - 1)
		}
	}
	for {
		i := b.fresh.Load()
		if int(i) >= len(b.packets) {
			return nil
		}
		if b.fresh.CompareAndSwap(i, i+1) {
			b.used.Add(oneBuffer(forwarded))
			return b.reset(i)
		}
	}
}

func (b *buffers) reset(i uint32) *packet {
	p := &b.packets[i]
	at := int(i) * ipv6.MinMTU
	*p = packet{index: i, octets: b.data[at : at : at+ipv6.MinMTU]}
	return p
}

// give takes p back.
func (b *buffers) give(p *packet) {
	p.q = nil
	forwarded := p.forwarded
	for {
		h := b.head.Load()
		b.next[p.index].Store(uint32(h))
		if b.head.CompareAndSwap(h, (h>>32+1)<<32|uint64(p.index+1)) {
			b.used.Add(-oneBuffer(forwarded))
			return
		}
	}
}

func oneBuffer(forwarded bool) uint64 {
	if forwarded {
		return 1<<32 | 1
	}
	return 1
}

// inUse returns how many buffers are in use, and how many of these hold forwarded packets.
func (b *buffers) inUse() (all, forwarded int) {
	u := b.used.Load()
	return int(uint32(u)), int(u >> 32)
}
