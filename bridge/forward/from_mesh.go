package forward

// The way from the mesh:
//
//	1  the node that sent the frame; a new one is learned
//	2  frame to packet: mesh header, reassembly, decompression
//	3  neighbour discovery ends here
//	4  addresses that no packet in transit may have
//	5  a node sends from its own addresses only
//	6  link-local only between a node and the gateway
//	6a no routing header with segments left; RPL options are overwritten
//	7  to the gateway itself, or a group that it is in: the kernel, hop limit untouched
//	8  no type 0 routing header, nothing that is for one link only
//	9  to another node: turned round into its queue
//	10 hop limit
//	11 what the rules let pass
//	12 to anywhere else: the kernel

import (
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/nd"
	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/bridge/radio"
)

// fromMesh takes one frame that the radio received, and does not keep it. It
// allocates nothing and waits for nobody.
func (f *Forwarder) fromMesh(fr *radio.Frame) {
	c := &f.counters.from
	c.frames.Add(1)
	c.frameOctets.Add(uint64(len(fr.Payload)))
	now := f.start.Add(time.Duration(f.cachedNow()))

	// 1. The link address of the frame, of its last hop where there is a mesh header.
	n, r := f.sendingNode(fr.From, now)
	if r != drop.None {
		c.framesDropped[r].Add(1)
		return
	}
	f.heard(n, fr, now)

	// 2. RFC 4944, section 5; RFC 6282.
	got, ok := f.restore(n, fr, now)
	if !ok {
		return
	}
	c.offered.Add(1)
	f.fromReplies.linkGroup = toGroup(fr.To) || toGroup(got.To)
	if got.From != fr.From {
		n, r = f.sendingNode(got.From, now)
	}
	if r == drop.None {
		r = f.fromNode(n, got.Packet, got.From, now)
	}
	if r != drop.None {
		c.dropped[r].Add(1)
		if n != nil {
			n.Traffic().PacketsDropped.Add(1)
		}
	}
}

// fromNode takes a packet that n sent from the link address from to where it goes.
func (f *Forwarder) fromNode(n *node.Node, p ipv6.Packet, from ieee802154.Addr, now time.Time) drop.Reason {
	o := f.own.Load()
	srcAt, dstAt := p.SourceBytes(), p.DestinationBytes()
	src, dst := kindOf(srcAt), kindOf(dstAt)

	// 3. RFC 4861, RFC 6775, RFC 8505, and the proof of link addresses. What the nodes tell each other of their groups is
	// of no use to a router that forwards to none (RFC 3810, section 2).
	if f.discovery.server != nil && nd.IsND(p) {
		return f.discover(n, p, from, now)
	}
	if f.discovery.challenges.pending.Load() != 0 && f.isProof(p, from, now) {
		return drop.None
	}
	if dst == multicast {
		if r := groupTalk(p); r != drop.None {
			return r
		}
	}

	// 4. RFC 4291, section 2.5; RFC 4007, section 9. No error about any of these.
	joined := dst == multicast && o.joined(dstAt)
	if joined {
		dst = linkLocal // of one link, and for the gateway
	}
	if r := transit(src, dst); r != drop.None {
		return r
	}

	// 5. RFC 2827. Data from an address that nobody claimed starts one probe.
	if r := f.ownSource(n, p, src, from, now); r != drop.None {
		return r
	}
	sampleChecksum(n, p, n.Traffic().PacketsReceived.Add(1))
	if s := n.State(); s == node.Joining || s == node.Expected {
		f.log(f.table.Confirm(n, now))
	}

	// 6. RFC 4291, section 2.5.6; RFC 4443, section 3.1, code 2.
	if src == linkLocal && dst != linkLocal {
		f.reply(errBeyond, p, &f.errors, &f.fromReplies)
		return drop.LinkLocal
	}
	if dst == linkLocal && !joined && !o.isLocal(dstAt) {
		return drop.LinkLocal
	}

	// 6a. RFC 6554, section 5.1; RFC 9008, section 8. A node cannot know that its packet
	// will leave the mesh, and every Linux host discards one with the older RPL option
	// (RFC 8200, section 4.2): so the option becomes padding, and the packet goes on.
	ipv6.ClearRPL(p)
	u := ipv6.Walk(p)
	if r := meshRouting(u); r != drop.None {
		return r
	}

	// 7. Neighbour discovery that did not end above is not as it must be.
	if joined || o.is(dstAt) {
		if neighbourTalk(p, u) {
			return drop.NeighborInvalid
		}
		return f.toKernel(p)
	}

	// 8. RFC 5095, section 3; RFC 4890, section 4.3.3.
	if u.Routing0 {
		return drop.RoutingType0
	}
	if linkTalk(p, u) {
		return drop.NeighborInvalid
	}

	// 9. Never out of the TUN.
	if f.ofMesh(dstAt) {
		f.counters.from.turned.Add(1)
		to := &f.counters.to
		to.offered.Add(1)
		if r := f.toNode(p, u, n, false, &f.fromReplies); r != drop.None {
			to.dropped[r].Add(1)
		}
		return drop.None
	}

	// 10. RFC 8200, section 3; RFC 4443, section 3.3.
	if p.HopLimit() <= 1 {
		f.reply(errHopLimit, p, &f.errors, &f.fromReplies)
		return drop.HopLimit
	}

	// 11. RFC 6092, RFC 4890.
	var v policy.Verdict
	if r := f.permit(p, u, n, nil, f.cachedNow(), &f.fromReplies, &v); r != drop.None {
		return r
	}
	f.beginFlow(&v)
	p.SetHopLimit(p.HopLimit() - 1)

	// 12.
	return f.toKernel(p)
}
