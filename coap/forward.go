package coap

import (
	"slices"
	"strings"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// unavailable is 5.03 with the time after which to try again.
func unavailable(seconds uint32, text string) response {
	r := diagnose(codes.ServiceUnavailable, "%s", text)
	r.options = with(r.options, message.MaxAge, uintBytes(seconds))
	return r
}

// hopName is what the front calls itself where a Hop-Limit was reached.
const hopName = "culvert"

// forward is /nodes/NODE/own/...: the request goes on to the node. req is a clone.
func (s *Server) forward(req *request, t target, reply func(response)) {
	if r, no := s.deniedNode(req, t); no {
		reply(r)
		return
	}
	opts, r, ok := forwardOptions(req.options)
	if !ok {
		reply(r)
		return
	}
	if !t.node.Admitted() {
		reply(diagnose(codes.Forbidden, "the node is a stranger: list it, or set admit = \"any\""))
		return
	}
	addr := s.locate(t.table, t.node)
	if !addr.Addr().IsValid() {
		reply(unavailable(defaultMaxAge, "nothing was heard of the node yet: it has no address"))
		return
	}
	if len(req.payload) > maxBody {
		reply(diagnose(codes.RequestEntityTooLarge, "at most %d octets", maxBody))
		return
	}
	if s.output(req, t, resourcePath(opts, message.URIPath), opts, reply) {
		return
	}
	if !req.direct {
		req.label = t.node.Label()
	}
	back := func(r response) { reply(s.moved(r, req.label)) }
	plain := without(opts, message.ETag) // the cache has ETags of its own
	if cacheable(req.code, plain, entryKey(req.code, plain, req.payload)) {
		s.cache.read(req, t, addr, plain, back)
		return
	}
	path := resourcePath(opts, message.URIPath)
	x := &exchange{
		code: req.code, options: opts, body: req.payload, deadline: time.Now().Add(s.towards(t.table).NodeTimeout),
	}
	_, secret := option(opts, optOSCORE)
	reads := req.code == codes.GET || req.code == codes.FETCH
	x.ask = !secret && reads
	x.reply = func(r response) {
		// Also where it is not known what became of it.
		if !reads && (r.code>>5 == 2 || !x.heard) {
			s.cache.written(t.node, path, true)
			if at := resourcePath(r.options, message.LocationPath); at != "" {
				s.cache.written(t.node, at, true)
			}
		}
		back(hopped(r))
	}
	send := func() {
		if !reads {
			s.cache.written(t.node, path, false)
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
func forwardOptions(in message.Options) (message.Options, response, bool) {
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
		case optHopLimit:
			// RFC 8768, section 3.
			v := uintValue(o.Value)
			if len(o.Value) != 1 || v == 0 {
				return nil, diagnose(codes.BadRequest, "Hop-Limit must be from 1 to 255"), false
			}
			if v == 1 {
				return nil, diagnose(codeHopLimitReached, hopName), false
			}
			o.Value = uintBytes(v - 1)
		}
		out = append(out, o)
	}
	return out, response{}, true
}

// hopped is a node's answer without what concerns the hop to the node alone.
func hopped(r response) response {
	r.options = without(r.options, message.Block1, message.Block2, message.Size2, message.Observe)
	if r.code == codeHopLimitReached && len(r.payload) <= maxBody-len(hopName)-1 {
		// RFC 8768, section 4: each hop says who it is, the nearest first.
		r.payload = append([]byte(hopName+" "), r.payload...)
	}
	return r
}

// moved makes a node's answer one of the front's: Location and links are below
// /nodes/NODE/own (RFC 7252, section 5.7.3). With the empty label it stays as it is.
func (s *Server) moved(r response, label string) response {
	if label == "" {
		return r
	}
	if at := slices.IndexFunc(r.options, func(o message.Option) bool {
		return o.ID == message.LocationPath || o.ID == message.LocationQuery
	}); at >= 0 {
		prefix := message.Options{}
		for _, part := range []string{"nodes", label, "own"} {
			prefix = append(prefix, message.Option{ID: message.LocationPath, Value: []byte(part)})
		}
		r.options = slices.Insert(slices.Clone(r.options), at, prefix...)
	}
	if r.code == codes.Content && uintOption(r.options, message.ContentFormat) == formatLink {
		r.payload = relink(r.payload, label, func(uri string) (string, bool) { return s.pathOn(label, uri) })
	}
	return r
}

// pathOn returns path and query of a URI of the node with this label, at one of its
// addresses.
func (s *Server) pathOn(label, raw string) (string, bool) {
	u, err := parseURI(raw)
	if err != nil || u.port != portCoAP {
		return "", false
	}
	if t, ok := s.host(u.host); !ok || t.node.Label() != label {
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
