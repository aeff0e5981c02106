// Package neighbor reads and writes the messages of a neighbour proxy: neighbour
// solicitations and advertisements on Ethernet (RFC 4861, sections 4.3 and 4.4). It
// does no I/O.
//
// mdlayher/ndp, which writes the router advertisements of package lan, does not serve
// here: it refuses a message for any malformed option, where RFC 4861, section 7.1.1,
// has options that are not defined for the message ignored.
package neighbor

import (
	"encoding/binary"
	"net/netip"

	"culvert/bridge/ipv6"
)

// HopLimit is the hop limit of every neighbour discovery packet (RFC 4861, section 7.1).
const HopLimit = 255

// Offsets and sizes in octets within a message.
const (
	flagsOffset   = 4
	targetOffset  = 8
	headerLen     = 24 // up to the options
	ethernetLen   = 8  // of a link-layer address option (section 4.6.1)
	optionSource  = 1
	optionTarget  = 2
	flagRouter    = 1 << 31
	flagSolicited = 1 << 30
)

// Message is a valid neighbour solicitation or advertisement.
type Message struct {
	Advertisement bool
	Source        netip.Addr // of the packet
	Target        netip.Addr
	MAC           [6]byte // from the source or target link-layer address option
	HasMAC        bool
}

// solicitedNodes contains every solicited-node group (RFC 4291, section 2.7.1).
var solicitedNodes = netip.MustParsePrefix("ff02::1:ff00:0/104")

// Parse reads an IPv6 packet. ok is false for what RFC 4861, sections 7.1.1 and 7.1.2,
// has discarded, and for packets with extension headers: RFC 6980 forbids fragments,
// and no other extension header belongs before these messages.
func Parse(b []byte) (m Message, ok bool) {
	p, err := ipv6.Parse(b)
	if err != nil || p.NextHeader() != ipv6.ProtoICMPv6 || p.HopLimit() != HopLimit {
		return m, false
	}
	msg := p.Payload()
	if len(msg) < headerLen || msg[1] != 0 || !ipv6.ChecksumOK(p.SourceBytes(), p.DestinationBytes(), ipv6.ProtoICMPv6, msg) {
		return m, false
	}
	m.Source = p.Source()
	m.Target = netip.AddrFrom16([16]byte(msg[targetOffset:headerLen]))
	if m.Target.IsMulticast() || m.Target.IsUnspecified() || m.Source.IsMulticast() {
		return m, false
	}
	to := p.Destination()
	option := byte(optionSource)
	switch msg[0] {
	case ipv6.TypeNeighborSol:
	case ipv6.TypeNeighborAdv:
		m.Advertisement, option = true, optionTarget
		if to.IsMulticast() && binary.BigEndian.Uint32(msg[flagsOffset:])&flagSolicited != 0 {
			return m, false
		}
	default:
		return m, false
	}
	if !m.parseOptions(msg[headerLen:], option) {
		return m, false
	}
	if m.Source.IsUnspecified() && (m.Advertisement || m.HasMAC || !solicitedNodes.Contains(to)) {
		return m, false
	}
	return m, true
}

// parseOptions reads the link-layer address option of type want, and reports whether
// all options have a valid length.
func (m *Message) parseOptions(b []byte, want byte) bool {
	for len(b) > 0 {
		n := 0
		if len(b) >= 2 {
			n = 8 * int(b[1])
		}
		if n == 0 || n > len(b) {
			return false
		}
		if b[0] == want && n == ethernetLen {
			m.MAC, m.HasMAC = [6]byte(b[2:]), true
		}
		b = b[n:]
	}
	return true
}

// AppendAdvertisement appends a proxy's answer to a solicitation of target. The
// Override flag is clear: a host keeps an address that it has from elsewhere (RFC
// 4861, section 7.2.8).
func AppendAdvertisement(b []byte, from, to, target netip.Addr, mac [6]byte, solicited bool) []byte {
	flags := uint32(flagRouter)
	if solicited {
		flags |= flagSolicited
	}
	return appendMessage(b, ipv6.TypeNeighborAdv, from, to, target, flags, []byte{optionTarget, 1, mac[0], mac[1], mac[2], mac[3], mac[4], mac[5]})
}

// AppendProbe appends a solicitation that asks whether any host has target (RFC 4862,
// section 5.4.2).
func AppendProbe(b []byte, target netip.Addr) []byte {
	return appendMessage(b, ipv6.TypeNeighborSol, netip.IPv6Unspecified(), ipv6.SolicitedNode(target), target, 0, nil)
}

func appendMessage(b []byte, kind byte, from, to, target netip.Addr, flags uint32, option []byte) []byte {
	at := len(b)
	b = ipv6.Header{PayloadLen: headerLen + len(option), NextHeader: ipv6.ProtoICMPv6, HopLimit: HopLimit,
		Source: from, Destination: to}.AppendTo(b)
	b = append(b, kind, 0, 0, 0)
	b = binary.BigEndian.AppendUint32(b, flags)
	t := target.As16()
	b = append(append(b, t[:]...), option...)
	p := ipv6.Packet(b[at:])
	binary.BigEndian.PutUint16(p.Payload()[2:], ipv6.Checksum(p.SourceBytes(), p.DestinationBytes(), ipv6.ProtoICMPv6, p.Payload()))
	return b
}

// MulticastMAC returns the Ethernet address of an IPv6 multicast group (RFC 2464,
// section 7).
func MulticastMAC(group netip.Addr) [6]byte {
	b := group.As16()
	return [6]byte{0x33, 0x33, b[12], b[13], b[14], b[15]}
}
