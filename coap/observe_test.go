package coap

import (
	"bytes"
	"fmt"
	"net/netip"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/senml"
	"culvert/coap/msg"
	"culvert/coap/observe"
)

// watched is a fake node with one resource that can be observed.
type watched struct {
	*fakeNode
	f      *front
	value  atomic.Value // string
	maxAge atomic.Uint32
	order  atomic.Uint32
	mute   atomic.Bool
	deaf   atomic.Bool  // answers without the Observe option
	token  atomic.Value // of the registration: string
	mid    atomic.Int32
}

func (f *front) newWatched() *watched {
	w := &watched{f: f}
	w.value.Store("0")
	w.token.Store("")
	w.maxAge.Store(60)
	w.order.Store(100)
	w.fakeNode = f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		if m.Code == codes.Empty || w.mute.Load() {
			return nil
		}
		opts := []opt{{message.MaxAge, u(w.maxAge.Load())}}
		switch msg.Uint(m.Options, message.Observe) {
		case 0:
			if !w.deaf.Load() {
				w.token.Store(string(m.Token))
				opts = append(opts, opt{message.Observe, u(w.order.Add(1))})
			}
		case 1:
			w.token.Store("")
		}
		v := w.value.Load().(string)
		return [][]byte{ack(m, codes.Content, v, append(opts, w.cut(&v, m)...)...)}
	})
	return w
}

// cut is the block of v that m asks for; v is the whole if it fits.
func (w *watched) cut(v *string, m message.Message) []opt {
	if len(*v) <= 64 {
		return nil
	}
	b, _, _ := msg.BlockOption(m.Options, message.Block2, false)
	b.SZX = 2
	tag := string(msg.ETag([]byte(*v)))
	from, to := min(b.Offset(), len(*v)), min(b.Offset()+64, len(*v))
	b.More = to < len(*v)
	*v = (*v)[from:to]
	return []opt{{message.Block2, string(b.Encode())}, {message.ETag, tag}}
}

// notify sends the value as a notification with an order of its own.
func (w *watched) notify(kind message.Type, value string, order uint32) {
	w.f.t.Helper()
	w.value.Store(value)
	opts := append([]opt{{message.Observe, u(order)}, {message.MaxAge, u(w.maxAge.Load())}}, w.cut(&value, message.Message{})...)
	w.say(respond(kind, w.mid.Add(1), []byte(w.token.Load().(string)), codes.Content, value, opts...))
}

func (w *watched) say(b []byte) {
	w.f.t.Helper()
	port := int(w.f.nodes.LocalAddr().Port())
	if _, err := w.conn.WriteToUDPAddrPort(b, netip.AddrPortFrom(netip.IPv6Loopback(), uint16(port))); err != nil {
		w.f.t.Fatal(err)
	}
}

// requests returns those that reached the node.
func (w *watched) requests() (out []message.Message) {
	for _, m := range w.seen() {
		if m.Code != codes.Empty {
			out = append(out, m)
		}
	}
	return out
}

const own = "nodes/grain-bin/own/s"

// observe registers with a token of its own and returns the first answer.
func (c *udpClient) observe(path, token string, opts ...opt) message.Message {
	c.t.Helper()
	c.mid++
	c.send(build(message.Confirmable, codes.GET, c.mid, token, path, "", append([]opt{{message.Observe, ""}}, opts...)...))
	return c.message()
}

// notification is the next one with the token; confirmable ones are acknowledged.
func (c *udpClient) notification(token, value string) message.Message {
	c.t.Helper()
	m := c.message()
	if string(m.Token) != token || string(m.Payload) != value {
		c.t.Fatalf("%v %q, want %q for %q", &m, m.Payload, value, token)
	}
	if m.Type == message.Confirmable {
		c.send(msg.EmptyMessage(message.Acknowledgement, uint16(m.MessageID)))
	}
	return m
}

func orderOf(m message.Message) int64 { return msg.Uint(m.Options, message.Observe) }

// RFC 7641, section 5: one observation of the node for all clients; who comes later
// has the state at once; order grows for each; the last one to leave ends it.
func TestObserveFanOut(t *testing.T) {
	f := newFront(t)
	w := f.newWatched()
	var clients []*udpClient
	last := map[*udpClient]int64{}
	for i := range 20 {
		c := f.client()
		m := c.observe(own, fmt.Sprint("c", i))
		if orderOf(m) < 0 || string(m.Payload) != "0" || m.Type != message.Acknowledgement {
			t.Fatalf("registration: %v", &m)
		}
		clients, last[c] = append(clients, c), orderOf(m)
	}
	if n := len(w.requests()); n != 1 {
		t.Fatalf("%d requests reached the node", n)
	}
	if s := f.Stats(); s.Observers != 20 || s.Observations != 1 || s.CacheHits != 19 {
		t.Errorf("%d observers, %d observations, %d hits", s.Observers, s.Observations, s.CacheHits)
	}
	for n := range 20 {
		v := fmt.Sprint(n + 1)
		w.notify(message.Confirmable, v, 200+uint32(n))
		for i, c := range clients {
			m := c.notification(fmt.Sprint("c", i), v)
			if o := orderOf(m); o <= last[c] {
				t.Fatalf("order %d after %d", o, last[c])
			}
			last[c] = orderOf(m)
			if msg.Uint(m.Options, message.MaxAge) != 60 {
				t.Errorf("Max-Age %d", msg.Uint(m.Options, message.MaxAge))
			}
		}
	}
	// A plain GET is answered with what was notified.
	if m := f.client().ask(codes.GET, own, ""); string(m.Payload) != "20" || orderOf(m) >= 0 {
		t.Errorf("GET: %v", &m)
	}
	if n := len(w.requests()); n != 1 {
		t.Errorf("%d requests reached the node", n)
	}
	token := w.token.Load().(string)
	for i, c := range clients {
		c.mid++
		c.send(build(message.Confirmable, codes.GET, c.mid, fmt.Sprint("c", i), own, "", opt{message.Observe, u(1)}))
		if m := c.message(); orderOf(m) >= 0 || string(m.Payload) != "20" {
			t.Errorf("leaving: %v", &m)
		}
	}
	eventually(t, "the node is told", func() bool { return w.token.Load() == "" })
	log := w.requests()
	if m := log[len(log)-1]; len(log) != 2 || orderOf(m) != 1 || string(m.Token) != token {
		t.Errorf("%d requests, the last %v", len(log), &m)
	}
	if s := f.Stats(); s.Observers != 0 || s.Observations != 0 {
		t.Errorf("%d observers, %d observations are left", s.Observers, s.Observations)
	}
}

// RFC 7641, section 3.4: what was overtaken is passed over; order wraps.
func TestObserveOrder(t *testing.T) {
	f := newFront(t)
	w := f.newWatched()
	w.order.Store(1<<24 - 4) // the registration is 1<<24-3
	c := f.client()
	c.observe(own, "c")
	w.notify(message.NonConfirmable, "a", 1<<24-1)
	c.notification("c", "a")
	w.notify(message.NonConfirmable, "late", 1<<24-2)
	w.notify(message.Confirmable, "twice", 1<<24-1)
	w.notify(message.NonConfirmable, "b", 0)
	c.notification("c", "b")
	w.notify(message.NonConfirmable, "c", 5)
	c.notification("c", "c")
	if n := f.Stats().Disordered; n != 2 {
		t.Errorf("%d overtaken ones counted, want 2", n)
	}
}

// RFC 7641, sections 3.3.1 and 5: a node that forgot its observers is registered with
// again; one that says nothing any more is an error for those who observe.
func TestObserveRenewal(t *testing.T) {
	f := newFront(t, func(s *Server) {
		quick(s)
		s.opts.NodeTimeout = 500 * time.Millisecond
		s.nodes.SetRenewLeast(300 * time.Millisecond)
	})
	w := f.newWatched()
	w.maxAge.Store(0)
	c := f.client()
	c.observe(own, "c")
	token := w.token.Load().(string)
	// Rebooted: another value, another order, no observers.
	w.value.Store("rebooted")
	w.order.Store(3)
	c.notification("c", "rebooted")
	if n := w.requests(); len(n) < 2 || string(n[1].Token) != token || orderOf(n[1]) != 0 {
		t.Errorf("registered again with %v", &n[len(n)-1])
	}
	w.mute.Store(true)
	for {
		m := c.message()
		if m.Type == message.Confirmable {
			c.send(msg.EmptyMessage(message.Acknowledgement, uint16(m.MessageID)))
		}
		if m.Code == codes.Content {
			continue
		}
		if m.Code != codes.GatewayTimeout || orderOf(m) >= 0 || !strings.Contains(string(m.Payload), "old: rebooted") {
			t.Errorf("%v %q", &m, m.Payload)
		}
		break
	}
	eventually(t, "nothing is observed", func() bool { s := f.Stats(); return s.Observers == 0 && s.Observations == 0 })
	c.silent("an end")
}

// What ends an observation from the node's side, and what never begins one.
func TestObserveRefused(t *testing.T) {
	f := newFront(t, quick, func(s *Server) { s.nodes.SetRenewLeast(200 * time.Millisecond) })
	w := f.newWatched()
	w.deaf.Store(true)
	c := f.client()
	if m := c.observe(own, "c"); orderOf(m) >= 0 || m.Code != codes.Content {
		t.Errorf("a node that does not notify: %v", &m)
	}
	w.deaf.Store(false)
	if m := c.observe(own, "c", opt{message.Accept, ""}); orderOf(m) < 0 {
		t.Errorf("%v", &m)
	}
	w.say(respond(message.NonConfirmable, 900, []byte(w.token.Load().(string)), codes.NotFound, "gone", opt{message.MaxAge, u(1)}))
	if m := c.message(); m.Code != codes.NotFound || string(m.Payload) != "gone" || orderOf(m) >= 0 {
		t.Errorf("%v", &m)
	}
	if s := f.Stats(); s.Observers != 0 || s.Observations != 0 {
		t.Errorf("%d observers, %d observations", s.Observers, s.Observations)
	}
	// It ends though it answers: 5.03.
	w.maxAge.Store(0)
	d := f.client()
	d.observe(own, "d", opt{message.URIQuery, "x"})
	w.deaf.Store(true)
	if m := d.message(); m.Code != codes.ServiceUnavailable || m.Type != message.Confirmable {
		t.Errorf("%v", &m)
	}
	// A token of an observation that is none is rejected, whatever the type.
	before := len(w.seen())
	for i, kind := range []message.Type{message.Confirmable, message.NonConfirmable} {
		w.say(respond(kind, 950+int32(i), []byte("none"), codes.Content, "x", opt{message.Observe, u(7)}))
	}
	eventually(t, "two resets", func() bool {
		resets := 0
		for _, m := range w.seen()[before:] {
			if m.Type == message.Reset && (m.MessageID == 950 || m.MessageID == 951) {
				resets++
			}
		}
		return resets == 2
	})
}

// RFC 7641, sections 3.6, 4.2 and 4.5: how a client ends an observation without
// asking, and that it is not sent states faster than it takes them.
func TestObserverLeaves(t *testing.T) {
	f := newFront(t)
	w := f.newWatched()
	door := f.doors.FirstUDP()
	order := uint32(1000)
	notify := func(v string) { order++; w.notify(message.NonConfirmable, v, order) }
	gone := func() bool { s := f.Stats(); return s.Observers == 0 && s.Observations == 0 }

	t.Run("Reset of a non-confirmable one", func(t *testing.T) {
		c := f.client()
		c.observe(own, "c")
		notify("1")
		c.send(msg.EmptyMessage(message.Reset, uint16(c.notification("c", "1").MessageID)))
		eventually(t, "it is gone", gone)
	})
	t.Run("the latest state, and no other", func(t *testing.T) {
		c := f.client()
		c.observe(own, "c")
		for i := range observe.ConfirmEvery - 1 {
			notify(fmt.Sprint(i))
			if m := c.notification("c", fmt.Sprint(i)); m.Type != message.NonConfirmable {
				t.Errorf("%d: %v", i, m.Type)
			}
		}
		notify("held")
		m := c.message()
		if m.Type != message.Confirmable {
			t.Fatalf("%v", &m)
		}
		for i := range 5 {
			notify(fmt.Sprint("skipped ", i))
		}
		notify("last")
		eventually(t, "the front has it", func() bool {
			return string(f.client().ask(codes.GET, own, "").Payload) == "last"
		})
		c.silent("while one is not acknowledged")
		c.send(msg.EmptyMessage(message.Acknowledgement, uint16(m.MessageID)))
		c.notification("c", "last")
		c.mid++
		c.send(build(message.NonConfirmable, codes.GET, c.mid, "c", own, "", opt{message.Observe, u(1)}))
		c.message()
		eventually(t, "it is gone", gone)
	})
	t.Run("silence", func(t *testing.T) {
		c := f.client()
		c.observe(own, "c")
		for i := range observe.ConfirmEvery - 1 {
			notify(fmt.Sprint(i))
			c.notification("c", fmt.Sprint(i))
		}
		notify("unheard")
		first := c.receive(patience)
		// The door's clock runs ahead: 2 to 3 s, doubled four times.
		now := time.Now()
		for i := range msg.MaxRetransmit {
			now = now.Add(48 * time.Second)
			door.Tick(now)
			if b := c.receive(patience); !bytes.Equal(b, first) {
				t.Errorf("repetition %d: %x, want %x", i, b, first)
			}
		}
		door.Tick(now.Add(48 * time.Second))
		eventually(t, "it is gone", gone)
	})
	t.Run("Reset of a separate answer", func(t *testing.T) {
		g := newFront(t, quick)
		v := g.newWatched()
		v.mute.Store(true)
		c := g.client()
		c.observe(own, "c") // the empty acknowledgement
		v.mute.Store(false)
		m := c.message()
		if m.Type != message.Confirmable || orderOf(m) < 0 {
			t.Fatalf("%v", &m)
		}
		c.send(msg.EmptyMessage(message.Reset, uint16(m.MessageID)))
		eventually(t, "it is gone", func() bool { s := g.Stats(); return s.Observers == 0 && s.Observations == 0 })
	})
	t.Run("its token for something else", func(t *testing.T) {
		c := f.client()
		c.observe(own, "c")
		if m := c.observe("nodes/grain-bin", "c"); orderOf(m) < 0 {
			t.Errorf("%v", &m)
		}
		eventually(t, "the node is not observed", func() bool { s := f.Stats(); return s.Observers == 1 && s.Observations == 0 })
	})
}

// RFC 7959, section 2.6 (and 3.4 for an example): a large notification has its first
// block, the client fetches the others, and all are of one state whatever the node
// says meanwhile.
func TestObserveLarge(t *testing.T) {
	f := newFront(t)
	w := f.newWatched()
	state := func(c string) string { return strings.Repeat(c, 3000) }
	w.value.Store(state("a"))
	c := f.client()
	m := c.observe(own, "c", opt{message.Block2, blockValue(0, false, 4)})
	rest := func(m message.Message, want string, between func()) {
		t.Helper()
		body := append([]byte(nil), m.Payload...)
		tag := must(msg.Option(m.Options, message.ETag))
		b, ok, _ := msg.BlockOption(m.Options, message.Block2, false)
		if orderOf(m) < 0 || !ok || b.Num != 0 || !b.More || b.Size() != 256 {
			t.Fatalf("%v", &m)
		}
		between()
		for b.More {
			n := c.ask(codes.GET, own, "", opt{message.Block2, string(msg.Block{Num: b.Num + 1, SZX: b.SZX}.Encode())})
			if b, ok, _ = msg.BlockOption(n.Options, message.Block2, false); !ok || orderOf(n) >= 0 || !bytes.Equal(must(msg.Option(n.Options, message.ETag)), tag) {
				t.Fatalf("%v", &n)
			}
			body = append(body, n.Payload...)
		}
		if string(body) != want {
			t.Errorf("%d octets of %.5q, want %.5q", len(body), body, want)
		}
	}
	rest(m, state("a"), func() {})
	before := len(w.requests())
	w.notify(message.NonConfirmable, state("b"), 500)
	n := c.message()
	rest(n, state("b"), func() {})
	if got := len(w.requests()) - before; got != (3000+63)/64-1 {
		t.Errorf("%d requests for the rest of a notification", got)
	}
	for _, m := range w.requests()[before:] {
		if orderOf(m) >= 0 || string(m.Token) == w.token.Load().(string) {
			t.Fatalf("the rest was asked for with %v", &m)
		}
	}
	w.notify(message.NonConfirmable, state("c"), 501)
	m = c.message()
	rest(m, state("c"), func() {
		w.notify(message.NonConfirmable, "short", 502)
		c.notification("c", "short")
	})
}

// The front's own resources are observed through the same table, on the control
// socket too.
func TestObserveLocal(t *testing.T) {
	f := newFront(t)
	put := func(v float64) {
		tg := f.grainBin()
		f.readings.Put(tg.Name, tg.Node, []senml.Reading{{Name: "temp", Unit: "Cel", Kind: senml.Value, Value: v, Time: time.Now()}}, time.Now())
		f.observers.MarkChanged()
	}
	c := f.client()
	put(4)
	m := c.observe("nodes/grain-bin/readings", "r")
	if orderOf(m) < 0 || !strings.Contains(string(m.Payload), `"v":4`) || msg.Uint(m.Options, message.MaxAge) != observe.ObservedAge {
		t.Fatalf("%v %q", &m, m.Payload)
	}
	put(5)
	if m := c.message(); string(m.Token) != "r" || !strings.Contains(string(m.Payload), `"v":5`) || orderOf(m) < 0 {
		t.Errorf("%v %q", &m, m.Payload)
	}
	st := f.raw()
	st.send(csm(1 << 16))
	st.message()
	st.send(get("s", "nodes/grain-bin/readings/temp", opt{message.Observe, ""}))
	if m := st.message(); orderOf(m) < 0 || !strings.Contains(string(m.Payload), `"v":5`) {
		t.Errorf("%v %q", &m, m.Payload)
	}
	put(6)
	if m := st.message(); string(m.Token) != "s" || !strings.Contains(string(m.Payload), `"v":6`) {
		t.Errorf("%v %q", &m, m.Payload)
	}
	if n := f.Stats().Observers; n != 2 {
		t.Errorf("%d observers", n)
	}
	st.conn.Close()
	eventually(t, "the connection's are gone", func() bool { return f.Stats().Observers == 1 })
	c.mid++
	c.send(build(message.Confirmable, codes.GET, c.mid, "r", "nodes/grain-bin/readings", "", opt{message.Observe, u(1)}))
	eventually(t, "all are gone", func() bool {
		s := f.observers.Stats()
		return s.Observers == 0 && s.Locals == 0 && s.Queued == 0
	})
}

// memoryOf measures what n idle observers take, in octets each, and goroutines.
func memoryOf(t testing.TB, n int) (octets float64, goroutines int) {
	f := newFront(t, func(s *Server) { s.opts.UDP = []netip.AddrPort{netip.MustParseAddrPort("127.0.0.1:0")} })
	w := f.newWatched()
	first := f.client()
	first.observe(own, "first")
	heap := func() float64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.GC()
		runtime.ReadMemStats(&m)
		return float64(m.HeapAlloc)
	}
	door := f.doors.FirstUDP()
	before, routines := heap(), runtime.NumGoroutine()
	opts := make(message.Options, 0, msg.MaxOptions)
	for i := range n {
		// What the door is handed when the datagram of another host arrives: of those of the
		// loopback there are enough, and nobody listens there.
		m := build(message.NonConfirmable, codes.GET, uint16(i), fmt.Sprintf("%08d", i), own, "", opt{message.Observe, ""})
		door.Receive(m, opts, netip.AddrPortFrom(netip.AddrFrom4([4]byte{127, 1, byte(i >> 8), byte(i)}), 40000), netip.AddrFrom4([4]byte{127, 0, 0, 1}), nil)
	}
	if got := f.Stats().Observers; got != n+1 {
		t.Fatalf("%d observers, want %d", got, n+1)
	}
	// The memory against repetitions is another matter, and ends by itself.
	door.Expire(time.Now().Add(2 * msg.ExchangeLifetime))
	octets = (heap() - before) / float64(n)
	if len(w.requests()) != 1 {
		t.Errorf("%d requests reached the node", len(w.requests()))
	}
	return octets, runtime.NumGoroutine() - routines
}

func TestObserverMemory(t *testing.T) {
	octets, goroutines := memoryOf(t, 1000)
	t.Logf("%.0f octets an observer", octets)
	if octets > 4096 || goroutines > 2 {
		t.Errorf("%.0f octets an observer, %d goroutines more", octets, goroutines)
	}
}

func BenchmarkObserverMemory(b *testing.B) {
	for b.Loop() {
		octets, goroutines := memoryOf(b, 10000)
		b.ReportMetric(octets, "octets/observer")
		b.ReportMetric(float64(goroutines), "goroutines")
	}
}

// From the node's notification to the last of 1,000 observers.
func BenchmarkNotify1000(b *testing.B) {
	f := newFront(b)
	w := f.newWatched()
	const clients, each = 10, 100
	var all []*udpClient
	for range clients {
		c := f.client()
		_ = c.conn.SetReadBuffer(1 << 20)
		for i := range each {
			c.observe(own, fmt.Sprintf("t%03d", i))
		}
		all = append(all, c)
	}
	order := uint32(1000)
	for b.Loop() {
		order++
		w.notify(message.NonConfirmable, fmt.Sprint(order), order)
		for _, c := range all {
			for range each {
				m := c.message()
				if m.Type == message.Confirmable {
					c.send(msg.EmptyMessage(message.Acknowledgement, uint16(m.MessageID)))
				}
			}
		}
	}
	b.ReportMetric(float64(b.Elapsed())/float64(b.N)/1e6, "ms/1000observers")
}
