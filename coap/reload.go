package coap

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"culvert/coap/access"
	"culvert/coap/msg"
)

// latestInterval is longer than the longest Interval that the configuration takes.
const latestInterval = 48 * time.Hour

// access says who may do what now; nil where nobody asks.
func (s *Server) access() *access.List {
	if a := s.swapped.Load(); a != nil {
		return a
	}
	return s.opts.Access
}

// SetAccess puts another Access in the place of the one in force. Sessions are not
// ended, but each of their requests is judged anew: who has no identity any more, or
// another key or certificate, counts as who has shown none. Observations end that the
// one before allowed and a does not. A front that began without an Access keeps none.
func (s *Server) SetAccess(a *access.List) {
	was := s.access()
	if was == nil || a == nil {
		return
	}
	s.swapped.Store(a)
	s.observers.EndWhere(func(p msg.Peer) bool {
		if p.Door == msg.DoorControl {
			return false
		}
		before, is := was.Current(p.Proved), a.Current(p.Proved)
		return is.May&access.MayRead == 0 || is.Name != before.Name || !slices.Equal(is.Nodes, before.Nodes)
	})
}

// SetOutputs declares other outputs than before. What is known of an output that
// stays, its lock-out among it, stays too, also while it is not declared; a write
// under way ends by the old declaration. On an error nothing has changed.
func (s *Server) SetOutputs(declared []Output) error {
	o := &s.outputs
	o.saving.Lock()
	defer o.saving.Unlock()
	switch {
	case len(declared) > maxOutputs:
		return fmt.Errorf("coap: %d outputs, at most %d", len(declared), maxOutputs)
	case o.audit == nil && len(declared) == 0:
		return nil
	case o.audit == nil:
		return o.open(declared, s.opts.StateDir)
	}
	if len(declared) > 0 && s.opts.StateDir == "" {
		return errors.New("coap: outputs need a directory for their audit log")
	}
	o.declare(declared)
	return nil
}

// declare publishes the outputs, each with what is known of it.
func (o *outputs) declare(declared []Output) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for key, x := range o.known { // those that are declared come back at once
		if x.lock == nil && !x.writing && x.last == nil && time.Since(x.begun) > latestInterval {
			delete(o.known, key)
		}
	}
	all := make([]*outputEntry, 0, len(declared))
	for _, d := range declared {
		d.Resource = "/" + strings.Trim(d.Resource, "/")
		key := outputKey(d.Place, d.Resource)
		if o.known[key] == nil {
			o.known[key] = &driven{}
		}
		all = append(all, &outputEntry{Output: d, driven: o.known[key]})
	}
	o.all.Store(&all)
}

// entries are the declared outputs.
func (o *outputs) entries() []*outputEntry {
	if all := o.all.Load(); all != nil {
		return *all
	}
	return nil
}
