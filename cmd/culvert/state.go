package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"path/filepath"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
)

// What is kept, and how often it is written: seldom, since the disk of a gateway is
// often a flash memory that wears.
const (
	stateFile   = "state.db"
	stateEvery  = 10 * time.Second // for what changed
	heardEvery  = 10 * time.Minute // for when a node was last heard
	stateBucket = "nodes of mesh "
)

// state keeps what of the nodes outlives the daemon. One goroutine uses it.
type state struct {
	store  *node.Store
	log    *slog.Logger
	meshes []stateMesh
}

// stateMesh is the part of one mesh.
type stateMesh struct {
	bucket string
	table  *node.Table
	kept   map[string]node.Record // as it stands in the store, by key
}

// openState opens the file of the state.
func openState(dir string, log *slog.Logger) (*state, error) {
	log = log.With("part", "state")
	store, err := node.OpenStore(filepath.Join(dir, stateFile), log)
	if err != nil {
		return nil, fmt.Errorf("state_dir: %w", err)
	}
	return &state{store: store, log: log}, nil
}

// restore brings the nodes of an earlier run back into the table of a mesh, which
// nobody uses yet, and has the table kept from now on.
func (s *state) restore(mesh string, t *node.Table, now time.Time) error {
	m := stateMesh{bucket: stateBucket + mesh, table: t, kept: map[string]node.Record{}}
	var records []node.Record
	err := s.store.Each(m.bucket, func(key, value []byte) error {
		var r node.Record
		if err := json.Unmarshal(value, &r); err != nil || recordKey(r) != string(key) {
			s.log.Warn("a kept node cannot be read and is forgotten", "mesh", mesh, "node", string(key), "cause", err)
			r = node.Record{} // differs from whatever is there, so that it is written anew or removed
		} else {
			records = append(records, r)
		}
		m.kept[string(key)] = r
		return nil
	})
	if err != nil {
		return fmt.Errorf("state of mesh %s: %w", mesh, err)
	}
	if lost := t.Restore(records, now); lost > 0 {
		s.log.Warn("there is no room for all nodes of the last run", "mesh", mesh, "lost", lost)
	}
	s.meshes = append(s.meshes, m)
	return nil
}

// recordKey names a record in the store. It does not depend on the place's name.
func recordKey(r node.Record) string {
	if !r.EUI64.IsNone() {
		return r.EUI64.String()
	}
	return fmt.Sprintf("%04x/%v", r.PAN, r.Short)
}

// run writes what changed, now and then, and all of it at the end.
func (s *state) run(ctx context.Context) error {
	defer s.store.Close()
	t := time.NewTicker(stateEvery)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return s.commit(0)
		case <-t.C:
			if err := s.commit(heardEvery); err != nil {
				s.log.Error("the state of the nodes cannot be written", "cause", err)
			}
		}
	}
}

// commit writes the records that changed. That a node was heard is a change only if
// it was not heard for so long before.
func (s *state) commit(heard time.Duration) error {
	var writes []node.Write
	type entry struct {
		kept   map[string]node.Record
		key    string
		record node.Record
	}
	var changed []entry
	for _, m := range s.meshes {
		seen := map[string]bool{}
		for _, r := range m.table.Records() {
			key := recordKey(r)
			seen[key] = true
			if old, ok := m.kept[key]; ok && sameRecord(old, r, heard) {
				continue
			}
			value, err := json.Marshal(r)
			if err != nil {
				return fmt.Errorf("state of %s: %w", key, err)
			}
			writes = append(writes, node.Write{Bucket: m.bucket, Key: []byte(key), Value: value})
			changed = append(changed, entry{m.kept, key, r})
		}
		for key := range m.kept {
			if !seen[key] {
				writes = append(writes, node.Write{Bucket: m.bucket, Key: []byte(key)})
				changed = append(changed, entry{m.kept, key, node.Record{}})
			}
		}
	}
	if err := s.store.Commit(writes); err != nil {
		return err
	}
	for _, e := range changed {
		if e.record.EUI64 == (ieee802154.Addr{}) && e.record.Short == (ieee802154.Addr{}) {
			delete(e.kept, e.key)
		} else {
			e.kept[e.key] = e.record
		}
	}
	return nil
}

// sameRecord reports whether a record has not changed enough to be written.
func sameRecord(old, r node.Record, heard time.Duration) bool {
	apart := r.LastHeard.Sub(old.LastHeard)
	if apart != 0 && apart >= heard {
		return false
	}
	old.LastHeard = r.LastHeard
	if old.FirstSeen.Equal(r.FirstSeen) { // they may differ in their location alone
		old.FirstSeen = r.FirstSeen
	}
	return reflect.DeepEqual(old, r)
}
