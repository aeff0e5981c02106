package forward

import (
	"encoding/binary"
	"net/netip"
	"testing"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/radio"
)

const (
	codeGet = 1 // RFC 7252, section 5.8
	codePut = 3
)

// coap is a confirmable CoAP request to port 5683 of a node (RFC 7252, section 3).
func coap(src netip.Addr, dst ieee802154.Addr, code byte, id uint16) ipv6.Packet {
	p := udp(src, global(dst), 64, 4)
	copy(p[40:], []byte{0xc0, 0, 0x16, 0x33, 0, 12, 0, 0, 0x40, code, byte(id >> 8), byte(id)})
	return checksummed(p)
}

// checksummed sets the UDP checksum of p.
func checksummed(p ipv6.Packet) ipv6.Packet {
	binary.BigEndian.PutUint16(p[46:], 0)
	binary.BigEndian.PutUint16(p[46:], ipv6.UDPChecksum(p.SourceBytes(), p.DestinationBytes(), p[40:]))
	return p
}

// advertise is a neighbour advertisement of the gateway to a node.
func advertise(to ieee802154.Addr) ipv6.Packet {
	return icmp(gwLocal, local(to), 255, append([]byte{136, 0, 0, 0, 0, 0, 0, 0}, make([]byte, 16)...)...)
}

// credits changes how many frames the radio takes.
func (r *rig) credits(n int) {
	r.radio.Push(radio.Event{Kind: radio.EventCredits, Credits: n})
	r.run()
}

// attach adds n nodes.
func (r *rig) attach(n int) (nodes []ieee802154.Addr) {
	for i := range n {
		nodes = append(nodes, eui(0x1000+uint64(i)))
		r.radio.Push(radio.Event{Kind: radio.EventAttached, Node: radio.NodeInfo{Addr: nodes[i]}})
	}
	r.run()
	return nodes
}

// Frames of a higher class go first, but of a lower class that waits one follows every
// eight of them: of 20 packets of the network, 20 control writes and 40 others, the
// first control write is number 8, and the first of the others number 28, when eight
// control writes have gone (2 beside those of the network, and 6 after them).
func TestClasses(t *testing.T) {
	r := withCredits(t, 2)
	nodes := r.attach(40)
	r.credits(0)
	for _, n := range nodes {
		r.f.ToMesh(coap(outside, n, codeGet, 1))
	}
	for _, n := range nodes[:20] {
		r.f.ToMesh(coap(outside, n, codePut, 1))
		r.f.say(n, advertise(n))
	}
	r.credits(2)
	first, count := map[radio.Priority]int{}, map[radio.Priority]int{}
	for i, a := range r.answer(radio.OutcomeDelivered) {
		if count[a.class]++; count[a.class] == 1 {
			first[a.class] = i
		}
	}
	if count[radio.PriorityNetwork] != 20 || count[radio.PriorityControl] != 20 || count[radio.PriorityData] != 40 {
		t.Errorf("packets that arrived, by class: %v", count)
	}
	if first[radio.PriorityNetwork] != 0 || first[radio.PriorityControl] != 8 || first[radio.PriorityData] != 28 {
		t.Errorf("the first packet of each class: %v", first)
	}
	r.sums()
}

// While higher classes never end, a packet of the lowest class leaves after 8 frames of
// each class above it for every frame of the class between.
func TestLowestClassDoesNotStarve(t *testing.T) {
	r := withCredits(t, 2)
	nodes := r.attach(30)
	refill := func() {
		for _, n := range nodes {
			if q := r.f.queues.of(r.table.ByLink(n)); load(q.held.Load()).packets() < 4 {
				r.f.say(n, advertise(n))
				r.f.ToMesh(coap(outside, n, codePut, 1))
				r.f.ToMesh(coap(gateway, n, codePut, 1))
			}
		}
	}
	refill()
	r.f.ToMesh(udp(outside, global(nodeA), 64, 4))
	for frames := 0; frames < 2000; {
		refill()
		r.run()
		for _, s := range r.radio.Sent() {
			if frames++; s.Frame.To == nodeA {
				if frames > 1+9*9*9 {
					t.Errorf("the only packet of the lowest class left as frame %d", frames)
				}
				return
			}
			r.radio.Result(s.ID, radio.OutcomeDelivered)
		}
	}
	t.Error("the only packet of the lowest class never left")
}

// A write of the gateway itself leaves before those of other hosts to the same node
// that came earlier, and after what is under way.
func TestOwnWriteOvertakesForwardedWrites(t *testing.T) {
	r := withCredits(t, 4)
	for i := range uint16(20) {
		r.down(coap(outside, nodeA, codePut, i))
	}
	own := coap(gateway, nodeA, codePut, 100)
	r.down(own)
	got := r.answer(radio.OutcomeDelivered)
	if len(got) != 21 {
		t.Fatalf("%d packets arrived", len(got))
	}
	for i, a := range got {
		if string(a.pkt) == string(own) {
			if i != 2 || a.class != radio.PriorityControl {
				t.Errorf("the gateway's write arrived as number %d, priority %d: only two frames were under way", i, a.class)
			}
			return
		}
	}
	t.Error("the gateway's write did not arrive")
}
