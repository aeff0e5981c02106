package coap

import (
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/msg"
)

// grainBin is the node of the front's table, as a target.
func (f *front) grainBin() node.Member {
	t, _ := f.opts.Meshes.ByLabel("grain-bin")
	return t
}

// age moves the front's clock ahead.
func (f *front) age(d time.Duration) {
	f.ahead.Add(int64(d))
}

// RFC 7252, sections 5.6, 5.7.1, 5.9 and 5.10.5: what is reused, and with which
// Max-Age.
func TestCacheFreshness(t *testing.T) {
	for _, x := range []struct {
		name  string
		code  codes.Code
		opts  []opt
		age   time.Duration
		hit   bool
		after int64 // Max-Age of the second answer
	}{
		{"fresh", codes.Content, []opt{{message.MaxAge, u(90)}}, 20 * time.Second, true, 70},
		{"no Max-Age is 60", codes.Content, nil, 20 * time.Second, true, 40},
		{"no Max-Age, over", codes.Content, nil, 61 * time.Second, false, -1},
		{"at its end", codes.Content, []opt{{message.MaxAge, u(90)}}, 90 * time.Second, false, 90},
		{"Max-Age 0", codes.Content, []opt{{message.MaxAge, ""}}, 0, false, 0},
		{"an error", codes.NotFound, []opt{{message.MaxAge, u(9)}}, time.Second, true, 8},
		{"an error of the node's own", codes.ServiceUnavailable, []opt{{message.MaxAge, u(9)}}, time.Second, true, 8},
		{"an error without Max-Age", codes.BadRequest, nil, 10 * time.Second, true, 50},
		{"an error, over", codes.NotFound, []opt{{message.MaxAge, u(9)}}, 10 * time.Second, false, 9},
		{"a code that is not for keeping", codes.Changed, []opt{{message.MaxAge, u(9)}}, 0, false, 9},
		{"a challenge (RFC 9175, 2.3)", codes.Unauthorized, []opt{{message.Echo, "now"}}, 0, false, -1},
	} {
		t.Run(x.name, func(t *testing.T) {
			f := newFront(t)
			n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
				return [][]byte{ack(m, x.code, "7", x.opts...)}
			})
			c := f.client()
			c.ask(codes.GET, "nodes/grain-bin/own/a", "")
			any := f.nodes.Stats().Cached > 0
			if any {
				f.age(x.age)
			}
			m := c.ask(codes.GET, "nodes/grain-bin/own/a", "")
			if hit := len(n.seen()) == 1; hit != x.hit || m.Code != x.code || string(m.Payload) != "7" {
				t.Errorf("hit %v: %v %q", hit, m.Code, m.Payload)
			}
			if got := msg.Uint(m.Options, message.MaxAge); got != x.after {
				t.Errorf("Max-Age %d, want %d", got, x.after)
			}
			if hits := f.Stats().CacheHits; (hits == 1) != x.hit {
				t.Errorf("%d hits counted", hits)
			}
		})
	}
}

// RFC 7252, section 5.6, and RFC 8132, section 2: what makes a request another one.
func TestCacheKey(t *testing.T) {
	base := []opt{{message.Accept, u(50)}, {message.URIQuery, "a=1"}}
	for _, x := range []struct {
		name    string
		code    codes.Code
		path    string
		payload string
		opts    []opt
		hit     bool
	}{
		{"the same", codes.GET, "s", "", base, true},
		{"another path", codes.GET, "s/t", "", base, false},
		{"another query", codes.GET, "s", "", []opt{base[0], {message.URIQuery, "a=2"}}, false},
		{"another format", codes.GET, "s", "", []opt{{message.Accept, u(60)}, base[1]}, false},
		{"an unknown option", codes.GET, "s", "", append([]opt{{65000, "x"}}, base...), false},
		{"an unknown option that is NoCacheKey", codes.GET, "s", "", append([]opt{{65052, "x"}}, base...), true},
		{"an ETag", codes.GET, "s", "", append([]opt{{message.ETag, "old"}}, base...), true},
		{"No-Response", codes.GET, "s", "", append([]opt{{message.NoResponse, ""}}, base...), true},
		{"a block size", codes.GET, "s", "", append([]opt{{message.Block2, blockValue(0, false, 2)}}, base...), true},
		{"another method", codes.FETCH, "s", "", base, false},
		{"OSCORE", codes.GET, "s", "", append([]opt{{msg.OptOSCORE, "\x09"}}, base...), false},
		{"Echo", codes.GET, "s", "", append([]opt{{message.Echo, "e"}}, base...), false},
	} {
		t.Run(x.name, func(t *testing.T) {
			f := newFront(t)
			n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
				return [][]byte{ack(m, codes.Content, "1")}
			})
			c := f.client()
			c.ask(codes.GET, "nodes/grain-bin/own/s", "", base...)
			m := c.ask(x.code, "nodes/grain-bin/own/"+x.path, x.payload, x.opts...)
			if hit := len(n.seen()) == 1; hit != x.hit || m.Code != codes.Content {
				t.Errorf("hit %v, %v", hit, m.Code)
			}
		})
	}
	t.Run("FETCH by its payload", func(t *testing.T) {
		f := newFront(t)
		n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
			return [][]byte{ack(m, codes.Content, string(m.Payload))}
		})
		c := f.client()
		for i, q := range []string{"a", "a", "b", "a"} {
			if m := c.ask(codes.FETCH, "nodes/grain-bin/own/s", q, opt{message.ContentFormat, ""}); string(m.Payload) != q {
				t.Errorf("%d: %q", i, m.Payload)
			}
		}
		if k := len(n.seen()); k != 2 {
			t.Errorf("%d requests reached the node, want 2", k)
		}
	})
}

// RFC 7252, section 5.6.2: what is not fresh is validated by its ETag, and clients'
// ETags are answered.
func TestCacheValidation(t *testing.T) {
	f := newFront(t)
	var tag atomic.Value
	tag.Store("v1")
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		now := tag.Load().(string)
		if e, ok := msg.Option(m.Options, message.ETag); ok && string(e) == now {
			return [][]byte{ack(m, codes.Valid, "", opt{message.ETag, now}, opt{message.MaxAge, u(33)})}
		}
		return [][]byte{ack(m, codes.Content, "value "+now, opt{message.ETag, now}, opt{message.MaxAge, u(10)}, opt{message.ContentFormat, ""})}
	})
	c := f.client()
	get := func(opts ...opt) message.Message { return c.ask(codes.GET, "nodes/grain-bin/own/s", "", opts...) }
	get()
	if m := get(opt{message.ETag, "v1"}); m.Code != codes.Valid || len(m.Payload) != 0 || string(must(msg.Option(m.Options, message.ETag))) != "v1" {
		t.Errorf("from the cache: %v", m)
	}
	if len(n.seen()) != 1 {
		t.Error("the node was asked for what is fresh")
	}
	f.age(11 * time.Second)
	m := get()
	if m.Code != codes.Content || string(m.Payload) != "value v1" || msg.Uint(m.Options, message.MaxAge) != 33 {
		t.Errorf("validated: %v %q", m.Code, m.Payload)
	}
	if e, _ := msg.Option(n.seen()[1].Options, message.ETag); string(e) != "v1" {
		t.Errorf("the node was told the ETag %q", e)
	}
	f.age(34 * time.Second)
	tag.Store("v2")
	if m := get(opt{message.ETag, "v1"}); m.Code != codes.Content || string(m.Payload) != "value v2" || msg.Uint(m.Options, message.MaxAge) != 10 {
		t.Errorf("changed: %v %q", m.Code, m.Payload)
	}
	f.age(11 * time.Second)
	if m := get(opt{message.ETag, "v0"}, opt{message.ETag, "v2"}); m.Code != codes.Valid || msg.Uint(m.Options, message.MaxAge) != 33 {
		t.Errorf("validated for one who has it: %v", m)
	}
}

// RFC 7252, sections 5.8 and 5.9.1, RFC 8132, section 3: writing.
func TestCacheWrites(t *testing.T) {
	for _, x := range []struct {
		name   string
		code   codes.Code
		answer codes.Code
		path   string
		stale  bool
	}{
		{"PUT", codes.PUT, codes.Changed, "s", true},
		{"POST", codes.POST, codes.Created, "s", true},
		{"DELETE", codes.DELETE, codes.Deleted, "s", true},
		{"PATCH", codes.PATCH, codes.Changed, "s", true},
		{"iPATCH", codes.IPATCH, codes.Changed, "s", true},
		{"refused", codes.PUT, codes.Forbidden, "s", false},
		{"elsewhere", codes.PUT, codes.Changed, "other", false},
		{"with a location", codes.POST, codes.Created, "log", true},
	} {
		t.Run(x.name, func(t *testing.T) {
			f := newFront(t)
			n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
				if m.Code == codes.GET {
					return [][]byte{ack(m, codes.Content, "1")}
				}
				if x.name == "with a location" {
					return [][]byte{ack(m, x.answer, "", opt{message.LocationPath, "s"})}
				}
				return [][]byte{ack(m, x.answer, "")}
			})
			c := f.client()
			c.ask(codes.GET, "nodes/grain-bin/own/s", "")
			c.ask(codes.GET, "nodes/grain-bin/own/s", "", opt{message.Accept, ""})
			c.ask(x.code, "nodes/grain-bin/own/"+x.path, "2")
			c.ask(codes.GET, "nodes/grain-bin/own/s", "")
			c.ask(codes.GET, "nodes/grain-bin/own/s", "", opt{message.Accept, ""})
			if k := len(n.seen()); (k == 5) != x.stale {
				t.Errorf("%d requests reached the node", k)
			}
		})
	}
	t.Run("what becomes of it is not known", func(t *testing.T) {
		f := newFront(t, func(s *Server) { quick(s); s.opts.NodeTimeout = 300 * time.Millisecond })
		n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
			if m.Code == codes.PUT {
				return nil
			}
			return [][]byte{ack(m, codes.Content, "1")}
		})
		c := f.client()
		c.ask(codes.GET, "nodes/grain-bin/own/s", "")
		if m := c.ask(codes.PUT, "nodes/grain-bin/own/s", "2"); m.Code != codes.GatewayTimeout {
			t.Errorf("PUT: %v", m.Code)
		}
		before := len(n.seen())
		c.ask(codes.GET, "nodes/grain-bin/own/s", "")
		if len(n.seen()) != before+1 {
			t.Error("answered from before the write")
		}
	})
}

// Requests for the same at the same time are one for the node; one that came after a
// write is not joined to one from before it.
func TestJoin(t *testing.T) {
	f := newFront(t)
	var value atomic.Int64
	release := make(chan struct{})
	var once sync.Once
	t.Cleanup(func() { once.Do(func() { close(release) }) })
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		<-release
		if m.Code == codes.PUT {
			value.Store(2)
			return [][]byte{ack(m, codes.Changed, "")}
		}
		return [][]byte{ack(m, codes.Content, fmt.Sprint(value.Load()), opt{message.MaxAge, u(100)})}
	})
	var clients []*udpClient
	for i := range 20 {
		c := f.client()
		clients = append(clients, c)
		c.send(build(message.NonConfirmable, codes.GET, 1, fmt.Sprintf("g%d", i), "nodes/grain-bin/own/s", ""))
	}
	waiting := func(want int) func() bool {
		return func() bool { return f.nodes.Stats().Waiting == want }
	}
	eventually(t, "all wait", waiting(20))
	writer, late := f.client(), f.client()
	writer.send(build(message.NonConfirmable, codes.PUT, 1, "p", "nodes/grain-bin/own/s", "2"))
	eventually(t, "the write waits", func() bool { return f.nodes.Stats().Queued == 2 })
	late.send(build(message.NonConfirmable, codes.GET, 1, "l", "nodes/grain-bin/own/s", ""))
	eventually(t, "the late one waits", waiting(21))
	once.Do(func() { close(release) })
	for _, c := range clients {
		if m := c.message(); string(m.Payload) != "0" {
			t.Errorf("%q", m.Payload)
		}
	}
	writer.message()
	if m := late.message(); string(m.Payload) != "2" {
		t.Errorf("after the write: %q", m.Payload)
	}
	if k := len(n.seen()); k != 3 {
		t.Errorf("%d requests reached the node, want 3", k)
	}
}

// A silent node: 5.04 says what it said last, and how long ago.
func TestLastWords(t *testing.T) {
	f := newFront(t, func(s *Server) { quick(s); s.opts.NodeTimeout = 300 * time.Millisecond })
	var silent atomic.Bool
	f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		if silent.Load() {
			return nil
		}
		return [][]byte{ack(m, codes.Content, "21.5", opt{message.MaxAge, u(5)})}
	})
	c := f.client()
	c.ask(codes.GET, "nodes/grain-bin/own/s", "")
	silent.Store(true)
	f.age(90 * time.Second)
	m := c.ask(codes.GET, "nodes/grain-bin/own/s", "")
	if m.Code != codes.GatewayTimeout || !strings.Contains(string(m.Payload), "its last answer is 1m30s old: 21.5") {
		t.Errorf("%v %q", m.Code, m.Payload)
	}
}
