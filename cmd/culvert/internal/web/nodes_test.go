package web

import (
	"net/netip"
	"strings"
	"testing"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
)

// The rows say in words what is wrong with a node, how old its reading is, which are
// its parents, the signal on its own link, and which devices are strangers.
func TestRowsSayTheTruth(t *testing.T) {
	clock := now
	table, err := node.New(node.Options{
		Prefix: netip.MustParsePrefix("fd5e:2a11:77c0:1::/64"), Start: clock, Report: node.Reporting{Period: 10 * time.Second},
		Places: []node.Place{{Name: "grain-bin", EUI64: eui(5)}, {Name: "mast", EUI64: eui(6)}},
	})
	if err != nil {
		t.Fatal(err)
	}
	table.SetGateway(eui(1), ieee802154.Addr{})
	for i, parent := range map[int]int{5: 6, 6: 1, 9: 6} {
		n := table.Attach(node.Joined{EUI64: eui(i), Parents: [2]ieee802154.Addr{eui(parent)}, Hops: 2}, clock).Node
		n.Heard(clock, -44, 2)
		table.Seen(n, clock)
		table.Report(n, clock)
	}
	table.SetLink(eui(5), eui(6), node.Link{Signal: -81})
	radio := true
	s := New(Options{Meshes: []Mesh{{Name: "fenland", Table: table, Up: func() (bool, bool) { return radio, radio }}}, Now: func() time.Time { return clock }})
	page := func(has, hasNot []string) {
		t.Helper()
		clock = clock.Add(time.Second) // a rendering is good for so long
		table.Tick(clock, func(node.Change) {})
		_, body := get(t, s, "GET", "/")
		for _, w := range has {
			if !strings.Contains(body, w) {
				t.Errorf("no %q in\n%s", w, body)
			}
		}
		for _, w := range hasNot {
			if strings.Contains(body, w) {
				t.Errorf("%q in\n%s", w, body)
			}
		}
		wellFormed(t, body)
	}
	page([]string{"up, stranger", "1 stranger on fenland, at no place: served, since admit is &#34;any&#34;.", "<td>1 s ago</td>", "<td>mast</td>", "<td>gateway</td>", "-81 dBm"},
		[]string{"-44 dBm", "silent"})
	clock = clock.Add(33 * time.Second) // 35 s with the renderings: two reports overdue, and not ten
	page([]string{"late 35 s, 3 reports of 10 s missed", "3 nodes of fenland late."}, []string{"silent"})
	clock = clock.Add(276 * time.Second)
	table.Report(table.ByLabel("grain-bin"), clock)
	page([]string{"silent 5 min, 31 reports of 10 s missed", "2 nodes of fenland silent."}, nil)
	radio = false
	table.RadioDown(clock)
	page([]string{"unknown 1 s, its radio is down", "The radio of fenland is down"}, []string{"silent 5 min"})
}
