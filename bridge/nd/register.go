package nd

import (
	"encoding/binary"
	"net/netip"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
)

// solicitation handles a neighbour solicitation: a registration, a duplicate
// address detection, or a question for a link address.
func (s *Server) solicitation(m *message, from ieee802154.Addr, now time.Time, out *Out) error {
	if m.regBad {
		return errStatus // RFC 6775, 6.5: the whole message is ignored
	}
	if m.hasReg && m.hasSource && !m.src.IsUnspecified() {
		return s.register(m, from, now, out)
	}
	if m.src.IsUnspecified() {
		return s.duplicateDetection(m, from, now, out)
	}
	return s.resolve(m, from, out)
}

// register handles a registration in either form: RFC 6775 registers the source of
// the message, RFC 8505 its target.
func (s *Server) register(m *message, from ieee802154.Addr, now time.Time, out *Out) error {
	addr := m.src
	if m.reg.extended() {
		addr = m.target
	}
	status := s.decide(m, addr, from)
	other, ok := s.otherNode(m.reg.rovr, from)
	if old := s.bindings[addr]; !ok && old != nil && old.ROVR == m.reg.rovr && !s.mayMove(old, from, ieee802154.Addr{}) {
		other, ok = euiOf(m.reg.rovr), true
	}
	if ok && status == Success {
		status = refusal(&m.reg)
		if from.IsShort() { // perhaps its own EUI-64, which nobody knows yet: let it prove that
			out.Pairs = append(out.Pairs, Pair{From: from, EUI64: other, Short: from})
		}
	}
	if status == Success {
		status = s.enter(&m.reg, addr, from, ieee802154.Addr{}, now, out)
	}
	answer := m.reg
	answer.status = status
	if status == Success {
		s.stats.Registrations++
	} else {
		s.stats.Refused++
	}
	dst := m.src
	if !m.reg.extended() && status != Success && len(m.reg.rovr.Bytes()) == 8 {
		// RFC 6775, 6.5.2: the source may be another's; the EUI-64 is the asker's own.
		if iid, ok := ipv6.IIDOf(euiOf(m.reg.rovr)); ok {
			dst = ipv6.LinkLocal(iid)
		}
	}
	out.neighbourAdvert(neighbourAdvert{
		src: s.linkLocal, dst: dst, target: m.target, flags: naRouter | naSolicited, reg: &answer,
	}, from, status == Success)
	return nil
}

// decide checks a request before the table is looked at.
func (s *Server) decide(m *message, addr netip.Addr, from ieee802154.Addr) Status {
	if !s.onLink(addr) {
		return TopologyIncorrect
	}
	if s.ours(addr) {
		return Duplicate
	}
	if !m.reg.extended() || m.src == addr {
		return Success
	}
	// RFC 8505, 5.6: the source is a link-local address, or one that the node has
	// registered; it must not be somebody else's.
	if b := s.bindings[m.src]; b != nil {
		if b.ROVR != m.reg.rovr && !s.sameNode(b.Link, from) {
			return DuplicateSource
		}
		return Success
	}
	if s.derivedOfOther(m.src, from) {
		return DuplicateSource
	}
	if !m.src.IsLinkLocalUnicast() && s.derivedOwner(m.src) == nil {
		return InvalidSource
	}
	return Success
}

// otherNode returns the EUI-64 that a verifier of 8 octets is, if it is that of the
// gateway or of a known node other than that with the link address from.
func (s *Server) otherNode(v ROVR, from ieee802154.Addr) (ieee802154.Addr, bool) {
	a := euiOf(v)
	if a.IsNone() {
		return a, false
	}
	if a == s.o.EUI64 {
		return a, true
	}
	if s.o.Table == nil {
		return a, false
	}
	n := s.o.Table.ByLink(a)
	return a, n != nil && n != s.o.Table.ByLink(from)
}

// euiOf returns the EUI-64 that a verifier of 8 octets may be, none for another.
func euiOf(v ROVR) ieee802154.Addr {
	if v.n != 8 {
		return ieee802154.Addr{}
	}
	if a := ieee802154.Extended(binary.BigEndian.Uint64(v.Bytes())); a.IsNode() {
		return a
	}
	return ieee802154.Addr{}
}

// refusal is the status for a verifier that is not the asker's: RFC 6775, 4.1, has
// none but Duplicate for it.
func refusal(r *registration) Status {
	if r.extended() {
		return ValidationFailed
	}
	return Duplicate
}

// enter makes, renews, moves or ends the binding of an address, and returns the
// status of RFC 6775, 6.5, and RFC 8505, 5. The relay asks for the node, or the node
// itself (none).
func (s *Server) enter(r *registration, addr netip.Addr, link, relay ieee802154.Addr, now time.Time, out *Out) Status {
	old := s.bindings[addr]
	switch {
	case old != nil && old.Origin == node.Registered:
		if old.ROVR != r.rovr {
			return Duplicate
		}
		if r.extended() && old.HasTID && !newerTID(r.tid, old.TID) {
			return Moved
		}
		if !mayChange(old, r, relay) || !s.mayMove(old, link, relay) {
			return refusal(r)
		}
	case old != nil: // claimed: its owner may register it, another may not
		if !s.sameNode(old.Link, link) || !mayChange(old, r, relay) {
			return Duplicate
		}
	default:
		if s.derivedOfOther(addr, link) {
			return Duplicate
		}
	}
	if r.lifetime == 0 {
		if old != nil {
			s.unbind(old, out)
		}
		return Success
	}
	life := time.Duration(r.lifetime) * lifetimeUnitMinute * time.Second
	b := Binding{
		Addr: addr, Link: link, Relay: relay, Origin: node.Registered, ROVR: r.rovr,
		TID: r.tid, HasTID: r.extended(), Until: now.Add(life), Life: life,
	}
	if old != nil && !relay.IsNone() && old.Relay.IsNone() && s.sameNode(old.Link, link) {
		// What the node has by its own word stays as it is: a relay only prolongs it.
		until, life := b.Until, b.Life
		if b = *old; until.After(old.Until) {
			b.Until, b.Life = until, life
		}
	}
	sameAccount := old != nil && old.Link == b.Link && old.Relay == b.Relay
	if !sameAccount && !s.room(b.Link, b.Relay) {
		return CacheFull
	}
	renewal := sameAccount && old.Origin == b.Origin
	s.bind(b, renewal, out)
	delete(s.probes, addr)
	return Success
}

// mayChange reports whether a registration with the right verifier may end a binding: a
// relay ends only what it registered itself. Anything else than the end is renewal, or
// the move of a node to another relay.
func mayChange(old *Binding, r *registration, relay ieee802154.Addr) bool {
	return r.lifetime != 0 || relay.IsNone() || relay == old.Relay
}

// mayMove reports whether a registration with the right verifier may give a binding to
// the node with a link address. A verifier of 8 octets is no secret: it is the EUI-64 of
// the node, which its addresses may show. So a node that registered itself loses a binding only
// to that EUI-64, and to no relay.
func (s *Server) mayMove(old *Binding, link, relay ieee802154.Addr) bool {
	switch {
	case old.ROVR.n != 8 || s.sameNode(old.Link, link):
		return true
	case !relay.IsNone():
		return !old.Relay.IsNone()
	}
	return s.nameOf(link) == euiOf(old.ROVR)
}

// duplicateRequest handles a request of a relay on behalf of a node (RFC 6775, 8.2;
// RFC 8505, 4.2). A verifier of 8 octets is the node's EUI-64, which is also its link
// address, always in the older form, and in the extended one where a node with that
// EUI-64 is known; for any other the relay that asked stands for the node.
func (s *Server) duplicateRequest(m *message, from ieee802154.Addr, now time.Time, out *Out) error {
	if m.reg.status != Success || m.dst != s.o.Gateway && m.dst != s.linkLocal {
		return errDuplicate
	}
	link := from
	if a := euiOf(m.reg.rovr); !a.IsNone() && (!m.reg.extended() || s.o.Table != nil && s.o.Table.ByLink(a) != nil) {
		link = a
	}
	answer := m.reg
	switch {
	case !s.onLink(m.target):
		answer.status = TopologyIncorrect
	case s.ours(m.target):
		answer.status = Duplicate
	case link == s.o.EUI64:
		answer.status = refusal(&m.reg)
	default:
		answer.status = s.enter(&m.reg, m.target, link, from, now, out)
	}
	if answer.status == Success {
		s.stats.Registrations++
	} else {
		s.stats.Refused++
	}
	out.duplicateConfirm(m.dst, m.src, m.target, answer, m.code, from, answer.status == Success)
	return nil
}
