package coap

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"os/exec"
	"strings"
	"testing"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/door"
	"culvert/coap/msg"
)

// RFC 9176, sections 5, 5.3.1 and 6: the bounds of a lifetime, what an update may
// change, filters on all that an endpoint has, and names that would not stay in their
// place in a listing (RFC 6690, section 2).
func TestDirectoryEdges(t *testing.T) {
	c := newFront(t).client()
	post := func(path, q, body string) message.Message {
		return c.ask(codes.POST, path, body, append(queries(q), opt{message.ContentFormat, u(msg.FormatLink)})...)
	}
	first := post("rd", "ep=gauge&d=east&lt=4294967295&base=coap://[2001:db8::7]&et=sump", `</t>;rt="depth level";ct=0,</x>;anchor=/y`)
	at := strings.TrimPrefix(msg.ResourcePath(first.Options, message.LocationPath), "/")
	if first.Code != codes.Created {
		t.Fatalf("%v", &first)
	}
	for _, x := range []struct{ q, want string }{
		{"ep=b&lt=1", "2.01"},
		{"ep=b&lt=-1", "4.00"},
		{"ep=b&lt=", "4.00"},
		{"ep=b&lt=4294967296", "4.00"},
		{"ep=b&base=coap://a>b", "4.00"},
		{`ep=b&base=coap://a"b`, "4.00"},
		{"ep=b&x,</evil>=1", "4.00"},
		{"ep=b&x;y=1", "4.00"},
		{"ep=b&x y=1", "4.00"},
		{"ep=b&x-y=1", "2.01"},
	} {
		if m := post("rd", x.q, ""); msg.CodeText(m.Code) != x.want {
			t.Errorf("%s: %v %s, want %s", x.q, m.Code, m.Payload, x.want)
		}
	}
	lookup := func(what, q, want string) {
		t.Helper()
		m := c.ask(codes.GET, "rd-lookup/"+what, "", queries(q)...)
		if m.Code != codes.Content || string(m.Payload) != want || msg.Uint(m.Options, message.ContentFormat) != msg.FormatLink {
			t.Errorf("%s?%s: %v %s\nwant %s", what, q, m.Code, m.Payload, want)
		}
	}
	depth := `<coap://[2001:db8::7]/t>;rt="depth level";ct=0;anchor="coap://[2001:db8::7]"`
	x := `<coap://[2001:db8::7]/x>;anchor="coap://[2001:db8::7]/y"`
	self := `</` + at + `>;ep="gauge";d="east";base="coap://[2001:db8::7]";rt="core.rd-ep";et="sump"`
	lookup("res", "rt=level", depth)
	lookup("res", "rt=lev*", depth)
	lookup("res", "anchor=coap://[2001:db8::7]/y", x)
	lookup("res", "base=coap://[2001:db8::7]", depth+","+x)
	lookup("res", "d=east&count=1&page=1", x)
	lookup("res", "d=west", "")
	lookup("ep", "d=ea*", self)
	lookup("ep", "base=coap://[2001:db8::7]", self)
	lookup("ep", "href=/"+at, self)
	lookup("ep", "href=coap://[2001:db8::7]/t", self) // of its links

	// An update may change the base and the attributes, and nothing else.
	if m := post(at, "base=coap://[2001:db8::8]&et=bank", ""); m.Code != codes.Changed {
		t.Errorf("%v %s", m.Code, m.Payload)
	}
	lookup("ep", "d=east", strings.NewReplacer("::7", "::8", "sump", "bank").Replace(self))
	lookup("res", "rt=depth", strings.ReplaceAll(depth, "::7", "::8"))
	for _, q := range []string{"d=west", "ep=other", "lt=0", "href=/x"} {
		if m := post(at, q, ""); m.Code != codes.BadRequest {
			t.Errorf("update %s: %v", q, m.Code)
		}
	}
	// The same name and sector: the same place, with what is said now and nothing else.
	if m := post("rd", "ep=gauge&d=east&base=coap://[2001:db8::7]&et=sump", `</t>;rt="depth level";ct=0`); "/"+at != msg.ResourcePath(m.Options, message.LocationPath) {
		t.Errorf("%v", &m)
	}
	lookup("res", "d=east", depth)
}

// FuzzHTTPTarget: whatever an HTTP client asks for goes to a node of the mesh or
// nowhere.
func FuzzHTTPTarget(f *testing.F) {
	f.Add("/hc/coap://grain-bin/a%20b?q=1", "application/json;q=0.5, */*", `"01ab"`)
	f.Add("/hc/?target_uri=coap://[2001:db8::1]/%3Fq", "application/coap-payload;cf=11050", `W/"x", *`)
	table, err := node.New(node.Options{Prefix: netip.MustParsePrefix(sitePrefix), Places: []node.Place{{Name: "grain-bin", EUI64: eui(5)}}})
	if err != nil {
		f.Fatal(err)
	}
	s := New(Options{Meshes: node.Meshes{{Name: "fenland", Table: table}}})
	f.Fuzz(func(t *testing.T, target, accept, match string) {
		at, err := url.ParseRequestURI(target)
		if err != nil {
			return
		}
		r := &http.Request{Method: http.MethodGet, URL: at, Header: http.Header{"Accept": {accept}, "If-None-Match": {match}}}
		req, status, text := door.HTTPRequest(r)
		if req == nil {
			if status != http.StatusBadRequest && status != http.StatusNotAcceptable || text == "" {
				t.Fatalf("%d %q", status, text)
			}
			return
		}
		out, to, bad, ok := s.proxied(req)
		switch {
		case !ok && bad.Code>>5 < 4:
			t.Fatalf("refused with %v", bad.Code)
		case ok && (to.Node == nil || out.Path.Part[1] != "grain-bin"):
			t.Fatalf("%q goes to %v", target, out.Options)
		}
	})
}

// curl reads a node through HTTP (RFC 8075, sections 5.4, 6 and 7).
func TestHTTPCurl(t *testing.T) {
	f := newFront(t)
	pump(t, f)
	web := httptest.NewServer(f.HTTP())
	defer web.Close()
	curl := func(path string, args ...string) (status, kind, cache, tag, body string) {
		t.Helper()
		args = append(args, "-sS", "-g", "--noproxy", "*", "-m", "60", "-w", "\n%{http_code}\n%{content_type}\n%header{cache-control}\n%header{etag}", web.URL+path)
		out, err := exec.CommandContext(t.Context(), tool(t, "curl", "curl"), args...).CombinedOutput()
		part := strings.Split(string(out), "\n")
		if err != nil || len(part) < 5 {
			t.Fatalf("curl %v: %v\n%s", args, err, out)
		}
		n := len(part)
		return part[n-4], part[n-3], part[n-2], part[n-1], strings.Join(part[:n-4], "\n")
	}
	addr := f.table.Address(f.grainBin().Node).String()
	var known string
	for _, x := range []struct {
		path, accept, status, kind, body string
	}{
		{"/hc/coap://grain-bin/temp", "", "200", "text/plain; charset=utf-8", "."},
		{"/hc/coap://[" + addr + "]/temp", "", "200", "text/plain; charset=utf-8", "."},
		{"/hc/?target_uri=coap://grain-bin/temp", "application/senml+json", "200", "application/senml+json", `"u":"Cel"`},
		{"/hc/coap://grain-bin/config", "application/cbor", "200", "application/cbor", "temp_low"},
		{"/hc/coap://grain-bin/.well-known/core?href=/temp", "", "200", "application/link-format", "</temp>"},
		{"/hc/coap://grain-bin/%6Cog", "", "200", "text/plain; charset=utf-8", "\n"},
		{"/hc/coap://grain-bin/nothing", "", "404", "text/plain; charset=utf-8", ""},
		{"/hc/coap://grain-bin/temp", "image/png", "406", "text/plain; charset=utf-8", ""},
		{"/hc/coap://[2001:db8::1]/temp", "", "502", "text/plain; charset=utf-8", ""},
	} {
		var args []string
		if x.accept != "" {
			args = []string{"-H", "Accept: " + x.accept}
		}
		status, kind, cache, tag, body := curl(x.path, args...)
		if status != x.status || kind != x.kind || !strings.Contains(body, x.body) || status == "200" && (tag == "" || !strings.HasPrefix(cache, "max-age=") && cache != "no-cache") {
			t.Errorf("%s (%s): %s %s, Cache-Control %s, ETag %s, %.80q", x.path, x.accept, status, kind, cache, tag, body)
		}
		if strings.HasSuffix(x.path, "href=/temp") {
			known = tag
		}
	}
	if status, _, _, _, body := curl("/hc/coap://grain-bin/.well-known/core?href=/temp", "-H", "If-None-Match: "+known); status != "304" || body != "" {
		t.Errorf("If-None-Match %s: %s %q", known, status, body)
	}
	if status, kind, _, _, body := curl("/hc/coap://grain-bin/hum", "-I", "-o", "/dev/null"); status != "200" || kind == "" || body != "" {
		t.Errorf("HEAD: %s %s %q", status, kind, body)
	}
	if status, _, _, _, _ := curl("/hc/coap://grain-bin/label", "-X", "PUT", "-d", "x"); status != fmt.Sprint(http.StatusMethodNotAllowed) {
		t.Errorf("PUT: %s", status)
	}
}
