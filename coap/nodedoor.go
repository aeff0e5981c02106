package coap

import (
	"fmt"
	"net"
	"net/netip"
	"slices"
	"time"

	"culvert/bridge/node"
	"culvert/coap/msg"
)

// openNodeDoorsLocked opens a UDP socket at the gateway's own address in each mesh, so
// that nodes can send their readings although no door is configured. Where a UDP door
// listens at that address already, there is nothing to open. A socket that cannot be
// opened is logged, and no error: packets to and from nodes pass without it.
func (s *Server) openNodeDoorsLocked() error {
	for _, m := range s.opts.Meshes {
		at := netip.AddrPortFrom(s.opts.Gateways[m.Name], msg.PortCoAP)
		if !at.Addr().IsValid() || s.listensLocked(at) {
			continue
		}
		c, err := net.ListenUDP("udp6", net.UDPAddrFromAddrPort(at))
		if err != nil {
			s.log.Error("no door for the nodes' readings: they are lost; end the program that uses this address and port, then restart the daemon",
				"mesh", m.Name, "address", at.String(), "error", err)
			continue
		}
		d, err := newUDPDoor(s, c)
		if err != nil {
			c.Close()
			return fmt.Errorf("coap: udp %v: %w", at, err)
		}
		d.from = func(a netip.Addr) bool {
			if _, ok := (node.Meshes{m}).Sender(a); ok {
				return true
			}
			if more, ok := s.refusals.Allow(time.Now()); ok {
				s.log.Warn("datagram dropped: this door is for nodes only; [coap] listen opens one for others",
					"mesh", m.Name, "address", at.String(), "from", a.String(), "not_logged_before", more)
			}
			return false
		}
		s.udp = append(s.udp, d)
	}
	return nil
}

// listensLocked reports whether a UDP door takes what is sent to at.
func (s *Server) listensLocked(at netip.AddrPort) bool {
	return slices.ContainsFunc(s.udp, func(d *udpDoor) bool {
		l := d.conn.LocalAddr().(*net.UDPAddr).AddrPort()
		return l.Port() == at.Port() && (l.Addr() == at.Addr() || l.Addr() == netip.IPv6Unspecified())
	})
}

// readingsURI is where nodes of a mesh send their readings, empty if no door is open
// there.
func (s *Server) readingsURI(mesh string) string {
	at := netip.AddrPortFrom(s.opts.Gateways[mesh], msg.PortCoAP)
	s.mu.Lock()
	defer s.mu.Unlock()
	if !at.Addr().IsValid() || !s.listensLocked(at) {
		return ""
	}
	return "coap://[" + at.Addr().String() + "]/readings"
}
