package forward

import (
	"sync/atomic"
	"time"

	"culvert/bridge/drop"
)

// Stats are a Forwarder's counts since it was made.
type Stats struct {
	ToMesh, FromMesh Direction
	// Errors are the ICMPv6 errors that the bridge itself sent, by type and code.
	// They are among the offered packets of their direction too.
	Errors    []ErrorCount
	Limited   uint64 // errors that the rate limit held back
	Buffers   Buffers
	Radio     RadioState
	Discovery DiscoveryStats
	Scanners  int    // /64s that asked for addresses that no node holds, of those remembered
	Turns     uint64 // of the sending goroutine, which takes some a second while anything is queued
}

// Direction are the counts of one direction. At rest, for packets,
//
//	Offered = Delivered + Handled + Turned + all of Dropped + Queued
//
// and for frames from the mesh
//
//	Frames = FramesConsumed + all of FramesDropped.
//
// A packet from node to node is offered from the mesh, turned there, and offered
// to the mesh again.
type Direction struct {
	Offered   uint64
	Delivered uint64             // to the kernel; to the mesh with every frame acknowledged
	Octets    uint64             // of the delivered packets
	Handled   uint64             // neighbour discovery, which ends here
	Turned    uint64             // handed over to the other direction
	Dropped   [drop.Count]uint64 // packets, by reason
	Queued    uint64             // waiting, or under way with frames unresolved

	Frames         uint64 // received from the radio; handed to the radio
	FrameOctets    uint64 // MAC payload of these
	FramesConsumed uint64 // became packets or were kept for one; got on their way by the radio's word
	FramesReturned uint64 // came back from the radio for lack of room, and were sent again later
	FramesDropped  [drop.Count]uint64
	FramesInFlight uint64 // handed to the radio, and no result yet
}

// ErrorCount is the number of ICMPv6 errors of one type and code.
type ErrorCount struct {
	Type, Code byte
	Count      uint64
}

// Buffers are the packet buffers of all queues.
type Buffers struct {
	InUse, Max int
	Forwarded  int // of those in use, with forwarded packets: at most half of Max
}

// RadioState is what the sender knows of the radio.
type RadioState struct {
	Up      bool
	Credits int    // frames that may be unresolved
	Downs   uint64 // times that the radio went down
	// Since is when it came up or went down, zero if it was never there; Cause is why
	// it went down, in the words of the attachment, which may hold any octet.
	Since time.Time
	Cause string
}

// radioChange is the moment at which the radio last came up or went down.
type radioChange struct {
	at    time.Time
	cause error // nil: it came up
}

// direction is Direction as it is counted.
type direction struct {
	offered, delivered, octets, handled, turned atomic.Uint64
	dropped                                     [drop.Count]atomic.Uint64
	queued                                      atomic.Int64

	frames, frameOctets, framesConsumed, framesReturned atomic.Uint64
	framesDropped                                       [drop.Count]atomic.Uint64
	framesInFlight                                      atomic.Int64
	_                                                   [64]byte // the directions share no cache line
}

const (
	errorTypes = 5
	errorCodes = 8
)

type counters struct {
	to, from direction
	errors   [errorTypes][errorCodes]atomic.Uint64
	limited  atomic.Uint64
	downs    atomic.Uint64
}

func (d *direction) load() Direction {
	s := Direction{
		Queued:         uint64(max(0, d.queued.Load())),
		FramesInFlight: uint64(max(0, d.framesInFlight.Load())),
		Delivered:      d.delivered.Load(),
		Octets:         d.octets.Load(),
		Handled:        d.handled.Load(),
		Turned:         d.turned.Load(),
		FramesConsumed: d.framesConsumed.Load(),
		FramesReturned: d.framesReturned.Load(),
		FrameOctets:    d.frameOctets.Load(),
	}
	for r := range s.Dropped {
		s.Dropped[r] = d.dropped[r].Load()
		s.FramesDropped[r] = d.framesDropped[r].Load()
	}
	s.Offered, s.Frames = d.offered.Load(), d.frames.Load()
	return s
}

// Stats returns the counts. Those of packets under way may be one apart.
func (f *Forwarder) Stats() Stats {
	c := &f.counters
	s := Stats{
		ToMesh:    c.to.load(),
		FromMesh:  c.from.load(),
		Limited:   c.limited.Load(),
		Radio:     f.sender.state(),
		Discovery: f.discovery.stats(),
		Scanners:  f.scans.len(),
		Turns:     f.sender.turns.Load(),
	}
	s.Buffers.Max = f.opt.Buffers
	s.Buffers.InUse, s.Buffers.Forwarded = f.buffers.inUse()
	s.Radio.Downs = c.downs.Load()
	if ch := f.radioChange.Load(); ch != nil {
		s.Radio.Since = ch.at
		if ch.cause != nil {
			s.Radio.Cause = ch.cause.Error()
		}
	}
	for t := range c.errors {
		for code := range c.errors[t] {
			if n := c.errors[t][code].Load(); n > 0 {
				s.Errors = append(s.Errors, ErrorCount{Type: byte(t), Code: byte(code), Count: n})
			}
		}
	}
	return s
}
