package nd

import (
	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
)

// The counts of bindings by which no node takes the room of others. What a node
// registers or claims itself and what relays register for it are counted apart, so
// that a relay cannot use up what a node may register.
type counts struct {
	own     map[ieee802154.Addr]int // by the node, of those that it made itself
	relayed map[ieee802154.Addr]int // by the node, of those that relays made
	relays  map[ieee802154.Addr]int // by the relay that made them
}

func newCounts() counts {
	return counts{map[ieee802154.Addr]int{}, map[ieee802154.Addr]int{}, map[ieee802154.Addr]int{}}
}

// add counts a binding (n is 1) or its end (n is -1).
func (c *counts) add(b *Binding, n int) {
	if b.Relay.IsNone() {
		count(c.own, b.Link, n)
		return
	}
	count(c.relayed, b.Link, n)
	count(c.relays, b.Relay, n)
}

func count(m map[ieee802154.Addr]int, a ieee802154.Addr, n int) {
	if m[a] += n; m[a] <= 0 {
		delete(m, a)
	}
}

// tally counts a binding, or its end.
func (s *Server) tally(b *Binding, n int) {
	s.counts.add(b, n)
	if b.Origin == node.Claimed {
		s.stats.Claimed += n
	}
}

// room reports whether the node with the link address may have one more address, which
// a relay registers for it, or itself (none).
func (s *Server) room(link, relay ieee802154.Addr) bool {
	c := &s.counts
	switch {
	case len(s.bindings) >= s.o.MaxAddresses:
		return false
	case relay.IsNone():
		return c.own[link] < s.o.MaxPerNode
	}
	return c.relayed[link] < s.o.MaxPerNode && c.relays[relay] < s.o.MaxPerRelay
}

// Appeared gives a node that the table has from now on what relays registered for it
// before.
func (s *Server) Appeared(link ieee802154.Addr, out *Out) {
	link = s.nameOf(link)
	if s.counts.relayed[link] == 0 {
		return
	}
	for _, b := range s.bindings {
		if b.Link == link {
			s.bind(*b, true, out)
		}
	}
}
