package lowpan

import (
	"encoding/binary"

	"culvert/bridge/ipv6"
)

// The bytecodes of generic header compression (RFC 7400, section 2):
// 0kkkkkkk literal of k < 96 octets, 1000nnnn zeros, 0x90 stop, 101nssss extension
// of the next back-reference, 11nnnkkk back-reference.
const (
	ghcMaxLiteral = 95
	ghcZeros      = 0b1000_0000
	ghcStop       = 0b1001_0000
	ghcExtend     = 0b101_00000
	ghcReference  = 0b11_000_000
)

// ghcStatic is the last part of the dictionary; source and destination address come before it
// (RFC 7400, section 2).
var ghcStatic = [16]byte{0x16, 0xfe, 0xfd, 0x17, 0xfe, 0xfd, 0x00, 0x01, 0, 0, 0, 0, 0, 1, 0, 0}

// ghcDictLen is the length of the dictionary.
const ghcDictLen = 48

type ghcDict [ghcDictLen]byte

// ghcDictOf returns the dictionary for the two addresses of an IPv6 header.
func ghcDictOf(addresses []byte) (dict ghcDict) {
	copy(dict[:32], addresses)
	copy(dict[32:], ghcStatic[:])
	return dict
}

// generic restores what RFC 7400 compressed: an extension header (section 3.2), a UDP header
// with its payload, or an ICMPv6 message (section 3.1).
func (d *decoder) generic(o byte) (more bool, err error) {
	switch {
	case o == nhcGHCICMP:
		if d.list != nil {
			d.list.add(d.at-1, 0, 8, "NHC", "ICMPv6, GHC", secGHCPay)
		}
		d.begins(ipv6.ProtoICMPv6)
		_, err = d.expand()
	case o>>3 == nhcGHCUDP>>3:
		if err = d.udpHeader(o); err == nil {
			_, err = d.expand()
		}
	default:
		return d.genericExtension(o)
	}
	if err == nil && d.at < len(d.b) {
		err = errGHCStop
	}
	return false, err
}

// genericExtension restores an extension header from 10110 EID(2) NH. Its Length is elided, and
// a stop code ends it.
func (d *decoder) genericExtension(o byte) (more bool, err error) {
	eid := o >> 1 & 0x07
	if eid > eidDestination {
		return false, errNHC
	}
	proto := eidProto[eid]
	if d.list != nil {
		d.list.add(d.at-1, 0, 8, "NHC", protoName(proto)+", GHC", secGHCExt)
	}
	d.begins(proto)
	more = o&nhcNH != 0
	next, err := d.extensionNext(more)
	if err != nil {
		return false, err
	}
	at := len(d.out)
	d.nextHeader = at - d.start
	d.out = append(d.out, next)
	if eid != eidFragment {
		d.out = append(d.out, 0)
	}
	stopped, err := d.expand()
	if err != nil {
		return false, err
	}
	header := d.out[at:]
	n := len(header)
	switch {
	case !stopped:
		return false, errGHCNoStop
	case n%8 != 0 || n > 8*256 || eid == eidFragment && n != 8:
		return false, errGHCExt
	case eid == eidFragment:
		d.fragmented = d.fragmented || binary.BigEndian.Uint16(header[2:])&^0x0006 != 0
	default:
		header[1] = byte(n/8 - 1)
		d.routed = d.routed || eid == eidRouting && header[3] != 0
	}
	return more, nil
}

// expand runs bytecode up to the end of the frame or a stop code, and reports whether it met a
// stop code.
func (d *decoder) expand() (stopped bool, err error) {
	ip := d.out[d.start+d.header:]
	dict := ghcDictOf(ip[8:ipv6.HeaderLen])
	from := len(d.out)
	sa, na := 0, 0 // added to the next back-reference by extensions
	for d.at < len(d.b) {
		at := d.at
		o := d.b[at]
		d.at++
		n, s := 0, 0
		switch {
		case o <= ghcMaxLiteral:
			n = int(o)
			b, err := d.take(n, errGHCLiteral)
			if err != nil {
				return false, err
			}
			if len(d.out)-d.start+n > d.limit {
				return false, d.overlong()
			}
			d.out = append(d.out, b...)
		case o>>4 == ghcZeros>>4:
			n = int(o&0x0f) + 2
			if len(d.out)-d.start+n > d.limit {
				return false, d.overlong()
			}
			d.out = append(d.out, make([]byte, n)...)
		case o == ghcStop:
			if d.list != nil {
				d.list.bytecode(at, 1, "stop", n, s)
			}
			return true, dangling(sa + na)
		case o>>5 == ghcExtend>>5:
			sa += int(o&0x0f) << 3
			na += int(o & 0x10 >> 1)
		case o>>6 == ghcReference>>6:
			n = na + int(o>>3&0x07) + 2
			s = int(o&0x07) + sa + n
			sa, na = 0, 0
			if s > len(d.out)-from+ghcDictLen {
				return false, errGHCReference
			}
			if len(d.out)-d.start+n > d.limit {
				return false, d.overlong()
			}
			d.out = appendReference(d.out, from, &dict, n, s)
		default:
			return false, errGHCCode
		}
		if d.list != nil {
			d.list.bytecode(at, d.at-at, "", n, s)
		}
	}
	return false, dangling(sa + na)
}

// dangling returns an error if extensions were not followed by a back-reference.
func dangling(extended int) error {
	if extended != 0 {
		return errGHCDangling
	}
	return nil
}

// appendReference appends n octets that start s octets before the end of out, s being at least
// n. Octets before the offset from are taken from the end of dict.
func appendReference(out []byte, from int, dict *ghcDict, n, s int) []byte {
	at := len(out) - s
	before := from - at // octets in the dictionary
	if before >= n {
		return append(out, dict[ghcDictLen-before:][:n]...)
	}
	if before > 0 {
		out = append(out, dict[ghcDictLen-before:]...)
		at, n = from, n-before
	}
	return append(out, out[at:at+n]...)
}
