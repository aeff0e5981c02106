package forward

import (
	"errors"
	"net/netip"
	"testing"
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
	"culvert/bridge/radio"
)

// write is a UDP packet of the gateway with a CoAP message (RFC 7252, section 3): a
// confirmable PUT with a Message ID and n octets more.
func write(id uint16, n int) ipv6.Packet {
	p := udp(gateway, global(nodeA), 64, 4+n)
	copy(p[48:], []byte{0x40, 3, byte(id >> 8), byte(id)})
	p[46], p[47] = 0, 0
	s, d := gateway.As16(), global(nodeA).As16()
	c := ipv6.UDPChecksum(s[:], d[:], p[40:])
	p[46], p[47] = byte(c>>8), byte(c)
	return p
}

func message(id uint16) Message {
	return Message{To: netip.AddrPortFrom(global(nodeA), 0xc002), Port: 0xc001, ID: id}
}

// canCancel is up with a radio that can drop frames, and a number of credits.
func canCancel(t testing.TB, credits int) *rig {
	r := newRig(t, Options{}, node.Options{})
	info := forwardtest.Info()
	info.Feature |= radio.FeatureCancel
	r.radio.Up(info, credits, radio.NodeInfo{Addr: nodeA}, radio.NodeInfo{Addr: nodeB})
	r.run()
	return r
}

func (r *rig) notAfter(id uint16, in time.Duration) {
	r.t.Helper()
	if err := r.f.NotAfter(message(id), r.now.Add(in)); err != nil {
		r.t.Fatal(err)
	}
}

// passed checks that all ended as deadline-passed, n packets.
func (r *rig) passed(n uint64) {
	r.t.Helper()
	s := r.f.Stats()
	if got := s.ToMesh; got.Dropped[drop.DeadlinePassed] != n || got.Queued != 0 || s.Buffers.InUse != 0 {
		r.t.Errorf("dropped %v, %d queued, %d buffers", reasons(got.Dropped), got.Queued, s.Buffers.InUse)
	}
	r.sums()
}

// Out of credits until the deadline: the write does not leave when there are some
// again, what has none does, and so does another message of the same socket.
func TestDeadlineNoCredit(t *testing.T) {
	r := canCancel(t, 0)
	r.notAfter(7, 2*time.Second)
	r.down(write(7, 4))
	r.down(write(8, 4))
	r.down(udp(outside, global(nodeA), 64, 4))
	r.now = r.now.Add(2 * time.Second) // no tick: the credits themselves let it be looked at
	r.radio.Push(radio.Event{Kind: radio.EventCredits, Credits: 4})
	r.run()
	got := r.answer(radio.OutcomeDelivered)
	if len(got) != 2 {
		t.Errorf("%d packets arrived, want 2", len(got))
	}
	for _, a := range got {
		if p := a.pkt; p[50] == 0 && p[51] == 7 && p[48] == 0x40 {
			t.Error("the write left after its deadline")
		}
	}
	r.passed(1)
	// A repetition by whoever sends, or one that the kernel held, does not leave either.
	r.step(30 * time.Second)
	r.down(write(7, 4))
	if n := len(r.radio.Sent()); n != 0 {
		t.Errorf("%d frames of a repetition left", n)
	}
	r.step(time.Second)
	r.passed(2)
	// The table forgets.
	r.step(2 * time.Minute)
	if r.f.deadlines.all.Load() != nil {
		t.Error("deadlines are kept for ever")
	}
}

// Before its deadline a write leaves as any packet does.
func TestDeadlineInTime(t *testing.T) {
	r := canCancel(t, 4)
	r.notAfter(7, 2*time.Second)
	r.down(write(7, 4))
	if got := r.answer(radio.OutcomeDelivered); len(got) != 1 {
		t.Errorf("%d packets arrived", len(got))
	}
	r.step(3 * time.Second)
	if ids := r.radio.Cancelled(); len(ids) != 0 {
		t.Errorf("frames %v cancelled that had arrived", ids)
	}
	r.passed(0)
}

// Of a write in fragments no further one leaves after the deadline, and those that the
// radio still has are cancelled, each once.
func TestDeadlineFragments(t *testing.T) {
	r := canCancel(t, 4)
	r.notAfter(7, 2*time.Second)
	r.down(write(7, 600))
	sent := r.radio.Sent()
	if len(sent) != 2 {
		t.Fatalf("%d fragments under way", len(sent))
	}
	r.resolve(sent[0], radio.OutcomeDelivered)
	more := r.radio.Sent()
	if len(more) != 1 {
		t.Fatalf("%d more", len(more))
	}
	r.now = r.now.Add(2 * time.Second)
	if next, _ := r.f.turn(); time.Duration(next) != 0 {
		t.Errorf("to be looked at again at %v", time.Duration(next))
	}
	if ids := r.radio.Cancelled(); len(ids) != 2 {
		t.Errorf("%d frames cancelled, want the 2 under way", len(ids))
	}
	r.resolve(sent[1], radio.OutcomeDelivered)
	r.resolve(more[0], radio.OutcomeCancelled)
	r.step(time.Second)
	if n, ids := len(r.radio.Sent()), r.radio.Cancelled(); n != 0 || len(ids) != 0 {
		t.Errorf("%d fragments left after the deadline, %v cancelled again", n, ids)
	}
	r.passed(1)
}

// The sender looks again at the deadline by itself, without a tick or other news.
func TestDeadlineWakes(t *testing.T) {
	r := canCancel(t, 4)
	r.notAfter(7, 2*time.Second)
	r.down(write(7, 4))
	if next, _ := r.f.turn(); time.Duration(next) != 2*time.Second {
		t.Errorf("looks again at %v, want at 2 s", time.Duration(next))
	}
}

// "Queue full" of the radio: the frame is not tried again after the deadline.
func TestDeadlineQueueFull(t *testing.T) {
	r := canCancel(t, 4)
	r.notAfter(7, 10*time.Millisecond)
	r.down(write(7, 4))
	r.resolve(r.radio.Sent()[0], radio.OutcomeQueueFull)
	r.step(firstBackoff)
	if n := len(r.radio.Sent()); n != 0 {
		t.Errorf("%d frames left after the deadline", n)
	}
	r.passed(1)
}

// A write is withdrawn by an earlier time, and a later time changes nothing; a radio
// that cannot cancel is not asked to.
func TestDeadlineWithdrawn(t *testing.T) {
	r := withCredits(t, 0)
	r.notAfter(7, time.Minute)
	r.down(write(7, 4))
	r.notAfter(7, 0)
	r.notAfter(7, time.Minute)
	r.run()
	r.passed(1)
	r = up(t)
	r.notAfter(7, time.Minute)
	r.down(write(7, 4))
	r.notAfter(7, 0)
	r.run()
	if ids := r.radio.Cancelled(); len(ids) != 0 {
		t.Errorf("frames %v cancelled by a radio that cannot", ids)
	}
	if got := r.answer(radio.OutcomeDelivered); len(got) != 1 {
		t.Errorf("%d packets", len(got))
	}
	r.sums()
}

// The radio dies right after the write was queued, and is back after the deadline.
func TestDeadlineRadioDead(t *testing.T) {
	r := canCancel(t, 1)
	r.notAfter(7, 2*time.Second)
	r.down(udp(outside, global(nodeA), 64, 4)) // has the only credit
	r.down(write(7, 4))
	r.radio.Push(radio.Event{Kind: radio.EventDown, Cause: errors.New("gone")})
	r.run()
	r.now = r.now.Add(3 * time.Second)
	info := forwardtest.Info()
	info.Boot = 2
	r.radio.Sent()
	r.radio.Up(info, 8, radio.NodeInfo{Addr: nodeA})
	r.run()
	if n := len(r.radio.Sent()); n != 0 {
		t.Errorf("%d frames left after the deadline", n)
	}
	r.passed(1)
}

// The table has a bound.
func TestDeadlineBound(t *testing.T) {
	r := up(t)
	for id := range uint16(maxDeadlines) {
		r.notAfter(id, time.Second)
	}
	if err := r.f.NotAfter(message(maxDeadlines), r.now); !errors.Is(err, ErrDeadlines) {
		t.Errorf("one more: %v", err)
	}
	r.notAfter(3, 0)
}

// Looking up a deadline allocates nothing, with and without one.
func TestDeadlineAllocates(t *testing.T) {
	s := newSink(t)
	if err := s.f.NotAfter(message(7), time.Now().Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	var ev radio.Event
	for _, p := range []ipv6.Packet{write(7, 4), write(8, 4)} {
		if n := testing.AllocsPerRun(100, func() { s.toMesh(p, &ev) }); n != 0 {
			t.Errorf("%v allocations a packet", n)
		}
	}
}

func BenchmarkDeadline(b *testing.B) {
	for _, x := range []struct {
		name string
		n    uint16
	}{{"none", 0}, {"of 1", 1}, {"of 1024", maxDeadlines}} {
		b.Run(x.name, func(b *testing.B) {
			s := newSink(b)
			for id := range x.n {
				if err := s.f.NotAfter(message(id), time.Now().Add(time.Hour)); err != nil {
					b.Fatal(err)
				}
			}
			var ev radio.Event
			p := write(0, 4)
			b.ReportAllocs()
			for b.Loop() {
				s.toMesh(p, &ev)
			}
		})
	}
}
