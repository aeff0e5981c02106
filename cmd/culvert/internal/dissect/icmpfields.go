package dissect

import (
	"encoding/binary"
	"fmt"
	"net/netip"
	"strings"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/cmd/culvert/internal/cli"
)

// icmpTypes names ICMPv6 types, with the section that defines each.
var icmpTypes = map[byte][2]string{
	ipv6.TypeUnreachable:   {"destination unreachable", "RFC 4443, 3.1"},
	ipv6.TypePacketTooBig:  {"packet too big", "RFC 4443, 3.2"},
	ipv6.TypeTimeExceeded:  {"time exceeded", "RFC 4443, 3.3"},
	ipv6.TypeParamProblem:  {"parameter problem", "RFC 4443, 3.4"},
	ipv6.TypeEchoRequest:   {"echo request", "RFC 4443, 4.1"},
	ipv6.TypeEchoReply:     {"echo reply", "RFC 4443, 4.2"},
	ipv6.TypeMLDQuery:      {"multicast listener query", "RFC 3810, 5.1"},
	ipv6.TypeMLDReport:     {"multicast listener report", "RFC 2710, 3"},
	ipv6.TypeMLDDone:       {"multicast listener done", "RFC 2710, 3"},
	ipv6.TypeRouterSol:     {"router solicitation", "RFC 4861, 4.1"},
	ipv6.TypeRouterAdv:     {"router advertisement", "RFC 4861, 4.2"},
	ipv6.TypeNeighborSol:   {"neighbor solicitation", "RFC 4861, 4.3"},
	ipv6.TypeNeighborAdv:   {"neighbor advertisement", "RFC 4861, 4.4"},
	ipv6.TypeRedirect:      {"redirect", "RFC 4861, 4.5"},
	ipv6.TypeMLDv2Report:   {"multicast listener report, version 2", "RFC 3810, 5.2"},
	155:                    {"RPL control message", "RFC 6550, 6"},
	ipv6.TypeDuplicateReq:  {"duplicate address request", "RFC 6775, 4.4"},
	ipv6.TypeDuplicateConf: {"duplicate address confirmation", "RFC 6775, 4.4"},
}

// unreachableCodes names the codes of Destination Unreachable (RFC 4443, 3.1).
var unreachableCodes = []string{
	"no route", "administratively prohibited", "beyond scope of source", "address unreachable",
	"port unreachable", "source failed policy", "reject route", "error in source routing header",
}

func (f *fields) icmp(at int, u upper, depth int) {
	b := f.b[at:]
	if len(b) < 4 {
		f.rest(at, "truncated ICMPv6 header")
		return
	}
	name, section := fmt.Sprintf("type %d", b[0]), "RFC 4443, 2.1"
	if t, ok := icmpTypes[b[0]]; ok {
		name, section = t[0], t[1]
	}
	f.octets(at, 1, "ICMPv6 type", name, section)
	f.octets(at+1, 1, "code", icmpCode(b[0], b[1]), section)
	f.octets(at+2, 2, "checksum", u.checksum(ipv6.ProtoICMPv6, b), "RFC 4443, 2.3")
	if len(b) < 8 {
		f.rest(at+4, "truncated message body")
		return
	}
	switch b[0] {
	case ipv6.TypeUnreachable, ipv6.TypeTimeExceeded:
		f.octets(at+4, 4, "unused", "", section)
		f.quoted(at + 8)
	case ipv6.TypePacketTooBig:
		f.length(at+4, 4, int(binary.BigEndian.Uint32(b[4:])), "MTU", section)
		f.quoted(at + 8)
	case ipv6.TypeParamProblem:
		f.octets(at+4, 4, "pointer", fmt.Sprintf("octet %d", binary.BigEndian.Uint32(b[4:])), section)
		f.quoted(at + 8)
	case ipv6.TypeEchoRequest, ipv6.TypeEchoReply:
		f.number(at+4, 2, "identifier", "", section)
		f.number(at+6, 2, "sequence number", "", section)
		f.rest(at+8, "echo payload")
	case ipv6.TypeRouterSol:
		f.octets(at+4, 4, "reserved", "", section)
		f.ndOptions(at + 8)
	case ipv6.TypeRouterAdv:
		f.routerAdv(at, section)
	case ipv6.TypeNeighborSol, ipv6.TypeNeighborAdv, ipv6.TypeRedirect:
		f.neighbor(at, section)
	default:
		f.rest(at+4, "message body")
	}
}

func icmpCode(typ, code byte) string {
	switch {
	case typ == ipv6.TypeUnreachable && int(code) < len(unreachableCodes):
		return unreachableCodes[code]
	case typ == ipv6.TypeTimeExceeded && code == ipv6.CodeHopLimit:
		return "hop limit exceeded in transit"
	case typ == ipv6.TypeTimeExceeded && code == ipv6.CodeReassemblyTime:
		return "fragment reassembly time exceeded"
	}
	return ""
}

// quoted adds a row for the packet that an error message quotes.
func (f *fields) quoted(at int) {
	b := f.b[at:]
	if len(b) == 0 {
		return
	}
	meaning := "quotes " + cli.Plural(len(b), "octet") + " of the packet"
	if len(b) >= ipv6.HeaderLen && b[0]>>4 == 6 {
		meaning += fmt.Sprintf(" from %v to %v, %s", f.addr16(at+8), f.addr16(at+24), protocol(b[6]))
	}
	f.octets(at, len(b), "invoking packet", meaning, "RFC 4443, 2.4 c")
}

// neighbor decodes NS, NA and Redirect (RFC 4861, sections 4.3 to 4.5).
func (f *fields) neighbor(at int, section string) {
	b := f.b[at:]
	n := 24
	if b[0] == ipv6.TypeRedirect {
		n = 40
	}
	if len(b) < n {
		f.rest(at+4, "truncated message body")
		return
	}
	if b[0] == ipv6.TypeNeighborAdv {
		f.bits(at+4, 0, 1, "R", choose(b[4]&0x80 != 0, "from a router", "not from a router"), section)
		f.bits(at+4, 1, 1, "S", choose(b[4]&0x40 != 0, "solicited", "not solicited"), section)
		f.bits(at+4, 2, 1, "O", choose(b[4]&0x20 != 0, "overrides", "does not override"), section)
		f.bits(at+4, 3, 29, "reserved", "", section)
	} else {
		f.octets(at+4, 4, "reserved", "", section)
	}
	f.octets(at+8, 16, "target address", f.addr16(at+8).String(), section)
	if b[0] == ipv6.TypeRedirect {
		f.octets(at+24, 16, "destination address", f.addr16(at+24).String(), section)
	}
	f.ndOptions(at + n)
}

func (f *fields) routerAdv(at int, section string) {
	b := f.b[at:]
	if len(b) < 16 {
		f.rest(at+4, "truncated message body")
		return
	}
	f.number(at+4, 1, "cur hop limit", "", section)
	f.bits(at+5, 0, 1, "M", choose(b[5]&0x80 != 0, "addresses by DHCPv6", "no addresses by DHCPv6"), section)
	f.bits(at+5, 1, 1, "O", choose(b[5]&0x40 != 0, "other settings by DHCPv6", "no other settings by DHCPv6"), section)
	f.bits(at+5, 2, 6, "flags", "", section)
	f.number(at+6, 2, "router lifetime", " s", section)
	f.number(at+8, 4, "reachable time", " ms", section)
	f.number(at+12, 4, "retrans timer", " ms", section)
	f.ndOptions(at + 16)
}

// ndOptions adds a row for each neighbor discovery option (RFC 4861, section 4.6).
func (f *fields) ndOptions(at int) {
	for at < len(f.b) {
		b := f.b[at:]
		if len(b) < 8 || b[1] == 0 || len(b) < 8*int(b[1]) {
			f.rest(at, "truncated option, or one of length 0")
			return
		}
		n := 8 * int(b[1])
		meaning, section := ndOption(b[:n])
		f.octets(at, n, "option", meaning, section)
		at += n
	}
}

// ndOption describes one complete option.
func ndOption(b []byte) (meaning, section string) {
	switch b[0] {
	case 1, 2:
		name := choose(b[0] == 1, "source", "target") + " link-layer address"
		// RFC 4944, section 8: 16 or 64 bits, by the length.
		n := map[int]int{8: 2, 16: 8}[len(b)]
		if a, err := ieee802154.FromBytes(b[2 : 2+n]); err == nil && n > 0 {
			name += " " + a.String()
		}
		return name, "RFC 4861, 4.6.1; RFC 4944, 8"
	case 3:
		if len(b) == 32 && b[2] <= 128 {
			var flags strings.Builder
			for i, s := range []string{" L", " A", " R"} {
				if b[3]&(0x80>>i) != 0 {
					flags.WriteString(s)
				}
			}
			return fmt.Sprintf("prefix %v,%s valid %d s, preferred %d s", netip.PrefixFrom(netip.AddrFrom16([16]byte(b[16:32])), int(b[2])),
				choose(flags.Len() > 0, flags.String()+",", ""), binary.BigEndian.Uint32(b[4:]), binary.BigEndian.Uint32(b[8:])), "RFC 4861, 4.6.2"
		}
		return "prefix information of invalid length", "RFC 4861, 4.6.2"
	case 5:
		return fmt.Sprintf("MTU %d", binary.BigEndian.Uint32(b[4:])), "RFC 4861, 4.6.4"
	case 14:
		return "nonce", "RFC 3971, 5.3.2"
	case 24:
		return "route information", "RFC 4191, 2.3"
	case 33:
		return fmt.Sprintf("address registration, status %d, lifetime %d min", b[2], binary.BigEndian.Uint16(b[6:])), "RFC 6775, 4.1; RFC 8505, 4.1"
	case 34:
		var raw [16]byte
		copy(raw[:], b[8:])
		p := netip.PrefixFrom(netip.AddrFrom16(raw), int(b[2]))
		return fmt.Sprintf("6LoWPAN context %d: %v, %s, lifetime %d min", b[3]&15, p,
			choose(b[3]&0x10 != 0, "compress and decompress", "decompress only"), binary.BigEndian.Uint16(b[6:])), "RFC 6775, 4.2"
	case 35:
		if len(b) != 24 {
			return "authoritative border router of invalid length", "RFC 6775, 4.3"
		}
		version := uint32(binary.BigEndian.Uint16(b[4:]))<<16 | uint32(binary.BigEndian.Uint16(b[2:]))
		return fmt.Sprintf("authoritative border router %v, version %d", netip.AddrFrom16([16]byte(b[8:])), version), "RFC 6775, 4.3"
	case 36:
		return "6LoWPAN capabilities" + choose(b[3]&1 != 0, ", accepts generic header compression", ""), "RFC 7400, 3.4; RFC 8505, 4.3"
	}
	return fmt.Sprintf("type %d", b[0]), "RFC 4861, 4.6"
}
