package lowpan

import (
	"net/netip"
	"testing"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
)

// The packet of the benchmarks: UDP with 50 octets of payload, from a host behind
// the gateway to a node, whose /64 is context 0.
var (
	benchPeer     = Peer{From: ieee802154.Extended(0x00005eef10000001), To: ieee802154.Extended(0x00005eef10000005)}
	benchContexts = NewContexts(map[uint8]netip.Prefix{0: netip.MustParsePrefix("2001:db8:5:1::/64")})
	benchPacket   = udpPacket(ipv6.Header{
		HopLimit:    63,
		Source:      netip.MustParseAddr("2001:db8:ffff::99"),
		Destination: netip.MustParseAddr("2001:db8:5:1:200:5eef:1000:5"),
	}, 0xc123, 5683, make([]byte, 50))
)

// udpPacket returns a UDP packet with a right checksum.
func udpPacket(h ipv6.Header, src, dst uint16, payload []byte) ipv6.Packet {
	n := 8 + len(payload)
	h.NextHeader, h.PayloadLen = ipv6.ProtoUDP, n
	b := h.AppendTo(nil)
	b = append(b, byte(src>>8), byte(src), byte(dst>>8), byte(dst), byte(n>>8), byte(n), 0, 0)
	b = append(b, payload...)
	c := ipv6.UDPChecksum(b[8:24], b[24:40], b[40:])
	b[46], b[47] = byte(c>>8), byte(c)
	return b
}

func TestNoAllocations(t *testing.T) {
	buf := make([]byte, 0, MTU)
	full := benchPeer
	full.Full, full.GHC = true, true
	frame, h, err := AppendCompressed(nil, benchPacket, benchPeer, benchContexts, 102)
	if err != nil {
		t.Fatal(err)
	}
	frame = append(frame, benchPacket[h.Consumed:]...)
	for name, f := range map[string]func(){
		"compress":      func() { _, _, _ = AppendCompressed(buf, benchPacket, benchPeer, benchContexts, 102) },
		"compress full": func() { _, _, _ = AppendCompressed(buf, benchPacket, full, benchContexts, 102) },
		"decompress":    func() { _, _, _ = AppendDecompressed(buf, frame, benchPeer, benchContexts, 0) },
		"drop":          func() { _, _, _ = AppendDecompressed(buf, frame[:7], benchPeer, benchContexts, 0) },
		"parse":         func() { _, _ = ParseFrame(frame) },
	} {
		if n := testing.AllocsPerRun(100, f); n != 0 {
			t.Errorf("%s: %v allocations", name, n)
		}
	}
}

func BenchmarkCompress(b *testing.B) {
	b.ReportAllocs()
	buf := make([]byte, 0, MTU)
	for b.Loop() {
		out, h, _ := AppendCompressed(buf, benchPacket, benchPeer, benchContexts, 102)
		_ = append(out, benchPacket[h.Consumed:]...)
	}
}

func BenchmarkDecompress(b *testing.B) {
	b.ReportAllocs()
	buf := make([]byte, 0, MTU)
	frame, h, _ := AppendCompressed(nil, benchPacket, benchPeer, benchContexts, 102)
	frame = append(frame, benchPacket[h.Consumed:]...)
	for b.Loop() {
		_, _, _ = AppendDecompressed(buf, frame, benchPeer, benchContexts, 0)
	}
}

// The longest payload that GHC is worked out for, and a short one.
func BenchmarkCompressGHC(b *testing.B) {
	p := benchPeer
	p.GHC = true
	for name, payload := range map[string][]byte{"50": ghcPayloads["mixed"][:50], "1232": ghcPayloads["mixed"],
		"zeros": ghcPayloads["zeros"], "periodic": ghcPayloads["periodic"], "noise": ghcPayloads["noise"]} {
		pkt := udpPacket(ipv6.Header{HopLimit: 63, Source: benchPacket.Source(), Destination: benchPacket.Destination()}, 0xc123, 5683, payload)
		buf := make([]byte, 0, 2*MTU)
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				_, _, _ = AppendCompressed(buf, pkt, p, benchContexts, 102)
			}
		})
	}
}
