package directory

import (
	mrand "math/rand/v2"
	"net/netip"
	"time"

	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/msg"
)

// How nodes that do not register by themselves are read. It is our choice.
const (
	MaxDiscover   = 2 // at a time
	discoverSoon  = 10 * time.Second
	discoverSpan  = 2 * time.Minute // each at a random moment of it
	discoverTries = 3
	discoverAgain = 10 * time.Minute
)

// discovery reads /.well-known/core of nodes once after they join.
type discovery struct {
	nodes map[*node.Node]*discovered // used by the ticker alone
	free  chan struct{}              // capacity: those in progress at most
	soon  time.Duration              // the earliest time after the node is up
	span  time.Duration              // each at a random moment of it
}

type discovered struct {
	due   time.Time
	tries int
	done  bool
}

// Discover asks the nodes whose time has come.
func (d *Directory) Discover(now time.Time) {
	for n := range d.nodes {
		if n.Removed() {
			delete(d.nodes, n)
		}
	}
	for _, m := range d.Meshes {
		for n := range m.Table.All() {
			x := d.nodes[n]
			switch {
			case !n.Admitted() || n.State() != node.Up:
				continue
			case x == nil:
				d.nodes[n] = &discovered{due: now.Add(d.soon + mrand.N(d.span))}
				continue
			case x.done || now.Before(x.due):
				continue
			case d.has(n):
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
			e := Endpoint{name: endpointName{ep: n.Label(), d: m.Name}, owner: n, base: baseOf(netip.AddrPortFrom(m.Table.Address(n), msg.PortCoAP))}
			d.fetchLinks(node.Member{Mesh: m, Node: n}, e, func(bool) { <-d.free })
		}
	}
}

// fetchLinks reads the node's links and registers them as e. A node that was read is
// not read again, as has says.
func (d *Directory) fetchLinks(t node.Member, e Endpoint, done func(ok bool)) {
	if !d.Locate(t).Addr().IsValid() {
		done(false)
		return
	}
	d.Read(t, func(r msg.Response) {
		ok := r.Code == codes.Content
		if ok {
			r = d.register(e, r.Payload, d.Now())
			ok = r.Code == codes.Created
		}
		if !ok {
			d.Log.Debug("links of a node not read", "node", t.Node.Label(), "code", msg.CodeText(r.Code), "text", string(r.Payload))
		}
		done(ok)
	})
}

// has reports whether a node is in the directory.
func (d *Directory) has(n *node.Node) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, e := range d.byName {
		if e.owner == n {
			return true
		}
	}
	return false
}

// SetDiscovery sets when nodes are read after they join, for tests.
func (d *Directory) SetDiscovery(soon, span time.Duration) { d.soon, d.span = soon, span }

// Reading returns how many nodes are being read.
func (d *Directory) Reading() int { return len(d.free) }
