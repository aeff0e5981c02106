package policy

import (
	"bytes"
	"net"
	"net/netip"
	"sync"
	"testing"
	"time"

	"github.com/pion/dtls/v3"

	"culvert/bridge/ipv6"
)

// session is what another implementation sends in a DTLS session: a handshake with a
// pre-shared key, and a message each way.
type session struct{ client, server [][]byte }

// recorder is a socket to one far end that keeps what is sent.
type recorder struct {
	*net.UDPConn
	mu   sync.Mutex
	sent *[][]byte // guarded by mu
}

func (r *recorder) WriteTo(b []byte, to net.Addr) (int, error) {
	r.mu.Lock()
	*r.sent = append(*r.sent, bytes.Clone(b))
	r.mu.Unlock()
	return r.UDPConn.WriteTo(b, to)
}

func record(t *testing.T, cid bool) (s session) {
	t.Helper()
	listen := func(sent *[][]byte) *recorder {
		c, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(netip.MustParseAddrPort("127.0.0.1:0")))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = c.Close() })
		return &recorder{UDPConn: c, sent: sent}
	}
	one, two := listen(&s.client), listen(&s.server)
	psk := dtls.WithPSK(func([]byte) ([]byte, error) { return []byte("a key of the test"), nil })
	suites := dtls.WithCipherSuites(dtls.TLS_PSK_WITH_AES_128_CCM_8) // RFC 7252, section 9.1.3.1
	clientOptions, serverOptions := []dtls.ClientOption{psk, suites, dtls.WithPSKIdentityHint([]byte("node"))}, []dtls.ServerOption{psk, suites}
	if cid {
		id := dtls.WithConnectionIDGenerator(dtls.RandomCIDGenerator(5))
		clientOptions, serverOptions = append(clientOptions, id), append(serverOptions, id)
	}
	client, err1 := dtls.ClientWithOptions(one, two.LocalAddr(), clientOptions...)
	server, err2 := dtls.ServerWithOptions(two, one.LocalAddr(), serverOptions...)
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	done := make(chan error, 1)
	go func() {
		b := make([]byte, 64)
		n, err := server.Read(b)
		if err == nil {
			_, err = server.Write(b[:n])
		}
		done <- err
	}()
	if _, err := client.Write([]byte("level")); err != nil {
		t.Fatal(err)
	}
	if _, err := client.Read(make([]byte, 64)); err != nil {
		t.Fatal(err)
	}
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	_ = client.Close()
	_ = server.Close()
	if len(s.client) < 4 || len(s.server) < 4 {
		t.Fatalf("%d and %d datagrams: no session", len(s.client), len(s.server))
	}
	return s
}

// RFC 6347, 9146: in the port of DTLS a node begins sessions, and none is begun with it. What
// the ends send is that of another implementation.
func TestSessionsOnTheDTLSPort(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	for _, cid := range []bool{false, true} {
		s := record(t, cid)
		for _, port := range []uint16{5684, 50000} { // one socket for both roles, and a port of its own
			out := func(b []byte) ipv6.Packet { return datagram(a, host, port, 5684, b...) }
			in := func(b []byte) ipv6.Packet { return datagram(host, a, 5684, port, b...) }
			outward := rule(t, "fenland", "any", "coaps")

			e := engine(t, outward)
			for i, b := range s.client {
				if !e.ask(out(b), bin, nil, 0).Allow {
					t.Fatalf("datagram %d of the node", i)
				}
			}
			for i, b := range s.server {
				if !e.ask(in(b), nil, bin, 0).Allow {
					t.Errorf("port %d, connection ID %v: datagram %d of the server does not pass: %x", port, cid, i, b)
				}
			}
			if e.ask(in(s.client[0]), nil, bin, 0).Allow {
				t.Errorf("port %d: a ClientHello passed as an answer", port)
			}

			// The node reports in a session again when the flow is over.
			app := s.client[len(s.client)-1]
			e.ask(out(app), bin, nil, 15*time.Minute)
			if !e.ask(in(s.server[len(s.server)-1]), nil, bin, 15*time.Minute).Allow {
				t.Errorf("port %d: the session of a node that reports every 15 minutes is cut", port)
			}
			if e.ask(in(s.server[len(s.server)-1]), nil, bin, 21*time.Minute).Allow {
				t.Errorf("port %d: an answer 6 minutes after the report", port)
			}

			// A flow in which the node began no session: what comes may be of one that the
			// host began while the rules let it.
			e = engine(t, outward)
			e.ask(out(app), bin, nil, 0)
			for i, b := range [][]byte{s.client[0], s.client[len(s.client)-1], s.server[0]} {
				if e.ask(in(b), nil, bin, 0).Allow {
					t.Errorf("port %d, connection ID %v: record %d passed in a flow without a ClientHello of the node", port, cid, i)
				}
			}
		}

		// A host begins a session because a rule lets it: the node answers.
		e := engine(t, rule(t, "any", "fenland", "coaps"))
		for _, b := range s.client {
			e.ask(datagram(host, a, 50000, 5684, b...), nil, bin, 0)
		}
		for i, b := range s.server {
			if !e.ask(datagram(a, host, 5684, 50000, b...), bin, nil, 0).Allow {
				t.Errorf("datagram %d of the node as a server does not pass", i)
			}
		}
		// And after a restart of the gateway, with what it knew of flows gone.
		e = engine(t, rule(t, "any", "fenland", "coaps"))
		e.ask(datagram(host, a, 50000, 5684, s.client[len(s.client)-1]...), nil, bin, 0)
		if !e.ask(datagram(a, host, 5684, 50000, s.server[len(s.server)-1]...), bin, nil, 0).Allow {
			t.Error("the session of a host with a node does not outlive the gateway")
		}
	}
}

// A ClientHello is found wherever it stands in a datagram (RFC 6347, sections 4.1.1, 4.1 and
// 4.2.3; RFC 9147, section 4; RFC 9146, section 4).
func TestClientHelloIsFound(t *testing.T) {
	hello := record(t, false).client[0]
	body := hello[recordHeaderLen:]
	rec := func(typ byte, epoch byte, b ...byte) []byte {
		return append([]byte{typ, 0xfe, 0xfd, 0, epoch, 0, 0, 0, 0, 0, 9, byte(len(b) >> 8), byte(len(b))}, b...)
	}
	// A handshake message of n octets, of which a fragment at some offset.
	message := func(typ byte, n, at int, b ...byte) []byte {
		return append([]byte{typ, 0, byte(n >> 8), byte(n), 0, 0, 0, byte(at >> 8), byte(at), 0, byte(len(b) >> 8), byte(len(b))}, b...)
	}
	alert, app := rec(21, 0, 1, 0), rec(23, 1, 1, 2, 3, 4)
	serverHello := message(2, 3, 0, 1, 2, 3)
	cidRecord := []byte{25, 0xfe, 0xfd, 0, 1, 0, 0, 0, 0, 0, 9, 5, 5, 5, 5, 5, 0, 4, 1, 2, 3, 4}
	for _, c := range []struct {
		name            string
		b               []byte
		hello, readable bool
	}{
		{"alone", hello, true, true},
		{"of DTLS 1.0 by its record", append([]byte{22, 0xfe, 0xff}, hello[3:]...), true, true},
		{"behind an alert", join(alert, hello), true, true},
		{"behind application data", join(app, hello), true, true},
		{"a fragment that is not the first", rec(22, 0, message(1, 200, 100, 1, 2, 3)...), true, true},
		{"behind another message in its record", rec(22, 0, join(serverHello, body)...), true, true},
		{"behind a record with a connection ID", join(cidRecord, hello), false, false},
		{"behind a DTLS 1.3 record with a length", join([]byte{0x2d, 0, 1, 0, 3, 1, 2, 3}, hello), true, true},
		{"behind a short DTLS 1.3 record", join([]byte{0x25, 1, 0, 3, 1, 2, 3}, hello), true, true},
		{"behind a DTLS 1.3 record with a connection ID", join([]byte{0x3d, 7, 7, 0, 1, 0, 3, 1, 2, 3}, hello), false, false},
		{"a ServerHello", rec(22, 0, serverHello...), false, true},
		{"an encrypted handshake", rec(22, 1, body...), false, true},
		{"a record with a connection ID", cidRecord, false, true},
		{"behind a DTLS 1.3 record without a length", join([]byte{0x29, 0, 1, 1, 2, 3}, hello), false, false},
		{"a DTLS 1.3 record to the end of the datagram", []byte{0x29, 0, 1, 1, 2, 3}, false, true},
		{"an acknowledgement of DTLS 1.3", rec(26, 0, 0, 0), false, true},
		{"a message cut by its record", rec(22, 0, body[:20]...), true, true},
		{"a handshake that cannot be read", rec(22, 0, 2, 0, 0), false, false},
		{"a message longer than its record", rec(22, 0, append(message(2, 9, 0), 9)...), false, false},
		{"a record longer than the datagram", alert[:14], false, false},
		{"a header that is cut", hello[:12], false, false},
		{"nothing", nil, false, false},
		{"TLS", append([]byte{22, 3, 3}, hello[3:]...), false, false},
		{"STUN (RFC 7983)", make([]byte, 20), false, false},
		{"CoAP", []byte{0x40, 1, 0, 1}, false, false},
		{"a DTLS 1.3 record longer than the datagram", []byte{0x2d, 0, 1, 0, 30, 1, 2, 3}, false, false},
		{"a DTLS 1.3 header that is cut", []byte{0x2d, 0, 1}, false, false},
	} {
		if h, r := readRecords(c.b); h != c.hello || r != c.readable {
			t.Errorf("%s: hello %v, readable %v", c.name, h, r)
		}
	}
}

// A datagram in fragments is no answer there: the first does not show all records.
func TestNoFragmentsOnTheDTLSPort(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	s := record(t, false)
	e := engine(t, rule(t, "fenland", "any", "coaps"))
	e.ask(datagram(a, host, 5684, 5684, s.client[0]...), bin, nil, 0)
	b := datagram(host, a, 5684, 5684, join(s.server[0], make([]byte, 16))...)[ipv6.HeaderLen:]
	p := ext(host, a, ipv6.ProtoFragment, fragmentOctets(ipv6.ProtoUDP, 0, true, 1, b[:24]...)...)
	if e.ask(p, nil, bin, 0).Allow {
		t.Error("a first fragment passed as an answer")
	}
	whole := datagram(host, a, 5684, 5684, s.server[0]...)[ipv6.HeaderLen:]
	p = ext(host, a, ipv6.ProtoFragment, fragmentOctets(ipv6.ProtoUDP, 0, true, 2, whole...)...)
	if e.ask(p, nil, bin, 0).Allow {
		t.Error("a first fragment that is whole by its UDP header passed as an answer")
	}
	p = ext(host, a, ipv6.ProtoFragment, fragmentOctets(ipv6.ProtoUDP, 0, false, 1, whole...)...)
	if !e.ask(p, nil, bin, 0).Allow {
		t.Error("a whole datagram behind a Fragment header did not pass")
	}
}

func FuzzReadRecords(f *testing.F) {
	f.Add([]byte{22, 0xfe, 0xfd, 0, 0, 0, 0, 0, 0, 0, 0, 0, 12, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0})
	f.Add([]byte{25, 0xfe, 0xfd, 0, 1, 0x2d, 0, 1, 0, 1, 9})
	f.Fuzz(func(t *testing.T, b []byte) {
		// A ClientHello behind records that can be read is found, and what cannot be read
		// never passes.
		hello, readable := readRecords(b)
		const h = "\x16\xfe\xfd\x00\x00\x00\x00\x00\x00\x00\x00\x00\x0c\x01\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00"
		found, passes := readRecords(append(bytes.Clone(b), h...))
		if !hello && readable && !found && passes {
			t.Errorf("hidden behind %x", b)
		}
	})
}

func FuzzParseCoAP(f *testing.F) {
	f.Add([]byte{0x41, 1, 0, 1, 7, 0x60, 0xff})
	f.Add([]byte{0x61, 0x45, 0, 1, 7, 0x61, 5, 0xd1, 4, 0x12})
	f.Fuzz(func(t *testing.T, b []byte) {
		m := parseCoAP(b)
		if m.valid && m.token == 0 {
			t.Error("a token without a hash")
		}
		if m.response() && (b[1]>>5 == 0 || b[0]>>6 != 1) {
			t.Errorf("%x is a response", b)
		}
	})
}
