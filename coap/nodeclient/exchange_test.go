package nodeclient

import (
	"net"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// RFC 7252, sections 4.2 and 4.8: five transmissions, the first wait from 2 to 3 s,
// each twice the one before, then the end. The clock is the test's.
func TestRetransmissionTimes(t *testing.T) {
	s := newClient(Transmission{NodeTimeout: 90 * time.Second})
	if err := s.Open(); err != nil {
		t.Fatal(err)
	}
	defer s.queues.close()
	sink, err := net.ListenUDP("udp6", &net.UDPAddr{IP: net.IPv6loopback})
	if err != nil {
		t.Fatal(err)
	}
	defer sink.Close()
	for range 20 {
		var got *msg.Response
		start := time.Now()
		x := &Exchange{Code: codes.GET, Deadline: start.Add(100 * time.Second), Reply: func(r msg.Response) { got = &r }}
		s.queues.submit(sink.LocalAddr().(*net.UDPAddr).AddrPort(), x)
		var at []time.Duration
		last := s.counts.messages.Load()
		for now := start; got == nil; now = now.Add(10 * time.Millisecond) {
			s.queues.tick(now)
			if n := s.counts.messages.Load(); n > last {
				at, last = append(at, now.Sub(start)), n
			}
			if now.Sub(start) > 99*time.Second {
				t.Fatal("no end")
			}
		}
		if len(at) != 4 || got.Code != codes.GatewayTimeout {
			t.Fatalf("retransmitted at %v, then %v", at, got.Code)
		}
		first := at[0]
		if first < 1990*time.Millisecond || first > 3050*time.Millisecond {
			t.Errorf("first retransmission after %v", first)
		}
		for i, want := 1, first*3; i < 4; i, want = i+1, want*2+first {
			if d := (at[i] - want).Abs(); d > 200*time.Millisecond {
				t.Errorf("retransmission %d at %v, want %v", i+1, at[i], want)
			}
		}
	}
}

// Whatever a node answers, its exchange ends once at most, and the books stay
// right.
func FuzzNodeAnswer(f *testing.F) {
	f.Add([]byte{0x64, 0x45, 0, 0, 1, 2, 3, 4, 0xff, 'x'}, false)
	f.Add(response(message.Acknowledgement, 0, []byte("abcd"), codes.Content, "0123456789abcdef", message.Option{ID: message.Block2, Value: msg.Block{More: true}.Encode()}), false)
	f.Add(response(message.Acknowledgement, 0, []byte("abcd"), codes.Continue, "", message.Option{ID: message.Block1, Value: msg.Block{More: true}.Encode()}), true)
	f.Add(response(message.Confirmable, 0, []byte("abcd"), codes.BadOption, ""), true)
	s := newClient(Transmission{})
	if err := s.Open(); err != nil {
		f.Fatal(err)
	}
	defer s.queues.close()
	sink, err := net.ListenUDP("udp6", &net.UDPAddr{IP: net.IPv6loopback})
	if err != nil {
		f.Fatal(err)
	}
	defer sink.Close()
	at := sink.LocalAddr().(*net.UDPAddr).AddrPort()
	f.Fuzz(func(t *testing.T, b []byte, upload bool) {
		ends := 0
		x := &Exchange{Code: codes.GET, TakeBlocks: true, Deadline: time.Now().Add(time.Hour), Reply: func(msg.Response) { ends++ }}
		if upload {
			x.Code, x.TakeBlocks, x.Body = codes.PUT, false, make([]byte, 1000)
		}
		s.queues.submit(at, x)
		for range 4 { // the same answer to each message that follows from it
			if len(b) >= 4 {
				b[2], b[3] = byte(x.mid>>8), byte(x.mid)
				copy(b[4:], x.token[:])
			}
			s.queues.receive(b, at)
		}
		if ends == 0 {
			s.queues.tick(time.Now().Add(2 * time.Hour))
		}
		if ends != 1 || s.queues.queued != 0 || s.queues.octets != 0 || len(s.queues.busy) != 0 {
			t.Fatalf("%d ends, %d queued, %d busy", ends, s.queues.queued, len(s.queues.busy))
		}
	})
}
