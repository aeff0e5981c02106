package door

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"net/netip"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"

	"culvert/coap/msg"
)

// Memory of exchanges: bounded in number, in octets and for one address, and what
// is open is never forgotten.
func TestMemoryIsBounded(t *testing.T) {
	var m exchanges
	m.init()
	now := time.Now()
	open, _, _ := m.begin(msg.MessageKey{ID: 7, Remote: addrPortOf(100)}, 1, now)
	for i := range MaxRemembered + 20000 {
		k := msg.MessageKey{Remote: addrPortOf(i % 20), ID: uint16(i / 20)}
		r, fresh, ok := m.begin(k, uint64(i)+2, now)
		if !fresh || !ok {
			t.Fatalf("exchange %d: fresh %v, ok %v", i, fresh, ok)
		}
		m.done(r, make([]byte, 1000))
	}
	if n := len(m.byKey); n > MaxRemembered || n != m.order.Len() || m.octets > rememberBytes {
		t.Errorf("%d exchanges with %d octets", n, m.octets)
	}
	if got, fresh, _ := m.begin(msg.MessageKey{ID: 7, Remote: addrPortOf(100)}, 1, now); fresh || got != open {
		t.Error("the open exchange was forgotten")
	}
	for h, l := range m.byHost {
		if l.Len() > maxRememberIP {
			t.Errorf("%v has %d", h, l.Len())
		}
	}
	m.done(open, nil)
	m.expire(now.Add(msg.ExchangeLifetime + time.Second))
	if len(m.byKey) != 0 || len(m.byHost) != 0 || m.octets != 0 || m.order.Len() != 0 {
		t.Errorf("left: %d exchanges, %d hosts, %d octets", len(m.byKey), len(m.byHost), m.octets)
	}

	// One address that keeps everything open fills its own share only.
	for i := range maxRememberIP {
		if _, _, ok := m.begin(msg.MessageKey{Remote: addrPortOf(1), ID: uint16(i)}, 1, now); !ok {
			t.Fatalf("no room at %d", i)
		}
	}
	if _, _, ok := m.begin(msg.MessageKey{Remote: addrPortOf(1), ID: 60000}, 1, now); ok {
		t.Error("one address got more than its share")
	}
	if _, _, ok := m.begin(msg.MessageKey{Remote: addrPortOf(2), ID: 60000}, 1, now); !ok {
		t.Error("another address had no room")
	}
}

func FuzzStream(f *testing.F) {
	f.Add([]byte{0x30, 0xe1, 0x22, 0x04, 0x80, 0xc1, 0x01, 0x20, 0xbb, 't', 'e', 'm', 'p', 'e', 'r', 'a', 't', 'u', 'r', 'e'})
	f.Add([]byte{0xf0, 0xff, 0xff, 0xff, 0xff, 0x01})
	f.Fuzz(func(t *testing.T, b []byte) {
		r := bufio.NewReader(bytes.NewReader(b))
		for range 1000 {
			m, err := ReadMessage(r, StreamMessage)
			if err != nil {
				return
			}
			if len(m.Payload) > StreamMessage {
				t.Fatal(len(m.Payload))
			}
		}
	})
}

// FuzzDTLSHello: whatever comes, what is taken out of it lies in it.
func FuzzDTLSHello(f *testing.F) {
	f.Add(helloOf(1, nil))
	f.Add(helloOf(1, []byte("cookie")))
	f.Add([]byte{22, 0xfe, 0xff, 0, 0, 0, 0, 0, 0, 0, 0, 0, 15, 3, 0, 0, 3, 0, 0, 0, 0, 0, 0, 0, 3, 0xfe, 0xff, 0})
	f.Fuzz(func(t *testing.T, b []byte) {
		_, cookie, ok := parseHello(b)
		if ok && (len(cookie) > 255 || len(cookie) > len(b)) || !ok && cookie != nil {
			t.Errorf("%x: cookie %x, %v", b, cookie, ok)
		}
		if c := CookieOf(b); len(c) > len(b) {
			t.Errorf("%x: cookie %x", b, c)
		}
	})
}

// What the guard against amplification remembers is bounded, and ends.
func TestGuardIsBounded(t *testing.T) {
	var g amplificationGuard
	g.init()
	now := time.Now()
	for i := range maxVerified + 100 {
		a := netip.AddrFrom16([16]byte{0x20, 0x01, 0x0d, 0xb8, 14: byte(i >> 8), 15: byte(i)})
		g.verify(a, now)
		g.ping(msg.MessageKey{Remote: netip.AddrPortFrom(a, 1)}, now)
	}
	if len(g.verified) > maxVerified || len(g.pings) > maxPings {
		t.Errorf("%d addresses, %d pings", len(g.verified), len(g.pings))
	}
	a := netip.MustParseAddr("2001:db8::1")
	old := &msg.Request{Options: message.Options{{ID: message.Echo, Value: g.echo(a, now.Add(-2*echoLifetime))}}, Peer: msg.Peer{Addr: netip.AddrPortFrom(a, 1)}}
	g.expire(now.Add(2 * verifiedFor))
	if g.takeEcho(old, now); g.isVerified(a, now) || len(g.verified) != 0 || len(g.pings) != 0 {
		t.Error("an old Echo, or old proof, is good")
	}
}

// addrPortOf is an address for documentation (RFC 3849).
func addrPortOf(i int) netip.AddrPort {
	return netip.AddrPortFrom(netip.AddrFrom16([16]byte{0x20, 0x01, 0x0d, 0xb8, 14: byte(i >> 8), 15: byte(i)}), 5683)
}

// helloOf is a ClientHello as a source sends it that only wants to cost us
// something (RFC 6347, section 4.2.1; RFC 5246, section 7.4.1.2): one PSK cipher
// suite, no cookie.
func helloOf(random uint64, cookie []byte) []byte {
	body := []byte{0xfe, 0xfd}
	body = binary.BigEndian.AppendUint64(body, random)
	body = append(body, make([]byte, 24)...)
	body = append(body, 0, byte(len(cookie)))
	body = append(body, cookie...)
	body = append(body, 0, 2, 0xc0, 0xa8, 1, 0) // TLS_PSK_WITH_AES_128_CCM_8, no compression
	seq := byte(0)
	if cookie != nil {
		seq = 1
	}
	h := []byte{1, 0, 0, byte(len(body)), 0, seq, 0, 0, 0, 0, 0, byte(len(body))}
	b := []byte{22, 0xfe, 0xfd, 0, 0, 0, 0, 0, 0, 0, seq, 0, byte(len(h) + len(body))}
	return append(append(b, h...), body...)
}

// A Message ID has 16 bits, so guesses must not add up (RFC 7252, section 4.3, has the ping;
// one guess a ping is our choice).
func TestBlindResetProvesNoAddress(t *testing.T) {
	var g amplificationGuard
	g.init()
	now := time.Unix(1_800_000_000, 0)
	peer := netip.MustParseAddrPort("[2001:db8::7]:5683")
	ping := msg.MessageKey{Socket: 1, Remote: peer, ID: 40000}
	if !g.ping(ping, now) {
		t.Fatal("no first ping")
	}
	for i := range 100 { // neither other Message IDs, nor ports, nor sockets
		k := msg.MessageKey{Socket: uint64(i), Remote: netip.AddrPortFrom(peer.Addr(), uint16(i)), ID: uint16(i)}
		if g.ping(k, now) {
			t.Fatal("a second ping while one was pending")
		}
	}
	for id := range 1 << 16 {
		k := ping
		k.ID = uint16(id)
		g.pingAnswered(k, now)
	}
	if g.isVerified(peer.Addr(), now) {
		t.Error("all Message IDs in turn verified the address")
	}
	for at := now; at.Before(now.Add(pingPause)); at = at.Add(time.Second) {
		if g.expire(at); g.ping(ping, at) {
			t.Fatalf("a ping %v after a wrong Reset", at.Sub(now))
		}
	}
	later := now.Add(pingPause)
	if !g.ping(ping, later) {
		t.Fatal("no ping after the pause")
	}
	if g.pingAnswered(ping, later); !g.isVerified(peer.Addr(), later) {
		t.Error("the right Reset did not verify the address")
	}
}
