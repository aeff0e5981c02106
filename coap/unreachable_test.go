package coap

import (
	"net"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// deadPort is an address of the loopback where nothing listens (any more).
func deadPort(t *testing.T) netip.AddrPort {
	t.Helper()
	c, err := net.ListenUDP("udp6", &net.UDPAddr{IP: net.IPv6loopback})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	return c.LocalAddr().(*net.UDPAddr).AddrPort()
}

// RFC 7252, section 4.2, with errors of the kernel: a node where nothing listens is
// asked until no more is to be hoped for, and the client hears why long before the deadline.
func TestNothingListens(t *testing.T) {
	f := newFront(t, quick, func(s *Server) { s.opts.NodeTimeout = 30 * time.Second })
	f.where.Store("grain-bin", deadPort(t))
	m := f.client().ask(codes.GET, own, "")
	if m.Code != codes.BadGateway || !strings.Contains(string(m.Payload), "nothing listens at the node's port") {
		t.Errorf("%v %q", m.Code, m.Payload)
	}
	if s := f.Stats(); s.NodeMessages != 1+msg.MaxRetransmit || s.NodeTimeouts != 1 {
		t.Errorf("%d messages, %d timeouts", s.NodeMessages, s.NodeTimeouts)
	}
}
