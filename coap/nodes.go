package coap

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/coap/api"
	"culvert/coap/msg"
)

// listingAge is how long one rendering of a listing serves all clients.
const listingAge = time.Second

// stateOf reads the state of a node.
func stateOf(mesh string, t *node.Table, n *node.Node, now time.Time) api.NodeState {
	due := t.Schedule(n, now)
	v := api.NodeState{
		Node: n.Label(), Mesh: mesh, State: n.State().String(), Status: t.Status(n, now),
		Since: api.Time(n.Since()), Heard: api.Time(n.LastHeard()), Reported: api.Time(due.Last),
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

func linkAddr(a ieee802154.Addr) *ieee802154.Addr {
	if a.IsNone() {
		return nil
	}
	return &a
}

// line is a node in plain text.
func nodeLine(v *api.NodeState) string {
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
func (s *Server) showNode(req *msg.Request, t node.Member) msg.Response {
	f, ok := msg.Accept(req, msg.FormatJSON, msg.FormatText, msg.FormatLink)
	if !ok {
		return msg.NotAcceptable(msg.FormatJSON, msg.FormatText, msg.FormatLink)
	}
	v := stateOf(t.Name, t.Table, t.Node, s.now())
	v.Sink = s.doors.ReadingsURI(t.Name)
	switch f {
	case msg.FormatText:
		return msg.Content(f, []byte(nodeLine(&v)))
	case msg.FormatLink:
		return msg.Content(f, msg.AppendLinks(nil, nodeLinks(v.Node)))
	}
	b, err := json.Marshal(v)
	if err != nil {
		return s.internal(err)
	}
	return msg.Content(f, b)
}

// listNodes is /nodes.
func (s *Server) listNodes(req *msg.Request) msg.Response {
	f, ok := msg.Accept(req, msg.FormatJSON, msg.FormatText, msg.FormatLink)
	if !ok {
		return msg.NotAcceptable(msg.FormatJSON, msg.FormatText, msg.FormatLink)
	}
	return s.listings.get(f, s.now(), func() msg.Response {
		states := s.Nodes()
		var b []byte
		switch f {
		case msg.FormatText:
			for i := range states {
				b = append(append(b, nodeLine(&states[i])...), '\n')
			}
		case msg.FormatLink:
			links := make([]msg.Link, len(states))
			for i := range states {
				links[i] = nodeLink(states[i].Node)
			}
			b = msg.AppendLinks(nil, links)
		default:
			var err error
			if b, err = json.Marshal(states); err != nil {
				return s.internal(err)
			}
		}
		return msg.WithETag(msg.Content(f, b))
	})
}

// Nodes returns the states of all nodes of all meshes, by label.
func (s *Server) Nodes() []api.NodeState {
	states, now := []api.NodeState{}, s.now()
	for _, m := range s.opts.Meshes {
		for n := range m.Table.All() {
			states = append(states, stateOf(m.Name, m.Table, n, now))
		}
	}
	slices.SortFunc(states, func(a, b api.NodeState) int { return cmp.Compare(a.Node, b.Node) })
	return states
}

// listings keeps the last rendering of the list of nodes in each format for listingAge, so
// that many concurrent requests cost one rendering.
type listings struct {
	mu   sync.Mutex
	last [256]*rendering // by format; those on offer are below
}

type rendering struct {
	resp msg.Response
	at   time.Time
}

func (l *listings) get(format uint32, now time.Time, render func() msg.Response) msg.Response {
	l.mu.Lock()
	defer l.mu.Unlock()
	if r := l.last[format]; r != nil && now.Sub(r.at) < listingAge {
		return r.resp
	}
	r := &rendering{resp: render()}
	r.resp.Options = msg.With(r.resp.Options, message.MaxAge, msg.EncodeUint(5))
	r.at = now
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
