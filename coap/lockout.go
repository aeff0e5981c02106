package coap

import (
	"encoding/json"
	"errors"
	"strings"
	"time"

	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// outputResource is /outputs, /outputs/PLACE/RESOURCE and its lock below that.
func (s *Server) outputResource(req *request, at string, reply func(response)) {
	rest, _ := strings.CutPrefix(at, "/outputs")
	if _, ok := accept(req, formatJSON); !ok {
		reply(notAcceptable(formatJSON))
		return
	}
	if rest == "" {
		reply(s.getOnly(req, func(*request) response { return s.showJSON(s.outputs.list()) }))
		return
	}
	place, resource, _ := strings.Cut(strings.TrimPrefix(rest, "/"), "/")
	resource, lock := strings.CutSuffix("/"+resource, "/lock")
	x := s.outputs.find(place, resource)
	switch {
	case x == nil:
		reply(diagnose(codes.NotFound, "no such output; /outputs lists them"))
	case !lock:
		reply(s.getOnly(req, func(*request) response { return s.showJSON(s.outputs.state(x)) }))
	default:
		s.lockResource(req, x, reply)
	}
}

func (s *Server) showJSON(v any) response {
	b, err := json.Marshal(v)
	if err != nil {
		return s.internal(err)
	}
	return content(formatJSON, b)
}

// lockResource shows, makes and lifts a lock-out.
func (s *Server) lockResource(req *request, x *outputEntry, reply func(response)) {
	switch {
	case req.code == codes.GET:
		if st := s.outputs.state(x); st.Lock != nil {
			reply(s.showJSON(st.Lock))
			return
		}
		reply(diagnose(codes.NotFound, "not locked out"))
		return
	case req.code != codes.PUT && req.code != codes.DELETE:
		reply(diagnose(codes.MethodNotAllowed, "GET, PUT and DELETE"))
		return
	case !s.mayDrive(req, x):
		reply(diagnose(codes.Forbidden, "%s is not one of those who may drive this output", s.writer(req)))
		return
	case len(req.payload) > maxLockReason:
		reply(diagnose(codes.BadRequest, "a reason of at most %d octets", maxLockReason))
		return
	}
	by, reason, lock := s.writer(req), string(req.payload), req.code == codes.PUT
	s.outputs.wg.Go(func() {
		err := s.outputs.setLock(s.opts.StateDir, x, by, reason, lock)
		s.upstream.withdraw()
		switch {
		case err != nil && lock:
			s.log.Error("lock-out of an output is not on the disk", "place", x.Place, "resource", x.Resource, "by", by, "error", err)
			reply(diagnose(codes.InternalServerError, "locked out, but the disk did not take it: only until the daemon ends"))
			return
		case err != nil:
			reply(s.internal(err))
			return
		}
		s.log.Warn("lock-out of an output", "place", x.Place, "resource", x.Resource, "by", by, "locked", lock, "reason", reason)
		if lock {
			reply(answer(codes.Changed))
			return
		}
		reply(answer(codes.Deleted))
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
		x.lock = &LockOut{By: by, Since: time.Now().UTC(), Reason: reason}
	}
	locks := map[string]*LockOut{}
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

func (o *outputs) state(x *outputEntry) OutputState {
	o.mu.Lock()
	defer o.mu.Unlock()
	return OutputState{
		Place: x.Place, Resource: x.Resource, Who: x.Who, Lock: x.lock, Writing: x.writing, Last: x.last,
		Lease: int64(x.Lease.Seconds()), MaxLease: int64(x.MaxLease.Seconds()), Interval: int64(x.Interval.Seconds()),
	}
}

func (o *outputs) list() []OutputState {
	out := []OutputState{}
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
