// Package output guards the resources of nodes that move something: declared outputs, their
// lock-outs, the audit log, and writes to actuators that nobody declared. It is no safety
// function: a machine needs a local interlock that holds whatever arrives over the network.
package output

import (
	"errors"
	"fmt"
	"log/slog"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/access"
	"culvert/coap/api"
	"culvert/coap/msg"
	"culvert/coap/nodeclient"
)

// Limits of outputs. They are our choice.
const (
	maxOutputs     = 4096
	WriteDeadline  = 10 * time.Second // of a write that names none
	longestWrite   = time.Minute
	readBackTime   = 10 * time.Second
	maxOutputValue = 256 // octets of a value
	maxLockReason  = 200
)

// Output is a node's resource that moves something: a pump, a valve, a motor. It is
// no safety function: the machine needs a local interlock that holds whatever
// arrives over the network, and a safe state for when nothing does.
type Output struct {
	Place    string        // the node's label
	Resource string        // the node's resource, like "/output"
	Lease    time.Duration // how long a write holds that names no time; 0: the node knows no leases
	MaxLease time.Duration // the longest lease
	Interval time.Duration // the shortest time between two writes, those of Off excepted
	Off      string        // the value that is never held back by Interval
	Who      []string      // the identities that may write and lock; empty: each that may write
}

// Options are what outputs rest on.
type Options struct {
	Nodes  *nodeclient.Client
	Meshes node.Meshes
	Locate func(node.Member) netip.AddrPort
	// Who returns the identity of a client, nil where no access is configured.
	Who func(*msg.Request) *access.Identity
	// Registered returns the links that a node has in the resource directory.
	Registered func(*node.Node) (links []msg.Link, registered bool)
	// PathOn returns the path of a URI of the node with this label.
	PathOn func(label, uri string) (path string, ok bool)
	Log    *slog.Logger
	Now    func() time.Time
}

// Outputs are the declared outputs.
type Outputs struct {
	Options

	done, refusedWrites, unknown atomic.Uint64 // writes by their outcome

	policy atomic.Pointer[UndeclaredPolicy] // by SetUndeclared
	listed actuators

	dir   string
	all   atomic.Pointer[[]*declaredOutput] // that are declared now
	audit *audit                            // nil while none was ever declared
	wg    sync.WaitGroup                    // writes that wait for the disk

	retrying atomic.Bool // Tick is at work

	unlocks budget     // of each identity and output; guarded by mu
	saving  sync.Mutex // held while lock-outs on the disk, or the outputs, change; before mu
	mu      sync.Mutex
	known   map[string]*outputState // guarded by mu: of all that are declared, were, or have a lock-out
}

// declaredOutput is one declared output.
type declaredOutput struct {
	Output
	*outputState
}

// outputState is what is known of an output, whatever its declaration. All of it is guarded
// by the mutex of outputs.
type outputState struct {
	lock    *api.LockOut // the first of locks, with the others; nil: it is not locked out
	locks   []*lockOut   // in the order in which they were made
	writing bool
	begun   time.Time // of the latest write that left
	last    *api.Written
}

// writer names the client for the audit log.
func (s *Outputs) writer(req *msg.Request) string {
	switch id := s.Who(req); {
	case req.Peer.Door == msg.DoorControl:
		return "uid " + strconv.Itoa(int(req.Peer.UID))
	case id == nil:
		return access.Anyone
	default:
		return id.Name
	}
}

// mayWrite reports whether the client is one of those who may write to x.
func (s *Outputs) mayWrite(req *msg.Request, x *declaredOutput) bool {
	id := s.Who(req)
	return id == nil || len(x.Who) == 0 || slices.Contains(x.Who, id.Name)
}

// write is one write to an output.
type write struct {
	api.Written
	by, door, from string
	begun          time.Time
	deadline       time.Time
	entry          *declaredOutput
	wait           uint32 // seconds after which a refused one may be tried again
	undeclared     bool   // no Output declares it: entry is nil
}

// write is a write to an output: what is not as it was declared is refused; the rest
// goes to the node, and is read back.
func (s *Outputs) write(req *msg.Request, t node.Member, x *declaredOutput, reply func(msg.Response)) {
	now := s.Now()
	o := &write{
		Written: api.Written{Place: x.Place, Resource: x.Resource, Value: string(req.Payload[:min(len(req.Payload), maxOutputValue)]), At: now.UTC()},
		by:      s.writer(req), door: req.Peer.Door.String(), from: req.Peer.Addr.String(), begun: now, entry: x,
	}
	if req.Peer.Door == msg.DoorControl {
		o.from = ""
	}
	if why, code := s.check(req, o); code != 0 {
		s.refused(o, why, code, reply)
		return
	}
	addr := s.Locate(t)
	if !addr.Addr().IsValid() {
		s.release(x)
		s.refused(o, "nothing was heard of the node yet: it has no address", codes.ServiceUnavailable, reply)
		return
	}
	opts := message.Options{}
	for part := range strings.SplitSeq(strings.Trim(x.Resource, "/"), "/") {
		opts = msg.With(opts, message.URIPath, []byte(part))
	}
	ask := opts
	if o.Lease > 0 {
		opts = msg.With(slices.Clone(opts), message.URIQuery, fmt.Appendf(nil, "for=%d", o.Lease))
	}
	if f, ok := msg.Option(req.Options, message.ContentFormat); ok {
		opts = msg.With(slices.Clone(opts), message.ContentFormat, f)
	}
	put := &nodeclient.Exchange{Code: codes.PUT, Options: opts, Body: req.Payload, Deadline: o.deadline,
		Barred: func() bool { return s.isLocked(x) }, SendDeadline: nodeclient.SendDeadline(o.begun, o.deadline), SetSendDeadline: s.Nodes.SendDeadlineOf(t, addr)}
	put.Reply = func(r msg.Response) {
		s.Nodes.Written(t.Node, x.Resource, true)
		if !put.FromNode {
			s.Nodes.Recall(put)
		}
		o.setOutcome(put, r)
		if o.Outcome != "" {
			s.end(o, r.Code, reply)
			return
		}
		get := &nodeclient.Exchange{Code: codes.GET, Options: ask, TakeBlocks: true, Deadline: s.Now().Add(readBackTime)}
		get.Reply = func(back msg.Response) {
			o.readBack(get, back)
			s.end(o, r.Code, reply)
		}
		s.Nodes.Submit(addr, get)
	}
	s.Nodes.Written(t.Node, x.Resource, false)
	s.wg.Go(func() { // the disk is slow, and a door must not wait for it
		id, err := s.audit.intent(o)
		if errors.Is(err, ErrTooOften) {
			s.release(x)
			o.wait = uint32(writesEvery / time.Second)
			s.refused(o, err.Error(), msg.CodeTooMany, reply)
			return
		}
		if err != nil {
			s.release(x)
			s.Log.Error("audit log not written: the output is not driven", "error", err)
			o.Outcome, o.Reason = api.OutcomeRefused, "the audit log cannot be written: "+err.Error()
			reply(s.answer(o, codes.InternalServerError))
			return
		}
		o.ID = id
		s.Nodes.Submit(addr, put)
	})
}

// check looks at a write, and takes the output for it. Where it is refused, it
// returns why, and a code.
func (s *Outputs) check(req *msg.Request, o *write) (why string, code codes.Code) {
	x := o.entry
	switch {
	case req.Code != codes.PUT:
		return "an output takes PUT", codes.MethodNotAllowed
	case !s.mayWrite(req, x):
		return o.by + " is not one of those who may drive this output", codes.Forbidden
	case len(req.Payload) == 0 || len(req.Payload) > maxOutputValue:
		return fmt.Sprintf("the value must have 1 to %d octets", maxOutputValue), codes.BadRequest
	}
	within, lease := WriteDeadline, x.Lease
	t, _ := s.Meshes.ByLabel(x.Place)
	least := s.Nodes.Towards(t.Table).AckTimeout // of all meshes, if the place is in none
	for _, q := range req.Options {
		if q.ID != message.URIQuery {
			continue
		}
		name, value, _ := strings.Cut(string(q.Value), "=")
		n, err := strconv.ParseUint(value, 10, 32)
		d := time.Duration(n) * time.Second
		switch {
		case name == "within" && err == nil && d > least && d <= longestWrite:
			within = d
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
	o.deadline = o.begun.Add(within)
	if o.Value != x.Off {
		o.Lease = int64(lease / time.Second)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	switch left := x.Interval - o.begun.Sub(x.begun); {
	case x.lock != nil:
		return fmt.Sprintf("locked out by %s since %s: %s", x.lock.By, x.lock.Since.Format(time.RFC3339), x.lock.Reason), codes.Forbidden
	case x.writing:
		o.wait = 5
		return "another write to this output is under way", codes.ServiceUnavailable
	case left > 0 && o.Value != x.Off:
		o.wait = uint32(left/time.Second) + 1
		return fmt.Sprintf("too soon: %v between two writes", x.Interval), msg.CodeTooMany
	}
	x.writing, x.begun = true, o.begun
	return "", 0
}

// setOutcome says what the node's answer to the write amounts to; Outcome stays empty where
// it is to be read back.
func (o *write) setOutcome(put *nodeclient.Exchange, r msg.Response) {
	switch {
	case !put.Transmitted():
		o.Outcome, o.Reason = api.OutcomeRefused, "not sent: "+string(r.Payload)
	case !put.FromNode:
		o.Outcome, o.Reason = api.OutcomeUnknown, string(r.Payload)
	case r.Code>>5 == 4:
		o.Outcome, o.Reason = api.OutcomeRefused, fmt.Sprintf("the node says %s %s", msg.CodeText(r.Code), r.Payload)
	case r.Code>>5 != 2:
		o.Outcome, o.Reason = api.OutcomeUnknown, fmt.Sprintf("the node says %s %s", msg.CodeText(r.Code), r.Payload)
	}
}

// readBack compares what the node says of its output with what was written.
func (o *write) readBack(get *nodeclient.Exchange, r msg.Response) {
	if !get.FromNode || r.Code != codes.Content {
		o.Outcome, o.Reason = api.OutcomeUnknown, fmt.Sprintf("the node took it, but could not be asked what it did: %s %s", msg.CodeText(r.Code), r.Payload)
		return
	}
	o.Reads = string(r.Payload[:min(len(r.Payload), maxOutputValue)])
	if plainValue(o.Reads) == plainValue(o.Value) {
		o.Outcome = api.OutcomeDone
		return
	}
	o.Outcome, o.Reason = api.OutcomeUnknown, fmt.Sprintf("the node took it, but reads back %q: something else drives this output, or holds it", o.Reads)
}

// plainValue makes the usual words for a switch's states one.
func plainValue(s string) string {
	switch s = strings.ToLower(strings.TrimSpace(s)); s {
	case "on", "true":
		return "1"
	case "off", "false":
		return "0"
	}
	return s
}

func (o *Outputs) isLocked(x *declaredOutput) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	return x.lock != nil
}

func (o *Outputs) release(x *declaredOutput) {
	o.mu.Lock()
	x.writing = false
	o.mu.Unlock()
}

// end writes down the outcome of a write, and answers.
func (s *Outputs) end(w *write, code codes.Code, reply func(msg.Response)) {
	s.wg.Go(func() {
		if err := s.audit.outcome(w); err != nil {
			s.Log.Error("outcome not written to the audit log", "id", w.ID, "outcome", w.Outcome, "error", err)
		}
		done := w.Written
		s.mu.Lock()
		w.entry.writing, w.entry.last = false, &done
		s.mu.Unlock()
		s.Log.Info("output written", "place", w.Place, "resource", w.Resource, "by", w.by, "outcome", w.Outcome, "id", w.ID)
		switch {
		case w.Outcome == api.OutcomeDone:
			code = codes.Changed
		case w.Outcome == api.OutcomeUnknown:
			code = codes.GatewayTimeout
		}
		reply(s.answer(w, code))
	})
}

// refused answers a write that never left.
func (s *Outputs) refused(w *write, why string, code codes.Code, reply func(msg.Response)) {
	w.Outcome, w.Reason = api.OutcomeRefused, why
	s.wg.Go(func() {
		s.audit.refusal(w)
		reply(s.answer(w, code))
	})
}

// answer is what the client gets, once for each write.
func (s *Outputs) answer(o *write, code codes.Code) msg.Response {
	switch o.Outcome {
	case api.OutcomeDone:
		s.done.Add(1)
	case api.OutcomeRefused:
		s.refusedWrites.Add(1)
	default:
		s.unknown.Add(1)
	}
	r := msg.JSON(o.Written)
	r.Code = code
	if o.wait > 0 {
		r.Options = msg.With(r.Options, message.MaxAge, msg.EncodeUint(o.wait))
	}
	return r
}

// Intercept takes a request that would drive an output, and reports whether it was one.
// What is hidden from the front (RFC 8613) might be one, so it does not reach a node
// that has outputs.
func (s *Outputs) Intercept(req *msg.Request, t node.Member, at string, opts message.Options, reply func(msg.Response)) bool {
	label := t.Node.Label()
	if _, secret := msg.Option(opts, msg.OptOSCORE); secret && s.has(label) {
		reply(msg.Errorf(codes.Forbidden, "this node drives an output: what cannot be read here does not reach it"))
		return true
	}
	if req.Code == codes.GET || req.Code == codes.FETCH {
		return false
	}
	x := s.find(label, at)
	if x == nil {
		if y := s.resembling(label, at); y != nil {
			reply(msg.Errorf(codes.Forbidden, "a node may take this path for its output %s, which is spelled otherwise: write to that one, or declare this one too", y.Resource))
			return true
		}
		return false
	}
	s.write(req, t, x, reply)
	return true
}
