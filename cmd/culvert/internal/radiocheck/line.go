package radiocheck

import (
	"context"
	"io"
	"slices"
	"sync"
	"time"

	"culvert/bridge/radio"
)

// heard is one frame of the line whose check sequence held.
type heard struct {
	rec  radio.Record // in memory of its own
	body []byte
	err  error // a radio.RecordError: the record cannot be read
	at   time.Time
}

// radioLine is one connection to a radio side, from the dial to Close. The check speaks
// on it itself: radio.Link would hide what is wrong.
type radioLine struct {
	conn io.ReadWriteCloser
	in   chan heard    // closed by the reader, when the connection has ended
	out  chan []byte   // octets to write
	done chan struct{} // closed by close
	wg   sync.WaitGroup
	once sync.Once

	mu    sync.Mutex // guards what follows
	stats radio.LineStats
	base  radio.LineStats // when the first good frame came: a line may be opened in the middle of one
	cause error           // why reading ended
}

// lineQueue is how many records, and pieces to write, may wait. A radio that says
// more than is taken in waits itself.
const lineQueue = 64

// openLine connects.
func openLine(ctx context.Context, dial radio.Dial) (*radioLine, error) {
	conn, err := dial(ctx)
	if err != nil {
		return nil, err
	}
	l := &radioLine{conn: conn, in: make(chan heard, lineQueue), out: make(chan []byte, lineQueue), done: make(chan struct{})}
	l.wg.Go(l.read)
	l.wg.Go(l.write)
	return l, nil
}

// read hands over what the radio says, until the connection ends.
func (l *radioLine) read() {
	defer close(l.in)
	var split radio.Splitter
	var buf [4096]byte
	for {
		n, err := l.conn.Read(buf[:])
		for in := buf[:n]; len(in) > 0; {
			body, taken := split.Feed(in)
			in = in[taken:]
			if body == nil {
				continue
			}
			h := heard{body: slices.Clone(body), at: time.Now()}
			h.err = h.rec.Parse(h.body)
			l.note(split.Stats(), nil)
			select {
			case l.in <- h:
			case <-l.done:
				return
			}
		}
		l.note(split.Stats(), err)
		if n == 0 && err != nil {
			return
		}
	}
}

func (l *radioLine) note(s radio.LineStats, err error) {
	l.mu.Lock()
	if l.stats = s; l.base.Frames == 0 {
		l.base = s
	}
	if err != nil {
		l.cause = err
	}
	l.mu.Unlock()
}

// seen returns what the line carried since the first good frame, and why it ended, if
// it did.
func (l *radioLine) seen() (radio.LineStats, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	s := l.stats
	if l.base.Frames > 0 {
		s.BadFCS -= l.base.BadFCS
		s.Short -= l.base.Short
		s.Aborted -= l.base.Aborted
		s.TooLong -= l.base.TooLong
		s.Garbage -= l.base.Garbage
	}
	return s, l.cause
}

// write writes what say hands over.
func (l *radioLine) write() {
	for {
		select {
		case b := <-l.out:
			if _, err := l.conn.Write(b); err != nil {
				return // the reader sees the end as well
			}
		case <-l.done:
			return
		}
	}
}

// say writes octets. It reports false if the radio takes none any more.
func (l *radioLine) say(wire []byte) bool {
	select {
	case l.out <- wire:
		return true
	default:
		return false
	}
}

// close ends the connection, and returns how it ended: for a program, an error that
// says how that did.
func (l *radioLine) close() error {
	l.once.Do(func() {
		close(l.done)
		l.conn.Close()
	})
	l.wg.Wait()
	if _, err := l.conn.Read(make([]byte, 1)); err != nil {
		return err
	}
	return nil
}

// framed returns a record as it goes over the line.
func framed(r *radio.Record) []byte { return radio.AppendFramed(nil, r.AppendTo(nil)) }
