package store

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const testBucket = "registrations"

func entry(i int) Write {
	key := binary.BigEndian.AppendUint32(nil, uint32(i))
	return Write{testBucket, key, bytes.Repeat(key, 10+i%7)}
}

func contents(t *testing.T, s *Store) map[string]string {
	t.Helper()
	m := map[string]string{}
	err := s.Each(testBucket, func(k, v []byte) error { m[string(k)] = string(v); return nil })
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestStore(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a", "state.db")
	s, err := Open(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Commit([]Write{entry(1), entry(2), {testBucket, entry(1).Key, nil}, {"mesh", []byte("version"), []byte{7}}}); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(path, nil); err == nil || !strings.Contains(err.Error(), "in use") {
		t.Errorf("a second open: error %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s, err = Open(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if m := contents(t, s); len(m) != 1 || m[string(entry(2).Key)] != string(entry(2).Value) {
		t.Errorf("contents %q", m)
	}
	if v, err := s.Value("mesh", "version"); err != nil || !bytes.Equal(v, []byte{7}) {
		t.Errorf("value %x, %v", v, err)
	}
	if v, err := s.Value("mesh", "none"); err != nil || v != nil {
		t.Errorf("no value: %x, %v", v, err)
	}
}

// A damaged file is put aside and said loudly, wherever the damage is.
func TestStoreDamaged(t *testing.T) {
	dir := t.TempDir()
	good := filepath.Join(dir, "good")
	s, err := Open(good, nil)
	if err != nil {
		t.Fatal(err)
	}
	var all []Write // so many that live pages stand in every part of the file
	for i := range 2000 {
		all = append(all, entry(i))
	}
	if err := s.Commit(all); err != nil {
		t.Fatal(err)
	}
	_ = s.Close()
	raw, err := os.ReadFile(good)
	if err != nil {
		t.Fatal(err)
	}
	damage := map[string][]byte{
		"empty pages":      append(bytes.Clone(raw[:8192]), make([]byte, len(raw)-8192)...),
		"cut to a page":    raw[:4096],
		"cut in a page":    raw[:len(raw)/4+100],
		"text":             []byte(strings.Repeat("not a database\n", 2000)),
		"both metas wrong": append(bytes.Repeat([]byte{0xff}, 8192), raw[8192:]...),
	}
	for name, b := range damage {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "state.db")
			if err := os.WriteFile(path, b, 0o600); err != nil {
				t.Fatal(err)
			}
			var log bytes.Buffer
			s, err := Open(path, slog.New(slog.NewTextHandler(&log, nil)))
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			if len(contents(t, s)) != 0 {
				t.Error("a damaged file was read")
			}
			aside, _ := filepath.Glob(path + ".damaged-*")
			if len(aside) != 1 || !strings.Contains(log.String(), "level=ERROR") {
				t.Errorf("put aside: %v, log %q", aside, log.String())
			}
			if kept, _ := os.ReadFile(aside[0]); !bytes.Equal(kept, b) {
				t.Error("what was put aside is not the file that was there")
			}
		})
	}
}

// The store cut at every write boundary: after a power cut at any moment of a
// commit the file holds what was committed before, or that and the commit.
//
// bbolt writes the changed pages in the order of their numbers, syncs, and then
// writes one of the two meta pages (0 and 1) and syncs. The states between are made
// here from the pages in which the file differs before and after.
func TestStoreCutAtEveryWrite(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "state.db")
	s, err := Open(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	page := os.Getpagesize()
	rng := rand.New(rand.NewPCG(1, 2))
	read := func() []byte {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	states := 0
	before, had := read(), contents(t, s)
	for n := range 60 {
		var batch []Write
		for range 1 + rng.IntN(40) {
			w := entry(rng.IntN(300))
			if rng.IntN(4) == 0 {
				w.Value = nil
			}
			batch = append(batch, w)
		}
		if err := s.Commit(batch); err != nil {
			t.Fatal(err)
		}
		after, has := read(), contents(t, s)
		cut := append(bytes.Clone(before), make([]byte, len(after)-len(before))...)
		order := changedPages(before, after, page)
		for i := -1; i < len(order); i++ {
			if i >= 0 {
				copy(cut[order[i]*page:(order[i]+1)*page], after[order[i]*page:])
			}
			states++
			got := reopen(t, filepath.Join(dir, fmt.Sprintf("cut-%d-%d", n, i+1)), cut)
			if want := had; !equal(got, want) && !equal(got, has) {
				t.Fatalf("commit %d cut after %d of %d writes: %d entries, want the %d of before or the %d of after", n, i+1, len(order), len(got), len(had), len(has))
			} else if i == len(order)-1 && !equal(got, has) {
				t.Fatalf("commit %d is not there after its last write", n)
			}
		}
		before, had = after, has
	}
	_ = s.Close()
	t.Logf("%d states", states)
}

// changedPages returns the numbers of the pages that differ: data in order, then
// the meta pages.
func changedPages(a, b []byte, page int) []int {
	var data, meta []int
	for i := 0; i*page < len(b); i++ {
		end := (i + 1) * page
		if end <= len(a) && bytes.Equal(a[i*page:end], b[i*page:end]) {
			continue
		}
		if i < 2 {
			meta = append(meta, i)
		} else {
			data = append(data, i)
		}
	}
	return append(data, meta...)
}

func reopen(t *testing.T, path string, b []byte) map[string]string {
	t.Helper()
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := Open(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer os.Remove(path)
	defer s.Close()
	if aside, _ := filepath.Glob(path + ".damaged-*"); len(aside) != 0 {
		t.Fatalf("%s was taken for damaged", path)
	}
	return contents(t, s)
}

func equal(a, b map[string]string) bool {
	if len(a) != len(b) {
		return false
	}
	for k, v := range a {
		if b[k] != v {
			return false
		}
	}
	return true
}
