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
			if len(answer) > 1152 /* RFC 7252, section 4.6 */ {
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

// Whatever three messages a node is sent, and with whatever faults: what it says
// during the next minutes is bounded and can be read, and it keeps no more than its
// bounds.
func FuzzCoAPDialogue(f *testing.F) {
	observe := []byte("\x42\x01\x00\x01to\x60\x54temp")
	f.Add(observe, []byte("\x42\x01\x00\x02tp\x60\x56output"), []byte("\x40\x03\x00\x03\xb6output\x46for=20\xff1"), byte(0))
	f.Add(observe, []byte("\x42\x01\x00\x02to\x61\x01\x54temp"), []byte("\x70\x00\x00\x01"), byte(1))
	f.Add([]byte("\x40\x03\x00\x01\xb5label\xd1\x03\x08\xff0123456789abcdef"), []byte("\x40\x03\x00\x02\xb5label\xd1\x03\x18\xff0123456789abcdef"),
		[]byte("\x40\x03\x00\x03\xb5label\xd1\x03\x20\xff0"), byte(2))
	f.Add([]byte("\x40\x05\x00\x01\xb6config\x11\x32\xff[\"hum_high\"]"), []byte("\x40\x07\x00\x02\xb6config\x11\x34\xff{\"hum_high\":1}"),
		[]byte("\x40\x03\x00\x03\xb6config\x11\x3c\xff\xa1\x68hum_high\x01"), byte(4))
	f.Add([]byte("\x40\x02\x00\x01\xb3log\xffline"), []byte("\x40\x04\x00\x02\xb3log"), []byte("\x50\x01\x00\x03\xb3log\x0235"), byte(8))
	f.Fuzz(func(t *testing.T, a, b, c []byte, faults byte) {
		m, err := New(Options{Site: chain(1), Ideal: true, Period: -1})
		if err != nil {
			t.Fatal(err)
		}
		said := 0
		m.direct = func(_ string, _ netip.AddrPort, msg []byte) {
			said++
			out := gocoap.Message{Options: make(gocoap.Options, 0, 16)}
			if n, err := coder.DefaultCoder.Decode(msg, &out); err != nil || n != len(msg) || len(msg) > 1152 {
				t.Fatalf("go-coap reads %d octets of %x: %v", n, msg, err)
			}
		}
		for i, msg := range [][]byte{a, b, c, a} {
			if faults>>i&1 == 1 {
				must(t, m.Slow("n1", time.Duration(faults>>4)*time.Second, faults&2 > 0))
				must(t, m.Duplicate("n1"))
				must(t, m.Interlock("n1", faults&4 > 0))
				_ = m.StaleOrder("n1") // nobody may observe it
			}
			must(t, m.receiveDirect("n1", farPort, msg))
			m.Advance(m.Now() + time.Second)
		}
		nd := &m.nodes[1]
		if len(nd.exchanges) > maxExchanges || len(m.agenda.heap) > 4 {
			t.Errorf("%d exchanges, %d events", len(nd.exchanges), len(m.agenda.heap))
		}
		if x := nd.extra; x != nil && (len(x.pending) > maxPending || x.upload != nil && len(x.upload.data) > maxUpload ||
			x.watch != nil && len(x.watch.observers) > maxObservers || len(x.label) > maxUpload) {
			t.Errorf("it keeps %+v", x)
		}
		m.Advance(m.Now() + 20*time.Minute)
		if said > 200 {
			t.Errorf("%d messages for four", said)
		}
		if nd.extra != nil && (nd.extra.watch != nil || len(nd.extra.pending) > 0) {
			t.Errorf("nobody acknowledges, and it keeps %+v", nd.extra.memory)
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
