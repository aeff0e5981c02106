package frag

import (
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
)

// Key tells datagrams in reassembly apart (RFC 4944, section 5.3): the mesh
// header's Originator and Final address where there is one, else the MAC header's,
// datagram_size and datagram_tag.
type Key struct {
	From, To  ieee802154.Addr
	Size, Tag uint16
}

// Options bound a Reassembler. Zero values mean the defaults.
type Options struct {
	Timeout      time.Duration // from a datagram's first fragment to its end; 60 s
	MaxDatagrams int           // in reassembly at once, of MaxDatagram octets each; 1024
	MaxPerSender int           // of one Key.From; 16
	// Where there is no room for one more, the link-layer sender (Fragment.Via) that
	// holds the most gives one up: a relay may invent any number of originators.
}

// The defaults of Options. The time is that of RFC 4944, section 5.3; the others
// are ours.
const (
	defaultTimeout      = 60 * time.Second
	defaultMaxDatagrams = 1024
	defaultMaxPerSender = 16
)

// Fragment is a part of a datagram, its headers uncompressed.
type Fragment struct {
	Offset int // in the datagram, in octets
	Data   []byte
	Via    ieee802154.Addr // of the frame on the last hop; none: Key.From
	Mark   uint32          // of the fragment with offset 0; comes back with the Datagram
	Frame  uint64          // the caller's number for the frame; comes back with an End
}

// Datagram is a complete one. Octets are good until the next call of Add, and may
// alias the fragment.
type Datagram struct {
	Octets []byte // nil: not complete
	Mark   uint32
	Frames int    // that it came in, without repeated ones
	Frame  uint64 // the number of the first of them
}

// End is a datagram that ended without being complete. The zero value, with Err
// nil, is none.
type End struct {
	Key
	Frames int    // that were kept
	Frame  uint64 // the number of the first of them
	Err    *drop.Error
}

// The errors of fragments and of datagrams.
var (
	errSize     = drop.NewError(drop.FragmentSize, "datagram_size", section)
	errEmpty    = drop.NewError(drop.FragmentOffset, "fragment without payload", section)
	errBeyond   = drop.NewError(drop.FragmentOffset, "end past datagram_size", section)
	errUnit     = drop.NewError(drop.FragmentOffset, "length that is no multiple of 8", section)
	errOverlap  = drop.NewError(drop.FragmentOverlap, "datagram_offset and length", section)
	errTimeout  = drop.NewError(drop.ReassemblyTimeout, "reassembly timer", section)
	errFull     = drop.NewError(drop.ReassemblyFull, "reassembly buffers", "RFC 4944, 13")
	errCrowding = drop.NewError(drop.ReassemblyFull, "reassembly buffers of one sender", "RFC 4944, 13")
)

const section = "RFC 4944, 5.3"

// Reassembler puts fragments together. Its memory is bounded by its Options, grows
// with use and is kept for reuse. It is for one goroutine at a time.
type Reassembler struct {
	opt    Options
	table  table
	recent recent
}

// NewReassembler returns an empty Reassembler.
func NewReassembler(o Options) *Reassembler {
	if o.Timeout <= 0 {
		o.Timeout = defaultTimeout
	}
	if o.MaxDatagrams <= 0 {
		o.MaxDatagrams = defaultMaxDatagrams
	}
	if o.MaxPerSender <= 0 {
		o.MaxPerSender = defaultMaxPerSender
	}
	return &Reassembler{opt: o, table: newTable(o.MaxDatagrams)}
}

// Add takes a copy of one fragment of datagram k. An exact repetition is ignored:
// neither value says anything then. An overlap, a datagram past its time, and a lack
// of room each end one datagram, which is returned; the fragment then starts
// afresh. An error, a *drop.Error, is a fragment that can be no part of datagram k,
// or that belongs to one which Refuse closed.
func (r *Reassembler) Add(k Key, f Fragment, now time.Time) (Datagram, End, error) {
	if err := check(k, f); err != nil {
		return Datagram{}, End{}, err
	}
	via := f.Via
	if via.IsNone() {
		via = k.From
	}
	var end End
	d := r.table.find(k)
	switch {
	case d == nil && len(f.Data) == int(k.Size): // whole by itself
		return Datagram{Octets: f.Data, Mark: f.Mark, Frames: 1, Frame: f.Frame}, End{}, nil
	case d == nil:
		if repeats, err := r.recent.late(k, f, now); err != nil {
			return Datagram{}, End{}, err
		} else if repeats {
			return Datagram{}, End{}, nil
		}
		end = r.makeRoom(k.From, via, now)
	case !now.Before(d.deadline):
		// The timer starts once, at the first fragment to arrive.
		end = r.end(d, errTimeout)
		d = nil
	case d.holds(f.Offset, len(f.Data)):
		return Datagram{}, End{}, nil
	case d.overlaps(f.Offset, len(f.Data)):
		// All that was gathered is discarded; a fresh reassembly may start.
		end = r.end(d, errOverlap)
		d = nil
	}
	if d == nil {
		d = r.table.insert(k, via)
		d.deadline, d.frame = now.Add(r.opt.Timeout), f.Frame
	}
	d.put(f)
	if d.octets < int(k.Size) {
		return Datagram{}, end, nil
	}
	whole := Datagram{Octets: d.buf[:k.Size], Mark: d.mark, Frames: d.frames, Frame: d.frame}
	r.table.remove(d) // the buffer stays as it is until the next insert
	r.recent.add(closed{key: k, until: now.Add(repeatAge), offset: f.Offset, n: len(f.Data)})
	return whole, end, nil
}

// check refuses what can be no fragment of datagram k.
func check(k Key, f Fragment) error {
	end := f.Offset + len(f.Data)
	switch {
	case k.Size < 40 || k.Size > MaxDatagram:
		return errSize
	case len(f.Data) == 0:
		return errEmpty
	case end > int(k.Size):
		return errBeyond
	case f.Offset%unit != 0 || end < int(k.Size) && len(f.Data)%unit != 0:
		return errUnit
	}
	return nil
}

// makeRoom ends one datagram if another one of the originator from, through the
// link-layer sender via, would be too many: the originator's own oldest if it holds as
// many as it may; else, where the table is full, the oldest of the link-layer sender
// that holds the most, which is via itself if it holds as many as any other.
func (r *Reassembler) makeRoom(from, via ieee802154.Addr, now time.Time) End {
	t := &r.table
	origin := t.holders[byOrigin].of(from)
	switch {
	case origin != nil && origin.count >= r.opt.MaxPerSender:
		return r.end(origin.oldest, r.reason(origin.oldest, now, errCrowding))
	case t.count < r.opt.MaxDatagrams:
		return End{}
	case !now.Before(t.oldest.deadline):
		return r.end(t.oldest, errTimeout)
	}
	most := t.holders[byLink].greediest()
	if own := t.holders[byLink].of(via); own != nil && own.count >= most.count {
		most = own
	}
	return r.end(most.oldest, errFull)
}

// reason is err, or that the datagram's time was over anyway.
func (r *Reassembler) reason(d *datagram, now time.Time, err *drop.Error) *drop.Error {
	if !now.Before(d.deadline) {
		return errTimeout
	}
	return err
}

// end takes a datagram out of the table.
func (r *Reassembler) end(d *datagram, err *drop.Error) End {
	e := End{Key: d.key, Frames: d.frames, Frame: d.frame, Err: err}
	r.table.remove(d)
	return e
}

// Refuse closes datagram k, whose first fragment was refused with err: what was
// gathered ends, and what still comes of it is refused with err too, until a first
// fragment opens it anew or its time is over.
func (r *Reassembler) Refuse(k Key, err *drop.Error, now time.Time) End {
	r.recent.add(closed{key: k, until: now.Add(r.opt.Timeout), err: err})
	if d := r.table.find(k); d != nil {
		return r.end(d, err)
	}
	return End{}
}

// Expire ends one datagram whose time is over, the oldest first, and reports false
// if there is none.
func (r *Reassembler) Expire(now time.Time) (End, bool) {
	d := r.table.oldest
	if d == nil || now.Before(d.deadline) {
		return End{}, false
	}
	return r.end(d, errTimeout), true
}

// Len returns the number of datagrams in reassembly.
func (r *Reassembler) Len() int { return r.table.count }
