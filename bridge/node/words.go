package node

import (
	"fmt"
	"slices"
	"time"

	"culvert/bridge/ieee802154"
)

// Status says in words what a node is: its state, for how long where it does not
// report, and what it missed, like "silent 4 min, 24 reports of 10 s missed".
func (t *Table) Status(n *Node, now time.Time) string {
	s := n.State()
	switch s {
	case Late, Silent:
		return t.overdueWords(n, s, now)
	case Unknown:
		return fmt.Sprintf("unknown %s, its radio is down", Span(now.Sub(n.Since())))
	case Joining:
		if n.LastHeard().IsZero() {
			return "joining, not heard yet"
		}
	case Expected:
		return "expected, never heard"
	}
	return s.String()
}

func (t *Table) overdueWords(n *Node, s State, now time.Time) string {
	due := t.Schedule(n, now)
	if due.Missed > 0 {
		missed := "1 report"
		if due.Missed > 1 {
			missed = fmt.Sprintf("%d reports", due.Missed)
		}
		return fmt.Sprintf("%s %s, %s of %s missed", s, Span(due.Overdue), missed, PeriodText(due.Period))
	}
	from := n.LastHeard()
	if from.IsZero() {
		from = n.Since()
	}
	return fmt.Sprintf("%s %s", s, Span(now.Sub(from)))
}

// Span writes a time that passed in the unit that reads best: 45 s, 4 min, 3 h, 2 days.
func Span(d time.Duration) string {
	switch {
	case d < 0:
		return "0 s"
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", d/time.Second)
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", d/time.Minute)
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h", d/time.Hour)
	}
	return fmt.Sprintf("%d days", d/(24*time.Hour))
}

// PeriodText writes a report period, to the second: 10 s, 90 s, 15 min, 6 h.
func PeriodText(d time.Duration) string {
	d = max(d.Round(time.Second), time.Second)
	switch {
	case d%time.Hour == 0:
		return fmt.Sprintf("%d h", d/time.Hour)
	case d%time.Minute == 0:
		return fmt.Sprintf("%d min", d/time.Minute)
	case d < 10*time.Minute:
		return fmt.Sprintf("%d s", d/time.Second)
	}
	return fmt.Sprintf("%d min", d.Round(time.Minute)/time.Minute)
}

// Stranger reports whether n is a device that stands at no place, in a mesh whose
// nodes have places. Whether it is served is Admitted's.
func (t *Table) Stranger(n *Node) bool {
	return n.Place() == nil && n.record() != Retired && (t.placeCount.Load() > 0 || t.admit == AdmitListed)
}

// Admission returns which nodes are served, from the start of the table to its end.
func (t *Table) Admission() Admit { return t.admit }

// SetGateway records the link addresses of the gateway's own radio.
func (t *Table) SetGateway(eui, short ieee802154.Addr) {
	t.gateway.Store(&[2]ieee802154.Addr{eui, short})
}

// GatewayLabel is how the gateway's radio is called where it is the parent of a node.
const GatewayLabel = "gateway"

// IsGateway reports whether a is a link address of the gateway's own radio, which no node has.
func (t *Table) IsGateway(a ieee802154.Addr) bool {
	g := t.gateway.Load()
	return g != nil && !a.IsNone() && (a == g[0] || a == g[1])
}

// ParentLabels returns what the parents of n are called, preferred one first: a node's
// label, GatewayLabel, or the link address of somebody else.
func (t *Table) ParentLabels(n *Node) []string {
	var out []string
	for _, p := range n.Parents() {
		switch m := t.ByLink(p); {
		case p.IsNone():
		case t.IsGateway(p):
			out = append(out, GatewayLabel)
		case m != nil:
			out = append(out, m.Label())
		default:
			out = append(out, p.String())
		}
	}
	return out
}

// ParentSignal returns the signal on the link of n to its preferred parent in dBm,
// from the radio's link statistics: that of the node's frames where it is known, else
// that of its parent's; 0 if neither is.
func (t *Table) ParentSignal(n *Node) int8 {
	p := n.Parents()[0]
	if p.IsNone() {
		return 0
	}
	same := []ieee802154.Addr{p}
	if m := t.ByLink(p); m != nil {
		same = append(same, m.EUI64(), m.Short())
	} else if g := t.gateway.Load(); g != nil && t.IsGateway(p) {
		same = append(same, g[0], g[1])
	}
	var best Link
	for _, l := range n.Links() {
		if l.Signal == 0 || l.Peer.IsNone() || !slices.Contains(same, l.Peer) {
			continue
		}
		// The node's own frames before its parent's, all channels before one.
		if best.Signal == 0 || l.FromNode && !best.FromNode || l.FromNode == best.FromNode && l.Channel == 0 {
			best = l
		}
	}
	return best.Signal
}
