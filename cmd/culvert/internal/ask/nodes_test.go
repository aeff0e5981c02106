package ask

import (
	"fmt"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"culvert/bridge/node"
	"culvert/coap/api"
)

// A label and the name of a mesh may have 63 octets (RFC 1035, section 2.3.4). The table
// and the sentences below it stay within 100 columns, and rows stay distinct.
func TestNodesFitTheTerminal(t *testing.T) {
	now := time.Date(2026, 12, 1, 12, 0, 0, 0, time.UTC)
	heard := now.Add(-999 * 24 * time.Hour)
	long := strings.Repeat("x", 63)
	var nodes []api.NodeState
	for s := range node.States {
		n := api.NodeState{State: s.String(), Status: s.String(), Mesh: long, Parents: []string{long, long},
			Heard: &heard, Reported: &heard, Period: 10, Hops: 255, Signal: -128}
		switch s {
		case node.Late, node.Silent:
			n.Status += " 999 days, 8631360 reports of 10 s missed"
		case node.Expected:
		default:
			n.Stranger, n.Unserved = true, true
		}
		n.Node = fmt.Sprintf("%d-", s) + strings.Repeat("x", 61)
		nodes = append(nodes, n)
	}
	var out strings.Builder
	if err := PrintNodes(&out, nodes, false, now); err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(out.String()) {
		if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > 100 {
			t.Errorf("%d columns: %s", n, line)
		}
	}
	for s := range node.States {
		if want := fmt.Sprintf("\n%d-xx", s); !strings.Contains(out.String(), want) {
			t.Errorf("no row %q in\n%s", want, out.String())
		}
	}
}
