// Package store keeps what outlives the daemon in one bbolt file. It checks the whole file
// before bbolt maps it, puts a damaged file aside, and reports when nothing can be kept.
package store

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"go.etcd.io/bbolt"
)

// Store keeps what outlives the daemon in one file. Commit makes its writes durable
// together, or none of them.
//
// A file whose contents are not valid is put aside under another name, and the store
// starts empty. A file or folder that cannot be read or written is left alone: the
// store then reads what it can, and Commit fails with ErrNotKept.
type Store struct {
	db *bbolt.DB // nil: nothing can be read
	// fault is why the store no longer writes; nil while it writes.
	fault atomic.Pointer[error]
	// broken: bbolt panicked during a call and is not called again.
	broken atomic.Bool
	// writing is held during Commit. A Commit that panics leaves a lock of bbolt held; without
	// this mutex the next Commit would block on it.
	writing  sync.Mutex
	unread   bool // a file may exist but could not be read
	failures atomic.Uint64
	failing  atomic.Pointer[error] // error of the last Commit; nil: it succeeded
}

// Write is one change of a Store: it sets the value of a key in a bucket, or removes the key
// if Value is nil.
type Write struct {
	Bucket string
	Key    []byte
	Value  []byte
}

const (
	// lockTimeout bounds the wait for the lock of a file that another process has open.
	lockTimeout = 2 * time.Second
	lockPoll    = 20 * time.Millisecond
	// maxAside is how many damaged files are kept, the latest ones.
	maxAside = 3
)

var (
	// ErrLocked is returned by Open if another process has the file open.
	ErrLocked = errors.New("store: the state file is in use by another process")
	// ErrNotKept is returned by Commit if the store cannot write until the daemon is
	// restarted. It wraps the cause too.
	ErrNotKept = errors.New("store: state is not kept")
)

// Open opens the file at path, or creates it with mode 0600. It renames a damaged file to
// path.damaged-TIME, keeps the three latest of these, and starts an empty one. If the file
// or its folder cannot be read or written, Open still returns a Store: its Commit fails and
// Fault returns the cause. Both cases are logged as errors. Open returns an error only if
// another process has the file open (ErrLocked), or if this process has no descriptor or
// memory left.
func Open(path string, log *slog.Logger) (*Store, error) {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	s := &Store{}
	err := s.open(path, log)
	switch {
	case err == nil:
		return s, nil
	case errors.Is(err, ErrLocked):
		return nil, fmt.Errorf("%w: %s", err, path)
	case errors.Is(err, syscall.EMFILE), errors.Is(err, syscall.ENFILE), errors.Is(err, syscall.ENOMEM):
		return nil, fmt.Errorf("store: state file: %w", err)
	}
	s.fail(err)
	log.Error("state is not kept: the meshes run, and what nodes register from now on is forgotten when the daemon stops. "+
		"Free the disk, or make the folder writable for the daemon's user; then restart the daemon",
		"file", path, "read", s.db != nil, "cause", err)
	return s, nil
}

// open opens the file. On an error db may be set: then the file can be read.
func (s *Store) open(path string, log *slog.Logger) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		s.unread = !errors.Is(err, syscall.EROFS) && !errors.Is(err, syscall.ENOSPC) // else there is no folder
		return err
	}
	_ = os.Remove(path + ".new") // left by a run that was cut short
	f, refused, err := openFile(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return s.create(path)
	case err != nil:
		s.unread = true
		return err
	}
	if err = s.load(f, refused != nil); err == nil {
		return refused
	}
	if !errors.Is(err, errDamaged) {
		s.unread = true
		return err
	}
	if err := putAside(path, log, err); err != nil {
		return err
	}
	return s.create(path)
}

// openFile opens and locks an existing file. Where it may not be written, it is opened
// for reading; refused says why.
func openFile(path string) (f *os.File, refused, err error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, nil, fmt.Errorf("%s is no regular file", path)
	}
	how := syscall.LOCK_EX
	f, err = os.OpenFile(path, os.O_RDWR, 0)
	if errors.Is(err, syscall.EROFS) || errors.Is(err, os.ErrPermission) {
		refused, how = err, syscall.LOCK_SH
		f, err = os.Open(path)
	}
	if err != nil {
		return nil, nil, err
	}
	for begin := time.Now(); ; time.Sleep(lockPoll) {
		err = syscall.Flock(int(f.Fd()), how|syscall.LOCK_NB)
		if !errors.Is(err, syscall.EWOULDBLOCK) || time.Since(begin) > lockTimeout {
			break
		}
	}
	if errors.Is(err, syscall.EWOULDBLOCK) {
		err = ErrLocked
	}
	if err != nil {
		_ = f.Close()
		return nil, nil, err
	}
	return f, refused, nil
}

// load checks a file that is locked, and hands it to bbolt; an error closes it.
func (s *Store) load(f *os.File, readOnly bool) error {
	info, err := f.Stat()
	if err == nil {
		err = check(f, info.Size())
	}
	if err != nil {
		_ = f.Close()
		return err
	}
	s.db, err = openBolt(f.Name(), &bbolt.Options{Timeout: lockTimeout, ReadOnly: readOnly,
		OpenFile: func(string, int, os.FileMode) (*os.File, error) { return f, nil }})
	return err
}

// openBolt opens a file that was checked, or makes one. That bbolt panics all the same
// is taken for damage.
func openBolt(path string, o *bbolt.Options) (db *bbolt.DB, err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if r := recover(); r != nil {
			db, err = nil, damaged("%v", r)
		}
	}()
	return bbolt.Open(path, 0o600, o)
}

// create makes an empty file, under another name until it is whole.
func (s *Store) create(path string) error {
	half := path + ".new"
	db, err := openBolt(half, &bbolt.Options{Timeout: lockTimeout})
	if err == nil {
		if err = os.Rename(half, path); err == nil {
			err = syncFolder(path)
		}
		if err == nil {
			s.db = db
			return nil
		}
		_ = db.Close()
	}
	_ = os.Remove(half)
	return err
}

// syncFolder makes a new name in the folder of path durable.
func syncFolder(path string) error {
	d, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

// putAside renames a damaged file, and removes all but the latest of these. An empty
// one is simply replaced.
func putAside(path string, log *slog.Logger, cause error) error {
	const message = "the state file is damaged: registrations and the border router version start anew, and the place of every replaced device is again that of the configuration"
	if info, err := os.Stat(path); err == nil && info.Size() == 0 {
		log.Error(message, "file", path, "cause", "it is empty")
		return nil
	}
	aside := path + ".damaged-" + time.Now().UTC().Format("20060102T150405.000Z")
	if err := os.Rename(path, aside); err != nil {
		return fmt.Errorf("%w, and cannot be put aside: %w", cause, err)
	}
	log.Error(message, "file", path, "aside", aside, "cause", cause)
	all, err := filepath.Glob(globQuote(path) + ".damaged-[0-9]*Z")
	if err != nil {
		return nil // no pattern of ours can be wrong
	}
	slices.Sort(all) // by time
	for _, old := range all[:max(0, len(all)-maxAside)] {
		if err := os.Remove(old); err != nil {
			log.Warn("an old damaged state file cannot be removed", "file", old, "cause", err)
		}
	}
	return nil
}

// globQuote takes the meaning of a pattern from the characters that have one.
func globQuote(path string) string {
	var b []rune
	for _, c := range path {
		if slices.Contains([]rune(`*?[\`), c) {
			b = append(b, '\\')
		}
		b = append(b, c)
	}
	return string(b)
}

// Each calls f for every key of a bucket. The slices are good during the call only.
func (s *Store) Each(bucket string, f func(key, value []byte) error) error {
	return s.view(func(tx *bbolt.Tx) error {
		b := tx.Bucket([]byte(bucket))
		if b == nil {
			return nil
		}
		return b.ForEach(f)
	})
}

// Value returns a copy of the value of a key, nil if there is none.
func (s *Store) Value(bucket, key string) ([]byte, error) {
	var out []byte
	err := s.view(func(tx *bbolt.Tx) error {
		if b := tx.Bucket([]byte(bucket)); b != nil {
			out = append(out, b.Get([]byte(key))...)
		}
		return nil
	})
	return out, err
}

// view reads. A store that cannot be read is as if it was empty.
func (s *Store) view(f func(tx *bbolt.Tx) error) error {
	if s.db == nil {
		return nil
	}
	if s.broken.Load() {
		return s.Fault()
	}
	return s.guard(func() error { return s.db.View(f) })
}

// Commit carries the writes out in order and returns when they are on disk.
func (s *Store) Commit(writes []Write) error {
	if len(writes) == 0 {
		return nil
	}
	s.writing.Lock()
	defer s.writing.Unlock()
	err := s.commit(writes)
	if err != nil {
		s.failures.Add(1)
		s.failing.Store(&err)
	} else {
		s.failing.Store(nil)
	}
	return err
}

func (s *Store) commit(writes []Write) error {
	if err := s.Fault(); err != nil {
		return fmt.Errorf("%w: %w", ErrNotKept, err)
	}
	return s.guard(func() error {
		return s.db.Update(func(tx *bbolt.Tx) error {
			for _, w := range writes {
				b, err := tx.CreateBucketIfNotExists([]byte(w.Bucket))
				if err == nil && w.Value == nil {
					err = b.Delete(w.Key)
				} else if err == nil {
					err = b.Put(w.Key, w.Value)
				}
				if err != nil {
					return fmt.Errorf("store: state %s: %w", w.Bucket, err)
				}
			}
			return nil
		})
	})
}

// guard runs f, which reads the mapped file: where that was cut off meanwhile, or the
// disk does not give it any more, the kernel's signal becomes an error, and bbolt is
// not asked again, since its locks may be as the fault left them.
func (s *Store) guard(f func() error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("store: the state file cannot be read any more: %v", r)
			s.broken.Store(true)
			s.fail(err)
		}
	}()
	return f()
}

func (s *Store) fail(err error) { s.fault.CompareAndSwap(nil, &err) }

// Fault returns why nothing is kept until the daemon starts again; nil while writes
// are tried.
func (s *Store) Fault() error {
	if p := s.fault.Load(); p != nil {
		return *p
	}
	return nil
}

// Unread reports whether there may be a file whose contents could not be read when the
// store was opened, so that what stands in it is not known.
func (s *Store) Unread() bool { return s.unread }

// Stats say how a Store does.
type Stats struct {
	Failing  error  // why the last Commit failed, or all will; nil: what is written is kept
	Failures uint64 // calls of Commit that failed
}

// Stats returns the figures of now.
func (s *Store) Stats() Stats {
	out := Stats{Failing: s.Fault(), Failures: s.failures.Load()}
	if p := s.failing.Load(); out.Failing == nil && p != nil {
		out.Failing = *p
	}
	return out
}

// Close closes the file.
func (s *Store) Close() error {
	s.writing.Lock()
	defer s.writing.Unlock()
	if s.db == nil || s.broken.Load() {
		return nil // a broken one may have left a lock locked for which Close would wait
	}
	return s.guard(s.db.Close)
}
