package output

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/plgd-dev/go-coap/v3/message"
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
	}
	l := api.LockOut{By: s.writer(req), Since: s.Now().UTC(), Reason: plainReason(cutReason(string(req.Payload))), Door: req.Peer.Door.String()}
	if req.Peer.Door != msg.DoorControl {
		l.From = req.Peer.Addr.String()
	}
	if req.Code == codes.PUT {
		s.lock(x, l, reply)
		return
	}
	s.unlock(req, x, l, reply)
}

// cutReason cuts a reason that is too long: a lock-out must not fail for its reason.
func cutReason(s string) string {
	if len(s) > maxLockReason {
		end := maxLockReason
		for end > maxLockReason-utf8.UTFMax && !utf8.RuneStart(s[end]) {
			end-- // not within a character
		}
		s = s[:end]
	}
	return s
}

// plainReason makes a reason text that any terminal may show: octets that are not UTF-8, and
// control characters, are escaped.
func plainReason(s string) string {
	if !utf8.ValidString(s) {
		s = escapeOctets(s)
	}
	var b strings.Builder
	for _, r := range s {
		if unicode.IsControl(r) || unicode.Is(unicode.Cf, r) {
			fmt.Fprintf(&b, `\u%04x`, r)
			continue
		}
		b.WriteRune(r)
	}
	return b.String()
}

// lock makes a lock-out. It holds, and what waits is withdrawn, before the disk is asked.
func (s *Outputs) lock(x *declaredOutput, l api.LockOut, reply func(msg.Response)) {
	made, err := s.lockNow(x, l)
	s.stopPending(x, "locked out by "+l.By)
	if err != nil {
		reply(msg.Errorf(msg.CodeTooMany, "%v; the output stays locked out", err))
		return
	}
	if logged, stored := s.saved(made); logged && stored { // it is the client's own of before
		reply(msg.Empty(codes.Changed))
		return
	}
	s.wg.Go(func() {
		err := s.persist(x.outputState, outputName{x.Place, x.Resource}, made)
		if err != nil {
			s.Log.Error("lock-out of an output is not safe: the disk did not take it, and is asked again until it does", "place", x.Place, "resource", x.Resource, "by", l.By, "error", err)
			reply(msg.Errorf(codes.InternalServerError, "locked out, but not safe: the disk did not take it, so that it would not outlive the daemon; the daemon tries again until the disk takes it"))
			return
		}
		s.Log.Warn("lock-out of an output", "place", x.Place, "resource", x.Resource, "by", l.By, "locked", true, "reason", l.Reason, "door", l.Door, "from", l.From)
		reply(msg.Empty(codes.Changed))
	})
}

// unlock lifts the client's own lock-out, or, on the control socket, the one that the query
// of=IDENTITY names. Where others remain, the answer holds them.
func (s *Outputs) unlock(req *msg.Request, x *declaredOutput, by api.LockOut, reply func(msg.Response)) {
	of := by.By
	for _, q := range req.Options {
		if q.ID != message.URIQuery {
			continue
		}
		name, value, _ := strings.Cut(string(q.Value), "=")
		switch {
		case name != "of" || value == "":
			reply(msg.Errorf(codes.BadRequest, "a lock-out knows the query of=IDENTITY"))
			return
		case req.Peer.Door != msg.DoorControl && value != of:
			reply(msg.Errorf(codes.Forbidden, "each lifts its own lock-out; on the gateway itself 'culvert set --unlock --of IDENTITY' lifts another one"))
			return
		}
		of = value
	}
	s.mu.Lock()
	var first *api.LockOut
	if first = x.lock; first != nil && slices.ContainsFunc(x.locks, func(l *lockOut) bool { return l.By == of }) {
		first = nil
	}
	locked := x.lock != nil
	s.mu.Unlock()
	switch {
	case first != nil:
		reply(msg.Errorf(codes.Forbidden, "%s has no lock-out here; %s has, since %s: %s", of, first.By, first.Since.Format(time.RFC3339), first.Reason))
		return
	case !locked:
		reply(msg.Empty(codes.Deleted))
		return
	}
	s.wg.Go(func() {
		line := AuditLine{Event: "unlock", Identity: by.By, Of: of, Door: by.Door, From: by.From, Place: x.Place, Resource: x.Resource}
		switch err := s.lift(x, of, line); {
		case errors.Is(err, errUnlockOften):
			r := msg.Errorf(msg.CodeTooMany, "%v", err)
			r.Options = msg.With(r.Options, message.MaxAge, msg.EncodeUint(uint32(unlocksEvery/time.Second)))
			reply(r)
			return
		case err != nil:
			s.Log.Error("lock-out of an output not lifted", "place", x.Place, "resource", x.Resource, "by", by.By, "of", of, "error", err)
			reply(msg.Errorf(codes.InternalServerError, "not lifted, it stays locked out: %v", err))
			return
		}
		s.Log.Warn("lock-out of an output lifted", "place", x.Place, "resource", x.Resource, "by", by.By, "of", of, "locked", s.isLocked(x), "door", by.Door, "from", by.From)
		r := msg.Empty(codes.Deleted)
		if left := s.state(x).Lock; left != nil {
			r = msg.JSON(left)
			r.Code = codes.Deleted
		}
		reply(r)
	})
}

func (o *Outputs) state(x *declaredOutput) api.OutputState {
	o.mu.Lock()
	defer o.mu.Unlock()
	return api.OutputState{
		Place: x.Place, Resource: x.Resource, Who: x.Who, Lock: x.lock, Writing: x.pending != nil || x.safe != nil, Safe: x.Safe, Last: x.last,
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
	Declared               int    // outputs
	Locked                 int    // declared outputs that are locked out
	NotSafe                int    // lock-outs that would not outlive the daemon: the disk did not take them yet
	AuditFull              bool   // no write is taken, since the audit log holds less than the last week
	AuditUnread            int    // lines that could not be read when the audit log was opened
	AuditShut              string // why the audit log cannot be opened, so that nothing is driven; empty: it is open
	AuditFailures          uint64 // lines of the audit log that the disk did not take
}

// Stats returns the figures now.
func (o *Outputs) Stats() Stats {
	s := Stats{Done: o.done.Load(), Refused: o.refusedWrites.Load(), Unknown: o.unknown.Load()}
	o.mu.Lock()
	for _, x := range o.entries() {
		if s.Declared++; len(x.locks) > 0 {
			s.Locked++
		}
	}
	for _, x := range o.known {
		for _, l := range x.locks {
			if l.NotSafe != "" {
				s.NotSafe++
			}
		}
	}
	o.mu.Unlock()
	if o.all.Load() != nil { // there is an audit log since before the first of them
		s.AuditFailures = o.audit.failed.Load()
		o.audit.mu.Lock()
		s.AuditFull, s.AuditUnread = o.audit.full, o.audit.unread
		if o.audit.shut != nil {
			s.AuditShut = o.audit.shut.Error()
		}
		o.audit.mu.Unlock()
	}
	return s
}
