package sim

import (
	"net/netip"
	"testing"
	"time"

	gocoap "github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/udp/coder"

	"culvert/bridge/adapt"
	"culvert/bridge/bridgetest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/radio"
)

// Whatever frames a node is sent, it neither panics nor keeps more than its bounds,
// and what it answers can be read.
func FuzzFramesIntoNodes(f *testing.F) {
	for _, set := range []string{"dispatch", "frag", "mesh", "negative", "nhc-udp", "nhc-ext"} {
		for i, v := range bridgetest.Vectors(f, set) {
			for _, fr := range v.Frames {
				if i%4 == 0 {
					f.Add(fr.Payload, []byte(nil), true)
				}
			}
		}
	}
	s := chain(1)
	s.Nodes[0].Short = ieee802154.Short(0x0c01)
	link := s.Nodes[0].EUI64
	c := lowpan.NewContexts(nil).With(0, testPrefix, true)
	pkt, _ := ipv6.Parse(echo(f, farHost, globalOf(link), 1, 1, pattern(120)))
	var o adapt.Outgoing
	if err := adapt.NewSender(1).Start(&o, pkt, lowpan.Peer{From: s.Gateway.EUI64, To: link}, c, MaxExtended); err != nil {
		f.Fatal(err)
	}
	f.Add(o.Append(nil), o.Append(nil), true)
	f.Fuzz(func(t *testing.T, a, b []byte, extended bool) {
		m, err := New(Options{Site: s, Ideal: true, Period: -1})
		if err != nil {
			t.Fatal(err)
		}
		h := newHost(t, m)
		to := s.Nodes[0].Short
		if extended {
			to = link
		}
		for id, p := range [][]byte{a, b, a} {
			m.Send(radio.Frame{To: to, Payload: p}, uint32(id))
			m.Send(radio.Frame{To: ieee802154.Broadcast, Payload: p}, uint32(100+id))
			m.Advance(m.Now() + time.Second)
		}
		if len(h.drops) > 0 {
			t.Errorf("the node sent what cannot be read: %v", h.drops)
		}
		for _, p := range h.packets {
			if _, err := ipv6.Parse(p); err != nil {
				t.Errorf("%x: %v", p, err)
			}
		}
		if n := len(m.nodes[1].exchanges); n > maxExchanges {
			t.Errorf("%d exchanges are remembered", n)
		}
		m.Advance(m.Now() + 2*tidyAfter)
		if m.nodes[1].receiver != nil || len(m.agenda.heap) > 8 {
			t.Errorf("two minutes later the node still holds a receiver, or %d events wait", len(m.agenda.heap))
		}
	})
}

// Whatever a node's CoAP server is sent: no panic, and an answer that go-coap's
// coder can read. What that coder takes for a request of ours is understood by us.
func FuzzCoAP(f *testing.F) {
	for _, v := range bridgetest.Vectors(f, "coap") {
		if v.Has("coap_hex") {
			f.Add(v.Hex(f, "coap_hex"))
		}
	}
	f.Add([]byte("\x40\x03\x00\x01\xb6output\xff1"))
	from := netip.AddrPortFrom(farHost, 40001)
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := New(Options{Site: chain(1), Ideal: true, Period: -1})
		if err != nil {
			t.Fatal(err)
		}
		answer := m.serveCoAP(1, nil, netip.Addr{}, from, b)
		if len(answer) > 0 {
			out := gocoap.Message{Options: make(gocoap.Options, 0, 16)}
			if n, err := coder.DefaultCoder.Decode(answer, &out); err != nil || n != len(answer) {
				t.Fatalf("asked %x: go-coap reads %d octets of %x: %v", b, n, answer, err)
			}
			if len(answer) > 256 {
				t.Errorf("an answer of %d octets", len(answer))
			}
		}
		// A message that we can read, go-coap can read too, unless it is stricter than
		// RFC 7252 in a value that is not ours to judge.
		ours, err := parseMessage(b)
		if err != nil {
			return
		}
		again := compose(nil, ours.kind, ours.code, ours.id, ours.token)
		again.b = append(again.b, ours.options...)
		if got := again.payload(ours.payload); string(got) != string(b) {
			t.Errorf("%x became %x", b, got)
		}
	})
}

// Commands from the control socket.
func FuzzExec(f *testing.F) {
	for _, c := range commands() {
		f.Add(c.words + " n1 n2")
		f.Add(c.words)
	}
	f.Add("loss NaN")
	f.Add("loss 1e400")
	f.Fuzz(func(t *testing.T, line string) {
		m, err := New(Options{Site: chain(2), Period: -1})
		if err != nil {
			t.Fatal(err)
		}
		out, err := NewRadio(m, RadioOptions{}).Exec(line)
		if err != nil && out != "" {
			t.Errorf("%q: both %q and %v", line, out, err)
		}
	})
}
