package forward

import (
	"encoding/binary"
	"net/netip"

	"culvert/bridge/drop"
	"culvert/bridge/ipv6"
	"culvert/bridge/policy"
)

// kind is what an address is for a router (RFC 4291, section 2.4).
type kind uint8

const (
	unicast kind = iota
	linkLocal
	multicast
	unspecified
	loopback
	mapped // IPv4-mapped: never on the wire (RFC 4942, section 2.2)
)

// kindOf tells the kind of the 16 octets of an address.
func kindOf(b []byte) kind {
	hi := binary.BigEndian.Uint64(b)
	switch {
	case hi == 0:
		switch lo := binary.BigEndian.Uint64(b[8:]); {
		case lo == 0:
			return unspecified
		case lo == 1:
			return loopback
		case lo>>32 == 0xffff:
			return mapped
		}
	case hi>>56 == 0xff:
		return multicast
	case hi>>54 == 0xfe80>>6:
		return linkLocal
	}
	return unicast
}

// transit returns why no packet with these addresses may be in transit, whatever
// way it goes (RFC 4291, sections 2.5.2, 2.5.3 and 2.7).
func transit(src, dst kind) drop.Reason {
	switch dst {
	case multicast:
		return drop.Multicast
	case unspecified, loopback, mapped:
		return drop.DestinationInvalid
	}
	switch src {
	case multicast, unspecified, loopback, mapped:
		return drop.SourceInvalid
	}
	return drop.None
}

// inPrefix reports whether the 16 octets are an address of the mesh.
func (f *Forwarder) inPrefix(b []byte) bool {
	return binary.BigEndian.Uint64(b) == f.prefixBits
}

// ofMesh reports whether the 16 octets are an address that only the mesh may have: one
// of its prefix, or, where that is another network's too, one that a node holds.
func (f *Forwarder) ofMesh(b []byte) bool {
	return f.inPrefix(b) && (!f.opt.Shared || f.own.Load().is(b) || f.table.ByAddress(netip.AddrFrom16([16]byte(b))) != nil)
}

// is reports whether the 16 octets are one of the gateway's addresses.
func (o *own) is(b []byte) bool {
	a := [16]byte(b)
	return a == o.global || a == o.anycast || o.isLocal(b)
}

// isLocal reports whether they are its link-local one.
func (o *own) isLocal(b []byte) bool { return o.hasLocal && [16]byte(b) == o.linkLocal }

// joined reports whether the 16 octets are a group of the link that the gateway is
// in: all nodes, all routers, and the solicited-node groups of its own addresses
// (RFC 4291, section 2.8).
func (o *own) joined(b []byte) bool {
	g := [16]byte(b)
	for i := range o.groups {
		if g == o.groups[i] {
			return true
		}
	}
	return false
}

// groupTalk returns why a packet of a node to a group ends, if it is talk of the link
// itself: listener discovery, also behind the hop-by-hop header with the router alert
// that it must have (RFC 2710, section 3; RFC 3810, section 5), or neighbour
// discovery that is not as it must be.
func groupTalk(p ipv6.Packet) drop.Reason {
	u := ipv6.Walk(p)
	if !linkTalk(p, u) {
		return drop.None
	}
	switch p[u.Offset] {
	case ipv6.TypeMLDQuery, ipv6.TypeMLDReport, ipv6.TypeMLDDone, ipv6.TypeMLDv2Report:
		return drop.GroupReport
	}
	return drop.NeighborInvalid
}

// meshRouting returns why a packet must not cross the border of the mesh, if it carries
// what only routers inside a mesh may act on. A routing header with segments left would
// have the node that a rule opened pass the packet on to one that no rule opened (RFC
// 6554, section 5.1; RFC 8754, section 5.1). An RPL option from outside could feign a loop, at
// which the mesh repairs its routes (RFC 6550, section 11.2).
func meshRouting(u ipv6.Upper) drop.Reason {
	switch {
	case u.Routing3:
		return drop.RoutingType3
	case u.Routing4:
		return drop.RoutingType4
	case u.RPL:
		return drop.RPLOption
	}
	return drop.None
}

// linkTalk reports whether p is a message that has a meaning on its own link only:
// neighbour discovery (RFC 4861, RFC 6775) or multicast listener discovery (RFC
// 2710, RFC 3810). RFC 4890, section 4.3.3: a router never passes one on.
func linkTalk(p ipv6.Packet, u ipv6.Upper) bool {
	if u.Proto != ipv6.ProtoICMPv6 || !u.First || u.Cut || u.Offset >= len(p) {
		return false
	}
	switch p[u.Offset] {
	case ipv6.TypeMLDQuery, ipv6.TypeMLDReport, ipv6.TypeMLDDone, ipv6.TypeMLDv2Report,
		ipv6.TypeRouterSol, ipv6.TypeRouterAdv, ipv6.TypeNeighborSol, ipv6.TypeNeighborAdv, ipv6.TypeRedirect,
		ipv6.TypeDuplicateReq, ipv6.TypeDuplicateConf:
		return true
	}
	return false
}

// neighbourTalk reports whether a packet for the gateway is neighbour discovery: the
// directly carried messages went to the server before, so this one stands behind an
// extension header, or is too short to be one. No message of RFC 4861 or RFC 6775
// has use for an extension header, RFC 6980 forbids the Fragment header, and the
// kernel would take such a message without the checks of the server.
func neighbourTalk(p ipv6.Packet, u ipv6.Upper) bool {
	if !linkTalk(p, u) {
		return false
	}
	t := p[u.Offset]
	return t >= ipv6.TypeRouterSol && t <= ipv6.TypeRedirect || t == ipv6.TypeDuplicateReq || t == ipv6.TypeDuplicateConf
}

// classOf returns the class of a packet to the mesh. ICMPv6 errors count as those
// of the network only from the gateway itself: from elsewhere they could starve the
// rest. The gateway's own writes overtake those of other hosts.
func classOf(p ipv6.Packet, u ipv6.Upper, fromUs bool) class {
	if u.Cut || !u.First || u.Offset >= len(p) {
		return classData
	}
	b := p[u.Offset:]
	switch {
	case u.Proto == ipv6.ProtoICMPv6 && fromUs && b[0] < ipv6.TypeEchoRequest:
		return classNetwork
	case u.Proto == ipv6.ProtoUDP && isControlWrite(b):
		if fromUs {
			return classOwn
		}
		return classControl
	}
	return classData
}

// isControlWrite reports whether a UDP datagram is a CoAP request that changes
// something: POST, PUT, DELETE, PATCH or iPATCH (RFC 7252, sections 3 and 5.8; RFC
// 8132) to CoAP's own port.
func isControlWrite(udp []byte) bool {
	const headers = 8 + 4 // UDP, CoAP
	if len(udp) < headers || binary.BigEndian.Uint16(udp[2:]) != policy.PortCoAP || udp[8]>>6 != 1 {
		return false
	}
	code := udp[9]
	return code >= 2 && code <= 7 && code != 5
}
