package coap

import (
	"net/netip"
	"slices"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/msg"
	"culvert/coap/observe"
)

// serve answers a request. It calls reply once, now or later, from any goroutine.
func (s *Server) serve(req *msg.Request, reply func(msg.Response)) {
	if req.Peer.Door == msg.DoorControl {
		takeConfirmation(req)
	}
	p := req.Path
	own := p.Own() || msg.ViaProxy(req)
	if id, ok := msg.CheckOptions(req.Options, own); !ok {
		reply(s.count(req, msg.Errorf(codes.BadOption, "option %d", id)))
		return
	}
	if req.Code < codes.GET || req.Code > codes.IPATCH {
		reply(s.count(req, msg.Errorf(codes.MethodNotAllowed, "method %d.%02d", req.Code>>5, req.Code&31)))
		return
	}
	t, known := s.named(p)
	if r, no := s.denied(req, p, t, known); no {
		reply(s.count(req, r))
		return
	}
	if msg.ViaProxy(req) {
		q, to, r, ok := s.proxied(req)
		if ok {
			var no bool
			r, no = s.deniedNode(req, to)
			ok = !no
		}
		if !ok {
			reply(s.count(req, r))
			return
		}
		req, p, t, known = q, q.Path, to, true
	}
	if err := msg.CheckPath(req.Options); err != nil {
		reply(s.count(req, msg.Errorf(codes.BadRequest, "%v", err)))
		return
	}
	b1, up, ok1 := msg.BlockOption(req.Options, message.Block1, req.BERT)
	b2, asked, ok2 := msg.BlockOption(req.Options, message.Block2, req.BERT)
	if !ok1 || !ok2 {
		reply(s.count(req, msg.Errorf(codes.BadRequest, "block size exponent 7")))
		return
	}
	if asked && b2.Num > 0 && !up {
		k := req.CacheKey()
		if r, ok := s.transfers.Lookup(k, s.now()); ok {
			out, _ := msg.Cut(req.Room, r, b2, true)
			reply(s.count(req, out))
			return
		}
	}
	if up {
		if r, no := s.deniedBody(req, t, known); no {
			reply(s.count(req, r))
			return
		}
		if r := s.uploads.Add(req, b1, s.now()); r != nil {
			if b1.More && r.Code == codes.Continue || r.Code == codes.RequestEntityTooLarge {
				r.Options = msg.With(r.Options, message.Block1, b1.Encode())
			}
			reply(s.count(req, *r))
			return
		}
	}
	if msg.Uint(req.Options, message.Observe) == 1 {
		s.deregister(req)
	}
	if own {
		req = req.Clone() // it is kept until its node answers
	}
	s.route(req, p, t, known, func(r msg.Response) {
		reply(s.count(req, s.finish(req, r, b1, up, b2, asked)))
	})
}

// finish cuts a response into blocks if need be, and keeps it for the later ones.
func (s *Server) finish(req *msg.Request, r msg.Response, b1 msg.Block, up bool, b2 msg.Block, asked bool) msg.Response {
	if r.Code == codes.Content && msg.MatchesETag(req.Options, r.Options) {
		// RFC 7252, section 5.10.6.2. Max-Age and ETag stay.
		r = msg.Response{Code: codes.Valid, Options: msg.Without(r.Options, message.ContentFormat)}
	}
	if r.Code>>5 != 2 {
		r.Payload = r.Payload[:min(len(r.Payload), req.Room)]
	}
	big := asked && (b2.Num > 0 || len(r.Payload) > b2.Size()) || len(r.Payload) > req.Room
	if big {
		r = msg.WithETag(r)
	}
	out, more := msg.Cut(req.Room, r, b2, asked)
	if more {
		s.transfers.Keep(req.CacheKey(), r, s.now())
	}
	if up {
		b1.More = false
		out.Options = msg.With(slices.Clone(out.Options), message.Block1, b1.Encode())
	}
	return out
}

// named returns the node that a path names, if there is one.
func (s *Server) named(p msg.Path) (t node.Member, known bool) {
	if p.Len >= 2 && (p.Part[0] == "nodes" || p.Part[0] == "outputs") {
		return s.opts.Meshes.ByLabel(p.Part[1])
	}
	return node.Member{}, false
}

// route finds the resource. t is the node that the path names, if known is set.
func (s *Server) route(req *msg.Request, p msg.Path, t node.Member, known bool, reply func(msg.Response)) {
	switch {
	case p.Len == 2 && p.Part[0] == ".well-known" && p.Part[1] == "core":
		reply(msg.GetOnly(s.wellKnown)(req))
	case p.Len >= 1 && p.Part[0] == "rd", p.Len == 2 && p.Part[0] == ".well-known" && p.Part[1] == "rd":
		s.register(req, reply)
	case p.Len == 2 && p.Part[0] == "rd-lookup" && (p.Part[1] == "res" || p.Part[1] == "ep"):
		reply(msg.GetOnly(func(r *msg.Request) msg.Response { return s.directory.Lookup(r, p.Part[1]) })(req))
	case p.Len == 1 && p.Part[0] == "nodes":
		reply(s.observers.Local(req, listRefresh, msg.GetOnly(s.listNodes)))
	case p.Len >= 2 && p.Part[0] == "nodes":
		if !known {
			reply(msg.Errorf(codes.NotFound, "no node %q; /nodes lists them", p.Part[1]))
			return
		}
		s.routeNode(req, p, t, reply)
	case p.Len >= 1 && p.Part[0] == "outputs":
		s.outputs.Serve(req, msg.ResourcePath(req.Options, message.URIPath), reply)
	case p.Len == 1 && p.Part[0] == "readings":
		reply(s.publish(req))
	case p.Len >= 1 && p.Part[0] == "control" && req.Peer.Door == msg.DoorControl:
		reply(s.controlResource(req, p))
	default:
		reply(msg.Errorf(codes.NotFound, "see /.well-known/core"))
	}
}

// present is f for as long as the node is in its table.
func present(t node.Member, f func(*msg.Request) msg.Response) func(*msg.Request) msg.Response {
	return func(r *msg.Request) msg.Response {
		if t.Node.Removed() {
			return msg.Errorf(codes.NotFound, "the node was removed")
		}
		return f(r)
	}
}

func (s *Server) routeNode(req *msg.Request, p msg.Path, t node.Member, reply func(msg.Response)) {
	switch {
	case p.Len == 2:
		reply(s.observers.Local(req, listRefresh, msg.GetOnly(present(t, func(r *msg.Request) msg.Response { return s.showNode(r, t) }))))
	case p.Part[2] == "own":
		s.forward(req, t, reply)
	case p.Part[2] == "readings":
		reply(s.observers.Local(req, readingsRefresh, msg.GetOnly(present(t, func(r *msg.Request) msg.Response { return s.showReadings(r, t) }))))
	default:
		reply(msg.Errorf(codes.NotFound, "a node has own and readings"))
	}
}

// How often the observed resources of the front are compared with what their observers
// have.
var (
	readingsRefresh = observe.Refresh{Every: time.Second, OnChanged: true}
	listRefresh     = observe.Refresh{Every: 5 * time.Second} // lists and states of nodes change all the time
)

// register is what the resource directory takes. Nodes may register themselves; others
// need the right to write.
func (s *Server) register(req *msg.Request, reply func(msg.Response)) {
	t, isNode := s.sender(req)
	if id := s.who(req); !isNode && !mayRegister(id) {
		r, _ := s.refuse(req, id, "may not register")
		reply(r)
		return
	}
	s.directory.Serve(req, t, isNode, reply)
}

// takeConfirmation takes the mark of a confirmed write off a request of the control
// socket.
func takeConfirmation(r *msg.Request) {
	if _, r.Confirmed = msg.Option(r.Options, msg.OptConfirmed); r.Confirmed {
		r.Options = msg.Without(r.Options, msg.OptConfirmed)
	}
}

// trusted reports whether an address cannot be forged, or is a node's, which the
// mesh has checked.
func (s *Server) trusted(a netip.Addr) bool {
	if a.Unmap().IsLoopback() {
		return true
	}
	for _, m := range s.opts.Meshes { // also link-local ones
		if m.Table.ByAddress(a.WithZone("")) != nil {
			return true
		}
	}
	return false
}
