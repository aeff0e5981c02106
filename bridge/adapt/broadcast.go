package adapt

import (
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/lowpan"
)

const (
	// defaultBroadcastAge is much longer than a broadcast wanders through a mesh, and
	// short enough for a node that restarts its sequence not to be muted.
	defaultBroadcastAge = 10 * time.Second
	// maxBroadcasts bounds how many broadcasts are remembered.
	maxBroadcasts = 64
)

// broadcasts remembers which broadcasts were received (RFC 4944, section 11.1): the
// last maxBroadcasts of them.
type broadcasts struct {
	seen []seenBroadcast // a ring once it is full
	next int
}

type seenBroadcast struct {
	broadcast
	until time.Time
}

// broadcast is what tells them apart. The sequence number may be the same in all
// fragments of a datagram, or not: the section leaves it open.
type broadcast struct {
	from     ieee802154.Addr
	sequence uint8
	fragment lowpan.FragmentKind
	tag      uint16
	offset   int
}

// repeated reports whether the broadcast was first received less than age ago, and
// remembers it if not.
func (b *broadcasts) repeated(from ieee802154.Addr, f lowpan.Frame, now time.Time, age time.Duration) bool {
	n := seenBroadcast{broadcast{from, f.Sequence, f.Fragment, f.Tag, f.Offset}, now.Add(age)}
	for i := range b.seen {
		if s := &b.seen[i]; s.broadcast == n.broadcast {
			if now.Before(s.until) {
				return true
			}
			s.until = n.until
			return false
		}
	}
	if len(b.seen) < maxBroadcasts {
		b.seen = append(b.seen, n)
		return false
	}
	b.seen[b.next] = n
	b.next = (b.next + 1) % maxBroadcasts
	return false
}
