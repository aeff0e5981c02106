package coap

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/door"
	"culvert/coap/msg"
)

// RFC 8075, sections 5 to 8: targets with what is percent-encoded in them, freshness,
// weights of media types, tags. What TestHTTP leaves out.
func TestHTTPClauses(t *testing.T) {
	f := newFront(t, quick)
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		format := msg.Uint(m.Options, message.Accept)
		switch path := msg.ResourcePath(m.Options, message.URIPath); {
		case path == "/silent":
			return nil
		case path == "/links" && format >= 0 && format != msg.FormatLink:
			return [][]byte{ack(m, codes.NotAcceptable, "")}
		case path == "/links":
			return [][]byte{ack(m, codes.Content, "</a>", opt{message.ContentFormat, u(msg.FormatLink)})}
		case path == "/changing":
			return [][]byte{ack(m, codes.Content, "1", opt{message.ContentFormat, ""}, opt{message.MaxAge, ""})}
		case path == "/gone":
			return [][]byte{ack(m, codes.NotFound, "no such gauge", opt{message.MaxAge, u(30)})}
		case path == "/refused":
			return [][]byte{ack(m, codes.Unauthorized, "")}
		}
		return [][]byte{ack(m, codes.Content, "x", opt{message.ContentFormat, ""}, opt{message.ETag, "\xab"})}
	})
	web := httptest.NewServer(f.HTTP())
	defer web.Close()
	ask := func(method, path string, header ...string) (*http.Response, message.Message) {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), method, web.URL+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		for i := 0; i < len(header); i += 2 {
			if header[i] != "" {
				r.Header.Set(header[i], header[i+1])
			}
		}
		before := len(n.seen())
		a, err := web.Client().Do(r)
		if err != nil {
			t.Fatal(err)
		}
		a.Body.Close()
		if log := n.seen(); len(log) > before {
			return a, log[len(log)-1]
		}
		return a, message.Message{}
	}

	// 5.4, and RFC 7252, 6.4: each octet reaches the node as it was meant.
	for i, x := range []struct {
		target string
		path   []string
		query  []string
	}{
		{"coap://grain-bin/a%2Fb/c", []string{"a/b", "c"}, nil},
		{"coap://grain-bin/%C3%A9/%25", []string{"é", "%"}, nil},
		{"coap://grain-bin/a//b/", []string{"a", "", "b", ""}, nil},
		{"COAP://Grain-Bin/a+b", []string{"a+b"}, nil},
		{"coap://grain-bin:5683/a", []string{"a"}, nil},
		{"coap://grain-bin/a?x=1&y=%26%3D&z", []string{"a"}, []string{"x=1", "y=&=", "z"}},
		{"coap://grain-bin/a?u=coap://h/%3Fq", []string{"a"}, []string{"u=coap://h/?q"}},
		{"coap://grain-bin", nil, nil},
		{"?target_uri=coap%3A%2F%2Fgrain-bin%2Fa%2525%3Fx%3D1%26y", []string{"a%"}, []string{"x=1", "y"}},
	} {
		// Each is another request for the cache.
		a, m := ask("GET", "/hc/"+x.target, "Accept", fmt.Sprintf("application/coap-payload;cf=%d", 2000+i))
		var path, query []string
		for _, o := range m.Options {
			switch o.ID {
			case message.URIPath:
				path = append(path, string(o.Value))
			case message.URIQuery:
				query = append(query, string(o.Value))
			}
		}
		if a.StatusCode != 200 || !slices.Equal(path, x.path) || !slices.Equal(query, x.query) {
			t.Errorf("%s: %s, path %q, query %q; want %q, %q", x.target, a.Status, path, query, x.path, x.query)
		}
	}
	// 6.1, and RFC 9110, 12.5.1: the weights decide, and what says that anything will do
	// has something.
	for _, x := range []struct {
		accept string
		status int
		sent   int64 // the last Accept that the node saw, -1: none
	}{
		{"application/json;q=0.2, application/cbor;q=0.8", 200, 60},
		{"application/json;q=0, application/cbor;q=0.1", 200, 60},
		{"text/plain, application/json", 200, 0},
		{"application/json;q=x, image/png", 406, -2},
		{"application/json;q=0", 406, -2},
	} {
		a, m := ask("GET", "/hc/coap://grain-bin/w?"+fmt.Sprint(len(x.accept)), "Accept", x.accept)
		sent := msg.Uint(m.Options, message.Accept)
		if m.Code == codes.Empty {
			sent = -2 // not asked
		}
		if a.StatusCode != x.status || sent != x.sent {
			t.Errorf("%s: %s, Accept %d, want %d and %d", x.accept, a.Status, sent, x.status, x.sent)
		}
	}
	browser := "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"
	if a, m := ask("GET", "/hc/coap://grain-bin/links", "Accept", browser); a.StatusCode != 200 || a.Header.Get("Content-Type") != "application/link-format" || msg.Uint(m.Options, message.Accept) >= 0 {
		t.Errorf("a browser: %s, %s", a.Status, a.Header)
	}
	if a, _ := ask("GET", "/hc/coap://grain-bin/links", "Accept", "application/xml"); a.StatusCode != 406 {
		t.Errorf("only what is not there: %s", a.Status)
	}
	// 7 and 8: freshness, tags, and what a node without an answer is.
	for _, x := range []struct {
		path, header, value string
		status              int
		cache               string
	}{
		{"fresh", "", "", 200, "max-age=60"}, // no Max-Age is 60 s (RFC 7252, 5.10.5)
		{"changing", "", "", 200, "no-cache"},
		{"gone", "", "", 404, "no-cache"},
		{"refused", "", "", 403, "no-cache"},
		{"fresh", "If-None-Match", `"ab"`, 304, "max-age=60"},
		{"fresh", "If-None-Match", `"00", W/"ab"`, 304, "max-age=60"},
		{"fresh", "If-None-Match", `"zz", *, ""`, 200, "max-age=60"},
		{"silent", "", "", 504, "no-cache"},
	} {
		a, _ := ask("GET", "/hc/coap://grain-bin/"+x.path, x.header, x.value)
		cache := a.Header.Get("Cache-Control")
		if a.StatusCode != x.status || !strings.HasPrefix(cache, strings.TrimSuffix(x.cache, "60")) || a.Header.Get("WWW-Authenticate") != "" || x.status == 304 && a.Header.Get("ETag") != `"ab"` {
			t.Errorf("%s %s: %s %v, want %d %s", x.path, x.value, a.Status, a.Header, x.status, x.cache)
		}
	}
	if a, _ := ask("HEAD", "/hc/coap://grain-bin/links"); a.StatusCode != 200 || a.ContentLength != 4 || a.Header.Get("Content-Type") != "application/link-format" {
		t.Errorf("HEAD: %s, %d octets, %v", a.Status, a.ContentLength, a.Header)
	}
	if door.HTTPTimeout < f.opts.NodeTimeout || door.HTTPTimeout > time.Minute {
		t.Errorf("HTTP clients wait %v", door.HTTPTimeout)
	}
}
