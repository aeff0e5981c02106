package coap

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/bridge/reading"
	"culvert/bridge/senml"
	"culvert/coap/msg"
)

// Readings returns the latest readings of all nodes.
func (s *Server) Readings() []reading.Reading { return s.readings.All() }

// publish is /readings: what nodes say of themselves. The sender's address names
// the node, which the mesh's rule that a node may only send from its own addresses
// makes good.
func (s *Server) publish(req *msg.Request) msg.Response {
	if req.Code != codes.POST && req.Code != codes.PUT {
		return msg.Errorf(codes.MethodNotAllowed, "POST or PUT only")
	}
	t, ok := s.sender(req)
	if !ok {
		s.readings.Reject()
		return notANode()
	}
	now := s.now()
	readings, r, ok := parseReadings(req, now)
	if !ok {
		s.readings.Reject()
		return r
	}
	lost := s.readings.Publish(t, readings, now)
	if lost > 0 {
		return msg.Errorf(codes.Forbidden, "%d of the names are too many: %d a node are kept", lost, reading.MaxNames)
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
		if err == nil && max(len(r.String), len(r.Data)) > reading.MaxValue {
			err = fmt.Errorf("reading %d, %s: more than the %d octets that are kept", i+1, r.Name, reading.MaxValue)
		}
	}
	if err != nil {
		return nil, msg.Errorf(codes.BadRequest, "%v", err), false
	}
	return readings, msg.Response{}, true
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
		if !is || err != nil || v < 1 || v > reading.MaxLast {
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
		return msg.Errorf(codes.BadRequest, "last=N, a number from 1 to %d, is the only query here", reading.MaxLast)
	}
	want := strings.Join(name, "/")
	readings := s.readings.Of(t.Node, want, last)
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
