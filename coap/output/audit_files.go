package output

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"time"
)

// The log is as many files as are kept: audit.jsonl is the latest, audit.1.jsonl the
// one before. A new one takes over the intents that have no outcome yet, the lock-outs, and
// when each output was written to, so that the latest alone says all that a start needs.

// latestKept is for how long that is taken over: for longer than the longest interval
// of an output that the configuration takes, a day.
const latestKept = 48 * time.Hour

// name is that of the i-th file before the latest.
func (a *audit) name(i int) string {
	if i == 0 {
		return filepath.Join(a.dir, auditFile)
	}
	return filepath.Join(a.dir, fmt.Sprintf("audit.%d.jsonl", i))
}

// nextName is that of a file that is to be the latest.
func (a *audit) nextName() string { return a.name(0) + ".new" }

// openFile opens the latest file. One that was made to follow it is either whole, when
// the former latest has gone aside already, or not needed.
func (a *audit) openFile() error {
	if _, err := os.Lstat(a.name(0)); errors.Is(err, fs.ErrNotExist) {
		if err := os.Rename(a.nextName(), a.name(0)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	} else if err := os.Remove(a.nextName()); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	f, err := os.OpenFile(a.name(0), os.O_CREATE|os.O_RDWR|os.O_APPEND, 0o640)
	a.f = f
	return err
}

// carried are the lines with which a new file begins: with it alone a start knows the open
// intents, when each output was written to, and the lock-outs.
func (a *audit) carried() (b []byte) {
	for _, id := range slices.Sorted(maps.Keys(a.open)) {
		l := a.open[id]
		l.Again = true
		b = appendLine(b, l)
	}
	for _, key := range slices.Sorted(maps.Keys(a.locks)) {
		for _, by := range slices.Sorted(maps.Keys(a.locks[key])) {
			l := a.locks[key][by]
			l.Again = true
			b = appendLine(b, l)
		}
	}
	for _, key := range slices.Sorted(maps.Keys(a.latest)) {
		switch l := a.latest[key]; {
		case a.now().Sub(l.Time) > latestKept:
			delete(a.latest, key)
		default:
			b = appendLine(b, AuditLine{Time: l.Time, Event: "latest", ID: l.ID, Place: l.Place, Resource: l.Resource, Again: true})
		}
	}
	// Numbers are never used twice, whatever is left of the outputs.
	return appendLine(b, AuditLine{Time: a.now().UTC(), Event: "begin", ID: a.next - 1, Again: true, LocksKept: true})
}

// rotate puts the latest file aside, and begins a new one; where it fails, nothing has
// changed but for the numbers of the older ones. Whenever the daemon ends, the latest
// file or the one made to follow it is there, and whole.
func (a *audit) rotate() error {
	last, err := a.dropOld()
	if err != nil {
		return err
	}
	b := a.carried()
	f, err := os.OpenFile(a.nextName(), os.O_CREATE|os.O_RDWR|os.O_APPEND|os.O_TRUNC, 0o640)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err == nil {
		err = f.Sync()
	}
	for i := last; i >= 0 && err == nil; i-- {
		if err = os.Rename(a.name(i), a.name(i+1)); errors.Is(err, fs.ErrNotExist) {
			err = nil
		}
	}
	if err == nil {
		if err = os.Rename(a.nextName(), a.name(0)); err != nil {
			_ = os.Rename(a.name(1), a.name(0)) // where that fails, too, the next turn goes on from here
		}
	}
	if err != nil {
		f.Close()
		return fmt.Errorf("a new file: %w", err)
	}
	a.f.Close() // all of it is on the disk but refused writes
	a.f, a.size, a.taken, a.refused, a.torn, a.begun = f, int64(len(b)), int64(len(b)), 0, false, a.now()
	copy(a.closed[1:], a.closed[:mostAudits])
	a.closed[1] = a.now()
	return syncDir(a.dir)
}

// dropOld removes the oldest files that are neither of the last week nor within what is kept
// anyway: two at most, so that a clock that jumps ahead for a moment takes no more. It returns
// the number of the oldest file that is left, and ErrAuditFull where there must not be another.
func (a *audit) dropOld() (last int, err error) {
	var files [mostAudits + 1]fs.FileInfo
	var total int64
	for i := 1; i <= mostAudits; i++ {
		if files[i], err = os.Lstat(a.name(i)); err == nil {
			last = i
			total += files[i].Size()
		} else if !errors.Is(err, fs.ErrNotExist) {
			return 0, err
		}
	}
	for dropped := 0; last > 0 && dropped < 2; dropped++ {
		if last < mostAudits && total+a.size <= keptAudits*a.max {
			break
		}
		if !a.isOld(files[1 : last+1]) {
			break
		}
		if err := os.Remove(a.name(last)); err != nil {
			return 0, err
		}
		for total -= files[last].Size(); last > 0; { // the next one, past gaps
			if last--; files[last] != nil {
				break
			}
		}
	}
	if last == mostAudits {
		return 0, ErrAuditFull
	}
	return last, nil
}

// isOld reports whether the last of some files, the latest first, was put aside a week ago. It
// is at least as old as each file after it. By the monotonic clock, if this daemon put it
// aside; one that is dated in the future counts as of when this daemon started.
func (a *audit) isOld(files []fs.FileInfo) bool {
	now := a.now()
	for i, f := range files {
		if f == nil {
			continue
		}
		at := a.closed[i+1]
		if at.IsZero() {
			at = f.ModTime()
			if at.After(now) {
				at = a.opened
			}
		}
		if now.Sub(at) > keptLife {
			return true
		}
	}
	return false
}

func appendLine(b []byte, l AuditLine) []byte {
	j, err := l.encode()
	if err != nil { // its times are those of a clock, and all else can be written
		return b
	}
	return append(b, j...)
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
