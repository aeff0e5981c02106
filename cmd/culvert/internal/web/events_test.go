package web

import (
	"bufio"
	"context"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"
)

// stream opens /events as any HTTP client does.
func stream(t *testing.T, client *http.Client, addr string) (*http.Response, context.CancelFunc) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+addr+"/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	r, err := client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cancel(); r.Body.Close() })
	return r, cancel
}

// next reads lines up to the one that begins with a prefix, and returns its rest.
func next(t *testing.T, b *bufio.Reader, prefix string) string {
	t.Helper()
	for {
		line, err := b.ReadString('\n')
		if err != nil {
			t.Fatalf("waiting for %q: %v", prefix, err)
		}
		if rest, ok := strings.CutPrefix(strings.TrimSuffix(line, "\n"), prefix); ok {
			return rest
		}
	}
}

// A stream says at once what the page shows, and again when that changes; it outlives the
// time that a request may take, and ends with the server.
func TestEvents(t *testing.T) {
	m := site(t, true, true)
	s := New(Options{Meshes: []Mesh{m}, Now: time.Now})
	s.streamEvery, s.beatEvery, s.readTimeout = 10*time.Millisecond, 10*time.Millisecond, 50*time.Millisecond
	addr, stop := run(t, s, listen(t))
	client := &http.Client{Transport: &http.Transport{}}
	defer client.CloseIdleConnections()
	r, _ := stream(t, client, addr)
	if r.StatusCode != http.StatusOK || r.Header.Get("Content-Type") != "text/event-stream" ||
		!strings.Contains(r.Header.Get("Content-Security-Policy"), "script-src 'self'; connect-src 'self'") {
		t.Errorf("%s, headers %v", r.Status, r.Header)
	}
	b := bufio.NewReader(r.Body)
	first := next(t, b, "data: ")
	if _, page := get(t, s, "GET", "/"); !strings.Contains(page, fmt.Sprintf("data-state=%q", first)) {
		t.Errorf("the page does not hold %q", first)
	}
	for range 20 { // for longer than the time to read a request
		next(t, b, ":")
	}
	m.Table.Detach(eui(5), time.Now())
	second := next(t, b, "data: ")
	if second == first {
		t.Error("the same state after a node fell silent")
	}
	if err := stop(); err != nil { // it does not wait for the stream
		t.Error(err)
	}
}

// Frames alone, which change ages and signal, are no news.
func TestEventsIgnoreAges(t *testing.T) {
	m := site(t, true, true)
	at := now
	s := New(Options{Meshes: []Mesh{m}, Now: func() time.Time { return at }})
	_, first, err := s.render()
	if err != nil {
		t.Fatal(err)
	}
	at = at.Add(5 * time.Second)
	m.Table.ByLabel("grain-bin").Heard(at, -50, 2)
	_, second, err := s.render()
	if err != nil || first != second {
		t.Errorf("%s, then %s (%v)", first, second, err)
	}
}

// So many streams and no more, so that pages are still served; one that ends makes room.
func TestEventsAreBounded(t *testing.T) {
	s := New(Options{Meshes: []Mesh{site(t, true, true)}})
	s.streamEvery = 10 * time.Millisecond
	addr, stop := run(t, s, listen(t))
	client := &http.Client{Transport: &http.Transport{}}
	defer client.CloseIdleConnections()
	var cancels []context.CancelFunc
	for range maxStreams {
		r, cancel := stream(t, client, addr)
		if r.StatusCode != http.StatusOK {
			t.Fatal(r.Status)
		}
		cancels = append(cancels, cancel)
	}
	if r, _ := stream(t, client, addr); r.StatusCode != http.StatusServiceUnavailable || r.Header.Get("Retry-After") == "" {
		t.Errorf("one more: %s, %v", r.Status, r.Header)
	}
	if r, err := client.Get("http://" + addr + "/"); err != nil || r.StatusCode != http.StatusOK {
		t.Errorf("the page: %v, %v", r, err)
	} else {
		r.Body.Close()
	}
	cancels[0]()
	s.streams <- struct{}{} // there is room once the server has noticed
	<-s.streams
	if r, _ := stream(t, client, addr); r.StatusCode != http.StatusOK {
		t.Errorf("after one has ended: %s", r.Status)
	}
	if err := stop(); err != nil {
		t.Error(err)
	}
}
