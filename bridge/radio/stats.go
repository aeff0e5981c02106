package radio

import "culvert/bridge/drop"

// Stats are the counters of a Link since it was created, and its state.
type Stats struct {
	Up         bool
	Credits    int // frames that may be unresolved
	Unresolved int // frames that are

	Connects uint64 // connections made
	Failures uint64 // connections, or attempts at one, that ended before the radio was up
	Ups      uint64 // Up events
	Downs    uint64 // Down events
	Reboots  uint64 // those of them because the radio had booted anew
	Refused  uint64 // radios that cannot be used: another protocol version

	FramesIn, FramesOut   uint64 // frames from and to the mesh
	PayloadIn, PayloadOut uint64 // octets of their MAC payloads
	RecordsIn, RecordsOut uint64
	OctetsIn, OctetsOut   uint64 // on the line

	NoCredit    uint64 // frames that Send refused for want of credit
	Lost        uint64 // frames whose result never came
	Line        LineStats
	Bad         [recordErrors]uint64 // records that could not be read, by RecordError
	Unknown     uint64               // records of a kind that is not known
	Stray       uint64               // results and ups that match no request, and echoed records of the daemon
	Early       uint64               // records that came before up
	EarlyFrames uint64               // frames among them
}

// Stats returns the counts so far. It may be called from anywhere.
func (l *Link) Stats() Stats {
	l.mu.Lock()
	defer l.mu.Unlock()
	s := l.stats
	s.Up, s.Unresolved = l.up, l.unresolved.len()
	if l.up {
		s.Credits = l.credits
	}
	s.OctetsIn = l.past.Octets
	if l.line != nil {
		s.OctetsIn += l.line.octets.Load()
	}
	return s
}

// Dropped returns how many frames and records from the radio ended in the link for
// a reason.
func (s *Stats) Dropped(r drop.Reason) uint64 {
	switch r {
	case drop.LinkRecord:
		n := uint64(0)
		for _, v := range s.Bad {
			n += v
		}
		return n
	case drop.FrameTooLong:
		return s.Line.TooLong
	case drop.RadioDown:
		return s.EarlyFrames
	}
	return 0
}

// decoder sets the counts that decoders hold: those of past lines and of this one.
func (s *Stats) decoder(past *DecoderStats, now DecoderStats) {
	now.add(past)
	s.Line, s.RecordsIn, s.Bad = now.Line, now.Records, now.Bad
	s.Unknown = now.Unknown
}

func (d *DecoderStats) add(o *DecoderStats) {
	d.Octets += o.Octets
	d.Records += o.Records
	d.Unknown += o.Unknown
	for i, v := range o.Bad {
		d.Bad[i] += v
	}
	d.Line.Frames += o.Line.Frames
	d.Line.BadFCS += o.Line.BadFCS
	d.Line.Short += o.Line.Short
	d.Line.Aborted += o.Line.Aborted
	d.Line.TooLong += o.Line.TooLong
	d.Line.Garbage += o.Line.Garbage
}
