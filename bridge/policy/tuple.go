package policy

import (
	"encoding/binary"
	"net/netip"

	"culvert/bridge/ipv6"
)

// Tuple is what rules and flows look at in a packet.
type Tuple struct {
	Source, Destination         netip.Addr
	SourcePort, DestinationPort uint16 // the identifier of an echo, in both
	Proto                       uint8
	Echo                        bool
	Reply                       bool // the echo is a reply: only a flow lets it pass, or a rule for any
	ICMPError                   bool // an ICMPv6 error: Quoted tells about what
	Later                       bool // a fragment that is not the first: ports are unknown
}

// Parse reads the tuple of a packet whose extension headers were walked.
func Parse(p ipv6.Packet, u ipv6.Upper) Tuple {
	t := Tuple{Source: p.Source(), Destination: p.Destination(), Proto: u.Proto}
	if !u.First {
		t.Later = true
		return t
	}
	b := p[min(u.Offset, len(p)):]
	switch u.Proto {
	case ipv6.ProtoUDP, ipv6.ProtoTCP:
		if len(b) >= 4 {
			t.SourcePort, t.DestinationPort = binary.BigEndian.Uint16(b), binary.BigEndian.Uint16(b[2:])
		}
	case ipv6.ProtoICMPv6:
		switch {
		case len(b) < 8:
		case b[0] == ipv6.TypeEchoRequest || b[0] == ipv6.TypeEchoReply:
			t.Echo, t.Reply = true, b[0] == ipv6.TypeEchoReply
			t.SourcePort = binary.BigEndian.Uint16(b[4:])
			t.DestinationPort = t.SourcePort
		case b[0] < 128:
			t.ICMPError = true
		}
	}
	return t
}

// quotedTransport is how much of the transport an ICMPv6 error has to quote for the node
// that gets it: a TCP header without options, or a UDP header and a CoAP header with the
// longest token.
const quotedTransport = 20

// maxError is how long an ICMPv6 error to a node may be when it is cut: its own extension
// headers and those of the packet that it quotes have at most 64 octets. Long ones would
// carry to the node what the cut keeps out. Our choice.
const maxError = ipv6.HeaderLen + 8 + ipv6.HeaderLen + quotedTransport + 64

// quotedTuple reads the tuple of the packet that an ICMPv6 error quotes (RFC 4443, section 3),
// and false where too little of it is there. keep is how many octets of the error are
// enough to say about what it is.
func quotedTuple(p ipv6.Packet, u ipv6.Upper) (t Tuple, keep int, ok bool) {
	at := u.Offset + 8
	if at > len(p) {
		return t, 0, false
	}
	q := p[at:]
	if len(q) < ipv6.HeaderLen || q[0]>>4 != 6 {
		return t, 0, false
	}
	// What is quoted may be cut: give the walk a packet that ends where the quote does.
	var whole [ipv6.MinMTU]byte
	n := copy(whole[:], q)
	binary.BigEndian.PutUint16(whole[4:], uint16(n-ipv6.HeaderLen))
	quoted := ipv6.Packet(whole[:n])
	w := ipv6.Walk(quoted)
	return Parse(quoted, w), min(len(p), at+w.Offset+quotedTransport), !w.Cut
}
