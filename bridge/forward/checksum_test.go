package forward

import (
	"errors"
	"net/netip"
	"testing"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/radio"
)

// TestOtherContextIsSeenByChecksums lets a node compress against another context 0
// than the gateway's (RFC 6282, 3.1.2): its addresses come out under the gateway's
// prefix, and its checksums, which cover the addresses that it meant (RFC 8200, 8.1),
// are wrong.
func TestOtherContextIsSeenByChecksums(t *testing.T) {
	r := up(t)
	other := netip.MustParsePrefix("2001:db8:99::/64")
	cs := lowpan.NewContexts(map[uint8]netip.Prefix{0: other})
	send := func(a ieee802154.Addr, cs *lowpan.Contexts, p ipv6.Packet) {
		b, h, err := lowpan.AppendCompressed(nil, p, lowpan.Peer{From: a, To: gwEUI}, cs, 100)
		if err != nil {
			t.Fatal(err)
		}
		b = append(b, p[h.Consumed:]...)
		r.radio.Push(radio.Event{Kind: radio.EventFrame, Frame: radio.Frame{From: a, To: gwEUI, Payload: b}})
		r.run()
	}
	for range 3 * sampleEvery {
		send(nodeA, cs, udp(ipv6.Join(other.Addr(), iid(nodeA)), ipv6.Gateway(other), 64, 8))
		send(nodeB, contexts, udp(global(nodeB), gateway, 64, 8))
	}
	for _, w := range []struct {
		node  ieee802154.Addr
		wrong uint64
	}{{nodeA, 3}, {nodeB, 0}} {
		tr := r.table.ByLink(w.node).Traffic()
		if got, tried := tr.ChecksumsWrong.Load(), tr.ChecksumsTried.Load(); got != w.wrong || tried != 3 {
			t.Errorf("%v: %d of %d checksums wrong, want %d of 3", w.node, got, tried, w.wrong)
		}
	}
	if got := len(r.tun.Up()); got != 6*sampleEvery {
		t.Errorf("%d packets reached the kernel, want all %d: a router judges no checksum", got, 6*sampleEvery)
	}
}

// TestRadioChangeIsKept holds that Stats say since when the radio is up or down, and
// why it went down; a repeated down changes neither.
func TestRadioChangeIsKept(t *testing.T) {
	r := up(t)
	if s := r.f.Stats().Radio; !s.Up || !s.Since.Equal(start) || s.Cause != "" {
		t.Errorf("up: %+v", s)
	}
	r.now = r.now.Add(time.Minute)
	gone := r.now
	r.radio.Push(radio.Event{Kind: radio.EventDown, Cause: errors.New("unplugged")})
	r.run()
	r.now = r.now.Add(time.Minute)
	r.radio.Push(radio.Event{Kind: radio.EventDown, Cause: errors.New("no such device")})
	r.run()
	if s := r.f.Stats().Radio; s.Up || !s.Since.Equal(gone) || s.Cause != "unplugged" {
		t.Errorf("down: %+v, want since %v, unplugged", s, gone)
	}
}
