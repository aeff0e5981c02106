package nd

import (
	"encoding/binary"
	"net/netip"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
)

// Lifetimes of the prefix (RFC 4861, 6.2.1: the defaults) and of the border
// router's word (RFC 6775, 4.3: 0 stands for 10,000 minutes; we say a day).
const (
	validLifetime     = 2592000 // seconds
	preferredLifetime = 604800  // seconds
	borderLifetime    = 1440    // units of 60 s
	curHopLimit       = 64
	flagAutonomous    = 0x40 // A of the prefix option; L stays clear (RFC 6775, 5.4 and 6.1)
	flagCompression   = 0x10 // C of the context option (RFC 6775, 4.2)
)

// start appends an IPv6 header and the first eight octets of an ICMPv6 message, and
// returns where the packet begins.
func (o *Out) start(src, dst netip.Addr, hopLimit, typ, code byte, word uint32) int {
	at := len(o.Buf)
	o.Buf = ipv6.Header{NextHeader: ipv6.ProtoICMPv6, HopLimit: hopLimit, Source: src, Destination: dst}.AppendTo(o.Buf)
	o.Buf = append(o.Buf, typ, code, 0, 0)
	o.Buf = binary.BigEndian.AppendUint32(o.Buf, word)
	return at
}

// finish fills in length and checksum and lists the packet.
func (o *Out) finish(at int, to ieee802154.Addr, durable bool) {
	p := o.Buf[at:]
	binary.BigEndian.PutUint16(p[4:], uint16(len(p)-ipv6.HeaderLen))
	msg := p[ipv6.HeaderLen:]
	binary.BigEndian.PutUint16(msg[2:], ipv6.Checksum(p[8:24], p[24:40], ipv6.ProtoICMPv6, msg))
	o.Packets = append(o.Packets, Packet{To: to, Start: at, End: len(o.Buf), Durable: durable})
}

// linkOption appends a source or target link-layer address option: length 1 for a
// short address, 2 for an EUI-64 (RFC 4944, 8).
func (o *Out) linkOption(typ byte, a ieee802154.Addr) {
	n := byte(1)
	pad := 4
	if a.IsExtended() {
		n, pad = 2, 6
	}
	o.Buf = append(o.Buf, typ, n)
	o.Buf = a.AppendTo(o.Buf)
	o.Buf = append(o.Buf, make([]byte, pad)...)
}

// advertise appends a router advertisement (RFC 4861, 4.2; RFC 6775, 5.4 and 6.1).
// A node that sent from no address is answered by the group, as it has no other.
func (s *Server) advertise(out *Out, to netip.Addr, link ieee802154.Addr, capabilities bool) {
	s.stats.Advertisements++
	if to.IsUnspecified() {
		to = ipv6.AllNodes
	}
	lifetime := min(uint32(s.o.RouterLifetime/time.Second), 0xffff)
	at := out.start(s.linkLocal, to, hopLimitOnLink, ipv6.TypeRouterAdv, 0, curHopLimit<<24|lifetime)
	out.Buf = append(out.Buf, 0, 0, 0, 0, 0, 0, 0, 0) // reachable time, retransmission timer: unspecified
	out.linkOption(optSourceLink, s.o.EUI64)
	out.Buf = append(out.Buf, optMTU, 1, 0, 0)
	out.Buf = binary.BigEndian.AppendUint32(out.Buf, ipv6.MinMTU)
	out.Buf = append(out.Buf, optPrefix, 4, byte(s.o.Prefix.Bits()), flagAutonomous)
	out.Buf = binary.BigEndian.AppendUint32(out.Buf, validLifetime)
	out.Buf = binary.BigEndian.AppendUint32(out.Buf, preferredLifetime)
	out.Buf = append(out.Buf, 0, 0, 0, 0)
	out.Buf = appendAddr(out.Buf, s.o.Prefix.Masked().Addr())
	s.contexts.appendOptions(out)
	out.Buf = append(out.Buf, optBorderRouter, 3)
	out.Buf = binary.BigEndian.AppendUint16(out.Buf, uint16(s.version))
	out.Buf = binary.BigEndian.AppendUint16(out.Buf, uint16(s.version>>16))
	out.Buf = binary.BigEndian.AppendUint16(out.Buf, borderLifetime)
	out.Buf = appendAddr(out.Buf, s.o.Gateway)
	if capabilities {
		out.Buf = append(out.Buf, optCapability, 1)
		out.Buf = binary.BigEndian.AppendUint16(out.Buf, capGHC|capExtended|capBorder|capRouter|capDuplicate)
		out.Buf = append(out.Buf, 0, 0, 0, 0)
	}
	out.finish(at, link, false)
}

// neighbourAdvert appends a neighbour advertisement (RFC 4861, 4.4).
type neighbourAdvert struct {
	src, dst, target netip.Addr
	flags            uint32
	link             ieee802154.Addr // of the target option; none: no option
	reg              *registration   // nil: no registration option
}

func (out *Out) neighbourAdvert(a neighbourAdvert, to ieee802154.Addr, durable bool) {
	at := out.start(a.src, a.dst, hopLimitOnLink, ipv6.TypeNeighborAdv, 0, a.flags)
	out.Buf = appendAddr(out.Buf, a.target)
	if !a.link.IsNone() {
		out.linkOption(optTargetLink, a.link)
	}
	if r := a.reg; r != nil {
		out.Buf = append(out.Buf, optRegistration, 1+r.rovr.n/8, byte(r.status), 0, r.flags, r.tid)
		out.Buf = binary.BigEndian.AppendUint16(out.Buf, r.lifetime)
		out.Buf = append(out.Buf, r.rovr.Bytes()...)
	}
	out.finish(at, to, durable)
}

// neighbourSolicit appends a unicast probe of an address (RFC 4861, 7.2.2 and
// 7.3.3).
func (out *Out) neighbourSolicit(src, target netip.Addr, own, to ieee802154.Addr) {
	at := out.start(src, target, hopLimitOnLink, ipv6.TypeNeighborSol, 0, 0)
	out.Buf = appendAddr(out.Buf, target)
	out.linkOption(optSourceLink, own)
	out.finish(at, to, false)
}

// duplicateConfirm appends the answer to a duplicate address request (RFC 6775,
// 4.4; RFC 8505, 4.2).
func (out *Out) duplicateConfirm(src, dst, target netip.Addr, r registration, code byte, to ieee802154.Addr, durable bool) {
	word := uint32(r.status)<<24 | uint32(r.tid)<<16 | uint32(r.lifetime)
	at := out.start(src, dst, curHopLimit, ipv6.TypeDuplicateConf, code, word)
	out.Buf = append(out.Buf, r.rovr.Bytes()...)
	out.Buf = appendAddr(out.Buf, target)
	out.finish(at, to, durable)
}

func appendAddr(b []byte, a netip.Addr) []byte {
	v := a.As16()
	return append(b, v[:]...)
}
