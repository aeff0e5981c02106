package bridge

import (
	"net/netip"
	"time"

	"culvert/bridge/forward"
)

// NotAfter has no packet of a CoAP message that this host sends leave for a node after
// at; see forward.(*Forwarder).NotAfter. port is where it is sent from, id its Message
// ID.
func (m *Mesh) NotAfter(to netip.AddrPort, port, id uint16, at time.Time) error {
	return m.fwd.NotAfter(forward.Message{To: to, Port: port, ID: id}, at)
}
