package coap

import (
	"net"
	"net/netip"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/client"
	"culvert/coap/msg"
)

// load asks n times in all from so many clients at once, each of which waits for
// its answer. It reports the rate of the first and of the last quarter too: a server
// that keeps something of every request gets slower.
func load(b *testing.B, to netip.AddrPort, clients int, path string) {
	b.Helper()
	var left atomic.Int64
	left.Store(int64(b.N))
	quarter := int64(b.N / 4)
	var first, last atomic.Int64 // when the first quarter was done, and the last began
	var wg sync.WaitGroup
	b.ResetTimer()
	start := time.Now()
	for range clients {
		c, err := net.DialUDP("udp", nil, net.UDPAddrFromAddrPort(to))
		if err != nil {
			b.Fatal(err)
		}
		wg.Go(func() {
			defer c.Close()
			req := build(message.Confirmable, codes.GET, 0, "tokn", path, "", opt{message.Accept, ""})
			buf := make([]byte, 2048)
			for mid := uint16(1); ; mid++ {
				n := left.Add(-1)
				if n < 0 {
					return
				}
				switch int64(b.N) - n {
				case quarter:
					first.Store(int64(time.Since(start)))
				case 3 * quarter:
					last.Store(int64(time.Since(start)))
				}
				req[2], req[3] = byte(mid>>8), byte(mid)
				for {
					if _, err := c.Write(req); err != nil {
						b.Error(err)
						return
					}
					_ = c.SetReadDeadline(time.Now().Add(2 * time.Second))
					k, err := c.Read(buf)
					if err == nil && k > 4 && buf[2] == req[2] && buf[3] == req[3] && buf[1] == byte(codes.Content) {
						break
					}
				}
			}
		})
	}
	wg.Wait()
	took := time.Since(start)
	b.ReportMetric(float64(b.N)/took.Seconds(), "requests/s")
	if f, l := first.Load(), last.Load(); f > 0 && l > f {
		b.ReportMetric(float64(f)/float64(int64(took)-l), "last/first")
	}
}

// A small resource of the front on its UDP door, and in the same run libcoap's own
// server (libcoap3-bin 4.3.1) with a fixed text of similar size.
func BenchmarkUDP(b *testing.B) {
	f := newFront(b)
	other := libcoapServer(b)
	for _, clients := range []int{1, 50} {
		name := map[int]string{1: "1client", 50: "50clients"}[clients]
		b.Run("front/"+name, func(b *testing.B) { load(b, f.udp, clients, "nodes/grain-bin") })
		b.Run("libcoap/"+name, func(b *testing.B) { load(b, other, clients, "") })
	}
}

// Through the front to a node on the loopback and back.
func BenchmarkForward(b *testing.B) {
	f := newFront(b)
	f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte { return [][]byte{ack(m, codes.Content, "21.5")} })
	load(b, f.udp, 1, "nodes/grain-bin/own/temp")
}

// The commands' way: a GET over the control socket.
func BenchmarkControl(b *testing.B) {
	f := newFront(b)
	c, err := client.DialControl(b.Context(), f.control)
	if err != nil {
		b.Fatal(err)
	}
	defer c.Close()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := c.Do(b.Context(), client.Ask{Path: "/nodes/mast", Accept: 0}); err != nil {
			b.Fatal(err)
		}
	}
}

// The list of 5,000 nodes, rendered.
func BenchmarkListing5000(b *testing.B) {
	table, err := node.New(node.Options{Prefix: netip.MustParsePrefix(sitePrefix)})
	if err != nil {
		b.Fatal(err)
	}
	crowd(b, table, 5000)
	s := New(Options{Meshes: node.Meshes{{Name: "fenland", Table: table}}})
	req := &msg.Request{Code: codes.GET}
	b.ReportAllocs()
	for b.Loop() {
		s.listings.last[msg.FormatJSON] = nil
		if r := s.listNodes(req); len(r.Payload) < 500000 {
			b.Fatal(len(r.Payload))
		}
	}
}
