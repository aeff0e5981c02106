package lowpan

import (
	"bytes"
	"encoding/hex"
	"testing"

	"culvert/bridge/bridgetest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
)

// decoderOK checks what must hold whatever the frame is: no panic, nothing over the
// MTU, a valid packet, and of one mind with the plain decoder, whose packet also
// survives being compressed.
func decoderOK(t *testing.T, frame []byte, p Peer, c *Contexts) {
	t.Helper()
	got, h, err := AppendDecompressed(nil, frame, p, c, 0)
	if err == nil {
		pkt, perr := ipv6.Parse(got)
		if perr != nil || len(pkt) != len(got) || len(got) > MTU {
			t.Fatalf("%x: %x is no packet: %v", frame, got, perr)
		}
		if h.Consumed > len(frame) || h.Emitted > len(got) || h.ChecksumAt > len(got)-2 || h.HeaderAt > len(got)-ipv6.HeaderLen {
			t.Fatalf("%x: head %+v", frame, h)
		}
	}
	// What neither the plain decoder nor this comparison knows: pages, GHC, and a
	// checksum that cannot be restored.
	if len(frame) == 0 || dispatchOf(frame[0]) == dispatchPage || err == errChecksumPart || p.GHC {
		return
	}
	plain, ok := slowDecode(frame, p, manyContexts)
	if ok != (err == nil) || ok && !bytes.Equal(plain, got) {
		t.Fatalf("%x: %x, %v; the plain decoder: %x, %v", frame, got, err, plain, ok)
	}
	if ok && h.ChecksumAt < 0 {
		p.Full = true
		identity(t, got, p, manyContexts)
	}
}

// FuzzDecompress takes any octets for a frame.
func FuzzDecompress(f *testing.F) {
	for _, v := range bridgetest.Vectors(f, "iphc-ctx", "nhc-udp", "nhc-ext", "negative", "dispatch", "6lorh", "ghc", "compress") {
		for _, fr := range v.Frames {
			f.Add(fr.Payload, fr.From.AppendTo(nil), fr.To.AppendTo(nil), false)
			f.Add(fr.Payload, fr.From.AppendTo(nil), fr.To.AppendTo(nil), true)
		}
	}
	for _, r := range refused {
		f.Add(unhex(f, r.frame), []byte{0, 1}, []byte{0, 2}, r.ghc)
	}
	c := NewContexts(manyContexts)
	f.Fuzz(func(t *testing.T, frame, from, to []byte, ghc bool) {
		p := Peer{GHC: ghc}
		p.From, _ = ieee802154.FromBytes(from)
		p.To, _ = ieee802154.FromBytes(to)
		decoderOK(t, frame, p, c)
	})
}

// Every vector of one frame, by the plain decoder as well: it is the judge of the
// other tests.
func TestPlainDecoder(t *testing.T) {
	n := 0
	for _, v := range bridgetest.Vectors(t, "iphc-cross", "iphc-ctx", "nhc-udp", "nhc-ext", "compress", "truncation") {
		f := v.Frames[0]
		if v.Expect.Action == bridgetest.Conditional || len(f.Payload) == 0 || dispatchOf(f.Payload[0]) == dispatchMesh {
			continue
		}
		n++
		got, ok := slowDecode(f.Payload, Peer{From: f.From, To: f.To}, v.Contexts)
		want := v.Expect.Action != bridgetest.Drop
		if ok != want || ok && !bytes.Equal(got, v.Packets[0]) && !bytes.Equal(got, v.Expect.Also) {
			t.Errorf("%s (%s): %x %v", v.ID, v.Source, got, ok)
		}
	}
	if n < 2700 {
		t.Errorf("only %d vectors", n)
	}
}

// A truncated frame never gives a packet that ends within a header, wherever it is
// cut (RFC 6282, section 3).
func TestCutAnywhere(t *testing.T) {
	c := NewContexts(manyContexts)
	p := Peer{From: ieee802154.Short(1), To: ieee802154.Extended(2), GHC: true}
	for _, f := range []string{
		"60 00 2e012345 11 11" + "000102030405060708090a0b0c0d0e0f" + "000102030405060708090a0b0c0d0e0f",
		"64 d6 02 b8012345 21 a1b2c3d4e5f60718 7b01 f1 1633b0 beef",
		"7e33 e1 06 630400000100 e7 04 1e02beef f0 1633 1633 31a4",
		"7e33 ee 64 d6 02 b8012345 21 a1b2c3d4e5f60718 7b01 f3 12 beef",
		"7e33 e4 11 00 0001cafef00d",
		"f1 82 05 0100 a1 06 40 7a33 3b",
		"7e33 b0 3b 02 0104 82 90",
	} {
		frame := unhex(t, f)
		for n := range len(frame) {
			if got, _, err := AppendDecompressed(nil, frame[:n], p, c, 0); err == nil {
				t.Errorf("%s cut after %d octets: %x", f, n, got)
			}
		}
		if _, _, err := AppendDecompressed(nil, frame, p, c, 0); err != nil {
			t.Errorf("%s: %v", f, err)
		}
	}
}

// Of a first fragment the lengths come from datagram_size (RFC 4944, 5.3; RFC 6282,
// 3.1 and 4.3.3).
func TestFirstFragment(t *testing.T) {
	p := Peer{From: ieee802154.Short(1), To: ieee802154.Short(2)}
	for _, c := range []struct {
		name, frame string
		size        int
		want        string
	}{
		{"IPHC and UDP", "7e33 f0 1633 1633 abcd 0102030405060708", 200,
			"60000000 00a0 11 40 fe80000000000000000000fffe000001 fe80000000000000000000fffe000002 16331633 00a0 abcd 0102030405060708"},
		{"IPv6 in IPv6", "7e33 ee 7e33 f0 1633 1633 abcd", 200,
			"60000000 00a0 29 40 fe80000000000000000000fffe000001 fe80000000000000000000fffe000002" +
				"60000000 0078 11 40 fe80000000000000000000fffe000001 fe80000000000000000000fffe000002 16331633 0078 abcd"},
		{"uncompressed", "41 60000000 00a0 3b", 200, "60000000 00a0 3b"},
		{"uncompressed, four octets", "41 60000000", 200, "60000000"},
	} {
		got, _, err := AppendDecompressed(nil, unhex(t, c.frame), p, nil, c.size)
		if err != nil || !bytes.Equal(got, unhex(t, c.want)) {
			t.Errorf("%s: %x, %v, want %s", c.name, got, err, c.want)
		}
	}
}

// An elided checksum is left to who has the whole datagram; Head says where it is
// and which addresses it covers (RFC 6282, 4.3.2).
func TestElidedChecksum(t *testing.T) {
	p := Peer{From: ieee802154.Short(1), To: ieee802154.Short(2), GHC: true}
	for frame, want := range map[string]Head{
		"7e33 f4 1633 1633 aa":                  {Consumed: 7, Emitted: 48, ChecksumAt: 46},
		"7e33 d7 12 8f":                         {Consumed: 5, Emitted: 65, ChecksumAt: 46},
		"7e33 e3 06 000000000000 f7 12":         {Consumed: 12, Emitted: 56, ChecksumAt: 54},
		"7e33 e3 06 030100000000 ee 7e33 f7 12": {Consumed: 15, Emitted: 96, ChecksumAt: 94, HeaderAt: 48},
		"7e33 e5 00 0000cafef00d f7 12":         {Consumed: 12, Emitted: 56, ChecksumAt: 54},
	} {
		_, h, err := AppendDecompressed(nil, unhex(t, frame), p, nil, 0)
		if err != nil || h != want {
			t.Errorf("%s: %+v, %v, want %+v", frame, h, err, want)
		}
	}
}

// Routing headers of page 1 are passed over (RFC 8138; types and lengths from
// memory).
func TestRoutingHeaders(t *testing.T) {
	p := Peer{From: ieee802154.Short(1), To: ieee802154.Short(2)}
	want, _, err := AppendDecompressed(nil, unhex(t, "7a33 3b aa"), p, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, headers := range []string{
		"", "80 05 1e0100", "81 05 1e01", "82 05 0100", "83 05 01", "9c 05 1e0100",
		"80 00 01", "81 01 00010002", "80 02 01020304", "80 03 0102030405060708",
		"81 04" + hex.EncodeToString(make([]byte, 32)),
		"a1 06 40", "a0 06", "bf 7f" + hex.EncodeToString(make([]byte, 31)),
		"82 05 0100 a1 06 40", "f0 f1 83 05 01 f0",
	} {
		frame := unhex(t, "f1"+headers+"7a33 3b aa")
		got, h, err := AppendDecompressed(nil, frame, p, nil, 0)
		if err != nil || !bytes.Equal(got, want) || h.Consumed != len(frame)-1 {
			t.Errorf("%x: %x, %+v, %v", frame, got, h, err)
		}
	}
}
