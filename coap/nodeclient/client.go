// Package nodeclient is the CoAP client of the nodes: exchanges with their queues and
// retransmissions, blocks, observations of nodes, and a cache of their responses (RFC
// 7252, 7641, 7959).
package nodeclient

import (
	"log/slog"
	"net/netip"
	"sync/atomic"
	"time"

	"culvert/bridge/node"
	"culvert/coap/msg"
	"culvert/coap/observe"
)

// Options are what a nodeClient is made from.
type Options struct {
	Meshes node.Meshes
	// Default is how nodes are asked in meshes that ByMesh does not name. It may change
	// until open.
	Default *Transmission
	ByMesh  map[string]Transmission
	// Locate returns the address of a node's CoAP server; the zero AddrPort if it has none.
	Locate    func(node.Member) netip.AddrPort
	Observers *observe.Observers
	// NotAfter lets no packet of a message to a node, from a port with a Message ID, be
	// transmitted after a time; called again with an earlier time it withdraws the
	// message. Nil: the meshes have no queues.
	NotAfter func(mesh string, to netip.AddrPort, port, id uint16, at time.Time) error
	Log      *slog.Logger
	Now      func() time.Time
}

// Client is the CoAP client of all nodes: their queues, exchanges and
// observations, and a cache of their responses.
type Client struct {
	opts    Options
	byTable map[*node.Table]*Transmission // of the meshes that have their own
	counts  counts
	queues  *queues
	cache   cache
}

// counts are the counters of exchanges with nodes.
type counts struct {
	messages, retransmissions, timeouts, disordered atomic.Uint64
}

// Stats are figures of the exchanges with nodes, and of the cache.
type Stats struct {
	Messages        uint64 // sent to nodes, retransmissions included
	Retransmissions uint64 // among them
	Timeouts        uint64 // requests without a response
	Disordered      uint64 // notifications of nodes that were older than one before
	CacheHits       uint64 // requests answered from the cache
	Cached          int    // responses in the cache
	Observations    int    // of nodes, each for all its clients
	Waiting         int    // requests that wait for a response to the cache
	Registering     int    // registrations among them
	Queued          int    // requests in the nodes' queues
	QueuedOctets    int    // of their bodies
	Busy            int    // nodes with an exchange in progress
}

// New returns a client that is not open yet.
func New(o Options) *Client {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Default == nil {
		d := Transmission{}.WithDefaults()
		o.Default = &d
	}
	c := &Client{opts: o, byTable: map[*node.Table]*Transmission{}}
	for _, m := range o.Meshes {
		if v, ok := o.ByMesh[m.Name]; ok {
			v = v.Over(*o.Default)
			c.byTable[m.Table] = &v
		}
	}
	c.queues = newQueues(o.Log, o.Now, c.towardsAddr, &c.counts, &c.cache)
	c.cache.init(c.queues, o.Observers, c.Towards, o.Locate, o.Now)
	return c
}

// Open opens the socket towards the nodes.
func (c *Client) Open() error {
	if err := c.Check(); err != nil {
		return err
	}
	return c.queues.open()
}

// Run takes what nodes send until close.
func (c *Client) Run() error { return c.queues.read() }

// Close closes the socket, and answers every request in progress.
func (c *Client) Close() { c.queues.close() }

// LocalAddr returns the address of the socket towards the nodes.
func (c *Client) LocalAddr() netip.AddrPort { return c.queues.localAddr() }

// Tick retransmits, and ends what is over.
func (c *Client) Tick(now time.Time) { c.queues.tick(now) }

// Renew registers anew the observations of nodes that are about to lapse.
func (c *Client) Renew(now time.Time) { c.cache.renew(now) }

// Expire drops what is of no more use.
func (c *Client) Expire(now time.Time) {
	c.queues.expire(now)
	c.cache.expire(now)
}

// Get answers a GET or FETCH of a node's resource from the cache, or asks the node.
// options are those for the node.
func (c *Client) Get(req *msg.Request, t node.Member, o Request, reply func(msg.Response)) {
	c.cache.read(req, t, o, reply)
}

// Cached returns the fresh response under a cache key, if there is one.
func (c *Client) Cached(n *node.Node, key []byte) (msg.Response, bool) {
	return c.cache.look(n, key, c.opts.Now())
}

// Written reports that a request which may change a node's resource is about to be sent
// or, when over, was sent: responses from before are not reused.
func (c *Client) Written(n *node.Node, path string, over bool) { c.cache.written(n, path, over) }

// Withdraw ends a registration that has no response yet, of a client that sent Observe 1.
func (c *Client) Withdraw(req *msg.Request) { c.cache.withdraw(req) }

// Submit queues an exchange for the node at an address.
func (c *Client) Submit(addr netip.AddrPort, x *Exchange) { c.queues.submit(addr, x) }

// Recall withdraws from the mesh's queues what x sent last.
func (c *Client) Recall(x *Exchange) { c.queues.recall(x) }

// WithdrawExchange ends an exchange that is queued or in progress with r; one that has ended, or was
// not submitted, it leaves alone.
func (c *Client) WithdrawExchange(x *Exchange, r msg.Response) { c.queues.withdraw(x, r) }

// Extend gives an urgent exchange time until a later deadline.
func (c *Client) Extend(x *Exchange, deadline time.Time) { c.queues.extend(x, deadline) }

// RecallBarred withdraws the writes that are barred by now.
func (c *Client) RecallBarred() { c.queues.recallBarred() }

// SetRenewLeast sets the least time between two registrations with a node, for tests
// whose nodes answer with short lifetimes.
func (c *Client) SetRenewLeast(d time.Duration) { c.cache.renewLeast = d }

// Stats returns the figures now.
func (c *Client) Stats() Stats {
	s := Stats{
		Messages: c.counts.messages.Load(), Retransmissions: c.counts.retransmissions.Load(), Timeouts: c.counts.timeouts.Load(),
		Disordered: c.counts.disordered.Load(), CacheHits: c.cache.hits.Load(),
	}
	c.cache.mu.Lock()
	s.Cached, s.Observations, s.Waiting, s.Registering = c.cache.count, c.cache.observations, c.cache.waiting, len(c.cache.pending)
	c.cache.mu.Unlock()
	c.queues.mu.Lock()
	s.Queued, s.QueuedOctets, s.Busy = c.queues.queued, c.queues.octets, len(c.queues.busy)
	c.queues.mu.Unlock()
	return s
}
