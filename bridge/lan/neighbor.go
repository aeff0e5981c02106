package lan

import (
	"encoding/binary"
	"net/netip"

	"culvert/bridge/ipv6"
)

// Offsets and sizes within a neighbour solicitation or advertisement (RFC 4861,
// sections 4.3 and 4.4).
const (
	neighborFlagsAt  = 4
	neighborTargetAt = 8
	neighborLen      = 24
	optionSource     = 1
	optionTarget     = 2
	optionEthernet   = 8 // octets of a link-layer address option, section 4.6.1
	ndHopLimit       = 255
	flagRouter       = 1 << 31
	flagSolicited    = 1 << 30
)

// A neighbor is a valid neighbour solicitation or advertisement.
type neighbor struct {
	advertisement  bool
	source, target netip.Addr
	mac            [6]byte // of the source or target option
	hasMAC         bool
}

// parseNeighbor reads an IPv6 packet without extension headers (RFC 6980 forbids
// fragments; no other header has a place before these messages). ok is false for
// all that RFC 4861, sections 7.1.1 and 7.1.2, has discarded.
func parseNeighbor(b []byte) (m neighbor, ok bool) {
	p, err := ipv6.Parse(b)
	if err != nil || p.NextHeader() != ipv6.ProtoICMPv6 || p.HopLimit() != ndHopLimit {
		return m, false
	}
	msg := p.Payload()
	if len(msg) < neighborLen || msg[1] != 0 || !ipv6.ChecksumOK(p.SourceBytes(), p.DestinationBytes(), ipv6.ProtoICMPv6, msg) {
		return m, false
	}
	m.source = p.Source()
	m.target = netip.AddrFrom16([16]byte(msg[neighborTargetAt:neighborLen]))
	if m.target.IsMulticast() || m.target.IsUnspecified() || m.source.IsMulticast() {
		return m, false
	}
	to := p.Destination()
	option := byte(optionSource)
	switch msg[0] {
	case ipv6.TypeNeighborSol:
	case ipv6.TypeNeighborAdv:
		m.advertisement, option = true, optionTarget
		if to.IsMulticast() && binary.BigEndian.Uint32(msg[neighborFlagsAt:])&flagSolicited != 0 {
			return m, false
		}
	default:
		return m, false
	}
	for o := msg[neighborLen:]; len(o) > 0; {
		n := 0
		if len(o) >= 2 {
			n = 8 * int(o[1])
		}
		if n == 0 || n > len(o) {
			return m, false
		}
		if o[0] == option && n == optionEthernet {
			m.mac, m.hasMAC = [6]byte(o[2:]), true
		}
		o = o[n:]
	}
	if m.source.IsUnspecified() && (m.advertisement || m.hasMAC || !solicitedNodes.Contains(to)) {
		return m, false
	}
	return m, true
}

// appendAdvertisement appends the answer of a proxy to a solicitation of target:
// it does not override what a host has from elsewhere (RFC 4861, section 7.2.8).
func appendAdvertisement(b []byte, from, to, target netip.Addr, mac [6]byte, solicited bool) []byte {
	f := uint32(flagRouter)
	if solicited {
		f |= flagSolicited
	}
	return appendNeighbor(b, ipv6.TypeNeighborAdv, from, to, target, f, []byte{optionTarget, 1, mac[0], mac[1], mac[2], mac[3], mac[4], mac[5]})
}

// appendProbe appends a solicitation that asks whether anybody has target (RFC
// 4862, section 5.4.2).
func appendProbe(b []byte, target netip.Addr) []byte {
	return appendNeighbor(b, ipv6.TypeNeighborSol, netip.IPv6Unspecified(), ipv6.SolicitedNode(target), target, 0, nil)
}

func appendNeighbor(b []byte, kind byte, from, to, target netip.Addr, f uint32, option []byte) []byte {
	at := len(b)
	b = ipv6.Header{PayloadLen: neighborLen + len(option), NextHeader: ipv6.ProtoICMPv6, HopLimit: ndHopLimit,
		Source: from, Destination: to}.AppendTo(b)
	b = append(b, kind, 0, 0, 0)
	b = binary.BigEndian.AppendUint32(b, f)
	t := target.As16()
	b = append(append(b, t[:]...), option...)
	p := ipv6.Packet(b[at:])
	binary.BigEndian.PutUint16(p.Payload()[2:], ipv6.Checksum(p.SourceBytes(), p.DestinationBytes(), ipv6.ProtoICMPv6, p.Payload()))
	return b
}

// solicitedNodes are all solicited-node addresses.
var solicitedNodes = netip.MustParsePrefix("ff02::1:ff00:0/104")

// multicastMAC returns the Ethernet address of a multicast group (RFC 2464, section 7).
func multicastMAC(a netip.Addr) [6]byte {
	b := a.As16()
	return [6]byte{0x33, 0x33, b[12], b[13], b[14], b[15]}
}
