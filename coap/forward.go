package coap

import (
	"slices"
	"strings"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/msg"
	"culvert/coap/nodeclient"
)

// forward is /nodes/NODE/own/...: the request goes on to the node. req is a clone.
func (s *Server) forward(req *msg.Request, t node.Member, reply func(msg.Response)) {
	opts, r, ok := nodeclient.ForwardOptions(req.Options)
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
	if s.outputs.Intercept(req, t, msg.ResourcePath(opts, message.URIPath), opts, reply) {
		return
	}
	if !req.Direct {
		req.Label = t.Node.Label()
	}
	back := func(r msg.Response) { reply(s.moved(r, req.Label)) }
	if o, ok := nodeclient.NewRequest(req.Code, addr, opts, req.Payload); ok {
		s.nodes.Get(req, t, o, back)
		return
	}
	path := msg.ResourcePath(opts, message.URIPath)
	x := &nodeclient.Exchange{
		Code: req.Code, Options: opts, Body: req.Payload, Deadline: s.now().Add(s.nodes.Towards(t.Table).NodeTimeout),
		Anonymous: req.Anonymous(),
	}
	_, secret := msg.Option(opts, msg.OptOSCORE)
	reads := req.Code == codes.GET || req.Code == codes.FETCH
	x.TakeBlocks = !secret && reads
	x.Reply = func(r msg.Response) {
		// Also where it is not known what became of it.
		if !reads && (r.Code>>5 == 2 || !x.FromNode) {
			s.nodes.Written(t.Node, path, true)
			if at := msg.ResourcePath(r.Options, message.LocationPath); at != "" {
				s.nodes.Written(t.Node, at, true)
			}
		}
		back(nodeclient.WithoutHopOptions(r))
	}
	send := func() {
		if !reads {
			s.nodes.Written(t.Node, path, false)
		}
		s.nodes.Submit(addr, x)
	}
	if reads && !secret {
		send()
		return
	}
	s.outputs.GuardUndeclared(req, t, path, x, send, reply)
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
