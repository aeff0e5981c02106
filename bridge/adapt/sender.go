package adapt

import (
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
)

// MinRoom is the smallest MAC payload in octets that any packet can be sent with.
const MinRoom = 13

// Sender gives datagrams their tags. It is for one goroutine at a time, and so are
// the Outgoings that it starts.
type Sender struct{ tag uint16 }

// NewSender returns a Sender whose first fragmented datagram has the given tag
// (RFC 4944, section 5.3).
func NewSender(tag uint16) *Sender { return &Sender{tag: tag} }

// Outgoing is one packet on its way as frames. The zero value is done; Start makes
// it ready, and may do so again at any time: that abandons what was not sent. It
// holds no memory but the packet that Start was given. Any number of Outgoings of
// one Sender may be under way.
type Outgoing struct {
	pkt ipv6.Packet
}

// Start puts p, which must not change until o is done, on its way to the peer in
// frames of at most room octets of MAC payload. Errors are *drop.Error:
// packet-too-big over 1280 octets, not-sent if room is below MinRoom.
func (s *Sender) Start(o *Outgoing, p ipv6.Packet, peer lowpan.Peer, c *lowpan.Contexts, room int) error {
	return nil
}

// Append appends the next frame's MAC payload to dst; nothing if o is done.
func (o *Outgoing) Append(dst []byte) []byte { return dst }

// Done reports whether every frame was appended.
func (o *Outgoing) Done() bool { return true }
