package coap

import (
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
)

// UndeclaredPolicy says what becomes of a write to a resource that may move something,
// by what its node says of it in /.well-known/core, and that no Output declares.
type UndeclaredPolicy string

// The policies. With the empty one nobody looks.
const (
	UndeclaredAsk    UndeclaredPolicy = "ask"    // takes Ask.Confirmed on the control socket; refused at every other door
	UndeclaredRefuse UndeclaredPolicy = "refuse" // refused at every door
	UndeclaredAllow  UndeclaredPolicy = "allow"  // written, and in the audit log
)

// optConfirmed, on the control socket alone, says that a person has confirmed the write.
// The number is one for experiments (RFC 7252, section 12.2); it is critical and unsafe
// to forward, so that every other door answers 4.02.
const optConfirmed message.OptionID = 65003

// listingLife is for how long a node's listing is believed: a node whose firmware was
// replaced has other resources.
const listingLife = time.Hour

// undeclared knows which resources of nodes may move something.
type undeclared struct {
	policy atomic.Pointer[UndeclaredPolicy] // by SetUndeclared; nil: that of the options

	mu    sync.Mutex
	nodes map[*node.Node]*listing
}

// listing is what matters of a node's /.well-known/core.
type listing struct {
	at        time.Time
	unread    bool // the node answered, but with no listing that can be read
	actuators []actuator
}

// actuator is a resource that moves something.
type actuator struct {
	path    []string
	because string // its attribute, quoted
}

func (u *undeclared) init() { u.nodes = map[*node.Node]*listing{} }

// SetUndeclared puts another policy in force.
func (s *Server) SetUndeclared(p UndeclaredPolicy) { s.undeclared.policy.Store(&p) }

func (s *Server) undeclaredPolicy() UndeclaredPolicy {
	if p := s.undeclared.policy.Load(); p != nil {
		return *p
	}
	return s.opts.Undeclared
}

// takeConfirmation takes the mark of a confirmed write off a request of the control
// socket.
func (r *request) takeConfirmation() {
	if _, r.confirmed = option(r.options, optConfirmed); r.confirmed {
		r.options = without(r.options, optConfirmed)
	}
}

// guardWrite lets x, a write to a resource that no Output declares, go on by send, or
// refuses it. What is hidden from the front (RFC 8613) counts as a write to every
// resource of the node.
//
// A node that does not say what its resources are may have an actuator at any path, so
// that such a write is treated as one to an actuator. A node that lists its resources is
// believed: what it does not list as an actuator, nor anything above or below it in the
// path, is none.
func (s *Server) guardWrite(req *request, t target, path string, x *exchange, send func(), reply func(response)) {
	policy := s.undeclaredPolicy()
	if policy == "" {
		send()
		return
	}
	_, secret := option(x.options, optOSCORE)
	goesOn := policy == UndeclaredAllow || policy == UndeclaredAsk && req.confirmed && req.peer.door == DoorControl
	judge := func(why string) {
		switch {
		case why == "":
			send()
		case goesOn:
			s.writeUndeclared(s.undeclaredOrder(req, t, path, why, x.deadline), x, send, reply)
		default:
			s.refuseUndeclared(req, s.undeclaredOrder(req, t, path, why, x.deadline), policy, reply)
		}
	}
	switch why, known := s.mayMove(t.node, path, secret, time.Now()); {
	case known:
		judge(why)
	case goesOn: // sent whatever the node says of it
		judge(fmt.Sprintf("what %s lists has not been read yet", t.node.Label()))
	default:
		s.readListing(t, func(r response) {
			why, known := s.mayMove(t.node, path, secret, time.Now())
			if !known {
				reply(diagnose(r.code, "nothing was written: the node was asked first whether %s moves something: %s", path, r.payload))
				return
			}
			judge(why)
		})
	}
}

// mayMove says why a write to a path of a node may move something; empty if it does not.
// known is false while that is not known.
func (s *Server) mayMove(n *node.Node, path string, secret bool, now time.Time) (why string, known bool) {
	links, registered := s.directory.linksOf(n)
	s.undeclared.mu.Lock()
	l := s.undeclared.nodes[n]
	s.undeclared.mu.Unlock()
	if l == nil || now.Sub(l.at) > listingLife {
		return "", false
	}
	if l.unread && !registered {
		return fmt.Sprintf("%s does not list its resources, so that %s may move something", n.Label(), path), true
	}
	parts := pathParts(path)
	for _, a := range append(s.actuatorsIn(n.Label(), links), l.actuators...) {
		if secret || related(a.path, parts) {
			return fmt.Sprintf("%s lists /%s as an actuator (%s)", n.Label(), strings.Join(a.path, "/"), a.because), true
		}
	}
	return "", true
}

// readListing asks a node for its resources, and calls done with its answer when that
// was noted.
func (s *Server) readListing(t target, done func(response)) {
	opts := message.Options{
		{ID: message.URIPath, Value: []byte(".well-known")}, {ID: message.URIPath, Value: []byte("core")},
		{ID: message.Accept, Value: uintBytes(formatLink)},
	}
	req := &request{code: codes.GET, options: opts, peer: peer{door: DoorControl}, room: maxBody}
	s.cache.read(req, t, s.locate(t.table, t.node), opts, func(r response) {
		s.noteListing(t.node, r, time.Now())
		done(r)
	})
}

// noteListing keeps what a node's answer says of its actuators; that it could not be
// reached says nothing.
func (s *Server) noteListing(n *node.Node, r response, now time.Time) {
	if r.code == codes.GatewayTimeout || r.code == codes.ServiceUnavailable {
		return
	}
	l := &listing{at: now}
	links, err := parseLinks(string(r.payload))
	l.unread = r.code != codes.Content || err != nil || len(r.payload) > maxLinkText || len(links) > maxLinks
	if !l.unread {
		l.actuators = s.actuatorsIn(n.Label(), links)
	}
	u := &s.undeclared
	u.mu.Lock()
	defer u.mu.Unlock()
	for other := range u.nodes {
		if other.Removed() {
			delete(u.nodes, other)
		}
	}
	u.nodes[n] = l
}

// linksOf returns the links that a node has registered, or that were read from it.
func (d *directory) linksOf(n *node.Node) (links []link, registered bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, e := range d.byName {
		if e.owner == n {
			links, registered = append(links, e.links...), true
		}
	}
	return links, registered
}

// actuatorsIn returns the actuators among the links of a node.
func (s *Server) actuatorsIn(label string, links []link) (out []actuator) {
	for _, l := range links {
		because, is := l.moves()
		if !is {
			continue
		}
		at := l.target
		if own, ok := s.pathOn(label, at); ok {
			at = own
		} else if strings.Contains(at, "//") {
			continue // of another host
		}
		at, _, _ = strings.Cut(at, "?")
		at, _, _ = strings.Cut(at, "#")
		parts := pathParts(at)
		for i, p := range parts {
			if plain, err := unescape(p); err == nil {
				parts[i] = plain
			}
		}
		out = append(out, actuator{parts, because})
	}
	return out
}

// actuatorWords are words in an interface description or resource type that say that a
// resource moves something. They are ours: no register has them.
var actuatorWords = map[string]bool{
	"actuator": true, "actuators": true, "actuation": true, "output": true, "outputs": true, "relay": true, "switch": true,
	"valve": true, "pump": true, "motor": true,
}

// moves reports whether a node's link is that of an actuator, and the attribute that says
// so. By its interface description (RFC 6690, section 3.2) that is core.a, and what is
// core.s, a sensor, or core.rp, a read-only parameter, is none; these names are those of
// the draft "Reusable Interface Definitions for Constrained RESTful Environments"
// (draft-ietf-core-interfaces, from memory). Else a word of actuatorWords in if or rt
// decides.
func (l link) moves() (because string, is bool) {
	for _, a := range l.attributes {
		if a.name != "if" && a.name != "rt" {
			continue
		}
		for word := range strings.FieldsSeq(strings.ToLower(a.value)) {
			parts := strings.FieldsFunc(word, func(c rune) bool { return strings.ContainsRune(".:_-/", c) })
			for _, p := range parts {
				if a.name == "if" && (word == "core.s" || word == "core.rp" || p == "sensor") {
					return "", false
				}
				if a.name == "if" && word == "core.a" || actuatorWords[p] {
					because, is = fmt.Sprintf("%s=%.64q", a.name, word), true
				}
			}
		}
	}
	return because, is
}

// pathParts are the parts of a path; empty ones do not count, since a node may pass over
// them.
func pathParts(path string) []string {
	return strings.FieldsFunc(path, func(c rune) bool { return c == '/' })
}

// related reports whether one path is the other, or leads to it: a collection can set what
// is in it, and what stands below an actuator may be a way to drive it.
func related(a, b []string) bool {
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

// undeclaredOrder is a write for the audit log.
func (s *Server) undeclaredOrder(req *request, t target, path, why string, deadline time.Time) *order {
	now := time.Now()
	o := &order{
		Written: Written{Place: t.node.Label(), Resource: path, Value: string(req.payload[:min(len(req.payload), maxOutputValue)]), Reason: why, At: now.UTC()},
		by:      s.writer(req), door: req.peer.door.String(), begun: now, deadline: deadline, undeclared: true,
	}
	if req.peer.door != DoorControl {
		o.from = req.peer.addr.String()
	}
	return o
}

// writeUndeclared writes what is going to be done into the audit log, has send send it,
// and writes down its outcome. Where the disk takes no line nothing is sent.
func (s *Server) writeUndeclared(o *order, x *exchange, send func(), reply func(response)) {
	s.outputs.wg.Go(func() { // the disk is slow, and a door must not wait for it
		log, err := s.outputs.auditLog(s.opts.StateDir)
		if err == nil {
			o.ID, err = log.intent(o)
		}
		if err != nil {
			s.log.Error("audit log not written: an undeclared output is not driven", "place", o.Place, "resource", o.Resource, "error", err)
			reply(diagnose(codes.InternalServerError, "nothing was written: the audit log cannot be written"))
			return
		}
		o.Reason = ""
		answer := x.reply
		x.reply = func(r response) {
			if o.took(x, r); o.Outcome == "" {
				o.Outcome = OutcomeDone
			}
			s.outputs.wg.Go(func() {
				if err := log.outcome(o); err != nil {
					s.log.Error("outcome not written to the audit log", "id", o.ID, "outcome", o.Outcome, "error", err)
				}
				s.log.Info("undeclared output written", "place", o.Place, "resource", o.Resource, "by", o.by, "outcome", o.Outcome, "id", o.ID)
				answer(r)
			})
		}
		send()
	})
}

// refuseUndeclared answers a write that the policy keeps out.
func (s *Server) refuseUndeclared(req *request, o *order, policy UndeclaredPolicy, reply func(response)) {
	o.Outcome, o.Confirm = OutcomeRefused, policy == UndeclaredAsk && req.peer.door == DoorControl
	text := diagnose(codes.Forbidden, "%s, and no [[output]] declares it; undeclared_outputs is %q, so this door refuses the write", o.Reason, policy)
	if req.peer.door == DoorControl {
		b, err := json.Marshal(o.Written)
		if err != nil {
			reply(s.internal(err))
			return
		}
		text = content(formatJSON, b)
		text.code = codes.Forbidden
	}
	if o.Confirm { // it is asked for, and not yet refused
		reply(text)
		return
	}
	s.outputs.wg.Go(func() {
		log, err := s.outputs.auditLog(s.opts.StateDir)
		if err != nil {
			s.log.Error("refusal not written to the audit log", "place", o.Place, "resource", o.Resource, "error", err)
		} else {
			log.refusal(o)
		}
		reply(text)
	})
}
