package forward

import (
	"testing"
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/bridge/radio"
)

// Nodes that answer "queue full" hold no flight, however many there are: others go on
// meanwhile, and everything arrives when there is room again.
func TestFullNodesHoldNoFlights(t *testing.T) {
	const nodes = 1100
	r := newRig(t, Options{}, node.Options{})
	var list []radio.NodeInfo
	for i := range nodes {
		list = append(list, radio.NodeInfo{Addr: eui(uint64(0x1000 + i))})
	}
	r.radio.Up(forwardtest.Info(), 256, list...)
	r.run()
	for _, n := range list { // two frames of each
		r.f.ToMesh(udp(gateway, global(n.Addr), 64, 4))
		r.f.ToMesh(udp(gateway, global(n.Addr), 64, 4))
	}
	r.run()
	full := map[ieee802154.Addr]bool{}
	for len(full) < nodes-1 { // every node but the last is full
		sent := r.radio.Sent()
		if len(sent) == 0 {
			t.Fatalf("nothing is sent any more: %d nodes are full, %d of %d flights free", len(full), len(r.f.sender.flights.free), maxFlights)
		}
		for _, s := range sent {
			o := radio.OutcomeQueueFull
			if s.Frame.To == list[nodes-1].Addr {
				o = radio.OutcomeDelivered
			} else {
				full[s.Frame.To] = true
			}
			r.radio.Result(s.ID, o)
		}
		r.run()
	}
	unanswered := r.radio.Sent()
	if free := len(r.f.sender.flights.free); free != maxFlights-len(unanswered) {
		t.Errorf("%d flights are free while %d frames have no result", free, len(unanswered))
	}
	for _, s := range unanswered {
		r.radio.Result(s.ID, radio.OutcomeDelivered)
	}
	r.run()
	delivered := map[ieee802154.Addr]int{}
	for range 100 { // 5 s: the longest pause is 2 s
		for _, s := range r.radio.Sent() {
			delivered[s.Frame.To]++
			r.radio.Result(s.ID, radio.OutcomeDelivered)
		}
		r.step(50 * time.Millisecond)
	}
	s := r.f.Stats()
	if s.ToMesh.Delivered != 2*nodes || s.Buffers.InUse != 0 || len(r.f.sender.resting) != 0 {
		t.Errorf("%d of %d packets delivered, %d buffers in use, %d nodes rest; dropped %v", s.ToMesh.Delivered, 2*nodes, s.Buffers.InUse, len(r.f.sender.resting), reasons(s.ToMesh.Dropped))
	}
	r.sums()
}

// A node rests until all of its returned frames have gone again: where there is a credit
// for one of two, the node's next packet does not overtake the other one.
func TestNodeRestsUntilAllReturnedFramesAreGone(t *testing.T) {
	r := withCredits(t, 8)
	for n := range 3 {
		r.down(udp(outside, global(nodeA), 64, n))
	}
	sent := r.radio.Sent()
	if len(sent) != 2 {
		t.Fatalf("%d frames", len(sent))
	}
	for _, s := range sent {
		r.resolve(s, radio.OutcomeQueueFull)
	}
	r.credits(1)
	r.step(40 * time.Millisecond)
	var order []string
	for range 3 {
		next := r.radio.Sent()
		if len(next) != 1 {
			t.Fatalf("%d frames at once, of 1 credit", len(next))
		}
		order = append(order, string(next[0].Frame.Payload))
		r.resolve(next[0], radio.OutcomeDelivered)
	}
	if order[0] != string(sent[0].Frame.Payload) || order[1] != string(sent[1].Frame.Payload) || order[2] == order[0] || order[2] == order[1] {
		t.Errorf("frames in the order %x", order)
	}
	if s := r.f.Stats(); s.ToMesh.Delivered != 3 || s.Buffers.InUse != 0 {
		t.Errorf("%d delivered, %d buffers in use", s.ToMesh.Delivered, s.Buffers.InUse)
	}
	r.sums()
}

// While one frame of a node has come back, nothing else goes to the node, though only one
// of its two places is taken; other nodes go on.
func TestNodeRestsWhileAFrameIsReturned(t *testing.T) {
	r := withCredits(t, 8)
	r.down(udp(outside, global(nodeA), 64, 1))
	first := r.radio.Sent()
	r.resolve(first[0], radio.OutcomeQueueFull)
	r.down(udp(outside, global(nodeA), 64, 2))
	r.down(udp(outside, global(nodeB), 64, 3))
	if s := r.radio.Sent(); len(s) != 1 || s[0].Frame.To != nodeB {
		t.Fatalf("%d frames while node A rests, want the one to node B", len(s))
	}
	r.step(20 * time.Millisecond)
	if s := r.radio.Sent(); len(s) != 2 || string(s[0].Frame.Payload) != string(first[0].Frame.Payload) {
		t.Errorf("%d frames after the rest, want the returned one and the next", len(s))
	}
}

// A packet that fails takes its returned frame along: the node's next packet goes at
// once, and nothing of the first is sent again.
func TestReturnedFrameEndsWithItsPacket(t *testing.T) {
	r := withCredits(t, 8)
	r.down(udp(outside, global(nodeA), 64, 1000))
	sent := r.radio.Sent()
	r.resolve(sent[0], radio.OutcomeQueueFull)
	r.down(udp(outside, global(nodeA), 64, 4))
	if early := r.radio.Sent(); len(early) != 0 {
		t.Fatalf("%d frames to a node that rests", len(early))
	}
	r.resolve(sent[1], radio.OutcomeNoAck)
	next := r.radio.Sent()
	if len(next) != 1 || string(next[0].Frame.Payload) == string(sent[0].Frame.Payload) {
		t.Fatalf("%d frames when the datagram had failed, want that of the next packet", len(next))
	}
	r.resolve(next[0], radio.OutcomeDelivered)
	r.step(3 * time.Second)
	if more := r.radio.Sent(); len(more) != 0 {
		t.Errorf("%d frames of a datagram that had failed", len(more))
	}
	if s := r.f.Stats(); s.ToMesh.Delivered != 1 || s.ToMesh.Dropped[drop.RadioFailed] != 1 || s.Buffers.InUse != 0 {
		t.Errorf("%d delivered, dropped %v, %d buffers", s.ToMesh.Delivered, reasons(s.ToMesh.Dropped), s.Buffers.InUse)
	}
	r.sums()
}

// Returned frames that wait end as shutdown.
func TestCloseEndsReturnedFrames(t *testing.T) {
	r := withCredits(t, 8)
	for range 3 {
		r.down(udp(outside, global(nodeA), 64, 4))
	}
	for _, s := range r.radio.Sent() {
		r.resolve(s, radio.OutcomeQueueFull)
	}
	r.f.Close()
	if s := r.f.Stats(); s.ToMesh.Dropped[drop.Shutdown] != 3 || s.Buffers.InUse != 0 || len(r.f.sender.flights.free) != maxFlights {
		t.Errorf("dropped %v, %d buffers in use, %d flights free", reasons(s.ToMesh.Dropped), s.Buffers.InUse, len(r.f.sender.flights.free))
	}
	r.sums()
}
