package nd

import (
	"net/netip"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
)

// Binding is an address that a node registered or claimed.
type Binding struct {
	Addr   netip.Addr
	Link   ieee802154.Addr // of the node
	Relay  ieee802154.Addr // that registered it for the node; none: the node itself
	Origin node.Origin     // Registered or Claimed
	ROVR   ROVR
	TID    uint8 // transaction ID, valid if HasTID
	HasTID bool
	Until  time.Time     // end of the lifetime
	Life   time.Duration // lifetime granted last
}

// State is what a Server needs back after a restart of the daemon.
type State struct {
	Version  uint32 // of the authoritative border router option; 0: never started
	Contexts []ContextState
	Bindings []Binding
}

// State returns the state without Bindings: each Change carries its own.
func (s *Server) State(now time.Time) State {
	return State{Version: s.version, Contexts: s.contexts.states(now)}
}

// Version returns the version that the border router option carries.
func (s *Server) Version() uint32 { return s.version }

// SetContexts replaces the list of contexts, which go through the phases of RFC 6775, 7.2.
// If it returns true the version has changed, and the caller stores the state.
func (s *Server) SetContexts(want []Context, now time.Time) bool {
	if !s.contexts.set(want, false, now) {
		return false
	}
	s.version++
	s.Announce(now)
	return true
}

// SetEUI64 sets the EUI-64 and the link-local address of the gateway once the radio is up.
func (s *Server) SetEUI64(a ieee802154.Addr, linkLocal netip.Addr) {
	s.o.EUI64, s.linkLocal = a, linkLocal
}

// Announce sends a series of unsolicited advertisements, as at a start (RFC 4861, 6.2.4).
func (s *Server) Announce(now time.Time) { s.burst, s.nextRA = initialAdvertisements, now }

// Forget ends the bindings of the link addresses for which is returns true: their node was
// taken out of service, or a short address is now another node's or unused. A node whose
// EUI-64 is known has its bindings under the EUI-64.
func (s *Server) Forget(is func(link ieee802154.Addr) bool, out *Out) {
	for a, b := range s.bindings {
		if is(b.Link) {
			delete(s.probes, a)
			s.unbind(b, out)
		}
	}
}

// Bindings calls f for each binding until it returns false.
func (s *Server) Bindings(f func(Binding) bool) {
	for _, b := range s.bindings {
		if !f(*b) {
			return
		}
	}
}

// restore adds a binding of an earlier run. It leaves out a binding that this run would not
// have made.
func (s *Server) restore(b Binding, now time.Time) {
	if !b.Link.IsNode() || !s.onLink(b.Addr) || s.ours(b.Addr) || !now.Before(b.Until) ||
		len(s.bindings) >= s.o.MaxAddresses || s.bindings[b.Addr] != nil {
		return
	}
	s.bindings[b.Addr] = &b
	s.tally(&b, 1)
}
