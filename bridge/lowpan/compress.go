package lowpan

import "culvert/bridge/ipv6"

// AppendCompressed appends to dst the headers of pkt in the shortest encoding that
// the standards and the peer allow and that takes at most room octets, down to the
// dispatch octet 0x41 of an uncompressed packet, for which Consumed is 0. What
// follows the headers, pkt[h.Consumed:], is to be sent as it is. The error, a
// *drop.Error, is not-sent: room is less than 1. A UDP checksum is never elided.
func AppendCompressed(dst []byte, pkt ipv6.Packet, p Peer, c *Contexts, room int) (out []byte, h Head, err error) {
	return dst, Head{ChecksumAt: -1}, nil
}
