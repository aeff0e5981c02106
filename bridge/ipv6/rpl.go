package ipv6

// Routing information that must not cross the border of a mesh: the RPL option (RFC 6553; the
// value without the "discard" bits, RFC 9008, section 4.2), and routing headers with segments
// left (RFC 6554; RFC 8754).

// Options of the Hop-by-Hop Options header (RFC 8200, section 4.2; the IANA registry).
const (
	optionPad1   = 0
	optionPadN   = 1
	optionRPL    = 0x23
	optionRPLOld = 0x63
)

// Types of the Routing header (the IANA registry).
const (
	routingSource = 0 // RFC 5095: deprecated
	routingRPL    = 3 // RFC 6554
	routingSRv6   = 4 // RFC 8754
)

// routing records the routing header at the start of b, which has at least 8 octets.
func (u *Upper) routing(b []byte) {
	left := b[3] > 0
	switch b[2] {
	case routingSource:
		u.Routing0 = true
	case routingRPL:
		u.Routing3 = u.Routing3 || left
	case routingSRv6:
		u.Routing4 = u.Routing4 || left
	}
}

// rplOption returns the offset of the first RPL option at or behind the offset at in a header of
// options; -1 if there is none. b may be truncated.
func rplOption(b []byte, at int) int {
	for at < len(b) {
		switch b[at] {
		case optionRPL, optionRPLOld:
			return at
		case optionPad1:
			at++
			continue
		}
		if at+1 >= len(b) {
			return -1
		}
		at += 2 + int(b[at+1])
	}
	return -1
}

// ClearRPL overwrites every RPL option in the first header of p with padding of the same length.
// It removes no header, which no router may do (RFC 8200, section 4), and fragments and checksums
// stay valid. Walk still reports an option that is truncated or in a later header.
func ClearRPL(p Packet) {
	if p.NextHeader() != ProtoHopByHop || len(p) < HeaderLen+8 {
		return
	}
	b := p[HeaderLen:]
	b = b[:min(len(b), 8*(int(b[1])+1))]
	for at := rplOption(b, 2); at >= 0; at = rplOption(b, at) {
		if at+2 > len(b) || at+2+int(b[at+1]) > len(b) {
			return
		}
		b[at] = optionPadN
		clear(b[at+2 : at+2+int(b[at+1])])
	}
}
