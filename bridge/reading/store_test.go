package reading

import (
	"fmt"
	"log/slog"
	"net/netip"
	"runtime"
	"testing"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/bridge/senml"
)

// number is a reading of a number.
func number(name string, v float64, at time.Time) []senml.Reading {
	return []senml.Reading{{Name: name, Unit: "Cel", Kind: senml.Value, Value: v, Time: at}}
}

// What a node sends as units makes no more than a few series of a name over all time, and none
// that cannot be shown.
func TestUnitsAreBounded(t *testing.T) {
	s, tg := newSite(t)
	now := time.Now().Truncate(time.Microsecond)
	seen := map[string]bool{}
	for i := range 500 {
		r := senml.Reading{Name: "temp", Unit: fmt.Sprint("u", i), Kind: senml.Value, Value: 1, Time: now.Add(time.Duration(i) * time.Millisecond)}
		lost := s.Publish(tg, []senml.Reading{r}, now.Add(time.Second))
		if (lost == 1) != (i > maxUnits) {
			t.Fatalf("unit %d: %d lost", i, lost)
		}
		for _, x := range s.All() {
			seen[x.Name+x.Unit] = true
		}
	}
	if len(seen) != maxUnits+1 {
		t.Errorf("%d series over time, want %d", len(seen), maxUnits+1)
	}
	s.Publish(tg, []senml.Reading{{Name: "door", Unit: "\x1b[31m", Kind: senml.Value, Value: 1, Time: now}}, now)
	if rs := s.Of(tg.Node, "door", 1); len(rs) != 1 || rs[0].Unit != "" {
		t.Errorf("%+v", rs)
	}
}

// values are the numbers of readings.
func values(rs []senml.Reading) (out []float64) {
	for _, r := range rs {
		out = append(out, r.Value)
	}
	return out
}

// The past of a name: in the order of time, bounded, a late reading in its place.
func TestReadingsPast(t *testing.T) {
	s, tg := newSite(t)
	now := time.Now().Truncate(time.Microsecond)
	at := func(minutes int) time.Time { return now.Add(time.Duration(minutes-60) * time.Minute) }
	for _, i := range []int{1, 2, 5, 4, 3, 5, 6} { // 4 and 3 are late, 5 comes twice
		s.Put(tg.Name, tg.Node, number("temp", float64(i), at(i)), now)
	}
	if got := fmt.Sprint(values(s.Of(tg.Node, "temp", 16)), values(s.Of(tg.Node, "temp", 1)), values(s.Of(tg.Node, "temp", 3))); got != "[1 2 3 4 5 6] [6] [4 5 6]" {
		t.Error(got)
	}
	for i := 7; i <= 40; i++ {
		s.Put(tg.Name, tg.Node, number("temp", float64(i), at(i)), now)
	}
	s.Put(tg.Name, tg.Node, number("temp", 3, at(3)), now) // older than all that are kept
	rs := s.Of(tg.Node, "temp", MaxLast)
	if len(rs) != MaxLast || rs[0].Value != 25 || rs[15].Value != 40 || !rs[0].Time.Equal(at(25)) || rs[0].Unit != "Cel" {
		t.Errorf("%v", rs)
	}
	// A text and a flag; and what a name with another unit said before is not mixed in.
	s.Put(tg.Name, tg.Node, []senml.Reading{
		{Name: "door", Kind: senml.BoolValue, Bool: true, Time: at(1)}, {Name: "say", Kind: senml.StringValue, String: "a", Time: at(1)},
		{Name: "door", Kind: senml.BoolValue, Time: at(2)}, {Name: "say", Kind: senml.StringValue, String: "b", Time: at(2)},
	}, now)
	if rs := s.Of(tg.Node, "door", 2); len(rs) != 2 || !rs[0].Bool || rs[1].Bool {
		t.Errorf("%+v", rs)
	}
	if rs := s.Of(tg.Node, "say", 9); len(rs) != 2 || rs[0].String != "a" || rs[1].String != "b" {
		t.Errorf("%+v", rs)
	}
	s.Put(tg.Name, tg.Node, []senml.Reading{{Name: "temp", Unit: "K", Kind: senml.Value, Value: 280, Time: at(50)}}, now)
	if rs := s.Of(tg.Node, "temp", 9); len(rs) != 1 || rs[0].Unit != "K" {
		t.Errorf("%+v", rs)
	}
	s.mu.Lock()
	if s.past != 2 {
		t.Errorf("%d earlier readings are counted, want 2", s.past)
	}
	s.past = maxPast
	s.mu.Unlock()
	s.Put(tg.Name, tg.Node, number("hum", 1, at(1)), now)
	s.Put(tg.Name, tg.Node, number("hum", 2, at(2)), now)
	if got := values(s.Of(tg.Node, "hum", 9)); len(got) != 1 || got[0] != 2 {
		t.Errorf("%v, with no room for the past", got)
	}
}

// Clocks that are wrong (RFC 8428, section 4.5.3): what a pack says is set right
// where it cannot be, and a later reading always gets through.
func TestReadingsClock(t *testing.T) {
	now := time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name  string
		pack  string
		want  []time.Duration // before now
		wrong bool
	}{
		{"no times", `[{"n":"a","v":1}]`, []time.Duration{0}, false},
		{"relative", `[{"n":"a","v":1,"t":-90},{"n":"a","v":2,"t":-30}]`, []time.Duration{90 * time.Second, 30 * time.Second}, false},
		{"relative, kept for a month", `[{"n":"a","v":1,"t":-2592000}]`, []time.Duration{720 * time.Hour}, false},
		{"right, kept for an hour", `[{"bt":1795597200,"n":"a","v":1}]`, []time.Duration{time.Hour}, false},
		{"a little fast", `[{"bt":1795600830,"n":"a","v":1}]`, []time.Duration{-30 * time.Second}, false},
		{"relative, to come", `[{"n":"a","v":1,"t":100000000}]`, []time.Duration{0}, true},
		{"2099", `[{"bt":4070908800,"n":"a","v":1,"t":-60},{"n":"a","v":2}]`, []time.Duration{time.Minute, 0}, true},
		{"the year 9999", `[{"n":"a","v":1,"t":253402300799}]`, []time.Duration{0}, true},
		{"began at 2000", `[{"bt":946684800,"n":"a","v":1,"t":5},{"n":"a","v":2,"t":15.5}]`, []time.Duration{10500 * time.Millisecond, 0}, true},
		{"one is right", `[{"n":"a","v":1,"t":1795597200},{"n":"a","v":2,"t":4070908800}]`, []time.Duration{time.Hour, 0}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			pack, err := senml.ParseJSON([]byte(c.pack))
			if err != nil {
				t.Fatal(err)
			}
			rs, err := senml.Resolve(pack, now)
			if err != nil {
				t.Fatal(err)
			}
			if wrong := correctTimes(rs, now); wrong != c.wrong {
				t.Errorf("wrong: %v", wrong)
			}
			for i, r := range rs {
				if got := now.Sub(r.Time); got != c.want[i] {
					t.Errorf("reading %d is %v old, want %v", i+1, got, c.want[i])
				}
			}
		})
	}
	// Our own clock was ahead, and was set right.
	s, tg := newSite(t)
	s.Put(tg.Name, tg.Node, number("temp", 1, now.AddDate(70, 0, 0)), now.AddDate(70, 0, 0))
	s.Put(tg.Name, tg.Node, number("temp", 2, now), now)
	if got := values(s.Of(tg.Node, "temp", 16)); len(got) != 1 || got[0] != 2 {
		t.Errorf("%v", got)
	}
}

// BenchmarkReadingsMemory measures what a node's readings take, with three names and
// all their past.
func BenchmarkReadingsMemory(b *testing.B) {
	const nodes = 10_000
	now := time.Now()
	for b.Loop() {
		var before, after runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&before)
		s := New(slog.New(slog.DiscardHandler), func() {})
		for range nodes {
			n := new(node.Node)
			for i := range MaxLast {
				for _, name := range []string{"temp", "hum", "batt"} {
					s.Put("fenland", n, number(name, float64(i), now.Add(time.Duration(i-60)*time.Second)), now)
				}
			}
		}
		runtime.GC()
		runtime.ReadMemStats(&after)
		b.ReportMetric(float64(after.HeapAlloc-before.HeapAlloc)/nodes, "B/node")
		runtime.KeepAlive(s)
	}
}

// newSite is a store, and a node that is up in a mesh.
func newSite(t testing.TB) (*Store, node.Member) {
	t.Helper()
	table, err := node.New(node.Options{
		Prefix: netip.MustParsePrefix("fd5e:2a11:77c0:1::/64"),
		Places: []node.Place{{Name: "grain-bin", EUI64: ieee802154.Extended(0x00005eef10000005)}, {Name: "mast"}},
	})
	if err != nil {
		t.Fatal(err)
	}
	n := table.Attach(node.Joined{EUI64: ieee802154.Extended(0x00005eef10000005)}, time.Now()).Node
	return New(slog.New(slog.DiscardHandler), func() {}), node.Member{Mesh: node.Mesh{Name: "fenland", Table: table}, Node: n}
}
