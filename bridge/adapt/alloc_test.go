package adapt

import (
	"testing"
	"time"
)

func TestNoAllocations(t *testing.T) {
	r, s := NewReceiver(Options{}), NewSender(0)
	small, large, lost := udp(90), udp(600), udp(300)
	buf := make([]byte, 0, 200)
	var o Outgoing
	now := start
	pass := func(n, skip int) {
		now = now.Add(time.Second)
		pkt := small
		switch n {
		case 600:
			pkt = large
		case 300:
			pkt = lost
		}
		if err := s.Start(&o, pkt, toGate, nil, 102); err != nil {
			t.Fatal(err)
		}
		for i := 0; !o.Done(); i++ {
			f := o.Append(buf)
			if i != skip {
				_, _ = r.Receive(toGate, f, nil, now)
			}
		}
		_, _ = r.Expire(now)
	}
	bad := []byte{0x7e, 0x33, 0xf8}
	everything := func() {
		pass(90, -1)
		pass(600, -1)
		pass(300, 1)
		_, _ = r.Receive(toGate, bad, nil, now)
	}
	for range 200 {
		everything()
	}
	if n := testing.AllocsPerRun(500, everything); n != 0 {
		t.Errorf("%v allocations", n)
	}
	if n := r.Len(); n > 61 {
		t.Errorf("%d datagrams are in reassembly, want at most 61", n)
	}
}

func BenchmarkSend(b *testing.B) {
	for name, n := range map[string]int{"98": 98, "1280": 1280} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			s, pkt, buf := NewSender(0), udp(n), make([]byte, 0, 200)
			var o Outgoing
			for b.Loop() {
				_ = s.Start(&o, pkt, toGate, nil, 102)
				for !o.Done() {
					_ = o.Append(buf)
				}
			}
		})
	}
}

func BenchmarkReceive(b *testing.B) {
	for name, n := range map[string]int{"98": 98, "1280": 1280} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			list := frames(b, NewSender(0), udp(n), toGate, nil, 102)
			r := NewReceiver(Options{})
			for b.Loop() {
				for _, f := range list {
					if _, err := r.Receive(toGate, f, nil, start); err != nil {
						b.Fatal(err)
					}
				}
			}
		})
	}
}
