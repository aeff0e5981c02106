package store

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
)

// Changes that a node waits for are written at once, in groups. All else is written seldom,
// since flash memory wears.
const (
	groupWait  = 10 * time.Millisecond // time in which changes are gathered into one commit
	maxGroup   = 512                   // changes in one commit
	maxUnsaved = 1024                  // changes that wait for the disk
	sweepEvery = 10 * time.Second      // for changes that no node waits for
	heardEvery = 10 * time.Minute      // for the time when a node was last heard
	// answerAfter is how long writes must have failed until nodes are answered without a
	// record: a full disk must not end their registrations.
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

// Keeper stores the nodes, addresses and contexts of one mesh. The goroutine of Run does all
// of its writes.
type Keeper struct {
	store    *Store
	log      *slog.Logger
	mesh     string
	table    *node.Table
	unsaved  chan *forward.Unsaved
	saved    func(*forward.Unsaved)
	bindings func(func(nd.Binding) bool)
	now      func() time.Time
	sync     chan chan<- error // requests for a sweep

	clock     storeClock
	addresses map[netip.Addr]int64    // stored addresses: end of the lifetime by the store's clock
	nodes     map[nodeKey]node.Record // stored records
	behind    bool                    // a write failed, so the store is out of date
	since     time.Time               // first failed write since the last good one; zero: none failed
	discovery *keptDiscovery          // could not be written yet; nil: none
	garbage   []Write                 // removals of what could not be read at the start

	commits atomic.Uint64
}

// nodeKey identifies the record of a node. It does not depend on the name of its place.
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
	Relay ieee802154.Addr `json:"relay,omitzero"`  // registered it for the node
	Claim bool            `json:"claim,omitempty"` // a claim, not a registration
	ROVR  nd.ROVR         `json:"rovr,omitzero"`
	TID   *uint8          `json:"tid,omitempty"`
	Until int64           `json:"until"` // seconds of the store's clock
	Life  int64           `json:"life"`  // lifetime granted last, in seconds
}

// keptRecord is the value of a node in the store. HeardAt and ReportAt are in seconds of the
// store's clock: unlike the times of Record they stay right if the wall clock jumps.
type keptRecord struct {
	node.Record
	HeardAt  *int64 `json:"heard_at,omitempty"`
	ReportAt *int64 `json:"report_at,omitempty"`
}

// keptDiscovery is the stored state of neighbour discovery that belongs to no address.
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

// Unsaved returns the channel on which the packet path hands over changes. It is bounded.
func (k *Keeper) Unsaved() chan<- *forward.Unsaved { return k.unsaved }

// Connect sets the packet path that waits for the changes. Call it before Run.
func (k *Keeper) Connect(f *forward.Forwarder) { k.saved, k.bindings = f.Saved, f.Bindings }

// Sync writes all changes of nodes and returns once that is done. The error says that some
// are not on disk.
func (k *Keeper) Sync(ctx context.Context) error {
	done := make(chan error, 1)
	select {
	case k.sync <- done:
		return <-done
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Run writes changes until ctx ends, and then all that is left. It returns nil.
func (k *Keeper) Run(ctx context.Context) error {
	t := time.NewTicker(sweepEvery)
	defer t.Stop()
	for {
		select {
		case u := <-k.unsaved:
			k.commit(k.gather(u))
		case <-t.C:
			k.sweep(heardEvery)
		case done := <-k.sync:
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

// gather collects the changes that come within groupWait of u.
func (k *Keeper) gather(u *forward.Unsaved) []*forward.Unsaved {
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

// pending is a transaction and the contents of the store after it.
type pending struct {
	writes    []Write
	addresses map[netip.Addr]int64 // 0: removed
	nodes     map[nodeKey]node.Record
	discovery *keptDiscovery // nil: unchanged
	catchUp   bool           // includes all that could not be written before
	stamp     stamp
}

func newPending() pending {
	return pending{addresses: map[netip.Addr]int64{}, nodes: map[nodeKey]node.Record{}}
}

// commit writes a group and releases the packets that wait for it. It releases them without a
// write if the store is closed for writes until the next start, or if writes have failed for
// answerAfter.
func (k *Keeper) commit(group []*forward.Unsaved) {
	p := newPending()
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
				delete(k.addresses, a) // the stored value is out of date
			}
		}
		if k.store.Fault() == nil && now.Sub(k.since) < answerAfter {
			return // the nodes get no answer and ask again
		}
	}
	for _, u := range group {
		k.saved(u)
	}
}

// change adds one change of an address to p. A renewal is written only if less than half of
// the lifetime is left in the store; restoreAddresses makes up for that.
func (k *Keeper) change(p *pending, c *nd.Change, now time.Time) {
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

func (k *Keeper) putAddress(p *pending, b *nd.Binding) {
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

func (k *Keeper) removeAddress(p *pending, a netip.Addr) {
	key := a.As16()
	k.put(p, addressesBucket, string(key[:]), nil)
	p.addresses[a] = 0
}

// putNode adds the record of a node if it has changed enough.
func (k *Keeper) putNode(p *pending, r node.Record, heard time.Duration) {
	key := keyOf(r)
	if old, ok := p.nodes[key]; ok && sameRecord(old, r, heard) {
		return
	} else if old, there := k.nodes[key]; !ok && there && sameRecord(old, r, heard) {
		return
	}
	k.put(p, nodesBucket, string(key.bytes()), k.keep(r))
	p.nodes[key] = r
}

// put adds a write to p. A nil value removes the key.
func (k *Keeper) put(p *pending, bucket, key string, value any) {
	w := Write{Bucket: bucket + k.mesh, Key: []byte(key)}
	if value != nil {
		b, err := json.Marshal(value)
		if err != nil { // cannot happen: all values have JSON forms
			k.log.Error("state cannot be encoded", "bucket", w.Bucket, "err", err)
			return
		}
		w.Value = b
	}
	p.writes = append(p.writes, w)
}

// write commits p with a stamp of the clocks, and records what the store holds then.
func (k *Keeper) write(p *pending, now time.Time) bool {
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

// failed records that p was not written.
func (k *Keeper) failed(p *pending, err error, now time.Time) {
	if p.discovery != nil {
		k.discovery = p.discovery
	}
	if !k.behind && !errors.Is(err, ErrNotKept) { // ErrNotKept was logged by Open
		k.log.Error("the state cannot be written: nodes that register get no answer for a minute, then answers that are forgotten "+
			"when the daemon stops. Free the disk", "cause", err)
	}
	k.behind = true
	if k.since.IsZero() {
		k.since = now
	}
}

// sweep writes the changes of nodes, the clocks if the wall clock jumped, and everything that
// could not be written before.
func (k *Keeper) sweep(heard time.Duration) error {
	now := k.now()
	p := newPending()
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
		return err
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

// catchUp adds all that could not be written before: addresses whose stored value is out of
// date, and the state of neighbour discovery.
func (k *Keeper) catchUp(p *pending) {
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

// errNotWritten is returned by Sync if a write fails.
var errNotWritten = errors.New("the state file cannot be written now; is the disk full?")

// sameRecord reports whether r need not be written over old. A newer time when the node was
// heard counts only if it is later by heard; with heard 0, every change counts.
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
