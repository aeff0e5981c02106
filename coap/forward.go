package coap

import (
	"slices"
	"strings"
	"time"

	"culvert/bridge/node"
	"culvert/coap/msg"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// hopName is what the front calls itself where a Hop-Limit was reached.
const hopName = "culvert"

// forward is /nodes/NODE/own/...: the request goes on to the node. req is a clone.
func (s *Server) forward(req *msg.Request, t node.Member, reply func(msg.Response)) {
	if r, no := s.deniedNode(req, t); no {
		reply(r)
		return
	}
	opts, r, ok := forwardOptions(req.Options)
	if !ok {
		reply(r)
		return
	}
	if !t.Node.Admitted() {
		reply(msg.Errorf(codes.Forbidden, "the node is a stranger: list it, or set admit = \"any\""))
		return
	}
	addr := s.locate(t)
	if !addr.Addr().IsValid() {
		reply(msg.Unavailable(msg.DefaultMaxAge, "nothing was heard of the node yet: it has no address"))
		return
	}
	if len(req.Payload) > msg.MaxBody {
		reply(msg.Errorf(codes.RequestEntityTooLarge, "at most %d octets", msg.MaxBody))
		return
	}
	if s.output(req, t, msg.ResourcePath(opts, message.URIPath), opts, reply) {
		return
	}
	if !req.Direct {
		req.Label = t.Node.Label()
	}
	back := func(r msg.Response) { reply(s.moved(r, req.Label)) }
	plain := msg.Without(opts, message.ETag) // the cache has ETags of its own
	if cacheable(req.Code, plain, entryKey(req.Code, plain, req.Payload)) {
		s.cache.read(req, t, addr, plain, back)
		return
	}
	path := msg.ResourcePath(opts, message.URIPath)
	x := &exchange{
		code: req.Code, options: opts, body: req.Payload, deadline: time.Now().Add(s.towards(t.Table).NodeTimeout),
	}
	_, secret := msg.Option(opts, msg.OptOSCORE)
	reads := req.Code == codes.GET || req.Code == codes.FETCH
	x.ask = !secret && reads
	x.reply = func(r msg.Response) {
		// Also where it is not known what became of it.
		if !reads && (r.Code>>5 == 2 || !x.heard) {
			s.cache.written(t.Node, path, true)
			if at := msg.ResourcePath(r.Options, message.LocationPath); at != "" {
				s.cache.written(t.Node, at, true)
			}
		}
		back(hopped(r))
	}
	send := func() {
		if !reads {
			s.cache.written(t.Node, path, false)
		}
		s.upstream.submit(addr, x)
	}
	if reads && !secret {
		send()
		return
	}
	s.guardWrite(req, t, path, x, send, reply)
}

// forwardOptions returns the options for the node: the path below own, and without
// what concerns this hop alone (RFC 7252, section 5.7.3).
func forwardOptions(in message.Options) (message.Options, msg.Response, bool) {
	var out message.Options
	skip := 3 // nodes, NODE, own
	for _, o := range in {
		switch o.ID {
		case message.URIPath:
			if skip > 0 {
				skip--
				continue
			}
		case message.URIHost, message.URIPort, message.Block1, message.Block2, message.Size1, message.Size2,
			message.Observe, message.MaxAge, message.NoResponse:
			continue
		case msg.OptHopLimit:
			// RFC 8768, section 3.
			v := msg.DecodeUint(o.Value)
			if len(o.Value) != 1 || v == 0 {
				return nil, msg.Errorf(codes.BadRequest, "Hop-Limit must be from 1 to 255"), false
			}
			if v == 1 {
				return nil, msg.Errorf(msg.CodeHopLimitReached, hopName), false
			}
			o.Value = msg.EncodeUint(v - 1)
		}
		out = append(out, o)
	}
	return out, msg.Response{}, true
}

// hopped is a node's answer without what concerns the hop to the node alone.
func hopped(r msg.Response) msg.Response {
	r.Options = msg.Without(r.Options, message.Block1, message.Block2, message.Size2, message.Observe)
	if r.Code == msg.CodeHopLimitReached && len(r.Payload) <= msg.MaxBody-len(hopName)-1 {
		// RFC 8768, section 4: each hop says who it is, the nearest first.
		r.Payload = append([]byte(hopName+" "), r.Payload...)
	}
	return r
}

// moved makes a node's answer one of the front's: Location and links are below
// /nodes/NODE/own (RFC 7252, section 5.7.3). With the empty label it stays as it is.
func (s *Server) moved(r msg.Response, label string) msg.Response {
	if label == "" {
		return r
	}
	if at := slices.IndexFunc(r.Options, func(o message.Option) bool {
		return o.ID == message.LocationPath || o.ID == message.LocationQuery
	}); at >= 0 {
		prefix := message.Options{}
		for _, part := range []string{"nodes", label, "own"} {
			prefix = append(prefix, message.Option{ID: message.LocationPath, Value: []byte(part)})
		}
		r.Options = slices.Insert(slices.Clone(r.Options), at, prefix...)
	}
	if r.Code == codes.Content && msg.Uint(r.Options, message.ContentFormat) == msg.FormatLink {
		r.Payload = msg.MoveLinks(r.Payload, label, func(uri string) (string, bool) { return s.pathOn(label, uri) })
	}
	return r
}

// pathOn returns path and query of a URI of the node with this label, at one of its
// addresses.
func (s *Server) pathOn(label, raw string) (string, bool) {
	u, err := msg.ParseURI(raw)
	if err != nil || u.Port != msg.PortCoAP {
		return "", false
	}
	if t, ok := s.host(u.Host); !ok || t.Node.Label() != label {
		return "", false
	}
	_, rest, _ := strings.Cut(raw, "://")
	switch at := strings.IndexAny(rest, "/?"); {
	case at < 0:
		return "/", true
	case rest[at] == '?':
		return "/" + rest[at:], true
	default:
		return rest[at:], true
	}
}
