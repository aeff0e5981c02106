package radio

import (
	"bytes"
	"context"
	"io"
	"sync"
	"testing"

	"culvert/bridge/ieee802154"
)

// loop is a radio side in memory that reports each frame as delivered and gives it
// back, with no goroutine and no allocation of its own.
type loop struct {
	mu     sync.Mutex
	cond   *sync.Cond
	split  Splitter
	rec    Record
	out    Record
	body   []byte
	wire   []byte // to the daemon
	closed bool
}

func newLoop() *loop {
	l := &loop{wire: make([]byte, 0, 1<<16), body: make([]byte, 0, MaxRecord)}
	l.cond = sync.NewCond(&l.mu)
	return l
}

func (l *loop) say() {
	l.body = l.out.AppendTo(l.body[:0])
	l.wire = AppendFramed(l.wire, l.body)
}

func (l *loop) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for in := b; len(in) > 0; {
		body, n := l.split.Feed(in)
		in = in[n:]
		if body == nil || l.rec.Parse(body) != nil {
			continue
		}
		switch l.rec.Kind {
		case RecordHello:
			l.out = upRecord(l.rec.Session)
			l.out.Credits = 64
		case RecordKeepalive:
			l.out = Record{Kind: RecordAlive, ID: l.rec.ID, Info: Info{Boot: 77}}
		case RecordSend:
			l.out = Record{Kind: RecordResult, ID: l.rec.ID, Outcome: OutcomeDelivered}
			l.say()
			l.out = Record{Kind: RecordFrame, Clock: 1_000_000, Frame: Frame{From: l.rec.Frame.To, To: gateway, Payload: l.rec.Frame.Payload, Signal: -70, Hops: 2}}
		default:
			continue
		}
		l.say()
	}
	l.cond.Signal()
	return len(b), nil
}

func (l *loop) Read(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for len(l.wire) == 0 && !l.closed {
		l.cond.Wait()
	}
	if l.closed {
		return 0, io.EOF
	}
	n := copy(b, l.wire)
	l.wire = append(l.wire[:0], l.wire[n:]...)
	return n, nil
}

func (l *loop) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closed = true
	l.cond.Broadcast()
	return nil
}

// payload102 is a whole frame's worth.
func payload102() []byte {
	b := make([]byte, 102)
	for i := range b {
		b[i] = byte(i*37 + 5)
	}
	return b
}

func looped(tb testing.TB) (*Link, []byte) {
	tb.Helper()
	l := NewLink("loop", func(context.Context) (io.ReadWriteCloser, error) { return newLoop(), nil }, Options{})
	b := make([]byte, MaxRecord)
	if ev, err := l.Receive(b); err != nil || ev.Kind != EventUp {
		tb.Fatalf("%+v, %v", ev, err)
	}
	tb.Cleanup(func() { l.Close() })
	return l, b
}

// bounce sends n frames at once and takes their results, and the frames back.
func bounce(tb testing.TB, l *Link, b []byte, f Frame, n uint32) {
	for id := range n {
		if err := l.Send(f, id); err != nil {
			tb.Fatal(err)
		}
	}
	for results, frames := uint32(0), uint32(0); results < n || frames < n; {
		ev, err := l.Receive(b)
		switch {
		case err != nil:
			tb.Fatal(err)
		case ev.Kind == EventResult:
			results++
		case ev.Kind == EventFrame:
			frames++
		}
	}
}

func TestNoAllocationPerFrame(t *testing.T) {
	f := Frame{From: sump, To: sump, Payload: payload102(), Signal: -70, Hops: 2}
	rec := Record{Kind: RecordFrame, Clock: 1_000_000, Frame: f}
	body, wire := make([]byte, 0, MaxRecord), make([]byte, 0, 2*MaxRecord)
	stream := AppendFramed(nil, rec.AppendTo(nil))
	enc, dec := NewEncoder(io.Discard), NewDecoder(&endless{b: stream})
	var got Record
	link, b := looped(t)
	for _, c := range []struct {
		name string
		f    func()
	}{
		{"write a frame", func() { wire = AppendFramed(wire[:0], appendFrame(body[:0], &f, 1_000_000)) }},
		{"write a send", func() { wire = AppendFramed(wire[:0], appendSend(body[:0], 70000, &f)) }},
		{"Encoder", func() { enc.Encode(&rec) }},
		{"Decoder", func() { dec.Decode(&got) }},
		{"Link, both ways", func() { bounce(t, link, b, f, 16) }},
	} {
		if n := testing.AllocsPerRun(1000, c.f); n != 0 {
			t.Errorf("%s: %v allocations, want 0", c.name, n)
		}
	}
	if !bytes.Equal(got.Frame.Payload, f.Payload) {
		t.Errorf("decoded %x", got.Frame.Payload)
	}
}

// endless reads the same octets again and again.
type endless struct {
	b  []byte
	at int
}

func (e *endless) Read(b []byte) (int, error) {
	n := 0
	for n < len(b) {
		k := copy(b[n:], e.b[e.at:])
		n += k
		e.at = (e.at + k) % len(e.b)
	}
	return n, nil
}

// The row "link-protocol coding": what one frame costs in the coding alone. A send
// is what the daemon writes, a frame what it reads; both carry 102 octets.
func BenchmarkLinkProtocolCoding(b *testing.B) {
	f := Frame{From: ieee802154.Short(0x12), To: sump, Payload: payload102(), Signal: -70, Hops: 2}
	b.Run("send", func(b *testing.B) {
		b.ReportAllocs()
		var body, wire []byte
		for b.Loop() {
			body = appendSend(body[:0], 70000, &f)
			wire = AppendFramed(wire[:0], body)
		}
		b.SetBytes(int64(len(wire)))
	})
	b.Run("frame", func(b *testing.B) {
		b.ReportAllocs()
		rec := Record{Kind: RecordFrame, Clock: 1_000_000, Frame: f}
		wire := AppendFramed(nil, rec.AppendTo(nil))
		b.SetBytes(int64(len(wire)))
		dec := NewDecoder(&endless{b: wire})
		for b.Loop() {
			if err := dec.Decode(&rec); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// A frame through a whole Link and back: coding at both ends, the writer's
// goroutine, credits and the result.
func BenchmarkLinkRoundTrip(b *testing.B) {
	link, buf := looped(b)
	f := Frame{To: sump, Payload: payload102()}
	for _, n := range []uint32{1, 16} {
		b.Run(map[uint32]string{1: "one-at-a-time", 16: "sixteen-in-flight"}[n], func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				bounce(b, link, buf, f, n)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/frame")
		})
	}
}
