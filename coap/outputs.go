package coap

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"culvert/bridge/node"
	"culvert/coap/access"
	"culvert/coap/api"
	"culvert/coap/msg"
	"culvert/coap/nodeclient"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// Bounds of outputs, ours.
const (
	maxOutputs     = 4096
	writeDeadline  = 10 * time.Second // of a write that names none
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

// outputs are the declared outputs.
type outputs struct {
	all   atomic.Pointer[[]*outputEntry] // that are declared now
	audit *audit                         // nil while none was ever declared
	wg    sync.WaitGroup                 // writes that wait for the disk

	saving sync.Mutex // held while lock-outs, or the outputs, change; before mu
	mu     sync.Mutex
	known  map[string]*driven // guarded by mu: of all that are declared, were, or have a lock-out
}

// outputEntry is one declared output.
type outputEntry struct {
	Output
	*driven
}

// driven is what is known of an output, whatever its declaration. All of it is guarded
// by the mutex of outputs.
type driven struct {
	lock    *api.LockOut
	writing bool
	begun   time.Time // of the latest write that left
	last    *api.Written
}

// open reads what outlives the daemon. Where the disk does not let it, which is no
// error here, no output is driven until the daemon starts again.
func (o *outputs) open(declared []Output, dir string) error {
	if len(declared) > maxOutputs {
		return fmt.Errorf("coap: %d outputs, at most %d", len(declared), maxOutputs)
	}
	if len(declared) == 0 {
		return nil
	}
	err := o.begin(declared, dir)
	if !errors.As(err, new(syscall.Errno)) {
		return err
	}
	// The disk refuses: the outputs are there, and none of them is driven.
	o.audit, o.known = &audit{dir: dir, shut: err}, map[string]*driven{}
	o.declare(declared)
	return nil
}

// auditLog returns the audit log, which it opens where no output was ever declared.
func (o *outputs) auditLog(dir string) (*audit, error) {
	o.saving.Lock()
	defer o.saving.Unlock()
	if o.audit == nil {
		if err := o.begin(nil, dir); err != nil {
			return nil, err
		}
	}
	return o.audit, nil
}

// begin opens the audit log, and reads it and the lock-outs.
func (o *outputs) begin(declared []Output, dir string) error {
	if dir == "" {
		return errors.New("coap: outputs need a directory for their audit log")
	}
	locks, err := loadLocks(dir)
	if err != nil {
		return err
	}
	var begun map[string]time.Time
	if o.audit, begun, err = openAudit(dir); err != nil {
		return err
	}
	o.known = map[string]*driven{}
	for key, l := range locks {
		o.known[key] = &driven{lock: l}
	}
	for key, at := range begun {
		if o.known[key] == nil {
			o.known[key] = &driven{}
		}
		o.known[key].begun = at
	}
	o.declare(declared)
	return nil
}

func outputKey(place, resource string) string { return place + resource }

// find returns the output at a node's path; empty parts of a path do not count, since
// a node may pass over them.
func (o *outputs) find(place, at string) *outputEntry {
	parts := strings.FieldsFunc(at, func(r rune) bool { return r == '/' })
	at = "/" + strings.Join(parts, "/")
	for _, x := range o.entries() {
		if x.Place == place && x.Resource == at {
			return x
		}
	}
	return nil
}

func (o *outputs) of(place string) bool {
	return slices.ContainsFunc(o.entries(), func(x *outputEntry) bool { return x.Place == place })
}

// writer names who asks, for the audit log.
func (s *Server) writer(req *msg.Request) string {
	switch id := s.who(req); {
	case req.Peer.Door == msg.DoorControl:
		return "uid " + strconv.Itoa(int(req.Peer.UID))
	case id == nil:
		return access.Anyone
	default:
		return id.Name
	}
}

// mayDrive reports whether who asks is one of those who may write to x.
func (s *Server) mayDrive(req *msg.Request, x *outputEntry) bool {
	id := s.who(req)
	return id == nil || len(x.Who) == 0 || slices.Contains(x.Who, id.Name)
}

// order is one write to an output.
type order struct {
	api.Written
	by, door, from string
	begun          time.Time
	deadline       time.Time
	entry          *outputEntry
	wait           uint32 // seconds after which a refused one may be tried again
	undeclared     bool   // no Output declares it: entry is nil
}

// drive is a write to an output: what is not as it was declared is refused; the rest
// goes to the node, and is read back.
func (s *Server) drive(req *msg.Request, t node.Member, x *outputEntry, reply func(msg.Response)) {
	now := time.Now()
	o := &order{
		Written: api.Written{Place: x.Place, Resource: x.Resource, Value: string(req.Payload[:min(len(req.Payload), maxOutputValue)]), At: now.UTC()},
		by:      s.writer(req), door: req.Peer.Door.String(), from: req.Peer.Addr.String(), begun: now, entry: x,
	}
	if req.Peer.Door == msg.DoorControl {
		o.from = ""
	}
	if why, code := s.checkOrder(req, o); code != 0 {
		s.outputs.refused(s, o, why, code, reply)
		return
	}
	addr := s.locate(t)
	if !addr.Addr().IsValid() {
		s.outputs.release(x)
		s.outputs.refused(s, o, "nothing was heard of the node yet: it has no address", codes.ServiceUnavailable, reply)
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
		Barred: func() bool { return s.outputs.isLocked(x) }, SendDeadline: nodeclient.SendDeadline(o.begun, o.deadline), SetSendDeadline: s.nodes.SendDeadlineOf(t, addr)}
	put.Reply = func(r msg.Response) {
		s.nodes.Written(t.Node, x.Resource, true)
		if !put.FromNode {
			s.nodes.Recall(put)
		}
		o.took(put, r)
		if o.Outcome != "" {
			s.outputs.end(s, o, r.Code, reply)
			return
		}
		get := &nodeclient.Exchange{Code: codes.GET, Options: ask, TakeBlocks: true, Deadline: time.Now().Add(readBackTime)}
		get.Reply = func(back msg.Response) {
			o.readBack(get, back)
			s.outputs.end(s, o, r.Code, reply)
		}
		s.nodes.Submit(addr, get)
	}
	s.nodes.Written(t.Node, x.Resource, false)
	s.outputs.wg.Go(func() { // the disk is slow, and a door must not wait for it
		id, err := s.outputs.audit.intent(o)
		if err != nil {
			s.outputs.release(x)
			s.log.Error("audit log not written: the output is not driven", "error", err)
			o.Outcome, o.Reason = api.OutcomeRefused, "the audit log cannot be written"
			reply(o.answer(codes.InternalServerError, s))
			return
		}
		o.ID = id
		s.nodes.Submit(addr, put)
	})
}

// checkOrder looks at a write, and takes the output for it. Where it is refused, it
// returns why, and a code.
func (s *Server) checkOrder(req *msg.Request, o *order) (why string, code codes.Code) {
	x := o.entry
	switch {
	case req.Code != codes.PUT:
		return "an output takes PUT", codes.MethodNotAllowed
	case !s.mayDrive(req, x):
		return o.by + " is not one of those who may drive this output", codes.Forbidden
	case len(req.Payload) == 0 || len(req.Payload) > maxOutputValue:
		return fmt.Sprintf("the value must have 1 to %d octets", maxOutputValue), codes.BadRequest
	}
	within, lease := writeDeadline, x.Lease
	least := s.opts.AckTimeout
	if t, ok := s.opts.Meshes.ByLabel(x.Place); ok {
		least = s.nodes.Towards(t.Table).AckTimeout
	}
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
	out := &s.outputs
	out.mu.Lock()
	defer out.mu.Unlock()
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

// took says what the node's answer to the write amounts to; Outcome stays empty where
// it is to be read back.
func (o *order) took(put *nodeclient.Exchange, r msg.Response) {
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
func (o *order) readBack(get *nodeclient.Exchange, r msg.Response) {
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

func (o *outputs) isLocked(x *outputEntry) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	return x.lock != nil
}

func (o *outputs) release(x *outputEntry) {
	o.mu.Lock()
	x.writing = false
	o.mu.Unlock()
}

// end writes down the outcome of a write, and answers.
func (o *outputs) end(s *Server, w *order, code codes.Code, reply func(msg.Response)) {
	o.wg.Go(func() {
		if err := o.audit.outcome(w); err != nil {
			s.log.Error("outcome not written to the audit log", "id", w.ID, "outcome", w.Outcome, "error", err)
		}
		done := w.Written
		o.mu.Lock()
		w.entry.writing, w.entry.last = false, &done
		o.mu.Unlock()
		s.log.Info("output written", "place", w.Place, "resource", w.Resource, "by", w.by, "outcome", w.Outcome, "id", w.ID)
		switch {
		case w.Outcome == api.OutcomeDone:
			code = codes.Changed
		case w.Outcome == api.OutcomeUnknown:
			code = codes.GatewayTimeout
		}
		reply(w.answer(code, s))
	})
}

// refused answers a write that never left.
func (o *outputs) refused(s *Server, w *order, why string, code codes.Code, reply func(msg.Response)) {
	w.Outcome, w.Reason = api.OutcomeRefused, why
	o.wg.Go(func() {
		o.audit.refusal(w)
		reply(w.answer(code, s))
	})
}

// answer is what the client gets, once for each write.
func (o *order) answer(code codes.Code, s *Server) msg.Response {
	switch o.Outcome {
	case api.OutcomeDone:
		s.counts.outputDone.Add(1)
	case api.OutcomeRefused:
		s.counts.outputRefused.Add(1)
	default:
		s.counts.outputUnknown.Add(1)
	}
	b, err := json.Marshal(o.Written)
	if err != nil {
		return s.internal(err)
	}
	r := msg.Content(msg.FormatJSON, b)
	r.Code = code
	if o.wait > 0 {
		r.Options = msg.With(r.Options, message.MaxAge, msg.EncodeUint(o.wait))
	}
	return r
}

// output takes a request that would drive an output, and reports whether it was one.
// What is hidden from the front (RFC 8613) might be one, so it does not reach a node
// that has outputs.
func (s *Server) output(req *msg.Request, t node.Member, at string, opts message.Options, reply func(msg.Response)) bool {
	label := t.Node.Label()
	if _, secret := msg.Option(opts, msg.OptOSCORE); secret && s.outputs.of(label) {
		reply(msg.Errorf(codes.Forbidden, "this node drives an output: what cannot be read here does not reach it"))
		return true
	}
	if req.Code == codes.GET || req.Code == codes.FETCH {
		return false
	}
	x := s.outputs.find(label, at)
	if x == nil {
		return false
	}
	s.drive(req, t, x, reply)
	return true
}
