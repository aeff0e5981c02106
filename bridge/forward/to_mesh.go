package forward

// The way to the mesh, up to the queue of the node:
//
//	1  a whole IPv6 packet, cut to its length
//	2  what the kernel says by itself ends here
//	3  addresses that no packet in transit may have
//	4  link-local only between the gateway and a node
//	5  no source of the mesh but the gateway's own
//	6  no routing header but one that is used up, no RPL option, nothing that is for one link only
//	7  a node that has the destination, and can be reached
//	8  hop limit
//	9  size
//	10 what the rules let pass, unless the gateway itself sent it
//	11 the air that it will cost
//	12 the node's queue, by class
//
// From there the sender takes it (sender.go).

import (
	"encoding/binary"

	"culvert/bridge/drop"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
	"culvert/bridge/policy"
)

// ToMesh takes one packet that was read from the TUN, and does not keep it. It
// allocates nothing and waits for nobody.
func (f *Forwarder) ToMesh(b []byte) {
	f.counters.to.offered.Add(1)
	if r := f.toMesh(b); r != drop.None {
		f.counters.to.dropped[r].Add(1)
	}
}

func (f *Forwarder) toMesh(b []byte) drop.Reason {
	// 1. RFC 8200, section 3.
	p, err := ipv6.Parse(b)
	if err != nil {
		return drop.NotIPv6
	}
	o := f.own.Load()
	srcAt, dstAt := p.SourceBytes(), p.DestinationBytes()
	src, dst := kindOf(srcAt), kindOf(dstAt)
	fromUs := o.is(srcAt)

	// 2. The kernel forwards no link-local source: what has one is its own.
	u := ipv6.Walk(p)
	if (fromUs || src == linkLocal || src == unspecified) && linkTalk(p, u) {
		return drop.KernelOwn
	}

	// 3. RFC 4291, section 2.5; RFC 4007, section 9. No error about any of these.
	if r := transit(src, dst); r != drop.None {
		return r
	}

	// 4. RFC 4291, section 2.5.6.
	if src == linkLocal && !o.isLocal(srcAt) || dst == linkLocal && src != linkLocal {
		return drop.LinkLocal
	}

	// 5. RFC 2827. That a source equal to the gateway's own is true is the work of
	// the routing rules beside the TUN.
	if !fromUs && f.ofMesh(srcAt) {
		return drop.SourceForeign
	}

	// 6. RFC 5095, section 3; RFC 6554, section 5.1; RFC 4890, section 4.3.3.
	if u.Routing0 {
		return drop.RoutingType0
	}
	if r := meshRouting(u); r != drop.None {
		return r
	}
	if linkTalk(p, u) {
		return drop.NeighborInvalid
	}
	if dst != linkLocal && !f.inPrefix(dstAt) {
		f.reply(errNoRoute, p, &f.unknown, &f.toReplies)
		return drop.UnknownNode
	}
	return f.toNode(p, u, nil, fromUs, &f.toReplies)
}

// toNode takes a packet, whichever way it came, to the queue of the node that has
// its destination. from is the node that sent it, nil where none did.
func (f *Forwarder) toNode(p ipv6.Packet, u ipv6.Upper, from *node.Node, fromUs bool, with *replies) drop.Reason {
	// 7. RFC 4443, section 3.1, code 3. An address that no node has costs no state
	// and no frame (RFC 6583, section 6).
	n := f.table.ByAddress(p.Destination())
	r := drop.None
	switch {
	case n == nil:
		r = drop.UnknownNode
		if from == nil && !fromUs {
			f.scans.add(binary.BigEndian.Uint64(p.SourceBytes()), struct{}{}, f.cachedNow(), nil)
		}
	case !n.Admitted():
		r = drop.NotAdmitted
	case !n.Reachable():
		r = drop.NodeSilent
	case f.sender.info.Load() == nil:
		r = drop.RadioDown
	}
	if r != drop.None {
		f.reply(errAddress, p, &f.unknown, with)
		return r
	}

	// 8. RFC 8200, section 3; RFC 4443, section 3.3. A packet of the gateway itself is
	// not forwarded, so its hop limit stays.
	if !fromUs && p.HopLimit() <= 1 {
		f.reply(errHopLimit, p, &f.errors, with)
		return drop.HopLimit
	}

	// 9. RFC 8200, section 5; RFC 4443, section 3.2.
	if len(p) > ipv6.MinMTU {
		f.reply(errTooBig, p, &f.errors, with)
		return drop.PacketTooBig
	}

	var verdict *policy.Verdict
	if !fromUs {
		// 10. RFC 6092, RFC 4890. The two errors above come first, as they do in Linux:
		// what they tell is how the way is made, not what stands at its end.
		at := f.now()
		var v policy.Verdict
		if r := f.permit(p, u, from, n, at, with, &v); r != drop.None {
			return r
		}
		if verdict = &v; v.Keep > 0 {
			p = cutError(p, u, v.Keep, &with.scratch)
		}

		// 11. What finds no room in the queue is not charged.
		if r := f.room(n, len(p)); r != drop.None {
			return r
		}
		if r := f.charge(n, len(p), at); r != drop.None {
			return r
		}
	}

	// 12. Decrementing comes before compression, which prefers 64.
	return f.push(n, p, entry{class: classOf(p, u, fromUs), forwarded: !fromUs, linkGroup: with.linkGroup}, verdict)
}
