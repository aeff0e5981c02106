package door

import (
	"encoding/binary"
	"net"
	"net/netip"

	"golang.org/x/sys/unix"
)

// oobRoom holds one control message with the address that a datagram was sent to.
const oobRoom = 64

// wantLocal makes the kernel say to which address each datagram went: the answer
// must come from there, or the client does not know it.
func wantLocal(c *net.UDPConn, v6 bool) error {
	raw, err := c.SyscallConn()
	if err != nil {
		return err
	}
	var opt error
	err = raw.Control(func(fd uintptr) {
		if v6 {
			opt = unix.SetsockoptInt(int(fd), unix.IPPROTO_IPV6, unix.IPV6_RECVPKTINFO, 1)
		} else {
			opt = unix.SetsockoptInt(int(fd), unix.IPPROTO_IP, unix.IP_PKTINFO, 1)
		}
	})
	if err != nil {
		return err
	}
	return opt
}

// LocalOf reads the control message of a datagram, and turns it in place into the
// one that gives the answer its source address. The interface stays as it is only
// for link-local addresses: for others routing decides.
func LocalOf(oob []byte, v6 bool) (netip.Addr, []byte) {
	h, data, _, err := unix.ParseOneSocketControlMessage(oob)
	if err != nil {
		return netip.Addr{}, nil
	}
	switch {
	case v6 && h.Level == unix.IPPROTO_IPV6 && h.Type == unix.IPV6_PKTINFO && len(data) >= unix.SizeofInet6Pktinfo:
		a := netip.AddrFrom16([16]byte(data[:16]))
		if !a.IsLinkLocalUnicast() {
			binary.NativeEndian.PutUint32(data[16:], 0)
		}
		return a.Unmap(), oob[:unix.CmsgSpace(unix.SizeofInet6Pktinfo)]
	case !v6 && h.Level == unix.IPPROTO_IP && h.Type == unix.IP_PKTINFO && len(data) >= unix.SizeofInet4Pktinfo:
		// in_pktinfo: interface, the address to answer from, the header's destination.
		a := netip.AddrFrom4([4]byte(data[8:12]))
		binary.NativeEndian.PutUint32(data, 0)
		if !a.IsMulticast() && a != netip.AddrFrom4([4]byte{255, 255, 255, 255}) {
			copy(data[4:8], data[8:12])
		}
		return a, oob[:unix.CmsgSpace(unix.SizeofInet4Pktinfo)]
	}
	return netip.Addr{}, nil
}

func truncated(flags int) bool { return flags&unix.MSG_TRUNC != 0 }
