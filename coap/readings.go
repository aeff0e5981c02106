package coap

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/bridge/senml"
	"culvert/coap/msg"
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
func (s *Server) publish(req *msg.Request) msg.Response {
	if req.Code != codes.POST && req.Code != codes.PUT {
		return msg.Errorf(codes.MethodNotAllowed, "POST or PUT only")
	}
	t, ok := s.sender(req)
	if !ok {
		s.readings.rejected.Add(1)
		return msg.Errorf(codes.Forbidden, "the sender is no node of a mesh here")
	}
	now := time.Now()
	readings, r, ok := parseReadings(req, now)
	if !ok {
		s.readings.rejected.Add(1)
		return r
	}
	for i := range readings {
		readings[i].Name = shortName(readings[i].Name, t.Node)
		readings[i].Data = bytes.Clone(readings[i].Data)
	}
	if believe(readings, now) {
		s.readings.clocks.Add(1)
		if held, ok := s.clockLog.Allow(now); ok {
			s.log.Warn("a node's clock is wrong: the newest of its readings counts as made when it came",
				"mesh", t.Name, "node", t.Node.Label(), "held_back", held)
		}
	}
	t.Table.Report(t.Node, now)
	lost := s.readings.put(t.Name, t.Node, readings, now)
	s.observers.MarkChanged()
	if lost > 0 {
		return msg.Errorf(codes.Forbidden, "%d of the names are too many: %d a node are kept", lost, maxNames)
	}
	return msg.Empty(codes.Changed)
}

// sender returns the node that sent a request. Over UDP its address proves it, as the
// mesh lets a node send from its own addresses only.
func (s *Server) sender(req *msg.Request) (node.Member, bool) {
	if req.Peer.Door != msg.DoorUDP {
		return node.Member{}, false
	}
	return s.opts.Meshes.Sender(req.Peer.Addr.Addr())
}

// parseReadings resolves the pack in a request; if it cannot, it returns the
// answer that says why.
func parseReadings(req *msg.Request, now time.Time) ([]senml.Reading, msg.Response, bool) {
	var pack []senml.Record
	var err error
	switch format := msg.Uint(req.Options, message.ContentFormat); format {
	case msg.FormatSenMLJSON:
		pack, err = senml.ParseJSON(req.Payload)
	case msg.FormatSenMLCBOR:
		pack, err = senml.ParseCBOR(req.Payload)
	default:
		return nil, msg.Errorf(codes.UnsupportedMediaType, "Content-Format 110 or 112 (SenML) only"), false
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
		return nil, msg.Errorf(codes.BadRequest, "%v", err), false
	}
	return readings, msg.Response{}, true
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
func lastOf(req *msg.Request) (n int, ok bool) {
	n = 1
	for _, o := range req.Options {
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
func (s *Server) showReadings(req *msg.Request, t node.Member) msg.Response {
	f, ok := msg.Accept(req, msg.FormatSenMLJSON, msg.FormatSenMLCBOR)
	if !ok {
		return msg.NotAcceptable(msg.FormatSenMLJSON, msg.FormatSenMLCBOR)
	}
	var name []string
	skip := 3
	for _, o := range req.Options {
		if o.ID == message.URIPath {
			if skip--; skip < 0 {
				name = append(name, string(o.Value))
			}
		}
	}
	last, ok := lastOf(req)
	if !ok {
		return msg.Errorf(codes.BadRequest, "last=N, a number from 1 to %d, is the only query here", MaxLast)
	}
	want := strings.Join(name, "/")
	readings := s.readings.of(t.Node, want, last)
	if want != "" && len(readings) == 0 {
		return msg.Errorf(codes.NotFound, "no reading %q of this node yet", want)
	}
	pack := make([]senml.Record, len(readings))
	for i, r := range readings {
		pack[i] = r.Record()
	}
	var b []byte
	var err error
	if f == msg.FormatSenMLCBOR {
		b, err = senml.AppendCBOR(nil, pack)
	} else {
		b, err = senml.AppendJSON(nil, pack)
	}
	if err != nil {
		return s.internal(err)
	}
	return msg.Content(f, b)
}
