package coap

import (
	mrand "math/rand/v2"
	"time"

	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/msg"
)

// How nodes that do not register by themselves are read, ours.
const (
	maxDiscover   = 2 // at a time
	discoverSoon  = 10 * time.Second
	discoverSpan  = 2 * time.Minute // each at a random moment of it
	discoverTries = 3
	discoverAgain = 10 * time.Minute
)

// discovery reads /.well-known/core of nodes once after they join.
type discovery struct {
	nodes map[*node.Node]*discovered // used by the ticker alone
	free  chan struct{}              // one for each that may be under way
}

type discovered struct {
	due   time.Time
	tries int
	done  bool
}

func (d *discovery) init() {
	d.nodes = map[*node.Node]*discovered{}
	d.free = make(chan struct{}, maxDiscover)
}

// discover asks the nodes whose time has come.
func (s *Server) discover(now time.Time) {
	d := &s.discovery
	for n := range d.nodes {
		if n.Removed() {
			delete(d.nodes, n)
		}
	}
	for _, m := range s.opts.Meshes {
		for n := range m.Table.All() {
			x := d.nodes[n]
			switch {
			case !n.Admitted() || n.State() != node.Up:
				continue
			case x == nil:
				d.nodes[n] = &discovered{due: now.Add(s.discoverSoon + mrand.N(s.discoverSpan))}
				continue
			case x.done || now.Before(x.due):
				continue
			case s.directory.has(n):
				x.done = true // it has registered
				continue
			}
			select {
			case d.free <- struct{}{}:
			default:
				return
			}
			x.tries++
			x.done = x.tries >= discoverTries
			x.due = now.Add(discoverAgain)
			e := endpoint{name: endpointName{ep: n.Label(), d: m.Name}, owner: n, base: baseOf(nodeAddress(node.Member{Mesh: m, Node: n}))}
			s.fetchLinks(node.Member{Mesh: m, Node: n}, e, func(bool) { <-d.free })
		}
	}
}

// fetchLinks reads the node's links and registers them as e. A node that was read is
// not read again, as has says.
func (s *Server) fetchLinks(t node.Member, e endpoint, done func(ok bool)) {
	if !s.locate(t).Addr().IsValid() {
		done(false)
		return
	}
	s.readListing(t, func(r msg.Response) {
		ok := r.Code == codes.Content
		if ok {
			r = s.directory.register(e, r.Payload, time.Now())
			ok = r.Code == codes.Created
		}
		if !ok {
			s.log.Debug("links of a node not read", "node", t.Node.Label(), "code", msg.CodeText(r.Code), "text", string(r.Payload))
		}
		done(ok)
	})
}

// has reports whether a node is in the directory.
func (d *directory) has(n *node.Node) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, e := range d.byName {
		if e.owner == n {
			return true
		}
	}
	return false
}
