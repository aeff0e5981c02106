package coap

import (
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
)

// Notifications on connections. Nothing is queued there but who is to be told: the
// connection's writer asks for the state when it has room for it. A client that reads
// slowly gets the latest states, and skips those between (RFC 7641, section 4.5.1),
// however many resources it observes.

// postLocked has the writer of x's connection look at x.
func (o *observers) postLocked(x *observer) {
	if x.posted {
		return
	}
	x.posted = true
	x.stream.posted = append(x.stream.posted, x)
	select {
	case x.stream.news <- struct{}{}:
	default:
	}
}

// next takes the next notification of a connection; ok is false where there is none.
func (o *observers) next(st *stream, now time.Time) (m message.Message, ok bool) {
	o.mu.Lock()
	var x *observer
	var r response
	for len(st.posted) > 0 && !ok {
		x, st.posted[0] = st.posted[0], nil
		st.posted = st.posted[1:]
		x.posted = false
		switch {
		case x.final != nil:
			r, ok = *x.final, true
		case o.by[x.key] == x && !x.unacked && x.told != x.subject.order:
			r, ok = x.newsLocked(now), true
		}
	}
	if len(st.posted) == 0 {
		st.posted = nil
	}
	o.mu.Unlock()
	if !ok {
		return message.Message{}, false
	}
	return o.notice(x, r), true
}

// begun takes that the answer that began an observation on a connection is on its way:
// what changed meanwhile may follow it.
func (o *observers) begun(k observerKey) {
	o.mu.Lock()
	defer o.mu.Unlock()
	x := o.by[k]
	if x == nil || !x.unacked {
		return
	}
	x.unacked = false
	if x.told != x.subject.order {
		o.markLocked(x.subject)
	}
}

// hangUp ends all observations of a connection.
func (o *observers) hangUp(st *stream) {
	var after []func()
	o.mu.Lock()
	if st.observes {
		for _, x := range o.by {
			if x.stream == st {
				after = append(after, o.removeLocked(x))
			}
		}
	}
	st.posted = nil
	o.mu.Unlock()
	for _, left := range after {
		if left != nil {
			left()
		}
	}
}
