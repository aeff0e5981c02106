package adapt

import (
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/frag"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
)

// Options are a Receiver's. Zero values mean the defaults.
type Options struct {
	// Reassembly bounds the datagrams that are being put together.
	Reassembly frag.Options
	// ElidedChecksumPorts are the UDP ports, source or destination, for which a
	// checksum that was elided on the air is computed anew (RFC 6282, section
	// 4.3.2). ElidedChecksumAll means every port.
	ElidedChecksumPorts []uint16
	ElidedChecksumAll   bool
	// BroadcastAge is for how long a broadcast header with the same originator and
	// sequence number is a duplicate; 10 s.
	BroadcastAge time.Duration
}

// Receiver turns the frames of one mesh into packets. It is for one goroutine at a
// time.
type Receiver struct {
	stats Stats
}

// NewReceiver returns a Receiver. Its memory grows with use, up to about 1.3 kB for
// each datagram that Options allow.
func NewReceiver(o Options) *Receiver { return &Receiver{} }

// SetOwn sets the link addresses of this end. A frame whose mesh header names
// another final destination, neither broadcast nor multicast, ends as
// mesh-destination. With none, as at first, every final destination is accepted.
func (r *Receiver) SetOwn(own ...ieee802154.Addr) {}

// Received is what became of a frame that was not dropped.
type Received struct {
	// Packet is the packet that the frame completed; nil while its datagram still
	// lacks fragments, and for a duplicate fragment. Good until the next call of
	// Receive.
	Packet ipv6.Packet
	// From and To are the addresses of the mesh header if there is one, else those of
	// the MAC header.
	From, To ieee802154.Addr
	Frames   int // that the packet came in
	// Ended is a datagram in reassembly that the frame put an end to, by overlap, by
	// lack of room or by age: Ended.Err is nil for none. It is set beside an error too.
	Ended frag.End
}

// Receive takes one frame, the MAC payload, which it does not keep. p holds the
// addresses of its MAC header, and whether its sender was offered GHC; c holds the
// contexts. An error is a *drop.Error: the frame was dropped.
//
// Each datagram in reassembly that does not become a packet is reported exactly
// once, here as Received.Ended or by Expire; its End names the first of its frames
// by number: the first frame that a Receiver was ever given is 0.
func (r *Receiver) Receive(p lowpan.Peer, payload []byte, c *lowpan.Contexts, now time.Time) (Received, error) {
	return Received{}, nil
}

// Expire ends one datagram whose time is over, and reports false if there is none.
// Call it until then, at least once a second.
func (r *Receiver) Expire(now time.Time) (frag.End, bool) { return frag.End{}, false }

// Stats are a Receiver's counts since it was made.
type Stats struct {
	Frames     uint64             // received = Consumed + all of Dropped
	Consumed   uint64             // became packets, were kept for one, or repeated a fragment
	Dropped    [drop.Count]uint64 // frames, by reason
	Packets    uint64             // restored
	Ended      [drop.Count]uint64 // datagrams that ended in reassembly, by reason
	Incomplete int                // datagrams in reassembly now
}

// Stats returns the counts.
func (r *Receiver) Stats() Stats { return r.stats }
