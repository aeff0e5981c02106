package nd

import (
	"net/netip"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
)

// probe is a pending neighbour solicitation that asks whether a node still has an address.
type probe struct {
	link     ieee802154.Addr // of the node that is asked
	claimant ieee802154.Addr // gets the address if there is no answer; may be none
	tries    int
	at       time.Time // of the next step
	expiring bool      // the binding ends if there is no answer
}

// duplicateDetection handles a solicitation from the unspecified address (RFC 4862,
// 5.4.3). If no node has the address, the sender claims it: first come, as RFC 6620 does.
func (s *Server) duplicateDetection(m *message, from ieee802154.Addr, now time.Time, out *Out) error {
	if s.ours(m.target) {
		s.defend(m.target, out)
		return nil
	}
	if !s.onLink(m.target) {
		return nil
	}
	if b := s.bindings[m.target]; b != nil {
		switch {
		case s.sameNode(b.Link, from):
			s.renewClaim(b, now, out)
		case !s.abandoned(b, now):
			s.defend(m.target, out)
		default: // probe the owner before another node gets the address
			s.startProbe(m.target, b.Link, from, now, out)
		}
		return nil
	}
	if owner := s.derivedOwner(m.target); owner != nil {
		if owner != s.o.Table.ByLink(from) {
			s.defend(m.target, out)
			return nil
		}
		if s.serves(m.target) {
			return nil // a derived address needs no claim
		}
	}
	s.claim(m.target, from, now, out)
	return nil
}

// abandoned reports whether another node may take over a claimed address if its owner does
// not answer: the lifetime has expired, or the owner is silent by its own report period. A
// sleeping node answers no probe but keeps its address.
func (s *Server) abandoned(b *Binding, now time.Time) bool {
	if b.Origin != node.Claimed || now.Before(b.Until) && s.o.Table == nil {
		return false
	}
	if !now.Before(b.Until) {
		return true
	}
	n := s.o.Table.ByLink(b.Link)
	return n != nil && s.o.Table.Overdue(n, now)
}

// claim binds an address that no node has to a node.
func (s *Server) claim(a netip.Addr, link ieee802154.Addr, now time.Time, out *Out) {
	if iid, ok := ipv6.IIDOf(link); ok && ipv6.IIDIn(a) == iid && s.serves(a) {
		return // derived from its link address
	}
	if !s.room(link, ieee802154.Addr{}) {
		return // table full: data from that address ends as not-own-address
	}
	s.stats.Claims++
	s.bind(Binding{Addr: a, Link: link, Origin: node.Claimed,
		Until: now.Add(s.o.ClaimLifetime), Life: s.o.ClaimLifetime}, false, out)
}

// serves reports whether a derived address is served without a claim.
func (s *Server) serves(a netip.Addr) bool { return !s.o.Registered || a.IsLinkLocalUnicast() }

// renewClaim extends a claimed address. The stored lifetime is renewed once half of it has
// passed.
func (s *Server) renewClaim(b *Binding, now time.Time, out *Out) {
	if b.Origin != node.Claimed || b.Until.Sub(now) > s.o.ClaimLifetime/2 {
		return
	}
	c := *b
	c.Until = now.Add(s.o.ClaimLifetime)
	s.bind(c, true, out)
}

// defend advertises to all nodes that an address is in use (RFC 4862, 5.4.4; RFC 4861, 7.2.4).
func (s *Server) defend(a netip.Addr, out *Out) {
	adv := neighbourAdvert{src: s.linkLocal, dst: ipv6.AllNodes, target: a, link: s.o.EUI64}
	if s.ours(a) {
		adv.flags = naRouter | naOverride
	}
	out.neighbourAdvert(adv, ieee802154.Broadcast, false)
}

// resolve answers a solicitation for the link address of a target (RFC 4861, 7.2.4). It
// answers for the gateway's own addresses and, because packets between nodes pass through the
// gateway, as a proxy for those of other nodes (7.2.8), without Override.
func (s *Server) resolve(m *message, from ieee802154.Addr, out *Out) error {
	if b := s.bindings[m.src]; b != nil && !s.sameNode(b.Link, from) || s.derivedOfOther(m.src, from) {
		return errForeign
	}
	adv := neighbourAdvert{src: s.linkLocal, dst: m.src, target: m.target, link: s.o.EUI64}
	switch {
	case s.ours(m.target):
		adv.flags = naRouter | naSolicited | naOverride
	case s.o.Prefix.Contains(m.target) && s.heldByOther(m.target, from):
		adv.flags = naRouter | naSolicited
	default:
		return nil // a link-local address of a neighbour, or unknown: no answer
	}
	out.neighbourAdvert(adv, from, false)
	return nil
}

// heldByOther reports whether a node other than that with the link address from has
// the address.
func (s *Server) heldByOther(a netip.Addr, from ieee802154.Addr) bool {
	if b := s.bindings[a]; b != nil {
		return !s.sameNode(b.Link, from)
	}
	return s.serves(a) && s.derivedOfOther(a, from)
}

// derivedOfOther reports whether an address is derived from the link address of
// another node than that with the link address from.
func (s *Server) derivedOfOther(a netip.Addr, from ieee802154.Addr) bool {
	owner := s.derivedOwner(a)
	return owner != nil && owner != s.o.Table.ByLink(from)
}

// mayClaim reports whether the node with the link address from could have an
// address that nobody has.
func (s *Server) mayClaim(a netip.Addr, from ieee802154.Addr) bool {
	return s.onLink(a) && !s.ours(a) && s.bindings[a] == nil &&
		(s.derivedOwner(a) == nil || !s.serves(a) && !s.derivedOfOther(a, from))
}

// advertisement handles an answer to one of our probes (RFC 4861, 7.2.5 and 7.3.3).
// Other advertisements are ignored: nodes register or claim addresses, they do not announce
// them.
func (s *Server) advertisement(m *message, from ieee802154.Addr, now time.Time, out *Out) error {
	p := s.probes[m.target]
	if p == nil || m.flags&naSolicited == 0 {
		return nil
	}
	if !s.sameNode(p.link, from) {
		return errForeign
	}
	delete(s.probes, m.target)
	b := s.bindings[m.target]
	if b == nil {
		if s.mayClaim(m.target, from) {
			s.claim(m.target, from, now, out)
		}
		return nil
	}
	if b.Origin == node.Claimed {
		c := *b
		c.Until = now.Add(s.o.ClaimLifetime)
		s.bind(c, true, out)
	}
	if !p.claimant.IsNone() {
		s.defend(m.target, out) // the other node is still waiting for an answer
	}
	return nil
}

// Unclaimed handles data from an address that its sender neither registered nor claimed. The
// caller drops the data. The server probes the sender once; an answer claims the address.
func (s *Server) Unclaimed(a netip.Addr, from ieee802154.Addr, now time.Time, out *Out) {
	from = s.nameOf(from)
	if b := s.bindings[a]; b != nil && s.sameNode(b.Link, from) {
		if s.mayAnswer(from, now) {
			s.bind(*b, true, out) // the node was removed from the table and has come back
		}
		return
	}
	if !from.IsNode() || !s.mayClaim(a, from) || s.probes[a] != nil || !s.room(from, ieee802154.Addr{}) || !s.mayAnswer(from, now) {
		return
	}
	s.startProbe(a, from, ieee802154.Addr{}, now, out)
}

// Used records that a node used one of its claimed addresses, which extends the claim.
func (s *Server) Used(a netip.Addr, now time.Time, out *Out) {
	if b := s.bindings[a]; b != nil {
		s.renewClaim(b, now, out)
	}
}

// startProbe probes a node for an address, unless a probe is pending.
func (s *Server) startProbe(a netip.Addr, link, claimant ieee802154.Addr, now time.Time, out *Out) bool {
	if p := s.probes[a]; p != nil {
		if p.claimant.IsNone() {
			p.claimant = claimant
		}
		return false
	}
	if len(s.probes) >= maxProbes {
		return false
	}
	p := &probe{link: link, claimant: claimant}
	s.probes[a] = p
	s.ask(a, p, now, out)
	return true
}

func (s *Server) ask(a netip.Addr, p *probe, now time.Time, out *Out) {
	s.stats.Probes++
	p.tries++
	p.at = now.Add(probeInterval)
	out.neighbourSolicit(s.linkLocal, a, s.o.EUI64, p.link)
}

// probeTick repeats unanswered probes, and gives up after three tries.
func (s *Server) probeTick(now time.Time, out *Out) (next time.Time) {
	for a, p := range s.probes {
		switch {
		case now.Before(p.at):
		case p.tries < probeTries:
			s.ask(a, p, now, out)
		default:
			delete(s.probes, a)
			s.unanswered(a, p, now, out)
			continue
		}
		next = earlier(next, p.at)
	}
	return next
}

// unanswered gives the address to the claimant, or removes a binding that has expired.
func (s *Server) unanswered(a netip.Addr, p *probe, now time.Time, out *Out) {
	b := s.bindings[a]
	if b == nil || b.Origin != node.Claimed || p.claimant.IsNone() && !p.expiring {
		return
	}
	if !s.abandoned(b, now) { // its owner was heard in the meantime
		if !p.claimant.IsNone() {
			s.defend(a, out)
		}
		return
	}
	s.stats.Expired++
	s.unbind(b, out)
	if !p.claimant.IsNone() {
		s.claim(a, p.claimant, now, out)
	}
}
