package forward

import (
	"net/netip"
	"testing"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/radio"
)

// upTo sends a packet from a node in frames to any link address.
func (r *rig) upTo(from, to ieee802154.Addr, pkt []byte) {
	r.t.Helper()
	for _, b := range r.frames(from, to, pkt) {
		r.radio.Push(radio.Event{Kind: radio.EventFrame, Frame: radio.Frame{From: from, To: to, Payload: b}})
	}
	r.run()
}

// errorsSent are the ICMPv6 errors that went out, to nodes and to the kernel.
func (r *rig) errorsSent() (n int) {
	r.t.Helper()
	pkts := r.tun.Up()
	for _, a := range r.answer(radio.OutcomeDelivered) {
		pkts = append(pkts, a.pkt)
	}
	for _, p := range pkts {
		if p[6] == ipv6.ProtoICMPv6 && p[40] < ipv6.TypeEchoRequest {
			n++
		}
	}
	return n
}

// About a packet that came in a link-layer broadcast or multicast goes no error, whatever
// became of it (RFC 4443, section 2.4 e.4 and e.5). About the same packet in a frame for
// the gateway one does.
func TestNoErrorAboutLinkLayerGroup(t *testing.T) {
	for name, tt := range map[string]struct {
		pkt  ipv6.Packet
		fail radio.Outcome // of frames to the node that it is for
	}{
		"no node has the destination":      {udp(global(nodeA), noNode, 64, 4), 0},
		"hop limit, to outside":            {udp(global(nodeA), outside, 1, 4), 0},
		"hop limit, to a node":             {udp(global(nodeA), global(nodeB), 1, 4), 0},
		"link-local to outside":            {udp(local(nodeA), outside, 64, 4), 0},
		"fragments, hop limit":             {udp(global(nodeA), outside, 1, 400), 0},
		"the radio knows no way, later on": {udp(global(nodeA), global(nodeB), 64, 4), radio.OutcomeNoRoute},
	} {
		for to, want := range map[ieee802154.Addr]int{gwEUI: 1, ieee802154.Broadcast: 0, ieee802154.Short(0x8001): 0} {
			r := up(t)
			r.upTo(nodeA, to, tt.pkt)
			if tt.fail != 0 {
				for _, s := range r.radio.Sent() {
					r.resolve(s, tt.fail)
				}
			}
			if got := r.errorsSent(); got != want {
				t.Errorf("%s, in a frame to %v: %d errors, want %d", name, to, got, want)
			}
			// The next packet, which came for the gateway alone, is answered.
			r.up(nodeA, udp(global(nodeA), outside, 1, 4))
			if got := r.errorsSent(); got != 1 {
				t.Errorf("%s: %d errors about the packet after it, want 1", name, got)
			}
			r.sums()
		}
	}
}

// A frame for the gateway in which a mesh header names all nodes as its final destination
// went to all nodes, too (RFC 4944, section 5.2).
func TestNoErrorAboutMeshBroadcast(t *testing.T) {
	r := up(t)
	for _, b := range r.frames(nodeA, ieee802154.Broadcast, udp(global(nodeA), outside, 1, 4)) {
		h := nodeA.AppendTo([]byte{0x80 | 0x10 | 5}) // originator of 64 bits, final of 16
		h = ieee802154.Broadcast.AppendTo(h)
		r.radio.Push(radio.Event{Kind: radio.EventFrame, Frame: radio.Frame{From: nodeA, To: gwEUI, Payload: append(h, b...)}})
	}
	r.run()
	if s := r.f.Stats(); r.errorsSent() != 0 || s.FromMesh.Dropped[drop.HopLimit] != 1 {
		t.Errorf("errors %v, dropped %v", s.Errors, reasons(s.FromMesh.Dropped))
	}
}

// Every case of RFC 4443, section 2.4 e, both ways. Each packet has a hop limit of 1, or
// a destination that nobody has, and would be answered otherwise.
func TestNoErrorInAnyCaseOfRFC4443(t *testing.T) {
	anycast := prefix.Addr()
	group := all1
	for name, do := range map[string]func(*rig){
		"e.1, from outside":                 func(r *rig) { r.down(icmp(outside, global(nodeA), 1, 1, 4, 0, 0, 0, 0, 0, 0)) },
		"e.1, from a node":                  func(r *rig) { r.up(nodeA, icmp(global(nodeA), outside, 1, 3, 0, 0, 0, 0, 0, 0, 0)) },
		"e.2, from outside":                 func(r *rig) { r.down(icmp(outside, noNode, 64, 137, 0, 0, 0)) },
		"e.2, from a node":                  func(r *rig) { r.up(nodeA, icmp(global(nodeA), outside, 1, 137, 0, 0, 0)) },
		"e.3, from outside":                 func(r *rig) { r.down(udp(outside, group, 1, 4)) },
		"e.3, from a node":                  func(r *rig) { r.up(nodeA, udp(global(nodeA), mldGroup, 1, 4)) },
		"e.6, no source, from a node":       func(r *rig) { r.up(nodeA, udp(netip.IPv6Unspecified(), outside, 1, 4)) },
		"e.6, a group as source":            func(r *rig) { r.down(udp(group, global(nodeA), 1, 4)) },
		"e.6, a node sends from a group":    func(r *rig) { r.up(nodeA, udp(group, outside, 1, 4)) },
		"e.6, the routers' anycast address": func(r *rig) { r.down(udp(anycast, noNode, 64, 4)) },
	} {
		r := up(t)
		do(r)
		s := r.f.Stats()
		if n := total(s.ToMesh.Dropped) + total(s.FromMesh.Dropped); n != 1 {
			t.Errorf("%s: %d packets dropped", name, n)
		}
		if got := r.errorsSent(); got != 0 || len(s.Errors) != 0 {
			t.Errorf("%s: an error went out: %v", name, s.Errors)
		}
		r.sums()
	}
}
