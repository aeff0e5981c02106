package forward

import (
	"bytes"
	"testing"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
	"culvert/bridge/radio"
)

// capable is a router solicitation with a 6CIO (RFC 7400, section 3.4; its option
// number is IANA's): 16 bits of which the last is G.
func capable(from ieee802154.Addr, bits byte) ipv6.Packet {
	msg := append([]byte{133, 0, 0, 0, 0, 0, 0, 0}, sourceLink(from)...)
	return icmp(local(from), routers, 255, append(msg, 36, 1, 0, bits, 0, 0, 0, 0)...)
}

// expandBytecodes is a second reading of RFC 7400, section 2, made for this test: the
// dictionary is the two addresses and 16 fixed octets.
func expandBytecodes(t *testing.T, addresses, b []byte) []byte {
	t.Helper()
	w := append(bytes.Clone(addresses), 0x16, 0xfe, 0xfd, 0x17, 0xfe, 0xfd, 0x00, 0x01, 0, 0, 0, 0, 0, 1, 0, 0)
	dict := len(w)
	sa, na := 0, 0
	for len(b) > 0 {
		c := b[0]
		b = b[1:]
		switch {
		case c < 0x60: // 0kkkkkkk: k octets as they are
			w, b = append(w, b[:c]...), b[c:]
		case c&0xf0 == 0x80: // 1000nnnn: n+2 zeros
			w = append(w, make([]byte, c&0x0f+2)...)
		case c == 0x90: // stop
			return w[dict:]
		case c&0xe0 == 0xa0: // 101nssss: n<<3 and s<<3 are added to the next one's
			na += int(c>>4&1) << 3
			sa += int(c&0x0f) << 3
		case c&0xc0 == 0xc0: // 11nnnkkk: n = na+nnn+2 octets, from s = kkk+sa+n octets back
			n := na + int(c>>3&7) + 2
			from := len(w) - (int(c&7) + sa + n)
			w = append(w, w[from:from+n]...)
			sa, na = 0, 0
		default:
			t.Fatalf("code %#02x", c)
		}
	}
	return w[dict:]
}

// A node that asks with a 6CIO is offered generic header compression, and what it then
// sends by it is understood. Made by hand from RFC 6282, section 3.1, and RFC 7400,
// sections 2 and 3.1: an Echo Request between link-local addresses.
func TestGHCFromTheMesh(t *testing.T) {
	frame := func() []byte {
		echo := icmp(local(nodeA), gwLocal, 64, append([]byte{128, 0, 0, 0, 0, 1, 0, 1}, make([]byte, 24)...)...)
		b := []byte{0x7e, 0x33, 0xdf, 8} // TF 11, NH 1, HLIM 10; SAM and DAM 11; ICMPv6 in GHC; 8 octets
		b = append(b, echo[40:48]...)
		return append(b, 0x8f, 0x85) // 17 and 7 zeros
	}
	push := func(r *rig, b []byte) int {
		r.radio.Push(radio.Event{Kind: radio.EventFrame, Frame: radio.Frame{From: nodeA, To: gwEUI, Payload: b}})
		r.run()
		return len(r.tun.Up())
	}
	for _, c := range []struct {
		name   string
		bits   byte
		passes bool
	}{{"no solicitation", 0xff, false}, {"G", 1, true}, {"a 6CIO without G: it was offered all the same", 0, true}} {
		r := settled(t)
		if c.bits != 0xff {
			r.up(nodeA, capable(nodeA, c.bits))
			r.answer(radio.OutcomeFirstHop)
		}
		if n := push(r, frame()); (n == 1) != c.passes {
			t.Errorf("%s: %d packets came to the kernel: %v", c.name, n, reasons(r.f.Stats().FromMesh.FramesDropped))
		}
		if !c.passes && r.f.Stats().FromMesh.FramesDropped[drop.GHCNotOffered] != 1 {
			t.Errorf("%s: %v", c.name, reasons(r.f.Stats().FromMesh.FramesDropped))
		}
		if n := r.table.ByLink(nodeB); n.GHC() || n.OfferedGHC() {
			t.Errorf("%s: another node counts as asked", c.name)
		}
		r.sums()
	}
	// A node that starts anew and does not ask is sent none, and may go on with what it
	// was offered.
	r := settled(t)
	r.up(nodeA, capable(nodeA, 1))
	r.answer(radio.OutcomeFirstHop)
	if !r.table.ByLink(nodeA).GHC() {
		t.Error("G is not noted")
	}
	r.up(nodeA, icmp(local(nodeA), routers, 255, append([]byte{133, 0, 0, 0, 0, 0, 0, 0}, sourceLink(nodeA)...)...))
	r.answer(radio.OutcomeFirstHop)
	if r.table.ByLink(nodeA).GHC() || push(r, frame()) != 1 {
		t.Error("after a solicitation without 6CIO")
	}
	r.sums()
}

// What is sent to a node that showed G is compressed by RFC 7400 where that is shorter,
// and expands to the same packet by a second reading of the document.
func TestGHCToTheMesh(t *testing.T) {
	payload := append(bytes.Repeat([]byte("level "), 12), make([]byte, 30)...)
	pkt := udp(outside, global(nodeA), 64, len(payload))
	copy(pkt[48:], payload)
	pkt[46], pkt[47] = 0, 0
	s, d := outside.As16(), global(nodeA).As16()
	sum := ipv6.UDPChecksum(s[:], d[:], pkt[40:])
	pkt[46], pkt[47] = byte(sum>>8), byte(sum)
	for _, c := range []struct {
		bits byte
		ghc  bool
	}{{0, false}, {1, true}} {
		r := settled(t)
		r.up(nodeA, capable(nodeA, c.bits))
		r.answer(radio.OutcomeFirstHop)
		r.down(pkt)
		sent := r.radio.Sent()
		if !c.ghc {
			if len(sent) != 1 && len(sent) != 2 { // two frames: cut, as it is too long
				t.Errorf("%d frames without GHC", len(sent))
			}
			for _, f := range sent {
				if bytes.Contains(f.Frame.Payload, []byte{0xd0}) && len(f.Frame.Payload) < 60 {
					t.Errorf("sent in GHC to a node without G: %x", f.Frame.Payload)
				}
			}
			continue
		}
		if len(sent) != 1 {
			t.Fatalf("%d frames with GHC, want 1", len(sent))
		}
		b := sent[0].Frame.Payload
		// RFC 7400, section 3: UDP with ports and checksum in line is 0xd0.
		at := bytes.IndexByte(b, 0xd0)
		if at < 0 || len(b) > 70 {
			t.Fatalf("no GHC in %d octets: %x", len(b), b)
		}
		if !bytes.Equal(b[at+1:at+5], pkt[40:44]) || !bytes.Equal(b[at+5:at+7], pkt[46:48]) {
			t.Errorf("ports and checksum: %x", b[at+1:at+7])
		}
		if got := expandBytecodes(t, pkt[8:40], b[at+7:]); !bytes.Equal(got, payload) {
			t.Errorf("expands to %q, want %q", got, payload)
		}
	}
}

// What a node showed and was offered outlives the daemon: it asks again only when it
// starts anew itself.
func TestGHCIsKept(t *testing.T) {
	r := settled(t)
	r.up(nodeA, capable(nodeA, 1))
	r.up(nodeB, capable(nodeB, 0))
	table, err := node.New(node.Options{Prefix: prefix, Start: start})
	if err != nil {
		t.Fatal(err)
	}
	table.Restore(r.table.Records(), start)
	a, b := table.ByLink(nodeA), table.ByLink(nodeB)
	if !a.GHC() || !a.OfferedGHC() || b.GHC() || !b.OfferedGHC() {
		t.Errorf("A: %v %v, B: %v %v", a.GHC(), a.OfferedGHC(), b.GHC(), b.OfferedGHC())
	}
}
