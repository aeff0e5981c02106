package coap

import (
	"slices"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
)

// maxSegments bounds the parts of a path that the tree looks at; a node's own
// resource may have more.
const maxSegments = 8

// path is the request's Uri-Path in parts.
type path struct {
	part [maxSegments]string
	n    int // of the request, also above maxSegments
}

func (r *request) path() (p path) {
	for _, o := range r.options {
		if o.ID == message.URIPath {
			if p.n < maxSegments {
				p.part[p.n] = string(o.Value)
			}
			p.n++
		}
	}
	return p
}

// serve answers a request. It calls reply once, now or later, from any goroutine.
func (s *Server) serve(req *request, reply func(response)) {
	if req.peer.door == DoorControl {
		req.takeConfirmation()
	}
	p := req.path()
	own := p.n >= 3 && p.part[0] == "nodes" && p.part[2] == "own" || viaProxy(req)
	if id, ok := badOption(req.options, own); !ok {
		reply(s.count(req, diagnose(codes.BadOption, "option %d", id)))
		return
	}
	if req.code < codes.GET || req.code > codes.IPATCH {
		reply(s.count(req, diagnose(codes.MethodNotAllowed, "method %d.%02d", req.code>>5, req.code&31)))
		return
	}
	if r, no := s.denied(req, p); no {
		reply(s.count(req, r))
		return
	}
	if viaProxy(req) {
		q, t, r, ok := s.proxied(req)
		if ok {
			var no bool
			r, no = s.deniedNode(req, t)
			ok = !no
		}
		if !ok {
			reply(s.count(req, r))
			return
		}
		req, p = q, q.path()
	}
	b1, up, ok1 := blockOption(req.options, message.Block1, req.bert)
	b2, asked, ok2 := blockOption(req.options, message.Block2, req.bert)
	if !ok1 || !ok2 {
		reply(s.count(req, diagnose(codes.BadRequest, "block size exponent 7")))
		return
	}
	if asked && b2.num > 0 && !up {
		k := req.cacheKey()
		if r, ok := s.transfers.lookup(k, time.Now()); ok {
			out, _ := cut(req, r, b2, true)
			reply(s.count(req, out))
			return
		}
	}
	if up {
		if r := s.uploads.add(req, b1, time.Now()); r != nil {
			if b1.more && r.code == codes.Continue || r.code == codes.RequestEntityTooLarge {
				r.options = with(r.options, message.Block1, b1.bytes())
			}
			reply(s.count(req, *r))
			return
		}
	}
	if uintOption(req.options, message.Observe) == 1 {
		s.observers.leave(req)
	}
	if own {
		req = req.clone() // it is kept until its node answers
	}
	s.route(req, p, func(r response) {
		reply(s.count(req, s.finish(req, r, b1, up, b2, asked)))
	})
}

// finish cuts an answer into blocks where it must be, and keeps the rest.
func (s *Server) finish(req *request, r response, b1 block, up bool, b2 block, asked bool) response {
	if r.code == codes.Content && matches(req.options, r.options) {
		// RFC 7252, section 5.10.6.2. Max-Age and ETag stay.
		r = response{code: codes.Valid, options: without(r.options, message.ContentFormat)}
	}
	if r.code>>5 != 2 {
		r.payload = r.payload[:min(len(r.payload), req.room)]
	}
	big := asked && (b2.num > 0 || len(r.payload) > b2.size()) || len(r.payload) > req.room
	if big {
		r = tag(r)
	}
	out, more := cut(req, r, b2, asked)
	if more {
		s.transfers.keep(req.cacheKey(), r, time.Now())
	}
	if up {
		b1.more = false
		out.options = with(slices.Clone(out.options), message.Block1, b1.bytes())
	}
	return out
}

// matches reports whether the client named the ETag of the answer as one that it
// has.
func matches(asked, have message.Options) bool {
	e, ok := option(have, message.ETag)
	if !ok {
		return false
	}
	for _, o := range asked {
		if o.ID == message.ETag && string(o.Value) == string(e) {
			return true
		}
	}
	return false
}

// route finds the resource.
func (s *Server) route(req *request, p path, reply func(response)) {
	switch {
	case p.n == 2 && p.part[0] == ".well-known" && p.part[1] == "core":
		reply(s.getOnly(req, s.wellKnown))
	case p.n >= 1 && p.part[0] == "rd", p.n == 2 && p.part[0] == ".well-known" && p.part[1] == "rd":
		s.rdResource(req, p, reply)
	case p.n == 2 && p.part[0] == "rd-lookup" && (p.part[1] == "res" || p.part[1] == "ep"):
		reply(s.getOnly(req, func(r *request) response { return s.lookup(r, p.part[1]) }))
	case p.n == 1 && p.part[0] == "nodes":
		reply(s.local(req, listEvery, s.listNodes))
	case p.n >= 2 && p.part[0] == "nodes":
		t, n, mesh := s.find(p.part[1])
		if n == nil {
			reply(diagnose(codes.NotFound, "no node %q; /nodes lists them", p.part[1]))
			return
		}
		s.routeNode(req, p, target{t, n, mesh}, reply)
	case p.n >= 1 && p.part[0] == "outputs":
		if _, ok := accept(req, formatJSON); !ok {
			reply(notAcceptable(formatJSON))
			return
		}
		s.outputResource(req, resourcePath(req.options, message.URIPath), reply)
	case p.n == 1 && p.part[0] == "readings":
		reply(s.publish(req))
	case p.n >= 1 && p.part[0] == "control" && req.peer.door == DoorControl:
		reply(s.controlResource(req, p))
	default:
		reply(diagnose(codes.NotFound, "see /.well-known/core"))
	}
}

// target is the node that a path names.
type target struct {
	table *node.Table
	node  *node.Node
	mesh  string
}

// here is f for as long as the node is in its table.
func (t target) here(f func(*request) response) func(*request) response {
	return func(r *request) response {
		if t.node.Removed() {
			return diagnose(codes.NotFound, "the node was removed")
		}
		return f(r)
	}
}

func (s *Server) routeNode(req *request, p path, t target, reply func(response)) {
	switch {
	case p.n == 2:
		reply(s.local(req, listEvery, t.here(func(r *request) response { return s.showNode(r, t) })))
	case p.part[2] == "own":
		s.forward(req, t, reply)
	case p.part[2] == "readings":
		reply(s.local(req, localEvery, t.here(func(r *request) response { return s.showReadings(r, t) })))
	default:
		reply(diagnose(codes.NotFound, "a node has own and readings"))
	}
}

func (s *Server) getOnly(req *request, f func(*request) response) response {
	if req.code != codes.GET {
		return diagnose(codes.MethodNotAllowed, "GET only")
	}
	return f(req)
}

// find returns the node with a label, in whichever mesh it is.
func (s *Server) find(label string) (*node.Table, *node.Node, string) {
	for _, m := range s.opts.Meshes {
		if n := m.Table.ByLabel(label); n != nil {
			return m.Table, n, m.Name
		}
	}
	return nil, nil, ""
}

// accept picks the format of an answer: the first of those on offer if the client
// has no wish (RFC 7252, section 5.10.4).
func accept(req *request, offered ...uint32) (uint32, bool) {
	want := uintOption(req.options, message.Accept)
	if want < 0 {
		return offered[0], true
	}
	return uint32(want), slices.Contains(offered, uint32(want))
}

func notAcceptable(offered ...uint32) response {
	return diagnose(codes.NotAcceptable, "content formats here: %d", offered)
}
