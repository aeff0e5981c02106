// Package reading keeps the latest readings of each node, and decodes the bare datagrams of
// nodes that send no CoAP.
package reading

import (
	"bytes"
	"cmp"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"culvert/bridge/loglimit"
	"culvert/bridge/node"
	"culvert/bridge/senml"
)

// MaxNames is how many names of readings of one node are kept. It is our choice.
const MaxNames = 64

// maxUnits is how many times a name of a node may change its unit: each change is another
// series of metrics for whoever keeps them. It is our choice.
const maxUnits = 4

// MaxLast is how many readings of one name of a node are kept, the latest included.
const MaxLast = 16

// Limits of what nodes report, besides MaxLast and MaxNames. They are our choice.
const (
	maxPast    = 1 << 20 // earlier readings of all nodes together
	MaxValue   = 1024    // octets of a text or of data
	maxOldText = 64      // octets of an earlier one: longer ones are not kept when the next comes
	// A clock that is further from ours than this is taken for wrong. Nobody measures in
	// the future; a node that was cut off may send what it kept for days.
	maxAhead  = time.Minute
	maxBehind = 7 * 24 * time.Hour
)

// Store holds the latest readings of each node, at most maxNames a node, and a
// short past of each.
type Store struct {
	log      *slog.Logger
	changed  func() // called after readings came
	clockLog loglimit.Limiter

	mu       sync.Mutex
	nodes    map[*node.Node]*nodeReadings
	past     int           // earlier readings of all
	refused  atomic.Uint64 // names for which a node had no room
	rejected atomic.Uint64 // packs that could not be taken
	clocks   atomic.Uint64 // packs whose times were those of a wrong clock
}

type nodeReadings struct {
	mesh  string
	names []series // by name
}

// series is what one name of a node said lately.
type series struct {
	latest senml.Reading
	past   []past // by time, the oldest first; none is later than the latest
	units  int    // how many times the unit changed
}

// past is an earlier reading, of the name, unit and kind of the latest.
type past struct {
	at         int64 // microseconds in Unix time, which a SenML number can carry
	value, sum float64
	text       string // or data, or 1 for true
}

// New returns an empty store, which calls changed after readings came.
func New(log *slog.Logger, changed func()) *Store {
	return &Store{log: log, changed: changed, nodes: map[*node.Node]*nodeReadings{}}
}

// Stats are figures of a store since its start.
type Stats struct {
	Rejected uint64 // packs that could not be taken
	Refused  uint64 // names for which a node had no room
	Clock    uint64 // packs with the times of a wrong clock
}

// Stats returns the figures now.
func (s *Store) Stats() Stats {
	return Stats{s.rejected.Load(), s.refused.Load(), s.clocks.Load()}
}

// Reject counts a pack that could not be taken.
func (s *Store) Reject() { s.rejected.Add(1) }

// report stores readings of a node, and counts them as its report. It returns how many
// names had no room.
func (s *Store) report(t node.Member, readings []senml.Reading, now time.Time) (lost int) {
	t.Table.Report(t.Node, now)
	lost = s.Put(t.Name, t.Node, readings, now)
	s.changed()
	return lost
}

// Publish is report for a pack that a node sent: names lose what repeats the node's, and
// impossible times are put right. It changes readings, and keeps nothing of their data.
func (s *Store) Publish(t node.Member, readings []senml.Reading, now time.Time) (lost int) {
	for i := range readings {
		readings[i].Name = shortName(readings[i].Name, t.Node)
		readings[i].Data = bytes.Clone(readings[i].Data)
		if !senml.SafeUnit(readings[i].Unit) {
			readings[i].Unit = ""
		}
	}
	if correctTimes(readings, now) {
		s.clocks.Add(1)
		if suppressed, ok := s.clockLog.Allow(now); ok {
			s.log.Warn("a node's clock is wrong: the newest of its readings counts as made when it came",
				"mesh", t.Name, "node", t.Node.Label(), "held_back", suppressed)
		}
	}
	return s.report(t, readings, now)
}

// All returns the latest readings of all nodes.
func (s *Store) All() []Reading {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []Reading
	for n, nr := range s.nodes {
		if n.Removed() {
			continue
		}
		for i := range nr.names {
			out = append(out, Reading{nr.mesh, n.Label(), nr.names[i].latest})
		}
	}
	return out
}

// Put takes readings of n over, and returns how many names had no room. A reading
// older than the latest of its name takes its place in the past.
func (s *Store) Put(mesh string, n *node.Node, in []senml.Reading, now time.Time) (lost int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	nr := s.nodes[n]
	if nr == nil {
		nr = &nodeReadings{mesh: mesh}
		s.nodes[n] = nr
	}
	for _, r := range in {
		i, found := nr.find(r.Name)
		switch {
		case found && r.Unit != nr.names[i].latest.Unit && nr.names[i].units >= maxUnits:
			s.refused.Add(1)
			lost++
		case found:
			s.addLocked(&nr.names[i], r, now)
		case len(nr.names) >= MaxNames:
			s.refused.Add(1)
			lost++
		default:
			nr.names = slices.Insert(nr.names, i, series{latest: r})
		}
	}
	return lost
}

func (nr *nodeReadings) find(name string) (int, bool) {
	return slices.BinarySearchFunc(nr.names, name, func(x series, name string) int { return cmp.Compare(x.latest.Name, name) })
}

// addLocked adds a reading to its series.
func (s *Store) addLocked(x *series, r senml.Reading, now time.Time) {
	old := &x.latest
	switch {
	case old.Time.After(now.Add(maxAhead)):
		// Our own clock was set back: what is from its future would stay the latest.
		fallthrough
	case r.Kind != old.Kind || r.Unit != old.Unit || r.HasSum != old.HasSum:
		if !r.Time.Before(old.Time) || old.Time.After(now.Add(maxAhead)) {
			s.past -= len(x.past)
			units := x.units
			if r.Unit != old.Unit {
				units++
			}
			*x = series{latest: r, units: units}
		}
	case r.Time.After(old.Time):
		s.rememberLocked(x, *old)
		*old = r
	case r.Time.Equal(old.Time):
		*old = r
	default:
		s.rememberLocked(x, r)
	}
}

// rememberLocked puts a reading into the past of its series, in the order of time;
// the oldest one makes room.
func (s *Store) rememberLocked(x *series, r senml.Reading) {
	p := past{at: r.Time.UnixMicro(), value: r.Value, sum: r.Sum}
	switch r.Kind {
	case senml.StringValue:
		p.text = r.String
	case senml.DataValue:
		p.text = string(r.Data)
	case senml.BoolValue:
		if r.Bool {
			p.value = 1
		}
	}
	if len(p.text) > maxOldText {
		return
	}
	i, found := slices.BinarySearchFunc(x.past, p.at, func(x past, at int64) int { return cmp.Compare(x.at, at) })
	if found {
		x.past[i] = p
		return
	}
	if len(x.past) >= MaxLast-1 || s.past >= maxPast {
		if i == 0 {
			return // older than all that are kept, or there is room for none
		}
		copy(x.past, x.past[1:i])
		x.past[i-1] = p
		return
	}
	if len(x.past) == cap(x.past) { // doubled, but not beyond what is kept
		x.past = append(make([]past, 0, min(max(4, 2*len(x.past)), MaxLast-1)), x.past...)
	}
	x.past = slices.Insert(x.past, i, p)
	s.past++
}

// reading is p as a reading of its series.
func (x *series) reading(p past) senml.Reading {
	r := x.latest
	r.Time, r.Value, r.Sum, r.Update = time.UnixMicro(p.at).UTC(), p.value, p.sum, 0
	switch r.Kind {
	case senml.StringValue:
		r.String = p.text
	case senml.DataValue:
		r.Data = []byte(p.text)
	case senml.BoolValue:
		r.Value, r.Bool = 0, p.value == 1
	}
	return r
}

// Of returns the readings of n whose name is the one given, or all where it is empty:
// of each name the last ones, as they stand in a resolved pack: in the order of time
// (RFC 8428, section 4.6) where there are several of a name, else by name.
func (s *Store) Of(n *node.Node, name string, last int) []senml.Reading {
	s.mu.Lock()
	defer s.mu.Unlock()
	nr := s.nodes[n]
	if nr == nil {
		return nil
	}
	names := nr.names
	if name != "" {
		i, found := nr.find(name)
		if !found {
			return nil
		}
		names = names[i : i+1]
	}
	out := make([]senml.Reading, 0, len(names))
	for i := range names {
		x := &names[i]
		for _, p := range x.past[len(x.past)-min(last-1, len(x.past)):] {
			out = append(out, x.reading(p))
		}
		out = append(out, x.latest)
	}
	if last > 1 {
		slices.SortStableFunc(out, func(a, b senml.Reading) int {
			return cmp.Or(a.Time.Compare(b.Time), strings.Compare(a.Name, b.Name))
		})
	}
	return out
}

// Expire forgets nodes that left their table.
func (s *Store) Expire() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for n, nr := range s.nodes {
		if n.Removed() {
			for i := range nr.names {
				s.past -= len(nr.names[i].past)
			}
			delete(s.nodes, n)
		}
	}
}

// correctTimes makes the times of a pack such as can be: a reading from the future would
// stay the latest one for ever, and one of a clock that began at 2000 would never be.
// Where the node's clock (RFC 8428, section 4.5.3: absolute times) is that wrong, the
// newest reading was made now, and the others as long before it as they say. It
// reports whether a time was wrong.
func correctTimes(readings []senml.Reading, now time.Time) (wrong bool) {
	var newest time.Time
	for _, r := range readings {
		if r.Absolute && r.Time.After(newest) {
			newest = r.Time
		}
	}
	latest := now.Add(maxAhead)
	behind := newest.Before(now.Add(-maxBehind))
	for i := range readings {
		r := &readings[i]
		switch {
		case r.Absolute && (behind || r.Time.After(latest)):
			// In seconds, since a time.Duration ends at 292 years.
			r.Time = time.Unix(now.Unix()+r.Time.Unix()-newest.Unix(),
				int64(now.Nanosecond()+r.Time.Nanosecond()-newest.Nanosecond())).UTC()
			wrong = true
		case r.Time.After(latest):
			r.Time = now
			wrong = true
		}
	}
	return wrong
}

// Reading is the latest value of one name of a node.
type Reading struct {
	Mesh, Node string
	senml.Reading
}

// shortName takes the part of a reading's name away that says what the node is
// called, in the form of RFC 9039, section 4.1 with a component (from memory):
// urn:dev:mac:00005eef10000005_temp becomes temp.
func shortName(name string, n *node.Node) string {
	v, ok := n.EUI64().EUI64()
	if !ok {
		return name
	}
	rest, ok := strings.CutPrefix(name, fmt.Sprintf("urn:dev:mac:%016x", v))
	if !ok || len(rest) < 2 || rest[0] != '_' && rest[0] != ':' {
		return name
	}
	return rest[1:]
}
