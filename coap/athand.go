package coap

import (
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
)

// atHand answers a plain GET of a node's resource whose answer is kept and fresh.
// Such a request needs no memory against repetition (RFC 7252, section 4.5), and no
// copy: it waits for nobody.
func (s *Server) atHand(req *request) (response, bool) {
	if req.code != codes.GET {
		return response{}, false
	}
	var room [128]byte
	key := append(room[:0], byte(codes.GET))
	parts := 0
	for _, o := range req.options {
		switch o.ID {
		case message.URIPath:
			if parts++; parts <= 3 { // nodes, NODE, own
				continue
			}
		case message.URIHost, message.URIPort, message.NoResponse:
			continue
		case message.URIQuery, message.Accept:
		default:
			return response{}, false
		}
		if len(key)+4+len(o.Value) > len(room) {
			return response{}, false
		}
		key = appendKeyPart(key, o)
	}
	p := req.path()
	if p.n < 3 || p.part[0] != "nodes" || p.part[2] != "own" {
		return response{}, false
	}
	_, n, mesh := s.find(p.part[1])
	if n == nil || !n.Admitted() {
		return response{}, false
	}
	if id := s.who(req); id != nil && (id.May&MayRead == 0 || !id.reaches(mesh, n.Label())) {
		return response{}, false // serve refuses it, and says why
	}
	if _, ok := badOption(req.options, true); !ok {
		return response{}, false
	}
	r, ok := s.cache.look(n, key, time.Now())
	if !ok {
		return response{}, false
	}
	return s.finish(req, s.moved(r, n.Label()), block{}, false, block{szx: szxMax}, false), true
}

// look returns the answer kept under a key, if it is fresh.
func (c *nodeCache) look(n *node.Node, key []byte, now time.Time) (response, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	all := c.nodes[n]
	if all == nil {
		return response{}, false
	}
	e := all.by[string(key)]
	if e == nil || !e.freshLocked(now) {
		return response{}, false
	}
	e.used = now
	c.hits.Add(1)
	return e.agedLocked(now), true
}
