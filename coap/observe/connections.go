package observe

import (
	"github.com/plgd-dev/go-coap/v3/message"

	"culvert/coap/msg"
)

// Only the observers that are due are queued for a connection, not their notifications:
// its writer fetches the latest state when it can write. A client that reads slowly
// gets the latest states and skips those between (RFC 7641, section 4.5.1), however
// many resources it observes.

// connection holds the observers of one connection that are due. It is guarded by the
// mutex of the observers.
type connection struct {
	msg.Connection
	queue []*observer // each at most once
}

func (o *Observers) connectionLocked(c msg.Connection) *connection {
	q := o.conns[c]
	if q == nil {
		q = &connection{Connection: c}
		o.conns[c] = q
	}
	return q
}

// queueLocked has the connection's writer notify x.
func (c *connection) queueLocked(x *observer) {
	if !x.queued {
		x.queued = true
		c.queue = append(c.queue, x)
		c.Wake()
	}
}

// Next returns the next notification for a connection; ok is false if there is none.
func (o *Observers) Next(conn msg.Connection) (m message.Message, ok bool) {
	now := o.now()
	o.mu.Lock()
	var x *observer
	var r msg.Response
	if c := o.conns[conn]; c != nil {
		for len(c.queue) > 0 && !ok {
			x, c.queue[0] = c.queue[0], nil
			c.queue = c.queue[1:]
			x.queued = false
			switch {
			case x.final != nil:
				r, ok = *x.final, true
			case o.byKey[x.key] == x && !x.blocked && x.order != x.subject.order:
				r, ok = x.latestLocked(now), true
			}
		}
		if len(c.queue) == 0 {
			c.queue = nil
		}
	}
	o.mu.Unlock()
	if !ok {
		return message.Message{}, false
	}
	return o.notification(x, r), true
}

// ResponseQueued reports that the response which began an observation is queued on its
// connection: notifications may follow it.
func (o *Observers) ResponseQueued(k msg.ObservationKey) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if x := o.byKey[k]; x != nil {
		o.unblockLocked(x)
	}
}

// Closed ends all observations of a connection.
func (o *Observers) Closed(conn msg.Connection) {
	var abandoned []func()
	o.mu.Lock()
	if c := o.conns[conn]; c != nil {
		delete(o.conns, conn)
		for _, x := range o.byKey {
			if x.conn == c {
				abandoned = append(abandoned, o.removeLocked(x))
			}
		}
	}
	o.mu.Unlock()
	for _, f := range abandoned {
		if f != nil {
			f()
		}
	}
}
