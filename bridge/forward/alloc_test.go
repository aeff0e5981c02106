package forward

import (
	"testing"

	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
	"culvert/bridge/radio"
)

// sink is a radio that acknowledges every frame at once, and a TUN that takes every
// packet, both without keeping anything.
type sink struct {
	f       *Forwarder
	ids     []uint32
	packets int
}

func (s *sink) Send(_ radio.Frame, id uint32) error {
	s.ids = append(s.ids, id)
	return nil
}

func (s *sink) Write(b []byte) (int, error) {
	s.packets++
	return len(b), nil
}

func (s *sink) results(ev *radio.Event) {
	for i := 0; i < len(s.ids); i++ { // more come with each result
		*ev = radio.Event{Kind: radio.EventResult, ID: s.ids[i], Outcome: radio.OutcomeDelivered}
		s.f.Event(ev)
	}
	s.ids = s.ids[:0]
}

func newSink(t testing.TB) *sink {
	t.Helper()
	table, err := node.New(node.Options{Prefix: prefix})
	if err != nil {
		t.Fatal(err)
	}
	s := &sink{ids: make([]uint32, 0, 64)}
	s.f = New(Options{Table: table, Radio: s, Contexts: contexts})
	s.f.SetTun(s)
	s.f.Event(&radio.Event{Kind: radio.EventUp, Info: forwardtest.Info(), Credits: 16})
	for _, a := range []ieee802154.Addr{nodeA, nodeB} {
		s.f.Event(&radio.Event{Kind: radio.EventAttached, Node: radio.NodeInfo{Addr: a}})
	}
	return s
}

// toMesh takes a packet all the way to its last acknowledgement.
func (s *sink) toMesh(p ipv6.Packet, ev *radio.Event) {
	s.f.ToMesh(p)
	for s.f.counters.to.queued.Load() > 0 {
		s.f.turn()
		s.results(ev)
	}
}

// ways are the ways of a packet that are measured.
func ways(t testing.TB, s *sink) map[string]func() {
	r := newRig(t, Options{}, node.Options{})
	var ev radio.Event
	frame := func(p ipv6.Packet) func() {
		frames := r.frames(nodeA, gwEUI, p)
		return func() {
			for _, b := range frames {
				ev = radio.Event{Kind: radio.EventFrame, Frame: radio.Frame{From: nodeA, To: gwEUI, Payload: b}}
				s.f.Event(&ev)
			}
		}
	}
	small, large := udp(outside, global(nodeA), 64, 50), udp(outside, global(nodeA), 64, 1200)
	unknown := udp(outside, noNode, 64, 50)
	turned := frame(udp(global(nodeA), global(nodeB), 64, 20))
	return map[string]func(){
		"to mesh":              func() { s.toMesh(small, &ev) },
		"to mesh, fragments":   func() { s.toMesh(large, &ev) },
		"to no node":           func() { s.f.ToMesh(unknown) },
		"from mesh":            frame(udp(global(nodeA), outside, 64, 20)),
		"from mesh, fragments": frame(udp(global(nodeA), outside, 64, 1200)),
		"node to node": func() {
			turned()
			for s.f.counters.to.queued.Load() > 0 {
				s.f.turn()
				s.results(&ev)
			}
		},
	}
}

// Nothing is allocated for a packet, whichever way it goes.
func TestNothingIsAllocated(t *testing.T) {
	s := newSink(t)
	for name, way := range ways(t, s) {
		way() // what grows once
		before := s.f.Stats()
		if got := testing.AllocsPerRun(200, way); got != 0 {
			t.Errorf("%s: %v allocations", name, got)
		}
		after := s.f.Stats()
		if d := after.ToMesh.Delivered + after.FromMesh.Delivered + after.Limited - before.ToMesh.Delivered - before.FromMesh.Delivered - before.Limited; d == 0 {
			t.Errorf("%s: nothing got through", name)
		}
	}
	checkSums(t, s.f.Stats())
}

func BenchmarkWays(b *testing.B) {
	s := newSink(b)
	for name, way := range ways(b, s) {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				way()
			}
		})
	}
}
