package radio

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"sync"
	"sync/atomic"
	"time"
)

// Dial opens the octet stream to a radio side. It ends early when ctx does. The
// stream's Close must end a Read and a Write that are blocked.
type Dial func(ctx context.Context) (io.ReadWriteCloser, error)

// Options configure a link of any kind. Zero values mean the defaults.
type Options struct {
	// Name is the daemon's name in hello; "culvert" by default.
	Name string
	// Log takes what is no event: why the radio cannot be reached, and what a radio
	// process writes to its standard error. The caller of Receive logs up and down. Nil
	// discards.
	Log *slog.Logger
	// Keepalive is the time between two keepalives, 1 s by default. A radio that
	// answers none of 4 in a row is dead.
	Keepalive time.Duration
	// RetryMin and RetryMax bound the wait before the next attempt to connect, which
	// doubles each time: 250 ms and 4 s by default.
	RetryMin, RetryMax time.Duration
	// RefusedRetry is the wait after a radio that speaks another version: 30 s.
	RefusedRetry time.Duration
	// ResultTimeout is how long the result of a frame is waited for before the frame
	// is given up as OutcomeLost: 40 s, where PROTOCOL.md gives the radio 30 s.
	ResultTimeout time.Duration
}

const (
	silentAfter = 4 // keepalives without an answer
	timeEvery   = 600
	outLimit    = 1 << 16 // octets that may wait to be written
)

func (o Options) withDefaults() Options {
	if o.Name == "" {
		o.Name = "culvert"
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	for _, d := range []struct {
		field *time.Duration
		value time.Duration
	}{
		{&o.Keepalive, time.Second},
		{&o.RetryMin, 250 * time.Millisecond},
		{&o.RetryMax, 4 * time.Second},
		{&o.RefusedRetry, 30 * time.Second},
		{&o.ResultTimeout, 40 * time.Second},
	} {
		if *d.field <= 0 {
			*d.field = d.value
		}
	}
	return o
}

// Link is an Attachment over an octet stream on which the radio link protocol is
// spoken. It has two goroutines while it is connected, one that writes and one that
// watches; Receive connects and reads. Nothing is opened before the first Receive.
type Link struct {
	opt  Options
	log  *slog.Logger
	what string // "serial line /dev/ttyS1": what is connected to, for errors
	dial Dial

	// Of the goroutine that calls Receive.
	rec      Record
	clock    clock
	delay    time.Duration // before the next attempt to connect
	outage   time.Time     // start of the current outage
	said     [2]string     // last logged reasons: unreachable, refused
	overdued uint64        // the tick for which overdue frames were looked for

	inside atomic.Bool   // Receive is being called
	calls  atomic.Uint64 // of Receive

	closing chan struct{} // closed by Close

	mu         sync.Mutex // guards what follows
	closed     bool
	cancel     context.CancelFunc // of the attempt to connect that is under way
	line       *line              // nil while there is none
	up         bool
	session    uint32 // its number
	info       Info
	credits    int
	unresolved unresolved
	tick       uint64 // keepalives so far
	body       []byte // scratch of send
	stats      Stats
	past       DecoderStats // of lines that have ended
}

// NewLink returns a link over what dial opens; what names it in errors and in the
// log, like "simulated radio".
func NewLink(what string, dial Dial, o Options) *Link {
	o = o.withDefaults()
	return &Link{opt: o, log: o.Log, what: what, dial: dial, closing: make(chan struct{}), outage: time.Now()}
}

// line is one connection, from the dial to the error that ends it.
type line struct {
	conn io.ReadWriteCloser
	dec  *Decoder
	kick chan struct{} // the writer has something to do
	done chan struct{} // closed by fail
	wg   sync.WaitGroup
	once sync.Once

	octets atomic.Uint64 // read

	// Guarded by the link's mutex.
	cause   error     // why it ended
	refused error     // why the radio, which is there, cannot be used
	out     []byte    // octets to write
	asked   time.Time // when hello was first said, while the radio is not up
	heard   time.Time // when the last keepalive was answered
	since   time.Time // when the radio came up
}

// Read reads from the connection and counts.
func (ln *line) Read(b []byte) (int, error) {
	n, err := ln.conn.Read(b)
	ln.octets.Add(uint64(n))
	return n, err
}

// Causes of a Down event and of a failed attempt.
var (
	errHungUp   = errors.New("the radio side ended the connection")
	errSilent   = errors.New("the radio answers no keepalive")
	errRebooted = errors.New("the radio has booted anew")
)

// connect returns the current line, or the next one after a wait. Its only error is
// net.ErrClosed.
func (l *Link) connect() (*line, error) {
	for {
		l.mu.Lock()
		ln, closed := l.line, l.closed
		l.mu.Unlock()
		switch {
		case closed:
			return nil, net.ErrClosed
		case ln != nil:
			return ln, nil
		}
		if !l.pause() {
			return nil, net.ErrClosed
		}
		l.delay = min(max(2*l.delay, l.opt.RetryMin), l.opt.RetryMax)
		conn, err := l.open()
		if err != nil {
			if !errors.Is(err, net.ErrClosed) {
				l.complain(err, false)
			}
			continue
		}
		l.start(conn)
	}
}

// pause waits before an attempt to connect. It reports whether the link is open.
func (l *Link) pause() bool {
	if l.delay == 0 {
		return true
	}
	t := time.NewTimer(l.delay)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-l.closing:
		return false
	}
}

// open dials, so that Close ends the attempt.
func (l *Link) open() (io.ReadWriteCloser, error) {
	ctx, cancel := context.WithTimeout(context.Background(), silentAfter*l.opt.Keepalive)
	defer cancel()
	l.mu.Lock()
	l.cancel = cancel
	closed := l.closed
	l.mu.Unlock()
	if closed {
		return nil, net.ErrClosed
	}
	conn, err := l.dial(ctx)
	l.mu.Lock()
	l.cancel = nil
	l.mu.Unlock()
	return conn, err
}

// start starts a session on a connection, unless the link was closed meanwhile.
func (l *Link) start(conn io.ReadWriteCloser) {
	ln := &line{
		conn: conn,
		kick: make(chan struct{}, 1), done: make(chan struct{}),
	}
	ln.dec = NewDecoder(ln)
	l.mu.Lock()
	closed := l.closed
	if !closed {
		l.line = ln
		l.stats.Connects++
		l.sessionLocked(ln, time.Now())
		ln.wg.Go(func() { l.write(ln) })
		ln.wg.Go(func() { l.watch(ln) })
	}
	l.mu.Unlock()
	if closed {
		conn.Close()
	}
}

// fail ends a line for a cause; the first one counts. It returns when the
// connection is closed, so that the line's goroutines can be waited for.
func (l *Link) fail(ln *line, cause error) {
	if cause == io.EOF {
		cause = errHungUp
	}
	l.mu.Lock()
	if ln.cause == nil {
		ln.cause = cause
		close(ln.done)
	}
	l.mu.Unlock()
	ln.once.Do(func() { ln.conn.Close() })
}

// lost clears up after a line that ended. It reports whether the radio had been up,
// which makes a Down event of it.
func (l *Link) lost(ln *line, err error) (Event, bool) {
	l.fail(ln, err)
	ln.wg.Wait()
	l.mu.Lock()
	wasUp, closed, cause := l.up, l.closed, ln.cause
	if wasUp {
		l.downLocked()
		if time.Since(ln.since) >= l.opt.RetryMax { // the connection had worked: retry soon
			l.delay = 0
		}
	}
	if ln.refused != nil {
		l.delay = l.opt.RefusedRetry
	}
	l.line = nil
	ended := ln.dec.Stats()
	l.past.add(&ended)
	l.stats.decoder(&l.past, DecoderStats{})
	l.mu.Unlock()
	l.delay = max(l.delay, l.opt.RetryMin)
	switch {
	case closed:
	case wasUp:
		return Event{Kind: EventDown, Cause: fmt.Errorf("%s: %w", l.what, cause)}, true
	default:
		l.complain(cause, ln.refused != nil)
	}
	return Event{}, false
}

// downLocked ends what was unresolved. Its frames are the Down event's.
func (l *Link) downLocked() {
	l.up = false
	l.unresolved.reset()
	l.stats.Downs++
	l.outage, l.said = time.Now(), [2]string{}
}

// complain logs why there is no radio, each reason once. After a Down event it logs only
// if the outage lasts. A refused radio is logged at once.
func (l *Link) complain(err error, refused bool) {
	l.mu.Lock()
	l.stats.Failures++
	early := l.stats.Downs > 0 && time.Since(l.outage) < l.opt.RetryMax
	l.mu.Unlock()
	text, which, message := err.Error(), 0, "radio cannot be reached, trying again"
	if refused {
		which, early, message = 1, false, "radio cannot be used, trying again later"
	}
	if early || text == l.said[which] {
		return
	}
	l.said[which] = text
	l.log.Warn(message, "radio", l.what, "cause", text)
}

// Close ends the link. It returns when all goroutines of the link have ended, except for
// a Receive that is about to return.
func (l *Link) Close() error {
	l.mu.Lock()
	if !l.closed {
		l.closed = true
		close(l.closing)
	}
	if l.cancel != nil {
		l.cancel()
	}
	ln := l.line
	l.mu.Unlock()
	if ln != nil {
		l.fail(ln, net.ErrClosed)
		ln.wg.Wait()
	}
	return nil
}
