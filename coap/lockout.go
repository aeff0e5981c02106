package coap

import (
	"encoding/json"
	"errors"
	"strings"
	"time"

	"culvert/coap/api"
	"culvert/coap/msg"

	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// outputResource is /outputs, /outputs/PLACE/RESOURCE and its lock below that.
func (s *Server) outputResource(req *msg.Request, at string, reply func(msg.Response)) {
	rest, _ := strings.CutPrefix(at, "/outputs")
	if _, ok := msg.Accept(req, msg.FormatJSON); !ok {
		reply(msg.NotAcceptable(msg.FormatJSON))
		return
	}
	if rest == "" {
		reply(msg.GetOnly(func(*msg.Request) msg.Response { return s.showJSON(s.outputs.list()) })(req))
		return
	}
	place, resource, _ := strings.Cut(strings.TrimPrefix(rest, "/"), "/")
	resource, lock := strings.CutSuffix("/"+resource, "/lock")
	x := s.outputs.find(place, resource)
	switch {
	case x == nil:
		reply(msg.Errorf(codes.NotFound, "no such output; /outputs lists them"))
	case !lock:
		reply(msg.GetOnly(func(*msg.Request) msg.Response { return s.showJSON(s.outputs.state(x)) })(req))
	default:
		s.lockResource(req, x, reply)
	}
}

func (s *Server) showJSON(v any) msg.Response {
	b, err := json.Marshal(v)
	if err != nil {
		return s.internal(err)
	}
	return msg.Content(msg.FormatJSON, b)
}

// lockResource shows, makes and lifts a lock-out.
func (s *Server) lockResource(req *msg.Request, x *outputEntry, reply func(msg.Response)) {
	switch {
	case req.Code == codes.GET:
		if st := s.outputs.state(x); st.Lock != nil {
			reply(s.showJSON(st.Lock))
			return
		}
		reply(msg.Errorf(codes.NotFound, "not locked out"))
		return
	case req.Code != codes.PUT && req.Code != codes.DELETE:
		reply(msg.Errorf(codes.MethodNotAllowed, "GET, PUT and DELETE"))
		return
	case !s.mayDrive(req, x):
		reply(msg.Errorf(codes.Forbidden, "%s is not one of those who may drive this output", s.writer(req)))
		return
	case len(req.Payload) > maxLockReason:
		reply(msg.Errorf(codes.BadRequest, "a reason of at most %d octets", maxLockReason))
		return
	}
	by, reason, lock := s.writer(req), string(req.Payload), req.Code == codes.PUT
	s.outputs.wg.Go(func() {
		err := s.outputs.setLock(s.opts.StateDir, x, by, reason, lock)
		s.nodes.RecallBarred()
		switch {
		case err != nil && lock:
			s.log.Error("lock-out of an output is not on the disk", "place", x.Place, "resource", x.Resource, "by", by, "error", err)
			reply(msg.Errorf(codes.InternalServerError, "locked out, but the disk did not take it: only until the daemon ends"))
			return
		case err != nil:
			reply(s.internal(err))
			return
		}
		s.log.Warn("lock-out of an output", "place", x.Place, "resource", x.Resource, "by", by, "locked", lock, "reason", reason)
		if lock {
			reply(msg.Empty(codes.Changed))
			return
		}
		reply(msg.Empty(codes.Deleted))
	})
}

// setLock makes or lifts a lock-out. It holds from the moment it is asked for; it is
// lifted only when the disk knows.
func (o *outputs) setLock(dir string, x *outputEntry, by, reason string, lock bool) error {
	o.saving.Lock()
	defer o.saving.Unlock()
	event := "unlock"
	o.mu.Lock()
	if lock {
		event = "lock"
		x.lock = &api.LockOut{By: by, Since: time.Now().UTC(), Reason: reason}
	}
	locks := map[string]*api.LockOut{}
	for key, e := range o.known {
		if e.lock != nil && (lock || e != x.driven) {
			locks[key] = e.lock
		}
	}
	o.mu.Unlock()
	err := o.audit.locked(event, by, x, reason)
	if o.audit.shut != nil { // the lock-outs on the disk may not have been read: they stay
		return err
	}
	if lock || err == nil { // a lock-out is kept whether or not the log takes it
		err = errors.Join(err, saveLocks(dir, locks))
	}
	if err != nil {
		return err
	}
	if !lock {
		o.mu.Lock()
		x.lock = nil
		o.mu.Unlock()
	}
	return nil
}

func (o *outputs) state(x *outputEntry) api.OutputState {
	o.mu.Lock()
	defer o.mu.Unlock()
	return api.OutputState{
		Place: x.Place, Resource: x.Resource, Who: x.Who, Lock: x.lock, Writing: x.writing, Last: x.last,
		Lease: int64(x.Lease.Seconds()), MaxLease: int64(x.MaxLease.Seconds()), Interval: int64(x.Interval.Seconds()),
	}
}

func (o *outputs) list() []api.OutputState {
	out := []api.OutputState{}
	for _, x := range o.entries() {
		out = append(out, o.state(x))
	}
	return out
}

// figures are how many declared outputs are locked out, and how many lines of the audit
// log the disk did not take.
func (o *outputs) figures() (locked int, failures uint64) {
	for _, x := range o.entries() {
		if o.isLocked(x) {
			locked++
		}
	}
	if o.all.Load() != nil { // there is an audit log since before the first of them
		failures = o.audit.failed.Load()
	}
	return locked, failures
}
