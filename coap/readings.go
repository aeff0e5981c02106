package coap

import (
	"bytes"
	"fmt"
	"net/netip"
	"strconv"
	"strings"
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

// Readings returns the latest readings of all nodes.
func (s *Server) Readings() []Reading {
	s.readings.mu.Lock()
	defer s.readings.mu.Unlock()
	var out []Reading
	for n, nr := range s.readings.nodes {
		if n.Removed() {
			continue
		}
		for i := range nr.names {
			out = append(out, Reading{nr.mesh, n.Label(), nr.names[i].latest})
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
	if believe(readings, now) {
		s.readings.clocks.Add(1)
		if held, ok := s.clockLog.pass(now); ok {
			s.log.Warn("a node's clock is wrong: the newest of its readings counts as made when it came",
				"mesh", t.mesh, "node", t.node.Label(), "held_back", held)
		}
	}
	t.table.Report(t.node, now)
	lost := s.readings.put(t.mesh, t.node, readings, now)
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
		if t, ok := m.sender(from); ok {
			return t, true
		}
	}
	return target{}, false
}

// sender is the node of the mesh whose address this is.
func (m *Mesh) sender(from netip.Addr) (target, bool) {
	n := m.Table.ByAddress(from)
	if n == nil || !n.Admitted() || from.IsLinkLocalUnicast() {
		return target{}, false
	}
	return target{m.Table, n, m.Name}, true
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
	for i, r := range readings {
		if err == nil && max(len(r.String), len(r.Data)) > maxValue {
			err = fmt.Errorf("reading %d, %s: more than the %d octets that are kept", i+1, r.Name, maxValue)
		}
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

// lastOf is how many readings of a name a request asks for: 1, or those of the query
// last=N.
func lastOf(req *request) (n int, ok bool) {
	n = 1
	for _, o := range req.options {
		if o.ID != message.URIQuery {
			continue
		}
		text, is := strings.CutPrefix(string(o.Value), "last=")
		v, err := strconv.ParseUint(text, 10, 16)
		if !is || err != nil || v < 1 || v > MaxLast {
			return 0, false
		}
		n = int(v)
	}
	return n, true
}

// showReadings is /nodes/NODE/readings and /nodes/NODE/readings/NAME, where a name
// may have slashes: the latest reading of each name, or with ?last=N the last ones, in
// the order of time.
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
	last, ok := lastOf(req)
	if !ok {
		return diagnose(codes.BadRequest, "last=N, a number from 1 to %d, is the only query here", MaxLast)
	}
	want := strings.Join(name, "/")
	readings := s.readings.of(t.node, want, last)
	if want != "" && len(readings) == 0 {
		return diagnose(codes.NotFound, "no reading %q of this node yet", want)
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
