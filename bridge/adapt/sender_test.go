package adapt

import (
	"bytes"
	"encoding/binary"
	"math/rand/v2"
	"testing"

	"culvert/bridge/bridgetest"
	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
)

// The tag goes up by one for each datagram that is cut, and wraps; what fits into
// one frame takes none (RFC 4944, 5.3).
func TestTags(t *testing.T) {
	s := NewSender(0xfffe)
	for _, want := range []uint16{0xfffe, 0xffff, 0, 1} {
		frames(t, s, udp(60), toGate, nil, 102)
		list := frames(t, s, udp(300), toGate, nil, 102)
		for _, f := range list {
			if got := binary.BigEndian.Uint16(f[2:]); got != want {
				t.Errorf("tag %#04x, want %#04x", got, want)
			}
		}
	}
}

// Packets to several nodes are under way at once, their frames mixed.
func TestInterleaved(t *testing.T) {
	s := NewSender(9)
	r := NewReceiver(Options{})
	var out [8]Outgoing
	var pkts [8]ipv6.Packet
	peers := [8]lowpan.Peer{}
	for i := range out {
		peers[i] = lowpan.Peer{From: gateway, To: ieee802154.Short(uint16(i))}
		pkts[i] = udp(100 + 150*i)
		if err := s.Start(&out[i], pkts[i], peers[i], nil, 80); err != nil {
			t.Fatal(err)
		}
	}
	done := 0
	for done < len(out) {
		for i := range out {
			if out[i].Done() {
				if b := out[i].Append([]byte{1}); len(b) != 1 {
					t.Fatalf("a frame after the last: %x", b)
				}
				continue
			}
			got, err := r.Receive(peers[i], out[i].Append(nil), nil, start)
			if err != nil {
				t.Fatal(err)
			}
			if got.Packet != nil {
				done++
				if !bytes.Equal(got.Packet, pkts[i]) || !out[i].Done() {
					t.Fatalf("node %d: %x", i, got.Packet)
				}
			}
		}
	}
}

func TestStart(t *testing.T) {
	var o Outgoing
	if !o.Done() || len(o.Append(nil)) != 0 {
		t.Error("the zero Outgoing is not done")
	}
	if err := NewSender(0).Start(&o, udp(60), toGate, nil, MinRoom-1); drop.Of(err) != drop.NotSent || !o.Done() {
		t.Errorf("%v", err)
	}
	// The smallest room: an uncompressed packet, its header in several frames.
	pkt := udp(60)
	pkt[8], pkt[24] = 0x20, 0x20 // no form but the whole address
	list := frames(t, NewSender(0), pkt, toGate, nil, MinRoom)
	if list[0][4] != 0x41 {
		t.Errorf("%x", list[0])
	}
	if b := back(t, list, toGate, nil); !bytes.Equal(b, pkt) {
		t.Errorf("%x", b)
	}
}

// corpus are packets of all kinds: those of the vectors and of the kernel.
func corpus(t testing.TB) []ipv6.Packet {
	var out []ipv6.Packet
	add := func(b []byte) {
		if pkt, err := ipv6.Parse(b); err == nil && len(pkt) <= lowpan.MTU {
			out = append(out, pkt)
		}
	}
	for _, v := range bridgetest.Vectors(t, "iphc-ctx", "nhc-udp", "nhc-ext", "compress", "frag") {
		for _, b := range v.Packets {
			add(b)
		}
	}
	for _, v := range bridgetest.KernelVectors(t) {
		add(v.Packet)
	}
	return out
}

// Every packet comes back bit for bit from its frames, in any order and with
// repetitions, whatever room there is and whatever the peer understands.
func TestIdentity(t *testing.T) {
	m := rand.New(rand.NewPCG(6, 6))
	c := lowpan.NewContexts(bridgetest.Vectors(t, "iphc-ctx")[0].Contexts)
	s := NewSender(0)
	for _, pkt := range corpus(t) {
		p := lowpan.Peer{From: node, To: gateway, Full: m.IntN(2) == 0, GHC: len(pkt) < 300 && m.IntN(2) == 0}
		room := MinRoom + m.IntN(120)
		list := frames(t, s, pkt, p, c, room)
		var in []bridgetest.Frame
		for _, i := range m.Perm(len(list)) {
			f := bridgetest.Frame{From: p.From, To: p.To, Payload: list[i]}
			in = append(in, f)
			if m.IntN(4) == 0 && len(list) > len(in) { // not after the datagram is complete
				in = append(in, f)
			}
		}
		got := receiveAll(t, Options{}, p.GHC, in, nil, c)
		if !equal(got.packets, [][]byte{pkt}) || len(got.drops) != 0 {
			t.Fatalf("room %d, %+v: %x\ncomes back as %x, %v", room, p, pkt, got.packets, got.drops)
		}
	}
}

// FuzzSend takes any octets for a packet, and any room.
func FuzzSend(f *testing.F) {
	for i, pkt := range corpus(f) {
		if i%10 == 0 {
			f.Add([]byte(pkt), uint16(i), byte(i))
		}
	}
	c := lowpan.NewContexts(bridgetest.ReportContexts())
	f.Fuzz(func(t *testing.T, b []byte, room uint16, flags byte) {
		if len(b) < ipv6.HeaderLen || len(b) > lowpan.MTU {
			return
		}
		b = bytes.Clone(b)
		b[0] = b[0]&0x0f | 0x60
		binary.BigEndian.PutUint16(b[4:], uint16(len(b)-ipv6.HeaderLen))
		p := lowpan.Peer{From: node, To: ieee802154.Short(5), Full: flags&1 != 0, GHC: flags&2 != 0 && len(b) < 120}
		list := frames(t, NewSender(0), ipv6.Packet(b), p, c, MinRoom+int(room)%2035)
		if got := back(t, list, p, c); !bytes.Equal(got, b) {
			t.Fatalf("%x\nas %x\ncomes back as %x", b, list, got)
		}
	})
}
