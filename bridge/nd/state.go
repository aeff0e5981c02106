package nd

import (
	"net/netip"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
)

// Record is what is kept of one binding. Times are absolute; who stores it decides
// how far a stored clock is to be believed.
type Record struct {
	Addr   netip.Addr
	Link   ieee802154.Addr // none: the binding ended
	Relay  ieee802154.Addr // that registered it for the node; none: the node itself
	Origin node.Origin
	ROVR   []byte
	TID    uint8
	HasTID bool
	Until  time.Time
	Life   time.Duration // that was granted last
}

// State is what of a Server outlives the daemon.
type State struct {
	Version  uint32 // of the authoritative border router option; 0: never started
	Contexts []ContextState
	Records  []Record
}

// State returns what is to be kept. Records are not part of it: each Change carries
// its own.
func (s *Server) State(now time.Time) State {
	return State{Version: s.version, Contexts: s.contexts.states(now)}
}

// Version returns the version that the border router option carries.
func (s *Server) Version() uint32 { return s.version }

// SetContexts takes a new list of contexts, which go through the steps of RFC 6775,
// 7.2. It reports whether the version went up, and the state is to be kept.
func (s *Server) SetContexts(want []Context, now time.Time) bool {
	if !s.contexts.set(want, false, now) {
		return false
	}
	s.version++
	s.Announce(now)
	return true
}

// SetEUI64 tells the server the gateway's address when the radio comes up.
func (s *Server) SetEUI64(a ieee802154.Addr, linkLocal netip.Addr) {
	s.o.EUI64, s.linkLocal = a, linkLocal
}

// Announce starts a round of unsolicited advertisements, as for an interface that
// begins to advertise (RFC 4861, 6.2.4).
func (s *Server) Announce(now time.Time) { s.burst, s.nextRA = initialAdvertisements, now }

// Forget ends all that was registered or claimed from the link addresses for which is
// holds: the node was taken out of service, or the short address belongs to another
// node now, or to nobody. Bindings of a node whose EUI-64 is known are kept under the
// EUI-64.
func (s *Server) Forget(is func(link ieee802154.Addr) bool, out *Out) {
	for a, b := range s.bindings {
		if is(b.link) {
			delete(s.probes, a)
			s.unbind(b, out)
		}
	}
}

// Bindings calls f for each binding until it returns false.
func (s *Server) Bindings(f func(Record) bool) {
	for _, b := range s.bindings {
		if !f(b.record()) {
			return
		}
	}
}

func (b *binding) record() Record {
	return Record{Addr: b.addr, Link: b.link, Relay: b.relay, Origin: b.origin, ROVR: append([]byte(nil), b.rovr.bytes()...),
		TID: b.tid, HasTID: b.hasTID, Until: b.until, Life: b.life}
}

// restore brings a binding of an earlier run back. One that could not have been
// made here is left out.
func (s *Server) restore(r Record, now time.Time) {
	if !r.Link.IsNode() || !s.onLink(r.Addr) || s.ours(r.Addr) || !now.Before(r.Until) ||
		len(r.ROVR) > maxROVR || len(s.bindings) >= s.o.MaxAddresses || s.bindings[r.Addr] != nil {
		return
	}
	s.bindings[r.Addr] = &binding{addr: r.Addr, link: r.Link, relay: r.Relay, origin: r.Origin, rovr: rovrOf(r.ROVR),
		tid: r.TID, hasTID: r.HasTID, until: r.Until, life: r.Life}
	s.tally(s.bindings[r.Addr], 1)
}
