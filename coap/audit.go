package coap

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
	"time"
)

// Files in the directory of the state.
const (
	auditFile = "audit.jsonl"
	locksFile = "lockouts.json"
)

// Limits of the audit log, ours.
const (
	maxAuditLine   = 16 << 10
	refusalsSecond = 5 // refused writes that are written down in one second
)

// audit is the log of what was done to outputs: JSON lines that are only ever
// appended. What is going to be done is on the disk before it leaves, its outcome as
// soon as it is known; a daemon that starts finishes what the one before left open.
type audit struct {
	mu       sync.Mutex
	f        *os.File
	next     uint64
	second   time.Time
	refusals int
	held     int // refusals that were not written down
}

// auditLine is one line.
type auditLine struct {
	Time     time.Time  `json:"time"`
	Event    string     `json:"event"` // intent, outcome, refused, lock, unlock
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
}

// openAudit opens the log in dir, and appends the outcome unknown to each intent
// without one. begun is when each output was last written to.
func openAudit(dir string) (a *audit, begun map[string]time.Time, err error) {
	name := filepath.Join(dir, auditFile)
	f, err := os.OpenFile(name, os.O_CREATE|os.O_RDWR|os.O_APPEND, 0o640)
	if err != nil {
		return nil, nil, fmt.Errorf("coap: audit log: %w", err)
	}
	a = &audit{f: f, next: 1}
	open, begun, err := a.scan()
	if err == nil {
		err = syncDir(dir)
	}
	for _, id := range slices.Sorted(maps.Keys(open)) {
		if err == nil {
			err = a.append(auditLine{Event: "outcome", ID: id, Place: open[id].Place, Resource: open[id].Resource, Outcome: OutcomeUnknown,
				Reason: "the daemon ended before it knew"}, true)
		}
	}
	if err != nil {
		f.Close()
		return nil, nil, fmt.Errorf("coap: audit log %s: %w", name, err)
	}
	return a, begun, nil
}

// scan reads the log. A last line that was cut off, as a loss of power leaves it, is
// ended, and stays.
func (a *audit) scan() (open map[uint64]auditLine, begun map[string]time.Time, err error) {
	open, begun = map[uint64]auditLine{}, map[string]time.Time{}
	r := bufio.NewReaderSize(a.f, maxAuditLine)
	for {
		b, err := r.ReadSlice('\n')
		if errors.Is(err, bufio.ErrBufferFull) {
			continue // no line of ours; its parts say nothing
		}
		var l auditLine
		if json.Unmarshal(bytes.TrimSpace(b), &l) == nil {
			switch l.Event {
			case "intent":
				open[l.ID] = l
				begun[outputKey(l.Place, l.Resource)] = l.Time
			case "outcome":
				delete(open, l.ID)
			}
			a.next = max(a.next, l.ID+1)
		}
		switch {
		case errors.Is(err, io.EOF) && len(b) > 0:
			_, err = a.f.Write([]byte{'\n'})
			return open, begun, err
		case errors.Is(err, io.EOF):
			return open, begun, nil
		case err != nil:
			return nil, nil, err
		}
	}
}

// append writes one line; with sync it is on the disk when append returns.
func (a *audit) append(l auditLine, sync bool) error {
	l.Time = time.Now().UTC()
	b, err := json.Marshal(l)
	if err != nil {
		return err
	}
	if _, err := a.f.Write(append(b, '\n')); err != nil {
		return err
	}
	if sync {
		return a.f.Sync()
	}
	return nil
}

func (o *order) line(event string) auditLine {
	return auditLine{Event: event, ID: o.ID, Identity: o.by, Door: o.door, From: o.from, Place: o.Place, Resource: o.Resource, Value: o.Value, Lease: o.Lease}
}

// intent writes down what is going to be done, and returns the number under which its
// outcome will stand.
func (a *audit) intent(o *order) (uint64, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	l := o.line("intent")
	l.ID = a.next
	l.Deadline = &o.deadline
	a.next++
	return l.ID, a.append(l, true)
}

func (a *audit) outcome(o *order) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.append(auditLine{Event: "outcome", ID: o.ID, Identity: o.by, Place: o.Place, Resource: o.Resource,
		Outcome: o.Outcome, Reads: o.Reads, Reason: o.Reason}, true)
}

// refusal writes down a write that was refused here: a few each second, so that
// nobody can fill the disk with what they may not do.
func (a *audit) refusal(o *order) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if now := time.Now(); now.Sub(a.second) >= time.Second {
		a.second, a.refusals = now, 0
	}
	if a.refusals >= refusalsSecond {
		a.held++
		return
	}
	a.refusals++
	l := o.line("refused")
	l.Reason, l.Held = o.Reason, a.held
	if a.append(l, false) == nil {
		a.held = 0
	}
}

// locked writes down that a lock-out begins or ends.
func (a *audit) locked(event, by string, x *outputEntry, reason string) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.append(auditLine{Event: event, Identity: by, Place: x.Place, Resource: x.Resource, Reason: reason}, true)
}

func (a *audit) close() error {
	if a == nil {
		return nil
	}
	return a.f.Close()
}

// loadLocks reads the lock-outs in dir. That they cannot be read is an error: nothing
// must move because a file was damaged.
func loadLocks(dir string) (map[string]*LockOut, error) {
	name := filepath.Join(dir, locksFile)
	b, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	var out map[string]*LockOut
	if err == nil {
		err = json.Unmarshal(b, &out)
	}
	if err != nil {
		return nil, fmt.Errorf("coap: lock-outs %s: %w; make sure by hand what must stay locked out, then remove the file", name, err)
	}
	return out, nil
}

// saveLocks replaces the file of lock-outs at once or not at all.
func saveLocks(dir string, locks map[string]*LockOut) error {
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
