package coap

import (
	"net/netip"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/door"
	"culvert/coap/msg"
)

// RFC 9175, section 2.4, item 3; RFC 7252, section 11.3: whatever is asked, an address
// that was never shown to have asked gets no more than three times its octets, with
// pings, empty acknowledgements and repetitions counted.
func TestAmplificationOctets(t *testing.T) {
	f := newFront(t, quick, func(s *Server) { s.trust = func(netip.Addr) bool { return false } })
	crowd(t, f.table, 50)
	socket := f.doors.FirstUDP()
	var asked atomic.Int32
	f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		switch path := msg.ResourcePath(m.Options, message.URIPath); {
		case strings.HasPrefix(path, "/slow") && asked.Add(1)%4 != 0:
			return nil // it is asked again
		case strings.HasSuffix(path, "/large"):
			return [][]byte{ack(m, codes.Content, strings.Repeat("x", 60), opt{message.MaxAge, ""})}
		}
		return [][]byte{ack(m, codes.Content, "21.5", opt{message.MaxAge, ""})}
	})
	for _, x := range []struct {
		kind  message.Type
		token string
		path  string
		opts  []opt
		want  string // code, and whether it came by itself
	}{
		{message.Confirmable, "", "", nil, "4.04"},
		{message.NonConfirmable, "", "", nil, "4.04"},
		{message.Confirmable, "", "x", nil, "4.04"},
		{message.Confirmable, "12345678", "rd", nil, "4.05"},
		{message.Confirmable, "", "nodes", nil, "4.01"},
		{message.NonConfirmable, "12345678", "nodes", nil, "4.01"},
		{message.Confirmable, "t", ".well-known/core", nil, "4.01"},
		{message.Confirmable, "t", ".well-known/core", []opt{{message.Block2, "\x06"}}, "4.01"},
		{message.Confirmable, "t", "nodes/grain-bin", nil, "4.01"},
		{message.Confirmable, "t", "nodes/grain-bin/own/a", []opt{{message.Observe, ""}}, "2.05"},
		{message.Confirmable, "t", "nodes/grain-bin/own/a/large", nil, "2.05"},
		{message.Confirmable, "t", "nodes/grain-bin/own/slow", nil, "2.05 by itself"},
		{message.Confirmable, "t", "nodes/grain-bin/own/slow/large", nil, "2.05 by itself"},
		{message.Confirmable, "t", "nodes/nobody/own/slow", nil, "4.04"},
	} {
		c := f.client()
		b := build(x.kind, codes.GET, 7, x.token, x.path, "", x.opts...)
		c.send(b)
		got, octets := "", 0
		for got == "" {
			in := c.receive(patience)
			if in == nil {
				t.Fatalf("%s: no answer", x.path)
			}
			octets += len(in)
			if m := decode(t, in); m.Code != codes.Empty {
				got = msg.CodeText(m.Code)
				if m.Type == message.Confirmable {
					got += " by itself"
				}
			}
		}
		// All that might come after it.
		now := time.Now()
		for range msg.MaxRetransmit + 1 {
			now = now.Add(48 * time.Second)
			socket.Tick(now)
		}
		for in := c.receive(100 * time.Millisecond); in != nil; in = c.receive(20 * time.Millisecond) {
			octets += len(in)
		}
		if got != x.want || octets > door.Amplification*len(b) {
			t.Errorf("/%s: %s, %d octets for %d; want %s, and at most three times as many", x.path, got, octets, len(b), x.want)
		}
	}
}

// RFC 9175, sections 2.3 and 3: Echo and Request-Tag between a client and a node pass as
// they are, both ways, and bodies with different Request-Tags are not mixed.
func TestEchoAndRequestTag(t *testing.T) {
	f := newFront(t)
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		if _, ok := msg.Option(m.Options, message.Echo); !ok {
			return [][]byte{ack(m, codes.Unauthorized, "", opt{message.Echo, "\x00fresh"})}
		}
		return [][]byte{ack(m, codes.Changed, "")}
	})
	c := f.client()
	m := c.ask(codes.PUT, own, "1", opt{message.RequestTag, "\x07"})
	echo, ok := msg.Option(m.Options, message.Echo)
	if m.Code != codes.Unauthorized || !ok || string(echo) != "\x00fresh" {
		t.Fatalf("the node's challenge came as %v", &m)
	}
	if m = c.ask(codes.PUT, own, "1", opt{message.Echo, string(echo)}, opt{message.RequestTag, ""}); m.Code != codes.Changed {
		t.Errorf("%v", &m)
	}
	seen := n.seen()
	last := seen[len(seen)-1].Options
	e, _ := msg.Option(last, message.Echo)
	if tag, ok := msg.Option(last, message.RequestTag); string(e) != "\x00fresh" || !ok || len(tag) != 0 {
		t.Errorf("the node got %v", last)
	}

	put := func(tag string, num int, more bool, body string) message.Message {
		return c.ask(codes.PUT, own, body, opt{message.Echo, "e"}, opt{message.RequestTag, tag}, opt{message.Block1, blockValue(num, more, 0)})
	}
	const a, b = "aaaaaaaaaaaaaaaa", "bbbbbbbbbbbbbbbb"
	for _, x := range []struct {
		tag, body string
		num       int
		more      bool
		want      codes.Code
	}{
		{"a", a, 0, true, codes.Continue}, {"b", b, 0, true, codes.Continue},
		{"a", "A", 1, false, codes.Changed}, {"b", "B", 1, false, codes.Changed},
	} {
		if m := put(x.tag, x.num, x.more, x.body); m.Code != x.want {
			t.Fatalf("block %d of %s: %v", x.num, x.tag, &m)
		}
	}
	var bodies []string
	for _, m := range n.seen()[len(seen):] {
		bodies = append(bodies, string(m.Payload))
	}
	if got := strings.Join(bodies, " "); got != a+"A "+b+"B" {
		t.Errorf("the node got %s", got)
	}
}
