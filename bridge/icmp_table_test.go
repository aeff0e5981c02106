package bridge_test

// What a gateway answers, and to what it keeps silent: crafted packets at a real TUN
// interface, from a host on the LAN, and from nodes, each with its exact answer or
// silence, who gives it (the kernel or culvert), and why. The sections are those of
// RFC 8200, 4443, 4291, 4007, 4890, 5095 and 2827, from memory.

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"culvert/bridge"
	"culvert/bridge/adapt"
	"culvert/bridge/drop"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/lowpan"
	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/bridge/radio"
	"culvert/tun/tuntest"
)

var (
	nodeA, nodeB, nodeGone = eui(0x21), eui(0x22), eui(0x23)
	addrA, addrB           = global(nodeA), global(nodeB)
	lanHost                = netip.MustParseAddr("2001:db8:5::2")
	lanOther               = netip.MustParseAddr("2001:db8:5::3") // a second address of the host
	lanGateway             = netip.MustParseAddr("2001:db8:5::1")
	gwLocal                = netip.MustParseAddr("fe80::200:5eef:1000:1")
	localA                 = netip.MustParseAddr("fe80::200:5eef:1000:21")
	nobody                 = netip.MustParseAddr("2001:db8:0:1::dead:beef")
)

// tableRules are the rules of the table, first match first.
var tableRules = []string{
	"2001:db8:5::/64; fenland/*; udp/7; deny", "2001:db8:5::/64; fenland/*; udp/19; 1/h",
	"2001:db8:5::/64; fenland/*; coap", "2001:db8:5::/64; fenland/*; echo", "2001:db8:5::3; fenland/*; any", "any; fenland/*; udp/6000",
	"fenland/*; 2001:db8:5::/64; coap", "fenland/*; 2001:db8:99::/64; coap", "fenland/*; fenland/*; coap",
}

// A packet in the test's own words: nothing here is built by what is tested.
type raw []byte

func ip6(src, dst netip.Addr, next, hops byte, payload ...byte) raw {
	b := raw{0x60, 0, 0, 0, byte(len(payload) >> 8), byte(len(payload)), next, hops}
	s, d := src.As16(), dst.As16()
	return append(append(append(b, s[:]...), d[:]...), payload...)
}

// sum puts the checksum of RFC 8200, 8.1, at an offset of the upper layer.
func (p raw) sum(upper, at int) raw {
	b := p[upper:]
	b[at], b[at+1] = 0, 0
	pseudo := append(append([]byte(nil), p[8:40]...), 0, 0, byte(len(b)>>8), byte(len(b)), 0, 0, 0, map[int]byte{2: 58, 6: 17}[at])
	var s uint32
	for _, part := range [][]byte{pseudo, b} {
		for i := 0; i < len(part); i += 2 {
			v := uint32(part[i]) << 8
			if i+1 < len(part) {
				v |= uint32(part[i+1])
			}
			s += v
		}
	}
	for s > 0xffff {
		s = s>>16 + s&0xffff
	}
	binary.BigEndian.PutUint16(b[at:], ^uint16(s))
	return p
}

func udpTo(src, dst netip.Addr, hops byte, sport, dport uint16, n int) raw {
	u := []byte{byte(sport >> 8), byte(sport), byte(dport >> 8), byte(dport), byte((8 + n) >> 8), byte(8 + n), 0, 0}
	return ip6(src, dst, 17, hops, append(u, make([]byte, n)...)...).sum(40, 6)
}

func coapTo(src, dst netip.Addr, hops byte, size int) raw {
	return udpTo(src, dst, hops, 4000, 5683, size-48)
}

func icmpTo(src, dst netip.Addr, hops byte, msg ...byte) raw {
	return ip6(src, dst, 58, hops, msg...).sum(40, 2)
}

// with puts an extension header of 8 octets before the payload.
func (p raw) with(typ byte, body ...byte) raw {
	h := append([]byte{p[6], 0}, body...)
	out := append(append(append(raw(nil), p[:40]...), h...), p[40:]...)
	out[6] = typ
	binary.BigEndian.PutUint16(out[4:], uint16(len(out)-40))
	return out
}

func (p raw) hops(n byte) raw { q := bytes.Clone(p); q[7] = n; return q }

// errorAbout is an ICMPv6 error with as much of the packet as fits in 1280 octets (RFC
// 4443, 2.4 c).
func errorAbout(p raw, src, dst netip.Addr, hops, typ, code byte, param uint32) raw {
	msg := binary.BigEndian.AppendUint32([]byte{typ, code, 0, 0}, param)
	return icmpTo(src, dst, hops, append(msg, p[:min(len(p), 1232)]...)...)
}

// Where a packet is injected, and where one comes out.
const (
	atTUN  = "TUN"
	atLAN  = "LAN"
	atMesh = "mesh"
)

const (
	kernel  = "kernel"
	culvert = "culvert"
)

// injected is one row of the table.
type injected struct {
	name, section string
	at            string
	from          ieee802154.Addr // at the mesh: the node that sends
	p             raw
	before        raw         // sent first from the same place, and not looked at
	by            string      // who decides
	reason        drop.Reason // under which culvert ends the packet; None: it does not
	out           string      // where something comes out; empty is silence
	want          raw
}

// table makes the rows. What culvert writes to the TUN for the LAN host is forwarded by
// the kernel, which takes one hop more.
func table() []injected {
	const lan, mesh = atLAN, atMesh
	h := lanHost
	toA := func(hops byte) raw { return coapTo(h, addrA, hops, 52) }
	culvertSays := func(p raw, typ, code byte, param uint32) raw {
		return errorAbout(p, gateway, addrOf(p, 8), 63, typ, code, param)
	}
	rows := []injected{
		{name: "a packet", section: "RFC 8200, 3", p: toA(64), out: mesh, want: toA(63)},
		{name: "hop limit 2", section: "RFC 8200, 3", p: toA(2), out: mesh, want: toA(1)},
		{name: "hop limit 255", section: "RFC 8200, 3", p: toA(255), out: mesh, want: toA(254)},
		{name: "hop limit 1", section: "RFC 4443, 3.3", p: toA(1), reason: drop.HopLimit, out: lan, want: culvertSays(toA(1), 3, 0, 0)},
		{name: "hop limit 0", section: "RFC 4443, 3.3", p: toA(0), reason: drop.HopLimit, out: lan, want: culvertSays(toA(0), 3, 0, 0)},
		{name: "1280 octets", section: "RFC 8200, 5", p: coapTo(h, addrA, 64, 1280), out: mesh, want: coapTo(h, addrA, 63, 1280)},
		{name: "1281 octets", section: "RFC 4443, 3.2", p: coapTo(h, addrA, 64, 1281), reason: drop.PacketTooBig, out: lan, want: culvertSays(coapTo(h, addrA, 64, 1281), 2, 0, 1280)},
		{name: "an address of no node", section: "RFC 4443, 3.1; RFC 6583, 6", p: coapTo(h, nobody, 64, 52), reason: drop.UnknownNode, out: lan, want: culvertSays(coapTo(h, nobody, 64, 52), 1, 3, 0)},
		{name: "a node that is gone", section: "RFC 4443, 3.1", p: coapTo(h, global(nodeGone), 64, 52), reason: drop.NodeSilent, out: lan, want: culvertSays(coapTo(h, global(nodeGone), 64, 52), 1, 3, 0)},
		{name: "another prefix", section: "RFC 4443, 3.1", p: coapTo(h, netip.MustParseAddr("2001:db8:77::1"), 64, 52), reason: drop.UnknownNode, out: lan,
			want: culvertSays(coapTo(h, netip.MustParseAddr("2001:db8:77::1"), 64, 52), 1, 0, 0)},
		{name: "to a link-local address", section: "RFC 4291, 2.5.6", p: coapTo(h, localA, 64, 52), reason: drop.LinkLocal},
		{name: "from a link-local address", section: "RFC 4291, 2.5.6", p: coapTo(netip.MustParseAddr("fe80::bad"), addrA, 64, 52), reason: drop.LinkLocal},
	}
	for _, s := range []string{"::", "::1", "ff02::1", "::ffff:192.0.2.1"} {
		rows = append(rows, injected{name: "from " + s, section: "RFC 4291, 2.5 and 2.7; RFC 4443, 2.4 e", p: coapTo(netip.MustParseAddr(s), addrA, 64, 52), reason: drop.SourceInvalid})
	}
	rows = append(rows, injected{name: "hop limit 1 from ::", section: "RFC 4443, 2.4 e.6", p: coapTo(netip.IPv6Unspecified(), addrA, 1, 52), reason: drop.SourceInvalid})
	for _, d := range []string{"::", "::1", "::ffff:192.0.2.1"} {
		rows = append(rows, injected{name: "to " + d, section: "RFC 4291, 2.5", p: coapTo(h, netip.MustParseAddr(d), 64, 52), reason: drop.DestinationInvalid})
	}
	for _, d := range []string{"ff00::1", "ff01::1", "ff02::1", "ff03::1", "ff05::2", "ff0e::1234"} {
		rows = append(rows, injected{name: "to " + d, section: "RFC 4007, 5; RFC 4443, 2.4 e.3", p: coapTo(h, netip.MustParseAddr(d), 64, 52), reason: drop.Multicast})
	}
	tooBig := coapTo(h, netip.MustParseAddr("ff0e::1"), 64, 1281)
	return append(append(append(rows, injected{name: "1281 octets to a group", section: "RFC 4443, 2.4 e.3", p: tooBig, reason: drop.Multicast}),
		headerRows(culvertSays)...), append(lanRows(), meshRows()...)...)
}

func addrOf(p raw, at int) netip.Addr { return netip.AddrFrom16([16]byte(p[at:])) }

// headerRows are packets at the TUN of which the headers matter.
func headerRows(culvertSays func(raw, byte, byte, uint32) raw) []injected {
	const lan, mesh = atLAN, atMesh
	h, o := lanHost, lanOther
	toA := func(hops byte) raw { return coapTo(h, addrA, hops, 52) }
	skip, discard := []byte{0x1e, 4, 1, 2, 3, 4}, []byte{0x9e, 4, 1, 2, 3, 4} // options that nobody knows
	echoA := icmpTo(h, addrA, 64, 128, 0, 0, 0, 0, 7, 0, 1)
	first := toA(64).with(44, 0, 1, 0, 0, 0, 9)  // offset 0, more follow
	later := toA(64).with(44, 0, 17, 0, 0, 0, 9) // offset 16 octets: behind the first
	over := toA(64).with(44, 0, 9, 0, 0, 0, 9)   // offset 8 octets: over the end of the first
	alone := toA(64).with(44, 0, 9, 0, 0, 0, 8)  // of another packet
	flow := coapTo(addrA, h, 64, 52)             // of node A, outward
	tooBigOf := errorAbout(flow, netip.MustParseAddr("2001:db8:5::9"), addrA, 64, 2, 0, 1280)
	noFlow := errorAbout(coapTo(addrA, netip.MustParseAddr("2001:db8:5::8"), 64, 52), netip.MustParseAddr("2001:db8:5::9"), addrA, 64, 1, 4, 0)
	badSum := toA(64)
	badSum[46] ^= 0xff
	noSum := toA(64)
	noSum[46], noSum[47] = 0, 0
	rh := func(typ byte) raw { return toA(64).with(43, typ, 0, 0, 0, 0, 0) }
	proto := ip6(o, addrB, 253, 64, 1, 2, 3, 4, 5, 6, 7, 8) // RFC 3692: for experiments
	linkTalk := func(typ byte) raw { return icmpTo(h, addrA, 255, append([]byte{typ}, make([]byte, 23)...)...) }
	version4 := toA(64)
	version4[0] = 0x45
	cut := toA(64)
	cut[5]++
	chargen := udpTo(h, addrA, 64, 4000, 19, 4)
	return []injected{
		{name: "a type 0 routing header", section: "RFC 5095, 3", p: rh(0), reason: drop.RoutingType0},
		{name: "another routing header", section: "RFC 8200, 4.4", p: rh(253), out: mesh, want: rh(253).hops(63)},
		{name: "a hop-by-hop option to skip", section: "RFC 8200, 4.2 and 4.3", p: toA(64).with(0, skip...), out: mesh, want: toA(63).with(0, skip...)},
		{name: "a destination option to skip", section: "RFC 8200, 4.6", p: toA(64).with(60, skip...), out: mesh, want: toA(63).with(60, skip...)},
		{name: "a destination option to discard", section: "RFC 8200, 4.2: the destination's business", p: toA(64).with(60, discard...), out: mesh, want: toA(63).with(60, discard...)},
		{name: "an unknown next header", section: "RFC 8200, 4", p: proto, out: mesh, want: proto.hops(63)},
		{name: "no next header", section: "RFC 8200, 4.7", p: ip6(o, addrB, 59, 64), out: mesh, want: ip6(o, addrB, 59, 63)},
		{name: "the first fragment", section: "RFC 8200, 4.5", p: first, out: mesh, want: first.hops(63)},
		{name: "a later fragment", section: "RFC 8200, 4.5", p: later, out: mesh, want: later.hops(63)},
		{name: "a fragment over the end of the first", section: "RFC 5722, 3", p: over, reason: drop.PacketFragment},
		{name: "a later fragment alone", section: "RFC 6092, 3; our choice", p: alone, reason: drop.Policy},
		{name: "a wrong UDP checksum", section: "RFC 8200, 8.1: not a router's business", p: badSum, out: mesh, want: badSum.hops(63)},
		{name: "no UDP checksum", section: "RFC 8200, 8.1", p: noSum, out: mesh, want: noSum.hops(63)},
		{name: "echo request", section: "RFC 4890, 4.3.1", p: echoA, out: mesh, want: echoA.hops(63)},
		{name: "an echo reply that nobody asked for", section: "RFC 6092, 3", p: icmpTo(h, addrA, 64, 129, 0, 0, 0, 0, 8, 0, 1), reason: drop.Policy},
		{name: "router solicitation", section: "RFC 4890, 4.3.3", p: linkTalk(133), reason: drop.NeighborInvalid},
		{name: "router advertisement", section: "RFC 4890, 4.3.3", p: linkTalk(134), reason: drop.NeighborInvalid},
		{name: "neighbour solicitation", section: "RFC 4890, 4.3.3", p: linkTalk(135), reason: drop.NeighborInvalid},
		{name: "neighbour advertisement", section: "RFC 4890, 4.3.3", p: linkTalk(136), reason: drop.NeighborInvalid},
		{name: "redirect", section: "RFC 4890, 4.3.3", p: linkTalk(137), reason: drop.NeighborInvalid},
		{name: "listener report", section: "RFC 4890, 4.3.3", p: linkTalk(143), reason: drop.NeighborInvalid},
		{name: "duplicate address request", section: "RFC 6775, 8.2; RFC 4890, 4.3.3", p: linkTalk(157), reason: drop.NeighborInvalid},
		{name: "duplicate address confirmation", section: "RFC 6775, 8.2; RFC 4890, 4.3.3", p: linkTalk(158), reason: drop.NeighborInvalid},
		{name: "an error about no flow", section: "RFC 4890, 4.3.1", p: noFlow, reason: drop.Policy},
		{name: "hop limit 1, an error", section: "RFC 4443, 2.4 e.1", p: noFlow.hops(1), reason: drop.HopLimit},
		{name: "hop limit 1, an error behind a header", section: "RFC 4443, 2.4 e.1", p: noFlow.hops(1).with(60, skip...), reason: drop.HopLimit},
		{name: "hop limit 1, a redirect", section: "RFC 4443, 2.4 e.2", p: linkTalk(137).hops(1), reason: drop.NeighborInvalid},
		{name: "hop limit 1, an unknown informational message", section: "RFC 4443, 2.4 e", p: icmpTo(h, addrA, 1, 200, 0, 0, 0, 0, 0, 0, 0), reason: drop.HopLimit, out: lan,
			want: culvertSays(icmpTo(h, addrA, 1, 200, 0, 0, 0, 0, 0, 0, 0), 3, 0, 0)},
		{name: "version 4", section: "RFC 8200, 3", p: version4, reason: drop.NotIPv6},
		{name: "shorter than it says", section: "RFC 8200, 3", p: cut, reason: drop.NotIPv6},
		{name: "39 octets", section: "RFC 8200, 3", p: toA(64)[:39], reason: drop.NotIPv6},
		{name: "longer than it says", section: "RFC 8200, 3", p: append(toA(64), 1, 2, 3), out: mesh, want: toA(63)},
		{name: "a node's source, from outside", section: "RFC 2827", p: coapTo(addrB, addrA, 64, 52), reason: drop.SourceForeign},
		{name: "a service without a rule", section: "RFC 6092, 3", p: udpTo(h, addrA, 64, 4000, 9, 4), reason: drop.Policy},
		{name: "a service that is denied with an answer", section: "RFC 4443, 3.1", p: udpTo(h, addrA, 64, 4000, 7, 4), reason: drop.Policy, out: lan,
			want: culvertSays(udpTo(h, addrA, 64, 4000, 7, 4), 1, 1, 0)},
		{name: "over the rate, with an answer", section: "RFC 4443, 3.1; RFC 6583, 7", before: chargen, p: chargen, reason: drop.RateLimited, out: lan, want: culvertSays(chargen, 1, 1, 0)},
		{name: "a unique local source by a rule for any", section: "RFC 4193, 4.3; RFC 6092, REC-7", p: udpTo(netip.MustParseAddr("fd00:5::2"), addrA, 64, 4000, 6000, 4), reason: drop.Policy},
		{name: "an error about a live flow", section: "RFC 4890, 4.3.1", at: atTUN + " after the mesh", before: flow, p: tooBigOf, out: mesh, want: tooBigOf.hops(63)},
	}
}

// lanRows are packets of a host on the LAN: some end in the kernel.
func lanRows() []injected {
	const lan, mesh = atLAN, atMesh
	h := lanHost
	toA := func(hops byte) raw { return coapTo(h, addrA, hops, 52) }
	says := func(p raw, src netip.Addr, hops, typ, code byte, param uint32) raw {
		return errorAbout(p, src, h, hops, typ, code, param)
	}
	seen := func(p raw) raw { return p.hops(p[7] - 1) } // as culvert gets it from the kernel
	skip, discard := []byte{0x1e, 4, 1, 2, 3, 4}, []byte{0x9e, 4, 1, 2, 3, 4}
	ask := icmpTo(h, gateway, 64, append([]byte{128, 0, 0, 0, 0, 3, 0, 1}, make([]byte, 1232)...)...)
	reply := icmpTo(gateway, h, 64, append([]byte{129, 0, 0, 0, 0, 3, 0, 1}, make([]byte, 1232)...)...)
	closed := udpTo(h, gateway, 64, 4000, 9, 4)
	nowhere := coapTo(h, netip.MustParseAddr("2001:db8:98::1"), 64, 52)
	rows := []injected{
		{name: "a packet", section: "RFC 8200, 3", by: culvert, p: toA(64), out: mesh, want: toA(62)},
		{name: "hop limit 1", section: "RFC 4443, 3.3", by: kernel, p: toA(1), out: lan, want: says(toA(1), lanGateway, 64, 3, 0, 0)},
		{name: "hop limit 2", section: "RFC 4443, 3.3", by: culvert, p: toA(2), reason: drop.HopLimit, out: lan, want: says(toA(1), gateway, 63, 3, 0, 0)},
		{name: "1281 octets", section: "RFC 4443, 3.2", by: kernel, p: coapTo(h, addrA, 64, 1281), out: lan, want: says(coapTo(h, addrA, 64, 1281), lanGateway, 64, 2, 0, 1280)},
		{name: "1280 octets", section: "RFC 8200, 5", by: culvert, p: coapTo(h, addrA, 64, 1280), out: mesh, want: coapTo(h, addrA, 62, 1280)},
		{name: "an address of no node", section: "RFC 4443, 3.1", by: culvert, p: coapTo(h, nobody, 64, 52), reason: drop.UnknownNode, out: lan, want: says(seen(coapTo(h, nobody, 64, 52)), gateway, 63, 1, 3, 0)},
		{name: "no route", section: "RFC 4443, 3.1", by: kernel, p: nowhere, out: lan, want: says(nowhere, lanGateway, 64, 1, 0, 0)},
		{name: "a closed port of the gateway", section: "RFC 4443, 3.1", by: kernel, p: closed, out: lan, want: says(closed, gateway, 64, 1, 4, 0)},
		{name: "echo of 1232 octets to the gateway", section: "RFC 4443, 4.1 and 4.2", by: kernel, p: ask, out: lan, want: reply},
		{name: "hop limit 1 to the gateway", section: "RFC 8200, 3", by: kernel, p: icmpTo(h, gateway, 1, 128, 0, 0, 0, 0, 4, 0, 1), out: lan, want: icmpTo(gateway, h, 64, 129, 0, 0, 0, 0, 4, 0, 1)},
		{name: "from ::1", section: "RFC 4291, 2.5.3", by: kernel, p: coapTo(netip.IPv6Loopback(), addrA, 64, 52)},
		{name: "from a group", section: "RFC 4291, 2.7", by: kernel, p: coapTo(netip.MustParseAddr("ff02::1"), addrA, 64, 52)},
		{name: "from a node's address", section: "RFC 2827", by: kernel, p: coapTo(addrB, addrA, 64, 52)},
		{name: "from the gateway's address", section: "RFC 2827", by: kernel, p: coapTo(gateway, addrA, 64, 52)},
		{name: "to a group", section: "RFC 4007, 5", by: kernel, p: coapTo(h, netip.MustParseAddr("ff0e::1234"), 64, 52)},
		{name: "a hop-by-hop option to skip", section: "RFC 8200, 4.2", by: culvert, p: toA(64).with(0, skip...), out: mesh, want: toA(62).with(0, skip...)},
		{name: "a hop-by-hop option to discard", section: "RFC 8200, 4.2; RFC 4443, 3.4", by: kernel, p: toA(64).with(0, discard...), out: lan, want: says(toA(64).with(0, discard...), lanGateway, 64, 4, 2, 42)},
		{name: "a type 0 routing header", section: "RFC 5095, 3", by: culvert, p: toA(64).with(43, 0, 0, 0, 0, 0, 0), reason: drop.RoutingType0},
		{name: "a service without a rule", section: "RFC 6092, 3", by: culvert, p: udpTo(h, addrA, 64, 4000, 9, 4), reason: drop.Policy},
		{name: "a service that is denied with an answer", section: "RFC 4443, 3.1", by: culvert, p: udpTo(h, addrA, 64, 4000, 7, 4), reason: drop.Policy, out: lan,
			want: says(seen(udpTo(h, addrA, 64, 4000, 7, 4)), gateway, 63, 1, 1, 0)},
	}
	for i := range rows {
		rows[i].at = atLAN
	}
	return rows
}

// meshRows are packets of nodes.
func meshRows() []injected {
	const lan, mesh = atLAN, atMesh
	out := func(hops byte) raw { return coapTo(addrA, lanHost, hops, 52) }
	says := func(p raw, src netip.Addr, typ, code byte) raw {
		return errorAbout(p, src, addrOf(p, 8), 64, typ, code, 0)
	}
	ask := coapTo(lanHost, addrA, 64, 52)
	unreachable := errorAbout(ask.hops(63), addrA, lanHost, 64, 1, 4, 0)
	about := errorAbout(coapTo(netip.MustParseAddr("2001:db8:5::7"), addrA, 64, 52), addrA, netip.MustParseAddr("2001:db8:5::7"), 64, 1, 4, 0)
	nowhere := coapTo(addrA, netip.MustParseAddr("2001:db8:99::1"), 64, 52)
	closed := udpTo(addrA, gateway, 64, 4000, 9, 4)
	b := coapTo(addrA, addrB, 64, 52)
	fromLocal := coapTo(localA, lanHost, 64, 52)
	rows := []injected{
		{name: "a packet", section: "RFC 8200, 3", by: culvert, p: out(64), out: lan, want: out(62)},
		{name: "hop limit 1", section: "RFC 4443, 3.3", by: culvert, p: out(1), reason: drop.HopLimit, out: mesh, want: says(out(1), gateway, 3, 0)},
		{name: "hop limit 2", section: "RFC 4443, 3.3", by: kernel, p: out(2), out: mesh, want: says(out(1), gateway, 3, 0)},
		{name: "from a link-local address to outside", section: "RFC 4443, 3.1; RFC 4007, 9", by: culvert, p: fromLocal, reason: drop.LinkLocal, out: mesh, want: says(fromLocal, gwLocal, 1, 2)},
		{name: "an address of no node", section: "RFC 4443, 3.1", by: culvert, p: coapTo(addrA, nobody, 64, 52), reason: drop.UnknownNode, out: mesh, want: says(coapTo(addrA, nobody, 64, 52), gateway, 1, 3)},
		{name: "no route", section: "RFC 4443, 3.1", by: kernel, p: nowhere, out: mesh, want: says(nowhere.hops(63), gateway, 1, 0)},
		{name: "a closed port of the gateway", section: "RFC 4443, 3.1", by: kernel, p: closed, out: mesh, want: says(closed, gateway, 1, 4)},
		{name: "node to node", section: "RFC 8200, 3", by: culvert, p: b, out: mesh, want: b.hops(63)},
		{name: "node to node, hop limit 1", section: "RFC 4443, 3.3", by: culvert, p: b.hops(1), reason: drop.HopLimit, out: mesh, want: says(b.hops(1), gateway, 3, 0)},
		{name: "node to node without a rule", section: "RFC 6092, 3", by: culvert, p: udpTo(addrA, addrB, 64, 4000, 9, 4), reason: drop.Policy},
		{name: "another node's source", section: "RFC 2827", by: culvert, p: coapTo(addrB, lanHost, 64, 52), reason: drop.NotOwnAddress},
		{name: "a source outside the mesh", section: "RFC 2827", by: culvert, p: coapTo(netip.MustParseAddr("2001:db8:77::1"), lanHost, 64, 52), reason: drop.SourceForeign},
		{name: "a type 0 routing header", section: "RFC 5095, 3", by: culvert, p: out(64).with(43, 0, 0, 0, 0, 0, 0), reason: drop.RoutingType0},
		{name: "to a group", section: "RFC 4007, 5", by: culvert, p: coapTo(addrA, netip.MustParseAddr("ff05::2"), 64, 52), reason: drop.Multicast},
		{name: "a service without a rule", section: "RFC 6092, 3", by: culvert, p: udpTo(addrA, lanHost, 64, 4000, 9, 4), reason: drop.Policy},
		{name: "an error about what was let in", section: "RFC 4890, 4.3.1", by: culvert, at: atMesh + " after the LAN", before: ask, p: unreachable, out: lan, want: unreachable.hops(62)},
		{name: "an error about nothing", section: "RFC 4890, 4.3.1", by: culvert, p: about, reason: drop.Policy},
	}
	for i := range rows {
		rows[i].from = nodeA
		if rows[i].at == "" {
			rows[i].at = atMesh
		}
	}
	return rows
}

// TestICMPTable injects every row, and looks at what comes out on the LAN and at the
// nodes, what the kernel got from culvert, and what was counted.
func TestICMPTable(t *testing.T) {
	rig := newTableRig(t)
	rows := table()
	if len(rows) < 60 {
		t.Fatalf("%d rows, want 60 at least", len(rows))
	}
	count := map[string]int{}
	for _, row := range rows {
		if row.at == "" {
			row.at = atTUN
		}
		if row.by == "" {
			row.by = culvert
		}
		count[row.at[:min(len(row.at), 4)]+" "+row.by]++
		t.Run(row.at+"/"+row.name, func(t *testing.T) { rig.try(t, row) })
	}
	if err := rig.m.stop(); err != nil {
		t.Error(err)
	}
	sums(t, rig.m.Stats().Forward)
	t.Logf("%d rows: %v", len(rows), count)
}

// tableRig is a gateway with a real TUN between a LAN host and a radio of the test.
type tableRig struct {
	m    running
	gw   *tuntest.NS
	r    *forwardtest.Radio
	far  *adapt.Sender
	tun  *wire // the gateway's side of the mesh's interface
	host *wire // the host's interface on the LAN
	rx   *adapt.Receiver

	marks int

	mu    sync.Mutex
	nodes []raw // packets that nodes got
}

func newTableRig(t *testing.T) *tableRig {
	gw, host := tuntest.NewNS(t), tuntest.NewNS(t)
	rig := &tableRig{r: forwardtest.NewRadio(), far: adapt.NewSender(0), rx: adapt.NewReceiver(adapt.Options{})}
	rig.r.OnSend = func(r *forwardtest.Radio, s forwardtest.Sent) {
		rig.mu.Lock()
		g, err := rig.rx.Receive(lowpan.Peer{From: gwEUI, To: s.Frame.To}, s.Frame.Payload, contexts, time.Now())
		if err == nil && g.Packet != nil {
			rig.nodes = append(rig.nodes, bytes.Clone(g.Packet))
		}
		rig.mu.Unlock()
		r.Result(s.ID, radio.OutcomeDelivered)
	}
	e := policy.New(policy.Options{Mesh: "fenland", Now: time.Now(), Limits: policy.Limits{NodeAir: policy.Air{PerSecond: -1}, MeshAir: policy.Air{PerSecond: -1}}})
	e.Swap(ruleSet(t, tableRules...))
	rig.m = start(t, bridge.Options{Radio: rig.r, OpenTun: openIn(gw, prefix, netip.Addr{}), Policy: e})
	rig.r.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA}, radio.NodeInfo{Addr: nodeB}, radio.NodeInfo{Addr: nodeGone})
	rig.r.Push(radio.Event{Kind: radio.EventDetached, Node: radio.NodeInfo{Addr: nodeGone}})
	tuntest.Poll(t, 10*time.Second, func() (bool, string) {
		s := rig.m.Stats()
		return s.Up && s.Nodes.Nodes[node.Silent] == 1, rig.m.log.String()
	})
	tuntest.Veth(t, gw, "lan0", host, "eth0")
	gw.Addr("lan0", netip.PrefixFrom(lanGateway, 64))
	gw.Forward()
	gw.Sysctl("net.ipv6.auto_flowlabels", "0") // which are random
	gw.Sysctl("net.ipv6.icmp.ratelimit", "0")  // the kernel's own errors, which are counted here one by one
	host.Addr("eth0", netip.PrefixFrom(lanHost, 64))
	host.Addr("eth0", netip.PrefixFrom(lanOther, 64))
	host.Route(prefix, lanGateway)
	host.Do(func() { // somebody listens, so that the host's kernel has nothing to answer
		c, err := net.ListenUDP("udp6", &net.UDPAddr{Port: 5683})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
	})
	rig.gw = gw
	rig.tun = newWire(t, gw, device, nil)
	rig.host = newWire(t, host, "eth0", append(append([]byte(gw.Link("lan0").Attrs().HardwareAddr), host.Link("eth0").Attrs().HardwareAddr...), 0x86, 0xdd))
	rig.host.deaf = true
	rig.settle(t) // from now on the markers' answers belong to a flow
	return rig
}

// marker is a packet that surely gets through, after all that was injected before,
// since each way is a queue; and its answer.
func (rig *tableRig) marker() (ask, answer raw) {
	rig.marks++
	n, m := byte(rig.marks>>8), byte(rig.marks)
	return icmpTo(lanHost, addrB, 64, 128, 0, 0, 0, 0xee, 0, n, m), icmpTo(addrB, lanHost, 64, 129, 0, 0, 0, 0xee, 0, n, m)
}

func (rig *tableRig) try(t *testing.T, row injected) {
	if row.before != nil {
		rig.inject(t, map[string]string{atTUN + " after the mesh": atMesh, atMesh + " after the LAN": atTUN, atTUN: atTUN}[row.at], nodeA, row.before)
		rig.settle(t)
	}
	before := rig.m.Stats().Forward
	rig.inject(t, row.at[:min(len(row.at), len(atMesh))], row.from, row.p)
	nodes, lan, toKernel := rig.settle(t)
	after := rig.m.Stats().Forward
	got := map[string][]raw{atMesh: nodes, atLAN: lan}
	for where, packets := range got {
		switch {
		case where != row.out && len(packets) > 0:
			t.Errorf("%s: came out at the %s: %x", row.section, where, packets)
		case where == row.out && (len(packets) != 1 || !bytes.Equal(packets[0], row.want)):
			t.Errorf("%s: at the %s\ngot  %x\nwant %x", row.section, where, packets, row.want)
		}
	}
	var ends uint64
	for r := range drop.Count {
		if r == drop.KernelOwn {
			continue // what the gateway's kernel says by itself at any time
		}
		d := after.ToMesh.Dropped[r] - before.ToMesh.Dropped[r] + after.FromMesh.Dropped[r] - before.FromMesh.Dropped[r]
		if ends += d; d > 0 && (r != row.reason || d != 1) {
			t.Errorf("%s: %d ended as %v, want one as %v", row.section, d, r, row.reason)
		}
	}
	if want := row.reason != drop.None; want != (ends == 1) {
		t.Errorf("%s: %d packets ended in culvert, want %v", row.section, ends, row.reason)
	}
	answered := uint64(0)
	for _, e := range after.Errors {
		answered += e.Count
	}
	for _, e := range before.Errors {
		answered -= e.Count
	}
	if want := row.by == culvert && row.reason != drop.None && row.out != ""; want != (answered == 1) || answered > 1 {
		t.Errorf("%s: culvert answered %d times, want an answer: %v", row.section, answered, want)
	}
	if row.by == kernel && row.at == atLAN && len(toKernel) > 0 {
		t.Errorf("%s: the kernel's answer came from culvert: %x", row.section, toKernel)
	}
}

// inject sends a packet from a place.
func (rig *tableRig) inject(t *testing.T, at string, from ieee802154.Addr, p raw) {
	t.Helper()
	switch at {
	case atLAN:
		rig.host.send(t, p)
	case atMesh:
		for _, ev := range frames(t, rig.far, from, []byte(p)) {
			rig.r.Push(ev)
		}
	default:
		if len(p) > 1280 { // more than a packet socket may send here: as if the MTU had been raised by hand
			rig.mtu(t, 1500)
			defer rig.mtu(t, 1280)
		}
		rig.tun.send(t, p)
	}
}

func (rig *tableRig) mtu(t *testing.T, octets int) {
	t.Helper()
	if err := rig.gw.Handle().LinkSetMTU(rig.gw.Link(device), octets); err != nil {
		t.Fatal(err)
	}
}

// settle waits until markers have gone each way, and returns what else came out since
// the last call: at the nodes, on the LAN, and what culvert gave the kernel.
func (rig *tableRig) settle(t *testing.T) (nodes, lan, toKernel []raw) {
	t.Helper()
	up := func(answer raw) { // from a node to the LAN: what nodes sent is through
		for _, ev := range frames(t, rig.far, nodeB, []byte(answer)) {
			rig.r.Push(ev)
		}
		lan = append(lan, rig.host.until(t, answer.hops(62))...)
		toKernel = append(toKernel, rig.tun.until(t, answer.hops(63))...)
	}
	if rig.marks > 0 {
		_, answer := rig.marker()
		up(answer)
	}
	ask, answer := rig.marker() // from the LAN to a node: so is what the kernel said to that
	rig.host.send(t, ask)
	tuntest.Poll(t, 5*time.Second, func() (bool, string) {
		rig.mu.Lock()
		defer rig.mu.Unlock()
		for i, p := range rig.nodes {
			if bytes.Equal(p, ask.hops(62)) {
				nodes = append(rig.nodes[:i:i], rig.nodes[i+1:]...)
				rig.nodes = nil
				return true, ""
			}
		}
		return false, fmt.Sprintf("the marker has not reached its node: %x", rig.nodes)
	})
	up(answer) // and what culvert said to that
	return nodes, lan, toKernel
}

// wire is a packet socket on an interface.
type wire struct {
	fd, index int
	head      []byte // of the link layer, before what is sent
	deaf      bool   // to neighbour discovery, which is the kernels' own
}

func newWire(t *testing.T, ns *tuntest.NS, name string, head []byte) *wire {
	t.Helper()
	w := &wire{index: ns.Link(name).Attrs().Index, head: head}
	ns.Do(func() {
		var err error
		proto := int(binary.BigEndian.Uint16(binary.NativeEndian.AppendUint16(nil, unix.ETH_P_ALL)))
		if w.fd, err = unix.Socket(unix.AF_PACKET, unix.SOCK_RAW|unix.SOCK_CLOEXEC, proto); err != nil {
			t.Fatal(err)
		}
	})
	t.Cleanup(func() { unix.Close(w.fd) })
	for _, err := range []error{
		unix.Bind(w.fd, &unix.SockaddrLinklayer{Protocol: 0x0300, Ifindex: w.index}),
		unix.SetsockoptTimeval(w.fd, unix.SOL_SOCKET, unix.SO_RCVTIMEO, &unix.Timeval{Sec: 5}),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	return w
}

func (w *wire) send(t *testing.T, p raw) {
	t.Helper()
	to := &unix.SockaddrLinklayer{Protocol: 0xdd86, Ifindex: w.index}
	if err := unix.Sendto(w.fd, append(bytes.Clone(w.head), p...), 0, to); err != nil {
		t.Fatal(err)
	}
}

// until reads what came in up to a packet, and returns what came before it.
func (w *wire) until(t *testing.T, last raw) (out []raw) {
	t.Helper()
	b := make([]byte, 4096)
	for {
		n, from, err := unix.Recvfrom(w.fd, b, 0)
		if errors.Is(err, unix.EINTR) {
			continue
		}
		if err != nil {
			t.Fatalf("the marker does not come: %v; so far %x", err, out)
		}
		if from.(*unix.SockaddrLinklayer).Pkttype == unix.PACKET_OUTGOING || n < len(w.head) {
			continue
		}
		p := raw(bytes.Clone(b[len(w.head):n]))
		if len(w.head) > 0 && !bytes.Equal(b[12:14], w.head[12:14]) || len(p) < 41 {
			continue
		}
		if w.deaf && (p[6] == 58 && p[40] >= 133 && p[40] <= 136 || p[6] == 0) {
			continue
		}
		if bytes.Equal(p, last) {
			return out
		}
		out = append(out, p)
	}
}

// ruleSet compiles lines of "from; to; service; deny or a rate"; what does not pass is
// answered.
func ruleSet(t testing.TB, lines ...string) *policy.Set {
	t.Helper()
	var list []policy.Rule
	for _, line := range lines {
		r, err := parseRule(line)
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, r)
	}
	s, err := policy.Compile(list)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func parseRule(line string) (r policy.Rule, err error) {
	part := strings.Split(line, "; ")
	from, err1 := policy.ParseEnd(part[0])
	to, err2 := policy.ParseEnd(part[1])
	s, err3 := policy.ParseService(part[2])
	r = policy.Rule{From: []policy.End{from}, To: []policy.End{to}, Services: []policy.Service{s}}
	for _, o := range part[3:] {
		if r.Answer = true; o == "deny" {
			r.Deny = true
		} else if r.Source, err = policy.ParseRate(o); err != nil {
			return r, err
		}
	}
	return r, errors.Join(err1, err2, err3)
}
