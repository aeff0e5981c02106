package web

import (
	_ "embed"
	"fmt"
	"hash/fnv"
	"net/http"
	"strconv"
	"time"
)

//go:embed live.js
var liveJS []byte

// Bounds of the streams of events.
const (
	maxStreams  = 64 // of maxConnections, so that there is always room for pages and scrapes
	streamEvery = 2 * time.Second
	beatEvery   = 15 * time.Second // a stream without news has a comment this often: a client that is gone is noticed
	streamWrite = 10 * time.Second // a client that takes longer is cut off
)

// script is /live.js.
func (s *Server) script(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/javascript; charset=utf-8")
	w.Header().Set("Cache-Control", "max-age=3600")
	_, _ = w.Write(liveJS)
}

// events is /events, a stream of server-sent events (WHATWG HTML, section 9.2). Each is
// called "state" and holds what the page has in data-state: where they differ, the page
// has changed. It ends with the client or with the server.
func (s *Server) events(w http.ResponseWriter, r *http.Request) {
	select {
	case s.streams <- struct{}{}:
		defer func() { <-s.streams }()
	default:
		w.Header().Set("Retry-After", "30")
		http.Error(w, fmt.Sprintf("%d pages are watched already", maxStreams), http.StatusServiceUnavailable)
		return
	}
	c := http.NewResponseController(w)
	send := func(text string) bool {
		// Writers that know no deadline have none to extend.
		_ = c.SetWriteDeadline(time.Now().Add(streamWrite))
		_, err := w.Write([]byte(text))
		return err == nil && c.Flush() == nil
	}
	_ = c.SetReadDeadline(time.Time{}) // that of the request, which was read, would end the stream
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	look := time.NewTicker(s.streamEvery)
	defer look.Stop()
	last, quiet := "", time.Duration(0)
	for {
		_, state, err := s.render()
		switch {
		case err != nil:
			return
		case state != last:
			if !send("event: state\ndata: " + state + "\n\n") {
				return
			}
			last, quiet = state, 0
		case quiet >= s.beatEvery:
			if !send(":\n\n") {
				return
			}
			quiet = 0
		}
		select {
		case <-r.Context().Done():
			return
		case <-s.stopping:
			return
		case <-look.C:
			quiet += s.streamEvery
		}
	}
}

// state names what the page shows, but for what changes with each frame: ages and signal.
func (v view) state() string {
	h := fnv.New64a()
	for _, m := range v.Meshes {
		rows := m.Rows
		m.Rows = nil
		fmt.Fprintf(h, "%+v", m)
		for _, r := range rows {
			r.Heard, r.HeardTitle, r.Signal = "", "", ""
			fmt.Fprintf(h, "%+v", r)
		}
	}
	fmt.Fprintf(h, "%q", v.Trouble)
	return strconv.FormatUint(h.Sum64(), 16)
}
