package web

import (
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"os"
	"strings"
	"testing"
	"time"
)

// ask is a request to the loopback interface.
func ask(method, path string) *http.Request {
	r := httptest.NewRequest(method, path, nil)
	r.Host = "[::1]:6282"
	return r
}

// Pages are given under names of this gateway only, so that a site whose name was made to
// point here reads none of them.
func TestNamesOfTheGateway(t *testing.T) {
	s := New(Options{Names: []string{"gateway.example"}})
	own, err := os.Hostname()
	if err != nil {
		t.Fatal(err)
	}
	for host, want := range map[string]int{
		"localhost": 200, "localhost:6282": 200, "LOCALHOST.": 200, "127.0.0.1": 200, "[::1]:6282": 200, "[2001:db8::1]": 200, "192.0.2.7:80": 200,
		"gateway.example": 200, "Gateway.Example:6282": 200, own: 200, "": 200,
		"attacker.example": 421, "localhost.attacker.example": 421, "127.0.0.1.attacker.example": 421, "x": 421, "[::1].attacker.example": 421, "evil:6282": 421,
	} {
		for _, path := range []string{"/", "/healthz", "/events", "/metrics", "/style.css"} {
			if path == "/events" && want == 200 || path == "/metrics" {
				continue // an endless stream; not there
			}
			w, r := httptest.NewRecorder(), ask("GET", path)
			r.Host = host
			if s.ServeHTTP(w, r); w.Code != want {
				t.Errorf("%s of %q: %d, want %d", path, host, w.Code, want)
			}
		}
	}
}

// No page of another site has a browser ask nodes. The headers are those of Fetch Metadata
// Request Headers, section 2.4, and of the browsers of the time.
func TestOtherSitesReadNoNode(t *testing.T) {
	asked := 0
	s := New(Options{CoAP: http.HandlerFunc(func(http.ResponseWriter, *http.Request) { asked++ })})
	const browser = "Mozilla/5.0 (X11; Linux x86_64; rv:128.0)"
	for _, x := range []struct {
		name    string
		headers []string
		want    int
	}{
		{"curl", []string{"User-Agent: curl/8.5"}, 200},
		{"no header at all", nil, 200},
		{"typed by its user", []string{"User-Agent: " + browser, "Sec-Fetch-Site: none"}, 200},
		{"a page of this gateway", []string{"User-Agent: " + browser, "Sec-Fetch-Site: same-origin"}, 200},
		{"the same, without metadata", []string{"User-Agent: " + browser, "Referer: http://[::1]:6282/"}, 200},
		{"with the header", []string{"User-Agent: " + browser, readHeader + ": 1"}, 200},
		{"another site", []string{"User-Agent: " + browser, "Sec-Fetch-Site: cross-site"}, 403},
		{"another host of the same site", []string{"Sec-Fetch-Site: same-site"}, 403},
		{"unknown metadata", []string{"Sec-Fetch-Site: perhaps"}, 403},
		{"an image of another site, without metadata", []string{"User-Agent: " + browser, "Referer: http://attacker.example/"}, 403},
		{"the same without Referer", []string{"User-Agent: " + browser}, 403},
		{"another port", []string{"User-Agent: " + browser, "Referer: http://[::1]:8080/"}, 403},
		{"a script of another site", []string{"Origin: http://attacker.example"}, 403},
		{"a file", []string{"Origin: null"}, 403},
		{"a script of this gateway", []string{"Origin: http://[::1]:6282"}, 200},
	} {
		before := asked
		w, r := httptest.NewRecorder(), ask("GET", "/hc/coap://grain-bin/temp")
		for _, h := range x.headers {
			name, value, _ := strings.Cut(h, ": ")
			r.Header.Set(name, value)
		}
		if s.ServeHTTP(w, r); w.Code != x.want || (asked > before) != (x.want == 200) {
			t.Errorf("%s: %d, asked %d times", x.name, w.Code, asked-before)
		}
	}
}

// However many connections clients keep open, a new one is served: it takes the place of the
// one that has waited longest for its client.
func TestIdleConnectionsMakeRoom(t *testing.T) {
	addr, stop := run(t, New(Options{}), listen(t))
	get := func(c net.Conn) error {
		_ = c.SetDeadline(time.Now().Add(10 * time.Second))
		fmt.Fprint(c, "GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n")
		_, err := c.Read(make([]byte, 1024))
		return err
	}
	var all []net.Conn
	for i := range maxConnections + 20 {
		c, err := net.Dial("tcp", addr)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		if i%2 == 0 { // the others never ask
			if err := get(c); err != nil {
				t.Fatalf("connection %d: %v", i, err)
			}
		}
		all = append(all, c)
	}
	fresh, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	defer fresh.Close()
	if err := get(fresh); err != nil {
		t.Errorf("a new one: %v", err)
	}
	if err := get(all[0]); err == nil {
		t.Error("the oldest is still open")
	}
	if err := stop(); err != nil {
		t.Error(err)
	}
}

// fakeConn is a connection from an address.
type fakeConn struct {
	net.Conn
	from   netip.AddrPort
	closed bool
}

func (c *fakeConn) RemoteAddr() net.Addr { return net.TCPAddrFromAddrPort(c.from) }
func (c *fakeConn) Close() error         { c.closed = true; return nil }

// Connections are counted by /64, or by /24 of IPv4; what is being answered is not closed.
func TestConnectionsByPrefix(t *testing.T) {
	at := time.Unix(0, 0)
	cs := newConnections(func() time.Time { at = at.Add(time.Second); return at })
	open := func(from string) *fakeConn {
		c := &fakeConn{from: netip.MustParseAddrPort(from)}
		cs.changed(c, http.StateNew)
		return c
	}
	busy := open("[2001:db8:1::1]:1")
	cs.changed(busy, http.StateActive)
	for i := range 3 * maxOfPrefix {
		open(fmt.Sprintf("[2001:db8:1::%x]:2", i))
	}
	other := open("[2001:db8:2::1]:1")
	if len(cs.open) != maxOfPrefix+1 || busy.closed || other.closed {
		t.Errorf("%d open; busy closed %v, another network's closed %v", len(cs.open), busy.closed, other.closed)
	}
	for i := range 3 * maxConnections { // of ever other networks: the most crowded one gives way
		open(fmt.Sprintf("192.0.%d.1:3", i%256))
	}
	if len(cs.open) > maxConnections || busy.closed {
		t.Errorf("%d open; busy closed %v", len(cs.open), busy.closed)
	}
	for c := range cs.open {
		cs.changed(c, http.StateActive)
	}
	for len(cs.open) < maxConnections {
		cs.changed(open("198.51.100.1:1"), http.StateActive)
	}
	if c := open("203.0.113.1:1"); !c.closed || len(cs.open) != maxConnections {
		t.Errorf("beyond all that are busy: closed %v, %d open", c.closed, len(cs.open))
	}
	for c := range cs.open {
		cs.changed(c, http.StateClosed)
	}
	if len(cs.open) != 0 || len(cs.byPrefix) != 0 {
		t.Errorf("%d open, %d networks", len(cs.open), len(cs.byPrefix))
	}
}
