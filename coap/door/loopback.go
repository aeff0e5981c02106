package door

import (
	"errors"
	"net"
	"net/netip"

	"golang.org/x/sys/unix"

	"culvert/coap/msg"
)

// withoutIPv6 reports whether err means that this host has no [::1], since IPv6 is
// disabled, and returns the address that takes its place: 127.0.0.1, which the same
// host, and nobody else, reaches.
func withoutIPv6(at netip.AddrPort, err error) (netip.AddrPort, bool) {
	if at.Addr() != netip.IPv6Loopback() || !errors.Is(err, unix.EADDRNOTAVAIL) && !errors.Is(err, unix.EAFNOSUPPORT) {
		return at, false
	}
	return netip.AddrPortFrom(netip.AddrFrom4([4]byte{127, 0, 0, 1}), at.Port()), true
}

// instead logs that a door listens at another address than the configuration says.
func (s *Doors) instead(kind msg.Door, at, other netip.AddrPort) {
	s.log.Warn("IPv6 is disabled on the loopback interface: the door listens at 127.0.0.1 in the place of [::1]",
		"door", kind.String(), "configured", at.String(), "address", other.String(),
		"do", "sysctl net.ipv6.conf.lo.disable_ipv6=0; 'culvert check' says more")
}

// listenUDP opens the socket of a UDP or DTLS door.
func (s *Doors) listenUDP(kind msg.Door, at netip.AddrPort) (*net.UDPConn, error) {
	c, err := net.ListenUDP(family("udp", at), net.UDPAddrFromAddrPort(at))
	if other, ok := withoutIPv6(at, err); ok {
		s.instead(kind, at, other)
		return net.ListenUDP("udp4", net.UDPAddrFromAddrPort(other))
	}
	return c, err
}

// listenTCP opens the socket of a TCP or TLS door.
func (s *Doors) listenTCP(kind msg.Door, at netip.AddrPort) (net.Listener, error) {
	l, err := net.Listen(family("tcp", at), at.String())
	if other, ok := withoutIPv6(at, err); ok {
		s.instead(kind, at, other)
		return net.Listen("tcp4", other.String())
	}
	return l, err
}
