package coap

import (
	"errors"
	"fmt"
	glob "path"
	"sync"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// Right is a set of what an identity may do.
type Right uint8

// The rights.
const (
	MayRead  Right = 1 << iota // GET and FETCH
	MayWrite                   // every other method
	MayTrial                   // start a measurement, which costs a mesh its air
)

// Anyone is the identity of who has shown none. It can be let read, and no more.
const Anyone = "anyone"

// Bounds of what proves an identity.
const (
	MinPSK        = 16 // octets of a key; RFC 4279 leaves the least to the site
	MaxPSK        = 64 // octets that RFC 4279, section 5.3, wants supported
	maxIdentities = 1024
)

// Identity is one who may do something at doors that are open to a network.
type Identity struct {
	// Name is the PSK identity (RFC 4279, section 5.1), and what logs call it.
	Name string
	// PSK is the key that proves it on a DTLS door; nil for none.
	PSK []byte
	// Subject is the common name of the certificate that proves it on a DTLS or TLS
	// door; empty for none.
	Subject string
	May     Right
	// Nodes are patterns MESH/NODE as of path.Match. An identity with patterns reaches
	// these nodes and no list of all. Without patterns it reaches everything.
	Nodes []string
}

// Access says who may do what. It does not change.
type Access struct {
	byName, bySubject map[string]*Identity
	none              *Identity // who has shown no identity
}

// NewAccess checks the identities, and returns what they amount to. Without an
// identity Anyone, who shows none may do nothing.
func NewAccess(ids []Identity) (*Access, error) {
	a := &Access{byName: map[string]*Identity{}, bySubject: map[string]*Identity{}, none: &Identity{Name: Anyone}}
	if len(ids) > maxIdentities {
		return nil, fmt.Errorf("coap: %d identities, at most %d", len(ids), maxIdentities)
	}
	for i := range ids {
		id := ids[i]
		for _, p := range id.Nodes {
			if _, err := glob.Match(p, ""); err != nil {
				return nil, fmt.Errorf("coap: identity %q: nodes %q: %w", id.Name, p, err)
			}
		}
		switch {
		case id.Name == Anyone && (id.PSK != nil || id.Subject != ""):
			return nil, fmt.Errorf("coap: identity %q shows no key and no certificate", id.Name)
		case id.Name == Anyone && id.May&^MayRead != 0:
			return nil, fmt.Errorf("coap: identity %q can be let read, and no more", id.Name)
		case a.byName[id.Name] != nil || id.Name == Anyone && a.none.May != 0:
			return nil, fmt.Errorf("coap: identity %q stands there twice", id.Name)
		case id.Name == "":
			return nil, errors.New("coap: an identity without a name")
		case id.Subject != "" && a.bySubject[id.Subject] != nil:
			return nil, fmt.Errorf("coap: identity %q: subject %q is that of %q already", id.Name, id.Subject, a.bySubject[id.Subject].Name)
		case id.Name == Anyone:
			a.none = &id
			continue
		}
		a.byName[id.Name] = &id
		if id.Subject != "" {
			a.bySubject[id.Subject] = &id
		}
	}
	return a, nil
}

// psk returns the key of an identity, nil if there is none.
func (a *Access) psk(name []byte) []byte {
	if a == nil {
		return nil
	}
	if id := a.byName[string(name)]; id != nil {
		return id.PSK
	}
	return nil
}

// reaches reports whether id may do anything with a node.
func (id *Identity) reaches(mesh, label string) bool {
	if len(id.Nodes) == 0 {
		return true
	}
	for _, p := range id.Nodes {
		if ok, _ := glob.Match(p, mesh+"/"+label); ok {
			return true
		}
	}
	return false
}

// needs is the right that a request takes.
func needs(code codes.Code, p path) Right {
	switch {
	case code == codes.GET || code == codes.FETCH:
		return MayRead
	case p.n >= 1 && p.part[0] == "trials":
		return MayTrial
	}
	return MayWrite
}

// who is the identity that a request counts as; nil where nobody asks for one.
func (s *Server) who(req *request) *Identity {
	switch a := s.access(); {
	case a == nil || req.peer.door == DoorControl:
		return nil // whoever may open the socket may do everything
	case req.peer.who != nil:
		return a.now(req.peer.who)
	default:
		return a.none
	}
}

// denied reports whether who asks may not do that, and the answer which says so.
// Nodes on the mesh are known by their address alone: they may publish and register,
// and those resources see to it that it is a node who does.
func (s *Server) denied(req *request, p path) (response, bool) {
	id := s.who(req)
	away := viaProxy(req)
	if away {
		p = path{} // it says nothing of what stands here
	}
	if id == nil || publishes(req.code, p) {
		return response{}, false
	}
	if id.May&needs(req.code, p) == 0 {
		return s.refuse(req, id, "may not do that")
	}
	if len(id.Nodes) == 0 || away {
		return response{}, false // of what is proxied, the node is looked at later
	}
	if p.n >= 2 && (p.part[0] == "nodes" || p.part[0] == "outputs") {
		_, n, mesh := s.find(p.part[1])
		if n != nil && id.reaches(mesh, n.Label()) {
			return response{}, false
		}
	}
	return s.refuse(req, id, "may not go there")
}

// deniedNode is denied for the node that a request goes on to.
func (s *Server) deniedNode(req *request, t target) (response, bool) {
	id := s.who(req)
	if id == nil || id.reaches(t.mesh, t.node.Label()) {
		return response{}, false
	}
	return s.refuse(req, id, "may not reach this node")
}

// publishes reports whether a request is a node's way to tell something of itself.
func publishes(code codes.Code, p path) bool {
	return (code == codes.POST || code == codes.PUT) && p.n == 1 && p.part[0] == "readings" ||
		(code == codes.POST || code == codes.DELETE) && p.n >= 1 && (p.part[0] == "rd" || p.part[0] == ".well-known")
}

// refuse makes the answer to who may not: 4.01 to who has shown no identity (RFC
// 7252, section 5.9.2.2), else 4.03 (section 5.9.2.4).
func (s *Server) refuse(req *request, id *Identity, what string) (response, bool) {
	if more, ok := s.refusals.pass(time.Now()); ok {
		s.log.Warn("CoAP request refused", "door", req.peer.door.String(), "from", req.peer.addr.String(),
			"identity", id.Name, "method", req.code.String(), "path", resourcePath(req.options, message.URIPath), "cause", what, "not_logged_before", more)
	}
	if id.Name == Anyone {
		return diagnose(codes.Unauthorized, "who shows no identity %s; [[access]] says who may", what), true
	}
	return diagnose(codes.Forbidden, "%s %s; [[access]] says who may", id.Name, what), true
}

// occasionally bounds how often something is logged.
type occasionally struct {
	mu   sync.Mutex
	last time.Time
	held int
}

// logEvery is the least time between two lines about the same kind of refusal.
const logEvery = 5 * time.Second

// pass reports whether to log now, and how much was not logged since the last time.
func (o *occasionally) pass(now time.Time) (held int, ok bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if now.Sub(o.last) < logEvery {
		o.held++
		return 0, false
	}
	held, o.held, o.last = o.held, 0, now
	return held, true
}

// viaProxy reports whether a request names its target as a forward proxy's does.
func viaProxy(req *request) bool {
	_, uri := option(req.options, message.ProxyURI)
	_, scheme := option(req.options, message.ProxyScheme)
	return uri || scheme
}

// HasKeys reports whether any identity proves itself with a key.
func (a *Access) HasKeys() bool {
	for _, id := range a.byName {
		if id.PSK != nil {
			return true
		}
	}
	return false
}

// Rights returns what an identity may, and whether there is one of that name.
func (a *Access) Rights(name string) (may Right, known bool) {
	if id := a.byName[name]; id != nil {
		return id.May, true
	}
	return 0, false
}

// Len is the number of identities, Anyone included if it may do something.
func (a *Access) Len() int {
	n := len(a.byName)
	if a.none.May != 0 {
		n++
	}
	return n
}
