package sim

import (
	"context"
	"fmt"
	"net/netip"
	"os"
	"runtime"
	"sync"
	"testing"
	"time"

	"culvert/bridge/adapt"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/radio"
)

// heap returns the live octets of the heap.
func heap() uint64 {
	runtime.GC()
	runtime.GC()
	var s runtime.MemStats
	runtime.ReadMemStats(&s)
	return s.HeapAlloc
}

// An idle node of an ideal mesh takes at most 2 KiB and no goroutine, with its
// report on the agenda. 5,000 nodes here; 50,000 with CULVERT_LONG set.
func TestScaleIdleNode(t *testing.T) {
	n := 5000
	if os.Getenv("CULVERT_LONG") != "" {
		n = 50000
	}
	routines := runtime.NumGoroutine()
	before := heap()
	m, err := New(Options{Site: Generate(n, testPrefix), Ideal: true, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	each := float64(heap()-before) / float64(n)
	t.Logf("%d nodes: %.0f octets each", n, each)
	if each > 2048 {
		t.Errorf("an idle node takes %.0f octets, at most 2048 are allowed", each)
	}
	if got := runtime.NumGoroutine(); got > routines {
		t.Errorf("%d goroutines, %d before", got, routines)
	}
	// After a report, an echo in fragments and a CoAP request to each of them.
	frames := 0
	m.Connect(func(e radio.Event) {
		if e.Kind == radio.EventFrame {
			frames++
		}
	})
	m.Advance(2 * time.Minute)
	h := newHost(t, m)
	for i := 1; i < len(m.nodes); i += max(n/500, 1) {
		eui := m.nodes[i].eui64
		h.send(eui, echo(t, farHost, globalOf(eui), 1, 1, pattern(300)))
		if len(h.packets) != 1 {
			t.Fatalf("node %d does not answer", i)
		}
		h.packets = nil
	}
	if frames < n {
		t.Errorf("%d frames of reports", frames)
	}
	each = float64(heap()-before) / float64(n)
	t.Logf("after two minutes of reports and pings: %.0f octets each", each)
	if each > 2048 {
		t.Errorf("after use a node takes %.0f octets", each)
	}
	runtime.KeepAlive(m)
}

// A node that is observed takes a little more, and as little as before when its
// observers are gone, but for the answers that it keeps for requests that come twice.
func TestScaleObservedNode(t *testing.T) {
	n := 5000
	if os.Getenv("CULVERT_LONG") != "" {
		n = 50000
	}
	m, err := New(Options{Site: Generate(n, testPrefix), Ideal: true, Seed: 1, Period: time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	told := 0
	m.direct = func(_ string, _ netip.AddrPort, msg []byte) { told++ }
	m.Advance(time.Minute)
	before := heap()
	c := &client{host: &host{t: t}}
	ask := func(id int32, observe int) {
		b := c.get(id, "tok", "/temp", observe)
		for i := 1; i <= n; i++ {
			must(t, m.receiveDirect(m.nodes[i].name, farPort, b))
		}
	}
	ask(1, 0)
	each := float64(heap()-before) / float64(n)
	t.Logf("%d nodes: %.0f octets more each with one observer", n, each)
	if each > 1024 {
		t.Errorf("an observer takes %.0f octets", each)
	}
	told = 0
	m.Advance(m.Now() + 10*time.Minute)
	if told != (7+5)*n { // the eighth is confirmable and sent five times, and then the node gives up
		t.Errorf("%d messages to %d observers", told, n)
	}
	each = (float64(heap()) - float64(before)) / float64(n)
	t.Logf("afterwards: %.0f octets more each", each)
	if each > 256 {
		t.Errorf("what is left of an observer takes %.0f octets", each)
	}
	runtime.KeepAlive(m)
}

// A mesh with slots and hops is larger, and still has no goroutine.
func TestSlottedNodeSize(t *testing.T) {
	const n = 1000
	before := heap()
	m, err := New(Options{Site: Generate(n, testPrefix), Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	m.Advance(time.Minute)
	if m.Joined() != n {
		t.Errorf("%d of %d nodes have joined after a minute", m.Joined(), n)
	}
	each := float64(heap()-before) / n
	t.Logf("%d nodes: %.0f octets each", n, each)
	if each > 4096 {
		t.Errorf("a node takes %.0f octets", each)
	}
	runtime.KeepAlive(m)
}

// echoFrames returns, for each node, an echo request of 8 octets as one frame.
func echoFrames(b *testing.B, m *Mesh) []radio.Frame {
	var out []radio.Frame
	c := lowpan.NewContexts(map[uint8]netip.Prefix{0: testPrefix})
	for i := 1; i < len(m.nodes); i++ {
		eui := m.nodes[i].eui64
		pkt, err := ipv6.Parse(echo(b, gatewayHost, globalOf(eui), 1, 1, make([]byte, 8)))
		if err != nil {
			b.Fatal(err)
		}
		var o adapt.Outgoing
		if err := adapt.NewSender(1).Start(&o, pkt, lowpan.Peer{From: m.nodes[gateway].eui64, To: eui}, c, MaxExtended); err != nil {
			b.Fatal(err)
		}
		out = append(out, radio.Frame{To: eui, Payload: o.Append(nil)})
	}
	return out
}

// BenchmarkIdeal is the way of a frame to a node and of the answer back: an echo of
// 8 octets, one frame each way, over 10,000 nodes.
func BenchmarkIdeal(b *testing.B) {
	m, err := New(Options{Site: Generate(10000, testPrefix), Ideal: true, Period: -1})
	if err != nil {
		b.Fatal(err)
	}
	frames := echoFrames(b, m)
	answers := 0
	m.Connect(func(e radio.Event) {
		if e.Kind == radio.EventFrame {
			answers++
		}
	})
	b.ReportAllocs()
	b.ResetTimer()
	for i := range b.N {
		m.Send(frames[i%len(frames)], uint32(i))
	}
	b.StopTimer()
	if answers != b.N {
		b.Fatalf("%d answers to %d requests", answers, b.N)
	}
	b.ReportMetric(2*float64(b.N)/b.Elapsed().Seconds(), "frames/s")
}

// BenchmarkIdealOverLink is the same through the link protocol, over a connection
// within the process, with as many frames under way as the radio allows.
func BenchmarkIdealOverLink(b *testing.B) {
	m, err := New(Options{Site: Generate(10000, testPrefix), Ideal: true, Period: -1})
	if err != nil {
		b.Fatal(err)
	}
	frames := echoFrames(b, m)
	r := NewRadio(m, RadioOptions{})
	ctx, cancel := context.WithCancel(b.Context())
	var wg sync.WaitGroup
	wg.Go(func() { r.Run(ctx) })
	l := radio.NewLink("simulated radio", r.Dial, radio.Options{})
	buf := make([]byte, radio.MaxRecord)
	next := func() radio.Event {
		e, err := l.Receive(buf)
		if err != nil {
			b.Fatal(err)
		}
		return e
	}
	for next().Kind != radio.EventSnapshot {
	}
	b.ReportAllocs()
	b.ResetTimer()
	sent, unresolved, answers := 0, 0, 0
	for answers < b.N || unresolved > 0 {
		for sent < b.N && unresolved < radio.MaxCredits {
			if err := l.Send(frames[sent%len(frames)], uint32(sent)); err != nil {
				b.Fatal(err)
			}
			sent++
			unresolved++
		}
		switch e := next(); e.Kind {
		case radio.EventResult:
			unresolved--
		case radio.EventFrame:
			answers++
		case radio.EventDown, radio.EventDiscard:
			b.Fatalf("%+v", e)
		}
	}
	b.ReportMetric(2*float64(b.N)/b.Elapsed().Seconds(), "frames/s")
	b.StopTimer()
	l.Close()
	cancel()
	wg.Wait()
}

// BenchmarkSlots is a minute of a mesh in which every node reports each 10 s.
func BenchmarkSlots(b *testing.B) {
	for _, n := range []int{6, 100, 1000} {
		b.Run(fmt.Sprintf("nodes=%d", n), func(b *testing.B) {
			m, err := New(Options{Site: Generate(n, testPrefix), Period: 10 * time.Second})
			if err != nil {
				b.Fatal(err)
			}
			m.Advance(time.Minute)
			b.ResetTimer()
			for range b.N {
				m.Advance(m.Now() + time.Minute)
			}
			b.ReportMetric(60*float64(b.N)/b.Elapsed().Seconds(), "times-real-time")
		})
	}
}
