package adapt

import (
	"encoding/binary"
	"slices"

	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
)

// udpChecksum is the offset of the checksum in a UDP header (RFC 768).
const udpChecksum = 6

// mayRestore reports whether an elided checksum of the UDP header b may be computed: only if the
// port is listed, because a stronger integrity check protects its payload (RFC 6282, section
// 4.3.2).
func (r *Receiver) mayRestore(b []byte) bool {
	return r.opt.ElidedChecksumAll ||
		slices.Contains(r.opt.ElidedChecksumPorts, binary.BigEndian.Uint16(b)) ||
		slices.Contains(r.opt.ElidedChecksumPorts, binary.BigEndian.Uint16(b[2:]))
}

// restoreChecksum computes the UDP checksum at offset at of the whole packet pkt with the
// addresses of the IPv6 header at offset header.
func restoreChecksum(pkt []byte, at, header int) {
	msg := pkt[at-udpChecksum:]
	src, dst := pkt[header+8:header+24], pkt[header+24:header+40]
	binary.BigEndian.PutUint16(pkt[at:], ipv6.UDPChecksum(src, dst, msg))
}

// markOf packs the arguments of restoreChecksum until the datagram is complete; 0: none.
func markOf(h lowpan.Head) uint32 {
	if h.ChecksumAt < 0 {
		return 0
	}
	return uint32(h.ChecksumAt)<<16 | uint32(h.HeaderAt)
}

func unmark(mark uint32) (at, header int, ok bool) {
	return int(mark >> 16), int(mark & 0xffff), mark != 0
}
