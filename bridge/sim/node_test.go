package sim

import (
	"bytes"
	"net/netip"
	"slices"
	"testing"
	"time"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"

	"culvert/bridge/adapt"
	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/radio"
)

// host is an IPv6 host beyond the gateway: it has the gateway's end of the
// adaptation layer, and no radio.
type host struct {
	t        testing.TB
	m        *Mesh
	sender   *adapt.Sender
	receiver *adapt.Receiver
	contexts *lowpan.Contexts
	id       uint32
	packets  [][]byte // that came from nodes
	drops    []error
	failed   int // frames
	busy     int // frames without a result
}

func newHost(t testing.TB, m *Mesh) *host {
	h := &host{t: t, m: m, sender: adapt.NewSender(1), receiver: adapt.NewReceiver(adapt.Options{}),
		contexts: lowpan.NewContexts(map[uint8]netip.Prefix{0: testPrefix})}
	m.Connect(h.emit)
	return h
}

func (h *host) emit(e radio.Event) {
	switch e.Kind {
	case radio.EventResult:
		h.busy--
		if !e.Outcome.OK() {
			h.failed++
		}
	case radio.EventFrame:
		got, err := h.receiver.Receive(lowpan.Peer{From: e.Frame.From, To: e.Frame.To}, e.Frame.Payload, h.contexts, e.Frame.At)
		if err != nil {
			h.drops = append(h.drops, err)
		} else if got.Packet != nil {
			h.packets = append(h.packets, bytes.Clone(got.Packet))
		}
	}
}

// send sends a packet to a node's link address, two frames at a time.
func (h *host) send(to ieee802154.Addr, p []byte) {
	h.t.Helper()
	pkt, err := ipv6.Parse(p)
	if err != nil {
		h.t.Fatal(err)
	}
	var o adapt.Outgoing
	peer := lowpan.Peer{From: h.m.nodes[gateway].eui64, To: to}
	if err := h.sender.Start(&o, pkt, peer, h.contexts, MaxExtended); err != nil {
		h.t.Fatal(err)
	}
	for !o.Done() {
		h.id++
		h.busy++
		h.m.Send(radio.Frame{To: to, Payload: o.Append(nil)}, h.id)
		for limit := h.m.Now() + time.Minute; h.busy > 1 && h.m.Now() < limit; {
			h.m.Advance(h.m.Now() + 10*time.Millisecond)
		}
	}
}

// await returns the next packet from a node, nil if none comes within the time.
func (h *host) await(limit time.Duration) []byte {
	for until := h.m.Now() + limit; len(h.packets) == 0 && h.m.Now() < until; {
		h.m.Advance(h.m.Now() + 10*time.Millisecond)
	}
	if len(h.packets) == 0 {
		return nil
	}
	p := h.packets[0]
	h.packets = h.packets[1:]
	return p
}

// The addresses of a host beyond the gateway, and of the gateway itself.
var (
	farHost     = netip.MustParseAddr("2001:db8:77::9")
	gatewayHost = netip.MustParseAddr("fd5e:2a11:77c0:1::1")
)

// build serialises with gopacket, whose lengths and checksums are not ours.
func build(t testing.TB, l ...gopacket.SerializableLayer) []byte {
	t.Helper()
	b := gopacket.NewSerializeBuffer()
	if err := gopacket.SerializeLayers(b, gopacket.SerializeOptions{FixLengths: true, ComputeChecksums: true}, l...); err != nil {
		t.Fatal(err)
	}
	return bytes.Clone(b.Bytes())
}

func ip(src, dst netip.Addr, next layers.IPProtocol) *layers.IPv6 {
	return &layers.IPv6{Version: 6, HopLimit: 63, NextHeader: next, SrcIP: src.AsSlice(), DstIP: dst.AsSlice()}
}

// pattern returns n octets that compress to nothing and repeat nowhere near.
func pattern(n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(mix(uint64(i)))
	}
	return b
}

func echo(t testing.TB, src, dst netip.Addr, id, seq uint16, data []byte) []byte {
	ip6 := ip(src, dst, layers.IPProtocolICMPv6)
	icmp := &layers.ICMPv6{TypeCode: layers.CreateICMPv6TypeCode(layers.ICMPv6TypeEchoRequest, 0)}
	icmp.SetNetworkLayerForChecksum(ip6)
	body := append([]byte{byte(id >> 8), byte(id), byte(seq >> 8), byte(seq)}, data...)
	return build(t, ip6, icmp, gopacket.Payload(body))
}

// decode reads a packet with gopacket, checks its checksum by ours, which has tests of
// its own against the standard, and the length of a UDP datagram (RFC 768), which
// gopacket lets be 0.
func decode(t testing.TB, b []byte) gopacket.Packet {
	t.Helper()
	p := gopacket.NewPacket(b, layers.LayerTypeIPv6, gopacket.Default)
	if e := p.ErrorLayer(); e != nil {
		t.Fatalf("gopacket cannot read %x: %v", b, e.Error())
	}
	pkt, err := ipv6.Parse(b)
	if err != nil || len(pkt) != len(b) {
		t.Fatalf("%x: %v", b, err)
	}
	u := ipv6.Walk(pkt)
	if !ipv6.ChecksumOK(pkt.SourceBytes(), pkt.DestinationBytes(), u.Proto, pkt[u.Offset:]) {
		t.Errorf("wrong checksum in %x", b)
	}
	if udp, ok := p.Layer(layers.LayerTypeUDP).(*layers.UDP); ok && u.FragmentAt == 0 && int(udp.Length) != len(pkt)-u.Offset {
		t.Errorf("a UDP datagram of %d octets says that it has %d: %x", len(pkt)-u.Offset, udp.Length, b)
	}
	return p
}

func globalOf(a ieee802154.Addr) netip.Addr {
	i, _ := ipv6.IIDOf(a)
	return ipv6.Join(testPrefix.Addr(), i)
}

func linkLocalOf(a ieee802154.Addr) netip.Addr {
	i, _ := ipv6.IIDOf(a)
	return ipv6.LinkLocal(i)
}

// Echo (RFC 4443, section 4.2) over three hops, of every size up to the MTU: the
// reply has the identifier, sequence number and data of the request, from the
// address that was asked.
func TestEcho(t *testing.T) {
	s := chain(3)
	s.Nodes[2].Short = ieee802154.Short(0x0c03)
	m, _ := start(t, Options{Site: s, Seed: 1})
	joined(t, m)
	if err := m.SetLoss(0); err != nil {
		t.Fatal(err)
	}
	h := newHost(t, m)
	eui, short := s.Nodes[2].EUI64, s.Nodes[2].Short
	for _, c := range []struct {
		name     string
		link     ieee802154.Addr
		src, dst netip.Addr
	}{
		{"global by EUI-64", eui, farHost, globalOf(eui)},
		{"global by short address", short, farHost, globalOf(short)},
		{"global by EUI-64 over the short link address", short, gatewayHost, globalOf(eui)},
		{"link-local by EUI-64", eui, linkLocalOf(s.Gateway.EUI64), linkLocalOf(eui)},
		{"link-local by short address", short, linkLocalOf(s.Gateway.EUI64), linkLocalOf(short)},
	} {
		t.Run(c.name, func(t *testing.T) {
			h.t = t
			for seq, size := range []int{0, 1, 8, 56, 64, 65, 72, 80, 96, 97, 200, 512, 1000, 1024, 1231, 1232} {
				data := pattern(size)
				h.send(c.link, echo(t, c.src, c.dst, 0x1234, uint16(seq), data))
				b := h.await(time.Minute)
				if b == nil {
					t.Fatalf("%d octets: no reply; drops in nodes %v, in the host %v", size, m.Stats().Drops, h.drops)
				}
				p := decode(t, b)
				ip6 := p.NetworkLayer().(*layers.IPv6)
				reply, ok := p.Layer(layers.LayerTypeICMPv6Echo).(*layers.ICMPv6Echo)
				if !ok || p.Layer(layers.LayerTypeICMPv6).(*layers.ICMPv6).TypeCode.Type() != layers.ICMPv6TypeEchoReply {
					t.Fatalf("%d octets: no echo reply but %v", size, p)
				}
				if reply.Identifier != 0x1234 || reply.SeqNumber != uint16(seq) || !bytes.Equal(b[48:], data) {
					t.Errorf("%d octets: identifier %x, sequence %d, or the data is another", size, reply.Identifier, reply.SeqNumber)
				}
				if !ip6.SrcIP.Equal(c.dst.AsSlice()) || !ip6.DstIP.Equal(c.src.AsSlice()) || ip6.HopLimit != 64 {
					t.Errorf("%d octets: from %v to %v with hop limit %d", size, ip6.SrcIP, ip6.DstIP, ip6.HopLimit)
				}
			}
		})
	}
}

// Echo with one attempt in ten lost on each hop: 1232 octets over three hops are 15
// or so frames each way, and still arrive, since a frame is lost with 1e-4 a hop.
func TestEchoWithLoss(t *testing.T) {
	s := chain(3)
	m, _ := start(t, Options{Site: s, Seed: 1})
	joined(t, m)
	m.SetLoss(0.1)
	m.Advance(m.Now() + time.Second)
	h := newHost(t, m)
	eui := s.Nodes[2].EUI64
	ok := 0
	for seq := range 20 {
		h.send(eui, echo(t, farHost, globalOf(eui), 7, uint16(seq), pattern(1232)))
		if h.await(20*time.Second) != nil {
			ok++
		}
	}
	// 90 hops of frames with 1e-4 each: 0.9 % a ping. Three lost of 20 would be a one
	// in a thousand event.
	if ok < 18 {
		t.Errorf("%d of 20 replies", ok)
	}
}

// What a node does not take: each case ends in silence or in an ICMPv6 error.
func TestNodeRefuses(t *testing.T) {
	s := chain(1)
	m, _ := start(t, Options{Site: s, Seed: 1})
	joined(t, m)
	h := newHost(t, m)
	link := s.Nodes[0].EUI64
	dst := globalOf(link)
	udp := func(src, dst netip.Addr, port layers.UDPPort) []byte {
		ip6 := ip(src, dst, layers.IPProtocolUDP)
		u := &layers.UDP{SrcPort: 4000, DstPort: port}
		u.SetNetworkLayerForChecksum(ip6)
		return build(t, ip6, u, gopacket.Payload("hello"))
	}
	broken := func(b []byte, at int) []byte { b[at] ^= 1; return b }
	const silence = -1
	const malformed = drop.Count // counted apart
	for _, c := range []struct {
		name       string
		packet     []byte
		typ, code  int
		dropReason drop.Reason
	}{
		{"closed port", udp(farHost, dst, 9), ipv6.TypeUnreachable, ipv6.CodePort, 0},
		{"closed port of a group", udp(farHost, ipv6.AllNodes, 9), silence, 0, 0},
		{"unknown next header", build(t, ip(farHost, dst, 253), gopacket.Payload("x")), ipv6.TypeParamProblem, 1, 0},
		{"no next header", build(t, ip(farHost, dst, layers.IPProtocolNoNextHeader), gopacket.Payload("x")), silence, 0, 0},
		{"another's address", echo(t, farHost, netip.MustParseAddr("2001:db8::5"), 1, 1, nil), silence, 0, drop.UnknownNode},
		{"another's link-local address", echo(t, farHost, linkLocalOf(s.Gateway.EUI64), 1, 1, nil), silence, 0, drop.UnknownNode},
		{"bad ICMPv6 checksum", broken(echo(t, farHost, dst, 1, 1, []byte("abc")), 50), silence, 0, malformed},
		{"bad UDP checksum", broken(udp(farHost, dst, 5683), 50), silence, 0, malformed},
		{"echo reply", func() []byte {
			b := echo(t, farHost, dst, 1, 1, nil)
			b[40] = ipv6.TypeEchoReply
			b[42]--
			return b
		}(), silence, 0, 0},
		{"echo from nowhere", echo(t, netip.IPv6Unspecified(), dst, 1, 1, nil), silence, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			before := m.Stats()
			h.t = t
			h.send(link, c.packet)
			b := h.await(2 * time.Second)
			after := m.Stats()
			switch c.dropReason {
			case 0:
				if after.Drops != before.Drops || after.Malformed != before.Malformed {
					t.Error("counted as dropped")
				}
			case malformed:
				if after.Malformed != before.Malformed+1 {
					t.Error("not counted as malformed")
				}
			default:
				if after.Drops[c.dropReason] != before.Drops[c.dropReason]+1 {
					t.Errorf("not counted as %v", c.dropReason)
				}
			}
			if c.typ == silence {
				if b != nil {
					t.Errorf("want silence, got %x", b)
				}
				return
			}
			if b == nil {
				t.Fatal("no answer")
			}
			decode(t, b)
			if int(b[40]) != c.typ || int(b[41]) != c.code {
				t.Errorf("ICMPv6 type %d code %d, want %d and %d", b[40], b[41], c.typ, c.code)
			}
			if !bytes.Equal(b[48:], c.packet) {
				t.Errorf("the packet is not quoted: %x", b[48:])
			}
			if c.typ == ipv6.TypeParamProblem && b[47] != 6 {
				t.Errorf("pointer %d, want 6", b[47])
			}
		})
	}
}

// A group is answered from an address of the node's own (RFC 4443, section 4.2).
func TestEchoToAllNodes(t *testing.T) {
	s := chain(2)
	m, _ := start(t, Options{Site: s, Seed: 1})
	joined(t, m)
	h := newHost(t, m)
	h.send(ieee802154.Broadcast, echo(t, linkLocalOf(s.Gateway.EUI64), ipv6.AllNodes, 1, 1, []byte("all")))
	var from []netip.Addr
	for range 2 {
		b := h.await(5 * time.Second)
		if b == nil {
			t.Fatalf("answers from %v only", from)
		}
		from = append(from, ipv6.Packet(b).Source())
	}
	for _, n := range s.Nodes {
		if !slices.Contains(from, linkLocalOf(n.EUI64)) {
			t.Errorf("no answer from %v, but from %v", n.Name, from)
		}
	}
}

// A datagram of which a fragment is missing leaves nothing behind after its time
// (RFC 4944, section 5.3), and the receiver that held it is used again.
func TestReassemblyEnds(t *testing.T) {
	s := chain(1)
	m, _ := start(t, Options{Site: s, Seed: 1})
	joined(t, m)
	m.SetLoss(0)
	link := s.Nodes[0].EUI64
	pkt, _ := ipv6.Parse(echo(t, farHost, globalOf(link), 1, 1, pattern(500)))
	var o adapt.Outgoing
	c := lowpan.NewContexts(map[uint8]netip.Prefix{0: testPrefix})
	if err := adapt.NewSender(1).Start(&o, pkt, lowpan.Peer{From: s.Gateway.EUI64, To: link}, c, MaxExtended); err != nil {
		t.Fatal(err)
	}
	first := o.Append(nil)
	m.Send(radio.Frame{To: link, Payload: first}, 1)
	m.Advance(m.Now() + time.Second)
	if m.nodes[1].receiver == nil {
		t.Fatal("the node keeps no fragment")
	}
	m.Advance(m.Now() + 75*time.Second)
	if m.nodes[1].receiver != nil || len(m.adaptation.pool) != 1 {
		t.Error("after the time of reassembly the node still holds a receiver")
	}
	if m.Stats().Drops[drop.ReassemblyTimeout] != 1 {
		t.Errorf("drops: %v, want one reassembly-timeout", m.Stats().Drops)
	}
}

// Readings come as SenML once a period, from the node's own address, to /readings
// of the gateway.
func TestReports(t *testing.T) {
	s := chain(2)
	m, _ := start(t, Options{Site: s, Seed: 1, Period: 10 * time.Second})
	h := newHost(t, m)
	joined(t, m)
	m.SetLoss(0)
	m.Advance(m.Now() + 5*time.Minute)
	if len(h.packets) < 55 || len(h.packets) > 62 {
		t.Errorf("%d reports of two nodes in five minutes, want about 60", len(h.packets))
	}
	from := map[netip.Addr]int{}
	for _, b := range h.packets {
		p := decode(t, b)
		ip6 := p.NetworkLayer().(*layers.IPv6)
		udp := p.TransportLayer().(*layers.UDP)
		if !ip6.DstIP.Equal(gatewayHost.AsSlice()) || udp.DstPort != 5683 {
			t.Fatalf("a report to %v port %d", ip6.DstIP, udp.DstPort)
		}
		from[ipv6.Packet(b).Source()]++
		checkReport(t, udp.Payload)
	}
	for _, n := range s.Nodes {
		if from[globalOf(n.EUI64)] < 27 {
			t.Errorf("%d reports from %s", from[globalOf(n.EUI64)], n.Name)
		}
	}
	if len(h.drops) != 0 {
		t.Errorf("the host dropped frames: %v", h.drops)
	}
}
