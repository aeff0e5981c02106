package bridge

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/netip"
	"sync/atomic"
	"time"

	"culvert/bridge/forward"
	"culvert/bridge/ieee802154"
	"culvert/bridge/nd"
	"culvert/bridge/node"
	"culvert/bridge/store"
)

// What is kept of a mesh, and how often it is written: at once what a node was told,
// in groups; the rest seldom, since the disk of a gateway is often a flash memory
// that wears.
const (
	groupWait  = 10 * time.Millisecond // in which changes gather to be written together
	maxGroup   = 512
	maxUnsaved = 1024             // changes that wait for the disk; more are refused
	sweepEvery = 10 * time.Second // for what nobody was told of
	heardEvery = 10 * time.Minute // for when a node was last heard
	// answerAfter is how long writes fail until nodes are answered all the same: a full
	// disk must not end their registrations.
	answerAfter = time.Minute
)

// Buckets and keys of the store.
const (
	nodesBucket     = "nodes of mesh "
	addressesBucket = "addresses of mesh "
	meshBucket      = "mesh "
	keyClock        = "clock"
	keyDiscovery    = "discovery"
)

// keeper stores the state of a mesh that outlives the daemon. One goroutine runs it and
// writes all of that state but the replaced devices, which Mesh.Replace commits itself.
type keeper struct {
	store    *store.Store
	log      *slog.Logger
	mesh     string
	table    *node.Table
	unsaved  chan *forward.Unsaved
	saved    func(*forward.Unsaved)
	bindings func(func(nd.Binding) bool)
	now      func() time.Time
	ask      chan chan<- error // for a sweep right now

	clock     storeClock
	addresses map[netip.Addr]int64 // that stand in the store: until when, by its clock
	nodes     map[nodeKey]node.Record
	behind    bool           // a write failed: what stands in the store is not what is
	since     time.Time      // that writes fail without one between that did not; zero: they do not fail
	discovery *keptDiscovery // that could not be written; nil: it was
	garbage   []store.Write  // removes what could not be read at the start

	commits atomic.Uint64
}

// nodeKey names the record of a node. It does not depend on the name of its place.
type nodeKey struct {
	eui, short ieee802154.Addr
	pan        uint16
}

func keyOf(r node.Record) nodeKey {
	if !r.EUI64.IsNone() {
		return nodeKey{eui: r.EUI64}
	}
	return nodeKey{short: r.Short, pan: r.PAN}
}

func (k nodeKey) bytes() []byte {
	if !k.eui.IsNone() {
		return []byte(k.eui.String())
	}
	return fmt.Appendf(nil, "%04x/%v", k.pan, k.short)
}

// keptAddress is the value of an address in the store.
type keptAddress struct {
	Link  ieee802154.Addr `json:"link"`
	Relay ieee802154.Addr `json:"relay,omitzero"`  // that registered it for the node
	Claim bool            `json:"claim,omitempty"` // else a registration
	ROVR  nd.ROVR         `json:"rovr,omitzero"`
	TID   *uint8          `json:"tid,omitempty"`
	Until int64           `json:"until"` // seconds of the store's clock
	Life  int64           `json:"life"`  // seconds that were granted last
}

// keptRecord is the value of a node in the store. Where the wall clock jumped between two
// runs, the times of the record are wrong, and those in seconds of the store's clock
// are not.
type keptRecord struct {
	node.Record
	HeardAt  *int64 `json:"heard_at,omitempty"`
	ReportAt *int64 `json:"report_at,omitempty"`
}

// keptDiscovery is what is kept of neighbour discovery as a whole.
type keptDiscovery struct {
	Version  uint32        `json:"version"` // of the border router option
	Contexts []keptContext `json:"contexts,omitempty"`
}

type keptContext struct {
	ID     uint8        `json:"id"`
	Prefix netip.Prefix `json:"prefix"`
	Phase  nd.Phase     `json:"phase"`
	Left   int64        `json:"left,omitempty"` // seconds to the next phase
}

// run writes what comes, and at the end all that has changed.
func (k *keeper) run(ctx context.Context) error {
	t := time.NewTicker(sweepEvery)
	defer t.Stop()
	for {
		select {
		case u := <-k.unsaved:
			k.commit(k.gather(u))
		case <-t.C:
			k.sweep(heardEvery)
		case done := <-k.ask:
			done <- k.sweep(heardEvery)
		case <-ctx.Done():
			for len(k.unsaved) > 0 {
				k.commit(k.gather(<-k.unsaved))
			}
			k.sweep(0)
			return nil
		}
	}
}

// gather waits a moment for more that can be written together with u.
func (k *keeper) gather(u *forward.Unsaved) []*forward.Unsaved {
	group := []*forward.Unsaved{u}
	wait := time.NewTimer(groupWait)
	defer wait.Stop()
	for len(group) < maxGroup {
		select {
		case u := <-k.unsaved:
			group = append(group, u)
		case <-wait.C:
			return group
		}
	}
	return group
}

// pending is one transaction in the making, and what is known to stand in the store
// once it is committed.
type pending struct {
	writes    []store.Write
	addresses map[netip.Addr]int64 // 0: not there any more
	nodes     map[nodeKey]node.Record
	discovery *keptDiscovery // nil: as it was
	catchUp   bool           // it holds all that failed to be written before
	stamp     stamp
}

// commit writes a group, and lets what waited for it leave. A refresh of a
// registration is written only where less than half of its life would be left in the
// store; restore makes up for the rest. Where nothing is kept until the daemon starts
// again, or has been kept for answerAfter, they leave unwritten.
func (k *keeper) commit(group []*forward.Unsaved) {
	p := pending{addresses: map[netip.Addr]int64{}, nodes: map[nodeKey]node.Record{}}
	now := k.now()
	for _, u := range group {
		for i := range u.Changes {
			k.change(&p, &u.Changes[i], now)
		}
		if u.State.Version != 0 {
			d := discoveryOf(u.State)
			p.discovery = &d
		}
	}
	if !k.write(&p, now) {
		for a, until := range p.addresses {
			if until != 0 {
				delete(k.addresses, a) // what stands there is no longer true
			}
		}
		if k.store.Fault() == nil && now.Sub(k.since) < answerAfter {
			return // unanswered: the nodes will ask again
		}
	}
	for _, u := range group {
		k.saved(u)
	}
}

// change adds one change of an address to p.
func (k *keeper) change(p *pending, c *nd.Change, now time.Time) {
	switch c.Kind {
	case nd.Reassigned: // the change that follows overwrites the value
	case nd.Ended:
		k.removeAddress(p, c.Addr)
	default:
		until, there := p.addresses[c.Addr]
		if !there {
			until, there = k.addresses[c.Addr]
		}
		if c.Kind == nd.Renewed && there && k.clock.time(until).Sub(now) >= c.Life/2 {
			return
		}
		k.putAddress(p, &c.Binding)
		if n := k.table.ByLink(c.Link); n != nil {
			k.putNode(p, n.Record(), heardEvery)
		}
	}
}

func (k *keeper) putAddress(p *pending, b *nd.Binding) {
	a := keptAddress{
		Link: b.Link, Relay: b.Relay, Claim: b.Origin == node.Claimed, ROVR: b.ROVR,
		Until: k.clock.seconds(b.Until), Life: int64(b.Life / time.Second),
	}
	if b.HasTID {
		a.TID = &b.TID
	}
	key := b.Addr.As16()
	k.put(p, addressesBucket, string(key[:]), a)
	p.addresses[b.Addr] = a.Until
}

func (k *keeper) removeAddress(p *pending, a netip.Addr) {
	key := a.As16()
	k.put(p, addressesBucket, string(key[:]), nil)
	p.addresses[a] = 0
}

// putNode adds the record of a node if it has changed enough.
func (k *keeper) putNode(p *pending, r node.Record, heard time.Duration) {
	key := keyOf(r)
	if old, ok := p.nodes[key]; ok && sameRecord(old, r, heard) {
		return
	} else if old, there := k.nodes[key]; !ok && there && sameRecord(old, r, heard) {
		return
	}
	k.put(p, nodesBucket, string(key.bytes()), k.keep(r))
	p.nodes[key] = r
}

// put adds a write. A nil value removes the key.
func (k *keeper) put(p *pending, bucket, key string, value any) {
	w := store.Write{Bucket: bucket + k.mesh, Key: []byte(key)}
	if value != nil {
		b, err := json.Marshal(value)
		if err != nil { // no value of ours can do that
			k.log.Error("state cannot be encoded", "bucket", w.Bucket, "err", err)
			return
		}
		w.Value = b
	}
	p.writes = append(p.writes, w)
}

// write commits p, with the time, and takes note of what stands in the store then.
func (k *keeper) write(p *pending, now time.Time) bool {
	if p.discovery != nil {
		k.put(p, meshBucket, keyDiscovery, p.discovery)
	}
	if len(p.writes) == 0 {
		k.behind = k.behind && !p.catchUp
		return true
	}
	p.stamp = k.clock.stamp(now)
	k.put(p, meshBucket, keyClock, p.stamp)
	if err := k.store.Commit(p.writes); err != nil {
		k.failed(p, err, now)
		return false
	}
	k.commits.Add(1)
	if k.since = (time.Time{}); p.catchUp {
		k.behind = false
		k.log.Info("the state file can be written again and is complete")
	}
	if p.discovery != nil {
		k.discovery = nil
	}
	k.clock.last = p.stamp
	for a, until := range p.addresses {
		if until == 0 {
			delete(k.addresses, a)
		} else {
			k.addresses[a] = until
		}
	}
	for key, r := range p.nodes {
		if r == (node.Record{}) {
			delete(k.nodes, key)
		} else {
			k.nodes[key] = r
		}
	}
	return true
}

// failed takes note of a transaction that was not written.
func (k *keeper) failed(p *pending, err error, now time.Time) {
	if p.discovery != nil {
		k.discovery = p.discovery
	}
	if !k.behind && !errors.Is(err, store.ErrNotKept) { // which was logged where it came about
		k.log.Error("the state cannot be written: nodes that register get no answer for a minute, then answers that are forgotten "+
			"when the daemon stops. Free the disk", "cause", err)
	}
	k.behind = true
	if k.since.IsZero() {
		k.since = now
	}
}

// sweep writes what has changed of the nodes, the time where the wall clock jumped,
// and everything that failed to be written before.
func (k *keeper) sweep(heard time.Duration) error {
	now := k.now()
	p := pending{addresses: map[netip.Addr]int64{}, nodes: map[nodeKey]node.Record{}}
	seen := make(map[nodeKey]struct{}, len(k.nodes))
	for _, r := range k.table.Records() {
		seen[keyOf(r)] = struct{}{}
		k.putNode(&p, r, heard)
	}
	for key := range k.nodes {
		if _, ok := seen[key]; !ok {
			k.put(&p, nodesBucket, string(key.bytes()), nil)
			p.nodes[key] = node.Record{}
		}
	}
	if err := k.store.Fault(); err != nil {
		return err // nothing more is written
	}
	if k.behind {
		k.catchUp(&p)
	}
	if k.clock.jumped(now) {
		k.put(&p, meshBucket, keyClock, k.clock.stamp(now))
	}
	if !k.write(&p, now) {
		return errNotWritten
	}
	return nil
}

// catchUp adds all that failed to be written before: every address whose record is not
// what it should be, and the state of neighbour discovery.
func (k *keeper) catchUp(p *pending) {
	p.catchUp, p.discovery = true, k.discovery
	there := make(map[netip.Addr]struct{}, len(k.addresses))
	k.bindings(func(b nd.Binding) bool {
		there[b.Addr] = struct{}{}
		if _, ok := k.addresses[b.Addr]; !ok {
			k.putAddress(p, &b)
		}
		return true
	})
	for a := range k.addresses {
		if _, ok := there[a]; !ok {
			k.removeAddress(p, a)
		}
	}
}

// errNotWritten is why a change may not outlive the daemon.
var errNotWritten = errors.New("the state file cannot be written now; is the disk full?")

// sameRecord reports whether a record has not changed enough to be written. That a
// node was heard, or reported, is a change only if it was not heard for so long before;
// 0 writes every change of that too.
func sameRecord(old, r node.Record, heard time.Duration) bool {
	if apart := r.LastHeard.Sub(old.LastHeard); apart != 0 && apart >= heard {
		return false
	}
	if heard == 0 && (old.Gaps != r.Gaps || !old.LastReport.Equal(r.LastReport)) {
		return false
	}
	return old.EUI64 == r.EUI64 && old.Short == r.Short && old.PAN == r.PAN &&
		old.GHC == r.GHC && old.OfferedGHC == r.OfferedGHC && old.Overdue == r.Overdue && old.FirstSeen.Equal(r.FirstSeen)
}
