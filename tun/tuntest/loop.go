package tuntest

import "io"

// Offsets in an IPv6 header (RFC 8200, section 3).
const (
	sourceAt, destinationAt, addressesEnd = 8, 24, 40
	sourcePortAt, portsEnd                = 40, 44 // of UDP, where no extension header precedes it
)

// Loop reads IPv6/UDP packets and writes each back with its addresses and ports
// swapped, which leaves the checksum right. It ends with the first error. buf
// holds the MTU. This is the least that a program on a TUN interface can do with
// a packet, and so what the daemon's cost is compared with.
func Loop(dev io.ReadWriter, buf []byte) error {
	for {
		n, err := dev.Read(buf)
		if err != nil {
			return err
		}
		if !Swap(buf[:n]) {
			continue
		}
		if _, err := dev.Write(buf[:n]); err != nil {
			return err
		}
	}
}

// Swap swaps the addresses and ports of an IPv6/UDP packet, and refuses any other.
func Swap(packet []byte) bool {
	const udp = 17
	if len(packet) < portsEnd || packet[0]>>4 != 6 || packet[6] != udp {
		return false
	}
	var a [addressesEnd - destinationAt]byte
	copy(a[:], packet[sourceAt:])
	copy(packet[sourceAt:], packet[destinationAt:addressesEnd])
	copy(packet[destinationAt:], a[:])
	p := [4]byte(packet[sourcePortAt:])
	copy(packet[sourcePortAt:], []byte{p[2], p[3], p[0], p[1]})
	return true
}
