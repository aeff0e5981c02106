package web

import (
	"bufio"
	"context"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var now = time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)

func eui(i int) ieee802154.Addr { return ieee802154.Extended(0x00005eef10000000 + uint64(i)) }

// site is a mesh of the example estate with a node in each state that the page
// tells apart.
func site(t testing.TB, mesh, radio bool) Mesh {
	t.Helper()
	table, err := node.New(node.Options{
		Prefix: netip.MustParsePrefix("fd5e:2a11:77c0:1::/64"),
		Places: []node.Place{{Name: "grain-bin", EUI64: eui(5)}, {Name: "pump-house", EUI64: eui(6)}, {Name: "mast"}},
	})
	if err != nil {
		t.Fatal(err)
	}
	join := func(i int, heard time.Duration) *node.Node {
		n := table.Attach(node.Joined{EUI64: eui(i), Short: ieee802154.Short(uint16(i)), Hops: 2}, now.Add(-time.Hour)).Node
		n.Heard(now.Add(-heard), -67, 2)
		table.Confirm(n, now.Add(-heard))
		return n
	}
	join(5, 20*time.Second)
	join(6, 50*time.Minute)
	table.SetBattery(eui(5), 3010, 87)
	table.Detach(eui(6), now.Add(-40*time.Minute))
	return Mesh{Name: "fenland", Interface: "mesh0", Table: table, Up: func() (bool, bool) { return mesh, radio }}
}

func get(t testing.TB, h http.Handler, method, path string) (*http.Response, string) {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, ask(method, path))
	r := w.Result()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r, string(b)
}

func TestPages(t *testing.T) {
	metrics := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, "figures") })
	up := New(Options{Meshes: []Mesh{site(t, true, true)}, Metrics: metrics, Now: func() time.Time { return now }, Version: "1.2"})
	down := New(Options{Meshes: []Mesh{site(t, false, false)}, Now: func() time.Time { return now }})
	half := New(Options{Meshes: []Mesh{site(t, false, true)}, Now: func() time.Time { return now }})
	none := New(Options{Now: func() time.Time { return now }})
	for _, x := range []struct {
		name, method, path string
		s                  *Server
		code               int
		has                []string
	}{
		{"status", "GET", "/", up, 200, []string{"<h2 id=\"mesh-fenland\">fenland</h2>", "grain-bin", "20 s ago", "3.01 V, 87 %",
			"fd5e:2a11:77c0:1:200:5eef:1000:6", "50 min ago", "1 node of fenland silent.", "1 node of fenland expected and never heard.", "never", "1.2", "2026-11-25 10:00:00 UTC"}},
		{"status, radio down", "GET", "/", down, 200, []string{"The radio of fenland is down: no node can be reached."}},
		{"status, interface down", "GET", "/", half, 200, []string{"The interface of fenland is down"}},
		{"status, no mesh", "GET", "/", none, 200, []string{"No mesh is configured.", "Nothing needs a look."}},
		{"head", "HEAD", "/", up, 200, nil},
		{"style", "GET", "/style.css", up, 200, []string{"prefers-color-scheme"}},
		{"script", "GET", "/live.js", up, 200, []string{`new EventSource("events")`}},
		{"health", "GET", "/healthz", up, 200, []string{"ok\n"}},
		{"health, radio down", "GET", "/healthz", down, 503, []string{"mesh fenland: the radio is down\n"}},
		{"health, interface down", "GET", "/healthz", half, 503, []string{"mesh fenland: the interface is down\n"}},
		{"health, no mesh", "GET", "/healthz", none, 200, []string{"ok\n"}},
		{"metrics", "GET", "/metrics", up, 200, []string{"figures"}},
		{"metrics, none", "GET", "/metrics", none, 404, nil},
		{"nowhere", "GET", "/nodes", up, 404, nil},
		{"POST", "POST", "/", up, 405, nil},
		{"DELETE of the metrics", "DELETE", "/metrics", up, 405, nil},
	} {
		r, body := get(t, x.s, x.method, x.path)
		if r.StatusCode != x.code {
			t.Errorf("%s: %d, want %d", x.name, r.StatusCode, x.code)
		}
		for _, want := range x.has {
			if !strings.Contains(body, want) {
				t.Errorf("%s: no %q in\n%s", x.name, want, body)
			}
		}
		if !strings.Contains(r.Header.Get("Content-Security-Policy"), "default-src 'none'") || r.Header.Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s: headers %v", x.name, r.Header)
		}
		if strings.Contains(strings.Replace(body, `<script src="live.js" defer></script>`, "", 1), "<script") || strings.Contains(body, `http-equiv`) || strings.Contains(body, "http://") || strings.Contains(body, "https://") {
			t.Errorf("%s: a script, or something from elsewhere", x.name)
		}
	}
	// What needs a look comes first.
	_, body := get(t, up, "GET", "/")
	silent, expected, well := strings.Index(body, `row">pump-house`), strings.Index(body, `row">mast`), strings.Index(body, `row">grain-bin`)
	if silent < 0 || expected < silent || well < expected {
		t.Errorf("rows at %d, %d, %d", silent, expected, well)
	}
	wellFormed(t, body)
}

// wellFormed checks that tags nest, that ids are unique and that every table has
// heads with a scope: what a screen reader needs (WCAG 2.2, 1.3.1 and 4.1.2).
func wellFormed(t *testing.T, body string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(body))
	d.Strict = false
	d.AutoClose = []string{"meta", "link"}
	d.Entity = xml.HTMLEntity
	ids := map[string]bool{}
	var open []string
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		switch e := tok.(type) {
		case xml.StartElement:
			open = append(open, e.Name.Local)
			scope := false
			for _, a := range e.Attr {
				if a.Name.Local == "id" {
					if ids[a.Value] {
						t.Errorf("id %q stands twice", a.Value)
					}
					ids[a.Value] = true
				}
				scope = scope || a.Name.Local == "scope"
			}
			if e.Name.Local == "th" && !scope {
				t.Error("a th without scope")
			}
		case xml.EndElement:
			if last := open[len(open)-1]; last != e.Name.Local {
				t.Fatalf("</%s> closes <%s>", e.Name.Local, last)
			}
			open = open[:len(open)-1]
		}
	}
	for _, want := range []string{`<html lang="en">`, "<title>", `href="#meshes"`, "<caption>", "<main"} {
		if !strings.Contains(body, want) {
			t.Errorf("no %s", want)
		}
	}
}

// A label can hold nothing that HTML would take for its own, and if it did, it
// would be text.
func TestEscaped(t *testing.T) {
	m := site(t, true, true)
	m.Name = `<script>alert("x")</script>`
	_, body := get(t, New(Options{Meshes: []Mesh{m}, Now: func() time.Time { return now }}), "GET", "/")
	if strings.Contains(body, "<script>") || !strings.Contains(body, "&lt;script&gt;") {
		t.Error("the name of the mesh went out as it is")
	}
}

// The page of many nodes is bounded, and one rendering serves who asks at once.
func TestManyNodes(t *testing.T) {
	m := site(t, true, true)
	for i := range 3000 {
		m.Table.Attach(node.Joined{EUI64: eui(i + 100)}, now)
	}
	at := now
	var mu sync.Mutex
	s := New(Options{Meshes: []Mesh{m}, Now: func() time.Time { mu.Lock(); defer mu.Unlock(); return at }})
	_, first := get(t, s, "GET", "/")
	if n := strings.Count(first, `<th scope="row">`); n != rowsMax || !strings.Contains(first, "And 2003 more") {
		t.Errorf("%d rows", n)
	}
	m.Table.Attach(node.Joined{EUI64: eui(9999)}, now)
	if _, again := get(t, s, "GET", "/"); again != first {
		t.Error("rendered anew within the second")
	}
	mu.Lock()
	at = at.Add(2 * pageAge)
	mu.Unlock()
	if _, later := get(t, s, "GET", "/"); !strings.Contains(later, "And 2004 more") {
		t.Error("not rendered anew later")
	}
}

// run starts a server on the loopback.
func run(t *testing.T, s *Server, l net.Listener) (addr string, stop func() error) {
	t.Helper()
	s.opt.Listener = l
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	stop = sync.OnceValue(func() error { cancel(); return <-done })
	t.Cleanup(func() { _ = stop() })
	return l.Addr().String(), stop
}

func listen(t *testing.T) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", "[::1]:0")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// The server itself: a page through a real connection, what clients do wrong, and
// an end that waits for nobody.
func TestRun(t *testing.T) {
	addr, stop := run(t, New(Options{Meshes: []Mesh{site(t, true, true)}}), listen(t))
	client := &http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{}}
	defer client.CloseIdleConnections()
	r, err := client.Get("http://" + addr + "/healthz")
	if err != nil {
		t.Fatal(err)
	}
	b, _ := io.ReadAll(r.Body)
	r.Body.Close()
	if string(b) != "ok\n" {
		t.Errorf("%q", b)
	}
	for _, x := range []struct{ name, in, want string }{
		{"garbage", "\x16\x03\x01\x02\x00\r\n\r\n", "400"},
		{"a header too long", "GET / HTTP/1.1\r\nHost: localhost\r\nX: " + strings.Repeat("y", maxHeader+8192) + "\r\n\r\n", "431"},
		{"a body", "GET /healthz HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5\r\n\r\nhello", "200"},
	} {
		c, err := net.Dial("tcp", addr)
		if err != nil {
			t.Fatal(err)
		}
		_ = c.SetDeadline(time.Now().Add(10 * time.Second))
		_, _ = io.WriteString(c, x.in)
		line, err := bufio.NewReader(c).ReadString('\n')
		if err != nil || !strings.Contains(line, " "+x.want+" ") {
			t.Errorf("%s: %q (%v), want %s", x.name, line, err, x.want)
		}
		c.Close()
	}
	// A client that says nothing does not hold the end up.
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if err := stop(); err != nil {
		t.Error(err)
	}
}

func TestAddressTaken(t *testing.T) {
	l := listen(t)
	defer l.Close()
	err := New(Options{Address: l.Addr().String()}).Run(t.Context())
	if err == nil || !strings.HasPrefix(err.Error(), "web: ") || !strings.Contains(err.Error(), "address already in use") {
		t.Errorf("%v", err)
	}
}

func TestAgo(t *testing.T) {
	for d, want := range map[time.Duration]string{
		-time.Second: "now", 0: "now", 5 * time.Second: "5 s ago", 119 * time.Second: "119 s ago", 2 * time.Minute: "2 min ago",
		119 * time.Minute: "119 min ago", 2 * time.Hour: "2 h ago", 47 * time.Hour: "47 h ago", 72 * time.Hour: "3 days ago",
	} {
		if got := ago(d); got != want {
			t.Errorf("%v: %q, want %q", d, got, want)
		}
	}
}

// A URI in the path reaches who reads nodes as it is, with its double slash.
func TestCoAPHandler(t *testing.T) {
	var got string
	s := New(Options{CoAP: http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { got = r.URL.EscapedPath() + "?" + r.URL.RawQuery })})
	w := httptest.NewRecorder()
	s.ServeHTTP(w, ask("GET", "/hc/coap://grain-bin/a%20b?q=1"))
	if w.Code != 200 || got != "/hc/coap://grain-bin/a%20b?q=1" || w.Header().Get("X-Content-Type-Options") != "nosniff" {
		t.Errorf("%d %q", w.Code, got)
	}
	w = httptest.NewRecorder()
	New(Options{}).ServeHTTP(w, ask("GET", "/hc/coap:x"))
	if w.Code != http.StatusNotFound {
		t.Errorf("without: %d", w.Code)
	}
}
