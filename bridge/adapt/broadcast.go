package adapt

import (
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/lowpan"
)

const (
	// defaultBroadcastAge is much longer than a broadcast needs to cross a mesh, and short
	// enough that a node is heard again soon after a restart of its sequence numbers.
	defaultBroadcastAge = 10 * time.Second
	// maxBroadcasts bounds the broadcasts recorded.
	maxBroadcasts = 64
)

// broadcasts holds the last maxBroadcasts broadcasts received (RFC 4944, section 11.1).
type broadcasts struct {
	seen []seenBroadcast // a ring once it is full
	next int
}

type seenBroadcast struct {
	broadcast
	until time.Time
}

// broadcast identifies a broadcast frame. RFC 4944 leaves open whether all fragments of a
// datagram have the same sequence number.
type broadcast struct {
	from     ieee802154.Addr
	sequence uint8
	fragment lowpan.FragmentKind
	tag      uint16
	offset   int
}

// repeated reports whether the broadcast was first received less than age ago, and records it
// otherwise.
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
