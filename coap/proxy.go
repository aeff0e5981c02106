package coap

import (
	"errors"
	"net/netip"
	"strings"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/msg"
)

// proxied turns a request to a forward proxy (RFC 7252, section 5.7.2) into one for the node
// that it names. Any other destination is refused (section 5.10.2): this is no relay to the
// Internet.
func (s *Server) proxied(req *msg.Request) (*msg.Request, node.Member, msg.Response, bool) {
	fail := func(r msg.Response) (*msg.Request, node.Member, msg.Response, bool) {
		return nil, node.Member{}, r, false
	}
	u := msg.URI{Port: msg.PortCoAP}
	if v, ok := msg.Option(req.Options, message.ProxyURI); ok {
		var err error // it wins over the Uri- options
		if u, err = msg.ParseURI(string(v)); errors.Is(err, msg.ErrScheme) {
			return fail(msg.Errorf(codes.ProxyingNotSupported, "only the scheme coap is proxied"))
		} else if err != nil {
			return fail(msg.Errorf(codes.BadOption, "Proxy-Uri: %v", err))
		}
	} else {
		if v, _ := msg.Option(req.Options, message.ProxyScheme); !strings.EqualFold(string(v), "coap") {
			return fail(msg.Errorf(codes.ProxyingNotSupported, "only the scheme coap is proxied"))
		}
		host, _ := msg.Option(req.Options, message.URIHost)
		u.Host = strings.Trim(strings.ToLower(string(host)), "[]")
		if p := msg.Uint(req.Options, message.URIPort); p >= 0 {
			u.Port = uint16(p)
		}
		for _, o := range req.Options {
			if o.ID == message.URIPath || o.ID == message.URIQuery {
				u.Options = append(u.Options, o)
			}
		}
	}
	t, ok := s.host(u.Host)
	if !ok || u.Port != msg.PortCoAP {
		return fail(msg.Errorf(codes.ProxyingNotSupported, "only nodes of the meshes here are proxied, at port 5683"))
	}
	out := *req
	out.Direct = true
	out.Options = nil
	for _, part := range []string{"nodes", t.Node.Label(), "own"} {
		out.Options = append(out.Options, message.Option{ID: message.URIPath, Value: []byte(part)})
	}
	for _, o := range u.Options {
		out.Options = msg.With(out.Options, o.ID, o.Value)
	}
	for _, o := range req.Options {
		switch o.ID {
		case message.URIHost, message.URIPort, message.URIPath, message.URIQuery, message.ProxyURI, message.ProxyScheme:
		default:
			out.Options = msg.With(out.Options, o.ID, o.Value)
		}
	}
	out.ParsePath()
	return &out, t, msg.Response{}, true
}

// host finds the node that a URI names: by an address of a mesh, or by its label.
func (s *Server) host(name string) (node.Member, bool) {
	if a, err := netip.ParseAddr(name); err == nil {
		return s.opts.Meshes.ByAddress(a)
	}
	return s.opts.Meshes.ByLabel(name)
}
