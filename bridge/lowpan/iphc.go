package lowpan

import (
	"encoding/binary"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
)

// The two octets of the IPHC base (RFC 6282, section 3.1.1):
// 011 TF(2) NH HLIM(2), CID SAC SAM(2) M DAC DAM(2).
const (
	iphcDispatch = 0b011_00000
	iphcNH       = 0x04
	iphcCID      = 0x80
	iphcSAC      = 0x40
	iphcM        = 0x08
	iphcDAC      = 0x04
)

// hopLimits are the hop limits of HLIM; 0 means in-line.
var hopLimits = [4]byte{0, 1, 64, 255}

// linkOf returns the interface identifier of a link address. A group or broadcast address has
// none: RFC 6282 does not say so, but fe80::ff:fe00:ffff must never be an address.
func linkOf(a ieee802154.Addr) link {
	if !a.IsNode() {
		return link{}
	}
	iid, ok := ipv6.IIDOf(a)
	return link{uint64(iid), ok}
}

// link returns the interface identifier of the address of an encapsulating IPv6 header (section
// 3.2.2). A group and the unspecified address have none.
func (a address) link() link {
	return link{a.lo, !a.isMulticast() && a != address{}}
}

// iphc restores one IPv6 header from LOWPAN_IPHC (RFC 6282, section 3) and reports whether an
// NHC follows. The order of in-line fields is CID, TF, NH, HLIM, source, destination.
func (d *decoder) iphc() (more bool, err error) {
	if d.headerCount == maxHeaders {
		return false, d.overlong()
	}
	at := d.at
	base, err := d.take(2, errBaseCut)
	if err != nil {
		return false, err
	}
	b0, b1 := base[0], base[1]
	if d.list != nil {
		d.list.base(at, b0, b1)
	}
	if dam := b1 & 0x03; b1&iphcDAC != 0 {
		switch m := b1&iphcM != 0; {
		case !m && dam == 0:
			return false, errDAM
		case m && dam != 0:
			return false, errMcastDAM
		}
	}
	var cid byte
	if b1&iphcCID != 0 {
		if cid, err = d.octet(errCIDCut); err != nil {
			return false, err
		}
		if d.list != nil {
			d.list.cid(d.at-1, cid)
		}
	}
	versionEtc, err := d.trafficFlow(b0 >> 3 & 0x03)
	if err != nil {
		return false, err
	}
	var next byte
	more = b0&iphcNH != 0
	if !more {
		if next, err = d.octet(errNHCut); err != nil {
			return false, err
		}
		if d.list != nil {
			d.list.proto(d.at-1, "Next Header", next, secIPHC)
		}
	}
	hops := hopLimits[b0&0x03]
	if hops == 0 {
		if hops, err = d.octet(errHLIMCut); err != nil {
			return false, err
		}
		if d.list != nil {
			d.list.hopLimit(d.at-1, hops)
		}
	}

	header := len(d.out) - d.start
	d.out = binary.BigEndian.AppendUint32(d.out, versionEtc)
	d.out = append(d.out, 0, 0, next, hops) // payload fills in the Payload Length
	src, err := d.unicast(&sourceModes, b1&iphcSAC != 0, b1>>4&0x03, cid>>4, d.from)
	if err != nil {
		return false, err
	}
	d.out = src.appendTo(d.out)
	var dst address
	if b1&iphcM != 0 {
		dst, err = d.multicast(b1&iphcDAC != 0, b1&0x03, cid&0x0f)
	} else {
		dst, err = d.unicast(&destModes, b1&iphcDAC != 0, b1&0x03, cid&0x0f, d.to)
	}
	if err != nil {
		return false, err
	}
	d.out = dst.appendTo(d.out)

	d.headers[d.headerCount] = int16(header)
	d.headerCount++
	d.header, d.nextHeader, d.routed = header, header+6, false
	d.from, d.to = src.link(), dst.link()
	return more, nil
}

// trafficFlow returns the first four octets of the IPv6 header. ECN comes before DSCP in-line,
// but behind it in the IPv6 header (section 3.2.1).
func (d *decoder) trafficFlow(tf byte) (uint32, error) {
	n := [4]int{4, 3, 1, 0}[tf]
	b, err := d.take(n, errTFCut)
	if err != nil {
		return 0, err
	}
	var ecn, dscp byte
	var flow uint32
	if tf != 3 {
		ecn = b[0] >> 6
	}
	if tf == 0 || tf == 2 {
		dscp = b[0] & 0x3f
	}
	if tf < 2 {
		b = b[n-3:]
		flow = uint32(b[0]&0x0f)<<16 | uint32(b[1])<<8 | uint32(b[2])
	}
	if d.list != nil {
		d.list.trafficFlow(d.at-n, tf, ecn, dscp, flow)
	}
	return 6<<28 | uint32(dscp<<2|ecn)<<20 | flow, nil
}

// addressModes holds the name and errors of the source or of the destination address.
type addressModes struct {
	name                        string
	cut, context, encapsulating *drop.Error
}

var (
	sourceModes = addressModes{"source address", errSourceCut, errSourceCtx, errSourceLink}
	destModes   = addressModes{"destination address", errDestCut, errDestCtx, errDestLink}
)

// inlineLen is the number of octets in-line for SAM, and for DAM where M=0.
var inlineLen = [4]int{16, 8, 2, 0}

// unicast restores the source, or the destination if M=0. Their modes differ only in SAC=1
// SAM=00, which means ::.
func (d *decoder) unicast(m *addressModes, stateful bool, mode, cid byte, from link) (address, error) {
	prefix, n := &linkLocal, inlineLen[mode]
	switch {
	case stateful && mode == 0: // ::, which consults no context
		n = 0
	case stateful:
		if prefix = d.contexts.get(cid); prefix == nil {
			return address{}, m.context
		}
	}
	at := d.at
	b, err := d.take(n, m.cut)
	if err != nil {
		return address{}, err
	}
	var a address
	switch {
	case n == 16:
		a = addressAt(b)
	case n == 8:
		a = prefix.join(binary.BigEndian.Uint64(b))
	case n == 2:
		a = prefix.join(uint64(ipv6.IIDOfShort(binary.BigEndian.Uint16(b))))
	case mode == 3 && !from.ok && prefix.bits < 128:
		return address{}, m.encapsulating
	case mode == 3:
		a = prefix.join(from.iid)
	}
	if d.list != nil {
		d.list.address(at, len(b), m.name, a, stateful, mode, cid)
	}
	return a, nil
}

// multicastLen is the number of octets in-line for DAM where M=1 DAC=0.
var multicastLen = [4]int{16, 6, 4, 1}

// multicast restores a destination address where M=1 (sections 3.2.3 and 3.2.4).
func (d *decoder) multicast(stateful bool, mode, cid byte) (address, error) {
	n := multicastLen[mode]
	var prefix *context
	if stateful {
		if prefix = d.contexts.get(cid); prefix == nil {
			return address{}, errDestCtx
		}
		if prefix.bits > 64 {
			return address{}, errMcastCtx
		}
		n = 6
	}
	at := d.at
	b, err := d.take(n, errDestCut)
	if err != nil {
		return address{}, err
	}
	var a address
	switch {
	case stateful: // ffXX:XXLL:PPPP:PPPP:PPPP:PPPP:XXXX:XXXX
		a.hi = 0xff<<56 | uint64(binary.BigEndian.Uint16(b))<<40 | uint64(prefix.bits)<<32 | prefix.hi>>32
		a.lo = prefix.hi<<32 | uint64(binary.BigEndian.Uint32(b[2:]))
	case mode == 0:
		a = addressAt(b)
	case mode == 1: // ffXX::00XX:XXXX:XXXX
		a.hi = 0xff<<56 | uint64(b[0])<<48
		a.lo = uint64(b[1])<<32 | uint64(binary.BigEndian.Uint32(b[2:]))
	case mode == 2: // ffXX::00XX:XXXX
		a.hi = 0xff<<56 | uint64(b[0])<<48
		a.lo = uint64(binary.BigEndian.Uint32(b)) & 0xffffff
	case mode == 3: // ff02::00XX
		a = address{0xff02 << 48, uint64(b[0])}
	}
	if d.list != nil {
		d.list.group(at, n, a, stateful, mode, cid)
	}
	return a, nil
}
