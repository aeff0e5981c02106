// Package frag cuts datagrams into fragments and puts them together again (RFC
// 4944, section 5.3): the arithmetic of a fragmenter, and a reassembler with
// bounded memory. The headers' octets are lowpan's. Times are passed in.
package frag

// MaxDatagram is the longest datagram in octets: the link MTU (RFC 4944, section 4).
const MaxDatagram = 1280

// The lengths of the fragment headers in octets (RFC 4944, section 5.3).
const (
	FirstHeaderLen = 4
	NextHeaderLen  = 5
)

// unit is what fragments are counted in: each but the last one covers whole units.
const unit = 8

// First returns how many octets of a datagram of size octets its first fragment
// covers, in a frame with room for room octets of MAC payload, where headers of
// consumed octets, a multiple of 8, are compressed to emitted octets. 0 means that
// there is not enough room. Offsets count uncompressed octets, so the rest of the
// frame is filled until what it expands to is a multiple of 8.
func First(size, consumed, emitted, room int) int {
	n := room - FirstHeaderLen - emitted
	if n < 0 {
		return 0
	}
	return min(size, consumed+n&^(unit-1))
}

// Next returns how many octets the fragment that begins at offset covers.
func Next(size, offset, room int) int {
	n := room - NextHeaderLen
	if left := size - offset; left <= n {
		return left
	}
	return n &^ (unit - 1)
}
