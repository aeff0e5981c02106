package forward

import (
	"net/netip"
	"testing"

	"culvert/bridge/drop"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
	"culvert/bridge/radio"
)

// Where another network has the mesh prefix too (RFC 4861, section 7.2.8), its hosts
// and the nodes reach each other; nobody there may pose as a node (RFC 2827).
func TestSharedPrefix(t *testing.T) {
	neighbour := netip.MustParseAddr("2001:db8::99")
	for _, shared := range []bool{true, false} {
		r := newRig(t, Options{Shared: shared}, node.Options{})
		r.radio.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA}, radio.NodeInfo{Addr: nodeB})
		r.run()

		r.down(udp(neighbour, global(nodeA), 64, 4))
		if got := r.answer(radio.OutcomeDelivered); (len(got) == 1) != shared {
			t.Errorf("shared %v: from a neighbour to a node: %d packets", shared, len(got))
		}
		r.down(udp(global(nodeB), global(nodeA), 64, 4)) // forged
		if got := r.answer(radio.OutcomeDelivered); len(got) != 0 {
			t.Errorf("shared %v: a packet with a forged source reached the node", shared)
		}
		r.up(nodeA, udp(global(nodeA), neighbour, 64, 4))
		out := r.tun.Up()
		if shared && (len(out) != 1 || ipv6.Packet(out[0]).Destination() != neighbour || ipv6.Packet(out[0]).HopLimit() != 63) {
			t.Errorf("from a node to a neighbour: %d packets", len(out))
		}
		if !shared && len(out) != 0 {
			t.Errorf("not shared, and a packet for the mesh went out: %x", out)
		}
		// From node to node as ever, and an error about a neighbour's packet finds it.
		r.answer(radio.OutcomeDelivered)
		r.up(nodeA, udp(global(nodeA), global(nodeB), 64, 4))
		if got := r.answer(radio.OutcomeDelivered); len(got) != 1 || got[0].to != nodeB {
			t.Errorf("shared %v: from node to node: %v", shared, got)
		}
		r.tun.Up()
		r.down(udp(neighbour, global(nodeA), 1, 4))
		out = r.tun.Up()
		if shared && (len(out) != 1 || ipv6.Packet(out[0]).Destination() != neighbour || out[0][40] != ipv6.TypeTimeExceeded) {
			t.Errorf("time exceeded: %x", out)
		}
		want := uint64(1)
		if !shared {
			want = 3
		}
		if n := r.f.Stats().ToMesh.Dropped[drop.SourceForeign]; n != want {
			t.Errorf("shared %v: %d foreign sources, want %d", shared, n, want)
		}
		r.sums()
	}
}
