package coap

import (
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/bridgetest"
	"culvert/coap/msg"
	"culvert/coap/nodeclient"
)

// fakeNode is a CoAP server whose every datagram a test writes.
type fakeNode struct {
	t    testing.TB
	conn *net.UDPConn
	addr netip.AddrPort

	mu  sync.Mutex
	log []message.Message // what came, in order

	work sync.Mutex // held while an answer is made
}

// during runs what looks at things that answers change.
func (n *fakeNode) during(look func()) {
	n.work.Lock()
	defer n.work.Unlock()
	look()
}

// newNode puts a node's server on the loopback, for the node with the label.
// answer returns the datagrams to send for a message; it runs in one goroutine.
func (f *front) newNode(label string, answer func(n *fakeNode, m message.Message) [][]byte) *fakeNode {
	f.t.Helper()
	c, err := net.ListenUDP("udp6", &net.UDPAddr{IP: net.IPv6loopback})
	if err != nil {
		f.t.Fatal(err)
	}
	n := &fakeNode{t: f.t, conn: c, addr: c.LocalAddr().(*net.UDPAddr).AddrPort()}
	f.where.Store(label, n.addr)
	var wg sync.WaitGroup
	wg.Go(func() {
		buf := make([]byte, 1<<16)
		for {
			k, from, err := c.ReadFromUDPAddrPort(buf)
			if errors.Is(err, net.ErrClosed) {
				return
			}
			if err != nil {
				continue
			}
			m := decode(f.t, append([]byte(nil), buf[:k]...))
			n.mu.Lock()
			n.log = append(n.log, m)
			n.mu.Unlock()
			n.work.Lock()
			out := answer(n, m)
			n.work.Unlock()
			for _, b := range out {
				_, _ = c.WriteToUDPAddrPort(b, from)
			}
		}
	})
	f.t.Cleanup(func() {
		c.Close()
		wg.Wait()
	})
	return n
}

// seen returns what came so far.
func (n *fakeNode) seen() []message.Message {
	n.mu.Lock()
	defer n.mu.Unlock()
	return append([]message.Message(nil), n.log...)
}

// ack is an answer on the acknowledgement of m.
func ack(m message.Message, code codes.Code, payload string, opts ...opt) []byte {
	return respond(message.Acknowledgement, m.MessageID, m.Token, code, payload, opts...)
}

func respond(kind message.Type, mid int32, token []byte, code codes.Code, payload string, opts ...opt) []byte {
	out := message.Message{Type: kind, Code: code, MessageID: mid, Token: token, Payload: []byte(payload)}
	for _, o := range opts {
		out.Options = msg.With(out.Options, o.id, []byte(o.value))
	}
	return msg.Encode(out)
}

// quick shortens what the front waits for.
func quick(s *Server) {
	s.opts.AckTimeout = 100 * time.Millisecond
	s.opts.NodeTimeout = 3 * time.Second
	s.ackDelay = 150 * time.Millisecond
}

func blockValue(num int, more bool, szx uint8) string {
	return string(msg.Block{Num: uint32(num), More: more, SZX: szx}.Encode())
}

// Every method goes on to the node with its query, options and payload, under the
// front's own token; the answer comes back whole (RFC 7252, section 5.7; RFC 8132).
func TestForward(t *testing.T) {
	f := newFront(t)
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		if m.Code == codes.Empty {
			return nil
		}
		code := map[codes.Code]codes.Code{
			codes.GET: codes.Content, codes.POST: codes.Created, codes.PUT: codes.Changed,
			codes.DELETE: codes.Deleted, codes.FETCH: codes.Content, codes.PATCH: codes.Changed, codes.IPATCH: codes.Changed,
		}[m.Code]
		opts := []opt{{message.ETag, "\x01\x02"}, {message.MaxAge, u(7)}}
		if code == codes.Created {
			opts = append(opts, opt{message.LocationPath, "made"}, opt{message.LocationPath, "here"}, opt{message.LocationQuery, "v=1"})
		}
		return [][]byte{ack(m, code, "21.5", opts...)}
	})
	c := f.client()
	for code := codes.GET; code <= codes.IPATCH; code++ {
		payload := ""
		opts := []opt{{message.URIQuery, "unit=Cel"}, {message.URIQuery, "n=2"}, {message.IfMatch, "\xaa"}, {message.URIHost, "gateway"}, {message.Observe, ""}}
		if code != codes.GET && code != codes.DELETE {
			payload = "period 60"
			opts = append(opts, opt{message.ContentFormat, ""})
		}
		m := c.ask(code, "nodes/grain-bin/own/sensors/temp", payload, opts...)
		if string(m.Payload) != "21.5" || m.Code>>5 != 2 || msg.Uint(m.Options, message.MaxAge) != 7 || string(must(msg.Option(m.Options, message.ETag))) != "\x01\x02" {
			t.Errorf("%v: %v %v %q", code, m.Code, m.Options, m.Payload)
		}
		if code == codes.POST {
			var loc []string
			for _, o := range m.Options {
				if o.ID == message.LocationPath || o.ID == message.LocationQuery {
					loc = append(loc, string(o.Value))
				}
			}
			if got := strings.Join(loc, " "); got != "nodes grain-bin own made here v=1" {
				t.Errorf("Location %s", got)
			}
		}
		log := n.seen()
		got := log[len(log)-1]
		path, _ := got.Options.Path()
		queries, _ := got.Options.Queries()
		if got.Code != code || got.Type != message.Confirmable || path != "/sensors/temp" || fmt.Sprint(queries) != "[unit=Cel n=2]" ||
			string(got.Payload) != payload || string(must(msg.Option(got.Options, message.IfMatch))) != "\xaa" {
			t.Errorf("%v reached the node as %v", code, &got)
		}
		if string(got.Token) == string(m.Token) || len(got.Token) < 4 {
			t.Errorf("token %x towards the node", got.Token)
		}
		// Only what can be observed is, by the front.
		reads := code == codes.GET || code == codes.FETCH
		if _, ok := msg.Option(got.Options, message.Observe); ok != reads {
			t.Errorf("%v: Observe reached the node: %v", code, ok)
		}
		if _, ok := msg.Option(got.Options, message.URIHost); ok {
			t.Error("Uri-Host reached the node")
		}
	}
	// Tokens and Message IDs differ each time (RFC 7252, sections 4.4 and 5.3.1).
	tokens, ids := map[string]bool{}, map[int32]bool{}
	for _, m := range n.seen() {
		tokens[string(m.Token)], ids[m.MessageID] = true, true
	}
	if len(tokens) != 7 || len(ids) != 7 {
		t.Errorf("%d tokens and %d IDs for 7 requests", len(tokens), len(ids))
	}
}

// Options on the way to a node: RFC 7252, sections 5.4.2 and 5.7.1, RFC 8768,
// RFC 8613, RFC 9175.
func TestForwardOptions(t *testing.T) {
	f := newFront(t)
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		return [][]byte{ack(m, codes.Changed, "")}
	})
	c := f.client()
	for _, x := range []struct {
		name  string
		opts  []opt
		want  string
		there message.OptionID // reaches the node, with value
		value string
	}{
		{"safe, elective, unknown", []opt{{65000, "z"}}, "2.04", 65000, "z"},
		{"safe, critical, unknown: the node decides", []opt{{65001, "z"}}, "2.04", 65001, "z"},
		{"unsafe, elective, unknown", []opt{{65002, "z"}}, "4.02", 0, ""},
		{"unsafe, critical, unknown", []opt{{65003, "z"}}, "4.02", 0, ""},
		{"a known critical one twice", []opt{{message.Accept, u(1)}, {message.Accept, u(2)}}, "4.02", 0, ""},
		{"Q-Block1 (RFC 9177, 4.1)", []opt{{message.QBlock1, u(0)}}, "4.02", 0, ""},
		{"Hop-Limit goes down", []opt{{msg.OptHopLimit, "\x05"}}, "2.04", msg.OptHopLimit, "\x04"},
		{"Hop-Limit 1", []opt{{msg.OptHopLimit, "\x01"}}, "5.08", 0, ""},
		{"Hop-Limit 0", []opt{{msg.OptHopLimit, "\x00"}}, "4.00", 0, ""},
		{"Echo", []opt{{message.Echo, "D7Y7"}}, "2.04", message.Echo, "D7Y7"},
		{"Request-Tag", []opt{{message.RequestTag, "r"}}, "2.04", message.RequestTag, "r"},
		{"OSCORE", []opt{{msg.OptOSCORE, "\x09\x14\x20"}}, "2.04", msg.OptOSCORE, "\x09\x14\x20"},
	} {
		before := len(n.seen())
		m := c.ask(codes.POST, "nodes/grain-bin/own/x", "p", x.opts...)
		if msg.CodeText(m.Code) != x.want {
			t.Errorf("%s: %v %q, want %s", x.name, m.Code, m.Payload, x.want)
		}
		log := n.seen()
		if x.there == 0 {
			if len(log) != before {
				t.Errorf("%s: reached the node", x.name)
			}
			continue
		}
		if v, ok := msg.Option(log[len(log)-1].Options, x.there); !ok || string(v) != x.value {
			t.Errorf("%s: the node got %q", x.name, v)
		}
	}
	// The vector coap-oscore: option and payload as they are.
	for _, v := range bridgetest.Vectors(t, "coap") {
		if v.ID != "coap-oscore" {
			continue
		}
		h, _ := vectorField[string](t, v, "coap_hex")
		b, _ := hex.DecodeString(h)
		m := decode(t, b)
		c.ask(m.Code, "nodes/grain-bin/own", string(m.Payload), opt{msg.OptOSCORE, string(must(msg.Option(m.Options, msg.OptOSCORE)))})
		log := n.seen()
		got := log[len(log)-1]
		if got.Code != m.Code || string(got.Payload) != string(m.Payload) || len(got.Options) != 1 ||
			string(got.Options[0].Value) != string(must(msg.Option(m.Options, msg.OptOSCORE))) {
			t.Errorf("OSCORE reached the node as %v", &got)
		}
	}
}

// How a node may answer, and what the client then sees: RFC 7252, sections 4.2,
// 5.2.2, 5.7.1 and 5.9.3.
func TestNodeAnswers(t *testing.T) {
	big := strings.Repeat("0123456789abcdef", 30) // 480 octets
	for _, x := range []struct {
		name   string
		answer func(n *fakeNode, m message.Message, nth int) [][]byte
		want   string
		text   string
	}{
		{"on the acknowledgement", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{ack(m, codes.Content, "1")}
		}, "2.05", "1"},
		{"acknowledged, then by itself", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{msg.EmptyMessage(message.Acknowledgement, uint16(m.MessageID)), respond(message.Confirmable, 77, m.Token, codes.Content, "2")}
		}, "2.05", "2"},
		{"by itself before the acknowledgement", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{respond(message.Confirmable, 77, m.Token, codes.Content, "3"), msg.EmptyMessage(message.Acknowledgement, uint16(m.MessageID))}
		}, "2.05", "3"},
		{"non-confirmable, without an acknowledgement", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{respond(message.NonConfirmable, 78, m.Token, codes.Content, "4")}
		}, "2.05", "4"},
		{"only to the second try", func(_ *fakeNode, m message.Message, nth int) [][]byte {
			if nth == 1 {
				return nil
			}
			return [][]byte{ack(m, codes.Content, "5")}
		}, "2.05", "5"},
		{"twice", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{ack(m, codes.Content, "6"), ack(m, codes.Content, "other")}
		}, "2.05", "6"},
		{"an error of its own", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{ack(m, codes.NotFound, "no such thing")}
		}, "4.04", "no such thing"},
		{"5.08 of a hop behind (RFC 8768, 4)", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{ack(m, msg.CodeHopLimitReached, "far")}
		}, "5.08", "culvert far"},
		{"reset", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{msg.EmptyMessage(message.Reset, uint16(m.MessageID))}
		}, "5.02", "rejected"},
		{"garbage on the acknowledgement", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{{0x60, 0x45, byte(m.MessageID >> 8), byte(m.MessageID), 0xf1}}
		}, "5.02", "could not be read"},
		{"a request on the acknowledgement", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{ack(m, codes.GET, "")}
		}, "5.02", "could not be read"},
		{"another token on the acknowledgement", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{respond(message.Acknowledgement, m.MessageID, []byte("zzzz"), codes.Content, "x")}
		}, "5.02", "could not be read"},
		{"an unsafe option that is not known", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{ack(m, codes.Content, "x", opt{65002, "z"})}
		}, "5.02", "option 65002"},
		{"a safe option that is not known", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{ack(m, codes.Content, "7", opt{65000, "z"})}
		}, "2.05", "7"},
		{"nothing", func(*fakeNode, message.Message, int) [][]byte { return nil }, "5.04", "did not answer"},
		{"an acknowledgement, then nothing", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{msg.EmptyMessage(message.Acknowledgement, uint16(m.MessageID))}
		}, "5.04", "did not answer"},
		{"in blocks", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			b, _, _ := msg.BlockOption(m.Options, message.Block2, false)
			to := min(b.Offset()+b.Size(), len(big))
			b.More = to < len(big)
			return [][]byte{ack(m, codes.Content, big[b.Offset():to], opt{message.Block2, string(b.Encode())}, opt{message.ETag, "e"})}
		}, "2.05", big},
		{"in smaller blocks than asked for", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			b, _, _ := msg.BlockOption(m.Options, message.Block2, false)
			from := b.Offset()
			return [][]byte{ack(m, codes.Content, big[from:from+16], opt{message.Block2, blockValue(from/16, from+16 < len(big), 0)})}
		}, "2.05", big},
		{"in blocks, whole in one message", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{ack(m, codes.Content, big)}
		}, "2.05", big},
		{"without blocks, which it does not know", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			if _, ok := msg.Option(m.Options, message.Block2); ok {
				return [][]byte{ack(m, codes.BadOption, "")}
			}
			return [][]byte{ack(m, codes.Content, big)}
		}, "2.05", big},
		{"4.02 whatever is asked", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{ack(m, codes.BadOption, "odd")}
		}, "4.02", "odd"},
		{"changed once in the middle (RFC 7959, 2.4)", func(_ *fakeNode, m message.Message, nth int) [][]byte {
			b, _, _ := msg.BlockOption(m.Options, message.Block2, false)
			tag, body := "old", strings.ToUpper(big)
			if nth > 3 {
				tag, body = "new", big
			}
			to := min(b.Offset()+b.Size(), len(big))
			b.More = to < len(big)
			return [][]byte{ack(m, codes.Content, body[b.Offset():to], opt{message.Block2, string(b.Encode())}, opt{message.ETag, tag})}
		}, "2.05", big},
		{"changing all the time", func(_ *fakeNode, m message.Message, nth int) [][]byte {
			b, _, _ := msg.BlockOption(m.Options, message.Block2, false)
			b.More = true
			return [][]byte{ack(m, codes.Content, big[:64], opt{message.Block2, string(b.Encode())}, opt{message.ETag, itoa(nth)})}
		}, "5.02", "changes faster"},
		{"another block than asked for", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{ack(m, codes.Content, big[:64], opt{message.Block2, blockValue(5, true, 2)})}
		}, "5.02", "another block"},
		{"a block that is not full", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{ack(m, codes.Content, big[:60], opt{message.Block2, blockValue(0, true, 2)})}
		}, "5.02", "not full"},
		{"blocks without an end", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			b, _, _ := msg.BlockOption(m.Options, message.Block2, false)
			return [][]byte{ack(m, codes.Content, big[:64], opt{message.Block2, blockValue(int(b.Num), true, 2)})}
		}, "5.02", "too large"},
		{"block size exponent 7", func(_ *fakeNode, m message.Message, _ int) [][]byte {
			return [][]byte{ack(m, codes.Content, big[:64], opt{message.Block2, "\x07"})}
		}, "5.02", "exponent 7"},
	} {
		t.Run(x.name, func(t *testing.T) {
			f := newFront(t, quick, func(s *Server) { s.opts.NodeTimeout = 1500 * time.Millisecond })
			nth := 0
			f.newNode("grain-bin", func(n *fakeNode, m message.Message) [][]byte {
				if m.Code == codes.Empty {
					return nil
				}
				nth++
				return x.answer(n, m, nth)
			})
			m := f.client().ask(codes.GET, "nodes/grain-bin/own/temp", "")
			if msg.CodeText(m.Code) != x.want || !strings.Contains(string(m.Payload), x.text) {
				t.Errorf("%v %q, want %s %q", m.Code, m.Payload, x.want, x.text)
			}
			if s := f.nodes.Stats(); s.Queued != 0 || s.QueuedOctets != 0 || s.Busy != 0 {
				t.Errorf("%d queued, %d busy", s.Queued, s.Busy)
			}
		})
	}
}

// A body goes to the node in blocks of 64 octets, smaller if it asks for that, and
// whole if it knows no blocks (RFC 7959, sections 2.3 and 2.9).
func TestUploadToNode(t *testing.T) {
	body := strings.Repeat("0123456789abcdef", 20) // 320 octets
	for _, x := range []struct {
		name   string
		answer func(got *string, m message.Message, b msg.Block, blocks bool) []byte
		want   string
		sizes  string
	}{
		{"in blocks", func(got *string, m message.Message, b msg.Block, _ bool) []byte {
			*got += string(m.Payload)
			if b.More {
				return ack(m, codes.Continue, "", opt{message.Block1, string(b.Encode())})
			}
			return ack(m, codes.Changed, "", opt{message.Block1, string(b.Encode())})
		}, "2.04", "64 64 64 64 64"},
		{"smaller from the second on", func(got *string, m message.Message, b msg.Block, _ bool) []byte {
			*got += string(m.Payload)
			if b.More {
				return ack(m, codes.Continue, "", opt{message.Block1, blockValue(b.Offset()/32, true, 1)})
			}
			return ack(m, codes.Changed, "")
		}, "2.04", "64 32 32 32 32 32 32 32 32"},
		{"4.13 with a smaller size", func(got *string, m message.Message, b msg.Block, _ bool) []byte {
			if b.SZX > 1 {
				return ack(m, codes.RequestEntityTooLarge, "", opt{message.Block1, blockValue(0, false, 1)})
			}
			*got += string(m.Payload)
			if b.More {
				return ack(m, codes.Continue, "", opt{message.Block1, string(b.Encode())})
			}
			return ack(m, codes.Changed, "")
		}, "2.04", "64 32 32 32 32 32 32 32 32 32 32"},
		{"no blocks known", func(got *string, m message.Message, _ msg.Block, blocks bool) []byte {
			if blocks {
				return ack(m, codes.BadOption, "")
			}
			*got = string(m.Payload)
			return ack(m, codes.Changed, "")
		}, "2.04", "64 320"},
		{"4.08 in the middle", func(got *string, m message.Message, b msg.Block, _ bool) []byte {
			if b.Num == 2 {
				return ack(m, codes.RequestEntityIncomplete, "lost it")
			}
			return ack(m, codes.Continue, "", opt{message.Block1, string(b.Encode())})
		}, "4.08", "64 64 64"},
		{"an answer before the end", func(got *string, m message.Message, _ msg.Block, _ bool) []byte {
			return ack(m, codes.Unauthorized, "")
		}, "4.01", "64"},
		{"it waits for more after the last", func(got *string, m message.Message, b msg.Block, _ bool) []byte {
			return ack(m, codes.Continue, "", opt{message.Block1, string(b.Encode())})
		}, "5.02", "64 64 64 64 64"},
	} {
		f := newFront(t, quick)
		got := ""
		n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
			b, ok, _ := msg.BlockOption(m.Options, message.Block1, false)
			return [][]byte{x.answer(&got, m, b, ok)}
		})
		m := f.client().ask(codes.PUT, "nodes/grain-bin/own/program", body)
		var sizes []string
		for _, s := range n.seen() {
			sizes = append(sizes, itoa(len(s.Payload)))
		}
		right := false
		n.during(func() { right = got == body })
		if msg.CodeText(m.Code) != x.want || strings.Join(sizes, " ") != x.sizes || x.want == "2.04" && !right {
			t.Errorf("%s: %v %q, sizes %v, body right: %v", x.name, m.Code, m.Payload, sizes, right)
		}
		f.stop()
	}
}

// Blocks of both sides together: the client reads and writes in its own sizes what
// the node has in others.
func TestBlocksBothWays(t *testing.T) {
	f := newFront(t)
	stored := strings.Repeat("abcdefgh", 400) // 3200 octets
	upload := ""
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		if m.Code == codes.PUT {
			b, ok, _ := msg.BlockOption(m.Options, message.Block1, false)
			if b.Num == 0 {
				upload = ""
			}
			upload += string(m.Payload)
			if ok && b.More {
				return [][]byte{ack(m, codes.Continue, "", opt{message.Block1, string(b.Encode())})}
			}
			stored = upload
			return [][]byte{ack(m, codes.Changed, "")}
		}
		b, _, _ := msg.BlockOption(m.Options, message.Block2, false)
		to := min(b.Offset()+b.Size(), len(stored))
		b.More = to < len(stored)
		return [][]byte{ack(m, codes.Content, stored[b.Offset():to], opt{message.Block2, string(b.Encode())})}
	})
	c := f.client()
	if body, blocks := c.fetch("nodes/grain-bin/own/data", 5, nil); body != strings.Repeat("abcdefgh", 400) || blocks != 7 {
		t.Errorf("%d octets in %d blocks", len(body), blocks)
	}
	other := strings.Repeat("0123", 250) // 1000 octets: 8 blocks of 128
	for num := range 8 {
		b := msg.Block{Num: uint32(num), More: num < 7, SZX: 3}
		m := c.ask(codes.PUT, "nodes/grain-bin/own/data", other[b.Offset():min(b.Offset()+128, len(other))], opt{message.Block1, string(b.Encode())})
		if want := map[bool]codes.Code{true: codes.Continue, false: codes.Changed}[b.More]; m.Code != want {
			t.Fatalf("block %d: %v, want %v", num, m.Code, want)
		}
	}
	n.during(func() {
		if stored != other {
			t.Errorf("the node has %d octets", len(stored))
		}
	})
	// An answer without blocks asked for comes as large as it may.
	if m := c.ask(codes.GET, "nodes/grain-bin/own/data", ""); string(m.Payload) != other {
		t.Errorf("%v %d octets", m.Code, len(m.Payload))
	}
}

// A node's listing reads right where the client is (RFC 7252, section 5.7.3).
func TestNodeLinks(t *testing.T) {
	f := newFront(t)
	// Of the node's own addresses none is shown: the mesh may be closed to the client.
	self := "coap://[" + f.table.Address(f.grainBin().Node).String() + "]"
	f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		return [][]byte{ack(m, codes.Content, `</temp>;rt="temperature";ct=0,</t>;anchor="/temp";rel="alternate",<coap://[2001:db8::1]/x>;obs,`+
			`<`+self+`/hum?unit=1>;anchor="`+self+`",<`+self+`:5683?q>,<`+self+`:61616/y>`, opt{message.ContentFormat, u(40)})}
	})
	m := f.client().ask(codes.GET, "nodes/grain-bin/own/.well-known/core", "")
	want := `</nodes/grain-bin/own/temp>;rt="temperature";ct=0,</nodes/grain-bin/own/t>;anchor="/nodes/grain-bin/own/temp";rel="alternate",<coap://[2001:db8::1]/x>;obs,` +
		`</nodes/grain-bin/own/hum?unit=1>;anchor="/nodes/grain-bin/own/",</nodes/grain-bin/own/?q>,<` + self + `:61616/y>`
	if string(m.Payload) != want {
		t.Errorf("%s", m.Payload)
	}
}

// One request at a time reaches a node (NSTART 1: RFC 7252, section 4.7); the queue
// has an end, and who finds it full is told when to come again. Clients without an identity
// leave room in it for the others.
func TestQueue(t *testing.T) {
	f := newFront(t, quick)
	release := make(chan struct{})
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		<-release
		return [][]byte{ack(m, codes.Content, string(must(msg.Option(m.Options, message.URIQuery))))}
	})
	const asked = 30
	var clients []*udpClient
	for i := range asked {
		c := f.client()
		// The same token from every client: each sees its own answer (section 5.3).
		c.send(build(message.Confirmable, codes.GET, 1, "same", "nodes/grain-bin/own/q", "", opt{message.URIQuery, itoa(i)}))
		clients = append(clients, c)
	}
	full := func() uint64 {
		for _, r := range f.Stats().Requests {
			if r.Code == "5.03" {
				return r.Count
			}
		}
		return 0
	}
	eventually(t, "the rest is refused", func() bool { return full() == asked-nodeclient.MaxAnonymous })
	if got := len(n.seen()); got > 1 {
		t.Errorf("%d requests reached the node at once", got)
	}
	// Another node is not held up, and neither is another client.
	f.newNode("mast", func(_ *fakeNode, m message.Message) [][]byte { return [][]byte{ack(m, codes.Content, "free")} })
	if m := f.client().ask(codes.GET, "nodes/mast/own/x", ""); string(m.Payload) != "free" {
		t.Errorf("the other node: %v %q", m.Code, m.Payload)
	}
	if m := f.client().ask(codes.GET, "nodes/grain-bin", ""); m.Code != codes.Content {
		t.Errorf("the front itself: %v", m.Code)
	}
	known := make(chan string, nodeclient.MaxQueue-nodeclient.MaxAnonymous)
	for i := range cap(known) {
		go func() {
			_, code := f.ask(codes.GET, "/nodes/grain-bin/own/q", "", "known="+itoa(i))
			known <- code
		}()
	}
	eventually(t, "the queue is full", func() bool { return f.nodes.Stats().Queued == nodeclient.MaxQueue })
	if _, code := f.ask(codes.GET, "/nodes/grain-bin/own/q", "", "known=more"); code != "5.03" {
		t.Errorf("one more of the control socket: %s", code)
	}
	close(release)
	for range cap(known) {
		if code := <-known; code != "2.05" {
			t.Errorf("of the control socket: %s", code)
		}
	}
	answered, refused := 0, 0
	for i, c := range clients {
		m := c.message()
		if m.Type == message.Acknowledgement && m.Code == codes.Empty {
			m = c.message()
		}
		switch {
		case m.Code == codes.Content && string(m.Payload) == itoa(i) && string(m.Token) == "same":
			answered++
		case m.Code == codes.ServiceUnavailable && msg.Uint(m.Options, message.MaxAge) > 0:
			refused++
		default:
			t.Errorf("client %d: %v %q", i, m.Code, m.Payload)
		}
	}
	if answered != nodeclient.MaxAnonymous || refused != asked-nodeclient.MaxAnonymous {
		t.Errorf("%d answered, %d refused", answered, refused)
	}
}

// A silent node: the client hears soon that its request is under way (RFC 7252,
// section 5.2.2), a repetition changes nothing, 5.04 comes as a separate answer,
// and again until it is acknowledged. Those behind it in the queue get 5.03: the
// node never saw them.
func TestSilentNode(t *testing.T) {
	f := newFront(t, quick, func(s *Server) { s.opts.NodeTimeout = time.Second })
	n := f.newNode("grain-bin", func(*fakeNode, message.Message) [][]byte { return nil })
	c, second := f.client(), f.client()
	put := build(message.Confirmable, codes.PUT, 5, "t1", "nodes/grain-bin/own/output", "on")
	c.send(put)
	second.send(build(message.Confirmable, codes.GET, 9, "t2", "nodes/grain-bin/own/temp", ""))
	if m := c.message(); m.Type != message.Acknowledgement || m.Code != codes.Empty || m.MessageID != 5 {
		t.Fatalf("first came %v", &m)
	}
	c.send(put) // as a client would that lost the acknowledgement
	if m := c.message(); m.Type != message.Acknowledgement || m.Code != codes.Empty || m.MessageID != 5 {
		t.Fatalf("to the repetition came %v", &m)
	}
	m := c.message()
	if m.Type != message.Confirmable || m.Code != codes.GatewayTimeout || string(m.Token) != "t1" {
		t.Fatalf("then came %v", &m)
	}
	again := c.message() // not acknowledged: after 2 to 3 s it comes again, the same
	if again.MessageID != m.MessageID || again.Code != m.Code {
		t.Fatalf("repeated as %v", &again)
	}
	c.send(msg.EmptyMessage(message.Acknowledgement, uint16(m.MessageID)))
	d := f.doors.FirstUDP()
	eventually(t, "the acknowledged answer is forgotten", func() bool {
		return !d.Awaits(msg.MessageKey{Socket: d.Number, Remote: c.conn.LocalAddr().(*net.UDPAddr).AddrPort(), Local: netip.IPv6Loopback(), ID: uint16(m.MessageID)})
	})
	if m := second.message(); m.Code != codes.Empty {
		t.Fatalf("second: first came %v", &m)
	}
	if m := second.message(); m.Code != codes.ServiceUnavailable || msg.Uint(m.Options, message.MaxAge) <= 0 {
		t.Errorf("second: %v %q", m.Code, m.Payload)
	} else {
		second.send(msg.EmptyMessage(message.Reset, uint16(m.MessageID))) // forgotten as well
	}
	// One message, and its copies: same ID, same token (RFC 7252, section 4.2).
	log := n.seen()
	for _, x := range log {
		if x.MessageID != log[0].MessageID || string(x.Token) != string(log[0].Token) || string(x.Payload) != "on" {
			t.Errorf("the node saw %v", &x)
		}
	}
	if len(log) < 3 || len(log) > 1+msg.MaxRetransmit {
		t.Errorf("%d transmissions", len(log))
	}
	if s := f.Stats(); s.NodeTimeouts != 1 || s.NodeResent != uint64(len(log)-1) || s.NodeMessages != uint64(len(log)) {
		t.Errorf("%+v", s)
	}
}

// What comes from strangers, or too late, on the socket towards the nodes.
func TestStrangeDatagrams(t *testing.T) {
	f := newFront(t, quick)
	f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte { return [][]byte{ack(m, codes.Content, "1")} })
	f.client().ask(codes.GET, "nodes/grain-bin/own/x", "")
	to := f.nodes.LocalAddr()
	c := dial(t, netip.AddrPortFrom(netip.IPv6Loopback(), to.Port()))
	for _, x := range []struct {
		name  string
		b     []byte
		reset bool
	}{
		{"an answer to nothing", respond(message.Confirmable, 4, []byte("abcd"), codes.Content, "x"), true},
		{"a request", build(message.Confirmable, codes.GET, 4, "t", "x", ""), true},
		{"a ping", msg.EmptyMessage(message.Confirmable, 4), true},
		{"a cut message", []byte{0x48, 0x45, 0, 4, 1}, true},
		{"a non-confirmable answer to nothing", respond(message.NonConfirmable, 4, []byte("abcd"), codes.Content, "x"), false},
		{"an acknowledgement of nothing", msg.EmptyMessage(message.Acknowledgement, 4), false},
		{"a reset of nothing", msg.EmptyMessage(message.Reset, 4), false},
		{"another version", []byte{0x80, 0x45, 0, 4}, false},
		{"three octets", []byte{0x40, 1, 0}, false},
	} {
		c.send(x.b)
		if x.reset {
			if got := c.receive(patience); string(got) != string(msg.EmptyMessage(message.Reset, 4)) {
				t.Errorf("%s: %x", x.name, got)
			}
			continue
		}
		c.silent(x.name)
	}
}

// When the front stops, what is on its way is answered, and nothing is left.
func TestStopWithRequestsUnderWay(t *testing.T) {
	f := newFront(t)
	n := f.newNode("grain-bin", func(*fakeNode, message.Message) [][]byte { return nil })
	done := make(chan msg.Response, 2)
	for range 2 {
		f.nodes.Submit(n.addr, &nodeclient.Exchange{Code: codes.GET, Deadline: time.Now().Add(time.Minute), Reply: func(r msg.Response) { done <- r }})
	}
	f.stop()
	for range 2 {
		if r := <-done; r.Code != codes.ServiceUnavailable {
			t.Errorf("%v", r.Code)
		}
	}
	f.nodes.Submit(n.addr, &nodeclient.Exchange{Code: codes.GET, Deadline: time.Now().Add(time.Minute), Reply: func(r msg.Response) { done <- r }})
	if r := <-done; r.Code != codes.ServiceUnavailable {
		t.Errorf("after the stop: %v", r.Code)
	}
}
