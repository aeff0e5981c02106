package adapt

import (
	"encoding/binary"
	"slices"
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/frag"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
)

// Options are a Receiver's. Zero values mean the defaults.
type Options struct {
	// Reassembly bounds the datagrams in reassembly.
	Reassembly frag.Options
	// ElidedChecksumPorts are the UDP ports, source or destination, for which an elided
	// checksum is computed (RFC 6282, section 4.3.2). ElidedChecksumAll means every port.
	ElidedChecksumPorts []uint16
	ElidedChecksumAll   bool
	// MayRelay reports whether the sender of a frame may name another link address as
	// the originator in a mesh header (RFC 4944, section 5.2). Nil: always.
	MayRelay func(originator, sender ieee802154.Addr) bool
	// OfferedGHC reports whether the originator of a mesh header was offered generic
	// header compression (RFC 7400, section 3.4). Nil: as the sender of the frame.
	OfferedGHC func(originator ieee802154.Addr) bool
	// BroadcastAge is how long a broadcast with the same originator and sequence number is a
	// duplicate; default 10 s.
	BroadcastAge time.Duration
}

// Receiver turns the frames of one mesh into packets. It is not safe for concurrent use.
type Receiver struct {
	opt         Options
	own         []ieee802154.Addr
	reassembler *frag.Reassembler
	broadcasts  broadcasts
	frames      uint64 // received so far
	packet      [lowpan.MTU]byte
}

// NewReceiver returns a Receiver. Its memory grows with use, up to about 1.5 kB for each
// datagram that o allows in reassembly.
func NewReceiver(o Options) *Receiver {
	if o.BroadcastAge <= 0 {
		o.BroadcastAge = defaultBroadcastAge
	}
	return &Receiver{opt: o, reassembler: frag.NewReassembler(o.Reassembly)}
}

// SetOwn sets the link addresses of this end. A frame whose mesh header has the address of
// another node as final destination ends as mesh-destination. Until SetOwn is called, every
// final destination is accepted.
func (r *Receiver) SetOwn(own ...ieee802154.Addr) { r.own = slices.Clone(own) }

// Received is the result of receiving a frame.
type Received struct {
	// Packet is the packet that the frame completed; nil if fragments are missing or the
	// fragment was a repetition. It is valid until the next call of Receive.
	Packet ipv6.Packet
	// From and To are the addresses of the mesh header, or of the MAC header without one.
	From, To ieee802154.Addr
	Frames   int // number of frames of the packet
	// Ended is the datagram in reassembly that ended because of the frame: an overlap, lack of
	// room, its age or an invalid first fragment. Ended.Err is nil if none did. It may be set
	// together with an error.
	Ended frag.End
}

// The errors of a Receiver.
var (
	errOriginator  = drop.NewError(drop.MeshOriginator, "Originator Address", "RFC 4944, 5.2")
	errMeshFinal   = drop.NewError(drop.MeshDestination, "Final Destination Address", "RFC 4944, 5.2")
	errRepeated    = drop.NewError(drop.BroadcastDuplicate, "Sequence Number", "RFC 4944, 11.1")
	errChecksum    = drop.NewError(drop.ChecksumElided, "UDP checksum", "RFC 6282, 4.3.2")
	errUnaligned   = drop.NewError(drop.FragmentOffset, "first fragment that expands to no multiple of 8", "RFC 4944, 5.3")
	errNotIPv6     = drop.NewError(drop.NotIPv6, "Version", "RFC 8200, 3")
	errPayloadSize = drop.NewError(drop.PayloadLength, "Payload Length", "RFC 8200, 3")
)

// Receive processes the MAC payload of one frame and does not retain it. p has the addresses of
// the MAC header and says whether the sender was offered GHC. An error is a *drop.Error: the
// frame was dropped.
//
// A datagram in reassembly that does not become a packet is reported exactly once, as
// Received.Ended or by Expire. Its End has the number of its first frame: the first frame
// that a Receiver takes has number 0.
func (r *Receiver) Receive(p lowpan.Peer, payload []byte, c *lowpan.Contexts, now time.Time) (Received, error) {
	number := r.frames
	r.frames++
	f, err := lowpan.ParseFrame(payload)
	if err != nil {
		return Received{From: p.From, To: p.To}, err
	}
	via := p.From
	if f.Mesh {
		if f.Originator != via && r.opt.MayRelay != nil && !r.opt.MayRelay(f.Originator, via) {
			return Received{From: p.From, To: p.To}, errOriginator
		}
		p.From, p.To = f.Originator, f.Final
		if r.opt.OfferedGHC != nil {
			p.GHC = r.opt.OfferedGHC(f.Originator)
		}
	}
	got := Received{From: p.From, To: p.To, Frames: 1}
	if f.Mesh && !r.accepts(f.Final) {
		return got, errMeshFinal
	}
	if f.Broadcast && r.broadcasts.repeated(p.From, f, now, r.opt.BroadcastAge) {
		return got, errRepeated
	}
	if f.Fragment != lowpan.Whole {
		return r.fragment(got, p, f, via, c, now, number)
	}
	pkt, h, err := r.decompress(p, f.Payload, c, 0)
	if err != nil {
		return got, err
	}
	if h.ChecksumAt >= 0 {
		restoreChecksum(pkt, h.ChecksumAt, h.HeaderAt)
	}
	got.Packet = ipv6.Packet(pkt)
	return got, nil
}

// accepts reports whether a frame for the final destination a is for this end.
func (r *Receiver) accepts(a ieee802154.Addr) bool {
	return len(r.own) == 0 || !a.IsNode() || slices.Contains(r.own, a)
}

// decompress restores a packet, or the beginning of one, in r.packet.
func (r *Receiver) decompress(p lowpan.Peer, b []byte, c *lowpan.Contexts, size int) ([]byte, lowpan.Head, error) {
	pkt, h, err := lowpan.AppendDecompressed(r.packet[:0], b, p, c, size)
	if err == nil && h.ChecksumAt >= 0 && !r.mayRestore(pkt[h.ChecksumAt-udpChecksum:]) {
		err = errChecksum
	}
	return pkt, h, err
}

// fragment adds a fragment to its datagram. It first decompresses a first fragment, since
// offsets count uncompressed octets; if that fails the datagram ends.
func (r *Receiver) fragment(got Received, p lowpan.Peer, f lowpan.Frame, via ieee802154.Addr, c *lowpan.Contexts, now time.Time, number uint64) (Received, error) {
	key := frag.Key{From: p.From, To: p.To, Size: f.Size, Tag: f.Tag}
	part := frag.Fragment{Offset: f.Offset, Data: f.Payload, Via: via, Frame: number}
	if f.Fragment == lowpan.FirstFragment {
		pkt, h, err := r.decompress(p, f.Payload, c, int(f.Size))
		if err == nil && len(pkt) < int(f.Size) && len(pkt)%8 != 0 {
			err = errUnaligned
		}
		if err != nil {
			e, _ := err.(*drop.Error)
			got.Ended = r.reassembler.Refuse(key, e, now)
			return got, err
		}
		part.Data, part.Mark = pkt, markOf(h)
	}
	whole, ended, err := r.reassembler.Add(key, part, now)
	got.Ended = ended
	if err != nil || whole.Octets == nil {
		return got, err
	}
	got.Frames = whole.Frames
	return complete(got, key, whole)
}

// complete checks a reassembled packet: an uncompressed first fragment may have been too short
// for these checks.
func complete(got Received, key frag.Key, whole frag.Datagram) (Received, error) {
	pkt := whole.Octets
	var bad *drop.Error
	switch {
	case pkt[0]>>4 != 6:
		bad = errNotIPv6
	case ipv6.HeaderLen+int(binary.BigEndian.Uint16(pkt[4:])) != len(pkt):
		bad = errPayloadSize
	}
	if bad != nil {
		got.Ended = frag.End{Key: key, Frames: whole.Frames, Frame: whole.Frame, Err: bad}
		return got, bad
	}
	if at, header, ok := unmark(whole.Mark); ok {
		restoreChecksum(pkt, at, header)
	}
	got.Packet = ipv6.Packet(pkt)
	return got, nil
}

// Expire ends one expired datagram, or returns false if there is none. Call it at least once a
// second, until it returns false.
func (r *Receiver) Expire(now time.Time) (frag.End, bool) {
	return r.reassembler.Expire(now)
}

// Len returns the number of datagrams in reassembly.
func (r *Receiver) Len() int { return r.reassembler.Len() }
