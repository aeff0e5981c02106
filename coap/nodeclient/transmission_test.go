package nodeclient

import (
	"net"
	"net/netip"
	"testing"
	"testing/synctest"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/msg"
	"culvert/tun/tuntest"
)

// RFC 7252, section 4.8.2: the derived times, those of the default parameters as the
// table there has them.
func TestDerivedTimes(t *testing.T) {
	for _, x := range []struct {
		name           string
		in             Transmission
		span, lifetime time.Duration
		fits           int
	}{
		{"the defaults", Transmission{}, 45 * time.Second, 247 * time.Second, 4},
		{"4 s", Transmission{AckTimeout: 4 * time.Second}, 90 * time.Second, 264 * time.Second, 3},
		{"4 s, three times", Transmission{AckTimeout: 4 * time.Second, MaxRetransmit: 3}, 42 * time.Second, 246 * time.Second, 3},
		{"no random factor to speak of", Transmission{AckRandomFactor: 1.1}, 33 * time.Second, 235 * time.Second, 4},
		{"never again", Transmission{MaxRetransmit: NoRetransmit}, 0, 202 * time.Second, 0},
		{"an end after 10 s", Transmission{NodeTimeout: 10 * time.Second}, 45 * time.Second, 212 * time.Second, 2},
		{"an end after 2 s", Transmission{NodeTimeout: 2 * time.Second}, 45 * time.Second, 204 * time.Second, 0},
	} {
		v := x.in.WithDefaults()
		if got := v.MaxTransmitSpan(); got != x.span {
			t.Errorf("%s: MAX_TRANSMIT_SPAN %v, want %v", x.name, got, x.span)
		}
		if got := v.exchangeLifetime(v.AckTimeout); got != x.lifetime {
			t.Errorf("%s: EXCHANGE_LIFETIME %v, want %v", x.name, got, x.lifetime)
		}
		if got := v.Fits(); got != x.fits {
			t.Errorf("%s: %d retransmissions fit, want %d", x.name, got, x.fits)
		}
	}
	if got := (Transmission{}).WithDefaults().exchangeLifetime(msg.AckTimeout); got != msg.ExchangeLifetime {
		t.Errorf("towards clients %v, towards nodes %v", msg.ExchangeLifetime, got)
	}
	for _, bad := range []Transmission{{AckRandomFactor: 0.9}, {NodeTimeout: 91 * time.Second}, {MaxRetransmit: 11}} {
		if err := newClient(bad).Open(); err == nil {
			t.Errorf("%+v was taken", bad)
		}
		meshes := node.Meshes{{Name: "fenland", Table: nil}}
		if err := New(Options{Meshes: meshes, ByMesh: map[string]Transmission{"fenland": bad}}).Open(); err == nil {
			t.Errorf("%+v was taken for one mesh", bad)
		}
	}
}

// Each mesh may be asked in its own way; what it does not say is as for all.
func TestMeshTransmission(t *testing.T) {
	table, n := siteTable(t)
	base := Transmission{AckTimeout: 3 * time.Second, MaxRetransmit: 2}.WithDefaults()
	s := New(Options{Meshes: node.Meshes{{Name: "fenland", Table: table}}, Default: &base,
		ByMesh: map[string]Transmission{"fenland": {AckTimeout: 5 * time.Second, NodeBlock: 32}}})
	want := Transmission{5 * time.Second, 1.5, 2, time.Minute, 32}
	if got := *s.towardsAddr(table.Address(n)); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	if got := *s.Towards(table); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	want = Transmission{3 * time.Second, 1.5, 2, time.Minute, 64}
	if got := *s.towardsAddr(netip.MustParseAddr("2001:db8::1")); got != want {
		t.Errorf("elsewhere %+v, want %+v", got, want)
	}
}

// asked is an upstream whose time and whose node's answers are the test's: it runs
// in a bubble of testing/synctest.
type asked struct {
	t    *testing.T
	s    *Client
	at   netip.AddrPort
	x    *Exchange
	sent []time.Duration // since the exchange began
}

func newAsked(t *testing.T, tr Transmission) *asked {
	s := newClient(tr)
	if err := s.Open(); err != nil {
		t.Fatal(err)
	}
	sink, err := net.ListenUDP("udp6", &net.UDPAddr{IP: net.IPv6loopback})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.queues.close(); sink.Close() })
	return &asked{t: t, s: s, at: sink.LocalAddr().(*net.UDPAddr).AddrPort()}
}

// exchange asks once. answer is called every 20 ms with the time since the beginning;
// what it returns comes from the node. It ends with the exchange.
func (a *asked) exchange(answer func(x *Exchange, at time.Duration, transmissions int) []byte) (got msg.Response, took time.Duration) {
	a.t.Helper()
	ended := false
	start := time.Now()
	a.x = &Exchange{Code: codes.GET, Deadline: start.Add(a.s.opts.Default.NodeTimeout), Reply: func(r msg.Response) { got, ended = r, true }}
	last := a.s.counts.messages.Load()
	a.sent = nil
	a.s.queues.submit(a.at, a.x)
	for now := time.Duration(0); !ended; now += 20 * time.Millisecond {
		if n := a.s.counts.messages.Load(); n > last {
			a.sent, last = append(a.sent, now), n
		}
		if b := answer(a.x, now, len(a.sent)); b != nil {
			a.s.queues.receive(b, a.at)
		}
		if ended {
			return got, now
		}
		tuntest.Advance(20 * time.Millisecond)
		a.s.queues.tick(time.Now())
		took = now
	}
	return got, took
}

func (x *Exchange) answer() []byte {
	return response(message.Acknowledgement, int32(x.mid), x.token[:], codes.Content, "1")
}

func silence(*Exchange, time.Duration, int) []byte { return nil }

// RFC 7252, sections 4.2 and 4.8: when a silent node is asked, with parameters of the
// configuration. The random factor counts once; each wait is twice the one before.
func TestTransmissionTimes(t *testing.T) {
	for _, x := range []struct {
		name        string
		in          Transmission
		least, most time.Duration // of the first wait
		sent        int
		code        codes.Code
		end         [2]time.Duration
	}{
		{"the defaults", Transmission{}, 2 * time.Second, 3 * time.Second, 5, codes.GatewayTimeout, [2]time.Duration{60 * time.Second, 61 * time.Second}},
		{"all of MAX_TRANSMIT_WAIT", Transmission{NodeTimeout: 90 * time.Second}, 2 * time.Second, 3 * time.Second, 5, codes.GatewayTimeout, [2]time.Duration{62 * time.Second, 91 * time.Second}},
		{"a slow mesh", Transmission{AckTimeout: 4 * time.Second, MaxRetransmit: 3}, 4 * time.Second, 6 * time.Second, 4, codes.GatewayTimeout, [2]time.Duration{60 * time.Second, 61 * time.Second}},
		{"a fast one", Transmission{AckTimeout: time.Second, AckRandomFactor: 1.2, MaxRetransmit: 2}, time.Second, 1200 * time.Millisecond, 3, codes.GatewayTimeout, [2]time.Duration{7 * time.Second, 9 * time.Second}},
		{"once only", Transmission{MaxRetransmit: NoRetransmit}, 0, 0, 1, codes.GatewayTimeout, [2]time.Duration{2 * time.Second, 3100 * time.Millisecond}},
	} {
		t.Run(x.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				a := newAsked(t, x.in)
				for range 10 {
					r, took := a.exchange(silence)
					if r.Code != x.code || len(a.sent) != x.sent || took < x.end[0]-40*time.Millisecond || took > x.end[1] {
						t.Fatalf("sent at %v, ended after %v with %v", a.sent, took, r.Code)
					}
					if x.sent == 1 {
						continue
					}
					const tick = 40 * time.Millisecond
					wait := a.sent[1]
					if wait < x.least-tick || wait > x.most+tick {
						t.Errorf("first wait %v", wait)
					}
					for i := 2; i < len(a.sent); i++ {
						if next := a.sent[i] - a.sent[i-1]; (next - 2*wait).Abs() > time.Duration(i)*tick {
							t.Errorf("waits %v after %v", next, wait)
						}
						wait = a.sent[i] - a.sent[i-1]
					}
				}
			})
		})
	}
}

// A node that answers after 8 s is asked the same again only until its round trip has
// been measured; lost messages of a fast node are sent again as soon as was
// configured, but for the one after (Karn's algorithm; RFC 6298).
func TestRoundTrip(t *testing.T) {
	after := func(d time.Duration) func(*Exchange, time.Duration, int) []byte {
		return func(x *Exchange, at time.Duration, _ int) []byte {
			if at >= d {
				return x.answer()
			}
			return nil
		}
	}
	t.Run("a node that takes 8 s", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			a := newAsked(t, Transmission{})
			var messages []int
			for range 6 {
				if r, _ := a.exchange(after(8 * time.Second)); r.Code != codes.Content {
					t.Fatal(r.Code)
				}
				messages = append(messages, len(a.sent))
			}
			// 2 to 3 s, then 4 to 6 s: messages at 0, 2 to 3 and 6 to 9; then 0 and 4 to 6;
			// then the wait is 8 s or more.
			if messages[0] < 2 || messages[0] > 3 || messages[1] != 2 || messages[2] != 1 || messages[5] != 1 {
				t.Errorf("messages for each request: %v", messages)
			}
			// It falls silent: three messages at most, none sooner than its round trip.
			if r, _ := a.exchange(silence); r.Code != codes.GatewayTimeout || len(a.sent) != 3 || a.sent[1] < 8*time.Second || a.sent[1] > 15100*time.Millisecond {
				t.Errorf("%v, sent at %v", r.Code, a.sent)
			}
			// Nothing is known of it any more: as configured.
			if a.exchange(silence); len(a.sent) != 5 {
				t.Errorf("sent at %v", a.sent)
			}
		})
	})
	t.Run("a node that acknowledges at once and takes 8 s", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			a := newAsked(t, Transmission{})
			for range 3 {
				acked := false
				r, _ := a.exchange(func(x *Exchange, at time.Duration, _ int) []byte {
					switch {
					case at >= 8*time.Second:
						return response(message.Confirmable, 7, x.token[:], codes.Content, "1")
					case at >= 100*time.Millisecond && !acked:
						acked = true
						return msg.EmptyMessage(message.Acknowledgement, x.mid)
					}
					return nil
				})
				if r.Code != codes.Content || len(a.sent) != 1 {
					t.Errorf("%v, sent at %v", r.Code, a.sent)
				}
			}
			if w := a.s.queues.peers[a.at].trip.first(a.s.opts.Default); w != msg.AckTimeout {
				t.Errorf("first wait %v", w)
			}
		})
	})
	t.Run("a fast node, and every other message is lost", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			a := newAsked(t, Transmission{})
			for i := range 6 {
				if r, _ := a.exchange(func(x *Exchange, at time.Duration, n int) []byte {
					if n == 2 || i%2 == 1 {
						return x.answer()
					}
					return nil
				}); r.Code != codes.Content {
					t.Fatal(r.Code)
				}
				if i%2 == 0 && (len(a.sent) != 2 || a.sent[1] > 3100*time.Millisecond) {
					t.Errorf("%d: sent at %v", i, a.sent)
				}
			}
		})
	})
	// Bounds: never sooner than configured, never so late that no time is left.
	var r roundTrip
	v := Transmission{}.WithDefaults()
	for range 100 {
		r.observe(50*time.Second, true, &v)
	}
	if got := r.first(&v); got != 10*time.Second {
		t.Errorf("after 50 s each: %v", got)
	}
	for range 100 {
		r.observe(time.Millisecond, true, &v)
	}
	if got := r.first(&v); got != v.AckTimeout {
		t.Errorf("after 1 ms each: %v", got)
	}
	r.observe(-time.Hour, true, &v)
	if got := r.first(&v); got != v.AckTimeout {
		t.Errorf("after the clock was set: %v", got)
	}
}

// What is known of a node is forgotten in the end, and not while its Message IDs may
// not be used again (RFC 7252, section 4.4).
func TestNodesForgotten(t *testing.T) {
	for _, x := range []struct {
		name string
		trip time.Duration
		kept time.Duration
	}{
		{"fast", 10 * time.Millisecond, 247 * time.Second},
		{"slow, and measured", 3 * time.Second, keepMeasured},
	} {
		synctest.Test(t, func(t *testing.T) {
			a := newAsked(t, Transmission{})
			for range 2 {
				a.exchange(func(e *Exchange, at time.Duration, _ int) []byte {
					if at >= x.trip {
						return e.answer()
					}
					return nil
				})
			}
			u := a.s.queues
			u.expire(time.Now().Add(x.kept - time.Second))
			if len(u.peers) != 1 {
				t.Errorf("%s: forgotten too soon", x.name)
			}
			u.expire(time.Now().Add(x.kept + time.Second))
			if len(u.peers) != 0 {
				t.Errorf("%s: not forgotten", x.name)
			}
		})
	}
}
