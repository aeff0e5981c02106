package bridge_test

import (
	"net/netip"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/net/ipv6"

	"culvert/bridge/adapt"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/lowpan"
	"culvert/bridge/policy"
	"culvert/bridge/radio"
	"culvert/tun/tuntest"
)

// RFC 8200, section 3: each node that forwards a packet takes one off its hop limit. The box
// is two of them, its kernel and culvert, as README.md says: what a host sends with 64 comes to
// a node with 62, and the other way.
func TestBoxTakesTwoHops(t *testing.T) {
	r := forwardtest.NewRadio()
	rx, far := adapt.NewReceiver(adapt.Options{}), adapt.NewSender(0)
	var arrived atomic.Int32 // the hop limit at the node
	r.OnSend = func(r *forwardtest.Radio, s forwardtest.Sent) {
		g, err := rx.Receive(lowpan.Peer{From: gwEUI, To: s.Frame.To}, s.Frame.Payload, contexts, time.Now())
		r.Result(s.ID, radio.OutcomeDelivered)
		if err != nil || g.Packet == nil {
			return
		}
		back := slices.Clone(g.Packet)
		if !tuntest.Swap(back) {
			return
		}
		arrived.Store(int32(g.Packet.HopLimit()))
		back.SetHopLimit(64)
		for _, ev := range frames(t, far, nodeA, back) {
			r.Push(ev)
		}
	}
	r.Up(forwardtest.Info(), 16, radio.NodeInfo{Addr: nodeA})
	g := newGuarded(t, r, 1, policy.Limits{}, "2001:db8:5::/64; fenland/*; udp")
	c := dialIn(t, g.host, netip.AddrPortFrom(addrA, 4000))
	p := ipv6.NewPacketConn(c)
	if err := p.SetHopLimit(64); err != nil {
		t.Fatal(err)
	}
	if err := p.SetControlMessage(ipv6.FlagHopLimit, true); err != nil {
		t.Fatal(err)
	}
	if _, err := c.Write([]byte("level")); err != nil {
		t.Fatal(err)
	}
	if err := p.SetReadDeadline(time.Now().Add(20 * time.Second)); err != nil {
		t.Fatal(err)
	}
	_, cm, _, err := p.ReadFrom(make([]byte, 64))
	if err != nil {
		t.Fatal(err)
	}
	if got := arrived.Load(); got != 62 || cm.HopLimit != 62 {
		t.Errorf("sent with 64, a packet comes to the node with %d and to the host with %d; want 62", got, cm.HopLimit)
	}
}
