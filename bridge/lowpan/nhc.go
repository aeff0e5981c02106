package lowpan

import (
	"encoding/binary"

	"culvert/bridge/ipv6"
)

// The encodings of next headers: 1110 EID(3) NH (RFC 6282, section 4.2), 11110 C
// P(2) (section 4.3.3), and those of RFC 7400.
const (
	nhcExt     = 0b1110_0000
	nhcUDP     = 0b11110_000
	nhcUDPC    = 0x04 // C: the checksum is elided
	nhcGHCExt  = 0b1011_0000
	nhcGHCUDP  = 0b11010_000
	nhcGHCICMP = 0b1101_1111
	nhcNH      = 0x01
)

// The extension header identifiers (section 4.2).
const (
	eidHopByHop = iota
	eidRouting
	eidFragment
	eidDestination
	eidMobility
	_
	_
	eidIPv6
)

// eidProto are the Next Header values of the extension header identifiers; 0xff: reserved.
var eidProto = [8]byte{ipv6.ProtoHopByHop, ipv6.ProtoRouting, ipv6.ProtoFragment,
	ipv6.ProtoDestination, ipv6.ProtoMobility, 0xff, 0xff, ipv6.ProtoIPv6}

// padded reports whether the trailing padding of the header may be elided.
func padded(proto byte) bool { return proto == ipv6.ProtoHopByHop || proto == ipv6.ProtoDestination }

// The offsets within a UDP header (RFC 768).
const (
	udpLength    = 4
	udpChecksum  = 6
	udpHeaderLen = 8
)

// nhc restores one header from LOWPAN_NHC (RFC 6282, section 4) and reports whether
// another one follows.
func (d *decoder) nhc() (more bool, err error) {
	o, err := d.octet(errNHCCut)
	if err != nil {
		return false, err
	}
	switch {
	case o>>4 == nhcExt>>4:
		return d.extension(o)
	case o>>3 == nhcUDP>>3:
		return false, d.udpHeader(o)
	case o>>4 == nhcGHCExt>>4, o>>3 == nhcGHCUDP>>3, o == nhcGHCICMP:
		if !d.ghc {
			return false, errGHC
		}
		return d.generic(o)
	}
	return false, errNHC
}

// begins fills in the pending Next Header field: a header of the type proto comes next.
func (d *decoder) begins(proto byte) { d.out[d.start+d.nextHeader] = proto }

// extension restores an extension header, or an encapsulated IPv6 header (section 4.2).
func (d *decoder) extension(o byte) (more bool, err error) {
	eid := o >> 1 & 0x07
	proto := eidProto[eid]
	if d.list != nil {
		d.list.extension(d.at-1, eid, o&nhcNH)
	}
	if proto == 0xff {
		return false, errEID
	}
	if eid == eidIPv6 {
		if o&nhcNH != 0 {
			return false, errIPv6NH
		}
		if d.at == len(d.b) || dispatchOf(d.b[d.at]) != dispatchIPHC {
			return false, errIPv6IPHC
		}
		d.begins(proto)
		return d.iphc()
	}
	d.begins(proto)
	more = o&nhcNH != 0
	next, err := d.extensionNext(more)
	if err != nil {
		return false, err
	}
	d.nextHeader = len(d.out) - d.start
	length, err := d.octet(errExtLenCut)
	if err != nil {
		return false, err
	}
	if eid == eidFragment {
		return more, d.fragmentHeader(next)
	}
	b, err := d.take(int(length), errExtCut)
	if err != nil {
		return false, err
	}
	if d.list != nil {
		d.list.extensionData(d.at-len(b)-1, proto, len(b))
	}
	return more, d.restoreExtension(proto, next, b)
}

// extensionNext reads the in-line Next Header of an extension header; more means that it is
// elided.
func (d *decoder) extensionNext(more bool) (next byte, err error) {
	if more {
		return 0, nil
	}
	if next, err = d.octet(errExtNHCut); err == nil && d.list != nil {
		d.list.proto(d.at-1, "Next Header", next, secExt)
	}
	return next, err
}

// restoreExtension appends an extension header with the data b behind its Length field, and
// with padding if its type allows.
func (d *decoder) restoreExtension(proto, next byte, b []byte) error {
	pad := -(2 + len(b)) & 7
	if pad > 0 && !padded(proto) {
		return errExtAlign
	}
	// A truncated option would include the padding.
	if pad > 0 && lastOption(b) < 0 {
		return errExtOption
	}
	if proto == ipv6.ProtoRouting && len(b) > 1 && b[1] != 0 { // Segments Left
		d.routed = true
	}
	d.out = append(d.out, next, byte((2+len(b)+pad)/8-1))
	d.out = append(d.out, b...)
	switch {
	case pad == 1:
		d.out = append(d.out, optPad1)
	case pad > 1:
		d.out = append(d.out, optPadN, byte(pad-2))
		d.out = append(d.out, make([]byte, pad-2)...)
	}
	return nil
}

// fragmentHeader restores a Fragment header, which has no Length field. Implementations read
// section 4.2 in two ways: the octet in its place is Reserved, or the count of the octets that
// follow, 6. Either way Reserved is restored as 0.
func (d *decoder) fragmentHeader(next byte) error {
	b, err := d.take(6, errExtCut)
	if err != nil {
		return err
	}
	if d.list != nil {
		d.list.fragmentHeader(d.at - 7)
	}
	d.fragmented = d.fragmented || binary.BigEndian.Uint16(b)&^0x0006 != 0 // offset or M
	d.out = append(d.out, next, 0)
	d.out = append(d.out, b...)
	return nil
}

// The padding options (RFC 8200, section 4.2).
const (
	optPad1 = 0
	optPadN = 1
)

// lastOption returns the offset of the last option in b: len(b) if there is none, -1 if one is
// truncated.
func lastOption(b []byte) int {
	last := len(b)
	for at := 0; at < len(b); {
		last = at
		switch {
		case b[at] == optPad1:
			at++
		case at+1 == len(b) || at+2+int(b[at+1]) > len(b):
			return -1
		default:
			at += 2 + int(b[at+1])
		}
	}
	return last
}

// udpHeader restores a UDP header (section 4.3.3).
func (d *decoder) udpHeader(o byte) error {
	if d.list != nil {
		d.list.udp(d.at-1, o)
	}
	at := d.at
	var src, dst uint16
	b, err := d.take([4]int{4, 3, 3, 1}[o&0x03], errPortsCut)
	if err != nil {
		return err
	}
	switch o & 0x03 {
	case 0:
		src, dst = binary.BigEndian.Uint16(b), binary.BigEndian.Uint16(b[2:])
	case 1:
		src, dst = binary.BigEndian.Uint16(b), 0xf000|uint16(b[2])
	case 2:
		src, dst = 0xf000|uint16(b[0]), binary.BigEndian.Uint16(b[1:])
	case 3:
		src, dst = 0xf0b0|uint16(b[0]>>4), 0xf0b0|uint16(b[0]&0x0f)
	}
	if d.list != nil {
		d.list.ports(at, o&0x03, src, dst)
	}
	var checksum uint16
	if d.elided = o&nhcUDPC != 0; !d.elided {
		if b, err = d.take(2, errChecksumCut); err != nil {
			return err
		}
		checksum = binary.BigEndian.Uint16(b)
		if d.list != nil {
			d.list.add(d.at-2, 0, 16, "UDP checksum", "", secUDP)
		}
	} else if d.routed || d.fragmented {
		return errChecksumPart
	}
	d.begins(ipv6.ProtoUDP)
	d.udp = len(d.out) - d.start
	d.out = binary.BigEndian.AppendUint16(d.out, src)
	d.out = binary.BigEndian.AppendUint16(d.out, dst)
	d.out = append(d.out, 0, 0) // payload fills in the Length
	d.out = binary.BigEndian.AppendUint16(d.out, checksum)
	return nil
}
