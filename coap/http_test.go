package coap

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// RFC 8075, sections 5 to 7: targets, status codes, freshness, formats.
func TestHTTP(t *testing.T) {
	f := newFront(t)
	var code atomic.Int32
	var format atomic.Int32
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		opts := []opt{{message.MaxAge, u(7)}, {message.ETag, "\x01\xab"}}
		if v := format.Load(); v >= 0 {
			opts = append(opts, opt{message.ContentFormat, u(uint32(v))})
		}
		if e, ok := msg.Option(m.Options, message.ETag); ok && string(e) == "\x01\xab" && codes.Code(code.Load()) == codes.Valid {
			return [][]byte{ack(m, codes.Valid, "", opt{message.ETag, "\x01\xab"})}
		}
		return [][]byte{ack(m, codes.Code(code.Load()), "21.5", opts...)}
	})
	h := f.HTTP()
	ask := func(method, target string, header ...string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(method, target, nil)
		for i := 0; i < len(header); i += 2 {
			r.Header.Set(header[i], header[i+1])
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	code.Store(int32(codes.Content))
	addr := f.table.Address(f.grainBin().Node).String()
	for _, x := range []struct{ method, target, path string }{
		{"GET", "/hc/coap://grain-bin/a/b?q=1", "/a/b"},
		{"GET", "/hc/coap://[" + addr + "]/c", "/c"},
		{"GET", "/hc/?target_uri=coap://grain-bin/d%3Fq=2", "/d"},
		{"GET", "/hc/coap://grain-bin/e%20f", "/e f"},
		{"HEAD", "/hc/coap://grain-bin/g", "/g"},
	} {
		w := ask(x.method, x.target)
		log := n.seen()
		want := "21.5"
		if x.method == "HEAD" {
			want = ""
		}
		if w.Code != 200 || w.Body.String() != want || msg.ResourcePath(log[len(log)-1].Options, message.URIPath) != x.path ||
			w.Header().Get("Cache-Control") != "max-age=7" || w.Header().Get("ETag") != `"01ab"` || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/plain") {
			t.Errorf("%s: %d %v %q", x.target, w.Code, w.Header(), w.Body)
		}
	}
	before := len(n.seen())
	if w := ask("GET", "/hc/coap://grain-bin/g"); w.Code != 200 || len(n.seen()) != before {
		t.Error("not from the cache")
	}
	if w := ask("GET", "/hc/coap://grain-bin/g", "If-None-Match", `"01ab"`); w.Code != 304 || w.Body.Len() != 0 {
		t.Errorf("If-None-Match: %d", w.Code)
	}
	// Status codes: the table in section 7. The values are from memory.
	for i, x := range []struct {
		coap codes.Code
		http int
	}{
		{codes.BadRequest, 400}, {codes.Unauthorized, 403}, {codes.BadOption, 400}, {codes.Forbidden, 403}, {codes.NotFound, 404},
		{codes.MethodNotAllowed, 400}, {codes.NotAcceptable, 406}, {codes.PreconditionFailed, 412}, {codes.RequestEntityTooLarge, 413},
		{codes.UnsupportedMediaType, 415}, {codes.InternalServerError, 500}, {codes.NotImplemented, 501}, {codes.BadGateway, 502},
		{codes.ServiceUnavailable, 503}, {codes.GatewayTimeout, 504}, {codes.ProxyingNotSupported, 502},
	} {
		code.Store(int32(x.coap))
		w := ask("GET", fmt.Sprint("/hc/coap://grain-bin/status/", i))
		if w.Code != x.http || w.Header().Get("WWW-Authenticate") != "" {
			t.Errorf("%v: %d, want %d", x.coap, w.Code, x.http)
		}
		if x.http == 503 && w.Header().Get("Retry-After") != "7" {
			t.Errorf("Retry-After %q", w.Header().Get("Retry-After"))
		}
	}
	code.Store(int32(codes.Content))
	for _, x := range []struct {
		accept string
		sent   int64 // Accept to the node
		format int32
		kind   string
	}{
		{"", -1, 50, "application/json"},
		{"*/*", -1, 60, "application/cbor"},
		{"application/senml+json", 110, 110, "application/senml+json"},
		{"image/png, application/cbor;q=0.5", 60, 60, "application/cbor"},
		{"application/coap-payload;cf=11050", 11050, 11050, "application/coap-payload;cf=11050"},
		{"application/json", 50, -1, "application/octet-stream"},
	} {
		format.Store(x.format)
		w := ask("GET", "/hc/coap://grain-bin/format?"+fmt.Sprint(x.format), "Accept", x.accept)
		if x.accept == "" {
			w = ask("GET", "/hc/coap://grain-bin/format?none")
		}
		log := n.seen()
		if got := msg.Uint(log[len(log)-1].Options, message.Accept); got != x.sent || w.Header().Get("Content-Type") != x.kind {
			t.Errorf("%q: Accept %d, Content-Type %q", x.accept, got, w.Header().Get("Content-Type"))
		}
	}
	before = len(n.seen())
	for target, want := range map[string]int{
		"/hc/": 400, "/hc/http://grain-bin/": 502, "/hc/coap://example.com/": 502, "/hc/coap://[2001:db8::1]/": 502,
		"/hc/coap://[::1]/": 502, "/hc/coap:/grain-bin/x": 400, "/hc/coap://grain-bin:1/x": 502, "/hc/coap://grain-bin/" + strings.Repeat("x", 1100): 400,
	} {
		if w := ask("GET", target); w.Code != want {
			t.Errorf("%.60s: %d, want %d", target, w.Code, want)
		}
	}
	if w := ask("GET", "/hc/coap://grain-bin/png", "Accept", "image/png"); w.Code != 406 {
		t.Errorf("image/png: %d", w.Code)
	}
	for _, m := range []string{"PUT", "POST", "DELETE", "PATCH"} {
		if w := ask(m, "/hc/coap://grain-bin/x"); w.Code != http.StatusMethodNotAllowed || w.Header().Get("Allow") != "GET, HEAD" {
			t.Errorf("%s: %d", m, w.Code)
		}
	}
	if len(n.seen()) != before {
		t.Error("something of that reached the node")
	}
}
