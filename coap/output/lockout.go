package output

import (
	"errors"
	"strings"

	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/api"
	"culvert/coap/msg"
)

// Serve is /outputs, /outputs/PLACE/RESOURCE and its lock below that.
func (s *Outputs) Serve(req *msg.Request, at string, reply func(msg.Response)) {
	rest, _ := strings.CutPrefix(at, "/outputs")
	if _, ok := msg.Accept(req, msg.FormatJSON); !ok {
		reply(msg.NotAcceptable(msg.FormatJSON))
		return
	}
	if rest == "" {
		reply(msg.GetOnly(func(*msg.Request) msg.Response { return msg.JSON(s.List()) })(req))
		return
	}
	place, resource, _ := strings.Cut(strings.TrimPrefix(rest, "/"), "/")
	resource, lock := strings.CutSuffix("/"+resource, "/lock")
	x := s.find(place, resource)
	switch {
	case x == nil:
		reply(msg.Errorf(codes.NotFound, "no such output; /outputs lists them"))
	case !lock:
		reply(msg.GetOnly(func(*msg.Request) msg.Response { return msg.JSON(s.state(x)) })(req))
	default:
		s.lockResource(req, x, reply)
	}
}

// lockResource shows, makes and lifts a lock-out.
func (s *Outputs) lockResource(req *msg.Request, x *declaredOutput, reply func(msg.Response)) {
	switch {
	case req.Code == codes.GET:
		if st := s.state(x); st.Lock != nil {
			reply(msg.JSON(st.Lock))
			return
		}
		reply(msg.Errorf(codes.NotFound, "not locked out"))
		return
	case req.Code != codes.PUT && req.Code != codes.DELETE:
		reply(msg.Errorf(codes.MethodNotAllowed, "GET, PUT and DELETE"))
		return
	case !s.mayWrite(req, x):
		reply(msg.Errorf(codes.Forbidden, "%s is not one of those who may drive this output", s.writer(req)))
		return
	case len(req.Payload) > maxLockReason:
		reply(msg.Errorf(codes.BadRequest, "a reason of at most %d octets", maxLockReason))
		return
	}
	by, reason, lock := s.writer(req), string(req.Payload), req.Code == codes.PUT
	s.wg.Go(func() {
		err := s.setLock(s.dir, x, by, reason, lock)
		s.Nodes.RecallBarred()
		switch {
		case err != nil && lock:
			s.Log.Error("lock-out of an output is not on the disk", "place", x.Place, "resource", x.Resource, "by", by, "error", err)
			reply(msg.Errorf(codes.InternalServerError, "locked out, but the disk did not take it: only until the daemon ends"))
			return
		case err != nil:
			s.Log.Error("lock-out of an output not lifted", "place", x.Place, "resource", x.Resource, "by", by, "error", err)
			reply(msg.Errorf(codes.InternalServerError, "%v", err))
			return
		}
		s.Log.Warn("lock-out of an output", "place", x.Place, "resource", x.Resource, "by", by, "locked", lock, "reason", reason)
		if lock {
			reply(msg.Empty(codes.Changed))
			return
		}
		reply(msg.Empty(codes.Deleted))
	})
}

// setLock makes or lifts a lock-out. It holds from the moment it is asked for; it is
// lifted only when the disk knows.
func (o *Outputs) setLock(dir string, x *declaredOutput, by, reason string, lock bool) error {
	o.saving.Lock()
	defer o.saving.Unlock()
	event := "unlock"
	o.mu.Lock()
	if lock {
		event = "lock"
		x.lock = &api.LockOut{By: by, Since: o.Now().UTC(), Reason: reason}
	}
	locks := map[string]*api.LockOut{}
	for key, e := range o.known {
		if e.lock != nil && (lock || e != x.outputState) {
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

func (o *Outputs) state(x *declaredOutput) api.OutputState {
	o.mu.Lock()
	defer o.mu.Unlock()
	return api.OutputState{
		Place: x.Place, Resource: x.Resource, Who: x.Who, Lock: x.lock, Writing: x.writing, Last: x.last,
		Lease: int64(x.Lease.Seconds()), MaxLease: int64(x.MaxLease.Seconds()), Interval: int64(x.Interval.Seconds()),
	}
}

// List returns the states of the declared outputs.
func (o *Outputs) List() []api.OutputState {
	out := []api.OutputState{}
	for _, x := range o.entries() {
		out = append(out, o.state(x))
	}
	return out
}

// Stats are figures of outputs since the start.
type Stats struct {
	Done, Refused, Unknown uint64 // writes by their outcome
	Locked                 int    // declared outputs that are locked out
	AuditFailures          uint64 // lines of the audit log that the disk did not take
}

// Stats returns the figures now.
func (o *Outputs) Stats() Stats {
	s := Stats{Done: o.done.Load(), Refused: o.refusedWrites.Load(), Unknown: o.unknown.Load()}
	for _, x := range o.entries() {
		if o.isLocked(x) {
			s.Locked++
		}
	}
	if o.all.Load() != nil { // there is an audit log since before the first of them
		s.AuditFailures = o.audit.failed.Load()
	}
	return s
}
