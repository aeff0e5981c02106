package forward

// Neighbour discovery with the nodes (RFC 4861, RFC 6775, RFC 8505): what they say
// goes to an nd.Server, what it says enters the road at the queues, and what it
// changed goes to the node table. A packet that acknowledges a change waits until
// the change is on disk. The server has a lock of its own, which ordinary data never
// takes.

import (
	"net/netip"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/nd"
	"culvert/bridge/node"
	"culvert/bridge/radio"
)

// Our own figures.
const (
	usedEvery = int64(10 * time.Minute) // between two words to the server that a claimed address is in use
	usedSlots = 64                      // addresses whose last word is remembered
)

// discovery is the server and what surrounds it.
type discovery struct {
	mu         sync.Mutex
	server     *nd.Server // guarded by mu, as all up to keep; nil: there is no neighbour discovery
	out        nd.Out
	version    uint32 // that was announced last
	keep       chan<- *Unsaved
	challenges challenges
	due        atomic.Int64 // when Tick has something to do, on the forwarder's clock; 0: at once
	busy       atomic.Uint64

	used [usedSlots]struct { // the radio reader's
		addr netip.Addr
		at   int64
	}
}

// Unsaved is what neighbour discovery changed and must not forget, and the packets
// that say so to the nodes. They leave by Saved.
type Unsaved struct {
	Changes []nd.Change
	State   nd.State // version and contexts; Version 0 if these did not change

	buf     []byte
	packets []nd.Packet
}

// room reports whether one more Unsaved can be handed over. The caller holds mu, as
// all do who hand one over, so that the room stays.
func (d *discovery) room() bool {
	if d.keep == nil || len(d.keep) < cap(d.keep) {
		return true
	}
	d.busy.Add(1)
	return false
}

// discover takes a neighbour discovery packet that came from the link address of n.
func (f *Forwarder) discover(n *node.Node, p ipv6.Packet, from ieee802154.Addr, now time.Time) drop.Reason {
	d := &f.discovery
	if !f.own.Load().hasLocal {
		return drop.NoLinkAddress // a radio without an EUI-64: there is nobody who could answer
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.room() {
		return drop.RegistryBusy
	}
	d.out.Reset()
	if err := d.server.Handle(p, from, now, &d.out); err != nil {
		return drop.Of(err)
	}
	f.carryOut(now)
	f.counters.from.handled.Add(1)
	n.Traffic().PacketsReceived.Add(1)
	if s := n.State(); (s == node.Joining || s == node.Expected) && kindOf(p.SourceBytes()) != unspecified {
		f.log(f.table.Confirm(n, now))
	}
	return drop.None
}

// unclaimed tells the server of data from an address that is not the node's.
func (f *Forwarder) unclaimed(src netip.Addr, from ieee802154.Addr, now time.Time) {
	d := &f.discovery
	if d.server == nil || !f.own.Load().hasLocal {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.room() {
		d.out.Reset()
		d.server.Unclaimed(src, from, now, &d.out)
		f.carryOut(now)
	}
}

// claimUsed tells the server now and then that a claimed address is in use. It is
// called for every packet from one.
func (f *Forwarder) claimUsed(src netip.Addr, now time.Time) {
	d := &f.discovery
	if d.server == nil {
		return
	}
	at := f.now()
	u := &d.used[uint64(ipv6.IIDIn(src))*0x9e3779b97f4a7c15>>58]
	if u.addr == src && at-u.at < usedEvery {
		return
	}
	u.addr, u.at = src, at
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.room() {
		d.out.Reset()
		d.server.Used(src, now, &d.out)
		f.carryOut(now)
	}
}

// discoveryUp tells the server of the gateway's addresses when the radio came up,
// and has it advertise anew.
func (f *Forwarder) discoveryUp(info radio.Info, samePAN bool, now time.Time) {
	d := &f.discovery
	iid, ok := ipv6.IIDOf(info.EUI64)
	if d.server == nil || !ok {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.server.SetEUI64(info.EUI64, ipv6.LinkLocal(iid))
	d.server.Announce(now)
	d.due.Store(0)
	if !samePAN && d.room() {
		d.out.Reset()
		d.server.Forget(ieee802154.Addr.IsShort, &d.out)
		f.carryOut(now)
	}
}

// shortMoved ends what a node registered that was known by its short address only,
// which is another's now.
func (f *Forwarder) shortMoved(c node.Change, now time.Time) {
	d := &f.discovery
	if d.server == nil || c.Cut == nil || !c.Cut.Removed() {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.room() {
		d.out.Reset()
		short := c.Cut.Short()
		d.server.Forget(func(a ieee802154.Addr) bool { return a == short }, &d.out)
		f.carryOut(now)
	}
}

// appeared gives a node that is new in the table the addresses that relays registered
// for it before.
func (f *Forwarder) appeared(c node.Change, now time.Time) {
	d := &f.discovery
	if d.server == nil || !c.Created || c.Node == nil {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.room() {
		d.out.Reset()
		d.server.Appeared(c.Node.SendTo(), &d.out)
		f.carryOut(now)
	}
}

// tickDiscovery does what is due, while there is a radio that could say it.
func (f *Forwarder) tickDiscovery(now time.Time) {
	d := &f.discovery
	if d.server == nil || f.sender.info.Load() == nil || !f.own.Load().hasLocal || f.now() < d.due.Load() {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.room() {
		return
	}
	d.out.Reset()
	next := d.server.Tick(now, &d.out)
	f.carryOut(now)
	if !next.IsZero() {
		d.due.Store(max(1, int64(next.Sub(f.start))))
	}
}

// carryOut does what the server put into d.out. The caller holds mu, and room was
// true since.
func (f *Forwarder) carryOut(now time.Time) {
	d := &f.discovery
	out := &d.out
	for i := range out.Changes {
		f.changeAddress(&out.Changes[i], now)
	}
	for _, p := range out.Peers {
		if n := f.table.ByLink(p.Link); n != nil {
			n.SetGHC(p.GHC)
			n.SetOfferedGHC(p.Asked || n.OfferedGHC())
		}
	}
	f.contexts.Store(d.server.Contexts())
	announced := d.server.Version() != d.version
	d.version = d.server.Version()
	var u *Unsaved
	if d.keep != nil && (len(out.Changes) > 0 || announced) {
		u = &Unsaved{Changes: slices.Clone(out.Changes)}
		if announced {
			u.State = d.server.State(now)
		}
	}
	for _, p := range out.Packets {
		if u != nil && (p.Durable || announced) {
			at := len(u.buf)
			u.buf = append(u.buf, out.Bytes(p)...)
			u.packets = append(u.packets, nd.Packet{To: p.To, Start: at, End: len(u.buf)})
			continue
		}
		f.say(p.To, out.Bytes(p))
	}
	if u != nil {
		d.keep <- u
	}
	for _, p := range out.Pairs {
		f.challenge(p, now)
	}
	if len(out.Packets)+len(out.Changes) > 0 {
		d.due.Store(0)
	}
}

// changeAddress carries out a change in the node table. If a relay registered the address of
// a node that is not in the table, the node gets the address in appeared: a registration by a
// relay adds no node.
func (f *Forwarder) changeAddress(c *nd.Change, now time.Time) {
	if c.Kind == nd.Reassigned || c.Kind == nd.Ended {
		f.table.RemoveAddress(c.Link, c.Addr)
		return
	}
	if err := f.table.AddAddress(c.Link, c.Addr, c.Origin, now); err != nil && err != node.ErrNoNode {
		f.opt.Log.Warn("an address cannot be bound to its node", "address", c.Addr.String(), "link", c.Link.String(), "err", err)
	}
}

// Saved sends what waited until u was on disk. It may be called from any goroutine.
func (f *Forwarder) Saved(u *Unsaved) {
	for _, p := range u.packets {
		f.say(p.To, u.buf[p.Start:p.End])
	}
}

// say queues a packet of the bridge itself for the node with a link address, or for
// all of them where the radio can send to all.
func (f *Forwarder) say(to ieee802154.Addr, b ipv6.Packet) {
	n := f.queues.everyone.node
	if to != ieee802154.Broadcast {
		if n = f.table.ByLink(to); n == nil {
			ch := f.table.Learn(to, f.opt.Now())
			f.log(ch)
			n = ch.Node
		}
	} else if info := f.sender.info.Load(); info == nil || info.Feature&radio.FeatureBroadcast == 0 {
		return // nodes ask for what they missed (RFC 6775, 5.3)
	}
	f.sayTo(n, ieee802154.Addr{}, b)
}

// sayTo queues a packet of the bridge itself for n, to its link address link, or to
// that which it is sent to anyway (none).
func (f *Forwarder) sayTo(n *node.Node, link ieee802154.Addr, b ipv6.Packet) {
	c := &f.counters.to
	c.offered.Add(1)
	r := drop.UnknownNode
	if n != nil {
		r = f.push(n, b, entry{class: classNetwork, link: link}, nil)
	}
	if r != drop.None {
		c.dropped[r].Add(1)
	}
}

// Bindings calls g for each address that a node registered or claimed, until it
// returns false. Neighbour discovery stands still meanwhile.
func (f *Forwarder) Bindings(g func(nd.Binding) bool) {
	d := &f.discovery
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.server != nil {
		d.server.Bindings(g)
	}
}

// DiscoveryStats are the counts of neighbour discovery.
type DiscoveryStats struct {
	nd.Stats
	Busy uint64 // times that there was no room for what would have to be kept
}

func (d *discovery) stats() DiscoveryStats {
	d.mu.Lock()
	defer d.mu.Unlock()
	s := DiscoveryStats{Busy: d.busy.Load()}
	if d.server != nil {
		s.Stats = d.server.Stats()
	}
	return s
}
