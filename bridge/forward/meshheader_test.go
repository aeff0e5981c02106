package forward

import (
	"testing"

	"culvert/bridge/drop"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/node"
	"culvert/bridge/radio"
)

// relayed gives the rig frames that the sender sent with a mesh header, which names an
// originator (RFC 4944, section 5.2): V and F say which addresses are short, 5 hops are
// left, and the final destination is the gateway.
func (r *rig) relayed(sender, originator ieee802154.Addr, frames ...[]byte) {
	r.t.Helper()
	for _, b := range frames {
		o := byte(0x85)
		if originator.IsShort() {
			o |= 0x20
		}
		b = append(gwEUI.AppendTo(originator.AppendTo([]byte{o})), b...)
		r.radio.Push(radio.Event{Kind: radio.EventFrame, Frame: radio.Frame{From: sender, To: gwEUI, Payload: b}})
	}
	r.run()
}

// A mesh header is the word of the node that sent the frame. Unless the configuration
// says that nodes relay, it may name that node only, by either of its addresses.
func TestMeshHeaderNamesItsSender(t *testing.T) {
	short := ieee802154.Short(0x0011)
	for _, c := range []struct {
		name               string
		meshHeaders        bool
		sender, originator ieee802154.Addr
		passes             bool
	}{
		{"itself", false, nodeA, nodeA, true},
		{"itself, by its other address", false, short, nodeA, true},
		{"itself, by its short address", false, nodeA, short, true},
		{"another node", false, nodeA, nodeB, false},
		{"a node that is not there", false, nodeA, eui(0x99), false},
		{"another node, where nodes relay", true, nodeA, nodeB, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, Options{MeshHeaders: c.meshHeaders}, node.Options{})
			r.radio.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA, Short: short}, radio.NodeInfo{Addr: nodeB})
			r.run()
			before := r.table.Len()
			r.relayed(c.sender, c.originator, r.frames(c.originator, gwEUI, udp(global(c.originator), gateway, 64, 4))...)
			got := r.tun.Up()
			if c.passes && (len(got) != 1 || ipv6.Packet(got[0]).Source() != global(c.originator)) {
				t.Errorf("%d packets passed, %v", len(got), reasons(r.f.Stats().FromMesh.FramesDropped))
			}
			if !c.passes && (len(got) != 0 || r.f.Stats().FromMesh.FramesDropped[drop.MeshOriginator] != 1 || r.table.Len() != before) {
				t.Errorf("%d packets passed, %v, %d nodes more", len(got), reasons(r.f.Stats().FromMesh.FramesDropped), r.table.Len()-before)
			}
			r.sums()
		})
	}
}

// One node that invents originators cannot take the reassembly buffers from the
// others, where mesh headers are believed: the buffers are accounted to the node that
// sent the frames.
func TestInventedOriginatorsLeaveRoom(t *testing.T) {
	r := newRig(t, Options{MeshHeaders: true}, node.Options{})
	r.radio.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA}, radio.NodeInfo{Addr: nodeB})
	r.run()
	one := r.frames(nodeB, gwEUI, udp(global(nodeB), gateway, 64, 600))
	two := r.frames(nodeB, gwEUI, udp(global(nodeB), gateway, 64, 608))
	push := func(frames ...[]byte) {
		for _, b := range frames {
			r.radio.Push(radio.Event{Kind: radio.EventFrame, Frame: radio.Frame{From: nodeB, To: gwEUI, Payload: b}})
		}
		r.run()
	}
	push(one[0], two[0])
	part := append(lowpan.AppendNextFragment(nil, 600, 1, 40), make([]byte, 8)...)
	for i := range 2500 {
		r.relayed(nodeA, ieee802154.Extended(0x0200_0000_0000_0000+uint64(i)), part)
	}
	push(one[1:]...)
	push(two[1:]...)
	if got := r.tun.Up(); len(got) != 2 {
		t.Errorf("%d of 2 datagrams of the honest node came through", len(got))
	}
	if s := r.f.Stats(); s.FromMesh.Dropped[drop.ReassemblyFull] < 1000 {
		t.Errorf("the table was not full: %v", reasons(s.FromMesh.Dropped))
	}
	r.sums()
}

// Nobody is the gateway but itself: a frame whose sender, or whose originator where nodes
// relay, has a link address of its radio makes no node, and none of its packets passes.
func TestNobodySpeaksAsTheGateway(t *testing.T) {
	info := forwardtest.Info()
	info.Short = ieee802154.Short(0x0001)
	for _, as := range []ieee802154.Addr{info.EUI64, info.Short} {
		for _, relayed := range []bool{false, true} {
			r := newRig(t, Options{MeshHeaders: true}, node.Options{})
			r.radio.Up(info, 8, radio.NodeInfo{Addr: nodeA}, radio.NodeInfo{Addr: nodeB})
			r.run()
			for _, p := range []ipv6.Packet{udp(local(as), gwLocal, 64, 4), udp(global(as), outside, 64, 4), udp(gateway, global(nodeA), 64, 4)} {
				b := append([]byte{0x41}, p...) // RFC 4944, section 5.1: not compressed
				if relayed {
					r.relayed(nodeB, as, b)
					continue
				}
				r.radio.Push(radio.Event{Kind: radio.EventFrame, Frame: radio.Frame{From: as, To: gwEUI, Payload: b}})
				r.run()
			}
			s := r.f.Stats().FromMesh
			if got := len(r.tun.Up()) + len(r.answer(radio.OutcomeDelivered)); got != 0 || r.table.Len() != 2 || s.FramesDropped[drop.NoLinkAddress]+s.Dropped[drop.NoLinkAddress] != 3 {
				t.Errorf("as %v, relayed %v: %d packets passed, %d nodes, %v, %v", as, relayed, got, r.table.Len(), reasons(s.FramesDropped), reasons(s.Dropped))
			}
			r.sums()
		}
	}
}
