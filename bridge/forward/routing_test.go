package forward

import (
	"net/netip"
	"testing"

	"culvert/bridge/ipv6"
	"culvert/bridge/radio"
)

// withExtension puts an extension header of any length before the payload of p. body
// follows its Next Header and length octets; the two fill a multiple of 8 octets.
func withExtension(p ipv6.Packet, typ byte, body ...byte) ipv6.Packet {
	n := 2 + len(body)
	out := append(ipv6.Packet(nil), p[:40]...)
	size := len(p) - 40 + n
	out[4], out[5], out[6] = byte(size>>8), byte(size), typ
	out = append(out, p[6], byte(n/8-1))
	out = append(out, body...)
	return append(out, p[40:]...)
}

// A source route that a host outside wrote does not take a packet from a node that a
// rule opened to one that no rule opened (RFC 6554, section 5.1).
func TestSourceRouteDoesNotReachAClosedNode(t *testing.T) {
	for _, typ := range []byte{3, 4} {
		r := ruled(t, noAir, "any; fenland/00:00:5e:ef:10:00:00:11; any")
		b := global(nodeB).As16()
		r.down(withExtension(udp(outside, global(nodeA), 64, 4), 43, append([]byte{typ, 1, 0, 0, 0, 0}, b[:]...)...))
		if got := r.answer(radio.OutcomeDelivered); len(got) != 0 {
			t.Errorf("type %d: a packet for node A that says to go on to node B entered the mesh", typ)
		}
		r.sums()
	}
}

// A routing header whose segments are all visited is no order to anybody (RFC 8200,
// section 4.4), and passes both ways.
func TestUsedUpRoutingHeaderPasses(t *testing.T) {
	for _, typ := range []byte{2, 3, 4} {
		r := up(t)
		r.down(ext(udp(outside, global(nodeA), 64, 4), 43, [6]byte{typ, 0}))
		r.up(nodeA, ext(udp(global(nodeA), outside, 64, 4), 43, [6]byte{typ, 0}))
		if in, out := r.answer(radio.OutcomeDelivered), r.tun.Up(); len(in) != 1 || len(out) != 1 {
			t.Errorf("type %d, no segments left: %d packets to the node, %d from it", typ, len(in), len(out))
		}
	}
}

// The RPL option of a node's packet becomes padding of the same length before it
// leaves the mesh, to outside, to the gateway and to another node; everything else stays
// as it was (RFC 6553; RFC 9008, section 4.2; PadN: RFC 8200, section 4.2).
func TestRPLOptionOfANodeBecomesPadding(t *testing.T) {
	for _, tt := range []struct {
		name     string
		in, want []byte // options
	}{
		{"older value", []byte{0x63, 4, 0x80, 0x1e, 1, 0}, []byte{1, 4, 0, 0, 0, 0}},
		{"value of RFC 9008", []byte{0x23, 4, 0, 0x1e, 1, 0}, []byte{1, 4, 0, 0, 0, 0}},
		{"between others", []byte{0, 0x1e, 1, 7, 0x63, 4, 9, 9, 9, 9, 0x1e, 2, 5, 5}, []byte{0, 0x1e, 1, 7, 1, 4, 0, 0, 0, 0, 0x1e, 2, 5, 5}},
		{"twice, one of them empty", []byte{0x23, 0, 0x63, 2, 9, 9}, []byte{1, 0, 1, 2, 0, 0}},
		{"none", []byte{0x1e, 4, 0x63, 4, 0x23, 0}, []byte{0x1e, 4, 0x63, 4, 0x23, 0}},
	} {
		for to, hops := range map[netip.Addr]byte{outside: 63, gateway: 64, global(nodeB): 63} {
			r := up(t)
			r.up(nodeA, withExtension(udp(global(nodeA), to, 64, 20), 0, tt.in...))
			want := withExtension(udp(global(nodeA), to, hops, 20), 0, tt.want...)
			got := r.tun.Up()
			for _, a := range r.answer(radio.OutcomeDelivered) {
				got = append(got, a.pkt)
			}
			if len(got) != 1 || string(got[0]) != string(want) {
				t.Errorf("%s, to %v:\n got %x\nwant %x", tt.name, to, got, want)
			}
		}
	}
}
