package observe

import (
	"bytes"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// ObservedAge is the Max-Age, in seconds, of notifications about resources of the front
// itself.
const ObservedAge = 60

// Refresh says when an observed resource of the front itself is rendered again.
type Refresh struct {
	Every     time.Duration
	OnChanged bool // also when changed was called
}

// localSubject is an observed resource of the front itself.
type localSubject struct {
	Subject
	key     string // in locals
	req     *msg.Request
	render  func(*msg.Request) msg.Response
	refresh Refresh
	checked time.Time
}

// Local answers a GET of a resource of the front itself, and registers its observer.
func (o *Observers) Local(req *msg.Request, when Refresh, render func(*msg.Request) msg.Response) msg.Response {
	r := render(req)
	if r.Code != codes.Content || !Wants(req) {
		return r
	}
	key := req.CacheKey().Request
	now := o.now()
	o.mu.Lock()
	sub := o.locals[key]
	if sub == nil && len(o.locals) < maxLocals {
		sub = &localSubject{key: key, req: req.Clone(), render: render, refresh: when, checked: now}
		sub.req.Notifier, sub.req.Connection = nil, nil
		sub.state, sub.at, sub.life = withObservedAge(r), now, ObservedAge*time.Second
		sub.Subject.local = sub
		o.locals[key] = sub
	}
	o.mu.Unlock()
	if sub == nil {
		return r
	}
	return o.Attach(req, &sub.Subject, withObservedAge(r))
}

// withObservedAge gives the response the Max-Age of one that notifications will follow.
func withObservedAge(r msg.Response) msg.Response {
	r.Options = msg.With(msg.Without(r.Options, message.MaxAge), message.MaxAge, msg.EncodeUint(ObservedAge))
	return r
}

// MarkChanged has refreshLocal render the resources that are refreshed on changes.
func (o *Observers) MarkChanged() { o.changed.Store(true) }

// RefreshLocal renders the resources of the front that are due, and notifies the
// observers of those that differ.
func (o *Observers) RefreshLocal(now time.Time) {
	changed := o.changed.Swap(false)
	var due []*localSubject
	o.mu.Lock()
	for key, sub := range o.locals {
		switch {
		case len(sub.all) == 0 && now.Sub(sub.checked) > sub.refresh.Every:
			delete(o.locals, key)
		case now.Sub(sub.checked) >= sub.refresh.Every, changed && sub.refresh.OnChanged:
			sub.checked = now
			due = append(due, sub)
		}
	}
	o.mu.Unlock()
	for _, sub := range due {
		r := sub.render(sub.req)
		if r.Code != codes.Content {
			o.End(&sub.Subject, r)()
			continue
		}
		o.mu.Lock()
		same := bytes.Equal(r.Payload, sub.state.Payload) && now.Sub(sub.at) < (ObservedAge-10)*time.Second
		o.mu.Unlock()
		if !same {
			o.Set(&sub.Subject, withObservedAge(r), now, true)
		}
	}
}
