package lowpan

// AppendDecompressed appends to dst the IPv6 packet that b holds: b starts with the
// dispatch octet of a datagram, behind mesh, broadcast and fragment header. For a
// first fragment size is its datagram_size, and what is appended is the beginning
// of the packet; else size is 0. Errors are *drop.Error, and dst is then returned
// as it was. dst grows by at most MTU octets; a capacity of that much more means
// that nothing is allocated. A UDP checksum that was elided is left zero: see
// Head.ChecksumAt. dst and b must not overlap.
func AppendDecompressed(dst, b []byte, p Peer, c *Contexts, size int) (out []byte, h Head, err error) {
	return dst, Head{ChecksumAt: -1}, nil
}
