package forward

import (
	"context"
	"encoding/binary"
	"math/rand/v2"
	"net/netip"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/nd"
	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/bridge/radio"
)

// chaos makes random packets and events, hostile ones among them.
type chaos struct{ *rand.Rand }

func (g chaos) link() ieee802154.Addr {
	if g.IntN(2) == 0 {
		return ieee802154.Short(uint16(g.IntN(64)))
	}
	return eui(uint64(g.IntN(64)))
}

func (g chaos) addr() netip.Addr {
	switch g.IntN(6) {
	case 0:
		return outside
	case 1:
		return gateway
	case 2:
		return gwLocal
	case 3:
		return local(g.link())
	}
	return global(g.link())
}

func (g chaos) packet() ipv6.Packet {
	src, dst := g.addr(), g.addr()
	switch g.IntN(7) {
	case 0:
		return solicit(src, dst, g.addr(), sourceLink(g.link()), sourceLink(g.link()))
	case 1:
		return register(g.link(), g.addr(), byte(g.Uint32()))
	case 2:
		msg := []byte{byte(g.IntN(5)), 0, 0, 0, 0, 0, 0, 0}
		return icmp(src, dst, 64, append(msg, udp(dst, src, 64, 4)...)...)
	case 3: // a fragment
		h := binary.BigEndian.AppendUint16([]byte{0, 0}, uint16(8*g.IntN(3)|g.IntN(2)))
		p := withExtension(udp(src, dst, 64, 8*g.IntN(100)), ipv6.ProtoFragment, append(h[1:], 0, 0, byte(g.IntN(4)))...)
		return p
	case 4:
		return ext(udp(src, dst, 64, 4), byte(43*g.IntN(2)), [6]byte{byte(g.IntN(5)), byte(g.IntN(3)), 0x63, byte(g.IntN(4))})
	case 5:
		return coap(gateway, g.link(), codePut, uint16(g.IntN(4)))
	}
	return udp(src, dst, byte(g.IntN(4)), g.IntN(1232))
}

// frame is a frame from the mesh, whole, a fragment, cut, or behind a mesh header.
func (g chaos) frame() (radio.Frame, bool) {
	from, p := g.link(), g.packet()
	b, h, err := lowpan.AppendCompressed(nil, p, lowpan.Peer{From: from, To: gwEUI}, contexts, 1200)
	if err != nil {
		return radio.Frame{}, false
	}
	b = append(b, p[h.Consumed:]...)
	switch g.IntN(6) {
	case 0:
		b = append(lowpan.AppendNextFragment(nil, uint16(40+g.IntN(1300)), uint16(g.IntN(3)), 8*g.IntN(100)), b[:min(len(b), 8*(1+g.IntN(12)))]...)
	case 1:
		b = append(lowpan.AppendFirstFragment(nil, uint16(len(p)), uint16(g.IntN(3))), b...)
	case 2:
		b = b[:g.IntN(len(b))]
	}
	if g.IntN(4) == 0 {
		o := g.link()
		m := byte(0x80 | 5)
		if o.IsShort() {
			m |= 0x20
		}
		b = append(gwEUI.AppendTo(o.AppendTo([]byte{m})), b...)
	}
	to := gwEUI
	if g.IntN(8) == 0 {
		to = ieee802154.Broadcast
	}
	return radio.Frame{From: from, To: to, Payload: b}, true
}

func (g chaos) event() (radio.Event, bool) {
	switch g.IntN(30) {
	case 0:
		info := forwardtest.Info()
		info.PAN, info.Feature = uint16(g.IntN(3)), radio.Features(g.IntN(64))
		info.MaxShort, info.MaxExtended = g.IntN(130), g.IntN(130)
		if g.IntN(3) == 0 {
			info.Short = ieee802154.Short(uint16(g.IntN(4)))
		}
		return radio.Event{Kind: radio.EventUp, Info: info, Credits: g.IntN(300)}, true
	case 1:
		return radio.Event{Kind: radio.EventDown}, g.IntN(5) == 0
	case 2:
		return radio.Event{Kind: radio.EventCredits, Credits: g.IntN(300)}, true
	case 3, 4:
		return radio.Event{Kind: radio.EventAttached, Node: radio.NodeInfo{Addr: g.link(), Short: g.link()}}, true
	case 5:
		return radio.Event{Kind: radio.EventDetached, Node: radio.NodeInfo{Addr: g.link()}}, true
	case 6:
		return radio.Event{Kind: radio.EventSnapshot}, true
	case 7:
		return radio.Event{Kind: radio.EventResult, ID: g.Uint32(), Outcome: radio.Outcome(g.IntN(14))}, true
	}
	fr, ok := g.frame()
	return radio.Event{Kind: radio.EventFrame, Frame: fr}, ok
}

// Random and hostile packets, frames, events, results, ticks, deadlines and changes of
// rules from four goroutines at once: nothing panics, every packet and frame is accounted
// for, and no buffer and no flight is lost.
func TestNothingIsLostInChaos(t *testing.T) {
	const rounds = 20000
	table, err := node.New(node.Options{Prefix: prefix, Max: 300})
	if err != nil {
		t.Fatal(err)
	}
	ra, tun := forwardtest.NewRadio(), forwardtest.NewTun()
	e := policy.New(policy.Options{Mesh: "m", Flows: 64})
	e.Swap(rules(t, "any; m/*; udp", "m/*; any; any", "m/*; m/*; any"))
	keep := make(chan *Unsaved, 4)
	f := New(Options{Table: table, Radio: ra, Policy: e, Name: "m", Keep: keep, Contexts: contexts,
		Buffers: 128, QueuePackets: 8, MaxAge: 30 * time.Millisecond, ResultWait: 30 * time.Millisecond,
		Discovery: nd.New(nd.Options{Prefix: prefix, Gateway: gateway, Table: table, MaxAddresses: 50}, nd.State{}, time.Now())})
	f.SetTun(tun)
	ctx, cancel := context.WithCancel(t.Context())
	var runner, wg sync.WaitGroup
	runner.Go(func() { _ = f.Run(ctx) })
	wg.Go(func() { // the reader of the TUN
		g := chaos{rand.New(rand.NewPCG(1, 1))}
		for i := range rounds {
			p := g.packet()
			if g.IntN(20) == 0 {
				p = p[:g.IntN(len(p))]
			}
			if f.ToMesh(p); i%50 == 0 {
				tun.Up()
			}
		}
	})
	wg.Go(func() { // the reader of the radio
		g := chaos{rand.New(rand.NewPCG(2, 2))}
		for range rounds {
			if ev, ok := g.event(); ok {
				ra.Push(ev)
			}
			for _, s := range ra.Sent() {
				switch g.IntN(8) {
				case 0: // no result
				case 1, 2, 3:
					ra.Result(s.ID, radio.OutcomeQueueFull)
				default:
					ra.Result(s.ID, radio.Outcome(1+g.IntN(10)))
				}
			}
			for ev, ok := ra.Poll(); ok; ev, ok = ra.Poll() {
				f.Event(&ev)
			}
		}
	})
	wg.Go(func() { // ticks, the keeper, and everybody who asks or changes something
		g := chaos{rand.New(rand.NewPCG(3, 3))}
		for range rounds / 20 {
			f.Tick()
			f.TickNodes()
			_ = f.Stats()
			f.Refusals(5)
			f.Scanners(5)
			_ = f.NotAfter(Message{To: netip.AddrPortFrom(global(g.link()), 5683), Port: 0xc000, ID: uint16(g.IntN(4))},
				time.Now().Add(time.Duration(g.IntN(200))*time.Millisecond))
			gone := g.link()
			f.Release(func(a ieee802154.Addr) bool { return a == gone })
			e.Swap(rules(t, "any; m/*; udp", "m/*; any; any"))
			for len(keep) > 0 {
				if u := <-keep; g.IntN(4) > 0 {
					f.Saved(u)
				}
			}
		}
	})
	wg.Wait()
	cancel()
	runner.Wait()
	f.Close()
	s := f.Stats()
	checkSums(t, s)
	if s.Buffers.InUse != 0 || s.Buffers.Forwarded != 0 || s.ToMesh.Queued != 0 {
		t.Errorf("%d buffers are lost, %d of them of forwarded packets; %d packets are said to be queued", s.Buffers.InUse, s.Buffers.Forwarded, s.ToMesh.Queued)
	}
	if lost := maxFlights - len(f.sender.flights.free); lost != 0 {
		t.Errorf("%d flights are lost", lost)
	}
	if s.ToMesh.Delivered == 0 || s.ToMesh.FramesReturned == 0 || s.FromMesh.Delivered == 0 || s.FromMesh.Handled == 0 {
		t.Errorf("too little happened: to the mesh %d delivered, %d frames returned; from it %d delivered, %d handled",
			s.ToMesh.Delivered, s.ToMesh.FramesReturned, s.FromMesh.Delivered, s.FromMesh.Handled)
	}
}

// A load that never ends, where each frame brings its result and another packet at once,
// holds up no goroutine that has other work: it hands at most 8 times 64 frames to the
// radio, and leaves the rest to the sending goroutine.
func TestEndlessLoadDoesNotCaptureATick(t *testing.T) {
	const endless = 100000
	table, err := node.New(node.Options{Prefix: prefix})
	if err != nil {
		t.Fatal(err)
	}
	ra := forwardtest.NewRadio()
	var f *Forwarder
	var frames atomic.Int64
	ended := make(chan struct{})
	ra.OnSend = func(r *forwardtest.Radio, s forwardtest.Sent) {
		r.Result(s.ID, radio.OutcomeDelivered)
		ev, _ := r.Poll()
		f.Event(&ev)
		switch n := frames.Add(1); {
		case n < endless:
			f.ToMesh(udp(gateway, global(nodeA), 64, 4))
		case n == endless:
			close(ended)
		}
	}
	f = New(Options{Table: table, Radio: ra, Contexts: contexts})
	ra.Up(forwardtest.Info(), 256, radio.NodeInfo{Addr: nodeA})
	for ev, ok := ra.Poll(); ok; ev, ok = ra.Poll() {
		f.Event(&ev)
	}
	f.ToMesh(udp(gateway, global(nodeA), 64, 4)) // the load begins
	if n := frames.Load(); n == 0 || n > 8*64 {
		t.Errorf("the goroutine that brought one packet handed %d frames to the radio", n)
	}
	before := frames.Load()
	f.Tick()
	if n := frames.Load() - before; n != 0 {
		t.Errorf("while the turn was the sending goroutine's, a tick handed over %d frames", n)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var runner sync.WaitGroup
	runner.Go(func() { _ = f.Run(ctx) })
	<-ended
	cancel()
	runner.Wait()
	f.Close()
	if s := f.Stats(); s.ToMesh.Delivered != endless || s.Buffers.InUse != 0 {
		t.Errorf("%d of %d packets delivered, %d buffers in use", s.ToMesh.Delivered, endless, s.Buffers.InUse)
	}
	checkSums(t, f.Stats())
}
