package ipv6

import (
	"encoding/binary"
	"math/rand/v2"
	"net"
	"testing"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
)

// The worked example of RFC 1071, section 3.
func TestSumExample(t *testing.T) {
	b := []byte{0x00, 0x01, 0xf2, 0x03, 0xf4, 0xf5, 0xf6, 0xf7}
	if got := addOctets(0, b); got != 0xddf2 {
		t.Errorf("sum %#04x, want 0xddf2", got)
	}
	if got := fold(addOctets(0, b)); got != 0x220d {
		t.Errorf("checksum %#04x, want 0x220d", got)
	}
	if got := fold(addOctets(addOctets(0, b[:4]), b[4:])); got != 0x220d {
		t.Errorf("in two pieces: %#04x", got)
	}
	if got := fold(0x1fffe); got != 0 {
		t.Errorf("folded: %#04x", got)
	}
}

// Messages of every length against gopacket's checksums of UDP and ICMPv6.
func TestChecksumAgainstGopacket(t *testing.T) {
	m := rand.New(rand.NewPCG(1, 71))
	for n := range 200 {
		payload := make([]byte, n)
		for i := range payload {
			payload[i] = byte(m.Uint32())
		}
		ip := &layers.IPv6{Version: 6, NextHeader: layers.IPProtocolUDP, HopLimit: 64,
			SrcIP: net.IP(src.AsSlice()), DstIP: net.IP(dst.AsSlice())}
		udp := &layers.UDP{SrcPort: layers.UDPPort(m.IntN(65536)), DstPort: 5683}
		if err := udp.SetNetworkLayerForChecksum(ip); err != nil {
			t.Fatal(err)
		}
		p := serialize(t, ip, udp, gopacket.Payload(payload))
		want := binary.BigEndian.Uint16(p[46:])
		p[46], p[47] = 0, 0
		if got := UDPChecksum(p.SourceBytes(), p.DestinationBytes(), p.Payload()); got != want {
			t.Errorf("UDP with %d octets: %#04x, want %#04x", n, got, want)
		}
		ip.NextHeader = layers.IPProtocolICMPv6
		icmp := &layers.ICMPv6{TypeCode: layers.CreateICMPv6TypeCode(128, 0)}
		if err := icmp.SetNetworkLayerForChecksum(ip); err != nil {
			t.Fatal(err)
		}
		p = serialize(t, ip, icmp, gopacket.Payload(payload))
		if !ChecksumOK(p.SourceBytes(), p.DestinationBytes(), ProtoICMPv6, p.Payload()) {
			t.Errorf("ICMPv6 with %d octets: not ok", n)
		}
		p[len(p)-1] ^= 0x10
		if ChecksumOK(p.SourceBytes(), p.DestinationBytes(), ProtoICMPv6, p.Payload()) {
			t.Errorf("ICMPv6 with %d octets, spoilt: ok", n)
		}
	}
}

func serialize(t *testing.T, l ...gopacket.SerializableLayer) Packet {
	t.Helper()
	b := gopacket.NewSerializeBuffer()
	if err := gopacket.SerializeLayers(b, gopacket.SerializeOptions{FixLengths: true, ComputeChecksums: true}, l...); err != nil {
		t.Fatal(err)
	}
	p, err := Parse(b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// A UDP checksum that comes out as 0 is sent as 0xffff (RFC 8200, 8.1).
func TestUDPChecksumZero(t *testing.T) {
	msg := []byte{0xf0, 0xb1, 0xf0, 0xb2, 0, 10, 0, 0, 0, 0}
	c := Checksum(src.AsSlice(), dst.AsSlice(), ProtoUDP, msg)
	binary.BigEndian.PutUint16(msg[8:], c)
	if got := Checksum(src.AsSlice(), dst.AsSlice(), ProtoUDP, msg); got != 0 {
		t.Fatalf("built for a sum of 0, got %#04x", got)
	}
	if got := UDPChecksum(src.AsSlice(), dst.AsSlice(), msg); got != 0xffff {
		t.Errorf("%#04x, want 0xffff", got)
	}
}
