package ipv6

import (
	"bytes"
	"errors"
	"net"
	"net/netip"
	"testing"

	xipv6 "golang.org/x/net/ipv6"
)

var (
	src = netip.MustParseAddr("2001:db8::1")
	dst = netip.MustParseAddr("fd5e:2a11:77c0:1::5")
)

// A header is built, read back, and read by golang.org/x/net/ipv6 (RFC 8200, 3).
func TestHeader(t *testing.T) {
	for _, h := range []Header{
		{NextHeader: ProtoUDP, HopLimit: 64, Source: src, Destination: dst},
		{TrafficClass: 0xb9, FlowLabel: 0x12345, PayloadLen: 3, NextHeader: ProtoNoNext, HopLimit: 255, Source: dst, Destination: src},
		{TrafficClass: 0xff, FlowLabel: 0xfffff, PayloadLen: 1240, HopLimit: 1, Source: AllNodes, Destination: AllRouters},
	} {
		b := append(h.AppendTo([]byte{0xaa}), make([]byte, h.PayloadLen)...)[1:]
		p, err := Parse(b)
		if err != nil {
			t.Fatal(err)
		}
		got := Header{p.TrafficClass(), p.FlowLabel(), p.PayloadLen(), p.NextHeader(), p.HopLimit(), p.Source(), p.Destination()}
		if got != h || len(p.Payload()) != h.PayloadLen {
			t.Errorf("got %+v, want %+v", got, h)
		}
		x, err := xipv6.ParseHeader(b)
		if err != nil || x.TrafficClass != int(h.TrafficClass) || x.FlowLabel != int(h.FlowLabel) ||
			x.PayloadLen != h.PayloadLen || x.NextHeader != int(h.NextHeader) || x.HopLimit != int(h.HopLimit) ||
			!x.Src.Equal(net.IP(h.Source.AsSlice())) || !x.Dst.Equal(net.IP(h.Destination.AsSlice())) {
			t.Errorf("x/net/ipv6 reads %+v, %v, want %+v", x, err, h)
		}
		p.SetHopLimit(7)
		if p.HopLimit() != 7 || !bytes.Equal(p.SourceBytes(), h.Source.AsSlice()) || !bytes.Equal(p.DestinationBytes(), h.Destination.AsSlice()) {
			t.Errorf("%x: the accessors do not write and read in place", p)
		}
	}
}

// A packet is cut to its Payload Length; what is shorter is none (RFC 8200, 3).
func TestParse(t *testing.T) {
	whole := append(Header{PayloadLen: 4, NextHeader: ProtoNoNext, Source: src, Destination: dst}.AppendTo(nil), 1, 2, 3, 4)
	for n := range len(whole) {
		if _, err := Parse(whole[:n]); !errors.Is(err, ErrShort) {
			t.Errorf("%d octets: %v", n, err)
		}
	}
	p, err := Parse(append(whole, 5, 6))
	if err != nil || !bytes.Equal(p, whole) || cap(p) != len(p) {
		t.Errorf("with padding: %x, %v", p, err)
	}
	for v := range 16 {
		b := bytes.Clone(whole)
		b[0] = byte(v) << 4
		if _, err := Parse(b); (err == nil) != (v == 6) || v != 6 && !errors.Is(err, ErrVersion) {
			t.Errorf("version %d: %v", v, err)
		}
	}
}

func TestJoin(t *testing.T) {
	if got, want := Join(dst, 0x02005eef10000005), netip.MustParseAddr("fd5e:2a11:77c0:1:200:5eef:1000:5"); got != want {
		t.Errorf("%v, want %v", got, want)
	}
	if got, want := LinkLocal(0xfffe001234), netip.MustParseAddr("fe80::ff:fe00:1234"); got != want {
		t.Errorf("%v, want %v", got, want)
	}
}
