package dissect

import (
	"encoding/binary"
	"fmt"
	"net/netip"
	"strconv"
	"strings"

	"culvert/bridge/ipv6"
	"culvert/cmd/culvert/internal/cli"
)

// maxNesting bounds the depth of tunnelled IPv6 packets that are decoded.
const maxNesting = 8

// protocols names Next Header values (the IANA registry of protocol numbers).
var protocols = map[byte]string{
	ipv6.ProtoHopByHop: "hop-by-hop options", ipv6.ProtoTCP: "TCP", ipv6.ProtoUDP: "UDP", ipv6.ProtoIPv6: "IPv6",
	ipv6.ProtoRouting: "routing header", ipv6.ProtoFragment: "fragment header", ipv6.ProtoESP: "ESP",
	ipv6.ProtoAH: "authentication header", ipv6.ProtoICMPv6: "ICMPv6", ipv6.ProtoNoNext: "no next header",
	ipv6.ProtoDestination: "destination options", ipv6.ProtoMobility: "mobility header",
	ipv6.ProtoHIP: "HIP", ipv6.ProtoShim6: "shim6",
}

// protocol returns the name of a Next Header value.
func protocol(p byte) string {
	if n, ok := protocols[p]; ok {
		return n
	}
	return fmt.Sprintf("protocol %d", p)
}

// fields collects the rows of packet b. Offsets count from the start of b.
type fields struct {
	b    []byte
	rows []row
}

// packetRows decodes an IPv6 packet: extension headers and their options, UDP, TCP, ICMPv6
// with neighbor discovery, CoAP. Whatever is truncated or unknown is one row.
func packetRows(p ipv6.Packet) []row {
	f := &fields{b: p}
	f.packet(0, 0)
	return f.rows
}

func (f *fields) octets(at, n int, field, meaning, section string) {
	f.rows = append(f.rows, wholeOctets(f.b, at, n, field, meaning, section))
}

func (f *fields) bits(at, bit, n int, field, meaning, section string) {
	f.rows = append(f.rows, someBits(f.b, at, bit, n, field, meaning, section))
}

// number adds a row for a big-endian unsigned number of n octets, with its unit behind it.
func (f *fields) number(at, n int, field, unit, section string) {
	var v uint64
	for _, o := range f.b[at : at+n] {
		v = v<<8 | uint64(o)
	}
	f.octets(at, n, field, strconv.FormatUint(v, 10)+unit, section)
}

// length adds a row for a length in octets.
func (f *fields) length(at, n, octets int, field, section string) {
	f.octets(at, n, field, cli.Plural(octets, "octet"), section)
}

// rest adds a row for everything from at on.
func (f *fields) rest(at int, meaning string) {
	if n := len(f.b) - at; n > 0 {
		f.octets(at, n, "data", fmt.Sprintf("%s, %s", cli.Plural(n, "octet"), meaning), "")
	}
}

// packet decodes the IPv6 packet from at to the end of b.
func (f *fields) packet(at, depth int) {
	p, err := ipv6.Parse(f.b[at:])
	if err != nil || depth >= maxNesting {
		f.rest(at, "not decoded")
		return
	}
	const s3 = "RFC 8200, 3"
	f.bits(at, 0, 4, "version", "IPv6", s3)
	tc := p.TrafficClass()
	f.bits(at, 4, 8, "traffic class", fmt.Sprintf("DSCP %d, ECN %d", tc>>2, tc&3), "RFC 8200, 7")
	f.bits(at, 12, 20, "flow label", "", "RFC 8200, 6")
	f.length(at+4, 2, p.PayloadLen(), "payload length", s3)
	f.octets(at+6, 1, "next header", protocol(p.NextHeader()), s3)
	f.number(at+7, 1, "hop limit", "", s3)
	f.octets(at+8, 16, "source", p.Source().String(), s3)
	f.octets(at+24, 16, "destination", p.Destination().String(), s3)
	f.headers(at, p.NextHeader(), at+ipv6.HeaderLen, upper{src: p.SourceBytes(), dst: p.DestinationBytes()}, depth)
}

// upper is what the checksum of an upper-layer header depends on.
type upper struct {
	src, dst []byte
	unknown  string // why the checksum cannot be verified; empty if it can
}

// checksum says whether the checksum in msg is correct.
func (u upper) checksum(proto byte, msg []byte) string {
	switch {
	case u.unknown != "":
		return "not checked: " + u.unknown
	case ipv6.ChecksumOK(u.src, u.dst, proto, msg):
		return "correct"
	}
	return "wrong"
}

// headers decodes extension headers (RFC 8200, section 4) and then the upper layer.
func (f *fields) headers(packet int, proto byte, at int, u upper, depth int) {
	for {
		b := f.b[at:]
		n := 0
		switch proto {
		case ipv6.ProtoHopByHop, ipv6.ProtoDestination, ipv6.ProtoRouting, ipv6.ProtoMobility, ipv6.ProtoHIP, ipv6.ProtoShim6:
			if len(b) >= 8 {
				n = 8 * (int(b[1]) + 1)
			}
		case ipv6.ProtoAH:
			if len(b) >= 8 {
				n = 4 * (int(b[1]) + 2) // RFC 4302, section 2.2
			}
		case ipv6.ProtoFragment:
			n = 8
		default:
			f.upperLayer(proto, at, u, depth)
			return
		}
		if n == 0 || len(b) < n {
			f.rest(at, "truncated "+protocol(proto))
			return
		}
		last := f.extension(proto, at, n, &u)
		proto = b[0]
		at += n
		if last {
			f.rest(at, "the middle of a "+protocol(proto)+" message")
			return
		}
	}
}

// extension decodes one extension header of n octets. It returns true if no header follows:
// in a fragment that is not the first.
func (f *fields) extension(proto byte, at, n int, u *upper) (last bool) {
	b := f.b[at : at+n]
	name := protocol(proto)
	f.octets(at, 1, "next header", "after the "+name+": "+protocol(b[0]), "RFC 8200, 4")
	switch proto {
	case ipv6.ProtoHopByHop, ipv6.ProtoDestination:
		f.octets(at+1, 1, "length", fmt.Sprintf("%d octets in total", n), "RFC 8200, 4.3")
		f.options(at+2, at+n)
	case ipv6.ProtoRouting:
		f.octets(at+1, 1, "length", fmt.Sprintf("%d octets in total", n), "RFC 8200, 4.4")
		f.octets(at+2, 1, "routing type", routingType(b[2]), "RFC 8200, 4.4")
		f.number(at+3, 1, "segments left", "", "RFC 8200, 4.4")
		f.octets(at+4, n-4, "type-specific data", "", "RFC 8200, 4.4")
		if b[3] != 0 {
			u.unknown = "the routing header has the final destination"
		}
	case ipv6.ProtoFragment:
		offset := binary.BigEndian.Uint16(b[2:])
		f.octets(at+1, 1, "reserved", "", "RFC 8200, 4.5")
		f.bits(at+2, 0, 13, "fragment offset", cli.Plural(int(offset>>3)*8, "octet"), "RFC 8200, 4.5")
		f.bits(at+2, 13, 2, "reserved", "", "RFC 8200, 4.5")
		f.bits(at+2, 15, 1, "M", choose(offset&1 == 1, "more fragments follow", "the last fragment"), "RFC 8200, 4.5")
		f.octets(at+4, 4, "identification", "", "RFC 8200, 4.5")
		if offset&^6 != 0 { // RFC 6946: offset 0 and M=0 is a whole packet
			u.unknown = "a fragment of a message"
		}
		return offset>>3 != 0
	case ipv6.ProtoAH:
		f.octets(at+1, 1, "payload len", fmt.Sprintf("%d octets in total", n), "RFC 4302, 2.2")
		f.octets(at+2, n-2, "authentication", "", "RFC 4302, 2")
	default:
		f.octets(at+1, 1, "length", fmt.Sprintf("%d octets in total", n), "RFC 8200, 4.8")
		f.octets(at+2, n-2, "header data", "", "")
	}
	return false
}

func choose(cond bool, yes, no string) string {
	if cond {
		return yes
	}
	return no
}

// routingType names a Routing Type (the IANA registry of IPv6 parameters).
func routingType(t byte) string {
	switch t {
	case 0:
		return "source route, deprecated by RFC 5095"
	case 2:
		return "mobile IPv6 (RFC 6275)"
	case 3:
		return "RPL source route (RFC 6554)"
	case 4:
		return "segment routing (RFC 8754)"
	}
	return fmt.Sprintf("type %d", t)
}

// optionNames names options of hop-by-hop and destination headers (the IANA
// registry of IPv6 parameters).
var optionNames = map[byte]string{
	0x05: "router alert (RFC 2711)", 0x04: "tunnel encapsulation limit (RFC 2473)", 0x63: "RPL, old value (RFC 6553)",
	0x23: "RPL (RFC 9008)", 0xc2: "jumbo payload (RFC 2675)", 0xc9: "home address (RFC 6275)", 0x6d: "MPL (RFC 7731)",
}

// options decodes the options from at to end (RFC 8200, section 4.2).
func (f *fields) options(at, end int) {
	for at < end {
		switch {
		case f.b[at] == 0:
			f.octets(at, 1, "option", "Pad1", "RFC 8200, 4.2")
			at++
			continue
		case at+2 > end || at+2+int(f.b[at+1]) > end:
			f.octets(at, end-at, "option", "truncated", "RFC 8200, 4.2")
			return
		}
		n := 2 + int(f.b[at+1])
		name, known := optionNames[f.b[at]]
		switch {
		case f.b[at] == 1:
			name = fmt.Sprintf("PadN, %d octets in total", n)
		case !known:
			name = fmt.Sprintf("type 0x%02x, %s of data", f.b[at], cli.Plural(n-2, "octet"))
		}
		f.octets(at, n, "option", name, "RFC 8200, 4.2")
		at += n
	}
}

// upperLayer decodes what follows the extension headers.
func (f *fields) upperLayer(proto byte, at int, u upper, depth int) {
	switch proto {
	case ipv6.ProtoUDP:
		f.udp(at, u)
	case ipv6.ProtoTCP:
		f.tcp(at, u)
	case ipv6.ProtoICMPv6:
		f.icmp(at, u, depth)
	case ipv6.ProtoIPv6:
		f.packet(at, depth+1)
	case ipv6.ProtoNoNext:
		f.rest(at, "after the last header, to be ignored (RFC 8200, 4.7)")
	default:
		f.rest(at, protocol(proto))
	}
}

func (f *fields) udp(at int, u upper) {
	b := f.b[at:]
	if len(b) < 8 {
		f.rest(at, "truncated UDP header")
		return
	}
	src, dst, n := binary.BigEndian.Uint16(b), binary.BigEndian.Uint16(b[2:]), int(binary.BigEndian.Uint16(b[4:]))
	f.number(at, 2, "source port", "", "RFC 768")
	f.number(at+2, 2, "destination port", "", "RFC 768")
	length := cli.Plural(n, "octet")
	if n != len(b) && u.unknown == "" {
		length += fmt.Sprintf("; the packet has %d", len(b))
	}
	f.octets(at+4, 2, "length", length, "RFC 768")
	sum := u.checksum(ipv6.ProtoUDP, b)
	if binary.BigEndian.Uint16(b[6:]) == 0 {
		sum = "absent, which IPv6 does not allow"
	}
	f.octets(at+6, 2, "checksum", sum, "RFC 8200, 8.1")
	if (src == udpPortCoAP || dst == udpPortCoAP) && f.coap(at+8) {
		return
	}
	f.rest(at+8, "UDP payload")
}

func (f *fields) tcp(at int, u upper) {
	b := f.b[at:]
	if len(b) < 20 || len(b) < int(b[12]>>4)*4 || b[12]>>4 < 5 {
		f.rest(at, "truncated TCP header")
		return
	}
	const section = "RFC 9293, 3.1"
	f.number(at, 2, "source port", "", section)
	f.number(at+2, 2, "destination port", "", section)
	f.number(at+4, 4, "sequence number", "", section)
	f.number(at+8, 4, "acknowledgment", "", section)
	n := int(b[12]>>4) * 4
	f.bits(at+12, 0, 4, "data offset", cli.Plural(n, "octet"), section)
	f.bits(at+12, 4, 4, "reserved", "", section)
	var flags []string
	for i, name := range []string{"CWR", "ECE", "URG", "ACK", "PSH", "RST", "SYN", "FIN"} {
		if b[13]&(0x80>>i) != 0 {
			flags = append(flags, name)
		}
	}
	f.octets(at+13, 1, "control bits", strings.Join(flags, " "), section)
	f.number(at+14, 2, "window", "", section)
	f.octets(at+16, 2, "checksum", u.checksum(ipv6.ProtoTCP, b), section)
	f.octets(at+18, 2, "urgent pointer", "", section)
	if n > 20 {
		f.octets(at+20, n-20, "options", "", "RFC 9293, 3.2")
	}
	f.rest(at+n, "TCP payload")
}

// addr16 returns the address in the 16 octets at.
func (f *fields) addr16(at int) netip.Addr { return netip.AddrFrom16([16]byte(f.b[at : at+16])) }
