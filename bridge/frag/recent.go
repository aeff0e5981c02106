package frag

import (
	"time"

	"culvert/bridge/drop"
)

// Bounds on the record of closed datagrams (our choice).
const (
	maxRecent = 32
	// repeatAge is longer than a link layer retransmits a frame whose acknowledgement was lost,
	// and much shorter than the time in which the 65536 tags wrap.
	repeatAge = 5 * time.Second
)

// recent holds the last closed datagrams. Without it, a late fragment would open a second
// datagram, which would hold a buffer until its timeout and then count as lost.
type recent struct {
	closed []closed // a ring once it is full
	next   int
}

// closed is a complete datagram with the fragment that completed it, or a datagram with an
// invalid first fragment.
type closed struct {
	key       Key
	until     time.Time
	offset, n int
	err       *drop.Error // of an invalid first fragment
}

// add records c in place of the entry with its key, or of the oldest.
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

// check looks up a fragment of datagram k, which is not in reassembly. repeats says that it
// repeats the fragment that completed k; err that the first fragment of k was refused. Any other
// fragment, and every first fragment, opens a new datagram.
func (r *recent) check(k Key, f Fragment, now time.Time) (repeats bool, err *drop.Error) {
	for i := range r.closed {
		c := &r.closed[i]
		switch {
		case c.key != k || !now.Before(c.until):
		case c.err == nil && c.offset == f.Offset && c.n == len(f.Data):
			return true, nil
		case c.err != nil && f.Offset > 0:
			return false, c.err
		default:
			c.until = time.Time{} // the sender uses the tag again
		}
	}
	return false, nil
}
