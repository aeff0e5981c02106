package sim

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"sync"
	"time"

	"culvert/bridge/radio"
)

// RadioOptions are a Radio's. Zero values mean the defaults.
type RadioOptions struct {
	// Speed is how many times faster than the wall clock the mesh lives; 1.
	Speed float64
	// Log takes what happens to the line; nil discards.
	Log *slog.Logger
}

// Radio runs a Mesh against the wall clock, and is the radio's side of the link
// protocol for it. It speaks to one daemon at a time: a new line ends the one
// before. Its methods may be called from any goroutine.
type Radio struct {
	log   *slog.Logger
	speed float64
	wake  chan struct{} // something earlier may be on the agenda
	dials chan *pipeEnd // far ends of Dial, for Run to serve

	mu      sync.Mutex // guards what follows
	mesh    *Mesh
	began   time.Time     // when the mesh's time was 0; zero before Run
	current *line         // nil while no daemon is there
	lineCut bool          // no line is served
	mended  chan struct{} // closed when the line is not cut any more; nil while it is not
	silent  bool          // nothing passes the line
}

// NewRadio returns a Radio for a mesh, which belongs to it from now on. The mesh's
// time stands still until Run.
func NewRadio(m *Mesh, o RadioOptions) *Radio {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if !(o.Speed > 0) {
		o.Speed = 1
	}
	return &Radio{
		log: o.Log, speed: o.Speed, mesh: m,
		wake:  make(chan struct{}, 1),
		dials: make(chan *pipeEnd),
	}
}

// ErrLineCut is why a line ends that CutLine cut, and why none can be opened.
var ErrLineCut = errors.New("sim: the line to the radio is cut")

// Run moves the mesh's time on, and serves the lines that Dial opens, until ctx is
// done. Call it once.
func (r *Radio) Run(ctx context.Context) error {
	var lines sync.WaitGroup
	defer lines.Wait()
	r.mu.Lock()
	r.began = time.Now().Add(-r.wall(r.mesh.Now()))
	r.mu.Unlock()
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case conn := <-r.dials:
			lines.Go(func() {
				if err := r.Serve(ctx, conn); err != nil {
					r.log.Debug("line to the simulated radio ended", "cause", err)
				}
			})
			continue
		case <-timer.C:
		case <-r.wake:
		}
		wait := time.Hour
		r.do(func(m *Mesh) {
			if at, ok := m.Next(); ok {
				wait = max(r.wall(at-m.Now()), 0)
			}
		})
		timer.Reset(wait)
	}
}

// wall is how long something takes by the wall clock.
func (r *Radio) wall(d time.Duration) time.Duration {
	return time.Duration(float64(d) / r.speed)
}

// Do calls f with the mesh at the present time. f must not call the Radio.
func (r *Radio) Do(f func(*Mesh)) {
	r.do(f)
	r.poke()
}

func (r *Radio) do(f func(*Mesh)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.advanceLocked()
	f(r.mesh)
}

func (r *Radio) advanceLocked() {
	if !r.began.IsZero() {
		r.mesh.Advance(time.Duration(float64(time.Since(r.began)) * r.speed))
	}
}

// poke makes Run look at the agenda again.
func (r *Radio) poke() {
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

// Dial opens a line to the radio within the process, for radio.NewLink. It waits for
// Run.
func (r *Radio) Dial(ctx context.Context) (io.ReadWriteCloser, error) {
	r.mu.Lock()
	cut := r.lineCut
	r.mu.Unlock()
	if cut {
		return nil, ErrLineCut
	}
	near, far := newPipe()
	select {
	case r.dials <- far:
		return near, nil
	case <-ctx.Done():
		return nil, fmt.Errorf("sim: the simulated mesh is not running: %w", ctx.Err())
	}
}

// CutLine cuts the line between the daemon and the radio, while the mesh goes on. A
// silent cut leaves it open, and what either side says is lost; else it is closed,
// and no other is served.
func (r *Radio) CutLine(silent bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if silent {
		r.silent = true
		return
	}
	if !r.lineCut {
		r.lineCut, r.mended = true, make(chan struct{})
	}
	if r.current != nil {
		r.current.fail(ErrLineCut)
	}
}

// RestoreLine ends what CutLine began. The radio has the same boot id as before.
func (r *Radio) RestoreLine() {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.lineCut {
		close(r.mended)
	}
	r.lineCut, r.silent, r.mended = false, false, nil
}

// AwaitLine waits until the line is not cut; the error is that of ctx.
func (r *Radio) AwaitLine(ctx context.Context) error {
	r.mu.Lock()
	mended := r.mended
	r.mu.Unlock()
	if mended == nil {
		return ctx.Err()
	}
	select {
	case <-mended:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Serve speaks the link protocol over a connection, from the radio's side, until it
// ends or ctx is done. It closes the connection. The error is nil when the far end
// or ctx ended it.
func (r *Radio) Serve(ctx context.Context, conn io.ReadWriteCloser) error {
	ln := &line{radio: r, conn: conn, kick: make(chan struct{}, 1), done: make(chan struct{})}
	stop := context.AfterFunc(ctx, func() { ln.fail(net.ErrClosed) })
	defer stop()
	r.mu.Lock()
	old := r.current
	cut := r.lineCut
	if !cut {
		r.advanceLocked()
		r.mesh.Disconnect()
		r.current = ln
	}
	r.mu.Unlock()
	if cut {
		ln.fail(ErrLineCut)
		return ErrLineCut
	}
	if old != nil {
		old.fail(errReplaced)
	}
	var writer sync.WaitGroup
	writer.Go(ln.write)
	err := ln.read()
	ln.fail(err)
	writer.Wait()
	r.mu.Lock()
	if r.current == ln {
		r.current = nil
		r.mesh.Disconnect()
	}
	r.mu.Unlock()
	if cause := ln.ended(); cause != io.EOF && !errors.Is(cause, net.ErrClosed) {
		return cause
	}
	return nil
}

// errReplaced ends a line when another is opened.
var errReplaced = errors.New("sim: another line to the radio was opened")

// handle does what a record from the daemon asks for.
func (r *Radio) handle(ln *line, rec *radio.Record) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.current != ln || r.silent {
		return
	}
	r.advanceLocked()
	m := r.mesh
	if m.off {
		return
	}
	switch rec.Kind {
	case radio.RecordHello:
		r.hello(ln, rec)
	case radio.RecordSend:
		if m.emit != nil {
			m.Send(rec.Frame, rec.ID)
		}
	case radio.RecordCancel:
		m.Cancel(rec.ID)
	case radio.RecordAssign:
		m.Assign(rec.Node.Addr, rec.Node.Short)
	case radio.RecordKeepalive:
		ln.say(&radio.Record{Kind: radio.RecordAlive, ID: rec.ID, Info: radio.Info{Boot: m.boot}, Clock: ln.clock()})
	}
	r.poke()
}

// hello begins a session, or says again what its first hello was answered with.
func (r *Radio) hello(ln *line, rec *radio.Record) {
	again := rec.Session == ln.last && r.mesh.emit != nil
	ln.session, ln.last = rec.Session, rec.Session
	switch {
	case rec.Info.Version != radio.Version: // the daemon will see ours, and go
		ln.tell(radio.Event{Kind: radio.EventUp, Info: radio.Info{Boot: r.mesh.boot}})
	case again:
		r.mesh.Introduce()
	default:
		r.mesh.Connect(ln.tell)
		r.log.Debug("daemon said hello", "name", string(rec.Text))
	}
	ln.session = 0 // an up after these answers no hello
}
