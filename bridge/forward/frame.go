package forward

// What the way from the mesh (from_mesh.go) asks of the sender of a frame.

import (
	"time"

	"culvert/bridge/adapt"
	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/node"
	"culvert/bridge/radio"
)

// sendingNode returns the node with a link address, learned if it is new.
func (f *Forwarder) sendingNode(a ieee802154.Addr, now time.Time) (*node.Node, drop.Reason) {
	n := f.table.ByLink(a)
	if n == nil {
		if !a.IsNode() || f.table.IsGateway(a) { // who names the gateway would speak as its kernel
			return nil, drop.NoLinkAddress
		}
		ch := f.table.Learn(a, now)
		if n = ch.Node; n == nil {
			return nil, drop.NotAdmitted // no room in the table
		}
		f.log(ch)
		f.appeared(ch, now)
	}
	if !n.Admitted() {
		n.Heard(now, 0, 0)
		if n.FrameChangesState() {
			f.log(f.table.Seen(n, now))
		}
		return n, drop.NotAdmitted
	}
	return n, drop.None
}

// toGroup reports whether a frame went to more than one node. A radio that does not say
// where a frame went is taken to have received it for the gateway alone.
func toGroup(to ieee802154.Addr) bool { return !to.IsNone() && !to.IsNode() }

// heard records that a frame of n arrived.
func (f *Forwarder) heard(n *node.Node, fr *radio.Frame, now time.Time) {
	n.Heard(now, fr.Signal, fr.Hops)
	n.Traffic().FramesReceived.Add(1)
	if n.FrameChangesState() {
		f.log(f.table.Seen(n, now))
	}
}

// oneNode reports whether two link addresses are of one node.
func (f *Forwarder) oneNode(a, b ieee802154.Addr) bool {
	n := f.table.ByLink(a)
	return n != nil && n.HasLink(b)
}

// offeredGHC reports whether the node with a link address was offered generic header
// compression.
func (f *Forwarder) offeredGHC(a ieee802154.Addr) bool {
	n := f.table.ByLink(a)
	return n != nil && n.OfferedGHC()
}

// restore gives a frame of n to the adaptation layer, and reports whether it made a packet
// whole, which is good until the next frame.
func (f *Forwarder) restore(n *node.Node, fr *radio.Frame, now time.Time) (got adapt.Received, whole bool) {
	f.receiveMu.Lock()
	got, err := f.receiver.Receive(lowpan.Peer{From: fr.From, To: fr.To, GHC: n.OfferedGHC()}, fr.Payload, f.contexts.Load(), now)
	f.receiveMu.Unlock()
	if got.Ended.Err != nil {
		f.lostDatagram(got.Ended)
	}
	c := &f.counters.from
	if err != nil {
		c.framesDropped[drop.Of(err)].Add(1)
		return got, false
	}
	c.framesConsumed.Add(1)
	return got, got.Packet != nil
}

// ownSource checks that the source of a packet, of the given kind, is an address of
// the node that sent it from the link address from.
func (f *Forwarder) ownSource(n *node.Node, p ipv6.Packet, src kind, from ieee802154.Addr, now time.Time) drop.Reason {
	origin, owned := f.table.Owned(n, p.Source())
	switch {
	case !owned && src != linkLocal && !f.inPrefix(p.SourceBytes()):
		return drop.SourceForeign
	case !owned:
		f.unclaimed(p.Source(), from, now)
		return drop.NotOwnAddress
	case origin == node.Claimed:
		f.claimUsed(p.Source(), now)
	}
	return drop.None
}
