// Package web is the HTTP side of the daemon: a status page that needs no script (one
// keeps it up to date where scripts run, by server-sent events),
// a health check, and the metrics. It shows; it changes nothing.
package web

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"

	"culvert/bridge/node"
)

// Mesh is one mesh on the status page.
type Mesh struct {
	Name      string
	Interface string // of the TUN; may be empty
	Table     *node.Table
	// Up reports whether the mesh's interface and its radio are up.
	Up func() (mesh, radio bool)
}

// Options are what a Server is made from.
type Options struct {
	// Listener is where it serves. Nil: Run listens on the TCP address Address, host
	// and port.
	Listener net.Listener
	Address  string
	// Names are the host names under which browsers may ask for pages, besides those of the
	// loopback interface, this machine's own name, and every address.
	Names   []string
	Meshes  []Mesh
	Metrics http.Handler // of /metrics; nil: none
	// CoAP serves what is below /hc/, for reading nodes; nil: nobody does.
	CoAP    http.Handler
	Version string
	Log     *slog.Logger // nil discards
	Now     func() time.Time
}

// Server is the HTTP side.
type Server struct {
	opt Options
	log *slog.Logger
	mux *http.ServeMux

	page pageCache

	streams chan struct{} // one for each stream of events
	// Tests shorten these.
	streamEvery, beatEvery, readTimeout time.Duration
	stopping                            chan struct{} // closed when Run ends
	stop                                sync.Once
}

// Limits of ours: the pages are small, and nobody sends a body.
const (
	readHeaderTimeout = 5 * time.Second
	readTimeout       = 10 * time.Second
	writeTimeout      = 60 * time.Second // a slow line and a scrape of thousands of nodes
	idleTimeout       = 2 * time.Minute
	maxHeader         = 16 << 10 // octets
	stopTimeout       = 3 * time.Second
)

// New returns a server that serves nothing until Run.
func New(o Options) *Server {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	s := &Server{opt: o, log: o.Log.With("part", "web"), mux: http.NewServeMux(),
		streams: make(chan struct{}, maxStreams), streamEvery: streamEvery, beatEvery: beatEvery, readTimeout: readTimeout, stopping: make(chan struct{})}
	s.mux.HandleFunc("GET /{$}", s.status)
	s.mux.HandleFunc("GET /style.css", s.style)
	s.mux.HandleFunc("GET /live.js", s.script)
	s.mux.HandleFunc("GET /events", s.events)
	s.mux.HandleFunc("GET /healthz", s.health)
	if o.Metrics != nil {
		s.mux.Handle("GET /metrics", o.Metrics)
	}
	return s
}

// ServeHTTP implements http.Handler.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "same-origin") // crossSite reads it
	if status, text := s.refuses(r); status != 0 {
		http.Error(w, text, status)
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, 0)
	if s.opt.CoAP != nil && strings.HasPrefix(r.URL.Path, "/hc/") {
		// Not by the mux, which would redirect: there is a URI with "//" in the path.
		s.opt.CoAP.ServeHTTP(w, r)
		return
	}
	s.mux.ServeHTTP(w, r)
}

// Run serves until ctx ends, which is no error. It returns when everything that it
// started has ended.
func (s *Server) Run(ctx context.Context) error {
	l := s.opt.Listener
	if l == nil {
		var err error
		if l, err = net.Listen("tcp", s.opt.Address); err != nil {
			return fmt.Errorf("web: %w", err)
		}
	}
	srv := &http.Server{
		Handler:           s,
		ReadHeaderTimeout: readHeaderTimeout,
		ReadTimeout:       s.readTimeout,
		WriteTimeout:      writeTimeout,
		IdleTimeout:       idleTimeout,
		MaxHeaderBytes:    maxHeader,
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelDebug),
	}
	open := newConnections(s.opt.Now)
	srv.ConnState = open.changed
	s.log.Info("HTTP open", "address", l.Addr().String())
	var wg sync.WaitGroup
	served := make(chan error, 1)
	wg.Go(func() {
		served <- srv.Serve(l)
	})
	defer wg.Wait()
	select {
	case err := <-served:
		return fmt.Errorf("web: %w", err)
	case <-ctx.Done():
	}
	s.stop.Do(func() { close(s.stopping) }) // streams do not end by themselves
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTimeout)
	defer cancel()
	if err := srv.Shutdown(stop); err != nil {
		srv.Close() // what does not end by itself is cut off
	}
	if err := <-served; !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("web: %w", err)
	}
	return nil
}

// health is /healthz: 200 while every mesh and its radio are up, 503 with the
// names of those that are not.
func (s *Server) health(w http.ResponseWriter, _ *http.Request) {
	var down []string
	for _, m := range s.opt.Meshes {
		if mesh, radio := m.Up(); !radio {
			down = append(down, "mesh "+m.Name+": the radio is down")
		} else if !mesh {
			down = append(down, "mesh "+m.Name+": the interface is down")
		}
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	if len(down) > 0 {
		w.WriteHeader(http.StatusServiceUnavailable)
		for _, d := range down {
			fmt.Fprintln(w, d)
		}
		return
	}
	fmt.Fprintln(w, "ok")
}
