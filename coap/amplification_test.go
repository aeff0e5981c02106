package coap

import (
	"bytes"
	"net/netip"
	"testing"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/door"
	"culvert/coap/msg"
)

// RFC 9175, section 2.4, RFC 7252, section 11.3: who has not shown that its address is
// its own gets no more than three times the octets that it sent.
func TestAmplification(t *testing.T) {
	suspicious := func(s *Server) { s.trust = func(netip.Addr) bool { return false } }
	// exchange returns the challenge, or the answer, and all octets that came.
	exchange := func(c *udpClient, opts ...opt) (m message.Message, ping []byte, octets, sent int) {
		c.mid++
		b := build(message.Confirmable, codes.GET, c.mid, "tokn", "nodes/grain-bin", "", opts...)
		c.send(b)
		for {
			in := c.receive(patience)
			if in == nil {
				t.Fatal("no answer")
			}
			octets += len(in)
			if len(in) == 4 && message.Type(in[0]>>4&3) == message.Confirmable {
				ping = in
				continue
			}
			return decode(t, in), ping, octets, len(b)
		}
	}
	t.Run("Echo", func(t *testing.T) {
		f := newFront(t, suspicious)
		c := f.client()
		m, _, octets, sent := exchange(c)
		echo, ok := msg.Option(m.Options, message.Echo)
		if m.Code != codes.Unauthorized || !ok || len(m.Payload) != 0 || octets > door.Amplification*sent || m.Type != message.Acknowledgement {
			t.Fatalf("%v, %d octets for %d", &m, octets, sent)
		}
		wrong := bytes.Clone(echo)
		wrong[11] ^= 1
		if m, _, _, _ := exchange(c, opt{message.Echo, string(wrong)}); m.Code != codes.Unauthorized {
			t.Errorf("another Echo: %v", m.Code)
		}
		if m, _, _, _ := exchange(c, opt{message.Echo, string(echo)}); m.Code != codes.Content {
			t.Errorf("with the Echo: %v", m.Code)
		}
		if m, _, _, _ := exchange(f.client()); m.Code != codes.Content {
			t.Errorf("the address is known now: %v", m.Code)
		}
		if n := f.Stats().Challenged; n != 2 {
			t.Errorf("%d challenges", n)
		}
	})
	t.Run("a client that knows no Echo", func(t *testing.T) {
		f := newFront(t, suspicious)
		c := f.client()
		_, ping, _, _ := exchange(c)
		if ping == nil {
			t.Fatal("no ping")
		}
		c.send([]byte{0x70, 0, ping[2], ping[3]})
		if m, _, _, _ := exchange(c); m.Code != codes.Content {
			t.Errorf("after its answer to the ping: %v", m.Code)
		}
	})
	t.Run("a guess at the ping's Message ID", func(t *testing.T) {
		f := newFront(t, suspicious)
		c := f.client()
		_, ping, _, _ := exchange(c)
		if ping == nil {
			t.Fatal("no ping")
		}
		c.send([]byte{0x70, 0, ping[2] ^ 1, ping[3]})
		c.send([]byte{0x70, 0, ping[2], ping[3]})
		if m, again, _, _ := exchange(c); m.Code != codes.Unauthorized || again != nil {
			t.Errorf("the right Reset after a wrong one: %v, another ping %x", m.Code, again)
		}
	})
	t.Run("errors of every method", func(t *testing.T) {
		f := newFront(t, suspicious, siteOutput(), inDir(t.TempDir()))
		pump(t, f)
		c := f.client()
		for _, code := range []codes.Code{codes.GET, codes.POST, codes.PUT, codes.DELETE, codes.FETCH, codes.PATCH, codes.IPATCH, 8, 31} {
			for _, path := range []string{"", "x", "rd", "readings", "nodes", ".well-known/rd", "rd/x", "outputs", ownOutput} {
				c.mid++
				b := build(message.Confirmable, code, c.mid, "", path, map[bool]string{true: "0"}[path == ownOutput])
				c.send(b)
				octets := 0
				for {
					in := c.receive(patience)
					if in == nil {
						t.Fatalf("%v %s is not answered", code, path)
					}
					octets += len(in)
					if m := decode(t, in); m.MessageID == int32(c.mid) && m.Code != codes.Empty {
						break
					}
				}
				if octets > door.Amplification*len(b) {
					t.Errorf("%v %s: %d octets for %d", code, path, octets, len(b))
				}
			}
		}
	})
	t.Run("an observation", func(t *testing.T) {
		f := newFront(t, suspicious)
		f.newWatched()
		c := f.client()
		for m := c.observe(own, "c"); ; m = c.message() {
			if m.Code == codes.Empty {
				continue
			}
			if m.Code != codes.Unauthorized {
				t.Errorf("%v", &m)
			}
			break
		}
		eventually(t, "nobody observes", func() bool { s := f.Stats(); return s.Observers == 0 && s.Observations == 0 })
	})
	t.Run("small answers, and what acts", func(t *testing.T) {
		f := newFront(t, suspicious)
		f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
			return [][]byte{ack(m, codes.Changed, string(make([]byte, 200)))}
		})
		c := f.client()
		if m := c.ask(codes.GET, "nobody", ""); m.Code != codes.NotFound {
			t.Errorf("%v", m.Code)
		}
		if m := c.ask(codes.PUT, "nodes/grain-bin/own/x", "1"); m.Code != codes.Changed {
			t.Errorf("%v", m.Code)
		}
	})
}
