package forward

import (
	"net/netip"
	"testing"

	"culvert/bridge/drop"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/bridge/radio"
)

// host is one address of an outside network.
func host(i int) netip.Addr { return ipv6.Join(outside, ipv6.IID(0x1000+i)) }

// Packets of a permitted host fill no more than half of the queue of a slow node,
// whatever they are and from however many addresses they come. What the gateway itself
// says to the node has a place, and leaves first.
func TestOwnPacketsFindAPlaceInAFullQueue(t *testing.T) {
	for name, flood := range map[string]func(i int) ipv6.Packet{
		"one host":               func(i int) ipv6.Packet { return udp(outside, global(nodeA), 64, 4) },
		"a thousand addresses":   func(i int) ipv6.Packet { return udp(host(i), global(nodeA), 64, 4) },
		"large packets":          func(i int) ipv6.Packet { return udp(outside, global(nodeA), 64, 1232) },
		"control writes":         func(i int) ipv6.Packet { return coap(outside, nodeA, codePut, uint16(i)) },
		"writes, many addresses": func(i int) ipv6.Packet { return coap(host(i), nodeA, codePut, uint16(i)) },
	} {
		r := ruled(t, noAir, "any; fenland/*; udp")
		r.credits(0)
		for i := range 1000 {
			r.f.ToMesh(flood(i))
		}
		s := r.f.Stats()
		if n := s.ToMesh.Queued; n > 32 || n < 12 || s.ToMesh.Dropped[drop.QueueFull] != 1000-n {
			t.Errorf("%s: %d packets wait, %d ended as queue-full", name, n, s.ToMesh.Dropped[drop.QueueFull])
		}
		if w := r.f.Way(r.table.ByLink(nodeA), false); w.MaxPackets != 32 || w.MaxOctets != 16<<10 || w.Packets > 32 || w.Octets > 16<<10 {
			t.Errorf("%s: forwarded packets hold %d of %d packets, %d of %d octets", name, w.Packets, w.MaxPackets, w.Octets, w.MaxOctets)
		}
		off := coap(gateway, nodeA, codePut, 5000)
		r.f.ToMesh(off)
		r.f.say(nodeA, advertise(nodeA))
		r.f.reply(errHopLimit, udp(global(nodeA), outside, 1, 4), &r.f.errors, &r.f.fromReplies)
		if n := r.f.Stats().ToMesh.Dropped[drop.QueueFull]; n != s.ToMesh.Dropped[drop.QueueFull] {
			t.Errorf("%s: %d of the gateway's three packets ended as queue-full", name, n-s.ToMesh.Dropped[drop.QueueFull])
		}
		r.credits(4)
		got := r.answer(radio.OutcomeDelivered)
		at := -1
		for i, a := range got {
			if string(a.pkt) == string(off) {
				at = i
			}
		}
		if len(got) != int(s.ToMesh.Queued)+3 || at != 2 {
			t.Errorf("%s: %d packets arrived, the gateway's write as number %d, want 2, after discovery and error", name, len(got), at)
		}
		r.sums()
	}
}

// The same with the limits of the air that a site has by default.
func TestOwnWriteFindsAPlaceUnderDefaultLimits(t *testing.T) {
	r := ruled(t, policy.Limits{}, "any; fenland/*; udp")
	r.credits(0)
	for i := range 90 {
		r.f.ToMesh(udp(host(i), global(nodeA), 64, 4))
	}
	before := r.f.Stats().ToMesh
	r.f.ToMesh(coap(gateway, nodeA, codePut, 1))
	if s := r.f.Stats().ToMesh; s.Queued != before.Queued+1 || s.Dropped[drop.QueueFull] != before.Dropped[drop.QueueFull] {
		t.Errorf("the write ended as %v", reasons(s.Dropped))
	}
}

// Forwarded packets take no more than half of all buffers, so that what the gateway
// says to a node for which nothing waits has one.
func TestForwardedPacketsTakeHalfOfTheBuffers(t *testing.T) {
	e := policy.New(policy.Options{Mesh: "fenland", Now: start, Limits: noAir})
	e.Swap(rules(t, "any; fenland/*; udp", "fenland/*; fenland/*; udp"))
	r := newRig(t, Options{Policy: e, Name: "fenland", Buffers: 512}, node.Options{})
	r.radio.Up(forwardtest.Info(), 0, radio.NodeInfo{Addr: nodeA}, radio.NodeInfo{Addr: nodeB})
	r.run()
	for i, n := range r.attach(80) {
		for range 64 {
			r.f.ToMesh(udp(host(i), global(n), 64, 4))
		}
		r.up(nodeB, udp(global(nodeB), global(n), 64, 4)) // from node to node is forwarded, too
	}
	s := r.f.Stats()
	if s.Buffers.InUse != 256 || s.Buffers.Forwarded != 256 {
		t.Errorf("%d of %d buffers are in use, %d for forwarded packets, want half", s.Buffers.InUse, s.Buffers.Max, s.Buffers.Forwarded)
	}
	before := s.ToMesh.Dropped[drop.QueueFull]
	r.f.ToMesh(coap(gateway, nodeA, codePut, 1))
	r.f.ToMesh(coap(gateway, nodeA, codeGet, 2))
	r.f.say(nodeA, advertise(nodeA))
	if s := r.f.Stats(); s.ToMesh.Dropped[drop.QueueFull] != before || s.Buffers.InUse != 259 {
		t.Errorf("%d of the gateway's packets found no buffer", s.ToMesh.Dropped[drop.QueueFull]-before)
	}
	r.credits(64)
	r.answer(radio.OutcomeDelivered)
	if b := r.f.Stats().Buffers; b.InUse != 0 || b.Forwarded != 0 {
		t.Errorf("at the end %d buffers are in use, %d for forwarded packets", b.InUse, b.Forwarded)
	}
	r.sums()
}

// Reads, and what a node provokes, leave room for writes; and they leave the buffers
// that forwarded packets have left them.
func TestWritesFindAPlaceBehindReadsAndDiscovery(t *testing.T) {
	queued := func(r *rig) uint64 { return r.f.Stats().ToMesh.Queued }
	r := withCredits(t, 0)
	for i := range uint16(100) {
		r.f.ToMesh(coap(gateway, nodeA, codeGet, i))
	}
	if queued(r) != 48 {
		t.Errorf("%d reads wait, want 48 of 64", queued(r))
	}
	for range 100 {
		r.f.ToMesh(udp(outside, global(nodeA), 64, 4))
	}
	if queued(r) != 48 {
		t.Errorf("%d packets wait: a forwarded one took a place that was kept free", queued(r))
	}
	for range 100 {
		r.f.say(nodeA, advertise(nodeA))
	}
	if queued(r) != 56 {
		t.Errorf("%d packets wait with discovery, want 56 of 64", queued(r))
	}
	for i := range uint16(100) {
		r.f.ToMesh(coap(gateway, nodeA, codePut, i))
	}
	if queued(r) != 64 {
		t.Errorf("%d packets wait with writes, want 64", queued(r))
	}
	r.sums()
}

// A packet that no rule lets pass is counted as policy, and takes no place.
func TestPacketThatNoRuleOpensIsCounted(t *testing.T) {
	r := ruled(t, noAir, "any; fenland/*; udp/123")
	r.down(udp(outside, global(nodeA), 64, 4))
	if s := r.f.Stats(); s.ToMesh.Dropped[drop.Policy] != 1 || total(s.ToMesh.Dropped) != 1 || s.Buffers.InUse != 0 {
		t.Errorf("dropped %v, %d buffers in use", reasons(s.ToMesh.Dropped), s.Buffers.InUse)
	}
}

// The counts of a load stay apart.
func TestLoad(t *testing.T) {
	var l load
	for range maxQueuePackets {
		l += loadOf(200, true)
		l += loadOf(56, false)
	}
	f := l.forwarded()
	if l.packets() != 2*maxQueuePackets || l.octets() != 256*maxQueuePackets || f.packets() != maxQueuePackets || f.octets() != 200*maxQueuePackets {
		t.Errorf("%d packets, %d octets; forwarded %d, %d", l.packets(), l.octets(), f.packets(), f.octets())
	}
	for range maxQueuePackets {
		l -= loadOf(56, false)
		l -= loadOf(200, true)
	}
	if l != 0 {
		t.Errorf("%#x is left", l)
	}
}

// However few places there are, each kind of packet has one.
func TestSharesOfSmallQueues(t *testing.T) {
	var x shares
	x.init(&Options{QueuePackets: 1, QueueOctets: 1280, Buffers: 1})
	for _, e := range []entry{{forwarded: true}, {}, {class: classNetwork}, {class: classOwn}} {
		if !x.of(e).room(0, 0, 0, 60) {
			t.Errorf("%+v: no room in an empty queue", e)
		}
	}
}
