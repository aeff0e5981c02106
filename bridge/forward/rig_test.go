package forward

import (
	"log/slog"
	"net/netip"
	"testing"
	"time"

	"culvert/bridge/adapt"
	"culvert/bridge/drop"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/node"
	"culvert/bridge/radio"
)

var (
	prefix   = netip.MustParsePrefix("2001:db8::/64")
	gateway  = netip.MustParseAddr("2001:db8::1")
	outside  = netip.MustParseAddr("2001:db8:ffff::53")
	gwEUI    = forwardtest.Info().EUI64
	gwLocal  = ipv6.LinkLocal(iid(gwEUI))
	start    = time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	nodeA    = eui(0x11)
	nodeB    = eui(0x12)
	contexts = lowpan.NewContexts(map[uint8]netip.Prefix{0: prefix})
)

// eui is an EUI-64 of the range for documents (RFC 9542, section 2.1.4).
func eui(n uint64) ieee802154.Addr { return ieee802154.Extended(0x00005eef10000000 + n) }

func iid(a ieee802154.Addr) ipv6.IID {
	i, ok := ipv6.IIDOf(a)
	if !ok {
		panic("no identifier")
	}
	return i
}

// global is the address of a node in the mesh, local the link-local one.
func global(a ieee802154.Addr) netip.Addr { return ipv6.Join(prefix.Addr(), iid(a)) }
func local(a ieee802154.Addr) netip.Addr  { return ipv6.LinkLocal(iid(a)) }

// rig is a Forwarder between an in-memory radio and TUN. Nothing runs by itself:
// the test moves packets, events and the clock.
type rig struct {
	t     testing.TB
	f     *Forwarder
	table *node.Table
	radio *forwardtest.Radio
	tun   *forwardtest.Tun
	now   time.Time
	far   *adapt.Sender // of all nodes
	gw    ieee802154.Addr

	unsaved chan *Unsaved // with neighbour discovery
}

func newRig(t testing.TB, o Options, no node.Options) *rig {
	t.Helper()
	r := &rig{t: t, radio: forwardtest.NewRadio(), tun: forwardtest.NewTun(), now: start, far: adapt.NewSender(100), gw: gwEUI}
	no.Prefix, no.Start = prefix, start
	table, err := node.New(no)
	if err != nil {
		t.Fatal(err)
	}
	o.Table, o.Radio, o.Contexts, o.Log = table, r.radio, contexts, slog.New(slog.DiscardHandler)
	o.Now = func() time.Time { return r.now }
	r.table = table
	r.f = New(o)
	r.f.SetTun(r.tun)
	return r
}

// up is newRig with a radio that is up and lists nodes A and B.
func up(t testing.TB) *rig {
	t.Helper()
	r := newRig(t, Options{}, node.Options{})
	r.radio.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA}, radio.NodeInfo{Addr: nodeB})
	r.run()
	return r
}

// run lets everything happen that can without more time.
func (r *rig) run() {
	for {
		for _, more := r.f.turn(); more; {
			_, more = r.f.turn()
		}
		ev, ok := r.radio.Poll()
		if !ok {
			return
		}
		r.f.Event(&ev)
	}
}

// step lets time pass.
func (r *rig) step(d time.Duration) {
	r.now = r.now.Add(d)
	r.f.Tick()
	r.run()
}

// down sends a packet from the TUN.
func (r *rig) down(pkt []byte) {
	r.f.ToMesh(pkt)
	r.run()
}

// up sends a packet from a node, in as many frames as it takes.
func (r *rig) up(from ieee802154.Addr, pkt []byte) {
	r.t.Helper()
	for _, b := range r.frames(from, r.gw, pkt) {
		r.radio.Push(radio.Event{Kind: radio.EventFrame, Frame: radio.Frame{From: from, To: r.gw, Payload: b}})
	}
	r.run()
}

// frames are the frames of a packet from a node.
func (r *rig) frames(from, to ieee802154.Addr, pkt []byte) [][]byte {
	r.t.Helper()
	p, err := ipv6.Parse(pkt)
	if err != nil {
		r.t.Fatal(err)
	}
	var o adapt.Outgoing
	if err := r.far.Start(&o, p, lowpan.Peer{From: from, To: to}, contexts, 96); err != nil {
		r.t.Fatal(err)
	}
	var out [][]byte
	for !o.Done() {
		out = append(out, o.Append(nil))
	}
	return out
}

// answer gives every frame that was sent an outcome, and returns the packets that
// the frames make, with the link address of each.
func (r *rig) answer(o radio.Outcome) (got []arrived) {
	r.t.Helper()
	return r.answerAll(o, nil)
}

// answerWith is answer, where one frame was taken from the radio before.
func (r *rig) answerWith(s forwardtest.Sent, o radio.Outcome) []arrived {
	r.t.Helper()
	return r.answerAll(o, []forwardtest.Sent{s})
}

func (r *rig) answerAll(o radio.Outcome, sent []forwardtest.Sent) (got []arrived) {
	r.t.Helper()
	rx := adapt.NewReceiver(adapt.Options{})
	for {
		sent = append(sent, r.radio.Sent()...)
		if len(sent) == 0 {
			return got
		}
		for _, s := range sent {
			n := r.table.ByLink(s.Frame.To) // what it can expand
			g, err := rx.Receive(lowpan.Peer{From: r.gw, To: s.Frame.To, GHC: n != nil && n.GHC()}, s.Frame.Payload, contexts, r.now)
			if err != nil {
				r.t.Fatalf("frame to %v: %v", s.Frame.To, err)
			}
			if g.Packet != nil {
				got = append(got, arrived{s.Frame.To, append(ipv6.Packet(nil), g.Packet...), s.Frame.Priority})
			}
			r.radio.Result(s.ID, o)
		}
		sent = nil
		r.run()
	}
}

type arrived struct {
	to    ieee802154.Addr
	pkt   ipv6.Packet
	class radio.Priority
}

// udp is a UDP packet with n octets of payload.
func udp(src, dst netip.Addr, hopLimit byte, n int) ipv6.Packet {
	b := ipv6.Header{PayloadLen: 8 + n, NextHeader: ipv6.ProtoUDP, HopLimit: hopLimit, Source: src, Destination: dst}.AppendTo(nil)
	b = append(b, 0xc0, 0x01, 0xc0, 0x02, byte((8+n)>>8), byte(8+n), 0, 0)
	for i := range n {
		b = append(b, byte(i))
	}
	s, d := src.As16(), dst.As16()
	c := ipv6.UDPChecksum(s[:], d[:], b[40:])
	b[46], b[47] = byte(c>>8), byte(c)
	return b
}

// icmp is an ICMPv6 message.
func icmp(src, dst netip.Addr, hopLimit byte, msg ...byte) ipv6.Packet {
	b := ipv6.Header{PayloadLen: len(msg), NextHeader: ipv6.ProtoICMPv6, HopLimit: hopLimit, Source: src, Destination: dst}.AppendTo(nil)
	b = append(b, msg...)
	s, d := src.As16(), dst.As16()
	b[42], b[43] = 0, 0
	c := ipv6.Checksum(s[:], d[:], ipv6.ProtoICMPv6, b[40:])
	b[42], b[43] = byte(c>>8), byte(c)
	return b
}

// sums checks that every packet and frame is accounted for, in both directions.
func (r *rig) sums() {
	r.t.Helper()
	checkSums(r.t, r.f.Stats())
}

func checkSums(t testing.TB, s Stats) {
	t.Helper()
	for _, d := range []struct {
		name string
		Direction
	}{{"to mesh", s.ToMesh}, {"from mesh", s.FromMesh}} {
		if ends := d.Delivered + d.Handled + d.Turned + total(d.Dropped) + d.Queued; d.Offered != ends {
			t.Errorf("%s: offered %d = delivered %d + turned %d + dropped %d + queued %d: off by %d",
				d.name, d.Offered, d.Delivered, d.Turned, total(d.Dropped), d.Queued, int64(d.Offered-ends))
		}
	}
	if d := s.FromMesh; d.Frames != d.FramesConsumed+total(d.FramesDropped) {
		t.Errorf("from mesh: received %d frames = consumed %d + dropped %d", d.Frames, d.FramesConsumed, total(d.FramesDropped))
	}
	if d := s.ToMesh; d.Frames != d.FramesConsumed+d.FramesReturned+d.FramesInFlight+total(d.FramesDropped) {
		t.Errorf("to mesh: sent %d frames = acknowledged %d + returned %d + dropped %d + in flight %d",
			d.Frames, d.FramesConsumed, d.FramesReturned, total(d.FramesDropped), d.FramesInFlight)
	}
}

func total(counts [drop.Count]uint64) (n uint64) {
	for _, c := range counts {
		n += c
	}
	return n
}

// reasons are the counts that are not 0.
func reasons(counts [drop.Count]uint64) map[string]uint64 {
	m := map[string]uint64{}
	for r, n := range counts {
		if n > 0 {
			m[drop.Reason(r).String()] = n
		}
	}
	return m
}
