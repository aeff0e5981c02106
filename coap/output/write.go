package output

import (
	"errors"
	"fmt"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/api"
	"culvert/coap/msg"
	"culvert/coap/nodeclient"
)

// safeLogTime is how long a write of the safe value waits for its line in the audit log: a
// broken disk must not keep a machine running. It is our choice.
const safeLogTime = 500 * time.Millisecond

// write is one write to an output.
type write struct {
	api.Written
	by, door, from string
	begun          time.Time // when it was taken
	issued         time.Time // from when the sender counts the deadline, at the latest
	within         time.Duration
	entry          *declaredOutput
	options        message.Options // for the node
	format         []byte          // Content-Format of the value, nil for none
	body           []byte
	safe           bool          // it writes the safe value
	wait           uint32        // seconds after which a refused one may be tried again
	undeclared     bool          // no Output declares it: entry is nil
	id             atomic.Uint64 // in the audit log
	notSent        bool          // it is over, and no message of it was sent
	logged         chan struct{} // closed when the intent was written, or could not be; nil: it was

	// Guarded by the mutex of outputs.
	deadline time.Time
	current  *nodeclient.Exchange // that is in progress for it
	stopped  string               // why it was withdrawn
	replies  []func(msg.Response)
	before   time.Time // begun of the output before this write
}

// write is a write to an output: what is not as it was declared is refused; the rest
// goes to the node, and is read back.
func (s *Outputs) write(req *msg.Request, t node.Member, x *declaredOutput, reply func(msg.Response)) {
	now := s.Now()
	o := &write{
		Written: api.Written{Place: x.Place, Resource: x.Resource, Value: string(req.Payload[:min(len(req.Payload), MaxValue)]), At: now.UTC()},
		by:      s.writer(req), door: req.Peer.Door.String(), from: req.Peer.Addr.String(), begun: now, issued: now, entry: x,
		body: slices.Clone(req.Payload), safe: string(req.Payload) == x.Safe,
	}
	if req.Peer.Door == msg.DoorControl {
		o.from = ""
	}
	if why, code := s.check(req, o); code != 0 {
		s.refused(o, why, code, reply)
		return
	}
	if !o.safe || x.RefuseStale {
		if s.stoodStill() {
			o.wait = 1
			s.refused(o, "the gateway stood still, and when this write was sent is not known: send it again", codes.ServiceUnavailable, reply)
			return
		}
		if req.Peer.Door != msg.DoorControl && !s.proved(req, o, s.least(t)) {
			reply(s.challenge(req, o))
			return
		}
	}
	o.deadline = o.issued.Add(o.within)
	addr := s.Locate(t)
	if !addr.Addr().IsValid() {
		s.refused(o, "nothing was heard of the node yet: it has no address", codes.ServiceUnavailable, reply)
		return
	}
	stopped, joined, why, code := s.take(o, reply)
	switch {
	case code != 0:
		s.refused(o, why, code, reply)
		return
	case joined != nil:
		s.join(o, joined, reply)
		return
	case stopped != nil:
		s.stop(stopped)
	}
	s.Nodes.Written(t.Node, x.Resource, false)
	s.drive(t, o, func(put *nodeclient.Exchange) { s.Nodes.Submit(addr, put) })
}

// least is the shortest deadline of a write to a node.
func (s *Outputs) least(t node.Member) time.Duration { return s.Nodes.Towards(t.Table).AckTimeout }

// check looks at a request by itself. Where it is refused, it returns why, and a code.
func (s *Outputs) check(req *msg.Request, o *write) (why string, code codes.Code) {
	x := o.entry
	switch {
	case req.Code != codes.PUT:
		return "an output takes PUT", codes.MethodNotAllowed
	case !s.mayWrite(req, x):
		return o.by + " is not one of those who may drive this output", codes.Forbidden
	}
	if why, code := o.checkOptions(req.Options); code != 0 {
		return why, code
	}
	if len(req.Payload) == 0 || len(req.Payload) > MaxValue {
		return fmt.Sprintf("the value must have 1 to %d octets", MaxValue), codes.BadRequest
	}
	lease := x.Lease
	o.within = WriteDeadline
	t, _ := s.Meshes.ByLabel(x.Place)
	least := s.least(t) // of all meshes, if the place is in none
	for _, q := range req.Options {
		if q.ID != message.URIQuery {
			continue
		}
		name, value, _ := strings.Cut(string(q.Value), "=")
		n, err := strconv.ParseUint(value, 10, 32)
		d := time.Duration(n) * time.Second
		switch {
		case name == "within" && err == nil && d > least && d <= longestWrite:
			o.within = d
		case name == "within":
			return fmt.Sprintf("within=SECONDS: more than %v, at most %v", least, longestWrite), codes.BadRequest
		case name == "for" && x.Lease == 0:
			return "this output has no lease", codes.BadRequest
		case name == "for" && err == nil && d > 0 && d <= x.MaxLease:
			lease = d
		case name == "for":
			return fmt.Sprintf("for=SECONDS: 1 to %d", int(x.MaxLease.Seconds())), codes.BadRequest
		default:
			return "an output knows the queries within=SECONDS and for=SECONDS", codes.BadRequest
		}
	}
	if !o.safe {
		o.Lease = int64(lease / time.Second)
	}
	for part := range strings.SplitSeq(strings.Trim(x.Resource, "/"), "/") {
		o.options = msg.With(o.options, message.URIPath, []byte(part))
	}
	return "", 0
}

// checkOptions keeps the Content-Format, and refuses what a write to an output does not
// handle: conditions are answered as RFC 7252, section 5.10.8, says of a resource that
// exists and whose ETag is not known, other critical options by 4.02 (section 5.4.1).
func (o *write) checkOptions(opts message.Options) (why string, code codes.Code) {
	for _, x := range opts {
		switch x.ID {
		case message.IfMatch:
			if len(x.Value) > 0 {
				return "If-Match: an output has no ETag", codes.PreconditionFailed
			}
		case message.IfNoneMatch:
			return "If-None-Match: the output exists", codes.PreconditionFailed
		case message.Accept:
			if msg.DecodeUint(x.Value) != msg.FormatJSON {
				return "an output answers in JSON", codes.NotAcceptable
			}
		case message.ContentFormat:
			o.format = slices.Clone(x.Value)
		case message.URIHost, message.URIPort, message.URIPath, message.URIQuery, message.ProxyURI, message.ProxyScheme, message.Block1, message.Block2:
		default:
			if x.ID%2 == 1 { // section 5.4.6: critical
				return fmt.Sprintf("option %d", x.ID), codes.BadOption
			}
		}
	}
	return "", 0
}

// take takes the output for a write. A write of the safe value is never refused: where one
// is pending already the new one joins it, and a pending write of another value is to be
// stopped.
func (s *Outputs) take(o *write, reply func(msg.Response)) (stopped, joined *write, why string, code codes.Code) {
	x := o.entry
	s.mu.Lock()
	defer s.mu.Unlock()
	o.before = x.begun
	if o.safe {
		if x.safe != nil {
			return nil, x.safe, "", 0
		}
		if stopped = x.pending; stopped != nil {
			stopped.stopped = superseded
			x.pending = nil
		}
		o.replies = append(o.replies, reply)
		x.safe, x.begun = o, o.begun
		return stopped, nil, "", 0
	}
	switch left := x.Interval - max(o.begun.Sub(x.begun), 0); {
	case x.lock != nil:
		return nil, nil, fmt.Sprintf("locked out by %s since %s: %s", x.lock.By, x.lock.Since.Format(time.RFC3339), x.lock.Reason), codes.Forbidden
	case x.pending != nil || x.safe != nil:
		o.wait = 5
		return nil, nil, "another write to this output is under way", codes.ServiceUnavailable
	case left > 0 && !x.begun.IsZero():
		o.wait = uint32(left/time.Second) + 1
		return nil, nil, fmt.Sprintf("too soon: %v between two writes", x.Interval), msg.CodeTooMany
	}
	o.replies = append(o.replies, reply)
	x.pending, x.begun = o, o.begun
	return nil, nil, "", 0
}

// join lets a client that writes the safe value wait for the write of it that is pending,
// which gets the time that the client gave.
func (s *Outputs) join(o, pending *write, reply func(msg.Response)) {
	s.mu.Lock()
	waits := o.entry.safe == pending && len(pending.replies) < maxJoined
	if waits {
		pending.replies = append(pending.replies, reply)
	}
	if o.deadline.After(pending.deadline) {
		pending.deadline = o.deadline
	}
	current := pending.current
	s.mu.Unlock()
	if current != nil && current.Code == codes.PUT {
		s.Nodes.Extend(current, o.deadline)
	}
	s.wg.Go(func() {
		s.audit.refusal("joined", o)
		if !waits {
			o.Outcome, o.Reason = api.OutcomeUnknown, "the safe value is being written; read the output to see what came of it"
			reply(s.answer(o, codes.GatewayTimeout))
		}
	})
}

// stopPending withdraws the pending write to an output, but not that of the safe value.
func (s *Outputs) stopPending(x *declaredOutput, why string) {
	s.mu.Lock()
	o := x.pending
	if o != nil && o.stopped == "" {
		o.stopped = why
	}
	s.mu.Unlock()
	if o != nil {
		s.stop(o)
	}
}

// stop withdraws a write that was marked as stopped, from every queue.
func (s *Outputs) stop(o *write) {
	s.mu.Lock()
	current := o.current
	s.mu.Unlock()
	if current != nil {
		s.Nodes.WithdrawExchange(current, msg.Errorf(codes.ServiceUnavailable, "withdrawn"))
	}
}

// barred reports whether a write of another value than the safe one must not be sent.
func (s *Outputs) barred(o *write) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return o.entry.lock != nil || o.stopped != ""
}

// drive writes down what is going to be done, and has submit send it.
func (s *Outputs) drive(t node.Member, o *write, submit func(*nodeclient.Exchange)) {
	addr := s.Locate(t)
	put := s.put(t, addr, o, submit)
	if o.safe {
		o.logged = make(chan struct{})
		s.wg.Go(func() {
			s.within(func() {
				defer close(o.logged)
				id, err := s.audit.intent(o)
				o.id.Store(id)
				if err != nil {
					s.Log.Error("audit log not written: the safe value is written all the same", "place", o.Place, "resource", o.Resource, "by", o.by, "error", err)
				}
			})
			submit(put)
		})
		return
	}
	s.wg.Go(func() { // the disk is slow, and a door must not wait for it
		id, err := s.audit.intent(o)
		if errors.Is(err, ErrTooOften) {
			o.wait, o.notSent = uint32(writesEvery/time.Second), true
			for _, reply := range s.release(o) {
				s.refused(o, err.Error(), msg.CodeTooMany, reply)
			}
			return
		}
		if err != nil {
			s.Log.Error("audit log not written: the output is not driven", "error", err)
			o.Outcome, o.Reason, o.notSent = api.OutcomeRefused, "the audit log cannot be written: "+err.Error(), true
			for _, reply := range s.release(o) {
				reply(s.answer(o, codes.InternalServerError))
			}
			return
		}
		o.id.Store(id)
		submit(put)
	})
}

// within calls f, and waits for it no longer than safeLogTime.
func (s *Outputs) within(f func()) {
	done := make(chan struct{})
	s.wg.Go(func() { defer close(done); f() })
	limit := time.NewTimer(safeLogTime)
	defer limit.Stop()
	select {
	case <-done:
	case <-limit.C:
	}
}

// put is the exchange that writes the value, reads it back, and ends the write.
func (s *Outputs) put(t node.Member, addr netip.AddrPort, o *write, submit func(*nodeclient.Exchange)) *nodeclient.Exchange {
	x := o.entry
	opts := slices.Clone(o.options)
	if o.Lease > 0 {
		opts = msg.With(opts, message.URIQuery, fmt.Appendf(nil, "for=%d", o.Lease))
	}
	if o.format != nil {
		opts = msg.With(opts, message.ContentFormat, o.format)
	}
	s.mu.Lock()
	deadline := o.deadline
	s.mu.Unlock()
	put := &nodeclient.Exchange{Code: codes.PUT, Options: opts, Body: o.body, Deadline: deadline, Urgent: o.safe, Output: !o.safe}
	if !o.safe {
		put.Barred = func() bool { return s.barred(o) }
	}
	if !o.safe || x.RefuseStale {
		put.SendDeadline = nodeclient.SendDeadline(o.issued, deadline)
		put.SetSendDeadline = s.Nodes.SendDeadlineOf(t, addr)
	}
	s.progress(o, put)
	put.Reply = func(r msg.Response) {
		s.Nodes.Written(t.Node, x.Resource, true)
		if !put.FromNode {
			s.Nodes.Recall(put)
		}
		o.setOutcome(put, r)
		if s.wasStopped(o) || o.Outcome != "" {
			s.end(o, r.Code)
			return
		}
		get := &nodeclient.Exchange{Code: codes.GET, Options: o.options, TakeBlocks: true, Deadline: s.Now().Add(readBackTime), Urgent: true}
		get.Reply = func(back msg.Response) {
			o.readBack(get, back)
			if s.tryAgain(t, addr, o, submit) {
				return
			}
			s.wasStopped(o)
			s.end(o, r.Code)
		}
		s.progress(o, get)
		submit(get)
	}
	return put
}

// tryAgain writes the safe value once more if the node does not read it back, and there is
// time.
func (s *Outputs) tryAgain(t node.Member, addr netip.AddrPort, o *write, submit func(*nodeclient.Exchange)) bool {
	s.mu.Lock()
	again := s.Now().Add(s.least(t))
	is := o.safe && o.Outcome != api.OutcomeDone && again.Before(o.deadline)
	s.mu.Unlock()
	if is {
		o.Outcome, o.Reason, o.Reads = "", "", ""
		put := s.put(t, addr, o, submit)
		put.NotBefore = again
		submit(put)
	}
	return is
}

// progress notes the exchange that is in progress for a write.
func (s *Outputs) progress(o *write, x *nodeclient.Exchange) {
	s.mu.Lock()
	defer s.mu.Unlock()
	o.current = x
}
