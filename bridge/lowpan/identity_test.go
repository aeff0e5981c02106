package lowpan

import (
	"bytes"
	"encoding/binary"
	"math/rand/v2"
	"net/netip"
	"testing"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
)

// identity checks that a packet comes back bit for bit from what it is compressed
// to, by the decoder and by the plain one, in as little room as it takes, and that
// less room is kept to.
func identity(t *testing.T, pkt ipv6.Packet, p Peer, contexts map[uint8]netip.Prefix) {
	t.Helper()
	c := NewContexts(contexts)
	out, h, err := AppendCompressed(nil, pkt, p, c, 4096)
	if err != nil {
		t.Fatalf("%x: %v", pkt, err)
	}
	if h.Emitted != len(out) || h.Consumed < ipv6.HeaderLen || h.Consumed > len(pkt) || h.Emitted > h.Consumed {
		t.Fatalf("%x: head %+v of %d octets", pkt, h, len(out))
	}
	frame := append(out, pkt[h.Consumed:]...)
	got, hd, err := AppendDecompressed(nil, frame, p, c, 0)
	if err != nil || !bytes.Equal(got, pkt) || hd.ChecksumAt != -1 {
		t.Fatalf("%x\nas %x\nis %x, %v; peer %+v, contexts %v", pkt, frame, got, err, p, contexts)
	}
	// With GHC the decoder may take what would be too long for the plain one.
	if !p.GHC {
		if hd.Consumed != h.Emitted || hd.Emitted != h.Consumed {
			t.Fatalf("%x: compressed %+v, decompressed %+v", pkt, h, hd)
		}
		plain, ok := slowDecode(frame, p, contexts)
		if !ok || !bytes.Equal(plain, pkt) {
			t.Fatalf("%x\nas %x\nis %x for the plain decoder", pkt, frame, plain)
		}
	}
	for room := h.Emitted - 1; room > 0; room -= 1 + room/4 {
		less, hl, err := AppendCompressed([]byte{0xaa}, pkt, p, c, room)
		if err != nil || hl.Emitted > room || less[0] != 0xaa {
			t.Fatalf("%x: in %d octets: head %+v, %v", pkt, room, hl, err)
		}
		got, _, err := AppendDecompressed(nil, append(less[1:], pkt[hl.Consumed:]...), p, c, 0)
		if err != nil || !bytes.Equal(got, pkt) {
			t.Fatalf("%x: in %d octets: as %x is %x, %v", pkt, room, less, got, err)
		}
	}
}

func TestIdentity(t *testing.T) {
	m := maker{rand.New(rand.NewPCG(6282, 4944))}
	n := 15000
	if testing.Short() {
		n = 2000
	}
	for i := range n {
		p := Peer{From: m.link(), To: m.link(), Full: i%3 > 0, GHC: i%9 == 0}
		size := MTU
		if p.GHC {
			size = 200
		}
		identity(t, m.packet(p.From, p.To, size), p, m.contexts())
	}
}

// FuzzIdentity takes any octets for a packet: what is not one is made one by its
// version and Payload Length.
func FuzzIdentity(f *testing.F) {
	m := maker{rand.New(rand.NewPCG(1, 2))}
	for range 50 {
		from, to := m.link(), m.link()
		f.Add([]byte(m.packet(from, to, 300)), from.AppendTo(nil), to.AppendTo(nil), uint16(m.Uint32()), byte(m.IntN(4)))
	}
	f.Fuzz(func(t *testing.T, b, from, to []byte, contexts uint16, flags byte) {
		if len(b) < ipv6.HeaderLen || len(b) > MTU {
			return
		}
		b = bytes.Clone(b)
		b[0] = b[0]&0x0f | 0x60
		binary.BigEndian.PutUint16(b[4:], uint16(len(b)-ipv6.HeaderLen))
		p := Peer{Full: flags&1 != 0, GHC: flags&2 != 0 && len(b) < 120}
		p.From, _ = ieee802154.FromBytes(from)
		p.To, _ = ieee802154.FromBytes(to)
		set := map[uint8]netip.Prefix{}
		for id, prefix := range manyContexts {
			if contexts>>id&1 != 0 {
				set[id] = prefix
			}
		}
		identity(t, b, p, set)
	})
}
