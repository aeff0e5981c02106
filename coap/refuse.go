package coap

import (
	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/access"
	"culvert/coap/msg"
)

// who returns the identity as which a client is treated; nil where access is not
// configured, and on the control socket: whoever may open it may do everything.
func (s *Server) who(req *msg.Request) *access.Identity {
	a := s.access()
	if a == nil || req.Peer.Door == msg.DoorControl {
		return nil
	}
	return a.Current(req.Peer.Proved)
}

// denied returns a refusal if the client may not make this request. t is the node that the
// path names, if known is set. Nodes of the mesh are identified by their address alone:
// they may publish and register, and those resources check that a node does so.
func (s *Server) denied(req *msg.Request, p msg.Path, t node.Member, known bool) (refusal msg.Response, denied bool) {
	id := s.who(req)
	proxied := msg.ViaProxy(req)
	if proxied {
		p = msg.Path{} // it is a path of another server
	}
	switch {
	case id == nil || publishes(req.Code, p):
		return msg.Response{}, false
	case id.May&access.Needs(req.Code, p) == 0:
		return s.refuse(req, id, "may not do this")
	case len(id.Nodes) == 0 || proxied: // the node of a proxied request is checked later
		return msg.Response{}, false
	case known && id.Reaches(t.Name, t.Node.Label()):
		return msg.Response{}, false
	}
	return s.refuse(req, id, "may not use this resource")
}

// deniedNode returns a refusal if the client may not reach the node of a proxied request.
func (s *Server) deniedNode(req *msg.Request, t node.Member) (refusal msg.Response, denied bool) {
	id := s.who(req)
	if id == nil || id.Reaches(t.Name, t.Node.Label()) {
		return msg.Response{}, false
	}
	return s.refuse(req, id, "may not reach this node")
}

// deniedBody returns a refusal if the client may not send a body to this resource. It is
// judged for every block: nothing is kept of what will be refused.
func (s *Server) deniedBody(req *msg.Request, t node.Member, known bool) (refusal msg.Response, denied bool) {
	p := req.Path
	_, isNode := s.sender(req)
	id := s.who(req)
	switch {
	case p.Len == 1 && p.Part[0] == "readings" && !isNode:
		return notANode(), true
	case p.Len >= 1 && p.Part[0] == "rd" && !isNode && !mayRegister(id):
		return s.refuse(req, id, "may not register")
	case known && p.Own() && !s.outputs.MayWrite(req, t.Node.Label(), msg.ResourcePath(req.Options, message.URIPath)):
		return msg.Errorf(codes.Forbidden, "this client is not one of those who may drive this output"), true
	}
	return msg.Response{}, false
}

// mayRegister reports whether a client that is no node may change the resource directory. An
// identity that is limited to nodes reaches no list of all.
func mayRegister(id *access.Identity) bool {
	return id == nil || id.May&access.MayWrite != 0 && len(id.Nodes) == 0
}

// notANode refuses what only nodes may do.
func notANode() msg.Response {
	return msg.Errorf(codes.Forbidden, "the sender is no node of a mesh here")
}

// refusesObservation judges a registration by the rights that are in force now; a reload may
// have changed them while the request waited for its node.
func (s *Server) refusesObservation(req *msg.Request) (refusal msg.Response, refused bool) {
	t, known := s.named(req.Path)
	return s.denied(req, req.Path, t, known)
}

// publishes reports whether a request is one by which a node publishes readings or
// registers its resources.
func publishes(code codes.Code, p msg.Path) bool {
	return (code == codes.POST || code == codes.PUT) && p.Len == 1 && p.Part[0] == "readings" ||
		(code == codes.POST || code == codes.DELETE) && p.Len >= 1 && (p.Part[0] == "rd" || p.Part[0] == ".well-known")
}

// refuse logs and makes a refusal: 4.01 for an unauthenticated client (RFC 7252, section
// 5.9.2.2), else 4.03 (section 5.9.2.4).
func (s *Server) refuse(req *msg.Request, id *access.Identity, cause string) (msg.Response, bool) {
	if suppressed, ok := s.refusals.Allow(s.now()); ok {
		s.log.Warn("CoAP request refused", "door", req.Peer.Door.String(), "from", req.Peer.Addr.String(),
			"identity", id.Name, "method", req.Code.String(), "path", msg.ResourcePath(req.Options, message.URIPath), "cause", cause, "not_logged_before", suppressed)
	}
	if id.Name == access.Anyone {
		return msg.Errorf(codes.Unauthorized, "unauthenticated clients %s; [[access]] grants rights", cause), true
	}
	return msg.Errorf(codes.Forbidden, "%s %s; [[access]] grants rights", id.Name, cause), true
}
