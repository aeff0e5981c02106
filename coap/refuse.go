package coap

import (
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/access"
	"culvert/coap/msg"
)

// who is the identity that a request counts as; nil where nobody asks for one.
func (s *Server) who(req *msg.Request) *access.Identity {
	switch a := s.access(); {
	case a == nil || req.Peer.Door == msg.DoorControl:
		return nil // whoever may open the socket may do everything
	default:
		return a.Current(req.Peer.Proved)
	}
}

// denied reports whether who asks may not do that, and the answer which says so.
// Nodes on the mesh are known by their address alone: they may publish and register,
// and those resources see to it that it is a node who does.
func (s *Server) denied(req *msg.Request, p msg.Path) (msg.Response, bool) {
	id := s.who(req)
	away := msg.ViaProxy(req)
	if away {
		p = msg.Path{} // it says nothing of what stands here
	}
	if id == nil || publishes(req.Code, p) {
		return msg.Response{}, false
	}
	if id.May&access.Needs(req.Code, p) == 0 {
		return s.refuse(req, id, "may not do that")
	}
	if len(id.Nodes) == 0 || away {
		return msg.Response{}, false // of what is proxied, the node is looked at later
	}
	if p.Len >= 2 && (p.Part[0] == "nodes" || p.Part[0] == "outputs") {
		t, ok := s.opts.Meshes.ByLabel(p.Part[1])
		if ok && id.Reaches(t.Name, t.Node.Label()) {
			return msg.Response{}, false
		}
	}
	return s.refuse(req, id, "may not go there")
}

// deniedNode is denied for the node that a request goes on to.
func (s *Server) deniedNode(req *msg.Request, t node.Member) (msg.Response, bool) {
	id := s.who(req)
	if id == nil || id.Reaches(t.Name, t.Node.Label()) {
		return msg.Response{}, false
	}
	return s.refuse(req, id, "may not reach this node")
}

// publishes reports whether a request is a node's way to tell something of itself.
func publishes(code codes.Code, p msg.Path) bool {
	return (code == codes.POST || code == codes.PUT) && p.Len == 1 && p.Part[0] == "readings" ||
		(code == codes.POST || code == codes.DELETE) && p.Len >= 1 && (p.Part[0] == "rd" || p.Part[0] == ".well-known")
}

// refuse makes the answer to who may not: 4.01 to who has shown no identity (RFC
// 7252, section 5.9.2.2), else 4.03 (section 5.9.2.4).
func (s *Server) refuse(req *msg.Request, id *access.Identity, what string) (msg.Response, bool) {
	if more, ok := s.refusals.Allow(time.Now()); ok {
		s.log.Warn("CoAP request refused", "door", req.Peer.Door.String(), "from", req.Peer.Addr.String(),
			"identity", id.Name, "method", req.Code.String(), "path", msg.ResourcePath(req.Options, message.URIPath), "cause", what, "not_logged_before", more)
	}
	if id.Name == access.Anyone {
		return msg.Errorf(codes.Unauthorized, "who shows no identity %s; [[access]] says who may", what), true
	}
	return msg.Errorf(codes.Forbidden, "%s %s; [[access]] says who may", id.Name, what), true
}
