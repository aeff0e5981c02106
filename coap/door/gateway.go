package door

import (
	"fmt"
	"net"
	"net/netip"
	"slices"

	"culvert/bridge/node"
	"culvert/coap/msg"
)

// openNodeDoorsLocked opens a UDP socket at the gateway's own address in each mesh, so
// that nodes can send their readings although no door is configured. Where a UDP door
// listens at that address already, there is nothing to open. A socket that cannot be
// opened is logged, and no error: packets to and from nodes pass without it.
func (s *Doors) openNodeDoorsLocked() error {
	for _, m := range s.Meshes {
		at := netip.AddrPortFrom(s.Gateways[m.Name], msg.PortCoAP)
		if !at.Addr().IsValid() || s.listensLocked(at) {
			continue
		}
		c, err := net.ListenUDP("udp6", net.UDPAddrFromAddrPort(at))
		if err != nil {
			s.log.Error("no door for the nodes' readings: they are lost; end the program that uses this address and port, then restart the daemon",
				"mesh", m.Name, "address", at.String(), "error", err)
			continue
		}
		if err := s.addLocked(c); err != nil {
			return fmt.Errorf("coap: udp %v: %w", at, err)
		}
		s.udp[len(s.udp)-1].accepts = func(a netip.Addr) bool {
			if _, ok := (node.Meshes{m}).Sender(a); ok {
				return true
			}
			if more, ok := s.refusals.Allow(s.now()); ok {
				s.log.Warn("datagram dropped: this door is for nodes only; [coap] listen opens one for others",
					"mesh", m.Name, "address", at.String(), "from", a.String(), "not_logged_before", more)
			}
			return false
		}
	}
	return nil
}

// listensLocked reports whether a UDP door takes what is sent to at.
func (s *Doors) listensLocked(at netip.AddrPort) bool {
	return slices.ContainsFunc(s.udp, func(d *UDP) bool {
		l := d.conn.LocalAddr().(*net.UDPAddr).AddrPort()
		return l.Port() == at.Port() && (l.Addr() == at.Addr() || l.Addr() == netip.IPv6Unspecified())
	})
}

// ReadingsURI is where nodes of a mesh send their readings, empty if no door is open
// there.
func (s *Doors) ReadingsURI(mesh string) string {
	at := netip.AddrPortFrom(s.Gateways[mesh], msg.PortCoAP)
	s.mu.Lock()
	defer s.mu.Unlock()
	if !at.Addr().IsValid() || !s.listensLocked(at) {
		return ""
	}
	return "coap://[" + at.Addr().String() + "]/readings"
}
