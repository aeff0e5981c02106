package coap

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"net"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/bridgetest"
	"culvert/coap/door"
	"culvert/coap/msg"
	"culvert/coap/nodeclient"
	"culvert/coap/observe"
)

// Tests of single rows of the table in requirements_test.go, in its order, where no
// other test has them.

// 7252-3-FMT01 (RFC 7252, sections 3, 4.2 and 4.3): what draws a reset when it is
// confirmable is dropped when it is not, and no acknowledgement or reset is answered.
func TestMalformedTypes(t *testing.T) {
	f := newFront(t)
	n := 0
	for _, v := range bridgetest.Vectors(t, "coap") {
		h, ok := vectorField[string](t, v, "coap_hex")
		if !ok || v.Expect.Action != "reject" {
			continue
		}
		b, err := hex.DecodeString(h)
		if err != nil {
			t.Fatal(err)
		}
		n++
		for _, kind := range []message.Type{message.NonConfirmable, message.Acknowledgement, message.Reset} {
			c := f.client()
			b[0] = b[0]&^0x30 | byte(kind)<<4
			c.send(b)
			c.silent(fmt.Sprint(v.ID, " as ", kind))
		}
	}
	if n < 10 {
		t.Errorf("%d vectors", n)
	}
}

// 7252-4.5-DEDUP01 (sections 4.5 and 4.8.2): the answer is remembered, through to the
// node, and for how long.
func TestRepetitions(t *testing.T) {
	f := newFront(t)
	var done atomic.Int64
	f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		return [][]byte{ack(m, codes.Changed, itoa(int(done.Add(1))))}
	})
	older := f.age
	c := f.client()
	effects := func(want int64) {
		t.Helper()
		if got := done.Load(); got != want {
			t.Errorf("%d effects, want %d", got, want)
		}
	}
	con := build(message.Confirmable, codes.POST, 7, "tk", "nodes/grain-bin/own/count", "x")
	c.send(con)
	first := c.receive(patience)
	for range 2 {
		c.send(con)
		if b := c.receive(patience); !bytes.Equal(b, first) {
			t.Errorf("%x, at first %x", b, first)
		}
	}
	effects(1)
	older(msg.ExchangeLifetime - 30*time.Second)
	c.send(con)
	if b := c.receive(patience); !bytes.Equal(b, first) {
		t.Errorf("before EXCHANGE_LIFETIME: %x", b)
	}
	effects(1)
	older(31 * time.Second)
	c.send(con)
	if b := c.receive(patience); bytes.Equal(b, first) {
		t.Error("after EXCHANGE_LIFETIME: the old answer")
	}
	effects(2)
	non := build(message.NonConfirmable, codes.POST, 8, "tn", "nodes/grain-bin/own/count", "x")
	c.send(non)
	c.message()
	c.send(non)
	older(msg.NonLifetime - 30*time.Second)
	c.send(non)
	c.silent("a repetition within NON_LIFETIME")
	effects(3)
	older(31 * time.Second)
	c.send(non)
	c.message()
	effects(4)
}

// 7252-4.7-NSTART01: whoever asks and with whatever, the node sees the next request
// when it has answered the one before. It answers only what is sent twice, so that
// others would have the time to come between.
func TestOneAtATime(t *testing.T) {
	f := newFront(t, func(s *Server) { quick(s); s.opts.NodeTimeout = time.Minute })
	var open int32 = -1
	answered := 0
	n := f.newNode("grain-bin", func(n *fakeNode, m message.Message) [][]byte {
		switch {
		case open < 0:
			open = m.MessageID
		case open != m.MessageID:
			n.t.Errorf("message %d while %d has no answer", m.MessageID, open)
		default:
			open = -1
			answered++
			return [][]byte{ack(m, codes.Content, "1", opt{message.MaxAge, ""})}
		}
		return nil
	})
	rows := []struct {
		code codes.Code
		path string
		opts []opt
	}{
		{codes.GET, "a", nil}, {codes.GET, "b", []opt{{message.Observe, ""}}}, {codes.PUT, "a", nil}, {codes.FETCH, "c", nil},
		{codes.POST, "d", nil}, {codes.DELETE, "e", nil}, {codes.GET, "a", nil}, {codes.IPATCH, "f", nil},
	}
	for batch := range slices.Chunk(rows, nodeclient.MaxAnonymous) { // more would be refused
		var clients []*udpClient
		for i, x := range batch {
			c := f.client()
			c.send(build(message.Confirmable, x.code, uint16(i), "same", "nodes/grain-bin/own/"+x.path, "", x.opts...))
			clients = append(clients, c)
		}
		for i, c := range clients {
			m := c.message()
			if m.Code == codes.Empty {
				m = c.message()
			}
			if m.Code != codes.Content {
				t.Errorf("%v %s: %v %q", batch[i].code, batch[i].path, m.Code, m.Payload)
			}
		}
	}
	n.during(func() {
		if answered != len(rows) {
			t.Errorf("%d answers for %d requests", answered, len(rows))
		}
	})
}

// 7252-5.2-SEP01: with the times of a daemon the empty acknowledgement leaves before a
// client's first retransmission can be due.
func TestEmptyAcknowledgementInTime(t *testing.T) {
	if door.DefaultAckDelay+2*tickEvery >= msg.AckTimeout {
		t.Errorf("it leaves after %v at most, clients repeat after %v", door.DefaultAckDelay+tickEvery, msg.AckTimeout)
	}
	f := newFront(t)
	f.newNode("grain-bin", func(*fakeNode, message.Message) [][]byte { return nil })
	c := f.client()
	c.send(build(message.Confirmable, codes.GET, 3, "t", own, ""))
	if m := c.message(); m.Type != message.Acknowledgement || m.Code != codes.Empty || m.MessageID != 3 {
		t.Errorf("%v", &m)
	}
}

// 7252-5.3-TOK01 (section 5.3.2): an answer belongs to a request if token and endpoint
// are its own. Who has seen the token and answers from elsewhere is rejected.
func TestAnswerFromElsewhere(t *testing.T) {
	f := newFront(t)
	asked := make(chan message.Message, 1)
	wait := make(chan struct{})
	release := sync.OnceFunc(func() { close(wait) })
	f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		select {
		case asked <- m:
		default: // a repetition
		}
		<-wait
		return [][]byte{ack(m, codes.Content, "true")}
	})
	t.Cleanup(release)
	c := f.client()
	c.send(build(message.NonConfirmable, codes.GET, 1, "t", own, ""))
	m := <-asked
	to := *net.UDPAddrFromAddrPort(f.nodes.LocalAddr())
	to.IP = net.IPv6loopback
	forger := dial(t, to.AddrPort())
	forger.send(ack(m, codes.Content, "false"))
	forger.send(respond(message.NonConfirmable, 5, m.Token, codes.Content, "false"))
	forger.send(msg.EmptyMessage(message.Reset, uint16(m.MessageID)))
	forger.send(respond(message.Confirmable, 6, m.Token, codes.Content, "false"))
	if b := forger.receive(patience); !bytes.Equal(b, msg.EmptyMessage(message.Reset, 6)) {
		t.Errorf("%x", b) // and what came before it has been read
	}
	release()
	if m := c.message(); string(m.Payload) != "true" {
		t.Errorf("%v %q", m.Code, m.Payload)
	}
}

// 7252-5.4-OPT01 (sections 5.4.3 and 5.4.5): an elective option that is too long, or
// comes once more, is one that is not known. (The decoder drops the first kind.)
func TestElectiveOptions(t *testing.T) {
	f := newFront(t)
	for _, x := range []struct {
		name     string
		opts     []opt
		observes bool
	}{
		{"Observe", []opt{{message.Observe, ""}}, true},
		{"Observe, with a leading zero", []opt{{message.Observe, "\x00"}}, true},
		{"Observe, too long", []opt{{message.Observe, "\x00\x00\x00\x00"}}, false},
		{"Observe twice: the first counts", []opt{{message.Observe, ""}, {message.Observe, "\x01"}}, true},
		{"one that nobody knows, twice", []opt{{message.Observe, ""}, {65000, "a"}, {65000, "b"}}, true},
	} {
		m := f.client().ask(codes.GET, "nodes/mast", "", x.opts...)
		if got := orderOf(m) >= 0; m.Code != codes.Content || got != x.observes {
			t.Errorf("%s: %v, observes: %v", x.name, m.Code, got)
		}
	}
}

// 7252-5.7-PROXYOPT (section 5.7.1): what is safe to forward passes in answers too, and
// stays with them in the cache.
func TestSafeOptionsOfAnswers(t *testing.T) {
	f := newFront(t)
	f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		return [][]byte{ack(m, codes.Content, "1", opt{65000, "elective"}, opt{65001, "critical"})}
	})
	c := f.client()
	for i := range 2 {
		m := c.ask(codes.GET, own, "")
		for id, want := range map[message.OptionID]string{65000: "elective", 65001: "critical"} {
			if v, _ := msg.Option(m.Options, id); string(v) != want {
				t.Errorf("answer %d: option %d is %q", i, id, v)
			}
		}
	}
}

// Report P01 of testdata: a Reset counts if its Message ID is that of the latest
// notification, and comes from the client that got it.
func TestResetFromElsewhere(t *testing.T) {
	f := newFront(t)
	w := f.newWatched()
	c, other := f.client(), f.client()
	c.observe(own, "c")
	other.observe(own, "o")
	w.notify(message.NonConfirmable, "1", 500)
	mid := uint16(c.notification("c", "1").MessageID)
	other.notification("o", "1")
	other.send(msg.EmptyMessage(message.Reset, mid))
	c.send(msg.EmptyMessage(message.Reset, mid+7))
	w.notify(message.NonConfirmable, "2", 501)
	mid = uint16(c.notification("c", "2").MessageID)
	other.notification("o", "2")
	c.send(msg.EmptyMessage(message.Reset, mid))
	eventually(t, "one observer is left", func() bool { return f.Stats().Observers == 1 })
	w.notify(message.NonConfirmable, "3", 502)
	other.notification("o", "3")
	c.silent("after its Reset")
}

// 7641-OBS01 (RFC 7641, section 2): towards the node a registration is an empty option.
func TestObserveIsEmpty(t *testing.T) {
	f := newFront(t)
	w := f.newWatched()
	f.client().observe(own, "c")
	if v, ok := msg.Option(w.requests()[0].Options, message.Observe); !ok || len(v) != 0 {
		t.Errorf("Observe %x, there: %v", v, ok)
	}
}

// 7641-OBS03 (section 4.5): at least every 24 hours one is confirmable; here it is the
// first one after an hour, and one in eight.
func TestObserveConfirmable(t *testing.T) {
	if observe.ConfirmWithin > 24*time.Hour {
		t.Errorf("every %v", observe.ConfirmWithin)
	}
	f := newFront(t)
	w := f.newWatched()
	c := f.client()
	c.observe(own, "c")
	w.notify(message.NonConfirmable, "1", 500)
	if m := c.notification("c", "1"); m.Type != message.NonConfirmable {
		t.Errorf("the first one: %v", m.Type)
	}
	f.age(observe.ConfirmWithin)
	w.notify(message.NonConfirmable, "2", 501)
	if m := c.notification("c", "2"); m.Type != message.Confirmable {
		t.Errorf("after an hour: %v", m.Type)
	}
}

// 7641-5-FAN01: what is another request for the cache is another observation, with a
// token of its own; the same one is shared.
func TestObserveKeys(t *testing.T) {
	f := newFront(t)
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		return [][]byte{ack(m, codes.Content, "1", opt{message.Observe, u(9)})}
	})
	for i, x := range []struct {
		opts []opt
		new  bool
	}{
		{nil, true},
		{[]opt{{message.Accept, u(50)}}, true},
		{[]opt{{message.Accept, u(60)}}, true},
		{[]opt{{message.URIQuery, "a"}}, true},
		{[]opt{{message.Accept, u(60)}}, false},
		{[]opt{{65052, "no cache key"}}, false},
		{nil, false},
	} {
		before := len(n.seen())
		if m := f.client().observe(own, fmt.Sprint("c", i), x.opts...); orderOf(m) < 0 {
			t.Errorf("%d: %v", i, &m)
		}
		if asked := len(n.seen()) > before; asked != x.new {
			t.Errorf("%d %v: the node was asked: %v", i, x.opts, asked)
		}
	}
	tokens := map[string]bool{}
	for _, m := range n.seen() {
		tokens[string(m.Token)] = true
	}
	if s := f.Stats(); len(tokens) != 4 || s.Observations != 4 || s.Observers != 7 {
		t.Errorf("%d tokens, %d observations for %d observers", len(tokens), s.Observations, s.Observers)
	}
}

// 7959-BLK01 (RFC 7959, section 2.4): 2 kB of a node that says something else each time
// reach a client in blocks of one state, with one ETag, none smaller than asked.
func TestBlocksOfOneState(t *testing.T) {
	f := newFront(t)
	var state atomic.Int64
	f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		b, _, _ := msg.BlockOption(m.Options, message.Block2, false)
		if b.Num == 0 {
			state.Add(1)
		}
		body := strings.Repeat(fmt.Sprintf("%08d", state.Load()), 256)
		to := min(b.Offset()+b.Size(), len(body))
		b.More = to < len(body)
		return [][]byte{ack(m, codes.Content, body[b.Offset():to], opt{message.Block2, string(b.Encode())},
			opt{message.ETag, itoa(int(state.Load()))}, opt{message.MaxAge, ""})}
	})
	c, other := f.client(), f.client()
	for szx := uint8(0); szx <= msg.MaxSZX; szx++ {
		var body, tag []byte
		for num, more := 0, true; more; num++ {
			m := c.ask(codes.GET, own, "", opt{message.Block2, blockValue(num, false, szx)})
			b, ok, _ := msg.BlockOption(m.Options, message.Block2, false)
			e := must(msg.Option(m.Options, message.ETag))
			if more = b.More; !ok || int(b.Num) != num || b.SZX != szx || more && len(m.Payload) != b.Size() || num > 0 && !bytes.Equal(e, tag) {
				t.Fatalf("size %d, block %d: %v, ETag %q, at first %q", b.Size(), num, &m, e, tag)
			}
			tag, body = e, append(body, m.Payload...)
			if num == 1 {
				other.ask(codes.GET, own, "") // and so the node changes
			}
		}
		if want := strings.Repeat(string(body[:8]), 256); string(body) != want {
			t.Errorf("exponent %d: %d octets, mixed", szx, len(body))
		}
	}
}

// 8132-FETCH01 (RFC 8132, section 3): PATCH is not idempotent; two that are the same are
// two.
func TestPatchTwice(t *testing.T) {
	f := newFront(t)
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte { return [][]byte{ack(m, codes.Changed, "")} })
	for _, code := range []codes.Code{codes.PATCH, codes.IPATCH, codes.POST, codes.PUT, codes.DELETE} {
		before := len(n.seen())
		a, b := f.client(), f.client()
		for _, c := range []*udpClient{a, b} {
			c.send(build(message.Confirmable, code, 1, "t", own, "+1"))
		}
		a.message()
		b.message()
		if got := len(n.seen()) - before; got != 2 {
			t.Errorf("%v: %d reached the node, want 2", code, got)
		}
	}
}

// 7967-NR01 (RFC 7967, section 2): towards the node the front asks as always, for it
// has to know; the client hears nothing, and nothing of the exchange is left.
func TestNoResponseToNode(t *testing.T) {
	f := newFront(t, quick)
	silent := atomic.Bool{}
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		if silent.Load() {
			return nil
		}
		return [][]byte{ack(m, codes.Changed, "")}
	})
	door := f.doors.FirstUDP()
	released := func() bool {
		nodes := f.nodes.Stats()
		d := door.Stats()
		return nodes.Queued == 0 && nodes.Busy == 0 && d.Open == 0 && d.Waiting == 0 && d.Separate == 0
	}
	c := f.client()
	for mid := range uint16(2) { // to a node that answers, and to one that does not
		silent.Store(mid == 1)
		before := len(n.seen())
		c.send(build(message.NonConfirmable, codes.PUT, mid, "t", own, "1", opt{message.NoResponse, u(26)}))
		eventually(t, "the node is asked", func() bool { return len(n.seen()) > before })
		eventually(t, "nothing is left", released)
		c.silent("2.xx, 4.xx and 5.xx are not wanted")
		for _, m := range n.seen()[before:] {
			if _, ok := msg.Option(m.Options, message.NoResponse); ok || m.Type != message.Confirmable {
				t.Errorf("the node was asked with %v", &m)
			}
		}
	}
}

// 8613-OSC01 (RFC 8613, sections 8 and 10): what OSCORE protects passes in one piece,
// both ways, and is asked for anew each time.
func TestOSCOREInOnePiece(t *testing.T) {
	f := newFront(t)
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		return [][]byte{ack(m, codes.Changed, string(m.Payload)+"!", opt{msg.OptOSCORE, ""})}
	})
	secret := string(bytes.Repeat([]byte{0xff, 0, 0xc1, 0x41}, 75)) // 300 octets
	c := f.client()
	for i, code := range []codes.Code{codes.POST, codes.FETCH, codes.POST, codes.FETCH} {
		m := c.ask(code, own, secret, opt{msg.OptOSCORE, "\x09\x14\x20"})
		log := n.seen()
		got := log[len(log)-1]
		if len(log) != i+1 || got.Code != code || string(got.Payload) != secret || string(must(msg.Option(got.Options, msg.OptOSCORE))) != "\x09\x14\x20" {
			t.Errorf("%v: %d messages, the last %v with %d octets", code, len(log), &got, len(got.Payload))
		}
		for _, id := range []message.OptionID{message.Block1, message.Block2, message.Size1} {
			if _, ok := msg.Option(got.Options, id); ok {
				t.Errorf("%v: option %d was added", code, id)
			}
		}
		if _, ok := msg.Option(m.Options, msg.OptOSCORE); !ok || m.Code != codes.Changed || string(m.Payload) != secret+"!" {
			t.Errorf("%v: the client got %v with %d octets", code, m.Code, len(m.Payload))
		}
	}
}
