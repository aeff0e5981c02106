package output

import (
	"fmt"
	"strings"
	"sync"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/api"
	"culvert/coap/msg"
	"culvert/coap/nodeclient"
)

// UndeclaredPolicy says what becomes of a write to a resource that may move something,
// by what its node says of it in /.well-known/core, and that no Output declares.
type UndeclaredPolicy string

// The policies. With the empty one writes are not checked.
const (
	UndeclaredAsk    UndeclaredPolicy = "ask"    // takes Ask.Confirmed on the control socket; refused at every other door
	UndeclaredRefuse UndeclaredPolicy = "refuse" // refused at every door
	UndeclaredAllow  UndeclaredPolicy = "allow"  // written, and in the audit log
)

// listingLife is for how long a node's listing is believed: a node whose firmware was
// replaced has other resources.
const listingLife = time.Hour

// actuators are the resources of nodes that may move something.
type actuators struct {
	mu    sync.Mutex
	nodes map[*node.Node]*actuatorListing
}

// actuatorListing is what matters of a node's /.well-known/core.
type actuatorListing struct {
	at        time.Time
	unread    bool // the node answered, but with no listing that can be read
	actuators []actuator
}

// actuator is a resource that moves something.
type actuator struct {
	path    []string
	because string // its attribute, quoted
}

// SetUndeclared puts another policy in force.
func (s *Outputs) SetUndeclared(p UndeclaredPolicy) { s.policy.Store(&p) }

func (s *Outputs) undeclaredPolicy() UndeclaredPolicy {
	if p := s.policy.Load(); p != nil {
		return *p
	}
	return ""
}

// GuardUndeclared lets x, a write to a resource that no Output declares, go on by send, or
// refuses it. What is hidden from the front (RFC 8613) counts as a write to every
// resource of the node.
//
// A node that does not say what its resources are may have an actuator at any path, so
// that such a write is treated as one to an actuator. A node that lists its resources is
// believed: what it does not list as an actuator, nor anything above or below it in the
// path, is none.
func (s *Outputs) GuardUndeclared(req *msg.Request, t node.Member, path string, x *nodeclient.Exchange, send func(), reply func(msg.Response)) {
	policy := s.undeclaredPolicy()
	if policy == "" {
		send()
		return
	}
	_, secret := msg.Option(x.Options, msg.OptOSCORE)
	goesOn := policy == UndeclaredAllow || policy == UndeclaredAsk && req.Confirmed && req.Peer.Door == msg.DoorControl
	judge := func(why string) {
		switch {
		case why == "":
			send()
		case goesOn:
			s.writeUndeclared(s.undeclaredOrder(req, t, path, why, x.Deadline), x, send, reply)
		default:
			s.refuseUndeclared(req, s.undeclaredOrder(req, t, path, why, x.Deadline), policy, reply)
		}
	}
	switch why, known := s.mayMove(t.Node, path, secret, s.Now()); {
	case known:
		judge(why)
	case goesOn: // sent whatever the node says of it
		judge(fmt.Sprintf("what %s lists has not been read yet", t.Node.Label()))
	default:
		s.ReadListing(t, func(r msg.Response) {
			why, known := s.mayMove(t.Node, path, secret, s.Now())
			if !known {
				reply(msg.Errorf(r.Code, "nothing was written: the node was asked first whether %s moves something: %s", path, r.Payload))
				return
			}
			judge(why)
		})
	}
}

// mayMove says why a write to a path of a node may move something; empty if it does not.
// known is false while that is not known.
func (s *Outputs) mayMove(n *node.Node, path string, secret bool, now time.Time) (why string, known bool) {
	links, registered := s.Registered(n)
	s.listed.mu.Lock()
	l := s.listed.nodes[n]
	s.listed.mu.Unlock()
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

// ReadListing asks a node for its resources, and calls done with its answer when that
// was noted.
func (s *Outputs) ReadListing(t node.Member, done func(msg.Response)) {
	opts := message.Options{
		{ID: message.URIPath, Value: []byte(".well-known")}, {ID: message.URIPath, Value: []byte("core")},
		{ID: message.Accept, Value: msg.EncodeUint(msg.FormatLink)},
	}
	req := &msg.Request{Code: codes.GET, Options: opts, Peer: msg.Peer{Door: msg.DoorControl}, Room: msg.MaxBody}
	o, _ := nodeclient.NewRequest(req.Code, s.Locate(t), opts, nil)
	s.Nodes.Get(req, t, o, func(r msg.Response) {
		s.noteListing(t.Node, r, s.Now())
		done(r)
	})
}

// noteListing keeps what a node's answer says of its actuators; that it could not be
// reached says nothing.
func (s *Outputs) noteListing(n *node.Node, r msg.Response, now time.Time) {
	if r.Code == codes.GatewayTimeout || r.Code == codes.ServiceUnavailable {
		return
	}
	l := &actuatorListing{at: now}
	links, err := msg.ParseLinks(string(r.Payload))
	l.unread = r.Code != codes.Content || err != nil || len(r.Payload) > msg.MaxLinkText || len(links) > msg.MaxLinks
	if !l.unread {
		l.actuators = s.actuatorsIn(n.Label(), links)
	}
	u := &s.listed
	u.mu.Lock()
	defer u.mu.Unlock()
	for other := range u.nodes {
		if other.Removed() {
			delete(u.nodes, other)
		}
	}
	if u.nodes == nil {
		u.nodes = map[*node.Node]*actuatorListing{}
	}
	u.nodes[n] = l
}

// actuatorsIn returns the actuators among the links of a node.
func (s *Outputs) actuatorsIn(label string, links []msg.Link) (out []actuator) {
	for _, l := range links {
		because, is := moves(l)
		if !is {
			continue
		}
		at := l.Target
		if own, ok := s.PathOn(label, at); ok {
			at = own
		} else if strings.Contains(at, "//") {
			continue // of another host
		}
		at, _, _ = strings.Cut(at, "?")
		at, _, _ = strings.Cut(at, "#")
		parts := pathParts(at)
		for i, p := range parts {
			if plain, err := msg.Unescape(p); err == nil {
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
func moves(l msg.Link) (because string, is bool) {
	for _, a := range l.Attributes {
		if a.Name != "if" && a.Name != "rt" {
			continue
		}
		for word := range strings.FieldsSeq(strings.ToLower(a.Value)) {
			parts := strings.FieldsFunc(word, func(c rune) bool { return strings.ContainsRune(".:_-/", c) })
			for _, p := range parts {
				if a.Name == "if" && (word == "core.s" || word == "core.rp" || p == "sensor") {
					return "", false
				}
				if a.Name == "if" && word == "core.a" || actuatorWords[p] {
					because, is = fmt.Sprintf("%s=%.64q", a.Name, word), true
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
func (s *Outputs) undeclaredOrder(req *msg.Request, t node.Member, path, why string, deadline time.Time) *write {
	now := s.Now()
	o := &write{
		Written: api.Written{Place: t.Node.Label(), Resource: path, Value: string(req.Payload[:min(len(req.Payload), MaxValue)]), Reason: why, At: now.UTC()},
		by:      s.writer(req), door: req.Peer.Door.String(), begun: now, deadline: deadline, undeclared: true,
	}
	if req.Peer.Door != msg.DoorControl {
		o.from = req.Peer.Addr.String()
	}
	return o
}

// writeUndeclared writes what is going to be done into the audit log, has send send it,
// and writes down its outcome. Where the disk takes no line nothing is sent.
func (s *Outputs) writeUndeclared(o *write, x *nodeclient.Exchange, send func(), reply func(msg.Response)) {
	s.wg.Go(func() { // the disk is slow, and a door must not wait for it
		log, err := s.auditLog(s.dir)
		if err == nil {
			var id uint64
			id, err = log.intent(o)
			o.id.Store(id)
		}
		if err != nil {
			s.Log.Error("audit log not written: an undeclared output is not driven", "place", o.Place, "resource", o.Resource, "error", err)
			reply(msg.Errorf(codes.InternalServerError, "nothing was written: the audit log cannot be written"))
			return
		}
		o.Reason = ""
		answer := x.Reply
		x.Reply = func(r msg.Response) {
			if o.setOutcome(x, r); o.Outcome == "" {
				o.Outcome = api.OutcomeDone
			}
			s.wg.Go(func() {
				if err := log.outcome(o); err != nil {
					s.Log.Error("outcome not written to the audit log", "id", o.id.Load(), "outcome", o.Outcome, "error", err)
				}
				s.Log.Info("undeclared output written", "place", o.Place, "resource", o.Resource, "by", o.by, "outcome", o.Outcome, "id", o.id.Load())
				answer(r)
			})
		}
		send()
	})
}

// refuseUndeclared answers a write that the policy keeps out.
func (s *Outputs) refuseUndeclared(req *msg.Request, o *write, policy UndeclaredPolicy, reply func(msg.Response)) {
	o.Outcome, o.Confirm = api.OutcomeRefused, policy == UndeclaredAsk && req.Peer.Door == msg.DoorControl
	text := msg.Errorf(codes.Forbidden, "%s, and no [[output]] declares it; undeclared_outputs is %q, so this door refuses the write", o.Reason, policy)
	if req.Peer.Door == msg.DoorControl {
		text = msg.JSON(o.Written)
		text.Code = codes.Forbidden
	}
	if o.Confirm { // it is asked for, and not yet refused
		reply(text)
		return
	}
	s.wg.Go(func() {
		log, err := s.auditLog(s.dir)
		if err != nil {
			s.Log.Error("refusal not written to the audit log", "place", o.Place, "resource", o.Resource, "error", err)
		} else {
			log.refusal("refused", o)
		}
		reply(text)
	})
}
