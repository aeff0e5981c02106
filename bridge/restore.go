package bridge

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
	"culvert/bridge/store"
)

// newKeeper reads what the store has of a mesh, and brings its nodes back into the
// table, which nobody uses yet. What neighbour discovery knew is returned.
func newKeeper(store *store.Store, mesh string, t *node.Table, log *slog.Logger, now func() time.Time) (*keeper, nd.State, error) {
	k := &keeper{store: store, mesh: mesh, table: t, log: log, now: now,
		unsaved:   make(chan *forward.Unsaved, maxUnsaved),
		ask:       make(chan chan<- error),
		addresses: map[netip.Addr]int64{}, nodes: map[nodeKey]node.Record{}}
	at := now()
	k.clock.base = at
	fail := func(err error) (*keeper, nd.State, error) {
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

// begin gives the addresses of the earlier run to their nodes, and writes what is
// new since: a version that is announced must not be forgotten. What was not taken
// over is removed from the store.
func (k *keeper) begin(s *nd.Server) {
	at := k.now()
	p := pending{addresses: map[netip.Addr]int64{}, nodes: map[nodeKey]node.Record{}}
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
	k.garbage = nil // where it cannot be removed now, the next start finds it again
	d := discoveryOf(s.State(at))
	p.discovery = &d
	k.write(&p, at) // sweep writes what could not be written here
	if n := len(k.nodes) + len(taken); n > 0 {
		k.log.Info("stored state of the mesh restored", "nodes", len(k.nodes), "addresses", len(taken), "version", s.Version())
	}
}

// read reads one value of the mesh. One that cannot be read is said, and is as if it
// was not there.
func (k *keeper) read(key string, v any) error {
	b, err := k.store.Value(meshBucket+k.mesh, key)
	if err != nil || b == nil {
		return err
	}
	if err := json.Unmarshal(b, v); err != nil {
		k.log.Error("a stored value cannot be read and is reset", "key", key, "err", err)
	}
	return nil
}

func (k *keeper) restoreClock(at time.Time) error {
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

func (k *keeper) restoreNodes(at time.Time) error {
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

// keep returns what is kept of a record.
func (k *keeper) keep(r node.Record) keptRecord {
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

// record returns the record that was kept. Its times are those of the store's clock,
// which does not jump.
func (k *keeper) record(kept keptRecord) node.Record {
	r := kept.Record
	if kept.HeardAt != nil {
		r.LastHeard = k.clock.time(*kept.HeardAt)
	}
	if kept.ReportAt != nil {
		r.LastReport = k.clock.time(*kept.ReportAt)
	}
	return r
}

// restoreAddresses reads what nodes registered and claimed. A refresh is not written
// while half of the life before it is left in the store, so that the node may have
// been granted half a life more than what stands there.
func (k *keeper) restoreAddresses() (out []nd.Binding, err error) {
	err = k.store.Each(addressesBucket+k.mesh, func(key, value []byte) error {
		var a keptAddress
		err := json.Unmarshal(value, &a)
		addr, ok := netip.AddrFromSlice(key)
		if err == nil && !ok {
			err = errors.New("no address for a key")
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

// discard has begin remove a key whose value cannot be read.
func (k *keeper) discard(bucket string, key []byte) {
	k.garbage = append(k.garbage, store.Write{Bucket: bucket + k.mesh, Key: bytes.Clone(key)})
}

// discoveryOf returns the state of neighbour discovery as it is kept.
func discoveryOf(s nd.State) keptDiscovery {
	d := keptDiscovery{Version: s.Version}
	for _, c := range s.Contexts {
		d.Contexts = append(d.Contexts, keptContext{ID: c.ID, Prefix: c.Prefix, Phase: c.Phase, Left: int64(c.Left / time.Second)})
	}
	return d
}
