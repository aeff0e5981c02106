package ipv6

import "encoding/binary"

// addOctets adds the octets of b to a partial sum of 16-bit words (RFC 1071). Only the
// last part of a message may have an odd number of octets.
func addOctets(sum uint32, b []byte) uint32 {
	acc := uint64(sum)
	for len(b) >= 8 {
		v := binary.BigEndian.Uint64(b)
		acc += v>>48 + v>>32&0xffff + v>>16&0xffff + v&0xffff
		b = b[8:]
	}
	for len(b) >= 2 {
		acc += uint64(binary.BigEndian.Uint16(b))
		b = b[2:]
	}
	if len(b) == 1 {
		acc += uint64(b[0]) << 8
	}
	for acc>>16 != 0 {
		acc = acc>>16 + acc&0xffff
	}
	return uint32(acc)
}

// fold folds a partial sum to 16 bits and complements it.
func fold(sum uint32) uint16 {
	for sum>>16 != 0 {
		sum = sum>>16 + sum&0xffff
	}
	return ^uint16(sum)
}

// pseudoHeader returns the partial sum of the pseudo-header (RFC 8200, section 8.1)
// for an upper-layer message of n octets.
func pseudoHeader(src, dst []byte, proto byte, n int) uint32 {
	s := addOctets(addOctets(0, src), dst)
	return s + uint32(n)>>16 + uint32(n)&0xffff + uint32(proto)
}

// Checksum returns the checksum of an upper-layer message whose checksum field is zero. For
// UDP call UDPChecksum.
func Checksum(src, dst []byte, proto byte, msg []byte) uint16 {
	return fold(addOctets(pseudoHeader(src, dst, proto, len(msg)), msg))
}

// UDPChecksum is Checksum for UDP, where a result of 0 is sent as 0xffff (RFC 8200, section
// 8.1).
func UDPChecksum(src, dst []byte, msg []byte) uint16 {
	if c := Checksum(src, dst, ProtoUDP, msg); c != 0 {
		return c
	}
	return 0xffff
}

// ChecksumOK reports whether the checksum that msg holds is correct.
func ChecksumOK(src, dst []byte, proto byte, msg []byte) bool {
	return Checksum(src, dst, proto, msg) == 0
}
