package forward

import (
	"net/netip"
	"sync/atomic"

	"culvert/bridge/drop"
	"culvert/bridge/ipv6"
)

// The errors that this router sends (RFC 4443, sections 3.1 to 3.3).
var (
	errNoRoute    = ipv6.ICMPError{Type: ipv6.TypeUnreachable, Code: ipv6.CodeNoRoute}
	errBeyond     = ipv6.ICMPError{Type: ipv6.TypeUnreachable, Code: ipv6.CodeBeyondScope}
	errAddress    = ipv6.ICMPError{Type: ipv6.TypeUnreachable, Code: ipv6.CodeAddress}
	errTooBig     = ipv6.ICMPError{Type: ipv6.TypePacketTooBig, Param: ipv6.MinMTU}
	errHopLimit   = ipv6.ICMPError{Type: ipv6.TypeTimeExceeded, Code: ipv6.CodeHopLimit}
	maxErrorShown = errorCodes - 1
)

// bucket is a token bucket (RFC 4443, section 2.4 f), as one number: when it would
// be full again.
type bucket struct {
	interval, depth int64 // nanoseconds a token; of all tokens
	full            atomic.Int64
}

func (b *bucket) init(rate, burst int) {
	b.interval = int64(1e9) / int64(rate)
	b.depth = b.interval * int64(burst)
}

// take takes a token if there is one.
func (b *bucket) take(now int64) bool {
	for {
		t := b.full.Load()
		full := max(t, now) + b.interval
		if full-now > b.depth {
			return false
		}
		if b.full.CompareAndSwap(t, full) {
			return true
		}
	}
}

// replies is what one goroutine needs to answer packets with errors.
type replies struct {
	scratch   []byte // the error that is being built
	linkGroup bool   // the packet at hand came in a frame to more than one node
}

// reply sends the error e about a packet to its source, if it may be answered at
// all and the bucket has a token left. The error enters the road at its one turning
// point: a node's queue, or the TUN. with is the calling goroutine's.
func (f *Forwarder) reply(e ipv6.ICMPError, about ipv6.Packet, limit *bucket, with *replies) {
	if !e.MayAnswer(about) || with.linkGroup && !e.MayAnswerGroup() {
		return
	}
	o := f.own.Load()
	to := about.SourceBytes()
	if [16]byte(to) == o.anycast { // RFC 4443, section 2.4 e.6
		return
	}
	if !limit.take(f.now()) {
		f.counters.limited.Add(1)
		return
	}
	src := o.global
	if kindOf(to) == linkLocal { // RFC 4443, section 2.2: an address of that scope
		if !o.hasLocal {
			return
		}
		src = o.linkLocal
	}
	with.scratch = e.AppendError(with.scratch[:0], netip.AddrFrom16(src), about)
	f.counters.errors[min(int(e.Type), errorTypes-1)][min(int(e.Code), maxErrorShown)].Add(1)
	if (f.ofMesh(to) || kindOf(to) == linkLocal) && !o.is(to) {
		c := &f.counters.to
		c.offered.Add(1)
		r := drop.UnknownNode
		if n := f.table.ByAddress(about.Source()); n != nil {
			r = f.push(n, with.scratch, entry{class: classNetwork}, nil)
		}
		if r != drop.None {
			c.dropped[r].Add(1)
		}
		return
	}
	c := &f.counters.from
	c.offered.Add(1)
	if r := f.toKernel(with.scratch); r != drop.None {
		c.dropped[r].Add(1)
	}
}

// unreachable answers a packet for a node to which the radio knows no way. The hop
// limit in the answer is that with which the packet came.
func (f *Forwarder) unreachable(p *packet) {
	if p.class == classNetwork {
		return // of the bridge itself
	}
	about := ipv6.Packet(p.octets)
	if p.forwarded {
		about.SetHopLimit(about.HopLimit() + 1)
	}
	f.sendReplies.linkGroup = p.linkGroup
	f.reply(errAddress, about, &f.unknown, &f.sendReplies)
}
