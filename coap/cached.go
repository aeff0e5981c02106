package coap

import (
	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/access"
	"culvert/coap/msg"
	"culvert/coap/nodeclient"
)

// cachedResponse answers a plain GET of a node's resource from the cache. Such a request
// needs no deduplication (RFC 7252, section 4.5), and no copy: it waits for nothing.
func (s *Server) cachedResponse(req *msg.Request) (msg.Response, bool) {
	p := &req.Path
	if req.Code != codes.GET || !p.Own() {
		return msg.Response{}, false
	}
	var room [128]byte
	key := append(room[:0], byte(codes.GET))
	parts := 0
	for _, o := range req.Options {
		switch o.ID {
		case message.URIPath:
			if parts++; parts <= 3 { // nodes, NODE, own
				continue
			}
		case message.URIHost, message.URIPort, message.NoResponse:
			continue
		case message.URIQuery, message.Accept:
		default:
			return msg.Response{}, false
		}
		if len(key)+4+len(o.Value) > len(room) {
			return msg.Response{}, false
		}
		key = nodeclient.AppendKeyPart(key, o)
	}
	t, ok := s.opts.Meshes.ByLabel(p.Part[1])
	if !ok || !t.Node.Admitted() {
		return msg.Response{}, false
	}
	if id := s.who(req); id != nil && (id.May&access.MayRead == 0 || !id.Reaches(t.Name, t.Node.Label())) {
		return msg.Response{}, false // serve refuses it, and says why
	}
	if _, ok := msg.CheckOptions(req.Options, true); !ok {
		return msg.Response{}, false
	}
	r, fresh := s.nodes.Cached(t.Node, key)
	if !fresh {
		return msg.Response{}, false
	}
	return s.finish(req, s.moved(r, t.Node.Label()), msg.Block{}, false, msg.Block{SZX: msg.MaxSZX}, false), true
}
