package coap

import (
	"strings"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// nodeLink is the link to /nodes/NODE. Resource types without a dot are ours to
// choose (RFC 6690, section 7.4).
func nodeLink(label string) msg.Link {
	return msg.Link{Target: "/nodes/" + label, Attributes: msg.Observable(msg.Attrs("rt", "mesh-node", "ct", "50 0 40"))}
}

// nodeLinks are the resources of one node.
func nodeLinks(label string) []msg.Link {
	return []msg.Link{
		nodeLink(label),
		{Target: "/nodes/" + label + "/readings", Attributes: msg.Observable(msg.Attrs("rt", "readings", "ct", "110 112"))},
		{Target: "/nodes/" + label + "/own/.well-known/core", Attributes: msg.Attrs("rt", "own-resources", "ct", "40")},
	}
}

// wellKnown is /.well-known/core (RFC 6690, section 4).
func (s *Server) wellKnown(req *msg.Request) msg.Response {
	if _, ok := msg.Accept(req, msg.FormatLink); !ok {
		return msg.NotAcceptable(msg.FormatLink)
	}
	links := []msg.Link{
		{Target: "/nodes", Attributes: msg.Observable(msg.Attrs("rt", "mesh-nodes", "ct", "50 0 40"))},
		{Target: "/rd", Attributes: msg.Attrs("rt", "core.rd", "ct", "40")}, // RFC 9176, section 4.3
		{Target: "/rd-lookup/ep", Attributes: msg.Attrs("rt", "core.rd-lookup-ep", "ct", "40")},
		{Target: "/rd-lookup/res", Attributes: msg.Attrs("rt", "core.rd-lookup-res", "ct", "40")},
		{Target: "/readings", Attributes: msg.Attrs("rt", "readings-sink", "title", "POST or PUT of SenML, for nodes")},
	}
	for _, n := range s.nodeNames() {
		links = append(links, nodeLinks(n)...)
	}
	links = append(links, s.outputs.Links()...)
	for _, o := range req.Options {
		if o.ID != message.URIQuery {
			continue
		}
		name, want, ok := strings.Cut(string(o.Value), "=")
		if !ok {
			return msg.Errorf(codes.BadRequest, "a filter has the form NAME=VALUE")
		}
		kept := links[:0]
		for _, l := range links {
			if l.Matches(name, want) {
				kept = append(kept, l)
			}
		}
		links = kept
	}
	return msg.Content(msg.FormatLink, msg.AppendLinks(nil, links))
}
