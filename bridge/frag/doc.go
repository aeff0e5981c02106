// Package frag computes the sizes of fragments and reassembles datagrams in bounded memory (RFC
// 4944, section 5.3). Package lowpan reads and writes the fragment headers. The time is passed in.
package frag

// MaxDatagram is the longest datagram in octets: the link MTU (RFC 4944, section 4).
const MaxDatagram = 1280

// The lengths of the fragment headers in octets (RFC 4944, section 5.3).
const (
	FirstHeaderLen = 4
	NextHeaderLen  = 5
)

// unit is the unit of datagram_offset in octets: all fragments but the last have a multiple of it.
const unit = 8

// First returns the octets of a datagram of size octets that its first fragment covers, in a frame
// of room octets of MAC payload, if headers of consumed octets are compressed to emitted octets. 0
// means that there is not enough room. Offsets count uncompressed octets, so the result is a
// multiple of 8 unless the datagram fits; consumed must be one too.
func First(size, consumed, emitted, room int) int {
	n := room - FirstHeaderLen - emitted
	if n < 0 {
		return 0
	}
	return min(size, consumed+n&^(unit-1))
}

// Next returns the octets that the fragment at offset covers in a frame of room octets.
func Next(size, offset, room int) int {
	n := room - NextHeaderLen
	if left := size - offset; left <= n {
		return left
	}
	return n &^ (unit - 1)
}
