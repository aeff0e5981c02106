package adapt

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"culvert/bridge/bridgetest"
	"culvert/bridge/drop"
	"culvert/bridge/frag"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
)

var (
	node    = ieee802154.Extended(0x00005eef10000005)
	gateway = ieee802154.Extended(0x00005eef10000001)
	toGate  = lowpan.Peer{From: node, To: gateway}
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The reasons that the Receiver itself has, each from frames that provoke it, and
// the datagram that ends with it, if one does. Those of lowpan and frag have their
// tables there.
func TestReasons(t *testing.T) {
	first := "c064 0001 7e33 f0 1633 1633 abcd " + strings.Repeat("11", 24) // 72 octets
	next := "e064 0001 09 " + strings.Repeat("22", 28)
	for _, c := range []struct {
		name   string
		frames []string
		err    drop.Reason // of the last frame
		ended  drop.Reason // by the last frame
	}{
		{"mesh header for another node (RFC 4944, 5.2)", []string{"b5 1234 5678 7a33 3b"}, drop.MeshDestination, 0},
		{"mesh header for us", []string{"a5 1234 00005eef10000001 7a33 3b"}, 0, 0},
		{"mesh header for all", []string{"b5 1234 ffff 7a3b 3b 01"}, 0, 0},
		{"mesh header for a group", []string{"b5 1234 8001 7a3b 3b 01"}, 0, 0},
		{"broadcast", []string{"b5 1234 ffff 50 2a 7a3b 3b 01"}, 0, 0},
		{"broadcast again (11.1)", []string{"b5 1234 ffff 50 2a 7a3b 3b 01", "b4 1234 ffff 50 2a 7a3b 3b 01"}, drop.BroadcastDuplicate, 0},
		{"next broadcast", []string{"b5 1234 ffff 50 2a 7a3b 3b 01", "b4 1234 ffff 50 2b 7a3b 3b 01"}, 0, 0},
		{"broadcast of another node", []string{"b5 1234 ffff 50 2a 7a3b 3b 01", "b4 1235 ffff 50 2a 7a3b 3b 01"}, 0, 0},
		{"elided checksum (RFC 6282, 4.3.2)", []string{"7e33 f4 1633 1633"}, drop.ChecksumElided, 0},
		{"elided checksum, port of the list", []string{"7e33 f4 1633 1234"}, drop.ChecksumElided, 0},
		{"elided checksum, source port of the list", []string{"7e33 f4 f0b1 1633"}, 0, 0},
		{"elided checksum, destination port of the list", []string{"7e33 f4 1633 f0b1"}, 0, 0},
		{"elided checksum in a first fragment", []string{next, strings.Replace(first, "f0 1633 1633 abcd", "f4 1633 1633", 1)},
			drop.ChecksumElided, drop.ChecksumElided},
		{"first fragment of 73 octets (RFC 4944, 5.3)", []string{next, first + "11"}, drop.FragmentOffset, drop.FragmentOffset},
		{"bad first fragment, nothing gathered", []string{first + "11"}, drop.FragmentOffset, 0},
		{"bad first fragment after a good one", []string{first, "c064 0001 7e33 f8"}, drop.UnknownNHC, drop.UnknownNHC},
		{"first fragment past the end", []string{"c030 0001 7a33 3b" + strings.Repeat("11", 9)}, drop.FragmentMismatch, 0},
		{"overlap", []string{first, strings.Replace(next, "09", "08", 1)}, drop.FragmentOffset, 0},
		{"overlap to the end", []string{first, "e064 0001 08" + strings.Repeat("22", 36)}, 0, drop.FragmentOverlap},
		{"complete", []string{first, next}, 0, 0},
		{"complete, and its last frame again", []string{first, next, next}, 0, 0},
		{"next of a refused first fragment", []string{first + "11", next}, drop.FragmentOffset, 0},
		{"uncompressed, 8 octets in the first fragment",
			[]string{"e028 0001 01" + strings.Repeat("00", 32), "c028 0001 41 6000000000003b40"}, 0, 0},
		{"uncompressed, Payload Length seen", []string{"c028 0001 41 6000000000013b40"}, drop.PayloadLength, 0},
	} {
		r := NewReceiver(Options{ElidedChecksumPorts: []uint16{0xf0b1}})
		r.SetOwn(gateway)
		var got Received
		var err error
		for _, f := range c.frames {
			got, err = r.Receive(toGate, unhex(t, f), nil, start)
		}
		if drop.Of(err) != c.err || (err != nil) != (c.err != 0) {
			t.Errorf("%s: %v, want %v", c.name, err, c.err)
		}
		ended := drop.None
		if got.Ended.Err != nil {
			ended = got.Ended.Err.Reason
		}
		if ended != c.ended {
			t.Errorf("%s: ended %+v, want %v", c.name, got.Ended, c.ended)
		}
		if err != nil && got.Packet != nil {
			t.Errorf("%s: a packet beside an error", c.name)
		}
	}
}

// A first fragment of an uncompressed packet may be so short that version and
// length are seen only when the datagram is complete. Frames of 13 octets do that;
// here a fragment of 8 octets is built that lacks nothing but is wrong later.
func TestCompleteChecks(t *testing.T) {
	whole := frag.Datagram{Octets: make([]byte, 48), Frames: 3, Frame: 5}
	key := frag.Key{From: node, Size: 48, Tag: 9}
	for _, c := range []struct {
		version, length byte
		want            drop.Reason
	}{{0x40, 8, drop.NotIPv6}, {0x60, 9, drop.PayloadLength}} {
		whole.Octets[0], whole.Octets[5] = c.version, c.length
		got, err := complete(Received{}, key, whole)
		if drop.Of(err) != c.want || got.Ended.Err.Reason != c.want || got.Packet != nil ||
			got.Ended.Key != key || got.Ended.Frames != 3 || got.Ended.Frame != 5 {
			t.Errorf("%+v: %+v %v", c, got, err)
		}
	}
}

// Elided interface identifiers and the reassembly key are those of the mesh header;
// a fragment may come over another last hop (RFC 4944, 5.2; RFC 6282, 3.2.2).
func TestMeshAddresses(t *testing.T) {
	r := NewReceiver(Options{})
	pkt := udp(200)
	p := lowpan.Peer{From: ieee802154.Short(0x1234), To: ieee802154.Short(0xbeef)}
	list := frames(t, NewSender(3), pkt, p, nil, 102)
	if len(list) != 2 {
		t.Fatalf("%d frames", len(list))
	}
	var got Received
	for i, f := range list {
		hop := lowpan.Peer{From: ieee802154.Short(uint16(i + 1)), To: ieee802154.Short(9)}
		var err error
		if got, err = r.Receive(hop, append(unhex(t, "b51234beef"), f...), nil, start); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(got.Packet, pkt) || got.From != p.From || got.To != p.To || got.Frames != 2 {
		t.Errorf("%+v", got)
	}
}

// udp returns a UDP packet of n octets between link-local addresses.
func udp(n int) ipv6.Packet {
	b := ipv6.Header{NextHeader: ipv6.ProtoUDP, PayloadLen: n - ipv6.HeaderLen, HopLimit: 64,
		Source: ipv6.LinkLocal(0xfffe001234), Destination: ipv6.LinkLocal(0xfffe00beef)}.AppendTo(nil)
	b = append(b, 0xf0, 0xb1, 0x16, 0x33, byte((n-40)>>8), byte(n-40), 0, 0)
	for len(b) < n {
		b = append(b, byte(len(b)))
	}
	restoreChecksum(b, 46, 0)
	return b
}

// The checksum of a datagram in fragments is computed when it is complete, over the
// addresses of the header that holds the UDP header (RFC 6282, 4.3.2).
func TestRestoredChecksum(t *testing.T) {
	p := lowpan.Peer{From: ieee802154.Short(0x1234), To: ieee802154.Short(0xbeef)}
	pkt := udp(200)
	tunnel := append(ipv6.Header{NextHeader: ipv6.ProtoIPv6, PayloadLen: len(pkt), HopLimit: 64,
		Source: ipv6.LinkLocal(7), Destination: ipv6.LinkLocal(8)}.AppendTo(nil), pkt...)
	zero := bytes.Clone(pkt)
	zero[48], zero[49] = 0, 0 // make the sum come out as 0, which is sent as 0xffff
	zero[46], zero[47] = 0, 0
	c := ipv6.Checksum(zero[8:24], zero[24:40], ipv6.ProtoUDP, zero[40:])
	zero[48], zero[49] = byte(c>>8), byte(c)
	zero[46], zero[47] = 0xff, 0xff
	for name, want := range map[string]ipv6.Packet{"plain": pkt, "inner": tunnel, "sum of 0": zero} {
		at := len(want) - 200 + 40
		p := p
		p.Full = true
		out, h, err := lowpan.AppendCompressed(nil, want, p, nil, 200)
		if err != nil || h.Consumed != at+8 {
			t.Fatalf("%s: %+v %v", name, h, err)
		}
		// As a sender that elides the checksum has it: C=1, two octets less.
		out = out[:len(out)-2]
		out[len(out)-4] |= 4
		body := want[h.Consumed:]
		for _, split := range []bool{false, true} {
			list := [][]byte{append(bytes.Clone(out), body...)}
			if split {
				list = [][]byte{
					append(append(lowpan.AppendFirstFragment(nil, uint16(len(want)), 1), out...), body[:64]...),
					append(lowpan.AppendNextFragment(nil, uint16(len(want)), 1, at+8+64), body[64:]...),
				}
			}
			var in []bridgetest.Frame
			for _, f := range list {
				in = append(in, bridgetest.Frame{From: p.From, To: p.To, Payload: f})
			}
			got := receiveAll(t, Options{ElidedChecksumAll: true}, false, in, nil, nil)
			if !equal(got.packets, [][]byte{want}) {
				t.Errorf("%s, split %v: %x, %v, want %x", name, split, got.packets, got.drops, want)
			}
		}
	}
}

// A broadcast is remembered for its age from the first time on, so that a node that
// restarts its sequence is heard again, and each fragment by itself (RFC 4944, 11.1).
func TestBroadcastAge(t *testing.T) {
	r := NewReceiver(Options{})
	ok := func(frame string, after time.Duration) bool {
		_, err := r.Receive(toGate, unhex(t, frame), nil, start.Add(after))
		if err != nil && drop.Of(err) != drop.BroadcastDuplicate {
			t.Fatal(err)
		}
		return err == nil
	}
	one := "b5 1234 ffff 50 2a 7a3b 3b 01"
	for _, c := range []struct {
		frame string
		after time.Duration
		want  bool
	}{
		{one, 0, true}, {one, 9 * time.Second, false}, {one, 10 * time.Second, true}, {one, 19 * time.Second, false},
		{"50 2a 7a3b 3b 01", 0, true}, {"50 2a 7a3b 3b 01", 0, false}, // without a mesh header: the MAC source
		{"b5 1234 ffff 50 2b c064 0001 7a3b 3b 01" + strings.Repeat("00", 8), 0, true},
		{"b5 1234 ffff 50 2b e064 0001 06" + strings.Repeat("00", 8), 0, true},
		{"b5 1234 ffff 50 2b e064 0001 06" + strings.Repeat("00", 8), 0, false},
		{"b5 1234 ffff 50 2b e064 0001 07" + strings.Repeat("00", 8), 0, true},
	} {
		if got := ok(c.frame, c.after); got != c.want {
			t.Errorf("%s after %v: %v, want %v", c.frame, c.after, got, c.want)
		}
	}
	for i := range 1000 { // bounded, whoever sends how much
		ok(fmt.Sprintf("b5 %04x ffff 50 2a 7a3b 3b 01", i), 0)
	}
	if len(r.broadcasts.seen) > maxBroadcasts {
		t.Errorf("%d broadcasts are remembered", len(r.broadcasts.seen))
	}
}

// Random frames of a few senders, in disorder, repeated, lost, spoilt: each frame is
// consumed or dropped, and each datagram becomes a packet or is reported once.
func TestEachEndIsReportedOnce(t *testing.T) {
	m := rand.New(rand.NewPCG(1, 10))
	for range 300 {
		runFrames(t, m)
	}
}

// runFrames keeps a book of datagrams of its own: those that a kept fragment opened
// and that neither a packet nor an End has closed.
func runFrames(t *testing.T, m *rand.Rand) {
	r := NewReceiver(Options{Reassembly: frag.Options{MaxDatagrams: 6, MaxPerSender: 3}})
	now := start
	open := map[frag.Key]uint64{} // to the number of the frame that opened it
	closeOne := func(e frag.End) {
		t.Helper()
		if number, ok := open[e.Key]; !ok || e.Frame != number || e.Frames < 1 {
			t.Fatalf("%+v ended: open are %v", e, open)
		}
		delete(open, e.Key)
	}
	var pool []bridgetest.Frame
	for sender := range uint16(5) {
		s := NewSender(uint16(m.Uint32()))
		p := lowpan.Peer{From: ieee802154.Short(sender), To: gateway}
		for range 4 {
			for _, f := range frames(t, s, udp(60+m.IntN(400)), p, nil, 60+m.IntN(60)) {
				pool = append(pool, bridgetest.Frame{From: p.From, To: p.To, Payload: f})
			}
		}
	}
	for number := uint64(0); number < 200; number++ {
		now = now.Add(time.Duration(m.IntN(2000)) * time.Millisecond)
		f := pool[m.IntN(len(pool))]
		b := bytes.Clone(f.Payload)
		if m.IntN(8) == 0 {
			b[m.IntN(min(len(b), 16))] ^= 1 << m.IntN(8)
		}
		before := r.Len()
		got, err := r.Receive(lowpan.Peer{From: f.From, To: f.To}, b, nil, now)
		if got.Ended.Err != nil {
			closeOne(got.Ended)
			before--
		}
		if err == nil {
			if h, _ := lowpan.ParseFrame(b); h.Fragment != lowpan.Whole {
				k := frag.Key{From: got.From, To: got.To, Size: h.Size, Tag: h.Tag}
				// A repetition of what completed a datagram opens none.
				if _, ok := open[k]; !ok && r.Len() > before {
					open[k] = number
				}
				if got.Packet != nil {
					delete(open, k)
				}
			}
		}
		if m.IntN(10) == 0 {
			for {
				end, ok := r.Expire(now)
				if !ok {
					break
				}
				closeOne(end)
			}
		}
		if n := r.Len(); n != len(open) {
			t.Fatalf("%d datagrams are in reassembly, want %v", n, open)
		}
	}
}

// FuzzReceive reads frames from its octets: length, sender, payload. Nothing panics,
// what comes out is a packet, and every datagram in reassembly expires.
func FuzzReceive(f *testing.F) {
	for _, v := range bridgetest.Vectors(f, "frag", "mesh", "ghc", "6lorh") {
		var script []byte
		for _, fr := range v.Frames {
			script = append(append(script, byte(len(fr.Payload)), 0), fr.Payload...)
		}
		f.Add(script)
	}
	c := lowpan.NewContexts(bridgetest.ReportContexts())
	f.Fuzz(func(t *testing.T, script []byte) {
		r := NewReceiver(Options{Reassembly: frag.Options{MaxDatagrams: 4, MaxPerSender: 2}, ElidedChecksumAll: true})
		now := start
		for len(script) > 2 {
			n, who := min(int(script[0]), len(script)-2), script[1]
			payload := script[2 : 2+n]
			script = script[2+n:]
			now = now.Add(time.Duration(who>>4) * time.Second)
			p := lowpan.Peer{From: ieee802154.Short(uint16(who & 3)), To: gateway, GHC: who&4 != 0}
			got, err := r.Receive(p, payload, c, now)
			if err != nil && drop.Of(err) == drop.None {
				t.Fatalf("%x: error without a reason: %v", payload, err)
			}
			if got.Packet != nil {
				pkt, perr := ipv6.Parse(got.Packet)
				if err != nil || perr != nil || len(pkt) != len(got.Packet) || len(pkt) > lowpan.MTU {
					t.Fatalf("%x: %x, %v, %v", payload, got.Packet, err, perr)
				}
			}
		}
		for n := r.Len(); ; n-- {
			if _, ok := r.Expire(now.Add(time.Hour)); !ok {
				if n != 0 {
					t.Fatalf("%d datagrams did not expire", n)
				}
				return
			}
		}
	})
}
