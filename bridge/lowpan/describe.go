package lowpan

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"slices"

	"culvert/bridge/ipv6"
)

// Field is one field of a frame, as Describe lists it.
type Field struct {
	Offset  int    // octet of the MAC payload in which the field starts
	Bit     int    // first bit in that octet; 0 is the most significant
	Bits    int    // length in the frame; 0: elided
	Name    string // name in the standard
	Value   string // contents of the frame: 0b… up to 7 bits, else 0x…; empty if elided
	Meaning string // decoded value; may be empty
	Section string // section of the standard that defines the field
}

// Describe lists the fields of the MAC payload b in order and without a gap. It uses the same
// decoder as AppendDecompressed and returns its error; the last field is then the rest of the
// frame. Of a later fragment it describes only the headers.
func Describe(b []byte, p Peer, c *Contexts) ([]Field, error) {
	l := &listing{frame: b}
	err := l.decode(p, c)
	slices.SortStableFunc(l.fields, func(a, b Field) int {
		return cmp.Or(cmp.Compare(a.Offset, b.Offset), cmp.Compare(a.Bit, b.Bit))
	})
	if end := l.end(); end < len(b) {
		l.add(end, 0, 8*(len(b)-end), "not decoded", "", "")
	}
	return l.fields, err
}

// listing records the fields that a decoder reads.
type listing struct {
	frame  []byte
	fields []Field
}

func (l *listing) decode(p Peer, c *Contexts) error {
	r := reader{b: l.frame, list: l}
	f, err := r.frame()
	if err != nil {
		return err
	}
	if f.Mesh {
		p.From, p.To = f.Originator, f.Final
	}
	size := 0
	switch f.Fragment {
	case NextFragment:
		l.add(r.at, 0, 8*len(f.Payload), "payload", fmt.Sprintf("octets %d to %d of the packet",
			f.Offset, f.Offset+len(f.Payload)-1), secFragment)
		return nil
	case FirstFragment:
		size = int(f.Size)
	}
	d := decoder{reader: r}
	_, err = d.datagram(p, c, size)
	return err
}

// end returns the offset behind the last field. It is a whole octet: each header records all
// bits of the octets that it has read.
func (l *listing) end() int {
	end := 0
	for _, f := range l.fields {
		end = max(end, f.Offset+(f.Bit+f.Bits)/8)
	}
	return end
}

// add records a field.
func (l *listing) add(offset, bit, bits int, name, meaning, section string) {
	l.fields = append(l.fields, Field{offset, bit, bits, name, l.value(offset, bit, bits), meaning, section})
}

// value formats the bits of a field.
func (l *listing) value(offset, bit, bits int) string {
	switch {
	case bits <= 0:
		return ""
	case bits < 8:
		var v uint16
		for i := offset; i < offset+2; i++ {
			v <<= 8
			if i < len(l.frame) {
				v |= uint16(l.frame[i])
			}
		}
		return fmt.Sprintf("0b%0*b", bits, v>>(16-bit-bits)&(1<<bits-1))
	case bit%8 == 0 && bits%8 == 0:
		return fmt.Sprintf("0x%x", l.frame[offset:offset+bits/8])
	}
	var v uint64
	for _, o := range l.frame[offset : offset+(bit+bits+7)/8] {
		v = v<<8 | uint64(o)
	}
	return fmt.Sprintf("0x%0*x", (bits+3)/4, v>>(-(bit+bits)&7)&(1<<bits-1))
}

func (l *listing) mesh(at int, f Frame, deep bool) {
	o := l.frame[at]
	l.add(at, 0, 2, "dispatch", "mesh header", secDispatch)
	l.add(at, 2, 1, "V", sizeName(o&0x20), secMesh)
	l.add(at, 3, 1, "F", sizeName(o&0x10), secMesh)
	if deep {
		l.add(at, 4, 4, "Hops Left", "in the next octet", secMesh)
		at++
		l.add(at, 0, 8, "Deep Hops Left", fmt.Sprint(f.HopsLeft), secMesh)
	} else {
		l.add(at, 4, 4, "Hops Left", fmt.Sprint(f.HopsLeft), secMesh)
	}
	at++
	l.add(at, 0, 8*f.Originator.Len(), "Originator Address", f.Originator.String(), secMesh)
	at += f.Originator.Len()
	l.add(at, 0, 8*f.Final.Len(), "Final Destination Address", f.Final.String(), secMesh)
}

func sizeName(short byte) string {
	if short != 0 {
		return "16-bit address"
	}
	return "EUI-64"
}

func (l *listing) broadcast(at int, seq byte) {
	l.add(at, 0, 8, "dispatch", "broadcast header", secDispatch)
	l.add(at+1, 0, 8, "Sequence Number", fmt.Sprint(seq), secBroadcast)
}

func (l *listing) fragment(at int, f Frame) {
	name := "first fragment"
	if f.Fragment == NextFragment {
		name = "next fragment"
	}
	l.add(at, 0, 5, "dispatch", name, secDispatch)
	l.add(at, 5, 11, "datagram_size", fmt.Sprintf("%d octets", f.Size), secFragment)
	l.add(at+2, 0, 16, "datagram_tag", fmt.Sprint(f.Tag), secFragment)
	if f.Fragment == NextFragment {
		l.add(at+4, 0, 8, "datagram_offset", fmt.Sprintf("octet %d", f.Offset), secFragment)
	}
}

func (l *listing) page(at int, page byte) {
	l.add(at, 0, 4, "dispatch", "page switch", secPage)
	l.add(at, 4, 4, "page", fmt.Sprint(page), secPage)
}

func (l *listing) routing(at int, critical bool, kind byte, n int) {
	class := "elective"
	if critical {
		class = "critical"
	}
	l.add(at, 0, 3, "dispatch", class+" 6LoWPAN routing header", secLoRH)
	name, section := "", secLoRH
	switch {
	case critical && kind <= lorhLastSRH:
		name, section = "source routing header", secSRH
	case critical && kind == lorhRPI:
		name, section = "RPL packet information", secRPI
	}
	l.add(at, 3, 5, "TSE or length", "", section)
	l.add(at+1, 0, 8, "6LoRH Type", name, section)
	if n > 0 {
		l.add(at+2, 0, 8*n, "6LoRH data", "left out of the packet", section)
	}
}

// payload records what follows compressed headers, or a whole uncompressed packet.
func (l *listing) payload(at int, b []byte, compressed bool) {
	if !compressed {
		l.add(at-1, 0, 8, "dispatch", "uncompressed IPv6", secDispatch)
		n := min(len(b), ipv6.HeaderLen)
		l.add(at, 0, 8*n, "IPv6 header", "", secIPv6)
		at, b = at+n, b[n:]
	}
	if len(b) > 0 {
		l.add(at, 0, 8*len(b), "payload", countOctets(len(b)), secIPv6)
	}
}

func (l *listing) extension(at int, eid, nh byte) {
	name := "reserved"
	if proto := eidProto[eid]; proto != 0xff {
		name = protoName(proto)
	}
	l.add(at, 0, 4, "NHC", "extension header", secExt)
	l.add(at, 4, 3, "EID", name, secExt)
	l.add(at, 7, 1, "NH", nhName(nh), secExt)
}

func (l *listing) extensionData(at int, proto byte, n int) {
	l.add(at, 0, 8, "Length", fmt.Sprintf("octets that follow: %d", n), secExt)
	if n > 0 {
		l.add(at+1, 0, 8*n, protoName(proto)+" data", "", secExt)
	}
	if pad := -(2 + n) & 7; pad > 0 && padded(proto) {
		l.add(at+1+n, 0, 0, "padding", fmt.Sprintf("octets restored: %d", pad), secExt)
	}
}

func (l *listing) fragmentHeader(at int) {
	l.add(at, 0, 8, "Reserved, or Length", "restored as 0", secExt)
	l.add(at+1, 0, 13, "Fragment Offset", fmt.Sprintf("octet %d", binary.BigEndian.Uint16(l.frame[at+1:])&^7), secExt)
	l.add(at+2, 5, 3, "Res and M flag", "", secExt)
	l.add(at+3, 0, 32, "Identification", "", secExt)
}

func (l *listing) udp(at int, o byte) {
	if o>>3 == nhcGHCUDP>>3 {
		l.add(at, 0, 5, "NHC", "UDP, GHC", secGHCPay)
	} else {
		l.add(at, 0, 5, "NHC", "UDP", secUDP)
	}
	checksum := "checksum in-line"
	if o&nhcUDPC != 0 {
		checksum = "checksum elided"
	}
	l.add(at, 5, 1, "C", checksum, secChecksum)
	l.add(at, 6, 2, "P", [4]string{"both ports in full", "destination port 0xf0XX",
		"source port 0xf0XX", "both ports 0xf0bX"}[o&3], secUDP)
}

func (l *listing) ports(at int, p byte, src, dst uint16) {
	n := [4]int{16, 16, 8, 4}[p]
	m := [4]int{16, 8, 16, 4}[p]
	l.add(at, 0, n, "source port", fmt.Sprint(src), secUDP)
	l.add(at+n/8, n%8, m, "destination port", fmt.Sprint(dst), secUDP)
}

func (l *listing) bytecode(at, octets int, name string, n, s int) {
	switch o := l.frame[at]; {
	case name != "":
	case o <= ghcMaxLiteral:
		name = "literal of " + countOctets(n)
	case o>>4 == ghcZeros>>4:
		name = fmt.Sprintf("%d zeros", n)
	case o>>5 == ghcExtend>>5:
		name = "extension of the back-reference"
	default:
		name = fmt.Sprintf("%d octets from %d back", n, s)
	}
	l.add(at, 0, 8*octets, "GHC bytecode", name, secGHC)
}

// protoName returns the name of a Next Header value.
func protoName(proto byte) string {
	names := map[byte]string{
		ipv6.ProtoHopByHop: "Hop-by-Hop Options", ipv6.ProtoTCP: "TCP", ipv6.ProtoUDP: "UDP",
		ipv6.ProtoIPv6: "IPv6", ipv6.ProtoRouting: "Routing", ipv6.ProtoFragment: "Fragment",
		ipv6.ProtoESP: "ESP", ipv6.ProtoAH: "Authentication", ipv6.ProtoICMPv6: "ICMPv6",
		ipv6.ProtoNoNext: "No Next Header", ipv6.ProtoDestination: "Destination Options",
		ipv6.ProtoMobility: "Mobility", ipv6.ProtoHIP: "HIP", ipv6.ProtoShim6: "Shim6",
	}
	if n, ok := names[proto]; ok {
		return n
	}
	return fmt.Sprint(proto)
}

func nhName(nh byte) string {
	if nh != 0 {
		return "NHC follows"
	}
	return "in-line"
}

// countOctets returns "1 octet", "2 octets".
func countOctets(n int) string {
	if n == 1 {
		return "1 octet"
	}
	return fmt.Sprintf("%d octets", n)
}
