package sim

import (
	"encoding/binary"
	"net/netip"

	"culvert/bridge/drop"
	"culvert/bridge/ipv6"
)

const udpHeaderLen = 8

// packet is a node's network layer: it takes what is for it, and answers.
func (m *Mesh) packet(n int32, p ipv6.Packet) {
	m.stats.PacketsReceived++
	if m.silent(n) {
		return
	}
	if _, ok := m.owns(n, p.Destination()); !ok {
		m.dropped(drop.UnknownNode) // a node does not forward
		return
	}
	u := ipv6.Walk(p)
	switch {
	case u.Cut || u.Routing0 || u.FragmentAt != 0:
		m.dropped(drop.ExtensionHeader)
	case u.Proto == ipv6.ProtoICMPv6:
		m.icmp(n, p, u.Offset)
	case u.Proto == ipv6.ProtoUDP:
		m.udp(n, p, u.Offset)
	case u.Proto == ipv6.ProtoNoNext:
	default:
		// RFC 4443, section 3.4: unrecognized Next Header, with a pointer to it.
		m.icmpError(n, p, ipv6.ICMPError{Type: ipv6.TypeParamProblem, Code: 1, Param: uint32(u.NextAt)})
	}
}

// icmp answers echo requests, to groups too (RFC 4443, section 4.2), and passes
// over the rest. Neighbour discovery will be heard here.
func (m *Mesh) icmp(n int32, p ipv6.Packet, at int) {
	msg := p[at:]
	if len(msg) < 8 || !ipv6.ChecksumOK(p.SourceBytes(), p.DestinationBytes(), ipv6.ProtoICMPv6, msg) {
		m.stats.Malformed++
		return
	}
	if msg[0] != ipv6.TypeEchoRequest || msg[1] != 0 || p.Source().IsUnspecified() || p.Source().IsMulticast() {
		return
	}
	m.stats.Echoes++
	b := append(m.adaptation.upper[:0], ipv6.TypeEchoReply, 0, 0, 0)
	b = append(b, msg[4:]...)
	m.adaptation.upper = b
	src, link := m.address(n, p.Destination(), p.Source())
	m.sendUpper(n, link, src, p.Source(), ipv6.ProtoICMPv6, b)
}

// udp takes datagrams for the CoAP port, and tells the sender of others that nobody
// is there (RFC 4443, section 3.1).
func (m *Mesh) udp(n int32, p ipv6.Packet, at int) {
	d := p[at:]
	if len(d) < udpHeaderLen {
		m.stats.Malformed++
		return
	}
	size := int(binary.BigEndian.Uint16(d[4:]))
	sum := binary.BigEndian.Uint16(d[6:])
	if size < udpHeaderLen || size > len(d) || sum == 0 ||
		!ipv6.ChecksumOK(p.SourceBytes(), p.DestinationBytes(), ipv6.ProtoUDP, d[:size]) {
		m.stats.Malformed++
		return
	}
	srcPort, dstPort := binary.BigEndian.Uint16(d), binary.BigEndian.Uint16(d[2:])
	if p.Destination().IsMulticast() {
		return // a node is in no group of CoAP's (RFC 7252, section 8)
	}
	if dstPort != portCoAP {
		m.icmpError(n, p, ipv6.ICMPError{Type: ipv6.TypeUnreachable, Code: ipv6.CodePort})
		return
	}
	m.hearCoAP(n, p.Destination(), netip.AddrPortFrom(p.Source(), srcPort), d[udpHeaderLen:size])
}

// beginUDP appends a UDP header; length and checksum are filled in by sendUpper.
func beginUDP(b []byte, src, dst uint16) []byte {
	b = binary.BigEndian.AppendUint16(b, src)
	b = binary.BigEndian.AppendUint16(b, dst)
	return append(b, 0, 0, 0, 0)
}

// icmpError sends an ICMPv6 error about a packet, where one may be sent.
func (m *Mesh) icmpError(n int32, p ipv6.Packet, e ipv6.ICMPError) {
	if !e.MayAnswer(p) {
		return
	}
	src, link := m.address(n, p.Destination(), p.Source())
	b := e.AppendError(m.adaptation.reply[:0], src, p)
	m.adaptation.reply = b
	m.sendPacket(n, link, ipv6.Packet(b))
}
