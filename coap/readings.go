package coap

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/bridge/senml"
)

// Reading is the latest value of one name of a node.
type Reading struct {
	Mesh, Node string
	senml.Reading
}

// readingStore holds the latest readings of each node, at most maxNames a node.
type readingStore struct {
	mu       sync.Mutex
	nodes    map[*node.Node]*nodeReadings
	refused  atomic.Uint64 // names for which a node had no room
	rejected atomic.Uint64 // packs that could not be taken
}

type nodeReadings struct {
	mesh   string
	latest []senml.Reading // by name
}

func (s *readingStore) init() { s.nodes = map[*node.Node]*nodeReadings{} }

// put takes readings of n over, and returns how many names had no room. A reading
// older than the one that is there changes nothing.
func (s *readingStore) put(mesh string, n *node.Node, in []senml.Reading) (lost int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	nr := s.nodes[n]
	if nr == nil {
		nr = &nodeReadings{mesh: mesh}
		s.nodes[n] = nr
	}
	for _, r := range in {
		i, found := slices.BinarySearchFunc(nr.latest, r.Name, func(x senml.Reading, name string) int { return cmp.Compare(x.Name, name) })
		switch {
		case found && nr.latest[i].Time.After(r.Time):
		case found:
			nr.latest[i] = r
		case len(nr.latest) >= maxNames:
			s.refused.Add(1)
			lost++
		default:
			nr.latest = slices.Insert(nr.latest, i, r)
		}
	}
	return lost
}

// of returns the readings of n, by name.
func (s *readingStore) of(n *node.Node) []senml.Reading {
	s.mu.Lock()
	defer s.mu.Unlock()
	if nr := s.nodes[n]; nr != nil {
		return slices.Clone(nr.latest)
	}
	return nil
}

// expire forgets nodes that left their table.
func (s *readingStore) expire() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for n := range s.nodes {
		if n.Removed() {
			delete(s.nodes, n)
		}
	}
}

// Readings returns the latest readings of all nodes.
func (s *Server) Readings() []Reading {
	s.readings.mu.Lock()
	defer s.readings.mu.Unlock()
	var out []Reading
	for n, nr := range s.readings.nodes {
		if n.Removed() {
			continue
		}
		for _, r := range nr.latest {
			out = append(out, Reading{nr.mesh, n.Label(), r})
		}
	}
	return out
}

// publish is /readings: what nodes say of themselves. The sender's address names
// the node, which the mesh's rule that a node may only send from its own addresses
// makes good.
func (s *Server) publish(req *request) response {
	if req.code != codes.POST && req.code != codes.PUT {
		return diagnose(codes.MethodNotAllowed, "POST or PUT only")
	}
	t, ok := s.sender(req)
	if !ok {
		s.readings.rejected.Add(1)
		return diagnose(codes.Forbidden, "the sender is no node of a mesh here")
	}
	now := time.Now()
	readings, r, ok := parseReadings(req, now)
	if !ok {
		s.readings.rejected.Add(1)
		return r
	}
	for i := range readings {
		readings[i].Name = shortName(readings[i].Name, t.node)
		readings[i].Data = bytes.Clone(readings[i].Data)
	}
	lost := s.readings.put(t.mesh, t.node, readings)
	s.observers.touched.Store(true)
	if lost > 0 {
		return diagnose(codes.Forbidden, "%d of the names are too many: %d a node are kept", lost, maxNames)
	}
	return answer(codes.Changed)
}

func (s *Server) sender(req *request) (target, bool) {
	if req.peer.door != DoorUDP {
		return target{}, false
	}
	from := req.peer.addr.Addr().WithZone("")
	for _, m := range s.opts.Meshes {
		if n := m.Table.ByAddress(from); n != nil && n.Admitted() && !from.IsLinkLocalUnicast() {
			return target{m.Table, n, m.Name}, true
		}
	}
	return target{}, false
}

// parseReadings resolves the pack in a request; if it cannot, it returns the
// answer that says why.
func parseReadings(req *request, now time.Time) ([]senml.Reading, response, bool) {
	var pack []senml.Record
	var err error
	switch format := uintOption(req.options, message.ContentFormat); format {
	case formatSenMLJSON:
		pack, err = senml.ParseJSON(req.payload)
	case formatSenMLCBOR:
		pack, err = senml.ParseCBOR(req.payload)
	default:
		return nil, diagnose(codes.UnsupportedMediaType, "Content-Format 110 or 112 (SenML) only"), false
	}
	var readings []senml.Reading
	if err == nil {
		readings, err = senml.Resolve(pack, now)
	}
	if err != nil {
		return nil, diagnose(codes.BadRequest, "%v", err), false
	}
	return readings, response{}, true
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

// showReadings is /nodes/NODE/readings and /nodes/NODE/readings/NAME, where a name
// may have slashes.
func (s *Server) showReadings(req *request, t target) response {
	f, ok := accept(req, formatSenMLJSON, formatSenMLCBOR)
	if !ok {
		return notAcceptable(formatSenMLJSON, formatSenMLCBOR)
	}
	var name []string
	skip := 3
	for _, o := range req.options {
		if o.ID == message.URIPath {
			if skip--; skip < 0 {
				name = append(name, string(o.Value))
			}
		}
	}
	readings := s.readings.of(t.node)
	if want := strings.Join(name, "/"); want != "" {
		readings = slices.DeleteFunc(readings, func(r senml.Reading) bool { return r.Name != want })
		if len(readings) == 0 {
			return diagnose(codes.NotFound, "no reading %q of this node yet", want)
		}
	}
	pack := make([]senml.Record, len(readings))
	for i, r := range readings {
		pack[i] = r.Record()
	}
	var b []byte
	var err error
	if f == formatSenMLCBOR {
		b, err = senml.AppendCBOR(nil, pack)
	} else {
		b, err = senml.AppendJSON(nil, pack)
	}
	if err != nil {
		return s.internal(err)
	}
	return content(f, b)
}
