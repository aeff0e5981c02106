package netif

import (
	"unsafe"

	"golang.org/x/sys/unix"
)

// recvfrom is recvfrom(2) into a sockaddr_ll of the caller: the library's own
// wrapper allocates an address for each frame.
func recvfrom(fd uintptr, b []byte, from *unix.RawSockaddrLinklayer) (int, error) {
	if len(b) == 0 {
		return 0, unix.EINVAL
	}
	size := uint32(unsafe.Sizeof(*from))
	n, _, errno := unix.Syscall6(unix.SYS_RECVFROM, fd, uintptr(unsafe.Pointer(&b[0])), uintptr(len(b)), 0,
		uintptr(unsafe.Pointer(from)), uintptr(unsafe.Pointer(&size)))
	if errno != 0 {
		return 0, errno
	}
	return int(n), nil
}
