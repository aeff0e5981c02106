package main

import (
	"context"
	"log/slog"
	"net/netip"
	"os"
	"path/filepath"
	"testing"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
)

func testTable(t *testing.T) *node.Table {
	t.Helper()
	table, err := node.New(node.Options{Prefix: netip.MustParsePrefix("2001:db8:1::/64")})
	if err != nil {
		t.Fatal(err)
	}
	return table
}

// TestState holds that nodes outlive the daemon, that a mesh keeps its own, and that
// what is written wears a flash memory no more than needed.
func TestState(t *testing.T) {
	dir := t.TempDir()
	began := time.Now().Truncate(time.Second)
	eui := ieee802154.MustParseAddr("00:00:5e:ef:10:00:00:05")
	short := ieee802154.MustParseAddr("00:07")
	run := func(f func(s *state, table *node.Table)) {
		t.Helper()
		s, err := openState(dir, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		table := testTable(t)
		if err := s.restore("fenland", table, began); err != nil {
			t.Fatal(err)
		}
		if err := s.restore("orchard", testTable(t), began); err != nil {
			t.Fatal(err)
		}
		f(s, table)
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := s.run(ctx); err != nil {
			t.Fatal(err)
		}
	}
	size := func(s *state, bucket string) (n int) {
		if err := s.store.Each(bucket, func(_, _ []byte) error { n++; return nil }); err != nil {
			t.Fatal(err)
		}
		return n
	}
	run(func(s *state, table *node.Table) {
		table.SetPAN(0x5eef)
		table.Attach(node.Joined{EUI64: eui, Short: short}, began)
		n := table.ByLink(eui)
		table.Seen(n, began)
		if err := s.commit(heardEvery); err != nil {
			t.Fatal(err)
		}
		if got := s.meshes[0].kept[eui.String()]; got.Short != short || !got.FirstSeen.Equal(began) {
			t.Errorf("kept %+v", got)
		}
	})
	run(func(s *state, table *node.Table) {
		n := table.ByLink(eui)
		if n == nil || n.Short() != short || n.State() != node.Silent || !n.Reachable() || !n.FirstSeen().Equal(began) {
			t.Fatalf("restored %+v", n)
		}
		if a, b := size(s, stateBucket+"fenland"), size(s, stateBucket+"orchard"); a != 1 || b != 0 {
			t.Errorf("kept %d and %d nodes", a, b)
		}
		// What cannot be read is forgotten, and does not stop the daemon.
		if err := s.store.Commit([]node.Write{{Bucket: stateBucket + "fenland", Key: []byte("00:00:5e:ef:10:00:00:06"), Value: []byte("{")}}); err != nil {
			t.Fatal(err)
		}
	})
	run(func(s *state, table *node.Table) {
		if table.Len() != 1 || size(s, stateBucket+"fenland") != 2 {
			t.Errorf("%d nodes", table.Len())
		}
	})
	run(func(s *state, table *node.Table) {
		if n := size(s, stateBucket+"fenland"); n != 1 {
			t.Errorf("%d records, the unreadable one should be gone", n)
		}
	})
}

func TestSameRecord(t *testing.T) {
	now := time.Now()
	r := node.Record{EUI64: ieee802154.MustParseAddr("00:00:5e:ef:10:00:00:05"), FirstSeen: now, LastHeard: now}
	with := func(f func(*node.Record)) node.Record { c := r; f(&c); return c }
	for _, c := range []struct {
		name  string
		r     node.Record
		heard time.Duration
		same  bool
	}{
		{"nothing", r, 0, true},
		{"heard again soon", with(func(r *node.Record) { r.LastHeard = now.Add(time.Minute) }), heardEvery, true},
		{"heard again late", with(func(r *node.Record) { r.LastHeard = now.Add(heardEvery) }), heardEvery, false},
		{"heard again, at the end", with(func(r *node.Record) { r.LastHeard = now.Add(time.Second) }), 0, false},
		{"short address", with(func(r *node.Record) { r.Short = ieee802154.Short(5) }), heardEvery, false},
		{"first seen, elsewhere", with(func(r *node.Record) { r.FirstSeen = now.UTC().Round(0) }), heardEvery, true},
	} {
		if got := sameRecord(r, c.r, c.heard); got != c.same {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// TestStateDamaged holds that a damaged file is put aside and does not stop the
// daemon.
func TestStateDamaged(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, stateFile), []byte("not a store, not at all, but long enough to be looked at"), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := openState(dir, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer s.store.Close()
	if aside, _ := filepath.Glob(filepath.Join(dir, stateFile+".damaged-*")); len(aside) != 1 {
		t.Errorf("put aside: %v", aside)
	}
}
