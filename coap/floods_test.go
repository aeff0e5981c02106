package coap

import (
	"context"
	"crypto/tls"
	"fmt"
	"net"
	"net/netip"
	"os"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	piondtls "github.com/pion/dtls/v3"
	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/access"
	"culvert/coap/client"
	"culvert/coap/msg"
)

// distant is a client's socket at 50 ms round trip: what it sends leaves so much later.
type distant struct{ connected }

func (c distant) WriteTo(b []byte, to net.Addr) (int, error) {
	b = append([]byte(nil), b...)
	time.AfterFunc(50*time.Millisecond, func() { _, _ = c.connected.WriteTo(b, to) })
	return len(b), nil
}

// request is one handshake as the operator at 50 ms round trip, and one request.
func request(ctx context.Context, to netip.AddrPort, within time.Duration) error {
	c, err := net.DialUDP("udp", nil, net.UDPAddrFromAddrPort(to))
	if err != nil {
		return err
	}
	defer c.Close()
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	d, err := piondtls.ClientWithOptions(distant{connected{c}}, c.RemoteAddr(), client.PSK("operator", testKey("operator"))...)
	if err != nil {
		return err
	}
	defer d.Close()
	end := time.Now().Add(within)
	if err := d.HandshakeContext(ctx); err != nil {
		return fmt.Errorf("handshake: %w", err)
	}
	if _, err := d.Write(build(message.Confirmable, codes.GET, 1, "t", "nodes/grain-bin", "")); err != nil {
		return err
	}
	if err := d.SetReadDeadline(end); err != nil {
		return err
	}
	b := make([]byte, 2048)
	n, err := d.Read(b)
	if err == nil && (n < 2 || codes.Code(b[1]) != codes.Content) {
		err = fmt.Errorf("answered by %x", b[:n])
	}
	return err
}

// Floods, each alone, keep no identity from its handshake and its request. With
// CULVERT_LONG=1 the numbers are those below, and each of 50 must end within 2 s; otherwise
// they are a twentieth, and 5 must end.
func TestLongFloods(t *testing.T) {
	scale, honest, within := 20, 5, time.Minute
	if os.Getenv("CULVERT_LONG") != "" {
		scale, honest, within = 1, 50, 2*time.Second
	}
	check := func(t *testing.T, f *front) {
		t.Helper()
		worst := time.Duration(0)
		for i := range honest {
			began := time.Now()
			if err := request(t.Context(), f.Addrs(msg.DoorDTLS)[0], within); err != nil {
				t.Errorf("identity %d: %v", i, err)
			}
			worst = max(worst, time.Since(began))
		}
		t.Logf("the slowest of %d took %v; %+v", honest, worst, f.doors.Stats())
	}
	t.Run("10,000 anonymous sessions", func(t *testing.T) {
		f, ca := guarded(t)
		var wg sync.WaitGroup
		var opened atomic.Int64
		for range 8 {
			wg.Go(func() {
				for range 10_000 / 8 / scale {
					c, err := net.DialUDP("udp", nil, net.UDPAddrFromAddrPort(f.Addrs(msg.DoorDTLS)[0]))
					if err != nil {
						t.Error(err)
						return
					}
					d, err := piondtls.ClientWithOptions(connected{c}, c.RemoteAddr(), certClient(ca, nil)...)
					if err == nil && d.HandshakeContext(t.Context()) == nil {
						opened.Add(1)
					}
					c.Close() // the session stays open there
					d.Close()
				}
			})
		}
		check(t, f)
		wg.Wait()
		check(t, f)
		t.Logf("%d opened", opened.Load())
	})
	t.Run("20,000 observer attempts", func(t *testing.T) {
		f, _ := guarded(t)
		for i := range 20_000 / scale {
			c := f.client()
			c.observe("nodes/grain-bin", fmt.Sprint(i))
			c.conn.Close()
		}
		check(t, f)
		d, err := client.DialRemote(t.Context(), f.Addrs(msg.DoorDTLS)[0].String(), "operator", testKey("operator"))
		if err != nil {
			t.Fatal(err)
		}
		defer d.Close()
		before := f.Stats().Observers
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		go func() {
			_ = d.Observe(ctx, client.Ask{Path: "/nodes/grain-bin", Accept: -1}, func(client.Answer) error { return nil })
		}()
		eventually(t, "an identity observes", func() bool { return f.Stats().Observers > before })
	})
	t.Run("slow TCP from 64 addresses", func(t *testing.T) {
		all := []netip.AddrPort{netip.MustParseAddrPort("127.0.0.1:0")}
		ca := newAuthority(t)
		cert, operator := ca.issue("culvert"), ca.issue("operator laptop")
		list, err := access.New([]access.Identity{{Name: "operator", PSK: testKey("operator"), Subject: "operator laptop", May: access.MayRead}})
		if err != nil {
			t.Fatal(err)
		}
		f := newFront(t, func(s *Server) {
			s.opts.Access, s.opts.Certificate, s.opts.ClientCAs = list, &cert, ca.pool
			s.opts.DTLS, s.opts.TLS = all, all
		})
		for i := range 64 {
			from := &net.TCPAddr{IP: net.IPv4(127, 1, byte(i), 1)}
			for range max(8/scale, 4) {
				c, err := net.DialTCP("tcp", from, net.TCPAddrFromAddrPort(f.Addrs(msg.DoorTLS)[0]))
				if err != nil {
					t.Fatal(err)
				}
				defer c.Close()
				_, _ = c.Write([]byte{22}) // and no more
			}
		}
		check(t, f)
		for i := range honest {
			c, err := tls.Dial("tcp", f.Addrs(msg.DoorTLS)[0].String(), &tls.Config{RootCAs: ca.pool, ServerName: "localhost", Certificates: []tls.Certificate{operator}})
			if err != nil {
				t.Fatalf("TLS, identity %d: %v", i, err)
			}
			c.Close()
		}
	})
	t.Run("8,000 ClientHellos a second", func(t *testing.T) {
		f, _ := guarded(t)
		var socks []*net.UDPConn
		for range 4000 { // more than handshakes find room
			c, err := net.DialUDP("udp", nil, net.UDPAddrFromAddrPort(f.Addrs(msg.DoorDTLS)[0]))
			if err != nil {
				t.Fatal(err)
			}
			defer c.Close()
			socks = append(socks, c)
		}
		ctx, stop := context.WithCancel(t.Context())
		var wg sync.WaitGroup
		sent := 0
		wg.Go(func() {
			tick := time.NewTicker(10 * time.Millisecond)
			defer tick.Stop()
			for {
				select {
				case <-ctx.Done():
					return
				case <-tick.C:
					for range 80 / scale {
						_, _ = socks[sent%len(socks)].Write(helloRecord(uint64(sent), nil))
						sent++
					}
				}
			}
		})
		began := time.Now()
		check(t, f)
		stop()
		wg.Wait()
		t.Logf("%d hellos, %.0f a second", sent, float64(sent)/time.Since(began).Seconds())
	})
}
