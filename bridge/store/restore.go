package store

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/netip"
	"time"

	"culvert/bridge/forward"
	"culvert/bridge/nd"
	"culvert/bridge/node"
)

// NewKeeper reads the state of a mesh from the store. It restores the nodes in t, which must
// not be in use yet, and returns the state of neighbour discovery. It logs and resets values
// that it cannot decode; an error says that the store could not be read.
func NewKeeper(store *Store, mesh string, t *node.Table, log *slog.Logger, now func() time.Time) (*Keeper, nd.State, error) {
	k := &Keeper{store: store, mesh: mesh, table: t, log: log, now: now,
		unsaved:   make(chan *forward.Unsaved, maxUnsaved),
		sync:      make(chan chan<- error),
		addresses: map[netip.Addr]int64{}, nodes: map[nodeKey]node.Record{}}
	at := now()
	k.clock.base = at
	fail := func(err error) (*Keeper, nd.State, error) {
		return nil, nd.State{}, fmt.Errorf("state of mesh %s: %w", mesh, err)
	}
	if err := k.restoreClock(at); err != nil {
		return fail(err)
	}
	var kept keptDiscovery
	if err := k.read(keyDiscovery, &kept); err != nil {
		return fail(err)
	}
	if err := k.restoreNodes(at); err != nil {
		return fail(err)
	}
	state := nd.State{Version: kept.Version}
	for _, c := range kept.Contexts {
		state.Contexts = append(state.Contexts, nd.ContextState{Context: nd.Context{ID: c.ID, Prefix: c.Prefix},
			Phase: c.Phase, Left: time.Duration(c.Left) * time.Second})
	}
	var err error
	if state.Bindings, err = k.restoreAddresses(); err != nil {
		return fail(err)
	}
	return k, state, nil
}

// Begin binds the restored addresses to their nodes, writes the version that s will announce,
// and removes from the store what was not restored.
func (k *Keeper) Begin(s *nd.Server) {
	at := k.now()
	p := newPending()
	taken := map[netip.Addr]bool{}
	s.Bindings(func(b nd.Binding) bool {
		if b.Relay.IsNone() { // a relay may have registered a node that was never heard
			k.table.Learn(b.Link, at)
		}
		err := k.table.AddAddress(b.Link, b.Addr, b.Origin, at)
		if err != nil && !(errors.Is(err, node.ErrNoNode) && !b.Relay.IsNone()) {
			k.log.Warn("a stored address could not be restored", "address", b.Addr.String(), "link", b.Link.String(), "err", err)
		}
		taken[b.Addr] = true
		return true
	})
	for a := range k.addresses {
		if !taken[a] {
			k.removeAddress(&p, a)
		}
	}
	p.writes = append(p.writes, k.garbage...)
	k.garbage = nil // the next start finds what cannot be removed now
	d := discoveryOf(s.State(at))
	p.discovery = &d
	k.write(&p, at) // if this fails, sweep writes it
	if n := len(k.nodes) + len(taken); n > 0 {
		k.log.Info("stored state of the mesh restored", "nodes", len(k.nodes), "addresses", len(taken), "version", s.Version())
	}
}

// read reads one value of the mesh into v. It leaves v alone if there is none, or none that it
// can decode, which it logs.
func (k *Keeper) read(key string, v any) error {
	b, err := k.store.Value(meshBucket+k.mesh, key)
	if err != nil || b == nil {
		return err
	}
	if err := json.Unmarshal(b, v); err != nil {
		k.log.Error("a stored value cannot be read and is reset", "key", key, "err", err)
	}
	return nil
}

func (k *Keeper) restoreClock(at time.Time) error {
	var last stamp
	if err := k.read(keyClock, &last); err != nil {
		return err
	}
	k.clock.at = last.Seconds
	if last == (stamp{}) {
		return nil
	}
	d, ok := away(last, readStamp(at))
	if !ok {
		k.log.Warn("the time since the last run is unknown: stored lifetimes continue where they were", "last", time.Unix(last.Wall, 0).UTC(), "now", at.UTC())
	}
	k.clock.at += int64(d / time.Second)
	return nil
}

func (k *Keeper) restoreNodes(at time.Time) error {
	var records []node.Record
	err := k.store.Each(nodesBucket+k.mesh, func(key, value []byte) error {
		var kept keptRecord
		err := json.Unmarshal(value, &kept)
		r := k.record(kept)
		if err != nil || string(keyOf(r).bytes()) != string(key) {
			k.log.Warn("a stored node cannot be read and is removed", "node", string(key), "cause", err)
			k.discard(nodesBucket, key)
			return nil
		}
		records = append(records, r)
		k.nodes[keyOf(r)] = r
		return nil
	})
	if err != nil {
		return err
	}
	if lost := k.table.Restore(records, at); lost > 0 {
		k.log.Warn("the node table has no room for all stored nodes", "lost", lost)
	}
	return nil
}

// keep returns the stored form of a record.
func (k *Keeper) keep(r node.Record) keptRecord {
	kept := keptRecord{Record: r}
	if !r.LastHeard.IsZero() {
		at := k.clock.seconds(r.LastHeard)
		kept.HeardAt = &at
	}
	if !r.LastReport.IsZero() {
		at := k.clock.seconds(r.LastReport)
		kept.ReportAt = &at
	}
	return kept
}

// record returns a record from its stored form, with the times by the store's clock.
func (k *Keeper) record(kept keptRecord) node.Record {
	r := kept.Record
	if kept.HeardAt != nil {
		r.LastHeard = k.clock.time(*kept.HeardAt)
	}
	if kept.ReportAt != nil {
		r.LastReport = k.clock.time(*kept.ReportAt)
	}
	return r
}

// restoreAddresses reads the addresses that nodes registered and claimed. It extends a
// registration by half its lifetime: a renewal is not written while half of the lifetime is
// left in the store, so the node may have been granted that much more.
func (k *Keeper) restoreAddresses() (out []nd.Binding, err error) {
	err = k.store.Each(addressesBucket+k.mesh, func(key, value []byte) error {
		var a keptAddress
		err := json.Unmarshal(value, &a)
		addr, ok := netip.AddrFromSlice(key)
		if err == nil && !ok {
			err = errors.New("its key is not an IPv6 address")
		}
		if err != nil {
			k.log.Warn("a stored address cannot be read and is removed", "address", addr.String(), "cause", err)
			k.discard(addressesBucket, key)
			return nil
		}
		k.addresses[addr] = a.Until
		b := nd.Binding{Addr: addr, Link: a.Link, Relay: a.Relay, Origin: node.Registered, ROVR: a.ROVR,
			Until: k.clock.time(a.Until), Life: time.Duration(a.Life) * time.Second}
		if a.TID != nil {
			b.TID, b.HasTID = *a.TID, true
		}
		if a.Claim {
			b.Origin = node.Claimed
		} else {
			b.Until = b.Until.Add(b.Life / 2)
		}
		out = append(out, b)
		return nil
	})
	return out, err
}

// discard marks a key whose value cannot be read; Begin removes it.
func (k *Keeper) discard(bucket string, key []byte) {
	k.garbage = append(k.garbage, Write{Bucket: bucket + k.mesh, Key: bytes.Clone(key)})
}

// discoveryOf returns the stored form of s.
func discoveryOf(s nd.State) keptDiscovery {
	d := keptDiscovery{Version: s.Version}
	for _, c := range s.Contexts {
		d.Contexts = append(d.Contexts, keptContext{ID: c.ID, Prefix: c.Prefix, Phase: c.Phase, Left: int64(c.Left / time.Second)})
	}
	return d
}
