package ipv6

import (
	"encoding/binary"
	"net/netip"

	"culvert/bridge/ieee802154"
)

// IID is an interface identifier: the low 64 bits of an address.
type IID uint64

// iidShort is the interface identifier of the short address 0: 0000:00ff:fe00:0000.
const iidShort IID = 0x000000fffe000000

// universalLocal is the U/L bit of an EUI-64 (RFC 4291, appendix A).
const universalLocal = 0x02 << 56

// IIDOf returns the interface identifier derived from a link address (RFC 6282, section 3.2.2),
// false if there is none.
func IIDOf(a ieee802154.Addr) (IID, bool) {
	if v, ok := a.EUI64(); ok {
		return IID(v ^ universalLocal), true
	}
	if s, ok := a.Short(); ok {
		return IIDOfShort(s), true
	}
	return 0, false
}

// IIDOfShort returns the interface identifier of a short address (RFC 6282, section 3.2.2).
func IIDOfShort(short uint16) IID { return iidShort | IID(short) }

// IIDOfPAN returns the interface identifier that RFC 4944, section 6, forms from a PAN id and a short address, with the U/L bit cleared. It serves to recognise old
// addresses: RFC 6282 replaced this form.
func IIDOfPAN(pan, short uint16) IID {
	return IID(pan&^0x0200)<<48 | IIDOfShort(short)
}

// LinkAddr returns the link address from which IIDOf derives i: a short one for
// 0000:00ff:fe00:XXXX, else an EUI-64.
func (i IID) LinkAddr() ieee802154.Addr {
	if i&^0xffff == iidShort {
		return ieee802154.Short(uint16(i))
	}
	return ieee802154.Extended(uint64(i) ^ universalLocal)
}

// OfShort reports whether i has the form of a short address: 0000:00ff:fe00:XXXX (RFC 6282,
// section 3.2.2), or the older one with the PAN id in the first 16 bits (RFC 4944, section 6).
func (i IID) OfShort() bool { return i&0x0000_ffff_ffff_0000 == iidShort }

// IIDIn returns the interface identifier of an address.
func IIDIn(a netip.Addr) IID {
	b := a.As16()
	return IID(binary.BigEndian.Uint64(b[8:]))
}

// Join returns the address made of the first 64 bits of p and the interface identifier i.
func Join(p netip.Addr, i IID) netip.Addr {
	b := p.As16()
	binary.BigEndian.PutUint64(b[8:], uint64(i))
	return netip.AddrFrom16(b)
}

// Gateway returns the gateway's default address in the mesh prefix p: p::1.
func Gateway(p netip.Prefix) netip.Addr { return Join(p.Addr(), 1) }

// LinkLocal returns the link-local address with the interface identifier i.
func LinkLocal(i IID) netip.Addr {
	return Join(netip.AddrFrom16([16]byte{0: 0xfe, 1: 0x80}), i)
}

// AllNodes and AllRouters are the link-local groups of RFC 4291, section 2.7.1.
var (
	AllNodes   = netip.AddrFrom16([16]byte{0: 0xff, 1: 0x02, 15: 1})
	AllRouters = netip.AddrFrom16([16]byte{0: 0xff, 1: 0x02, 15: 2})
)

// SolicitedNode returns the solicited-node group of an address (RFC 4291, section
// 2.7.1).
func SolicitedNode(a netip.Addr) netip.Addr {
	b := a.As16()
	return netip.AddrFrom16([16]byte{0: 0xff, 1: 0x02, 11: 0x01, 12: 0xff, 13: b[13], 14: b[14], 15: b[15]})
}
