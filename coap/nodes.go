package coap

import (
	"cmp"
	"encoding/json"
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
)

// NodeState is what /nodes/NODE says of a node in JSON; /nodes is an array of
// these, sorted by label. What is unknown is left out.
type NodeState struct {
	Node     string           `json:"node"` // the label
	Mesh     string           `json:"mesh"`
	State    string           `json:"state"`
	Status   string           `json:"status"`                   // the state in words: "silent 4 min, 24 reports of 10 s missed"
	Since    *time.Time       `json:"since,omitempty"`          // when the state began
	Heard    *time.Time       `json:"heard,omitempty"`          // the last frame
	Reported *time.Time       `json:"reported,omitempty"`       // the last message with readings
	Period   float64          `json:"report_seconds,omitempty"` // between two reports, where it is known
	Learned  bool             `json:"report_learned,omitempty"` // it is not configured, but learned
	Missed   int              `json:"reports_missed,omitempty"` // since the last one
	Address  *netip.Addr      `json:"address,omitempty"`
	Others   []netip.Addr     `json:"other_addresses,omitempty"`
	EUI64    *ieee802154.Addr `json:"eui64,omitempty"`
	Short    *ieee802154.Addr `json:"short,omitempty"`
	Hops     uint8            `json:"hops,omitempty"`    // radio links to the gateway
	Signal   int8             `json:"signal,omitempty"`  // dBm, of the node's own link to its parent
	Parents  []string         `json:"parents,omitempty"` // labels, "gateway", or link addresses, preferred one first
	Supply   uint16           `json:"supply_mv,omitempty"`
	Battery  *uint8           `json:"battery_percent,omitempty"`
	Stranger bool             `json:"stranger,omitempty"`     // it stands at no place, in a mesh that has places
	Unserved bool             `json:"not_admitted,omitempty"` // it is seen and counted, and no packet passes
	Sink     string           `json:"readings_to,omitempty"`  // of /nodes/NODE alone: the URI to which the node sends its readings
}

// stateOf reads the state of a node.
func stateOf(mesh string, t *node.Table, n *node.Node, now time.Time) NodeState {
	due := t.Schedule(n, now)
	v := NodeState{
		Node: n.Label(), Mesh: mesh, State: n.State().String(), Status: t.Status(n, now),
		Since: when(n.Since()), Heard: when(n.LastHeard()), Reported: when(due.Last),
		Period: due.Period.Round(time.Millisecond).Seconds(), Learned: due.Learned, Missed: due.Missed,
		Hops: n.Hops(), Signal: t.ParentSignal(n), Parents: t.ParentLabels(n), Stranger: t.Stranger(n), Unserved: !n.Admitted(),
		EUI64: linkAddr(n.EUI64()), Short: linkAddr(n.Short()),
	}
	best := t.Address(n)
	if best.IsValid() {
		v.Address = &best
	}
	for _, a := range t.Addresses(n) {
		if a.Addr != best {
			v.Others = append(v.Others, a.Addr)
		}
	}
	mv, percent := n.Battery()
	v.Supply = mv
	if percent != 255 {
		v.Battery = &percent
	}
	return v
}

func when(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC().Truncate(time.Millisecond)
	return &t
}

func linkAddr(a ieee802154.Addr) *ieee802154.Addr {
	if a.IsNone() {
		return nil
	}
	return &a
}

// line is a node in plain text.
func (v *NodeState) line() string {
	addr := "-"
	if v.Address != nil {
		addr = v.Address.String()
	}
	heard := "-"
	if v.Heard != nil {
		heard = v.Heard.Format(time.RFC3339)
	}
	line := fmt.Sprintf("%s %s %s %s", v.Node, v.State, addr, heard)
	switch v.State {
	case node.Late.String(), node.Silent.String(), node.Unknown.String():
		line += " " + v.Status
	}
	if v.Stranger {
		line += ", stranger"
	}
	return line
}

// showNode is /nodes/NODE.
func (s *Server) showNode(req *request, t target) response {
	f, ok := accept(req, formatJSON, formatText, formatLink)
	if !ok {
		return notAcceptable(formatJSON, formatText, formatLink)
	}
	v := stateOf(t.mesh, t.table, t.node, time.Now())
	v.Sink = s.readingsURI(t.mesh)
	switch f {
	case formatText:
		return content(f, []byte(v.line()))
	case formatLink:
		return content(f, appendLinks(nil, nodeLinks(v.Node)))
	}
	b, err := json.Marshal(v)
	if err != nil {
		return s.internal(err)
	}
	return content(f, b)
}

// listNodes is /nodes.
func (s *Server) listNodes(req *request) response {
	f, ok := accept(req, formatJSON, formatText, formatLink)
	if !ok {
		return notAcceptable(formatJSON, formatText, formatLink)
	}
	return s.listings.get(f, func() response {
		states := s.Nodes()
		var b []byte
		switch f {
		case formatText:
			for i := range states {
				b = append(append(b, states[i].line()...), '\n')
			}
		case formatLink:
			links := make([]link, len(states))
			for i := range states {
				links[i] = nodeLink(states[i].Node)
			}
			b = appendLinks(nil, links)
		default:
			var err error
			if b, err = json.Marshal(states); err != nil {
				return s.internal(err)
			}
		}
		return tag(content(f, b))
	})
}

// Nodes returns the states of all nodes of all meshes, by label.
func (s *Server) Nodes() []NodeState {
	states, now := []NodeState{}, time.Now()
	for _, m := range s.opts.Meshes {
		for n := range m.Table.All() {
			states = append(states, stateOf(m.Name, m.Table, n, now))
		}
	}
	slices.SortFunc(states, func(a, b NodeState) int { return cmp.Compare(a.Node, b.Node) })
	return states
}

// listings keeps the last rendering of the list of nodes in each format for a
// moment, so that many who ask at once cost one.
type listings struct {
	mu   sync.Mutex
	last [256]*rendering // by format; those on offer are below
}

type rendering struct {
	resp response
	at   time.Time
}

func (l *listings) get(format uint32, render func() response) response {
	l.mu.Lock()
	defer l.mu.Unlock()
	if r := l.last[format]; r != nil && time.Since(r.at) < listingAge {
		return r.resp
	}
	r := &rendering{resp: render()}
	r.resp.options = with(r.resp.options, message.MaxAge, uintBytes(5))
	r.at = time.Now()
	l.last[format] = r
	return r.resp
}

// nodeNames returns the labels of all nodes.
func (s *Server) nodeNames() []string {
	var out []string
	for _, m := range s.opts.Meshes {
		for n := range m.Table.All() {
			out = append(out, n.Label())
		}
	}
	slices.SortFunc(out, strings.Compare)
	return out
}
