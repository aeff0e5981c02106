package coap

import (
	"encoding/binary"
	"net/netip"
	"unsafe"

	"golang.org/x/sys/unix"
)

// cmsg is a control message as the kernel writes it.
func cmsg(level, kind int32, data []byte) []byte {
	b := make([]byte, unix.CmsgSpace(len(data)))
	h := (*unix.Cmsghdr)(unsafe.Pointer(&b[0]))
	h.Level, h.Type = level, kind
	h.SetLen(unix.CmsgLen(len(data)))
	copy(b[unix.CmsgLen(0):], data)
	return b
}

func pktinfo6(to netip.Addr, index uint32) []byte {
	a := to.As16()
	return cmsg(unix.IPPROTO_IPV6, unix.IPV6_PKTINFO, binary.NativeEndian.AppendUint32(a[:], index))
}

func pktinfo4(local, to netip.Addr) []byte {
	l, d := local.As4(), to.As4()
	b := binary.NativeEndian.AppendUint32(nil, 1)
	return cmsg(unix.IPPROTO_IP, unix.IP_PKTINFO, append(append(b, l[:]...), d[:]...))
}
