package output

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"time"

	"culvert/coap/api"
)

// Each identity has at most one lock-out of an output, and the output stays locked until the
// last one is lifted: whoever works at a machine must be able to rely on a lock that nobody
// else takes off. A lock-out holds in memory from the moment it is asked for. It stands on the
// disk twice, in the audit log and in a file of its own; either is enough for the next start.

// lockOut is one lock-out.
type lockOut struct {
	api.LockOut
	logged, stored bool // the audit log, the file of lock-outs has it
}

// maxLocks bounds the lock-outs of one output.
const maxLocks = 64

// Lock-outs that one identity may lift of one output without a pause, and how often then. Making
// one is never refused for being too often: it takes one that was lifted before.
const (
	unlocksAtOnce = 10
	unlocksEvery  = time.Minute
)

// Errors of lock-outs.
var (
	errTooManyLocks = fmt.Errorf("%d identities lock this output out already", maxLocks)
	errUnlockOften  = errors.New("too many changes of this lock-out: it stays as it is")
)

// lockNow makes a lock-out of one identity, in memory. Where that identity has one already,
// which gets another reason, its begin stays.
func (o *Outputs) lockNow(x *declaredOutput, l api.LockOut) (made *lockOut, err error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	at := slices.IndexFunc(x.locks, func(have *lockOut) bool { return have.By == l.By })
	switch {
	case at < 0 && len(x.locks) >= maxLocks:
		return nil, errTooManyLocks
	case at < 0:
		x.locks = append(x.locks, &lockOut{LockOut: l})
		at = len(x.locks) - 1
	case x.locks[at].Reason == l.Reason:
		return x.locks[at], nil
	case o.takeUnlock(x, l.By) > 0:
		return x.locks[at], errUnlockOften
	default:
		l.Since = x.locks[at].Since
		x.locks[at] = &lockOut{LockOut: l}
	}
	x.locks[at].NotSafe = "not on the disk yet"
	x.summarize()
	return x.locks[at], nil
}

// takeUnlock uses up one change of a lock-out, and returns how long to wait where there is
// none.
func (o *Outputs) takeUnlock(x *declaredOutput, by string) time.Duration {
	o.unlocks.burst, o.unlocks.interval = unlocksAtOnce, unlocksEvery
	return o.unlocks.take(outputKey(x.Place, x.Resource)+"\x00"+by, o.Now())
}

// summarize makes lock of locks.
func (s *outputState) summarize() {
	s.lock = nil
	if len(s.locks) == 0 {
		return
	}
	all := make([]api.LockOut, len(s.locks))
	for i, l := range s.locks {
		all[i] = l.LockOut
	}
	first := all[0]
	first.Others = all[1:]
	s.lock = &first
}

// persist puts a lock-out on the disk, as far as it is not there.
func (o *Outputs) persist(x *outputState, key outputName, l *lockOut) error {
	o.saving.Lock()
	defer o.saving.Unlock()
	if !slices.Contains(o.locksOf(x), l) { // it was lifted, or has another reason
		return nil
	}
	logged, stored := o.saved(l)
	var err error
	if !logged {
		line := AuditLine{Event: "lock", Identity: l.By, Door: l.Door, From: l.From, Place: key.place, Resource: key.resource, Reason: l.Reason}
		if since := l.Since; o.Now().Sub(since) > time.Second {
			line.Since = &since
		}
		err = o.audit.lockOut(line)
		logged = err == nil
	}
	if !stored && !o.audit.isShut() { // else the lock-outs on the disk may not have been read: they stay
		errStore := o.store(nil)
		err = errors.Join(err, errStore)
		stored = errStore == nil
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	l.logged, l.stored = logged, stored
	if l.NotSafe = ""; err != nil {
		l.NotSafe = "not on the disk: " + err.Error()
	}
	x.summarize()
	return err
}

func (o *Outputs) locksOf(x *outputState) []*lockOut {
	o.mu.Lock()
	defer o.mu.Unlock()
	return slices.Clone(x.locks)
}

func (o *Outputs) saved(l *lockOut) (logged, stored bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return l.logged, l.stored
}

// lift lifts the lock-out of one identity. It holds until the disk knows: the file of
// lock-outs first, then the audit log, so that no line says that it was lifted while it would
// come back.
func (o *Outputs) lift(x *declaredOutput, of string, line AuditLine) error {
	o.saving.Lock()
	defer o.saving.Unlock()
	o.mu.Lock()
	at := slices.IndexFunc(x.locks, func(l *lockOut) bool { return l.By == of })
	if at < 0 { // meanwhile
		o.mu.Unlock()
		return nil
	}
	l := x.locks[at]
	wait := o.takeUnlock(x, line.Identity)
	o.mu.Unlock()
	if wait > 0 {
		return errUnlockOften
	}
	if o.audit.isShut() {
		return o.audit.shutCause()
	}
	if err := o.store(l); err != nil {
		return err
	}
	if err := o.audit.lockOut(line); err != nil {
		back := o.store(nil)
		o.mu.Lock()
		defer o.mu.Unlock()
		if back != nil {
			l.stored, l.NotSafe = false, "not on the disk: "+back.Error()
			x.summarize()
		}
		return err
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	x.locks = slices.DeleteFunc(x.locks, func(have *lockOut) bool { return have == l })
	x.summarize()
	return nil
}

// store writes the file of lock-outs, without one of them.
func (o *Outputs) store(without *lockOut) error {
	o.mu.Lock()
	locks := map[string]*api.LockOut{}
	for key, x := range o.known {
		var all []api.LockOut
		for _, l := range x.locks {
			if l != without {
				kept := l.LockOut
				kept.NotSafe = ""
				all = append(all, kept)
			}
		}
		if len(all) > 0 {
			first := all[0]
			first.Others = all[1:]
			locks[key] = &first
		}
	}
	o.mu.Unlock()
	return saveLocks(o.dir, locks)
}

// outputName is the name of an output for a line of the audit log.
type outputName struct{ place, resource string }

// splitKey is the reverse of outputKey: a place holds no slash.
func splitKey(key string) outputName {
	for i := range len(key) {
		if key[i] == '/' {
			return outputName{key[:i], key[i:]}
		}
	}
	return outputName{place: key}
}

// Tick tries again what the disk did not take: to open the audit log, and lock-outs. It
// returns at once.
func (o *Outputs) Tick() {
	if !o.retrying.CompareAndSwap(false, true) {
		return
	}
	if !o.needsRetry() {
		o.retrying.Store(false)
		return
	}
	o.wg.Go(func() {
		defer o.retrying.Store(false)
		o.reopen()
		o.mu.Lock()
		type job struct {
			x   *outputState
			key outputName
			l   *lockOut
		}
		var jobs []job
		for key, x := range o.known {
			for _, l := range x.locks {
				if l.NotSafe != "" {
					jobs = append(jobs, job{x, splitKey(key), l})
				}
			}
		}
		o.mu.Unlock()
		for _, j := range jobs {
			if o.persist(j.x, j.key, j.l) == nil {
				o.Log.Warn("lock-out of an output is on the disk now", "place", j.key.place, "resource", j.key.resource, "by", j.l.By)
			}
		}
	})
}

// needsRetry reports whether the disk has refused anything that is to be tried again.
func (o *Outputs) needsRetry() bool {
	if o.all.Load() == nil {
		return false
	}
	if o.audit.isShut() {
		return true
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, x := range o.known {
		if slices.ContainsFunc(x.locks, func(l *lockOut) bool { return l.NotSafe != "" }) {
			return true
		}
	}
	return false
}

// reopen opens the audit log if that could not be done at the start.
func (o *Outputs) reopen() {
	o.saving.Lock()
	defer o.saving.Unlock()
	if !o.audit.isShut() {
		return
	}
	locks, a, begun, err := o.read(o.dir)
	if err != nil {
		return
	}
	o.audit.adopt(a)
	o.mu.Lock()
	o.restoreLocked(locks, begun)
	o.mu.Unlock()
	o.Log.Warn("the audit log could be opened: outputs are driven again", "folder", o.dir)
}

// read reads the lock-outs, by output and identity, and opens the audit log, which knows when
// each output was written to.
func (o *Outputs) read(dir string) (locks map[string][]*lockOut, a *audit, begun map[string]time.Time, err error) {
	stored, errStore := LoadLocks(dir)
	if errStore != nil && errors.As(errStore, new(syscall.Errno)) {
		return nil, nil, nil, errStore
	}
	if a, begun, err = openAudit(dir, o.Now); err != nil {
		return nil, nil, nil, err
	}
	if a.unread > 0 {
		o.Log.Error("the audit log has lines that cannot be read: it does not tell everything any more", "file", a.name(0), "lines", a.unread)
	}
	if errStore != nil {
		if !a.whole {
			a.f.Close()
			return nil, nil, nil, errStore
		}
		name := filepath.Join(dir, locksFile)
		if err := os.Rename(name, name+".damaged"); err != nil {
			a.f.Close()
			return nil, nil, nil, err
		}
		o.Log.Error("the file of lock-outs is damaged: those that the audit log tells of are in force. Make sure that none is missing",
			"put aside as", name+".damaged", "cause", errStore)
	}
	return joinLocks(stored, a.locks), a, begun, nil
}

// joinLocks joins the lock-outs of the file and of the audit log: what either has is locked.
func joinLocks(stored map[string]*api.LockOut, logged map[string]map[string]AuditLine) map[string][]*lockOut {
	out := map[string][]*lockOut{}
	for key, first := range stored {
		if first == nil {
			continue
		}
		others := first.Others
		first.Others = nil
		for _, l := range append([]api.LockOut{*first}, others...) {
			_, inLog := logged[key][l.By]
			l.NotSafe, l.Others = "", nil
			out[key] = append(out[key], &lockOut{LockOut: l, stored: true, logged: inLog})
		}
	}
	for key, all := range logged {
		for _, by := range slices.Sorted(maps.Keys(all)) {
			if slices.ContainsFunc(out[key], func(l *lockOut) bool { return l.By == by }) {
				continue
			}
			line := all[by]
			since := line.Time
			if line.Since != nil {
				since = *line.Since
			}
			out[key] = append(out[key], &lockOut{LockOut: api.LockOut{By: by, Since: since, Reason: plainReason(line.Reason), Door: line.Door, From: line.From}, logged: true})
		}
	}
	for _, all := range out {
		slices.SortStableFunc(all, func(a, b *lockOut) int { return a.Since.Compare(b.Since) })
		for _, l := range all {
			if !l.stored || !l.logged {
				l.NotSafe = "on the disk once only: it is being written again"
			}
		}
	}
	return out
}

// restoreLocked takes over what the disk had; lock-outs that are in memory already stay.
func (o *Outputs) restoreLocked(locks map[string][]*lockOut, begun map[string]time.Time) {
	state := func(key string) *outputState {
		if o.known[key] == nil {
			o.known[key] = &outputState{}
		}
		return o.known[key]
	}
	for key, all := range locks {
		x := state(key)
		for _, l := range all {
			if !slices.ContainsFunc(x.locks, func(have *lockOut) bool { return have.By == l.By }) {
				x.locks = append(x.locks, l)
			}
		}
		x.summarize()
	}
	for key, at := range begun {
		state(key).begun = at
	}
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
