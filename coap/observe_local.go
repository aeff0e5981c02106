package coap

import (
	"bytes"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// local answers a GET of a resource of the front, and notes who wants to observe it.
func (s *Server) local(req *request, every time.Duration, render func(*request) response) response {
	r := s.getOnly(req, render)
	o := &s.observers
	if r.code != codes.Content || !o.wanted(req) {
		return r
	}
	key := req.cacheKey().request
	o.mu.Lock()
	sub := o.locals[key]
	if sub == nil && len(o.locals) < maxLocals {
		sub = &subject{local: key, req: req.clone(), render: render, every: every, looked: time.Now()}
		sub.req.udp, sub.req.stream = nil, nil
		sub.state, sub.at, sub.life = observed(r), time.Now(), observedAge*time.Second
		o.locals[key] = sub
	}
	o.mu.Unlock()
	if sub == nil {
		return r
	}
	return o.attach(req, sub, observed(r))
}

// observed is the answer of a resource of the front to those who will hear when it
// changes.
func observed(r response) response {
	r.options = with(without(r.options, message.MaxAge), message.MaxAge, uintBytes(observedAge))
	return r
}

// look finds out which of the front's own resources have changed.
func (o *observers) look(now time.Time) {
	touched := o.touched.Swap(false)
	var due []*subject
	o.mu.Lock()
	for key, sub := range o.locals {
		switch {
		case len(sub.all) == 0 && now.Sub(sub.looked) > sub.every:
			delete(o.locals, key)
		case now.Sub(sub.looked) >= sub.every, touched && sub.every == localEvery:
			sub.looked = now
			due = append(due, sub)
		}
	}
	o.mu.Unlock()
	for _, sub := range due {
		r := sub.render(sub.req)
		if r.code != codes.Content {
			o.end(sub, r)()
			continue
		}
		o.mu.Lock()
		same := bytes.Equal(r.payload, sub.state.payload) && now.Sub(sub.at) < (observedAge-10)*time.Second
		o.mu.Unlock()
		if !same {
			o.set(sub, observed(r), now, true)
		}
	}
}
