package neighbor

import (
	"encoding/binary"
	"net/netip"
	"testing"

	"culvert/bridge/ipv6"

	"github.com/mdlayher/ndp"
)

var hostMAC = [6]byte{2, 0, 0, 0, 0, 0x99}

func addr(s string) netip.Addr { return netip.MustParseAddr(s) }

// mutate changes a good solicitation, and puts the checksum right.
func mutate(change func(p ipv6.Packet) ipv6.Packet) []byte {
	p := ipv6.Packet(appendMessage(nil, ipv6.TypeNeighborSol, addr("2001:db8::99"), ipv6.SolicitedNode(addr("2001:db8::b")), addr("2001:db8::b"), 0,
		append([]byte{optionSource, 1}, hostMAC[:]...)))
	p = change(p)
	binary.BigEndian.PutUint16(p[4:], uint16(len(p)-40))
	if len(p) >= 44 {
		p[42], p[43] = 0, 0
		binary.BigEndian.PutUint16(p[42:], ipv6.Checksum(p.SourceBytes(), p.DestinationBytes(), ipv6.ProtoICMPv6, p.Payload()))
	}
	return p
}

// RFC 4861, sections 7.1.1 and 7.1.2, point by point.
func TestNeighborValidation(t *testing.T) {
	group, target, unspecified := ipv6.SolicitedNode(addr("2001:db8::b")).As16(), addr("2001:db8::b").As16(), make([]byte, 16)
	for name, tt := range map[string]struct {
		change func(p ipv6.Packet) ipv6.Packet
		want   bool
	}{
		"as it is":                 {func(p ipv6.Packet) ipv6.Packet { return p }, true},
		"without options":          {func(p ipv6.Packet) ipv6.Packet { return p[:64] }, true},
		"to the target itself":     {func(p ipv6.Packet) ipv6.Packet { copy(p[24:], target[:]); return p }, true},
		"unknown option":           {func(p ipv6.Packet) ipv6.Packet { return append(p, 200, 1, 0, 0, 0, 0, 0, 0) }, true},
		"hop limit 254":            {func(p ipv6.Packet) ipv6.Packet { p[7] = 254; return p }, false},
		"code 1":                   {func(p ipv6.Packet) ipv6.Packet { p[41] = 1; return p }, false},
		"short":                    {func(p ipv6.Packet) ipv6.Packet { return p[:63] }, false},
		"no message":               {func(p ipv6.Packet) ipv6.Packet { return p[:40] }, false},
		"multicast target":         {func(p ipv6.Packet) ipv6.Packet { p[48] = 0xff; return p }, false},
		"unspecified target":       {func(p ipv6.Packet) ipv6.Packet { copy(p[48:64], unspecified); return p }, false},
		"option of length 0":       {func(p ipv6.Packet) ipv6.Packet { p[65] = 0; return p }, false},
		"option past the end":      {func(p ipv6.Packet) ipv6.Packet { p[65] = 2; return p }, false},
		"half an option":           {func(p ipv6.Packet) ipv6.Packet { return append(p, 1) }, false},
		"multicast source":         {func(p ipv6.Packet) ipv6.Packet { p[8] = 0xff; return p }, false},
		"unspecified, with option": {func(p ipv6.Packet) ipv6.Packet { copy(p[8:24], unspecified); return p }, false},
		"unspecified":              {func(p ipv6.Packet) ipv6.Packet { copy(p[8:24], unspecified); return p[:64] }, true},
		"unspecified, to the target": {func(p ipv6.Packet) ipv6.Packet {
			copy(p[8:24], unspecified)
			copy(p[24:], target[:])
			return p[:64]
		}, false},
		"a router solicitation":     {func(p ipv6.Packet) ipv6.Packet { p[40] = ipv6.TypeRouterSol; return p }, false},
		"advertisement":             {func(p ipv6.Packet) ipv6.Packet { p[40] = ipv6.TypeNeighborAdv; p[44] = 0; return p }, true},
		"advertisement, S to group": {func(p ipv6.Packet) ipv6.Packet { p[40] = ipv6.TypeNeighborAdv; p[44] = 0x40; return p }, false},
		"advertisement from nobody": {func(p ipv6.Packet) ipv6.Packet {
			p[40] = ipv6.TypeNeighborAdv
			copy(p[8:24], unspecified)
			return p[:64]
		}, false},
		"next header UDP": {func(p ipv6.Packet) ipv6.Packet { p[6] = ipv6.ProtoUDP; return p }, false},
	} {
		if _, got := Parse(mutate(tt.change)); got != tt.want {
			t.Errorf("%s: %v, want %v", name, got, tt.want)
		}
	}
	bad := mutate(func(p ipv6.Packet) ipv6.Packet { copy(p[24:], group[:]); return p })
	bad[42] ^= 1
	if _, ok := Parse(bad); ok {
		t.Error("a wrong checksum is taken")
	}
	m, _ := Parse(mutate(func(p ipv6.Packet) ipv6.Packet { return p }))
	if !m.HasMAC || m.MAC != hostMAC || m.Source != addr("2001:db8::99") || m.Target != addr("2001:db8::b") || m.Advertisement {
		t.Errorf("%+v", m)
	}
}

// What is sent is what RFC 4862, section 5.4.2, has, and our own parser takes it.
func TestProbe(t *testing.T) {
	target := addr("2001:db8::200:5eef:1000:a")
	b := AppendProbe(nil, target)
	p, err := ipv6.Parse(b)
	if err != nil || !p.Source().IsUnspecified() || p.Destination() != addr("ff02::1:ff00:a") || p.HopLimit() != 255 {
		t.Fatalf("%x %v", b, err)
	}
	m, err := ndp.ParseMessage(p.Payload())
	if ns, ok := m.(*ndp.NeighborSolicitation); err != nil || !ok || ns.TargetAddress != target || len(ns.Options) != 0 {
		t.Errorf("%v %v", m, err)
	}
	if _, ok := Parse(b); !ok {
		t.Error("not valid")
	}
}
