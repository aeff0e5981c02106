package output

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"culvert/coap/api"
)

// Files in the directory of the state.
const (
	auditFile = "audit.jsonl"
	locksFile = "lockouts.json"
)

// Limits of the audit log. They are our choice.
const (
	maxAuditLine   = 16 << 10
	refusalsSecond = 5       // refused writes that are written down in one second
	maxAudit       = 8 << 20 // octets of a file, and what it took over from the one before
	keptAudits     = 8       // files before the latest that are kept, if they are full
	mostAudits     = 63      // files before the latest, at most
	maxOwed        = 4 * maxOutputs
	refusalShare   = 4    // of a file at most one part in so many is refused writes
	writesAtOnce   = 1000 // writes to one output that are written down without a pause,
	writesEvery    = 10 * time.Second
)

// fileLife is after how long a new file begins, however short the former one is. keptLife is
// how long every line is kept, whatever is written after it.
const (
	fileLife = 7 * 24 * time.Hour
	keptLife = 7 * 24 * time.Hour
)

// audit is the log of what was done to outputs: JSON lines that are only ever
// appended. What is going to be done is on the disk before it leaves, its outcome as
// soon as it is known; a daemon that starts finishes what the one before left open.
type audit struct {
	dir string
	now func() time.Time
	max int64 // octets of a file

	failed atomic.Uint64 // lines that the disk did not take

	mu sync.Mutex
	// shut is why the log, or the lock-outs, could not be opened; nil: they were. Nothing is
	// driven then.
	shut error
	auditState
	writes     budget            // by output
	renumbered map[uint64]uint64 // numbers that writes got while the log was shut
	unsaid     map[string]int    // safe writes of an output that were not written down, since the last one that was
}

// auditState is what an audit knows of its files and lines.
type auditState struct {
	f          *os.File
	size       int64     // of the lines that are whole
	taken      int64     // of them, what the file began with
	refused    int64     // octets of refused writes in this file
	torn       bool      // part of a line stands behind them
	unread     int       // lines that could not be read when the log was opened
	whole      bool      // the latest file could be read from its beginning, and says which lock-outs there are
	full       bool      // no new file can begin, since the last week is kept
	begun      time.Time // of the first line of the latest file
	opened     time.Time
	closed     [mostAudits + 1]time.Time // when each file was put aside; zero: by a daemon before this one
	next       uint64
	open       map[uint64]AuditLine            // intents without an outcome
	latest     map[string]AuditLine            // intent for each output
	locks      map[string]map[string]AuditLine // lock-outs by output and identity
	owed       []AuditLine                     // lines that the disk did not take yet: outcomes, and intents of safe values
	second     time.Time
	refusals   int
	suppressed int // refusals that were not written down
}

// openAudit opens the log in dir, and appends the outcome unknown to each intent
// without one. begun is when each output was last written to.
func openAudit(dir string, now func() time.Time) (a *audit, begun map[string]time.Time, err error) {
	a = newAudit(dir, now)
	if err := a.openFile(); err != nil {
		return nil, nil, fmt.Errorf("coap: audit log: %w", err)
	}
	err = a.scan()
	if err == nil {
		err = syncDir(dir)
	}
	for _, id := range slices.Sorted(maps.Keys(a.open)) {
		if err == nil {
			err = a.append(AuditLine{Event: "outcome", ID: id, Place: a.open[id].Place, Resource: a.open[id].Resource, Outcome: api.OutcomeUnknown, Undeclared: a.open[id].Undeclared,
				Reason: "the daemon ended before it knew"})
		}
	}
	if err != nil {
		a.f.Close()
		return nil, nil, fmt.Errorf("coap: audit log %s: %w", a.name(0), err)
	}
	// By the clock that runs from here on: where it was set back since, or the line's was
	// ahead, an interval begins now, and is not longer than it was configured.
	begun, since := map[string]time.Time{}, a.now()
	for key, l := range a.latest {
		begun[key] = since.Add(-max(since.Sub(l.Time), 0))
	}
	return a, begun, nil
}

func newAudit(dir string, now func() time.Time) *audit {
	return &audit{dir: dir, now: now, max: maxAudit, writes: budget{burst: writesAtOnce, interval: writesEvery}, unsaid: map[string]int{}, auditState: auditState{
		next: 1, open: map[uint64]AuditLine{}, latest: map[string]AuditLine{}, locks: map[string]map[string]AuditLine{}, opened: now()}}
}

// scan reads the log: the latest file, which says all that a start needs; and first the one
// before, where the latest is empty or its beginning cannot be read.
func (a *audit) scan() error {
	first, err := firstLine(a.f)
	if err != nil {
		return err
	}
	_, bad := DecodeAuditLine(first)
	a.whole = bad == nil
	before, err := os.Open(a.name(1))
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return err
	case a.whole:
		before.Close()
	default:
		_, _, err := a.scanFile(before)
		before.Close()
		if err != nil {
			return err
		}
	}
	a.refused, a.begun = 0, time.Time{}
	a.size, a.torn, err = a.scanFile(a.f)
	a.whole = a.whole && a.unread == 0
	if err == nil && len(first) == 0 && len(a.latest)+len(a.open)+len(a.locks) > 0 { // the latest is gone: it must say what it took over
		b := a.carried()
		_, err = a.f.Write(b)
		a.size, a.taken = a.size+int64(len(b)), int64(len(b))
	}
	return err
}

// firstLine returns the first line of a file, empty if the file is, and goes back to its
// beginning.
func firstLine(f *os.File) ([]byte, error) {
	b, err := bufio.NewReaderSize(f, maxAuditLine).ReadSlice('\n')
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, bufio.ErrBufferFull) {
		return nil, err
	}
	_, err = f.Seek(0, io.SeekStart)
	return bytes.Clone(bytes.TrimSpace(b)), err
}

// scanFile reads a file of the log, and returns its octets. A last line that was cut off, as a
// loss of power leaves it, stays, and is ended before the next one.
func (a *audit) scanFile(f *os.File) (size int64, torn bool, err error) {
	r := bufio.NewReaderSize(f, maxAuditLine)
	long := false // the rest of a line that is too long for one of this log
	for {
		b, err := r.ReadSlice('\n')
		size += int64(len(b))
		if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, bufio.ErrBufferFull) {
			return size, false, err
		}
		ended := err == nil
		text := bytes.TrimSpace(b)
		switch l, bad := DecodeAuditLine(text); {
		case bad == nil && !long && !errors.Is(err, bufio.ErrBufferFull):
			a.remember(l, int64(len(b)))
			a.whole = a.whole && (l.Event != "begin" || l.LocksKept)
			if a.begun.IsZero() {
				a.begun = l.Time
			}
		case ended && len(text) > 0:
			a.unread++
		}
		if errors.Is(err, io.EOF) {
			return size, len(b) > 0 || long, nil
		}
		long = !ended
	}
}

// remember remembers what a line of some octets says.
func (a *audit) remember(l AuditLine, octets int64) {
	key := outputKey(l.Place, l.Resource)
	switch l.Event {
	case "intent":
		a.open[l.ID] = l
	case "latest":
		a.latest[key] = l
	case "outcome":
		// What was not sent does not use up the interval of an output.
		if begun, ok := a.open[l.ID]; ok && !l.NotSent && !begun.Undeclared {
			a.latest[outputKey(begun.Place, begun.Resource)] = begun
		}
		delete(a.open, l.ID)
	case "refused", "joined":
		a.refused += octets
	case "lock":
		if a.locks[key] == nil || l.Door == "" { // by a daemon of former times, as below
			a.locks[key] = map[string]AuditLine{}
		}
		a.locks[key][l.Identity] = l
	case "unlock":
		delete(a.locks[key], l.Of)
		if l.Of == "" || len(a.locks[key]) == 0 { // without of: by a daemon of former times, which knew one lock-out an output
			delete(a.locks, key)
		}
	}
	a.next = max(a.next, l.ID+1)
}

// append writes one line, after those that are owed, and has it on the disk when it returns,
// but for refused writes.
func (a *audit) append(l AuditLine) error {
	l.Time = a.now().UTC()
	err := a.writeOwed()
	if err == nil {
		err = a.write(l)
	}
	if err != nil {
		a.failed.Add(1)
		if (l.Event == "outcome" && l.ID != 0 || l.Safe) && len(a.owed) < maxOwed {
			a.owed = append(a.owed, l)
		}
	}
	return err
}

// writeOwed writes down the lines that are owed.
func (a *audit) writeOwed() error {
	for len(a.owed) > 0 {
		if err := a.write(a.owed[0]); err != nil {
			return err
		}
		a.owed = a.owed[1:]
	}
	return nil
}

// write writes one line. One that could not be written is taken back.
func (a *audit) write(l AuditLine) error {
	if a.shut != nil {
		return a.shut
	}
	b, err := l.encode()
	if err != nil {
		return err
	}
	if err := a.makeRoom(l.Event, l.Safe, int64(len(b))); err != nil {
		return err
	}
	if a.torn {
		b = append([]byte{'\n'}, b...)
	}
	n, err := a.f.Write(b)
	if err == nil && l.Event != "refused" && l.Event != "joined" {
		err = a.f.Sync()
	}
	if err != nil {
		if n > 0 {
			a.torn = a.torn || a.f.Truncate(a.size) != nil
		}
		return err
	}
	if a.begun.IsZero() {
		a.begun = l.Time
	}
	a.size, a.torn = a.size+int64(len(b)), false
	a.remember(l, int64(len(b)))
	return nil
}

// makeRoom begins a new file where the latest one is full or old. An outcome goes where its
// intent stands, however long the file is; a lock-out is never refused.
func (a *audit) makeRoom(event string, safe bool, octets int64) error {
	isFull := a.size-a.taken+octets > a.max
	switch {
	case event == "outcome":
		return nil
	case !isFull && (a.size == a.taken || a.begun.IsZero() || a.now().Sub(a.begun) < fileLife):
		a.full = false
		return nil
	}
	err := a.rotate()
	a.full = errors.Is(err, ErrAuditFull)
	if !isFull || event == "lock" || safe && a.full && a.size-a.taken+octets <= 2*a.max {
		return nil
	}
	return err
}

func (o *write) line(event string) AuditLine {
	return AuditLine{Event: event, ID: o.id.Load(), Identity: o.by, Door: o.door, From: o.from, Place: o.Place, Resource: o.Resource, Value: o.Value, Lease: o.Lease, Undeclared: o.undeclared}
}

// ErrTooOften says that an output is written to so often that the audit log would lose its
// past.
var ErrTooOften = errors.New("too many writes to this output: the audit log keeps each of them for a week")

// ErrAuditFull says that the log has no room for another write, since it keeps the last week.
var ErrAuditFull = fmt.Errorf("the audit log is full: its %d files hold less than the last week, which is kept; find out in audit.jsonl who writes so often", mostAudits+1)

// intent writes down what is going to be done, and returns the number under which its
// outcome will stand. Of safe values that are written more often than writesEvery, some are only counted:
// their number is 0.
func (a *audit) intent(o *write) (uint64, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	l, key := o.line("intent"), outputKey(o.Place, o.Resource)
	if o.undeclared { // the client may name any path
		key = o.Place
	}
	if a.writes.take(key, a.now()) > 0 {
		if !o.safe {
			return 0, ErrTooOften
		}
		a.unsaid[key]++
		return 0, nil
	}
	l.ID = a.next
	deadline := o.issued.Add(o.within)
	if o.undeclared {
		deadline = o.deadline
	}
	l.Deadline, l.Safe = &deadline, o.safe
	l.Held = a.unsaid[key]
	if o.undeclared {
		l.Reason = o.Reason // why it may move something
	}
	a.next++
	if err := a.append(l); err != nil {
		return l.ID, err
	}
	delete(a.unsaid, key)
	return l.ID, nil
}

func (a *audit) outcome(o *write) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	if o.id.Load() == 0 && o.safe && o.Outcome == api.OutcomeDone {
		return nil // only counted
	}
	id := o.id.Load()
	if is, ok := a.renumbered[id]; ok {
		id = is
	}
	return a.append(AuditLine{Event: "outcome", ID: id, NotSent: o.notSent, Identity: o.by, Place: o.Place, Resource: o.Resource,
		Outcome: o.Outcome, Reads: o.Reads, Reason: o.Reason, Undeclared: o.undeclared})
}

// refusal writes down a write that was refused here, or joined another one: a few each
// second and some in each file, so that they cannot push out the writes that were made.
func (a *audit) refusal(event string, o *write) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if now := a.now(); now.Sub(a.second) >= time.Second {
		a.second, a.refusals = now, 0
	}
	if a.refusals >= refusalsSecond || a.refused >= a.max/refusalShare {
		a.suppressed++
		return
	}
	a.refusals++
	l := o.line(event)
	l.Reason, l.Held = o.Reason, a.suppressed
	if a.append(l) != nil {
		a.suppressed++
		return
	}
	a.suppressed = 0
}

// lockOut writes down a lock-out, or that one was lifted.
func (a *audit) lockOut(l AuditLine) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.append(l)
}

// adopt opens a shut log as what opened is. Lines that are owed since it was shut get numbers
// of the log, which may have given theirs to others.
func (a *audit) adopt(opened *audit) {
	a.mu.Lock()
	defer a.mu.Unlock()
	owed, next := a.owed, a.next
	a.auditState, a.shut, a.renumbered = opened.auditState, nil, map[uint64]uint64{}
	a.next = max(a.next, next) // no later write has a number that one had while it was shut
	for _, l := range owed {
		if a.renumbered[l.ID] == 0 {
			a.renumbered[l.ID] = a.next
			a.next++
		}
		l.ID = a.renumbered[l.ID]
		a.owed = append(a.owed, l)
	}
}

// isShut reports whether the log could not be opened.
func (a *audit) isShut() bool { return a.shutCause() != nil }

func (a *audit) shutCause() error {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.shut
}

func (a *audit) close() error {
	if a == nil {
		return nil
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.shut != nil {
		return nil
	}
	return errors.Join(a.writeOwed(), a.f.Close())
}
