package ipv6

import (
	"bytes"
	"net/netip"
	"testing"

	"golang.org/x/net/icmp"
	xipv6 "golang.org/x/net/ipv6"
)

// Which packets an ICMPv6 error may be about: RFC 4443, section 2.4 (e).
func TestMayAnswer(t *testing.T) {
	const opts = "00 0104 00000000"
	unreachable := ICMPError{Type: TypeUnreachable, Code: CodeAddress}
	tooBig := ICMPError{Type: TypePacketTooBig, Param: MinMTU}
	option := ICMPError{Type: TypeParamProblem, Code: 2}
	from := func(p Packet, s string) Packet {
		copy(p.SourceBytes(), netip.MustParseAddr(s).AsSlice())
		return p
	}
	to := func(p Packet, s string) Packet {
		copy(p.DestinationBytes(), netip.MustParseAddr(s).AsSlice())
		return p
	}
	udp := func() Packet { return with(t, ProtoUDP, "1633 1633 0008 0000") }
	for _, c := range []struct {
		name string
		e    ICMPError
		p    Packet
		want bool
	}{
		{"UDP", unreachable, udp(), true},
		{"echo request", unreachable, with(t, ProtoICMPv6, "80 00 0000 00000000"), true},
		{"unknown informational message", unreachable, with(t, ProtoICMPv6, "c8 00 0000"), true},
		{"(e.1) an error", unreachable, with(t, ProtoICMPv6, "01 04 0000 00000000"), false},
		{"(e.1) an unknown error", unreachable, with(t, ProtoICMPv6, "7f 00 0000"), false},
		{"(e.1) an error behind extension headers", unreachable, with(t, ProtoHopByHop, "3c"+opts+"3a"+opts+"03 00 0000"), false},
		{"(e.1) an error in a first fragment", unreachable, with(t, ProtoFragment, "3a 00 0001 cafef00d 03 00 0000"), false},
		{"a type that cannot be seen", unreachable, with(t, ProtoICMPv6, ""), false},
		{"(e.2) a redirect", unreachable, with(t, ProtoICMPv6, "89 00 0000"), false},
		{"(e.3) to a group", unreachable, to(udp(), "ff0e::1234"), false},
		{"(e.3) too big, to a group", tooBig, to(udp(), "ff0e::1234"), true},
		{"(e.3) option, to a group", option, to(udp(), "ff0e::1234"), true},
		{"(e.3) other problem, to a group", ICMPError{Type: TypeParamProblem, Code: 1}, to(udp(), "ff0e::1234"), false},
		{"(e.6) from ::", unreachable, from(udp(), "::"), false},
		{"(e.6) from a group", unreachable, from(udp(), "ff02::1"), false},
		{"from ::1", unreachable, from(udp(), "::1"), false},
		{"from an IPv4-mapped address", unreachable, from(udp(), "::ffff:192.0.2.1"), false},
	} {
		if got := c.e.MayAnswer(c.p); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// Which errors may be about a packet that went to more than one node (RFC 4443, section
// 2.4 e.3 to e.5).
func TestMayAnswerGroup(t *testing.T) {
	for _, c := range []struct {
		e    ICMPError
		want bool
	}{
		{ICMPError{Type: TypeUnreachable, Code: CodeAddress}, false},
		{ICMPError{Type: TypePacketTooBig}, true},
		{ICMPError{Type: TypeTimeExceeded}, false},
		{ICMPError{Type: TypeParamProblem, Code: 0}, false},
		{ICMPError{Type: TypeParamProblem, Code: 1}, false},
		{ICMPError{Type: TypeParamProblem, Code: 2}, true},
	} {
		if got := c.e.MayAnswerGroup(); got != c.want {
			t.Errorf("type %d, code %d: %v", c.e.Type, c.e.Code, got)
		}
	}
}

// The error is what golang.org/x/net/icmp makes of the same parts, and quotes as
// much as fits in 1280 octets (RFC 4443, 2.4 c; 3.1 to 3.4).
func TestAppendError(t *testing.T) {
	gate := netip.MustParseAddr("fd5e:2a11:77c0:1::1")
	for _, n := range []int{0, 1, 100, 1191, 1192, 1193, 1240} {
		p := append(Header{PayloadLen: n, NextHeader: ProtoUDP, HopLimit: 1, Source: src, Destination: dst}.AppendTo(nil), make([]byte, n)...)
		quote := min(len(p), MinMTU-HeaderLen-8)
		for _, c := range []struct {
			e    ICMPError
			kind icmp.Type
			body icmp.MessageBody
		}{
			{ICMPError{Type: TypeUnreachable, Code: CodeAddress}, xipv6.ICMPTypeDestinationUnreachable, &icmp.DstUnreach{Data: p[:quote]}},
			{ICMPError{Type: TypePacketTooBig, Param: 1280}, xipv6.ICMPTypePacketTooBig, &icmp.PacketTooBig{MTU: 1280, Data: p[:quote]}},
			{ICMPError{Type: TypeTimeExceeded, Code: CodeHopLimit}, xipv6.ICMPTypeTimeExceeded, &icmp.TimeExceeded{Data: p[:quote]}},
			{ICMPError{Type: TypeParamProblem, Code: 1, Param: 40}, xipv6.ICMPTypeParameterProblem, &icmp.ParamProb{Pointer: 40, Data: p[:quote]}},
		} {
			got, err := Parse(c.e.AppendError([]byte{0xaa}, gate, p)[1:])
			if err != nil || got.Source() != gate || got.Destination() != src || got.NextHeader() != ProtoICMPv6 || len(got) > MinMTU {
				t.Fatalf("%+v about %d octets: %x, %v", c.e, n, got, err)
			}
			m := icmp.Message{Type: c.kind, Code: int(c.e.Code), Body: c.body}
			want, err := m.Marshal(icmp.IPv6PseudoHeader(gate.AsSlice(), src.AsSlice()))
			if err != nil || !bytes.Equal(got.Payload(), want) {
				t.Errorf("%+v about %d octets:\n got %x\nwant %x, %v", c.e, n, got.Payload(), want, err)
			}
		}
	}
}
