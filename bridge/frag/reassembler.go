package frag

import (
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
)

// Key identifies a datagram in reassembly (RFC 4944, section 5.3) by its addresses, datagram_size
// and datagram_tag. From and To are those of the mesh header, or of the MAC header without one.
type Key struct {
	From, To  ieee802154.Addr
	Size, Tag uint16
}

// Options bound a Reassembler. Zero values mean the defaults.
type Options struct {
	Timeout      time.Duration // since the first fragment received; default 60 s
	MaxDatagrams int           // in reassembly, with MaxDatagram octets of memory each; default 1024
	MaxPerSender int           // in reassembly from one Key.From; default 16
	// When the table is full, a datagram of the link-layer sender (Fragment.Via) with the most
	// datagrams is evicted. Originators do not count: a relay may invent any number of them.
}

// The defaults of Options. The timeout is that of RFC 4944, section 5.3; the others are our
// choice.
const (
	defaultTimeout      = 60 * time.Second
	defaultMaxDatagrams = 1024
	defaultMaxPerSender = 16
)

// Fragment is a fragment with uncompressed headers.
type Fragment struct {
	Offset int // in octets of the datagram
	Data   []byte
	Via    ieee802154.Addr // sender on the last hop; none: Key.From
	Mark   uint32          // returned with the Datagram, if Offset is 0
	Frame  uint64          // the caller's number of the frame, returned with an End
}

// Datagram is a complete datagram. Octets are valid until the next call of Add and may alias the
// fragment.
type Datagram struct {
	Octets []byte // nil: not complete
	Mark   uint32
	Frames int    // number of frames, without repetitions
	Frame  uint64 // number of the first frame
}

// End is a datagram that ended incomplete. The zero value, with Err nil, is none.
type End struct {
	Key
	Frames int    // number of frames, without repetitions
	Frame  uint64 // number of the first frame
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

// Reassembler reassembles datagrams. Its memory grows with use up to the bound of its Options and
// is reused. It is not safe for concurrent use.
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

// Add adds a copy of a fragment to datagram k, and returns the datagram if that completes it. It
// ignores an exact repetition. An overlap, an expired datagram or lack of room ends one datagram,
// which Add returns; the fragment then starts a new one. The error, a *drop.Error, says that the
// fragment cannot belong to k, or that Refuse closed k.
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
	case d == nil && len(f.Data) == int(k.Size): // complete by itself
		return Datagram{Octets: f.Data, Mark: f.Mark, Frames: 1, Frame: f.Frame}, End{}, nil
	case d == nil:
		if repeats, err := r.recent.check(k, f, now); err != nil {
			return Datagram{}, End{}, err
		} else if repeats {
			return Datagram{}, End{}, nil
		}
		end = r.makeRoom(k.From, via, now)
	case !now.Before(d.deadline):
		// The timer starts at the first fragment received and is not restarted.
		end = r.end(d, errTimeout)
		d = nil
	case d.holds(f.Offset, len(f.Data)):
		return Datagram{}, End{}, nil
	case d.overlaps(f.Offset, len(f.Data)):
		// All received fragments are discarded; a new reassembly may start.
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
	r.table.remove(d) // keeps the buffer unchanged until the next insert
	r.recent.add(closed{key: k, until: now.Add(repeatAge), offset: f.Offset, n: len(f.Data)})
	return whole, end, nil
}

// check returns an error if f cannot be a fragment of datagram k.
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

// makeRoom ends one datagram if there is no room for another from the originator from through the
// link-layer sender via. If from has MaxPerSender datagrams, its oldest ends. Else, if the table
// is full, the oldest datagram of the link-layer sender with the most ends; in a tie that is via.
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
	most := t.holders[byLink].largest()
	if own := t.holders[byLink].of(via); own != nil && own.count >= most.count {
		most = own
	}
	return r.end(most.oldest, errFull)
}

// reason returns err, or the timeout if d has expired anyway.
func (r *Reassembler) reason(d *datagram, now time.Time, err *drop.Error) *drop.Error {
	if !now.Before(d.deadline) {
		return errTimeout
	}
	return err
}

// end removes a datagram from the table.
func (r *Reassembler) end(d *datagram, err *drop.Error) End {
	e := End{Key: d.key, Frames: d.frames, Frame: d.frame, Err: err}
	r.table.remove(d)
	return e
}

// Refuse closes datagram k, whose first fragment was invalid because of err. A reassembly of k
// ends, and Add refuses later fragments with err until the timeout or a new first fragment.
func (r *Reassembler) Refuse(k Key, err *drop.Error, now time.Time) End {
	r.recent.add(closed{key: k, until: now.Add(r.opt.Timeout), err: err})
	if d := r.table.find(k); d != nil {
		return r.end(d, err)
	}
	return End{}
}

// Expire ends one expired datagram, the oldest first, or returns false if there is none.
func (r *Reassembler) Expire(now time.Time) (End, bool) {
	d := r.table.oldest
	if d == nil || now.Before(d.deadline) {
		return End{}, false
	}
	return r.end(d, errTimeout), true
}

// Len returns the number of datagrams in reassembly.
func (r *Reassembler) Len() int { return r.table.count }
