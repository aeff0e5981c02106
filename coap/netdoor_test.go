package coap

import (
	"net"
	"net/netip"
	"testing"

	"culvert/coap/msg"
)

// A door at 0.0.0.0 is open to IPv4 alone.
func TestUnspecifiedIPv4Door(t *testing.T) {
	any4 := []netip.AddrPort{netip.MustParseAddrPort("0.0.0.0:0")}
	f := newFront(t, func(s *Server) { s.opts.UDP, s.opts.TCP = any4, any4 })
	udp, tcp := f.Addrs(msg.DoorUDP)[0], f.Addrs(msg.DoorTCP)[0]
	if !udp.Addr().Is4() || !tcp.Addr().Is4() {
		t.Errorf("they listen at %v and %v, want IPv4 addresses", udp, tcp)
	}
	if c, err := net.Dial("tcp4", netip.AddrPortFrom(netip.MustParseAddr("127.0.0.1"), tcp.Port()).String()); err != nil {
		t.Error(err)
	} else {
		c.Close()
	}
	if c, err := net.Dial("tcp6", netip.AddrPortFrom(netip.IPv6Loopback(), tcp.Port()).String()); err == nil {
		c.Close()
		t.Errorf("[::1]:%d is open", tcp.Port())
	}
}
