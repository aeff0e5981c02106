package node

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"go.etcd.io/bbolt"
	bbolterrors "go.etcd.io/bbolt/errors"
)

// Store keeps what outlives the daemon in one file. Commit makes its writes durable
// together, or none of them. The file is damaged if it cannot be read as a whole:
// it is then put aside under another name, and the store starts empty.
type Store struct {
	db *bbolt.DB
}

// Write is one change of a Store: a value for a key in a bucket, or, where Value is
// nil, no value any more.
type Write struct {
	Bucket string
	Key    []byte
	Value  []byte
}

// storeTimeout bounds the wait for the lock of a file that another process has open.
const storeTimeout = 2 * time.Second

// ErrStoreLocked is returned where another process has the file open.
var ErrStoreLocked = errors.New("node: the state file is in use by another process")

// OpenStore opens the file at path, or makes it with mode 0600. A damaged file is
// renamed to path.damaged-TIME, said to log as an error, and replaced.
func OpenStore(path string, log *slog.Logger) (*Store, error) {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return nil, fmt.Errorf("node: folder of the state file: %w", err)
	}
	s, err := openStore(path)
	switch {
	case err == nil:
		return s, nil
	case errors.Is(err, bbolterrors.ErrTimeout):
		return nil, fmt.Errorf("%w: %s", ErrStoreLocked, path)
	case errors.Is(err, os.ErrPermission), errors.Is(err, os.ErrNotExist):
		return nil, fmt.Errorf("node: state file: %w", err)
	}
	aside := path + ".damaged-" + time.Now().UTC().Format("20060102T150405.000Z")
	if err := os.Rename(path, aside); err != nil {
		return nil, fmt.Errorf("node: the state file %s is damaged and cannot be put aside: %w", path, err)
	}
	log.Error("the state file is damaged: it was put aside, and registrations, the generated prefix and the border router version start anew",
		"file", path, "aside", aside, "cause", err)
	return openStore(path)
}

// openStore opens a file and reads all of it. bbolt panics on some damage.
func openStore(path string) (s *Store, err error) {
	var db *bbolt.DB
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("node: state file %s: %v", path, r)
		}
		if err != nil && db != nil {
			_ = db.Close()
		}
	}()
	db, err = bbolt.Open(path, 0o600, &bbolt.Options{Timeout: storeTimeout})
	if err != nil {
		return nil, err
	}
	err = db.View(func(tx *bbolt.Tx) error {
		var first error
		for e := range tx.Check() {
			if first == nil {
				first = e
			}
		}
		return first
	})
	if err != nil {
		return nil, err
	}
	return &Store{db: db}, nil
}

// Each calls f for every key of a bucket. The slices are good during the call only.
func (s *Store) Each(bucket string, f func(key, value []byte) error) error {
	return s.db.View(func(tx *bbolt.Tx) error {
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
	err := s.db.View(func(tx *bbolt.Tx) error {
		if b := tx.Bucket([]byte(bucket)); b != nil {
			out = append(out, b.Get([]byte(key))...)
		}
		return nil
	})
	return out, err
}

// Commit carries the writes out in order and returns when they are on disk.
func (s *Store) Commit(writes []Write) error {
	if len(writes) == 0 {
		return nil
	}
	return s.db.Update(func(tx *bbolt.Tx) error {
		for _, w := range writes {
			b, err := tx.CreateBucketIfNotExists([]byte(w.Bucket))
			if err == nil && w.Value == nil {
				err = b.Delete(w.Key)
			} else if err == nil {
				err = b.Put(w.Key, w.Value)
			}
			if err != nil {
				return fmt.Errorf("node: state %s: %w", w.Bucket, err)
			}
		}
		return nil
	})
}

// Close closes the file.
func (s *Store) Close() error { return s.db.Close() }
