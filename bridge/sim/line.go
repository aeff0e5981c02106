package sim

import (
	"errors"
	"io"
	"sync"
	"time"

	"culvert/bridge/radio"
)

// maxWaiting bounds the octets that wait for a daemon that does not read. Frames
// beyond it are discarded and the daemon told so; what may not be lost, up to twice
// as much, ends the line.
const maxWaiting = 1 << 20

var errNotRead = errors.New("sim: the daemon does not read what the radio says")

// line is one connection to a daemon.
type line struct {
	radio *Radio
	conn  io.ReadWriteCloser
	kick  chan struct{} // the writer has something to do
	done  chan struct{} // closed by the first fail

	// Guarded by the radio's mutex.
	session   uint32 // of the hello that is being answered
	last      uint32 // of the last hello
	body      []byte
	discarded uint32 // frames that the daemon has not been told of

	mu    sync.Mutex // after the radio's; guards what follows
	out   []byte
	cause error
}

// fail ends the line; the first cause counts.
func (l *line) fail(cause error) {
	l.mu.Lock()
	first := l.cause == nil
	if first {
		l.cause = cause
		close(l.done)
	}
	l.mu.Unlock()
	if first {
		l.conn.Close()
	}
}

func (l *line) ended() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.cause
}

// read hands the daemon's records to the radio, until the connection ends.
func (l *line) read() error {
	d := radio.NewDecoder(l.conn)
	var rec radio.Record
	for {
		if err := d.Decode(&rec); err != nil {
			return err
		}
		l.radio.handle(l, &rec)
	}
}

// write writes what waits, all that has gathered in one go, until the line ends.
func (l *line) write() {
	var buf []byte
	for {
		select {
		case <-l.kick:
		case <-l.done:
			return
		}
		l.mu.Lock()
		buf, l.out = l.out, buf[:0]
		l.mu.Unlock()
		if len(buf) == 0 {
			continue
		}
		if _, err := l.conn.Write(buf); err != nil {
			l.fail(err)
			return
		}
	}
}

// clock is the radio's time, in microseconds since it booted, by the wall clock.
func (l *line) clock() uint64 {
	m := l.radio.mesh
	return uint64(l.radio.wall(m.now-m.bootAt)/time.Microsecond) + 1
}

// tell turns an event into a record. The radio's mutex is held.
func (l *line) tell(e radio.Event) {
	rec := radio.Record{
		Outcome: e.Outcome, ID: e.ID, Credits: e.Credits, Frame: e.Frame, Node: e.Node,
		Info: e.Info, Link: e.Link, Battery: e.Battery, Clock: l.clock(),
	}
	switch e.Kind {
	case radio.EventUp:
		rec.Kind, rec.Session = radio.RecordUp, l.session
		rec.Info.Version, rec.Text = radio.Version, []byte("culvert simulate")
	case radio.EventFrame:
		rec.Kind = radio.RecordFrame
	case radio.EventResult:
		rec.Kind = radio.RecordResult
	case radio.EventAttached:
		rec.Kind = radio.RecordAttached
	case radio.EventDetached:
		rec.Kind = radio.RecordDetached
	case radio.EventParent:
		rec.Kind = radio.RecordParents
	case radio.EventSnapshot:
		rec.Kind = radio.RecordSnapshot
	case radio.EventLink:
		rec.Kind = radio.RecordLink
	case radio.EventBattery:
		rec.Kind = radio.RecordBattery
	default:
		return
	}
	l.say(&rec)
}

// say puts a record on its way. The radio's mutex is held.
func (l *line) say(rec *radio.Record) {
	if l.radio.silent {
		return
	}
	l.mu.Lock()
	waiting := len(l.out)
	l.mu.Unlock()
	switch {
	case waiting > 2*maxWaiting:
		l.fail(errNotRead)
		return
	case waiting > maxWaiting && rec.Kind == radio.RecordFrame:
		l.discarded++
		return
	case waiting <= maxWaiting && l.discarded > 0:
		d := radio.Record{Kind: radio.RecordDiscard, Discard: radio.DiscardOverflow, Count: l.discarded}
		l.discarded = 0
		l.append(&d)
	}
	l.append(rec)
}

func (l *line) append(rec *radio.Record) {
	l.body = rec.AppendTo(l.body[:0])
	l.mu.Lock()
	l.out = radio.AppendFramed(l.out, l.body)
	l.mu.Unlock()
	select {
	case l.kick <- struct{}{}:
	default:
	}
}
