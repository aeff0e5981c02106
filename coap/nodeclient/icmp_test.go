package nodeclient

import (
	"net"
	"net/netip"
	"slices"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/udp/coder"

	"culvert/coap/msg"
)

// An error of a moment ends nothing; one about one node takes no message from another.
func TestUnreachableForAMoment(t *testing.T) {
	s := newClient(Transmission{})
	u := s.queues
	if err := u.open(); err != nil {
		t.Fatal(err)
	}
	defer u.close()
	at := unusedPort(t)
	var got []msg.Response
	ask := func(to netip.AddrPort) *Exchange {
		x := &Exchange{Code: codes.GET, Deadline: time.Now().Add(time.Minute), Reply: func(r msg.Response) { got = append(got, r) }}
		u.submit(to, x)
		return x
	}
	x := ask(at)
	// Its error is pending at the socket now; nobody reads.
	other, err := net.ListenUDP("udp6", &net.UDPAddr{IP: net.IPv6loopback})
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	for range 5 {
		ask(other.LocalAddr().(*net.UDPAddr).AddrPort())
		if err := other.SetReadDeadline(time.Now().Add(10 * time.Second)); err != nil {
			t.Fatal(err)
		}
		buf := make([]byte, 1500)
		n, _, err := other.ReadFromUDPAddrPort(buf)
		if err != nil {
			t.Fatalf("the message to another node: %v", err)
		}
		m := message.Message{Options: make(message.Options, 0, msg.MaxOptions)}
		if _, err := coder.DefaultCoder.Decode(buf[:n], &m); err != nil {
			t.Fatal(err)
		}
		u.receive(response(message.Acknowledgement, m.MessageID, m.Token, codes.Content, "1"), other.LocalAddr().(*net.UDPAddr).AddrPort())
	}
	if len(got) != 5 {
		t.Fatalf("%d answers", len(got))
	}
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(10 * time.Second); !func() bool {
		u.tick(time.Now())
		return x.returnedNth == 1 && !x.returnedSince.IsZero()
	}(); <-tick.C {
		if time.Now().After(end) {
			t.Fatal("the error is not known")
		}
	}
	u.tick(x.due.Add(time.Second))
	if x.resent != 1 || len(got) != 5 {
		t.Fatalf("sent again %d times, %d answers", x.resent, len(got))
	}
	u.receive(x.answer(), at) // it has come up
	if len(got) != 6 || got[5].Code != codes.Content {
		t.Errorf("%d answers, the last %v", len(got), got[len(got)-1])
	}
}

// RFC 7252, section 4.2, and RFC 4443: which errors count, about which datagrams.
func TestICMPErrors(t *testing.T) {
	sink, err := net.ListenUDP("udp6", &net.UDPAddr{IP: net.IPv6loopback})
	if err != nil {
		t.Fatal(err)
	}
	defer sink.Close()
	at := sink.LocalAddr().(*net.UDPAddr).AddrPort()
	same := func(b []byte) []byte { return b }
	flip := func(i int) func([]byte) []byte {
		return func(b []byte) []byte { b[i] ^= 1; return b }
	}
	for _, x := range []struct {
		name       string
		kind, code uint8
		quoted     func([]byte) []byte
		to         netip.AddrPort
		want       string // "": it goes on
	}{
		{"no route", 1, 0, same, at, "5.04"},
		{"prohibited", 1, 1, same, at, "5.02"},
		{"beyond scope", 1, 2, same, at, "5.04"},
		{"address unreachable, as the bridge says of a silent node", 1, 3, same, at, "5.04"},
		{"port unreachable", 1, 4, same, at, "5.02"},
		{"ingress policy", 1, 5, same, at, "5.02"},
		{"parameter problem", 4, 1, same, at, "5.02"},
		{"only the header and the token are quoted", 1, 3, func(b []byte) []byte { return b[:8] }, at, "5.04"},
		{"too big (RFC 7252, 4.2: ignored)", 2, 0, same, at, ""},
		{"time exceeded (ignored)", 3, 0, same, at, ""},
		{"another code quoted", 1, 3, flip(1), at, ""},
		{"another Message ID quoted", 1, 3, flip(3), at, ""},
		{"another token quoted", 1, 3, flip(7), at, ""},
		{"the token is not quoted", 1, 3, func(b []byte) []byte { return b[:7] }, at, ""},
		{"another node", 1, 3, same, netip.AddrPortFrom(at.Addr(), at.Port()^1), ""},
	} {
		s := newClient(Transmission{})
		u := s.queues
		if err := u.open(); err != nil {
			t.Fatal(err)
		}
		var got *msg.Response
		e := &Exchange{Code: codes.GET, Deadline: time.Now().Add(time.Minute), Reply: func(r msg.Response) { got = &r }}
		u.submit(at, e)
		now := time.Now()
		begin := now
		for got == nil && e.resent < 3 {
			for range 3 { // of one transmission several may come
				u.mu.Lock()
				u.icmpLocked(icmpError{x.to, x.kind, x.code, x.quoted(slices.Clone(e.msg))}, now)
				u.mu.Unlock()
				u.tick(now)
			}
			if at := now.Sub(begin); got != nil && (at < unreachableGrace || at > 9500*time.Millisecond || e.resent != 2) {
				t.Errorf("%s: it ended after %v and %d messages", x.name, at, 1+e.resent)
			}
			now = e.due.Add(granularity)
			u.tick(now)
		}
		switch {
		case got == nil && x.want != "":
			t.Errorf("%s: it goes on, want %s", x.name, x.want)
		case got != nil && msg.CodeText(got.Code) != x.want:
			t.Errorf("%s: %v %q, want %q", x.name, got.Code, got.Payload, x.want)
		}
		u.close()
	}
	// What the node has acknowledged is on its way: an error is late.
	s := newClient(Transmission{})
	u := s.queues
	if err := u.open(); err != nil {
		t.Fatal(err)
	}
	defer u.close()
	ended := false
	e := &Exchange{Code: codes.GET, Deadline: time.Now().Add(time.Minute), Reply: func(msg.Response) { ended = true }}
	u.submit(at, e)
	u.receive(msg.EmptyMessage(message.Acknowledgement, e.mid), at)
	for range 3 {
		u.mu.Lock()
		u.icmpLocked(icmpError{at, 1, 3, e.msg}, time.Now())
		u.mu.Unlock()
		u.tick(time.Now().Add(50 * time.Second))
	}
	if ended {
		t.Error("an acknowledged request ended with an error that came late")
	}
}
