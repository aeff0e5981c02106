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
	if status == Success {
		status = s.enter(&m.reg, addr, from, now, out)
	}
	answer := m.reg
	answer.status = status
	if status == Success {
		s.stats.Registrations++
	} else {
		s.stats.Refused++
	}
	dst := m.src
	if !m.reg.extended() && status != Success && len(m.reg.rovr.bytes()) == 8 {
		// RFC 6775, 6.5.2: the source may be another's; the EUI-64 is the asker's own.
		eui := ieee802154.Extended(binary.BigEndian.Uint64(m.reg.rovr.bytes()))
		if iid, ok := ipv6.IIDOf(eui); ok && eui.IsNode() {
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
		if b.rovr != m.reg.rovr && !s.sameNode(b.link, from) {
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

// enter makes, renews, moves or ends the binding of an address, and returns the
// status of RFC 6775, 6.5, and RFC 8505, 5.
func (s *Server) enter(r *registration, addr netip.Addr, from ieee802154.Addr, now time.Time, out *Out) Status {
	old := s.bindings[addr]
	switch {
	case old != nil && old.origin == node.Registered:
		if old.rovr != r.rovr {
			return Duplicate
		}
		if r.extended() && old.hasTID && !newerTID(r.tid, old.tid) {
			return Moved
		}
	case old != nil: // claimed: its owner may register it, another may not
		if !s.sameNode(old.link, from) {
			return Duplicate
		}
	default:
		if s.derivedOfOther(addr, from) {
			return Duplicate
		}
	}
	if r.lifetime == 0 {
		if old != nil {
			s.unbind(old, out)
		}
		return Success
	}
	if (old == nil || old.link != from) && !s.room(from) {
		return CacheFull
	}
	life := time.Duration(r.lifetime) * lifetimeUnitMinute * time.Second
	b := binding{
		addr: addr, link: from, origin: node.Registered, rovr: r.rovr,
		tid: r.tid, hasTID: r.extended(), until: now.Add(life), life: life,
	}
	renewal := old != nil && old.origin == node.Registered && old.link == from
	s.bind(b, renewal, out)
	delete(s.probes, addr)
	return Success
}

// duplicateRequest handles a request of a relay on behalf of a node (RFC 6775, 8.2;
// RFC 8505, 4.2). In the older form the verifier is the node's EUI-64, which is
// also its link address; in the extended form with a longer verifier the relay that
// asked stands for it.
func (s *Server) duplicateRequest(m *message, from ieee802154.Addr, now time.Time, out *Out) error {
	if m.reg.status != Success || m.dst != s.o.Gateway && m.dst != s.linkLocal {
		return errDuplicate
	}
	link := from
	if v := m.reg.rovr.bytes(); len(v) == 8 && !m.reg.extended() {
		if a := ieee802154.Extended(binary.BigEndian.Uint64(v)); a.IsNode() {
			link = a
		}
	}
	answer := m.reg
	switch {
	case !s.onLink(m.target):
		answer.status = TopologyIncorrect
	case s.ours(m.target):
		answer.status = Duplicate
	default:
		answer.status = s.enter(&m.reg, m.target, link, now, out)
	}
	if answer.status == Success {
		s.stats.Registrations++
	} else {
		s.stats.Refused++
	}
	out.duplicateConfirm(m.dst, m.src, m.target, answer, m.code, from, answer.status == Success)
	return nil
}
