package coap

import (
	"fmt"
	"sync"
	"testing"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// RFC 7641, section 4.5.1, on a connection (RFC 8323): a client that does not read is
// not sent every state, and keeps its connection; when it reads, it has the latest
// state of everything, in order, and every end.
func TestObserveSlowConnection(t *testing.T) {
	f := newFront(t)
	w := f.newWatched()
	r := f.raw()
	r.message()
	r.send(csm(1 << 16))
	const tokens = 400 // more than a connection's queue has room for
	for i := range tokens {
		r.send(get(fmt.Sprintf("%03d", i), own, opt{message.Observe, ""}))
		if m := r.message(); orderOf(m) < 0 {
			t.Fatalf("%d: %v", i, &m)
		}
	}
	c := f.client()
	const states = 30
	for i := range states {
		v := fmt.Sprintf("%060d", i)
		w.notify(message.NonConfirmable, v, uint32(1000+i))
		eventually(t, "the front has it", func() bool { return string(c.ask(codes.GET, own, "").Payload) == v })
	}
	if n := f.observers.Stats().Queued; n > tokens {
		t.Errorf("%d are queued", n)
	}
	last := map[string]int64{}
	messages := 0
	for done := 0; done < tokens; messages++ {
		m := r.message()
		k := string(m.Token)
		if o := orderOf(m); m.Code != codes.Content || o <= last[k] {
			t.Fatalf("%q: %v after %d", k, &m, last[k])
		}
		last[k] = orderOf(m)
		if string(m.Payload) == fmt.Sprintf("%060d", states-1) {
			done++
		}
	}
	t.Logf("%d notifications of %d", messages, tokens*states)
	w.say(respond(message.NonConfirmable, 900, []byte(w.token.Load().(string)), codes.NotFound, "gone", opt{message.MaxAge, u(1)}))
	ends := map[string]bool{}
	for len(ends) < tokens {
		if m := r.message(); m.Code == codes.NotFound && orderOf(m) < 0 {
			ends[string(m.Token)] = true
		} else {
			t.Fatalf("%v", &m)
		}
	}
	r.send(message.Message{Code: codes.Ping, Token: []byte("p")})
	if m := r.message(); m.Code != codes.Pong {
		t.Errorf("%v", &m)
	}
	if s := f.Stats(); s.Observers != 0 || s.Observations != 0 {
		t.Errorf("%d observers, %d observations are left", s.Observers, s.Observations)
	}
}

// RFC 7641, section 3.6: a client that withdraws before its registration is answered
// observes nothing, and the node is told; others that wait are not touched.
func TestObserveWithdrawn(t *testing.T) {
	for _, door := range []string{"udp", "control"} {
		t.Run(door, func(t *testing.T) {
			f := newFront(t)
			w := f.newWatched()
			w.work.Lock() // the node takes its time
			release := sync.OnceFunc(w.work.Unlock)
			t.Cleanup(release)

			c, r := f.client(), f.raw()
			r.message()
			r.send(csm(0))
			ask := func(observe string) {
				if door == "udp" {
					c.mid++
					c.send(build(message.NonConfirmable, codes.GET, c.mid, "tk", own, "", opt{message.Observe, observe}))
					return
				}
				r.send(get("tk", own, opt{message.Observe, observe}))
			}
			next := func() message.Message {
				if door == "udp" {
					return c.message()
				}
				return r.message()
			}
			waits := func(requests, registrations int) func() bool {
				return func() bool {
					s := f.nodes.Stats()
					return s.Waiting == requests && s.Registering == registrations
				}
			}
			ask("")
			eventually(t, "the registration waits", waits(1, 1))
			ask(u(1))
			eventually(t, "it is withdrawn", waits(2, 0))
			release()
			for range 2 {
				if m := next(); m.Code != codes.Content || orderOf(m) >= 0 {
					t.Errorf("%v", &m)
				}
			}
			eventually(t, "the node is told", func() bool { n := w.requests(); return len(n) == 2 && orderOf(n[1]) == 1 })
			eventually(t, "nothing is observed", func() bool { s := f.Stats(); return s.Observers == 0 && s.Observations == 0 })
			// A registration after that counts.
			ask("")
			if m := next(); orderOf(m) < 0 {
				t.Errorf("again: %v", &m)
			}
		})
	}
	t.Run("one of two", func(t *testing.T) {
		f := newFront(t)
		w := f.newWatched()
		w.work.Lock()
		release := sync.OnceFunc(w.work.Unlock)
		t.Cleanup(release)
		a, b := f.client(), f.client()
		for _, c := range []*udpClient{a, b} {
			c.send(build(message.NonConfirmable, codes.GET, 1, "same", own, "", opt{message.Observe, ""}))
		}
		pending := func(n int) func() bool {
			return func() bool { return f.nodes.Stats().Registering == n }
		}
		eventually(t, "both wait", pending(2))
		a.send(build(message.NonConfirmable, codes.GET, 2, "same", own, "", opt{message.Observe, u(1)}))
		eventually(t, "one is withdrawn", pending(1))
		release()
		if m := b.message(); orderOf(m) < 0 {
			t.Errorf("%v", &m)
		}
		for range 2 {
			if m := a.message(); orderOf(m) >= 0 {
				t.Errorf("%v", &m)
			}
		}
		w.notify(message.NonConfirmable, "1", 500)
		b.notification("same", "1")
		a.silent("after it was withdrawn")
	})
}
