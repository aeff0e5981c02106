// Package lowpan is the codec of the 6LoWPAN adaptation layer: dispatch, mesh, broadcast and
// fragment headers (RFC 4944), compressed IPv6 and next headers (RFC 6282), generic header
// compression (RFC 7400), paging and routing headers (RFC 8025, RFC 8138), and a description of a
// frame field by field. It does no I/O, holds no clock, logs nothing and allocates nothing per packet.
package lowpan

import (
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
)

// MTU is the link MTU of a 6LoWPAN mesh in octets (RFC 4944, section 4): the longest packet,
// and the largest datagram_size.
const MTU = ipv6.MinMTU

// Peer is one direction of one link: the addresses from which elided interface
// identifiers are derived, and what the far end understands.
type Peer struct {
	From, To ieee802154.Addr
	// Full lets the compressor use encodings that not every peer decodes: those of extension
	// headers and of IPv6 in IPv6, and the short form of an unspecified source.
	Full bool
	// GHC allows generic header compression. For the compressor it means that the far end's
	// 6CIO had G=1 (RFC 7400, 3.4), for the decompressor that the far end was offered GHC.
	GHC bool
}

// Head is the result of compressing or restoring the headers of a packet.
type Head struct {
	Consumed int // octets of input read
	Emitted  int // octets of output written
	// ChecksumAt is the offset in the IPv6 packet of an elided UDP checksum, which the caller
	// computes once the datagram is whole; -1: none.
	ChecksumAt int
	// HeaderAt is the offset of the IPv6 header whose addresses that checksum covers.
	HeaderAt int
}
