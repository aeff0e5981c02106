package frag

import (
	"time"

	"culvert/bridge/drop"
)

// Our own bounds on what is remembered of datagrams that are no longer in
// reassembly.
const (
	maxRecent = 32
	// repeatAge is longer than a link layer goes on repeating a frame whose
	// acknowledgement was lost, and much shorter than it takes 65536 tags to wrap.
	repeatAge = 5 * time.Second
)

// recent remembers the last datagrams that were closed, so that what still comes of
// them opens no second one, which would hold a buffer until its time is over and
// then count as lost.
type recent struct {
	closed []closed // a ring once it is full
	next   int
}

// closed is a datagram that is complete, with the fragment that completed it, or
// one whose first fragment was bad.
type closed struct {
	key       Key
	until     time.Time
	offset, n int
	err       *drop.Error // of the bad first fragment
}

// add remembers c in place of what was remembered of its key, else of the oldest.
func (r *recent) add(c closed) {
	for i := range r.closed {
		if r.closed[i].key == c.key {
			r.closed[i] = c
			return
		}
	}
	if len(r.closed) < maxRecent {
		r.closed = append(r.closed, c)
		return
	}
	r.closed[r.next] = c
	r.next = (r.next + 1) % maxRecent
}

// late judges a fragment of datagram k, which is not in reassembly: it repeats the
// one that completed the datagram, or err says why its first fragment was refused.
// Any other opens a datagram of its own; a first fragment always does.
func (r *recent) late(k Key, f Fragment, now time.Time) (repeats bool, err *drop.Error) {
	for i := range r.closed {
		c := &r.closed[i]
		switch {
		case c.key != k || !now.Before(c.until):
		case c.err == nil && c.offset == f.Offset && c.n == len(f.Data):
			return true, nil
		case c.err != nil && f.Offset > 0:
			return false, c.err
		default:
			c.until = time.Time{} // the tag is used anew
		}
	}
	return false, nil
}
