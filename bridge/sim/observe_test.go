package sim

import (
	"bytes"
	"fmt"
	"net/netip"
	"testing"
	"time"

	gocoap "github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/net/observation"
)

// get builds a confirmable GET, with an Observe option unless observe is negative.
func (c *client) get(id int32, token, path string, observe int, options ...gocoap.Option) []byte {
	c.t.Helper()
	opts, _, err := gocoap.Options{}.SetPath(make([]byte, 256), path)
	if err != nil {
		c.t.Fatal(err)
	}
	if observe >= 0 {
		opts, _, _ = opts.SetObserve(make([]byte, 4), uint32(observe))
	}
	for _, o := range options {
		opts = opts.Add(o)
	}
	return encodeCoAP(c.t, gocoap.Message{Type: gocoap.Confirmable, MessageID: id, Code: codes.GET, Token: gocoap.Token(token), Options: opts})
}

func (c *client) empty(kind gocoap.Type, id int32) {
	c.t.Helper()
	c.post(c.to, encodeCoAP(c.t, gocoap.Message{Type: kind, MessageID: id, Code: codes.Empty}))
}

// notification waits for the next message and checks that it notifies of a content.
func (c *client) notification(limit time.Duration, token string) (gocoap.Message, uint32) {
	c.t.Helper()
	b := c.hear(limit)
	if b == nil {
		c.t.Fatalf("no notification within %v", limit)
	}
	m := decodeCoAP(c.t, b)
	seq, err := m.Options.Observe()
	if m.Code != codes.Content || err != nil || string(m.Token) != token || m.Type != gocoap.Confirmable && m.Type != gocoap.NonConfirmable {
		c.t.Fatalf("no notification: %v %v token %q, Observe %v", m.Type, m.Code, m.Token, err)
	}
	return m, seq
}

// register begins an observation and returns the value of the Observe option.
func (c *client) register(id int32, token, path string, options ...gocoap.Option) (gocoap.Message, uint32) {
	c.t.Helper()
	a := decodeCoAP(c.t, c.raw(c.to, c.get(id, token, path, 0, options...)))
	seq, err := a.Options.Observe()
	if a.Code != codes.Content || err != nil {
		c.t.Fatalf("register %s: %v, %v", path, a.Code, err)
	}
	return a, seq
}

func (c *client) observers() int {
	n, _ := c.m.Node("n1")
	return n.Observers
}

func (c *client) quiet(d time.Duration) {
	c.t.Helper()
	if b := c.hear(d); b != nil {
		c.t.Errorf("want silence for %v, got %x", d, b)
	}
}

// RFC 7641, sections 3 and 4: a notification each period, in order by go-coap's rule,
// the eighth confirmable; the same token, Content-Format, a Max-Age beyond the next.
func TestObserve(t *testing.T) {
	c := newClient(t, Options{Period: 10 * time.Second})
	first, before := c.register(1, "tok", "/temp")
	if age, err := first.Options.GetUint32(gocoap.MaxAge); err != nil || age != 20 {
		t.Errorf("Max-Age of the answer %d, %v", age, err)
	}
	last, clock := c.m.Now(), time.Now()
	for i := 1; i <= 17; i++ {
		m, seq := c.notification(15*time.Second, "tok")
		if took := c.m.Now() - last; took < 9500*time.Millisecond || took > 10500*time.Millisecond {
			t.Errorf("notification %d after %v", i, took)
		}
		last = c.m.Now()
		if !observation.ValidSequenceNumber(before, seq, clock, clock.Add(10*time.Second)) || seq > maxSequence {
			t.Errorf("notification %d: %d after %d", i, seq, before)
		}
		before = seq
		if want := i%8 == 0; want != (m.Type == gocoap.Confirmable) {
			t.Errorf("notification %d is %v", i, m.Type)
		}
		if m.Type == gocoap.Confirmable {
			c.empty(gocoap.Acknowledgement, m.MessageID)
		}
		age, err := m.Options.GetUint32(gocoap.MaxAge)
		format, err2 := m.Options.ContentFormat()
		if err != nil || age != 20 || err2 != nil || format != gocoap.TextPlain || !m.Options.HasOption(gocoap.ETag) {
			t.Errorf("notification %d: Max-Age %d, %v, format %v, %v", i, age, err, format, err2)
		}
	}
	n, _ := c.m.Node("n1")
	if n.Notifications != 17 || n.Observers != 1 {
		t.Errorf("%d notifications, %d observers", n.Notifications, n.Observers)
	}
	// The count goes on when the last observer comes back (section 4.4).
	c.raw(c.to, c.get(2, "tok", "/temp", 1))
	if _, seq := c.register(3, "tok", "/temp"); seq != (before+1)&maxSequence {
		t.Errorf("%d after %d", seq, before)
	}
}

// The same seed and the same calls give the same messages at the same times, with
// losses, observers and faults.
func TestObserveIsDeterministic(t *testing.T) {
	play := func() (log string) {
		s := chain(3)
		m, _ := start(t, Options{Site: s, Seed: 7, Period: 5 * time.Second})
		joined(t, m)
		must(t, m.SetLoss(0.3))
		h := newHost(t, m)
		for i, p := range s.Nodes {
			c := &client{host: h, link: p.EUI64, to: globalOf(p.EUI64)}
			for k, path := range []string{"/temp", "/readings", "/output"} {
				c.post(c.to, c.get(int32(10*i+k), "tok", path, 0))
			}
			must(t, m.Slow(p.Name, time.Duration(i)*time.Second, i == 1))
		}
		m.Advance(m.Now() + time.Minute)
		must(t, m.Reboot("n2"))
		must(t, m.StaleOrder("n3"))
		m.Advance(m.Now() + 10*time.Minute)
		for _, p := range h.packets {
			log += fmt.Sprintf("%x\n", p)
		}
		return log + fmt.Sprintf("%+v %+v", m.Nodes(), m.Stats())
	}
	if a, b := play(), play(); a != b || len(a) < 10000 {
		t.Errorf("two courses of one seed:\n%s\n%s", a, b)
	}
}

// The value has 24 bits and wraps around (RFC 7641, section 3.4); 0 is an empty
// option (RFC 7252, section 3.2).
func TestObserveWraps(t *testing.T) {
	c := newClient(t, Options{Period: 10 * time.Second})
	c.register(1, "tok", "/temp")
	c.m.nodes[1].sequence = maxSequence - 1
	for _, want := range []uint32{maxSequence, 0, 1} {
		if m, seq := c.notification(15*time.Second, "tok"); seq != want {
			t.Errorf("value %d in %v, want %d", seq, m.Options, want)
		}
	}
}

// How an observation ends: RFC 7641, section 3.6 and 4.5, and what a boot does.
func TestObserveEnds(t *testing.T) {
	for _, k := range []struct {
		name string
		end  func(c *client)
	}{
		{"GET with Observe 1", func(c *client) {
			a := decodeCoAP(c.t, c.raw(c.to, c.get(2, "tok", "/temp", 1)))
			if a.Code != codes.Content || a.Options.HasOption(gocoap.Observe) {
				c.t.Errorf("the answer: %v %v", a.Code, a.Options)
			}
		}},
		{"Reset of the last notification", func(c *client) {
			m, _ := c.notification(15*time.Second, "tok")
			c.empty(gocoap.Reset, m.MessageID)
		}},
		{"Reset of an earlier notification", func(c *client) {
			m, _ := c.notification(15*time.Second, "tok")
			c.notification(15*time.Second, "tok")
			c.empty(gocoap.Reset, m.MessageID)
		}},
		{"Reset of a confirmable notification", func(c *client) {
			for {
				if m, _ := c.notification(15*time.Second, "tok"); m.Type == gocoap.Confirmable {
					c.empty(gocoap.Reset, m.MessageID)
					return
				}
			}
		}},
		{"GET with Observe 1, while a confirmable notification is unacknowledged", func(c *client) {
			for m := (gocoap.Message{Type: gocoap.NonConfirmable}); m.Type != gocoap.Confirmable; {
				m, _ = c.notification(15*time.Second, "tok")
			}
			c.raw(c.to, c.get(2, "tok", "/temp", 1))
		}},
		{"no acknowledgement", func(c *client) {
			sent := 0
			var begun time.Duration
			var id int32
			for c.observers() > 0 {
				b := c.hear(60 * time.Second)
				if b == nil {
					continue
				}
				if m := decodeCoAP(c.t, b); m.Type == gocoap.Confirmable {
					if sent++; sent == 1 {
						id, begun = m.MessageID, c.m.Now()
					}
					if m.MessageID != id {
						c.t.Errorf("another confirmable message while the first is unacknowledged")
					}
				} else if sent > 0 {
					c.t.Error("a notification beside an unacknowledged one")
				}
			}
			// RFC 7252, section 4.8.2: MAX_TRANSMIT_WAIT is 62 s to 93 s.
			if took := c.m.Now() - begun; sent != 5 || took < 55*time.Second || took > 125*time.Second {
				c.t.Errorf("given up after %d transmissions and %v", sent, took)
			}
		}},
		{"a boot", func(c *client) {
			if err := c.m.Reboot("n1"); err != nil {
				c.t.Error(err)
			}
		}},
		{"off and on", func(c *client) {
			if err := c.m.CutNode("n1"); err != nil {
				c.t.Error(err)
			}
			if err := c.m.RestoreNode("n1"); err != nil {
				c.t.Error(err)
			}
			joined(c.t, c.m)
		}},
	} {
		t.Run(k.name, func(t *testing.T) {
			c := newClient(t, Options{Period: 10 * time.Second})
			c.register(1, "tok", "/temp")
			k.end(c)
			c.m.Advance(c.m.Now() + time.Second)
			c.packets = nil
			if c.observers() != 0 {
				t.Error("still an observer")
			}
			c.quiet(30 * time.Second)
			if x := c.m.nodes[1].extra; x != nil && (x.watch != nil || len(x.pending) > 0) {
				t.Errorf("the node keeps %+v", x.memory)
			}
		})
	}
	c := newClient(t, Options{Period: 10 * time.Second})
	c.register(1, "tok", "/temp")
	c.raw(c.to, c.get(2, "tok2", "/temp", 1)) // another token
	c.empty(gocoap.Reset, 0x7777)             // nothing of ours
	c.empty(gocoap.Acknowledgement, 0x7777)
	c.notification(15*time.Second, "tok")
}

// A node has room for four observers; the same one again takes no more room, and one
// that does not fit is answered without the option (RFC 7641, section 4.1).
func TestObserversAreBounded(t *testing.T) {
	c := newClient(t, Options{Period: 10 * time.Second})
	for i := range int32(4) {
		c.register(1+i, fmt.Sprint("t", i), "/temp")
	}
	c.register(10, "t0", "/hum") // instead of /temp
	a := decodeCoAP(t, c.raw(c.to, c.get(11, "t9", "/temp", 0)))
	if a.Code != codes.Content || a.Options.HasOption(gocoap.Observe) || c.observers() != maxObservers {
		t.Errorf("the fifth: %v %v, %d observers", a.Code, a.Options, c.observers())
	}
	paths := map[string]int{}
	for _, o := range c.m.Observers() {
		paths[o.Path]++
		if o.Node != "n1" || o.Client != "[2001:db8:77::9]:40001" {
			t.Errorf("%+v", o)
		}
	}
	if paths["/temp"] != 3 || paths["/hum"] != 1 {
		t.Errorf("observed: %v", paths)
	}
	c.raw(c.to, c.get(12, "t1", "/temp", 1))
	c.register(13, "t9", "/batt")
	// One confirmable message at a time to one peer (RFC 7252, section 4.7).
	unacked := int32(-1)
	confirmable := 0
	for range 100 {
		b := c.hear(15 * time.Second)
		if b == nil {
			break
		}
		if m := decodeCoAP(t, b); m.Type == gocoap.Confirmable {
			if unacked >= 0 && unacked != m.MessageID {
				t.Fatalf("%d goes out while %d is unacknowledged", m.MessageID, unacked)
			}
			if unacked == m.MessageID { // its repetition
				c.empty(gocoap.Acknowledgement, m.MessageID)
				unacked = -1
				confirmable++
				continue
			}
			unacked = m.MessageID
		}
	}
	if confirmable < 6 || c.observers() != 4 {
		t.Errorf("%d confirmable notifications, %d observers", confirmable, c.observers())
	}
}

// What cannot be observed is answered as ever.
func TestNotObservable(t *testing.T) {
	c := newClient(t, Options{Period: 10 * time.Second})
	for i, path := range []string{"/period", "/output/lease", "/config", "/log", pathCore} {
		a := decodeCoAP(t, c.raw(c.to, c.get(int32(1+i), "t", path, 0)))
		if a.Code != codes.Content || a.Options.HasOption(gocoap.Observe) {
			t.Errorf("%s: %v %v", path, a.Code, a.Options)
		}
	}
	for i, k := range []gocoap.Option{option(gocoap.Accept, 40), option(gocoap.Observe, 0, 0, 0, 0)} {
		a := decodeCoAP(t, c.raw(c.to, c.get(int32(20+i), "t", "/temp", -i, k))) // an option of four octets is none
		if a.Options.HasOption(gocoap.Observe) {
			t.Errorf("%v: %v %v", k, a.Code, a.Options)
		}
	}
	if c.observers() != 0 {
		t.Errorf("%d observers", c.observers())
	}
}

// A notification of a long representation carries its first block, and the rest is
// fetched (RFC 7959, section 3.4).
func TestObserveInBlocks(t *testing.T) {
	c := newClient(t, Options{Period: 10 * time.Second})
	c.register(1, "tok", "/readings")
	m, _ := c.notification(15*time.Second, "tok")
	block, err := m.Options.GetUint32(gocoap.Block2)
	if err != nil || block != 8|2 || len(m.Payload) != 64 {
		t.Fatalf("block %x, %v, %d octets", block, err, len(m.Payload))
	}
	if all := c.blocks("/readings"); !bytes.HasPrefix(all, m.Payload) || len(all) < 100 {
		t.Errorf("%q begins %q", m.Payload, all)
	}
	// A block of its rest does not begin another observation.
	a := decodeCoAP(t, c.raw(c.to, c.get(2, "other", "/readings", 0, option(gocoap.Block2, 1<<4|2))))
	if a.Code != codes.Content || a.Options.HasOption(gocoap.Observe) || c.observers() != 1 {
		t.Errorf("%v, %d observers", a.Code, c.observers())
	}
}

// The output's observers hear of every change at once, and of none when there is none.
func TestObserveOutput(t *testing.T) {
	c := newClient(t, Options{Period: time.Hour})
	first, before := c.register(1, "tok", "/output")
	if string(first.Payload) != "0" {
		t.Errorf("at first %q", first.Payload)
	}
	expect := func(want string) {
		t.Helper()
		m, seq := c.notification(2*time.Second, "tok")
		if string(m.Payload) != want || seq == before {
			t.Errorf("notified of %q, want %q", m.Payload, want)
		}
		before = seq
	}
	c.ask(codes.PUT, "/output", "1", option(gocoap.URIQuery, []byte("for=20")...))
	expect("1")
	c.ask(codes.PUT, "/output", "1", option(gocoap.URIQuery, []byte("for=20")...))
	c.quiet(15 * time.Second)
	if b := c.hear(7 * time.Second); b == nil || string(decodeCoAP(t, b).Payload) != "0" {
		t.Errorf("the end of the lease: %x", b)
	}
	c.ask(codes.PUT, "/output", "1")
	expect("1")
	if err := c.m.Interlock("n1", true); err != nil {
		t.Fatal(err)
	}
	expect("0")
}

// While a confirmable notification is unacknowledged the state may change twice: then
// only the latest follows (RFC 7641, section 4.5.1).
func TestObserveSkipsOldStates(t *testing.T) {
	c := newClient(t, Options{Period: time.Hour})
	c.register(1, "tok", "/output")
	var m gocoap.Message
	for i := 0; m.Type != gocoap.Confirmable || m.Code != codes.Content; i++ {
		c.ask(codes.PUT, "/output", fmt.Sprint((i+1)%2))
		m, _ = c.notification(2*time.Second, "tok")
	}
	was := string(m.Payload) // "0", the eighth
	for _, v := range []string{"1", "0", "1"} {
		if a := c.ask(codes.PUT, "/output", v); a.Code != codes.Changed {
			t.Fatal(a.Code)
		}
	}
	c.empty(gocoap.Acknowledgement, m.MessageID)
	next, _ := c.notification(time.Second, "tok")
	if was != "0" || string(next.Payload) != "1" {
		t.Errorf("after %q %q", was, next.Payload)
	}
	c.quiet(5 * time.Second)
}

// Where the nodes publish nothing, observers hear once a minute all the same; and one
// notification a day is confirmable (RFC 7641, section 4.5).
func TestObserveSlowly(t *testing.T) {
	c := newClient(t, Options{Period: -1})
	c.register(1, "tok", "/temp")
	if m, _ := c.notification(61*time.Second, "tok"); m.Type != gocoap.NonConfirmable {
		t.Errorf("the first is %v", m.Type)
	}
	c.ask(codes.PUT, "/period", "86400")
	c.m.Advance(c.m.Now() + time.Minute)
	c.packets = nil
	if m, _ := c.notification(25*time.Hour, "tok"); m.Type != gocoap.Confirmable {
		t.Errorf("the one after a day is %v", m.Type)
	}
}

// A client that knows the representation gets 2.03 and is an observer (RFC 7641,
// section 3.3).
func TestObserveWithTag(t *testing.T) {
	c := newClient(t, Options{Period: time.Hour})
	tag, err := c.ask(codes.GET, "/output", "").Options.GetBytes(gocoap.ETag)
	if err != nil {
		t.Fatal(err)
	}
	a := decodeCoAP(t, c.raw(c.to, c.get(50, "tok", "/output", 0, gocoap.Option{ID: gocoap.ETag, Value: tag})))
	if a.Code != codes.Valid || !a.Options.HasOption(gocoap.Observe) || len(a.Payload) > 0 || c.observers() != 1 {
		t.Errorf("%v %v, %d observers", a.Code, a.Options, c.observers())
	}
}

// Several clients, and the addresses to which they spoke.
func TestObserveFromTheAddressAsked(t *testing.T) {
	s := chain(1)
	c := newClient(t, Options{Period: 10 * time.Second})
	c.to = linkLocalOf(s.Nodes[0].EUI64)
	b := c.get(1, "tok", "/temp", 0)
	c.post(c.to, b)
	for range 3 {
		p := c.await(15 * time.Second)
		if p == nil {
			t.Fatal("nothing")
		}
		if src := netip.AddrFrom16([16]byte(p[8:24])); decode(t, p).TransportLayer().TransportFlow().Dst().String() == "40001" && src != c.to {
			t.Errorf("from %v, want %v", src, c.to)
		}
	}
}
