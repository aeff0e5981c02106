// Package rate bounds how often something happens.
package rate

import "time"

// Bucket is a token bucket. It starts full. It takes no lock: one goroutine uses it,
// or its owner's lock guards it.
type Bucket struct {
	perSecond, burst float64
	used             float64 // tokens taken and not yet refilled
	last             time.Time
}

// New returns a bucket that refills at perSecond tokens a second and holds at most
// burst tokens.
func New(perSecond, burst int) Bucket {
	return Bucket{perSecond: float64(perSecond), burst: float64(burst)}
}

// Take takes one token and reports whether there was one. A time before that of the
// previous call counts as that time: a clock that is set back refills nothing.
func (b *Bucket) Take(now time.Time) bool {
	if elapsed := now.Sub(b.last); elapsed > 0 {
		b.used = max(0, b.used-b.perSecond*elapsed.Seconds())
		b.last = now
	}
	if b.used+1 > b.burst {
		return false
	}
	b.used++
	return true
}
