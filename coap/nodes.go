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
	Node      string           `json:"node"` // the label
	Mesh      string           `json:"mesh"`
	State     string           `json:"state"`
	Since     *time.Time       `json:"since,omitempty"` // when the state began
	Heard     *time.Time       `json:"heard,omitempty"` // the last frame
	Address   *netip.Addr      `json:"address,omitempty"`
	Others    []netip.Addr     `json:"other_addresses,omitempty"`
	EUI64     *ieee802154.Addr `json:"eui64,omitempty"`
	Short     *ieee802154.Addr `json:"short,omitempty"`
	Hops      uint8            `json:"hops,omitempty"`    // radio links to the gateway
	Signal    int8             `json:"signal,omitempty"`  // dBm
	Parents   []string         `json:"parents,omitempty"` // link addresses, preferred one first
	Supply    uint16           `json:"supply_mv,omitempty"`
	Battery   *uint8           `json:"battery_percent,omitempty"`
	Strangers bool             `json:"stranger,omitempty"`    // seen and listed, not admitted
	Sink      string           `json:"readings_to,omitempty"` // of /nodes/NODE alone: the URI to which the node sends its readings
}

// stateOf reads the state of a node.
func stateOf(mesh string, t *node.Table, n *node.Node) NodeState {
	v := NodeState{
		Node: n.Label(), Mesh: mesh, State: n.State().String(),
		Since: when(n.Since()), Heard: when(n.LastHeard()),
		Hops: n.Hops(), Signal: n.Signal(), Strangers: !n.Admitted(),
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
	for _, p := range n.Parents() {
		if !p.IsNone() {
			v.Parents = append(v.Parents, p.String())
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
	return fmt.Sprintf("%s %s %s %s", v.Node, v.State, addr, heard)
}

// showNode is /nodes/NODE.
func (s *Server) showNode(req *request, t target) response {
	f, ok := accept(req, formatJSON, formatText, formatLink)
	if !ok {
		return notAcceptable(formatJSON, formatText, formatLink)
	}
	v := stateOf(t.mesh, t.table, t.node)
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
	states := []NodeState{}
	for _, m := range s.opts.Meshes {
		for n := range m.Table.All() {
			states = append(states, stateOf(m.Name, m.Table, n))
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
