package output

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
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
	keptAudits     = 8       // files before the latest
	refusalShare   = 4       // of a file at most one part in so many is refused writes
)

// audit is the log of what was done to outputs: JSON lines that are only ever
// appended. What is going to be done is on the disk before it leaves, its outcome as
// soon as it is known; a daemon that starts finishes what the one before left open.
type audit struct {
	dir string
	now func() time.Time
	max int64 // octets of a file
	// shut is why the log, or the lock-outs, could not be opened when the daemon started;
	// nil: they were. Nothing is driven then.
	shut error

	failed atomic.Uint64 // lines that the disk did not take

	mu         sync.Mutex
	f          *os.File
	size       int64 // of the lines that are whole
	taken      int64 // of them, what the file began with
	refused    int64 // octets of refused writes in this file
	torn       bool  // part of a line stands behind them
	next       uint64
	open       map[uint64]AuditLine // intents without an outcome
	latest     map[string]AuditLine // intent for each output
	owed       []AuditLine          // outcomes that the disk did not take yet, one an output at most
	second     time.Time
	refusals   int
	suppressed int // refusals that were not written down
}

// AuditLine is one line.
type AuditLine struct {
	Time     time.Time  `json:"time"`
	Event    string     `json:"event"` // intent, outcome, refused, lock, unlock, latest
	ID       uint64     `json:"id,omitempty"`
	Identity string     `json:"identity,omitempty"`
	Door     string     `json:"door,omitempty"`
	From     string     `json:"from,omitempty"`
	Place    string     `json:"place"`
	Resource string     `json:"resource"`
	Value    string     `json:"value,omitempty"`
	Lease    int64      `json:"lease_seconds,omitempty"`
	Deadline *time.Time `json:"deadline,omitempty"`
	Outcome  string     `json:"outcome,omitempty"`
	Reads    string     `json:"reads,omitempty"`
	Reason   string     `json:"reason,omitempty"`
	Held     int        `json:"not_written_before,omitempty"`
	Again    bool       `json:"again,omitempty"` // it stands in the file before, too
	// Undeclared says that no [[output]] declares the resource. Such lines say nothing of
	// the interval of an output, and do not outlive their file.
	Undeclared bool `json:"undeclared,omitempty"`
}

// openAudit opens the log in dir, and appends the outcome unknown to each intent
// without one. begun is when each output was last written to.
func openAudit(dir string, now func() time.Time) (a *audit, begun map[string]time.Time, err error) {
	a = &audit{dir: dir, now: now, max: maxAudit, next: 1, open: map[uint64]AuditLine{}, latest: map[string]AuditLine{}}
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
	begun = map[string]time.Time{}
	for key, l := range a.latest {
		begun[key] = l.Time
	}
	return a, begun, nil
}

// scan reads the log. A last line that was cut off, as a loss of power leaves it,
// stays, and is ended before the next one.
func (a *audit) scan() error {
	r := bufio.NewReaderSize(a.f, maxAuditLine)
	for {
		b, err := r.ReadSlice('\n')
		a.size += int64(len(b))
		if errors.Is(err, bufio.ErrBufferFull) {
			continue // too long for a line of this log: ignored
		}
		var l AuditLine
		if json.Unmarshal(bytes.TrimSpace(b), &l) == nil {
			a.remember(l, int64(len(b)))
		}
		switch {
		case errors.Is(err, io.EOF):
			a.torn = len(b) > 0
			return nil
		case err != nil:
			return err
		}
	}
}

// remember remembers what a line of some octets says.
func (a *audit) remember(l AuditLine, octets int64) {
	switch l.Event {
	case "intent":
		a.open[l.ID] = l
		if l.Undeclared {
			break
		}
		a.latest[outputKey(l.Place, l.Resource)] = l
	case "latest":
		a.latest[outputKey(l.Place, l.Resource)] = l
	case "outcome":
		delete(a.open, l.ID)
	case "refused":
		a.refused += octets
	}
	a.next = max(a.next, l.ID+1)
}

// append writes one line, after the outcomes that are owed, and has it on the disk
// when it returns, but for refused writes.
func (a *audit) append(l AuditLine) error {
	l.Time = a.now().UTC()
	err := a.writeOwed()
	if err == nil {
		err = a.write(l)
	}
	if err != nil {
		a.failed.Add(1)
		if l.Event == "outcome" {
			a.owed = append(a.owed, l)
		}
	}
	return err
}

// writeOwed writes down the outcomes that are owed.
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
	b, err := json.Marshal(l)
	if err != nil {
		return err
	}
	b = append(b, '\n')
	// An outcome goes where its intent stands, however long the file is.
	if l.Event != "outcome" && a.size-a.taken+int64(len(b)) > a.max {
		if err := a.rotate(); err != nil {
			return err
		}
	}
	if a.torn {
		b = append([]byte{'\n'}, b...)
	}
	n, err := a.f.Write(b)
	if err == nil && l.Event != "refused" {
		err = a.f.Sync()
	}
	if err != nil {
		if n > 0 {
			a.torn = a.torn || a.f.Truncate(a.size) != nil
		}
		return err
	}
	a.size, a.torn = a.size+int64(len(b)), false
	a.remember(l, int64(len(b)))
	return nil
}

func (o *write) line(event string) AuditLine {
	return AuditLine{Event: event, ID: o.ID, Identity: o.by, Door: o.door, From: o.from, Place: o.Place, Resource: o.Resource, Value: o.Value, Lease: o.Lease, Undeclared: o.undeclared}
}

// intent writes down what is going to be done, and returns the number under which its
// outcome will stand.
func (a *audit) intent(o *write) (uint64, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	l := o.line("intent")
	l.ID = a.next
	l.Deadline = &o.deadline
	if o.undeclared {
		l.Reason = o.Reason // why it may move something
	}
	a.next++
	return l.ID, a.append(l)
}

func (a *audit) outcome(o *write) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.append(AuditLine{Event: "outcome", ID: o.ID, Identity: o.by, Place: o.Place, Resource: o.Resource,
		Outcome: o.Outcome, Reads: o.Reads, Reason: o.Reason, Undeclared: o.undeclared})
}

// refusal writes down a write that was refused here: a few each second and some in
// each file, so that refused writes cannot push out those that were made.
func (a *audit) refusal(o *write) {
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
	l := o.line("refused")
	l.Reason, l.Held = o.Reason, a.suppressed
	if a.append(l) != nil {
		a.suppressed++
		return
	}
	a.suppressed = 0
}

// locked writes down that a lock-out begins or ends.
func (a *audit) locked(event, by string, x *declaredOutput, reason string) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.append(AuditLine{Event: event, Identity: by, Place: x.Place, Resource: x.Resource, Reason: reason})
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

// LoadLocks reads the lock-outs in dir. That they cannot be read is an error: nothing
// must move because a file was damaged.
func LoadLocks(dir string) (map[string]*api.LockOut, error) {
	name := filepath.Join(dir, locksFile)
	b, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	var out map[string]*api.LockOut
	if err == nil {
		err = json.Unmarshal(b, &out)
	}
	if err != nil {
		return nil, fmt.Errorf("coap: lock-outs %s: %w; make sure by hand what must stay locked out, then remove the file", name, err)
	}
	return out, nil
}

// saveLocks replaces the file of lock-outs at once or not at all.
func saveLocks(dir string, locks map[string]*api.LockOut) error {
	b, err := json.MarshalIndent(locks, "", "\t")
	if err != nil {
		return err
	}
	name := filepath.Join(dir, locksFile)
	f, err := os.OpenFile(name+".new", os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o640)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	err = errors.Join(err, f.Sync(), f.Close())
	if err != nil {
		return err
	}
	if err := os.Rename(name+".new", name); err != nil {
		return err
	}
	return syncDir(dir)
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
