package forward

import (
	"errors"
	"testing"
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/bridge/radio"
)

// withCredits is a rig whose radio has a number of credits and lists nodes A and B.
func withCredits(t testing.TB, credits int) *rig {
	r := newRig(t, Options{}, node.Options{})
	r.radio.Up(forwardtest.Info(), credits, radio.NodeInfo{Addr: nodeA}, radio.NodeInfo{Addr: nodeB})
	r.run()
	return r
}

// resolve gives one frame its result.
func (r *rig) resolve(s forwardtest.Sent, o radio.Outcome) {
	r.radio.Result(s.ID, o)
	r.run()
}

// At most 2 frames of a node are unresolved, and no more than half of the credits.
func TestWindow(t *testing.T) {
	for _, tt := range []struct{ credits, want int }{{0, 0}, {1, 1}, {2, 1}, {3, 1}, {4, 2}, {64, 2}} {
		r := withCredits(t, tt.credits)
		for range 10 {
			r.down(udp(outside, global(nodeA), 64, 4))
		}
		if got := len(r.radio.Sent()); got != tt.want {
			t.Errorf("%d credits: %d frames of one node unresolved, want %d", tt.credits, got, tt.want)
		}
	}
	r := withCredits(t, 3)
	for range 10 {
		r.down(udp(outside, global(nodeA), 64, 4))
		r.down(udp(outside, global(nodeB), 64, 4))
	}
	if got := r.radio.MaxUnresolved(); got != 2 {
		t.Errorf("3 credits, 2 nodes: %d frames unresolved", got)
	}
}

// More credits set going what waited for them.
func TestCreditsArrive(t *testing.T) {
	r := withCredits(t, 0)
	r.down(udp(outside, global(nodeA), 64, 4))
	r.radio.Push(radio.Event{Kind: radio.EventCredits, Credits: 4})
	r.run()
	if got := r.answer(radio.OutcomeDelivered); len(got) != 1 {
		t.Errorf("%d packets arrived", len(got))
	}
}

// The radio refuses a frame for which there seemed to be a credit: nothing is lost,
// and there is a pause.
func TestNoCredit(t *testing.T) {
	r := withCredits(t, 8)
	r.radio.Push(radio.Event{Kind: radio.EventCredits, Credits: 0}) // which the sender has not heard yet
	r.f.ToMesh(udp(outside, global(nodeA), 64, 4))
	r.f.ToMesh(udp(outside, global(nodeB), 64, 4))
	r.f.turn()
	if q := r.f.queues.of(r.table.ByLink(nodeA)); q.waiting != 1 || len(r.f.sender.resting) != 1 || len(r.f.sender.flights.free) != maxFlights {
		t.Fatalf("%d frames of %d nodes wait, want 1 of 1; %d flights are free", q.waiting, len(r.f.sender.resting), len(r.f.sender.flights.free))
	}
	r.run()
	r.step(noCreditPause)
	r.radio.Push(radio.Event{Kind: radio.EventCredits, Credits: 8})
	r.run()
	if got := r.answer(radio.OutcomeDelivered); len(got) != 2 {
		t.Errorf("%d packets arrived, want 2", len(got))
	}
	r.sums()
}

// "Queue full" lets the node rest, longer each time; others go on; the frame is sent
// again, and the packet arrives once.
func TestQueueFullBacksOff(t *testing.T) {
	r := withCredits(t, 8)
	r.down(udp(outside, global(nodeA), 64, 300)) // several fragments
	sent := r.radio.Sent()
	if len(sent) != 2 {
		t.Fatalf("%d frames", len(sent))
	}
	r.resolve(sent[0], radio.OutcomeDelivered)
	third := r.radio.Sent()
	if len(third) != 1 {
		t.Fatalf("%d frames", len(third))
	}
	r.resolve(sent[1], radio.OutcomeQueueFull)
	for _, pause := range []time.Duration{20, 40, 80, 160, 320, 640, 1280, 2000, 2000} {
		pause *= time.Millisecond
		r.down(udp(outside, global(nodeB), 64, 4))
		b := r.radio.Sent()
		if len(b) != 1 || b[0].Frame.To != nodeB {
			t.Fatalf("node B does not go on: %d frames", len(b))
		}
		r.resolve(b[0], radio.OutcomeDelivered)
		r.step(pause - time.Millisecond)
		if early := r.radio.Sent(); len(early) != 0 {
			t.Fatalf("a frame after less than %v", pause)
		}
		r.step(time.Millisecond)
		again := r.radio.Sent()
		if len(again) < 1 || string(again[0].Frame.Payload) != string(sent[1].Frame.Payload) {
			t.Fatalf("the frame was not sent again after %v", pause)
		}
		if again[0].ID == sent[1].ID {
			t.Error("under the same id")
		}
		r.resolve(again[0], radio.OutcomeQueueFull)
	}
	if got := r.f.Stats().ToMesh; got.FramesReturned != 10 || got.Dropped[drop.RadioFailed] != 0 {
		t.Errorf("%d frames returned, dropped %v", got.FramesReturned, reasons(got.Dropped))
	}
	r.sums()
	r.step(4 * time.Second) // the packet is more than 10 s old by now
	if got := r.f.Stats().ToMesh; got.Dropped[drop.QueueExpired] != 1 || got.Queued != 0 {
		t.Errorf("dropped %v, %d queued", reasons(got.Dropped), got.Queued)
	}
	r.resolve(third[0], radio.OutcomeDelivered)
	r.down(udp(outside, global(nodeA), 64, 4))
	if got := r.answer(radio.OutcomeDelivered); len(got) != 1 {
		t.Error("the node rests for ever")
	}
	if s := r.f.Stats(); s.Buffers.InUse != 0 {
		t.Errorf("%d buffers in use", s.Buffers.InUse)
	}
	r.sums()
}

// A packet whose frame came back with "queue full" arrives, whole and once.
func TestQueueFullArrives(t *testing.T) {
	r := withCredits(t, 8)
	want := udp(gateway, global(nodeA), 64, 700)
	r.down(want)
	back := r.radio.Sent()
	for i, s := range back {
		if i == 0 {
			r.radio.Result(s.ID, radio.OutcomeQueueFull)
		}
	}
	r.run()
	r.step(20 * time.Millisecond)
	// What the test has taken from the radio, put back to be answered.
	rx := map[int]forwardtest.Sent{1: back[1]}
	got := r.answerWith(rx[1], radio.OutcomeDelivered)
	if len(got) != 1 || string(got[0].pkt) != string(want) {
		t.Fatalf("%d packets arrived", len(got))
	}
	r.sums()
}

// A frame that fails for good abandons its datagram: no more fragments, one packet
// dropped, and the frame still under way does not count.
func TestFailedFragmentAbandons(t *testing.T) {
	for _, o := range []radio.Outcome{radio.OutcomeNoAck, radio.OutcomeBusy, radio.OutcomeTooLong, radio.OutcomeCancelled,
		radio.OutcomeExpired, radio.OutcomeLost, radio.OutcomeNone} {
		r := withCredits(t, 8)
		r.down(udp(outside, global(nodeA), 64, 1000))
		sent := r.radio.Sent()
		r.resolve(sent[0], o)
		if more := r.radio.Sent(); len(more) != 0 {
			t.Errorf("%v: %d more fragments", o, len(more))
		}
		s := r.f.Stats()
		if s.ToMesh.Dropped[drop.RadioFailed] != 1 || total(s.ToMesh.Dropped) != 1 || s.ToMesh.Queued != 0 || s.Buffers.InUse != 1 {
			t.Errorf("%v: dropped %v, %d queued, %d buffers", o, reasons(s.ToMesh.Dropped), s.ToMesh.Queued, s.Buffers.InUse)
		}
		r.down(udp(outside, global(nodeA), 64, 4)) // the next packet goes while a frame is under way
		next := r.radio.Sent()
		if len(next) != 1 {
			t.Fatalf("%v: %d frames of the next packet", o, len(next))
		}
		r.resolve(sent[1], radio.OutcomeDelivered)
		r.resolve(next[0], radio.OutcomeDelivered)
		s = r.f.Stats()
		if s.ToMesh.Delivered != 1 || s.Buffers.InUse != 0 {
			t.Errorf("%v: %d delivered, %d buffers", o, s.ToMesh.Delivered, s.Buffers.InUse)
		}
		r.sums()
	}
}

// Results in any order; results twice, late or invented change nothing.
func TestStrayResults(t *testing.T) {
	r := withCredits(t, 8)
	r.down(udp(outside, global(nodeA), 64, 4))
	r.down(udp(outside, global(nodeA), 64, 4))
	sent := r.radio.Sent()
	for _, id := range []uint32{0, 1, 1023, 1 << 31, sent[0].ID + 1024, sent[1].ID ^ 1<<20} {
		r.resolve(forwardtest.Sent{ID: id}, radio.OutcomeDelivered)
	}
	if s := r.f.Stats().ToMesh; s.Delivered != 0 || s.FramesInFlight != 2 {
		t.Errorf("%d delivered by invented results", s.Delivered)
	}
	r.resolve(sent[1], radio.OutcomeDelivered)
	for range 3 {
		r.resolve(sent[0], radio.OutcomeNoAck)
		r.resolve(sent[1], radio.OutcomeNoAck)
	}
	if s := r.f.Stats().ToMesh; s.Delivered != 1 || s.Dropped[drop.RadioFailed] != 1 || s.FramesInFlight != 0 {
		t.Errorf("%d delivered, dropped %v", s.Delivered, reasons(s.Dropped))
	}
	r.sums()
}

// The radio goes down, or boots anew without a word, in the middle of a datagram:
// what was under way has failed, what waits goes when it is back.
func TestRadioResetMidDatagram(t *testing.T) {
	for _, silent := range []bool{false, true} {
		r := withCredits(t, 8)
		r.down(udp(outside, global(nodeA), 64, 1000))
		r.down(udp(outside, global(nodeA), 64, 4))
		sent := r.radio.Sent()
		r.resolve(sent[0], radio.OutcomeDelivered)
		if !silent {
			r.radio.Push(radio.Event{Kind: radio.EventDown, Cause: errors.New("unplugged")})
		}
		info := forwardtest.Info()
		info.Boot = 2
		before := r.radio.Sent()
		r.radio.Up(info, 8, radio.NodeInfo{Addr: nodeA})
		r.run()
		s := r.f.Stats()
		if s.ToMesh.Dropped[drop.RadioDown] != 1 || s.ToMesh.FramesDropped[drop.RadioDown] != 2 {
			t.Errorf("silent %v: packets %v, frames %v", silent, reasons(s.ToMesh.Dropped), reasons(s.ToMesh.FramesDropped))
		}
		after := r.radio.Sent()
		if len(after) != 1 {
			t.Fatalf("silent %v: %d frames after the reset, want the one of the second packet", silent, len(after))
		}
		for _, old := range append(before, sent[1]) { // answers of another life
			r.f.Event(&radio.Event{Kind: radio.EventResult, ID: old.ID, Outcome: radio.OutcomeDelivered})
		}
		r.resolve(after[0], radio.OutcomeDelivered)
		if s := r.f.Stats(); s.ToMesh.Delivered != 1 || s.Buffers.InUse != 0 || s.ToMesh.FramesInFlight != 0 {
			t.Errorf("silent %v: %d delivered, %d buffers, %d in flight", silent, s.ToMesh.Delivered, s.Buffers.InUse, s.ToMesh.FramesInFlight)
		}
		if r.table.ByLink(nodeB).State() != node.Silent {
			t.Errorf("silent %v: node B was not listed again, and is %v", silent, r.table.ByLink(nodeB).State())
		}
		r.sums()
	}
}

// A frame that waits to be sent again does not survive the radio either.
func TestRadioResetWhileWaiting(t *testing.T) {
	r := withCredits(t, 8)
	r.down(udp(outside, global(nodeA), 64, 4))
	r.resolve(r.radio.Sent()[0], radio.OutcomeQueueFull)
	r.radio.Push(radio.Event{Kind: radio.EventDown, Cause: errors.New("unplugged")})
	r.radio.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA})
	r.run()
	if s := r.f.Stats(); s.ToMesh.Dropped[drop.RadioDown] != 1 || s.Buffers.InUse != 0 {
		t.Errorf("%v, %d buffers", reasons(s.ToMesh.Dropped), s.Buffers.InUse)
	}
	r.down(udp(outside, global(nodeA), 64, 4))
	if got := r.answer(radio.OutcomeDelivered); len(got) != 1 {
		t.Error("the node rests for ever")
	}
	r.sums()
}

// Send says "down" before the event is read: one packet ends, the rest waits.
func TestSendFindsRadioDown(t *testing.T) {
	r := withCredits(t, 8)
	r.radio.Push(radio.Event{Kind: radio.EventDown, Cause: errors.New("unplugged")})
	for range 5 {
		r.f.ToMesh(udp(outside, global(nodeA), 64, 4))
	}
	r.f.turn()
	if s := r.f.Stats().ToMesh; s.Dropped[drop.RadioDown] != 1 || s.Queued != 4 {
		t.Errorf("%v, %d queued", reasons(s.Dropped), s.Queued)
	}
	r.radio.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA})
	r.run()
	if got := r.answer(radio.OutcomeDelivered); len(got) != 4 {
		t.Errorf("%d packets arrived, want 4", len(got))
	}
	r.sums()
}

// A datagram goes to one link address: when that leaves the node, no further
// fragment goes there.
func TestLinkAddressMovesMidDatagram(t *testing.T) {
	r := newRig(t, Options{}, node.Options{})
	short := ieee802154.Short(7)
	r.radio.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA, Short: short}, radio.NodeInfo{Addr: nodeB})
	r.run()
	r.down(udp(outside, global(nodeA), 64, 1000))
	first := r.radio.Sent()
	if first[0].Frame.To != short {
		t.Fatalf("to %v", first[0].Frame.To)
	}
	r.radio.Push(radio.Event{Kind: radio.EventAttached, Node: radio.NodeInfo{Addr: nodeB, Short: short}})
	r.run()
	for _, s := range first {
		r.resolve(s, radio.OutcomeDelivered)
	}
	if more := r.radio.Sent(); len(more) != 0 {
		t.Errorf("%d fragments to another node", len(more))
	}
	if s := r.f.Stats().ToMesh; s.Dropped[drop.NodeRemoved] != 1 {
		t.Errorf("%v", reasons(s.Dropped))
	}
	r.down(udp(outside, global(nodeA), 64, 4))
	if s := r.radio.Sent(); len(s) != 1 || s[0].Frame.To != nodeA {
		t.Error("the node is not reached at its EUI-64")
	}
	r.sums()
}

// A radio that cannot address short addresses is given EUI-64s.
func TestNoShortFrames(t *testing.T) {
	r := newRig(t, Options{}, node.Options{})
	info := forwardtest.Info()
	info.MaxShort = 0
	r.radio.Up(info, 8, radio.NodeInfo{Addr: nodeA, Short: ieee802154.Short(7)})
	r.run()
	r.down(udp(outside, global(nodeA), 64, 4))
	if s := r.radio.Sent(); len(s) != 1 || s[0].Frame.To != nodeA {
		t.Errorf("%v", s)
	}
}

// Octets, not frames or packets, are shared out between nodes: one that takes large
// packets gets no more than one that takes small ones.
func TestFairByOctets(t *testing.T) {
	r := withCredits(t, 2)
	sizes := map[ieee802154.Addr]int{}
	for i, size := range []int{1200, 45, 60, 90, 300, 500} {
		a := eui(0x20 + uint64(i))
		sizes[a] = size
		r.radio.Push(radio.Event{Kind: radio.EventAttached, Node: radio.NodeInfo{Addr: a}})
	}
	r.run()
	octets := map[ieee802154.Addr]int{}
	all := 0
	fill := func() {
		for a, size := range sizes {
			q := r.f.queues.of(r.table.ByLink(a))
			for load(q.held.Load()).packets() < 10 {
				r.f.ToMesh(udp(outside, global(a), 64, size))
			}
		}
	}
	fill()
	r.run()
	for range 3000 {
		for _, s := range r.radio.Sent() {
			octets[s.Frame.To] += len(s.Frame.Payload)
			all += len(s.Frame.Payload)
			r.radio.Result(s.ID, radio.OutcomeDelivered)
		}
		fill()
		r.run()
	}
	for a, n := range octets {
		if mean := all / len(sizes); n < mean*95/100 || n > mean*105/100 {
			t.Errorf("packets of %d octets: %d octets of frames, where each node should have had %d", sizes[a], n, mean)
		}
	}
	r.sums()
}

// What is too old ends wherever it waits, also for a node that rests, and without
// credits; what is young stays.
func TestExpiry(t *testing.T) {
	r := withCredits(t, 8)
	for range 4 {
		r.down(udp(outside, global(nodeA), 64, 4))
	}
	sent := r.radio.Sent()
	r.resolve(sent[0], radio.OutcomeQueueFull)
	r.resolve(sent[1], radio.OutcomeDelivered)
	r.step(20 * time.Millisecond)
	for _, s := range r.radio.Sent() {
		r.resolve(s, radio.OutcomeQueueFull)
	}
	r.radio.Push(radio.Event{Kind: radio.EventCredits, Credits: 0})
	r.run()
	r.step(9 * time.Second)
	r.down(udp(outside, global(nodeB), 64, 4))
	r.step(2 * time.Second)
	s := r.f.Stats().ToMesh
	if s.Dropped[drop.QueueExpired] != 3 || s.Delivered != 1 || s.Queued != 1 {
		t.Errorf("%v, %d delivered, %d queued", reasons(s.Dropped), s.Delivered, s.Queued)
	}
	r.step(9 * time.Second)
	if s := r.f.Stats(); s.ToMesh.Dropped[drop.QueueExpired] != 4 || s.Buffers.InUse != 0 {
		t.Errorf("%v, %d buffers in use", reasons(s.ToMesh.Dropped), s.Buffers.InUse)
	}
	r.sums()
}

// Node counters: what a node got and gave.
func TestTraffic(t *testing.T) {
	r := withCredits(t, 8)
	r.down(udp(outside, global(nodeA), 64, 300))
	r.now = r.now.Add(80 * time.Millisecond)
	r.answer(radio.OutcomeDelivered)
	r.up(nodeA, udp(global(nodeA), outside, 64, 4))
	n := r.table.ByLink(nodeA)
	tr := n.Traffic()
	if tr.FramesSent.Load() != 4 || tr.FramesAcked.Load() != 4 || tr.PacketsDelivered.Load() != 1 || tr.PacketsReceived.Load() != 1 || tr.FramesReceived.Load() != 1 {
		t.Errorf("%d frames sent, %d acknowledged, %d packets delivered; %d frames, %d packets received", tr.FramesSent.Load(),
			tr.FramesAcked.Load(), tr.PacketsDelivered.Load(), tr.FramesReceived.Load(), tr.PacketsReceived.Load())
	}
	if l := time.Duration(tr.Latency.Load()); l < 40*time.Millisecond || l > 80*time.Millisecond {
		t.Errorf("latency %v", l)
	}
	if n.State() != node.Up || n.LastHeard() != r.now {
		t.Errorf("%v, heard %v", n.State(), n.LastHeard())
	}
}

// The buffers: all of them, each once, and back.
func TestBuffers(t *testing.T) {
	var b buffers
	b.init(5)
	var got []*packet
	seen := map[*packet]bool{}
	for p := b.take(len(got)%2 == 0); p != nil; p = b.take(len(got)%2 == 0) {
		if seen[p] || cap(p.octets) != 1280 || len(p.octets) != 0 {
			t.Fatal("a buffer twice, or of the wrong size")
		}
		seen[p] = true
		p.forwarded = len(got)%2 == 0
		got = append(got, p)
	}
	if all, forwarded := b.inUse(); len(got) != 5 || all != 5 || forwarded != 3 {
		t.Errorf("%d buffers, %d in use, %d for forwarded packets", len(got), all, forwarded)
	}
	for _, p := range got {
		b.give(p)
	}
	if all, forwarded := b.inUse(); all != 0 || forwarded != 0 {
		t.Errorf("all given back: %d in use, %d for forwarded packets", all, forwarded)
	}
	for range 5 {
		if b.take(false) == nil {
			t.Error("a buffer was lost")
		}
	}
}
