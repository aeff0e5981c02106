package forward

import (
	"testing"

	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/bridge/radio"
)

// BenchmarkWaysUnderRules is BenchmarkWays where the rules are asked about every packet.
// "answer" is the answer of a flow that a node opened; all others open or renew a flow.
func BenchmarkWaysUnderRules(b *testing.B) {
	s := newSink(b)
	e := policy.New(policy.Options{Mesh: "fenland", Now: s.f.start, Limits: noAir})
	e.Swap(rules(b, "2001:db8:ffff::/48; fenland/*; udp/49154", "fenland/*; any; udp"))
	s.f.opt.Policy, s.f.opt.Name = e, "fenland"
	all := ways(b, s)
	delete(all, "to no node")

	var ev radio.Event
	out := udp(global(nodeB), outside, 64, 20)
	out[42], out[43] = 0xc0, 3
	for _, frame := range newRig(b, Options{}, node.Options{}).frames(nodeB, gwEUI, out) {
		s.f.Event(&radio.Event{Kind: radio.EventFrame, Frame: radio.Frame{From: nodeB, To: gwEUI, Payload: frame}})
	}
	back := udp(outside, global(nodeB), 64, 20)
	copy(back[40:42], out[42:44])
	copy(back[42:44], out[40:42])
	all["answer"] = func() { s.toMesh(back, &ev) }
	for name, way := range all {
		b.Run(name, func(b *testing.B) {
			delivered := func() uint64 { s := s.f.Stats(); return s.ToMesh.Delivered + s.FromMesh.Delivered }
			before, n := delivered(), uint64(0)
			b.ReportAllocs()
			for b.Loop() {
				way()
				n++
			}
			if got := delivered() - before; got != n {
				b.Errorf("%d of %d packets got through", got, n)
			}
		})
	}
}
