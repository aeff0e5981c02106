package sim

import (
	"fmt"
	"net/netip"
	"strings"
	"testing"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/radio"
)

// The prefix of the tests: a ULA (RFC 4193), like that of the example site.
var testPrefix = netip.MustParsePrefix("fd5e:2a11:77c0:1::/64")

// place returns a node at index i of the documentation range of RFC 9542.
func place(i int, name string) Place {
	return Place{Name: name, EUI64: ieee802154.Extended(0x00005eef10000000 + uint64(i))}
}

func testSite(nodes string, links ...Link) Site {
	s := Site{Name: "test", Prefix: testPrefix, PAN: 0x5eef, Gateway: place(1, "")}
	for i, name := range strings.Fields(nodes) {
		s.Nodes = append(s.Nodes, place(2+i, name))
	}
	s.Links = links
	return s
}

// chain returns a site of n nodes n1, n2, ... in a row behind the gateway.
func chain(n int) Site {
	var names []string
	var links []Link
	before := GatewayName
	for i := range n {
		name := fmt.Sprintf("n%d", i+1)
		names = append(names, name)
		links = append(links, Link{A: before, B: name, Delivery: 1})
		before = name
	}
	return testSite(strings.Join(names, " "), links...)
}

// diamond is a site in which far has two parents, and near has the gateway only.
func diamond() Site {
	return testSite("left right far",
		Link{A: GatewayName, B: "left", Delivery: 1},
		Link{A: GatewayName, B: "right", Delivery: 0.9},
		Link{A: "left", B: "far", Delivery: 1},
		Link{A: "right", B: "far", Delivery: 0.9})
}

// recorder keeps what a mesh tells its daemon.
type recorder struct {
	mesh   *Mesh
	events []radio.Event
	log    strings.Builder // one line an event, with its time
}

func (r *recorder) emit(e radio.Event) {
	e.Frame.Payload = append([]byte(nil), e.Frame.Payload...)
	r.events = append(r.events, e)
	fmt.Fprintf(&r.log, "%v %+v\n", r.mesh.Now(), e)
}

func (r *recorder) count(k radio.Kind) int {
	n := 0
	for _, e := range r.events {
		if e.Kind == k {
			n++
		}
	}
	return n
}

func (r *recorder) outcomes() map[radio.Outcome]int {
	m := map[radio.Outcome]int{}
	for _, e := range r.events {
		if e.Kind == radio.EventResult {
			m[e.Outcome]++
		}
	}
	return m
}

// start returns a mesh with a daemon joined to it. The nodes publish nothing unless
// the options say so.
func start(t testing.TB, o Options) (*Mesh, *recorder) {
	t.Helper()
	if o.Period == 0 {
		o.Period = -1
	}
	m, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	r := &recorder{mesh: m}
	m.Connect(r.emit)
	return m, r
}

// joined advances a mesh until all nodes have joined, 30 s at most.
func joined(t testing.TB, m *Mesh) {
	t.Helper()
	for range 300 {
		if m.Joined() == len(m.nodes)-1 {
			return
		}
		m.Advance(m.Now() + 100*time.Millisecond)
	}
	t.Fatalf("only %d of %d nodes have joined after %v", m.Joined(), len(m.nodes)-1, m.Now())
}

// until advances a mesh until the condition holds, and returns how long that took.
func until(t testing.TB, m *Mesh, limit time.Duration, what string, ok func() bool) time.Duration {
	t.Helper()
	began := m.Now()
	for m.Now()-began <= limit {
		if ok() {
			return m.Now() - began
		}
		m.Advance(m.Now() + 10*time.Millisecond)
	}
	t.Fatalf("%s: not within %v", what, limit)
	return 0
}

// junk is a frame that no adaptation layer takes: dispatch 00xxxxxx (RFC 4944, 5.1).
var junk = []byte{0x00, 0x01, 0x02}

func (m *Mesh) sendTo(name string, payload []byte, id uint32) {
	m.Send(radio.Frame{To: m.nodes[m.names[name]].eui64, Payload: payload}, id)
}

func TestCheckNamesEverything(t *testing.T) {
	s := testSite("a a -b gateway", Link{A: "a", B: "x", Delivery: 1}, Link{A: "a", B: "a", Delivery: 2},
		Link{A: GatewayName, B: "a", Delivery: 0.5, Back: -1}, Link{A: "a", B: GatewayName, Delivery: 0.5})
	s.Prefix = netip.MustParsePrefix("2001:db8::/48")
	s.Nodes[1].EUI64 = s.Gateway.EUI64
	s.Nodes[2].EUI64 = ieee802154.Addr{}
	s.Nodes[2].Short = ieee802154.Broadcast
	s.Nodes[0].East = 1e9
	s.Nodes[0].Climate.Temp = 1000
	s.Air = Air{Slot: time.Microsecond, Slots: 1, Cells: 99, Retries: 99, Queue: 1 << 20, Joins: -1, Beat: 1,
		Bursts: Bursts{Every: -1, Delivery: 3}}
	err := s.Check()
	if err == nil {
		t.Fatal("no error")
	}
	for _, want := range []string{
		"prefix: 2001:db8::/48", "node[1].name: \"a\" is used twice", "node[2].name: \"-b\"", "node[3].name: \"gateway\"",
		"node[1].eui64", "node[2].eui64", "node[2].short", "node[0].east", "node[0].temp",
		"link[0].between: there is no node \"x\"", "link[1].between", "link[1].delivery: 2", "link[2].back", "link[3].between",
		"air.slot:", "air.slots:", "air.cells:", "air.retries:", "air.queue:", "air.joins:", "air.beat:",
		"bursts.every:", "bursts.length:", "bursts.delivery:",
	} {
		if !strings.Contains(err.Error(), "sim: "+want) {
			t.Errorf("not mentioned: %s", want)
		}
	}
	if _, err := New(Options{Site: s}); err == nil {
		t.Error("New takes a site that Check refuses")
	}
	if err := diamond().Check(); err != nil {
		t.Error(err)
	}
}

func TestGenerate(t *testing.T) {
	for _, n := range []int{1, 2, 3, 4, 5, 8, 24, 100, 1000} {
		s := Generate(n, testPrefix)
		if err := s.Check(); err != nil {
			t.Errorf("%d nodes: %v", n, err)
		}
		if len(s.Nodes) != n {
			t.Errorf("%d nodes: got %d", n, len(s.Nodes))
		}
	}
}

func TestJoins(t *testing.T) {
	s := chain(4)
	m, r := start(t, Options{Site: s, Seed: 3})
	if k := r.events[0].Kind; k != radio.EventUp || r.events[1].Kind != radio.EventSnapshot || len(r.events) != 2 {
		t.Fatalf("before the first join: %v", r.log.String())
	}
	joined(t, m)
	if m.Now() > 10*time.Second {
		t.Errorf("four hops took %v to join", m.Now())
	}
	var hops []uint8
	for _, e := range r.events {
		if e.Kind == radio.EventAttached {
			hops = append(hops, e.Node.Hops)
		}
	}
	if fmt.Sprint(hops) != "[1 2 3 4]" {
		t.Errorf("joined at hops %v, want from the gateway outwards", hops)
	}
	// A daemon that comes later is told of all of them before the end of the list.
	late := &recorder{mesh: m}
	m.Connect(late.emit)
	if len(late.events) != 6 || late.events[0].Kind != radio.EventUp || late.events[5].Kind != radio.EventSnapshot ||
		late.count(radio.EventAttached) != 4 {
		t.Errorf("a later daemon was told:\n%s", late.log.String())
	}
	if up := late.events[0]; up.Info.MaxShort != 110 || up.Info.MaxExtended != 104 || up.Info.Boot != m.boot {
		t.Errorf("up: %+v", up)
	}
	if n := late.events[4].Node; n.Parents[0] != s.Nodes[2].EUI64 {
		t.Errorf("parent of n4: %v", n.Parents)
	}
}

// The same seed and the same calls at the same times give the same events; another
// seed gives others.
func TestDeterminism(t *testing.T) {
	script := func(seed uint64) string {
		s := diamond()
		s.Air.Bursts = Bursts{Every: 10 * time.Second, Length: time.Second, Delivery: 0.3}
		m, r := start(t, Options{Site: s, Seed: seed, Period: 2 * time.Second})
		id := uint32(0)
		for step := range 600 {
			at := time.Duration(step) * 100 * time.Millisecond
			m.Advance(at)
			switch step {
			case 200:
				if err := m.CutNode("left"); err != nil {
					t.Fatal(err)
				}
			case 300:
				if err := m.RestoreNode("left"); err != nil {
					t.Fatal(err)
				}
			case 400:
				m.SetLoss(0.3)
			}
			for _, n := range []string{"left", "right", "far"} {
				id++
				m.sendTo(n, junk, id)
			}
		}
		return r.log.String()
	}
	a, b, c := script(7), script(7), script(8)
	if a != b {
		t.Error("two runs with the same seed differ")
	}
	if a == c {
		t.Error("two seeds give the same run")
	}
	if len(a) < 10000 {
		t.Errorf("the log has only %d octets", len(a))
	}
}

// A step of the caller's clock must not matter, only the times of the calls.
func TestAdvanceInStepsOrAtOnce(t *testing.T) {
	run := func(step time.Duration) string {
		m, r := start(t, Options{Site: diamond(), Seed: 5, Period: 2 * time.Second})
		for at := step; at <= time.Minute; at += step {
			m.Advance(at)
		}
		return r.log.String()
	}
	if run(time.Minute) != run(time.Millisecond*10) {
		t.Error("advancing by 10 ms and by a minute give different events")
	}
}
