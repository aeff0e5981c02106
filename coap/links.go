package coap

import (
	"errors"
	"fmt"
	"strings"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// link is one link of a listing (RFC 6690).
type link struct {
	target     string // between < and >
	attributes []attribute
}

type attribute struct {
	name, value string
	bare        bool // the value stands without quotes
}

// appendLinks writes links in the CoRE link format (RFC 6690, section 2).
func appendLinks(b []byte, links []link) []byte {
	for i, l := range links {
		if i > 0 {
			b = append(b, ',')
		}
		b = append(append(append(b, '<'), l.target...), '>')
		for _, a := range l.attributes {
			b = append(append(b, ';'), a.name...)
			switch {
			case a.bare && a.value == "":
				continue // a flag
			case a.bare:
				b = append(append(b, '='), a.value...)
				continue
			}
			b = append(b, '=', '"')
			for j := range len(a.value) {
				if c := a.value[j]; c == '"' || c == '\\' {
					b = append(b, '\\')
				}
				b = append(b, a.value[j])
			}
			b = append(b, '"')
		}
	}
	return b
}

var errLinks = errors.New("not in the link format")

// parseLinks reads a document in the CoRE link format (RFC 6690, section 2; RFC
// 5988, section 5): an empty one has no links.
func parseLinks(s string) ([]link, error) {
	var out []link
	at := 0
	fail := func(what string) ([]link, error) {
		return nil, fmt.Errorf("coap: %w at octet %d: %s", errLinks, at, what)
	}
	for at < len(s) {
		if s[at] != '<' {
			return fail("'<' expected")
		}
		end := strings.IndexByte(s[at:], '>')
		if end < 0 {
			return fail("'>' missing")
		}
		l := link{target: s[at+1 : at+end]}
		at += end + 1
		for at < len(s) && s[at] == ';' {
			at++
			n := strings.IndexAny(s[at:], "=;,")
			if n < 0 {
				n = len(s) - at
			}
			a := attribute{name: s[at : at+n], bare: true}
			if a.name == "" {
				return fail("the name of an attribute is missing")
			}
			at += n
			if at < len(s) && s[at] == '=' {
				at++
				v, n, ok := linkValue(s[at:])
				if !ok || n == 0 {
					return fail("the value is missing, or its quotes do not end")
				}
				a.bare = s[at] != '"'
				a.value = v
				at += n
			}
			l.attributes = append(l.attributes, a)
		}
		out = append(out, l)
		if at == len(s) {
			return out, nil
		}
		if s[at] != ',' || at+1 == len(s) {
			return fail("',' and another link, or the end expected")
		}
		at++
	}
	return out, nil
}

// linkValue reads a token or a quoted string, and returns how many octets it took.
func linkValue(s string) (v string, n int, ok bool) {
	if !strings.HasPrefix(s, `"`) {
		n = strings.IndexAny(s, ";,")
		if n < 0 {
			n = len(s)
		}
		return s[:n], n, true
	}
	var b strings.Builder
	for i := 1; i < len(s); i++ {
		switch c := s[i]; {
		case c == '\\' && i+1 < len(s):
			i++
			b.WriteByte(s[i])
		case c == '"':
			return b.String(), i + 1, true
		default:
			b.WriteByte(c)
		}
	}
	return "", 0, false
}

// matchesQuery reports whether the link is one that a query of the form NAME=VALUE
// asks for (RFC 6690, section 4.1): a value may end in * for any continuation, and
// rt, if, rel, rev and ct are lists of words, of which one must match.
func (l link) matchesQuery(name, want string) bool {
	if name == "href" {
		return matchWord(l.target, want)
	}
	for _, a := range l.attributes {
		if a.name != name {
			continue
		}
		switch name {
		case "rt", "if", "rel", "rev", "ct":
			for w := range strings.FieldsSeq(a.value) {
				if matchWord(w, want) {
					return true
				}
			}
		default:
			if matchWord(a.value, want) {
				return true
			}
		}
	}
	return false
}

func matchWord(have, want string) bool {
	if p, ok := strings.CutSuffix(want, "*"); ok {
		return strings.HasPrefix(have, p)
	}
	return have == want
}

// attributes makes attributes of pairs of name and value.
func attributes(pairs ...string) (out []attribute) {
	for i := 0; i < len(pairs); i += 2 {
		out = append(out, attribute{name: pairs[i], value: pairs[i+1]})
	}
	return out
}

// observable adds the flag that a resource tells of its changes (RFC 7641, section 6).
func observable(in []attribute) []attribute { return append(in, attribute{name: "obs", bare: true}) }

// nodeLink is the link to /nodes/NODE. Resource types without a dot are ours to
// choose (RFC 6690, section 7.4).
func nodeLink(label string) link {
	return link{"/nodes/" + label, observable(attributes("rt", "mesh-node", "ct", "50 0 40"))}
}

// nodeLinks are the resources of one node.
func nodeLinks(label string) []link {
	return []link{
		nodeLink(label),
		{"/nodes/" + label + "/readings", observable(attributes("rt", "readings", "ct", "110 112"))},
		{"/nodes/" + label + "/own/.well-known/core", attributes("rt", "own-resources", "ct", "40")},
	}
}

// links are /outputs and each output below it, none where none is declared.
func (o *outputs) links() (out []link) {
	if len(o.entries()) > 0 {
		out = append(out, link{"/outputs", attributes("rt", "outputs", "ct", "50")})
	}
	for _, x := range o.entries() {
		at := "/outputs" + outputKey("/"+x.Place, x.Resource)
		out = append(out, link{at, attributes("rt", "output", "ct", "50")}, link{at + "/lock", attributes("rt", "lock-out", "ct", "50")})
	}
	return out
}

// wellKnown is /.well-known/core (RFC 6690, section 4).
func (s *Server) wellKnown(req *request) response {
	if _, ok := accept(req, formatLink); !ok {
		return notAcceptable(formatLink)
	}
	links := []link{
		{"/nodes", observable(attributes("rt", "mesh-nodes", "ct", "50 0 40"))},
		{"/rd", attributes("rt", "core.rd", "ct", "40")}, // RFC 9176, section 4.3
		{"/rd-lookup/ep", attributes("rt", "core.rd-lookup-ep", "ct", "40")},
		{"/rd-lookup/res", attributes("rt", "core.rd-lookup-res", "ct", "40")},
		{"/readings", attributes("rt", "readings-sink", "title", "POST or PUT of SenML, for nodes")},
	}
	for _, n := range s.nodeNames() {
		links = append(links, nodeLinks(n)...)
	}
	links = append(links, s.outputs.links()...)
	for _, o := range req.options {
		if o.ID != message.URIQuery {
			continue
		}
		name, want, ok := strings.Cut(string(o.Value), "=")
		if !ok {
			return diagnose(codes.BadRequest, "a filter has the form NAME=VALUE")
		}
		kept := links[:0]
		for _, l := range links {
			if l.matchesQuery(name, want) {
				kept = append(kept, l)
			}
		}
		links = kept
	}
	return content(formatLink, appendLinks(nil, links))
}

// relink makes the links in a node's listing good where the client reads it: a path on
// the node is one below /nodes/NODE/own here (RFC 7252, section 5.7.3), and so is a
// URI of which own says that the node itself is meant, and gives the path. What is not
// in the link format stays as it is.
func relink(body []byte, label string, own func(uri string) (path string, ok bool)) []byte {
	links, err := parseLinks(string(body))
	if err != nil {
		return body
	}
	here := func(at string) string {
		if !strings.HasPrefix(at, "/") || strings.HasPrefix(at, "//") {
			path, ok := own(at)
			if !ok {
				return at
			}
			at = path
		}
		return "/nodes/" + label + "/own" + at
	}
	for i := range links {
		links[i].target = here(links[i].target)
		for j := range links[i].attributes {
			if a := &links[i].attributes[j]; a.name == "anchor" {
				a.value = here(a.value)
			}
		}
	}
	return appendLinks(nil, links)
}
