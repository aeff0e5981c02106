package store

import (
	"log/slog"
	"net/netip"
	"path/filepath"
	"testing"
	"time"

	"culvert/bridge/forward"
	"culvert/bridge/ieee802154"
	"culvert/bridge/nd"
	"culvert/bridge/node"
)

// How long nobody counted: by the machine's own clock where it did not boot, by the
// wall clock where that is plausible, else not at all.
func TestAway(t *testing.T) {
	last := stamp{Seconds: 100, Wall: 1_800_000_000, Boot: "x", SinceBoot: 5000}
	for _, c := range []struct {
		name string
		now  stamp
		want time.Duration
		ok   bool
	}{
		{"same boot", stamp{Wall: last.Wall + 60, Boot: "x", SinceBoot: 5060}, time.Minute, true},
		{"same boot, the wall clock jumped by years", stamp{Wall: last.Wall + 3e8, Boot: "x", SinceBoot: 5060}, time.Minute, true},
		{"same boot, the wall clock went back", stamp{Wall: 0, Boot: "x", SinceBoot: 5060}, time.Minute, true},
		{"another boot", stamp{Wall: last.Wall + 7200, Boot: "y", SinceBoot: 30}, 2 * time.Hour, true},
		{"another boot, without a battery for the clock", stamp{Wall: 100, Boot: "y", SinceBoot: 30}, 0, false},
		{"another boot, years later", stamp{Wall: last.Wall + 3e8, Boot: "y", SinceBoot: 30}, 0, false},
		{"no boot ids", stamp{Wall: last.Wall + 5}, 5 * time.Second, true},
	} {
		if d, ok := away(last, c.now); d != c.want || ok != c.ok {
			t.Errorf("%s: %v %v, want %v %v", c.name, d, ok, c.want, c.ok)
		}
	}
}

// keeping is a keeper with its table, its server and a clock.
type keeping struct {
	t     *testing.T
	store *Store
	k     *Keeper
	table *node.Table
	srv   *nd.Server
	now   time.Time
	saved int
}

var (
	keptPrefix = netip.MustParsePrefix("2001:db8:1::/64")
	keptNode   = ieee802154.MustParseAddr("00005eef10000005")
	keptAddr   = netip.MustParseAddr("2001:db8:1::1234")
)

func openKeeping(t *testing.T, path string, now time.Time, contexts ...nd.Context) *keeping {
	t.Helper()
	x := &keeping{t: t, now: now}
	var err error
	if x.store, err = Open(path, nil); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { x.store.Close() })
	if x.table, err = node.New(node.Options{Prefix: keptPrefix, Start: now}); err != nil {
		t.Fatal(err)
	}
	k, state, err := NewKeeper(x.store, "fenland", x.table, slog.New(slog.DiscardHandler), func() time.Time { return x.now })
	if err != nil {
		t.Fatal(err)
	}
	x.k, x.srv = k, nd.New(nd.Options{Prefix: keptPrefix, Table: x.table, Contexts: contexts}, state, now)
	k.saved = func(*forward.Unsaved) { x.saved++ }
	k.bindings = x.srv.Bindings
	k.Begin(x.srv)
	return x
}

// grant commits the registration of an address for an hour.
func (x *keeping) grant(renewal bool) {
	x.t.Helper()
	x.table.Learn(keptNode, x.now)
	r := nd.Binding{Addr: keptAddr, Link: keptNode, Origin: node.Registered, ROVR: nd.NewROVR(keptNode.AppendTo(nil)),
		TID: 9, HasTID: true, Until: x.now.Add(time.Hour), Life: time.Hour}
	kind := nd.Bound
	if renewal {
		kind = nd.Renewed
	}
	x.k.commit([]*forward.Unsaved{{Changes: []nd.Change{{Binding: r, Kind: kind}}}})
}

// A registration comes back with its verifier and transaction id, to its node. The
// disk is written for a refresh only where less than half of the life is left there,
// and what was granted is covered all the same.
func TestRegistrationIsKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state.db")
	start := time.Now()
	x := openKeeping(t, path, start)
	x.grant(false)
	before := x.k.commits.Load()
	x.now = start.Add(25 * time.Minute)
	x.grant(true) // 35 minutes left on disk: no write
	if x.k.commits.Load() != before || x.saved != 2 {
		t.Errorf("%d writes for an early refresh, %d answered", x.k.commits.Load()-before, x.saved)
	}
	x.store.Close()

	y := openKeeping(t, path, start) // the same boot: the machine's clock says that no second passed
	n := y.table.ByAddress(keptAddr)
	if n == nil || n.EUI64() != keptNode || !n.Reachable() {
		t.Fatal("the registration is gone, or its node is not reachable")
	}
	y.srv.Bindings(func(r nd.Binding) bool {
		left := r.Until.Sub(start)
		if r.TID != 9 || !r.HasTID || string(r.ROVR.Bytes()) != string(keptNode.AppendTo(nil)) || r.Origin != node.Registered {
			t.Errorf("came back as %+v", r)
		}
		if left < 85*time.Minute || left > 90*time.Minute { // granted until minute 85
			t.Errorf("%v left", left)
		}
		return true
	})
	y.now = start.Add(35 * time.Minute)
	before = y.k.commits.Load()
	y.grant(true) // 25 minutes left on disk
	if y.k.commits.Load() != before+1 {
		t.Error("a late refresh was not written")
	}
}

// What a relay registered for a node that was never heard comes back as that: it makes
// no node, and counts against the relay.
func TestRelayIsKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state.db")
	now := time.Unix(1_800_000_000, 0)
	relay := ieee802154.MustParseAddr("00005eef10000006")
	x := openKeeping(t, path, now)
	r := nd.Binding{Addr: keptAddr, Link: keptNode, Relay: relay, Origin: node.Registered, ROVR: nd.NewROVR(keptNode.AppendTo(nil)),
		Until: now.Add(time.Hour), Life: time.Hour}
	x.k.commit([]*forward.Unsaved{{Changes: []nd.Change{{Binding: r}}}})
	if err := x.store.Close(); err != nil {
		t.Fatal(err)
	}
	y := openKeeping(t, path, now.Add(time.Minute))
	back := 0
	y.srv.Bindings(func(r nd.Binding) bool {
		if back++; r.Relay != relay || r.Link != keptNode {
			t.Errorf("back as %+v", r)
		}
		return true
	})
	if back != 1 || y.table.Len() != 0 {
		t.Errorf("%d bindings, %d nodes; want 1 and none", back, y.table.Len())
	}
}

// A registration that ended is gone from the disk too.
func TestEndIsKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state.db")
	start := time.Now()
	x := openKeeping(t, path, start)
	x.grant(false)
	x.k.commit([]*forward.Unsaved{{Changes: []nd.Change{{Binding: nd.Binding{Addr: keptAddr, Link: keptNode}, Kind: nd.Ended}}}})
	x.store.Close()
	if y := openKeeping(t, path, start); y.table.ByAddress(keptAddr) != nil || len(y.k.addresses) != 0 {
		t.Error("the address came back")
	}
}

// While the disk takes nothing, nothing is acknowledged; when it does again, what is
// in memory is written.
func TestDiskFails(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state.db")
	start := time.Now()
	x := openKeeping(t, path, start)
	good := x.k.store
	bad, err := Open(filepath.Join(t.TempDir(), "other.db"), nil)
	if err != nil {
		t.Fatal(err)
	}
	bad.Close()
	x.k.store = bad
	x.grant(false)
	x.grant(true)
	if x.saved != 0 || bad.Stats().Failures != 2 || !x.k.behind {
		t.Errorf("%d acknowledged, %d failures", x.saved, bad.Stats().Failures)
	}
	x.k.store = good
	x.k.bindings = func(f func(nd.Binding) bool) {
		f(nd.Binding{Addr: keptAddr, Link: keptNode, Origin: node.Registered, Until: start.Add(time.Hour), Life: time.Hour})
	}
	x.k.sweep(heardEvery)
	if x.k.behind || x.k.addresses[keptAddr] == 0 {
		t.Error("not caught up")
	}
	x.grant(true)
	if x.saved != 1 {
		t.Error("not acknowledged after the disk was back")
	}
}

// The version of the border router option survives, and goes up with a change of the
// contexts (RFC 6775, 8.1.3); a context of a mesh that was there before is announced
// first (RFC 6775, 7.2).
func TestVersionIsKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state.db")
	start := time.Now()
	zero := nd.Context{ID: 0, Prefix: keptPrefix}
	x := openKeeping(t, path, start, zero)
	first := x.srv.Version()
	x.store.Close()
	y := openKeeping(t, path, start, zero)
	if first == 0 || y.srv.Version() != first {
		t.Errorf("version %d, then %d", first, y.srv.Version())
	}
	y.store.Close()
	z := openKeeping(t, path, start, zero, nd.Context{ID: 1, Prefix: netip.MustParsePrefix("2001:db8:9::/64")})
	if z.srv.Version() != first+1 {
		t.Errorf("version %d after a new context, want %d", z.srv.Version(), first+1)
	}
	for _, c := range z.srv.State(start).Contexts {
		if want := map[uint8]nd.Phase{0: nd.PhaseUse, 1: nd.PhaseLearn}[c.ID]; c.Phase != want {
			t.Errorf("context %d is in phase %d, want %d", c.ID, c.Phase, want)
		}
	}
}

// What cannot be read is forgotten, said, and stops nothing.
func TestKeptGarbage(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state.db")
	x := openKeeping(t, path, time.Now())
	x.grant(false)
	a := netip.MustParseAddr("2001:db8:1::9").As16()
	err := x.store.Commit([]Write{
		{Bucket: addressesBucket + "fenland", Key: a[:], Value: []byte("{")},
		{Bucket: addressesBucket + "fenland", Key: []byte("short"), Value: []byte("{}")},
		{Bucket: nodesBucket + "fenland", Key: []byte("00:00:5e:ef:10:00:00:06"), Value: []byte("{}")},
		{Bucket: meshBucket + "fenland", Key: []byte(keyDiscovery), Value: []byte("[]")},
		{Bucket: meshBucket + "fenland", Key: []byte(keyClock), Value: []byte("7")},
	})
	if err != nil {
		t.Fatal(err)
	}
	x.store.Close()
	y := openKeeping(t, path, time.Now())
	if y.table.ByAddress(keptAddr) == nil || y.table.Len() != 1 {
		t.Error("the good record is lost")
	}
	left := 0
	if err := y.store.Each(addressesBucket+"fenland", func(_, _ []byte) error { left++; return nil }); err != nil || left != 1 {
		t.Errorf("%d records left, %v", left, err)
	}
}

// A store that takes nothing until the next start must not keep nodes from
// registering, nor a disk that has been full for a minute; what was answered without
// being written is written once there is room.
func TestAnswersWithoutDisk(t *testing.T) {
	start := time.Now()
	x := openKeeping(t, filepath.Join(t.TempDir(), "none", "\x00"), start)
	x.grant(false)
	if x.saved != 1 || x.store.Fault() == nil || x.table.ByLink(keptNode) == nil {
		t.Errorf("%d acknowledged without a store, fault %v", x.saved, x.store.Fault())
	}

	x = openKeeping(t, filepath.Join(t.TempDir(), "state.db"), start)
	good := x.k.store
	full, err := Open(filepath.Join(t.TempDir(), "full.db"), nil)
	if err != nil {
		t.Fatal(err)
	}
	full.Close()
	x.k.store = full
	x.grant(false)
	x.now = start.Add(answerAfter - time.Second)
	x.grant(false)
	if x.saved != 0 {
		t.Errorf("%d acknowledged at once", x.saved)
	}
	x.now = start.Add(answerAfter)
	x.grant(false)
	x.k.commit([]*forward.Unsaved{{State: nd.State{Version: 77}}})
	if x.saved != 2 {
		t.Errorf("%d acknowledged after a minute, want 2", x.saved)
	}
	x.k.store = good
	x.k.bindings = func(f func(nd.Binding) bool) {
		f(nd.Binding{Addr: keptAddr, Link: keptNode, Origin: node.Registered, Until: x.now.Add(time.Hour), Life: time.Hour})
	}
	x.k.sweep(heardEvery)
	var kept keptDiscovery
	if err := x.k.read(keyDiscovery, &kept); err != nil || kept.Version != 77 || x.k.behind || x.k.addresses[keptAddr] == 0 {
		t.Errorf("with room again: version %d, %v, behind %v, addresses %v", kept.Version, err, x.k.behind, x.k.addresses)
	}
}

// A record of replaced devices that cannot be read stops nothing.
func TestReplacedGarbage(t *testing.T) {
	s, err := Open(filepath.Join(t.TempDir(), "state.db"), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := s.Commit([]Write{{Bucket: meshBucket + "fenland", Key: []byte(keyReplaced), Value: []byte(`{"places":{"mast":`)}}); err != nil {
		t.Fatal(err)
	}
	want := []node.Place{{Name: "mast", EUI64: keptNode}}
	places, retired, err := s.Places("fenland", want, slog.New(slog.DiscardHandler))
	if err != nil || len(places) != 1 || places[0] != want[0] || len(retired) != 0 {
		t.Errorf("%v, %v, %v", places, retired, err)
	}
}

// That a node was offered generic header compression, or shows that it understands it,
// is written: without it its frames would end as ghc-not-offered after a restart.
func TestCompressionIsKept(t *testing.T) {
	old := node.Record{EUI64: keptNode, LastHeard: time.Unix(1_800_000_000, 0)}
	for _, change := range []func(*node.Record){
		func(r *node.Record) { r.GHC = true },
		func(r *node.Record) { r.OfferedGHC = true },
	} {
		r := old
		change(&r)
		if sameRecord(old, r, heardEvery) {
			t.Errorf("%+v is not written over %+v", r, old)
		}
	}
}
