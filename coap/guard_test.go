package coap

import (
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/msg"
	"culvert/coap/output"
)

// What stands in /outputs is guarded, however its declaration and a write spell it: each of
// these writes is one to the output, which is locked out, or is refused.
func TestOutputGuardedHoweverSpelled(t *testing.T) {
	f := newFront(t, siteOutput(func(o *output.Output) { o.Resource = "//pump//valve/" }), inDir(t.TempDir()), func(s *Server) { s.opts.Undeclared = output.UndeclaredAllow })
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte { return [][]byte{ack(m, codes.Changed, "")} })
	if _, code := f.ask(codes.PUT, "/outputs/grain-bin/pump/valve/lock", "sump open"); code != "2.04" {
		t.Fatal(code)
	}
	addr := f.table.Address(f.grainBin().Node).String()
	path := func(parts ...string) (out []opt) {
		for _, p := range append([]string{"nodes", "grain-bin", "own"}, parts...) {
			out = append(out, opt{message.URIPath, p})
		}
		return out
	}
	c := f.client()
	for _, x := range []struct {
		name string
		opts []opt
	}{
		{"plain", path("pump", "valve")},
		{"slash behind", path("pump", "valve", "")},
		{"empty segments", path("", "pump", "", "", "valve")},
		{"a slash in a segment", path("pump/valve")},
		{"a query", append(path("pump", "valve"), opt{message.URIQuery, "within=5"})},
		{"another query", append(path("pump", "valve"), opt{message.URIQuery, "x"})},
		{"another case", path("Pump", "VALVE")},
		{"percent-encoded twice", path("pump", "val%76e")},
		{"a query in the segment", path("pump", "valve?1")},
		{"a fragment in the segment", path("pump", "valve#1")},
		{"NUL", path("pump", "valve\x00")},
		{"dot", path("pump", ".", "valve")},
		{"dots", path("x", "..", "pump", "valve")},
		{"dots in a segment", path("x/../pump/valve")},
		{"Proxy-Uri", []opt{{message.ProxyURI, "coap://[" + addr + "]/pump/valve"}}},
		{"Proxy-Uri with slashes", []opt{{message.ProxyURI, "coap://[" + addr + "]//pump//valve/?within=5"}}},
		{"Proxy-Uri by name", []opt{{message.ProxyURI, "coap://grain-bin/%70ump/valve"}}},
		{"Proxy-Uri with dots", []opt{{message.ProxyURI, "coap://grain-bin/x/%2e%2e/pump/valve"}}},
		{"Proxy-Scheme", []opt{{message.ProxyScheme, "coap"}, {message.URIHost, "grain-bin"}, {message.URIPath, "pump"}, {message.URIPath, "valve"}}},
		{"Proxy-Scheme with dots", []opt{{message.ProxyScheme, "coap"}, {message.URIHost, "grain-bin"}, {message.URIPath, ".."}, {message.URIPath, "pump"}, {message.URIPath, "valve"}}},
	} {
		for _, method := range []codes.Code{codes.PUT, codes.POST, codes.DELETE} {
			if m := c.ask(method, "", "1", x.opts...); m.Code>>5 != 4 {
				t.Errorf("%s: %v to a locked output: %v %s", x.name, method, m.Code, m.Payload)
			}
		}
	}
	if seen := n.seen(); len(seen) != 0 {
		t.Errorf("the node was sent %d messages, the first %v", len(seen), seen[0].Options)
	}
	if m := c.ask(codes.PUT, "nodes/grain-bin/own/pump/other", "1"); m.Code != codes.Changed || len(n.seen()) != 1 {
		t.Errorf("another resource: %v %s", m.Code, m.Payload)
	}
}

// RFC 7252, section 5.10.1: a Uri-Path must not be "." or "..". None reaches a node, whichever
// way it comes.
func TestNoDotSegmentReachesNode(t *testing.T) {
	f := newFront(t)
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte { return [][]byte{ack(m, codes.Content, "x")} })
	c := f.client()
	for _, part := range []string{".", "..", "a/..", "../a", "a/./b", "a\x00b"} {
		own := []opt{{message.URIPath, "nodes"}, {message.URIPath, "grain-bin"}, {message.URIPath, "own"}, {message.URIPath, part}}
		uri := "coap://grain-bin/" + strings.ReplaceAll(part, "\x00", "%00")
		for _, method := range []codes.Code{codes.GET, codes.POST, codes.PUT, codes.DELETE, codes.FETCH} {
			if m := c.ask(method, "", "1", own...); m.Code != codes.BadRequest {
				t.Errorf("%q: %v: %v", part, method, m.Code)
			}
			if m := c.ask(method, "", "1", opt{message.ProxyURI, uri}); m.Code != codes.BadRequest {
				t.Errorf("%s: %v: %v", uri, method, m.Code)
			}
		}
		w := httptest.NewRecorder()
		f.HTTP().ServeHTTP(w, httptest.NewRequest("GET", "http://[::1]/hc/?target_uri="+strings.ReplaceAll(uri, "%", "%25"), nil))
		if w.Code != 400 {
			t.Errorf("%s by HTTP: %d", uri, w.Code)
		}
	}
	if seen := n.seen(); len(seen) != 0 {
		t.Errorf("the node was sent %d messages, the first %v", len(seen), seen[0].Options)
	}
	if m := c.ask(codes.GET, "nodes/grain-bin/own/.well-known/a..b", ""); m.Code != codes.Content {
		t.Errorf("dots within a part: %v", m.Code)
	}
}

// A declaration that could not be guarded, or that nobody could use, is refused, at the
// start and when the outputs are replaced.
func TestOutputDeclarationRefused(t *testing.T) {
	f := newFront(t, siteOutput(), inDir(t.TempDir()))
	for want, declared := range map[string][]output.Output{
		"5.10.1":       {{Place: "grain-bin", Resource: "/a/.."}},
		"lock":         {{Place: "grain-bin", Resource: "/a/lock"}},
		"twice":        {{Place: "grain-bin", Resource: "/a/b"}, {Place: "grain-bin", Resource: "/a//b"}},
		"control char": {{Place: "grain-bin", Resource: "/a\x00"}},
		"empty list":   {{Place: "grain-bin", Resource: "/a", Who: []string{}}},
	} {
		if err := f.SetOutputs(declared); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", declared, err, want)
		}
		s := New(Options{Control: t.TempDir() + "/c", Meshes: node.Meshes{}, Outputs: declared, StateDir: t.TempDir()})
		if err := s.Listen(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("at the start, %+v: %v, want %q", declared, err, want)
		}
	}
	if got := f.outputs.List(); len(got) != 1 || got[0].Resource != "/output" {
		t.Errorf("the former outputs are not in force: %+v", got)
	}
}

// A path in the listing is a URI (RFC 6690, section 2).
func TestOutputLinkIsURI(t *testing.T) {
	f := newFront(t, siteOutput(func(o *output.Output) { o.Resource = "/pump%20%3E/a" }), inDir(t.TempDir()))
	m := f.client().ask(codes.GET, ".well-known/core", "", opt{message.URIQuery, "rt=output"})
	links, err := msg.ParseLinks(string(m.Payload))
	if err != nil || !slices.ContainsFunc(links, func(l msg.Link) bool { return l.Target == "/outputs/grain-bin/pump%20%3E/a" }) {
		t.Errorf("%s (%v)", m.Payload, err)
	}
}
