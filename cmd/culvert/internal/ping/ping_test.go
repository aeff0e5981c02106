package ping

import (
	"context"
	"encoding/binary"
	"errors"
	"net"
	"net/netip"
	"testing"
	"time"

	"culvert/tun/tuntest"
)

// TestPing asks the kernel of this host, which answers echo requests to its own
// addresses with hop limit 64 (RFC 4443, section 4.2; 64 is Linux's default).
func TestPing(t *testing.T) {
	tuntest.Own(t)
	p, err := NewPinger()
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	for _, size := range []int{0, 1, 56, 1232} {
		payload := make([]byte, size)
		for i := range payload {
			payload[i] = byte(i)
		}
		e, err := p.Ping(ctx, netip.IPv6Loopback(), payload)
		if err != nil || e.HopLimit != 64 || e.Rtt <= 0 {
			t.Errorf("%d octets: %+v, %v", size, e, err)
		}
	}
}

// TestPingMatch holds which messages count as the reply, and that one with another
// payload is told from no reply at all.
func TestPingMatch(t *testing.T) {
	to := netip.MustParseAddr("2001:db8::7")
	here := &net.IPAddr{IP: to.AsSlice()}
	other := &net.IPAddr{IP: net.ParseIP("2001:db8::8")}
	p := &Pinger{id: 0x1234, seq: 7}
	payload := []byte("culvert")
	message := func(kind byte, id, seq uint16, data []byte) []byte {
		b := []byte{kind, 0, 0, 0}
		b = binary.BigEndian.AppendUint16(b, id)
		b = binary.BigEndian.AppendUint16(b, seq)
		return append(b, data...)
	}
	// An error quotes the packet from its IPv6 header on (RFC 4443, section 3).
	quote := func(dst netip.Addr, next byte, echo []byte) []byte {
		b := make([]byte, 8+40)
		b[0], b[1] = 1, 3
		b[8], b[8+6] = 0x60, next
		copy(b[8+24:], dst.AsSlice())
		return append(b, echo...)
	}
	request := message(128, 0x1234, 7, payload)
	for _, c := range []struct {
		name  string
		b     []byte
		from  net.Addr
		ours  bool
		fault bool
		wrong bool // an ErrEcho
	}{
		{"the reply", message(129, 0x1234, 7, payload), here, true, false, false},
		{"late reply", message(129, 0x1234, 6, payload), here, false, false, false},
		{"another program's", message(129, 0x1235, 7, payload), here, false, false, false},
		{"another node's", message(129, 0x1234, 7, payload), other, false, false, false},
		{"payload differs", message(129, 0x1234, 7, []byte("culverx")), here, false, true, true},
		{"payload is longer", message(129, 0x1234, 7, append(payload[:7:7], 0)), here, false, true, true},
		{"truncated", request[:7], here, false, false, false},
		{"error about it", quote(to, 58, request), other, false, true, false},
		{"error about another address", quote(netip.MustParseAddr("2001:db8::8"), 58, request), other, false, false, false},
		{"error about UDP", quote(to, 17, request), other, false, false, false},
		{"error about another request", quote(to, 58, message(128, 0x1234, 6, payload)), other, false, false, false},
		{"truncated error", quote(to, 58, request)[:50], other, false, false, false},
	} {
		ours, err := p.match(c.b, to, c.from, payload)
		if ours != c.ours || (err != nil) != c.fault || errors.Is(err, ErrEcho) != c.wrong {
			t.Errorf("%s: %v, %v", c.name, ours, err)
		}
	}
}

// TestPingNoReply holds that silence ends at the deadline, and by a cancelled
// context.
func TestPingNoReply(t *testing.T) {
	tuntest.Own(t)
	p, err := NewPinger()
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	ctx, cancel := context.WithDeadline(t.Context(), time.Now().Add(-time.Second))
	defer cancel()
	if _, err := p.Ping(ctx, netip.IPv6Loopback(), nil); err == nil {
		t.Error("a reply after the deadline")
	}
	if _, err := p.Ping(t.Context(), netip.IPv6Loopback(), nil); err == nil {
		t.Error("a ping without a deadline")
	}
}
