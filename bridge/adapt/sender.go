package adapt

import (
	"culvert/bridge/drop"
	"culvert/bridge/frag"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
)

// MinRoom is the smallest MAC payload in octets with which every packet can be sent: a FRAG1
// header, the dispatch octet of an uncompressed packet and 8 octets of the packet.
const MinRoom = frag.FirstHeaderLen + 1 + 8

// Sender assigns datagram tags. Neither it nor its Outgoings are safe for concurrent use.
type Sender struct{ tag uint16 }

// NewSender returns a Sender whose first fragmented datagram has the given tag
// (RFC 4944, section 5.3).
func NewSender(tag uint16) *Sender { return &Sender{tag: tag} }

// Outgoing is a packet that is being sent as frames. The zero value is done. Start sets the
// packet, and abandons one that is not done. A Sender may have any number of Outgoings.
type Outgoing struct {
	sender   *Sender
	contexts *lowpan.Contexts
	pkt      ipv6.Packet
	peer     lowpan.Peer
	room     int
	offset   int // octets of the packet already sent
	tag      uint16
}

// The errors of Start.
var (
	errTooBig = drop.NewError(drop.PacketTooBig, "packet over the link MTU", "RFC 4944, 4")
	errRoom   = drop.NewError(drop.NotSent, "room in the frame", "RFC 4944, 5.3")
)

// Start prepares o to send p to the peer in frames of at most room octets of MAC payload. p must
// not change until o is done. Errors are *drop.Error: packet-too-big over 1280 octets, not-sent
// if room is less than MinRoom. After an error o is done.
func (s *Sender) Start(o *Outgoing, p ipv6.Packet, peer lowpan.Peer, c *lowpan.Contexts, room int) error {
	*o = Outgoing{}
	switch {
	case len(p) > lowpan.MTU:
		return errTooBig
	case room < MinRoom:
		return errRoom
	}
	*o = Outgoing{sender: s, contexts: c, pkt: p, peer: peer, room: room}
	return nil
}

// Done reports whether Append has returned every frame.
func (o *Outgoing) Done() bool { return o.pkt == nil }

// Append appends the MAC payload of the next frame to dst, or nothing if o is done.
func (o *Outgoing) Append(dst []byte) []byte {
	switch {
	case o.pkt == nil:
		return dst
	case o.offset == 0:
		return o.first(dst)
	}
	return o.next(dst)
}

// first appends the only frame, or the first of several.
func (o *Outgoing) first(dst []byte) []byte {
	out, h, err := lowpan.AppendCompressed(dst, o.pkt, o.peer, o.contexts, o.room)
	if err == nil && h.Emitted+len(o.pkt)-h.Consumed <= o.room {
		out = append(out, o.pkt[h.Consumed:]...)
		o.pkt = nil
		return out
	}
	o.tag = o.sender.tag
	o.sender.tag++
	size := uint16(len(o.pkt))
	out = lowpan.AppendFirstFragment(dst, size, o.tag)
	// All compressed headers must be in the first fragment (RFC 6282, section 2).
	peer := o.peer
	peer.GHC = false
	out, h, _ = lowpan.AppendCompressed(out, o.pkt, peer, o.contexts, o.room-frag.FirstHeaderLen)
	o.offset = frag.First(len(o.pkt), h.Consumed, h.Emitted, o.room)
	return append(out, o.pkt[h.Consumed:o.offset]...)
}

// next appends a fragment that is not the first.
func (o *Outgoing) next(dst []byte) []byte {
	n := frag.Next(len(o.pkt), o.offset, o.room)
	out := lowpan.AppendNextFragment(dst, uint16(len(o.pkt)), o.tag, o.offset)
	out = append(out, o.pkt[o.offset:o.offset+n]...)
	o.offset += n
	if o.offset == len(o.pkt) {
		o.pkt = nil
	}
	return out
}
