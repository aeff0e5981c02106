// Package lowpan is the codec of the 6LoWPAN adaptation layer: dispatch, mesh, broadcast and
// fragment headers (RFC 4944), compressed IPv6 and next headers (RFC 6282), generic header
// compression (RFC 7400), paging and routing headers (RFC 8025, RFC 8138), and a description of a
// frame field by field. It does no I/O, holds no clock, logs nothing and allocates nothing per packet.
package lowpan

import (
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
)

// MTU is the link MTU of every 6LoWPAN mesh in octets (RFC 4944, section 4): the
// longest packet that is restored, and the largest datagram_size.
const MTU = ipv6.MinMTU

// Peer is one direction of one link: the addresses from which elided interface
// identifiers are derived, and what the far end understands.
type Peer struct {
	From, To ieee802154.Addr
	// Full lets the compressor use what not every peer decodes: next header encodings for
	// extension headers and IPv6 in IPv6, and the short form of an unspecified source.
	Full bool
	// GHC is for the compressor: the far end's 6CIO had G=1 (RFC 7400, 3.4). For
	// the decompressor: we offered it to the far end.
	GHC bool
}

// Head says what a codec did.
type Head struct {
	Consumed int // octets of the input that the headers took
	Emitted  int // octets of the output that they gave
	// ChecksumAt is the offset in the IPv6 packet of a UDP checksum that was elided
	// and is still to be computed over the whole datagram; -1 for none.
	ChecksumAt int
	// HeaderAt is the offset of the IPv6 header, inner ones included, whose
	// addresses that checksum covers.
	HeaderAt int
}
