package frag

import (
	"time"

	"culvert/bridge/drop"
)

// Reassembler puts fragments together. Its memory is bounded by its Options and
// kept for reuse. It is for one goroutine at a time.
type Reassembler struct{ opt Options }

// NewReassembler returns an empty Reassembler.
func NewReassembler(o Options) *Reassembler { return &Reassembler{opt: o} }

// Add takes a copy of one fragment of datagram k. An exact repetition is ignored.
// An overlap, a datagram past its time, and a lack of room end one datagram, which
// is returned; the fragment then starts afresh. An error, a *drop.Error, is a
// fragment that cannot be part of datagram k.
func (r *Reassembler) Add(k Key, f Fragment, now time.Time) (Datagram, End, error) {
	return Datagram{}, End{}, nil
}

// Discard ends datagram k under err, if it is there.
func (r *Reassembler) Discard(k Key, err *drop.Error) End { return End{} }

// Expire ends one datagram whose time is over, the oldest first, and reports false
// if there is none.
func (r *Reassembler) Expire(now time.Time) (End, bool) { return End{}, false }

// Len returns the number of datagrams in reassembly.
func (r *Reassembler) Len() int { return 0 }
