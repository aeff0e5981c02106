package daemon

import (
	"errors"
	"fmt"
	"io"
	"net/http/httptest"
	"net/netip"
	"regexp"
	"strings"
	"testing"
	"time"

	"culvert/bridge"
	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/bridge/radio"
	"culvert/cmd/culvert/internal/ask"
	"culvert/cmd/culvert/internal/control"
	"culvert/cmd/culvert/internal/findings"
	"culvert/cmd/culvert/internal/host"
	"culvert/cmd/culvert/internal/metrics"
	"culvert/cmd/culvert/internal/web"
	"culvert/coap"
)

// idleRadio is a radio that nobody starts.
type idleRadio struct{}

func (idleRadio) Receive([]byte) (radio.Event, error) { return radio.Event{}, io.EOF }
func (idleRadio) Send(radio.Frame, uint32) error      { return errors.New("no radio") }
func (idleRadio) Close() error                        { return nil }

var viewedNode = ieee802154.Extended(0x00005eef10000004)

// A node is the same in `culvert nodes`, in /nodes, on the page, in the metrics and in
// `culvert check`, in each of its states.
func TestOneNodeInAllViews(t *testing.T) {
	now := time.Now()
	ago := func(d time.Duration) time.Time { return now.Add(-d) }
	listed := func(table *node.Table, at time.Time) *node.Node {
		table.BeginSnapshot()
		n := table.Attach(node.Joined{EUI64: viewedNode}, at).Node
		table.EndSnapshot(at, func(node.Change) {})
		return n
	}
	reports := func(table *node.Table, at time.Time) *node.Node {
		n := listed(table, at)
		n.Heard(at, -60, 1)
		table.Seen(n, at)
		table.Report(n, at)
		return n
	}
	const label = "mast"
	for _, c := range []struct {
		name, state, status string
		up                  string // culvert_node_up
		check               string // in the row of nodes
		fault               bool
		do                  func(table *node.Table)
	}{
		{"never heard", "expected", "expected, never heard", "0", "1 expected", false, func(table *node.Table) {
			table.BeginSnapshot()
			table.EndSnapshot(now, func(node.Change) {})
		}},
		{"listed only", "joining", "joining, not heard yet", "0", "1 joining", false, func(table *node.Table) { listed(table, now) }},
		{"reports", "up", "up", "1", "1 up", false, func(table *node.Table) { reports(table, now) }},
		{"three periods", "late", "late 35 s, 3 reports of 10 s missed", "1", "late: mast (heard 35 s ago)", true,
			func(table *node.Table) { reports(table, ago(35*time.Second)) }},
		{"hung, and its frames still come", "silent", "silent 5 min, 31 reports of 10 s missed", "0", "silent: mast (heard ", true, func(table *node.Table) {
			n := reports(table, ago(315*time.Second))
			n.Heard(ago(2*time.Second), -60, 1)
		}},
		{"gone by the radio's word", "silent", "silent 4 s", "0", "silent: mast (heard 4.", true, func(table *node.Table) {
			reports(table, ago(4500*time.Millisecond))
			table.Detach(viewedNode, ago(time.Second))
		}},
		{"silent, then the radio is down", "unknown", "unknown 30 s, its radio is down", "0", "1 unknown", false, func(table *node.Table) {
			reports(table, ago(400*time.Second))
			table.Tick(ago(40*time.Second), func(node.Change) {})
			table.RadioDown(ago(30500 * time.Millisecond))
		}},
		{"silent, and the radio is back", "silent", "silent 6 min, 40 reports of 10 s missed", "0", "silent: mast", true, func(table *node.Table) {
			reports(table, ago(405*time.Second))
			table.Tick(ago(40*time.Second), func(node.Change) {})
			table.RadioDown(ago(30 * time.Second))
			listed(table, ago(2*time.Second))
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			m, err := bridge.New(bridge.Options{
				Name: "fenland", Prefix: netip.MustParsePrefix("fd5e:2a11:77c0:1::/64"), Radio: idleRadio{},
				Places: []node.Place{{Name: label, EUI64: viewedNode}}, Report: node.Reporting{Period: 10 * time.Second},
				OpenTun: func() (bridge.Tun, error) { return nil, errors.New("no TUN") },
				Now:     func() time.Time { return now.Add(-time.Hour) },
			})
			if err != nil {
				t.Fatal(err)
			}
			table := m.Nodes()
			c.do(table)
			table.Tick(now, func(node.Change) {})

			front := coap.New(coap.Options{Meshes: node.Meshes{{Name: "fenland", Table: table}}})
			states := front.Nodes()
			if len(states) != 1 || states[0].Node != label || states[0].State != c.state || states[0].Status != c.status {
				t.Errorf("/nodes: %+v", states)
			}
			var text strings.Builder
			if err := ask.PrintNodes(&text, states, false, now); err != nil {
				t.Fatal(err)
			}
			if !regexp.MustCompile(`(?m)^mast +` + c.state + ` `).MatchString(text.String()) {
				t.Errorf("culvert nodes:\n%s", text.String())
			}
			if lacking := c.state == "late" || c.state == "silent"; strings.Contains(text.String(), "mast: "+c.status) != lacking {
				t.Errorf("culvert nodes:\n%s", text.String())
			}

			rec := httptest.NewRecorder()
			page := web.New(web.Options{Now: func() time.Time { return now }, Meshes: []web.Mesh{{Name: "fenland", Table: table,
				Up: func() (bool, bool) { return true, true }}},
				Metrics: metrics.New(metrics.Options{Meshes: []*bridge.Mesh{m}}).Handler()})
			page.ServeHTTP(rec, httptest.NewRequest("GET", "http://[::1]/", nil))
			if !strings.Contains(rec.Body.String(), ">"+c.status+"<") {
				t.Errorf("the page does not say %q:\n%s", c.status, rec.Body)
			}
			rec = httptest.NewRecorder()
			page.ServeHTTP(rec, httptest.NewRequest("GET", "http://[::1]/metrics", nil))
			for _, want := range []string{
				fmt.Sprintf("culvert_node_up{mesh=\"fenland\",node=\"mast\"} %s\n", c.up),
				fmt.Sprintf("culvert_nodes{mesh=\"fenland\",state=%q} 1\n", c.state),
			} {
				if !strings.Contains(rec.Body.String(), want) {
					t.Errorf("/metrics lacks %s", want)
				}
			}

			site := control.SiteMesh{Mesh: "fenland", RadioUp: c.state != "unknown", Nodes: map[string]int{}}
			addNodes(&site, m)
			f := host.NodesRow(&control.SiteAnswer{Meshes: []control.SiteMesh{site}})
			if !strings.Contains(f.Found, c.check) || (f.Verdict == findings.VerdictWrong) != c.fault {
				t.Errorf("culvert check: %+v", f)
			}
		})
	}
}
