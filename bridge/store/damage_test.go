package store

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// goodStore returns the octets of a store that has every kind of page: a tree of
// several levels, values that run over a page, small buckets within the root, and free
// pages.
func goodStore(t testing.TB) []byte {
	t.Helper()
	path := filepath.Join(t.TempDir(), "state.db")
	s, err := Open(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	var all []Write
	for i := range 300 {
		all = append(all, entry(i))
	}
	all = append(all, Write{"site", []byte("prefix"), []byte("fd5e:2a11:77c0::/48")},
		Write{"mesh fenland", []byte("long"), bytes.Repeat([]byte{7}, 9000)})
	for _, w := range [][]Write{all, {{testBucket, entry(3).Key, nil}}, {{"mesh fenland", []byte("clock"), []byte("{}")}}} {
		if err := s.Commit(w); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// use opens a file, reads all of it, and writes: what a daemon does with its state. It
// says what came of it.
func use(path string) string {
	s, err := Open(path, nil)
	if err != nil {
		return "error: " + err.Error()
	}
	defer s.Close()
	if err := s.Fault(); err != nil {
		return "fault: " + err.Error()
	}
	for _, bucket := range []string{testBucket, "site", "mesh fenland"} {
		if err := s.Each(bucket, func(k, v []byte) error { _ = bytes.Clone(k); _ = bytes.Clone(v); return nil }); err != nil {
			return "read: " + err.Error()
		}
	}
	for i := range 2 {
		if err := s.Commit([]Write{entry(1000 + i), {testBucket, entry(i).Key, nil}}); err != nil {
			return "write: " + err.Error()
		}
	}
	if aside, _ := filepath.Glob(path + ".damaged-*"); len(aside) > 0 {
		return "aside"
	}
	return "used"
}

// damages are all truncations in steps, and pages that are empty, random, another
// one's, or have some bits that are not what they were.
func damages(good []byte) map[string][]byte {
	r := rand.New(rand.NewPCG(1, 2))
	page := os.Getpagesize()
	out := map[string][]byte{}
	for n := 0; n < len(good); n += 2048 {
		out[fmt.Sprintf("cut to %d octets", n)] = good[:n]
	}
	pages := len(good) / page
	for p := range pages {
		change := func(name string, f func(b []byte)) {
			b := bytes.Clone(good)
			f(b[p*page : (p+1)*page])
			out[fmt.Sprintf("page %d: %s", p, name)] = b
		}
		change("empty", func(b []byte) { clear(b) })
		change("random", func(b []byte) {
			for i := range b {
				b[i] = byte(r.Uint32())
			}
		})
		change("another one", func(b []byte) { copy(b, good[(p+1)%pages*page:]) })
		for k := range 4 {
			change(fmt.Sprintf("bits %d", k), func(b []byte) {
				for range 1 + k%3 {
					b[r.IntN([]int{24, 90, 500, page}[k%4])] ^= 1 << r.IntN(8)
				}
			})
		}
	}
	return out
}

// damagedFolder holds the files of TestStoreSurvivesDamage for the process that uses them.
const damagedFolder = "CULVERT_TEST_DAMAGED"

// No damage ends the process: bbolt follows what stands in the file through memory
// that is mapped, where a wrong number is a signal that cannot be caught. A process of
// its own uses each file, so that a signal names its file here.
func TestStoreSurvivesDamage(t *testing.T) {
	if dir := os.Getenv(damagedFolder); dir != "" {
		files, err := filepath.Glob(filepath.Join(dir, "*.db"))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			fmt.Println("FILE", f)
			fmt.Println("CAME", use(f))
		}
		fmt.Println("DONE")
		return
	}
	good, dir, count := goodStore(t), t.TempDir(), 0
	names := map[string]string{}
	for name, b := range damages(good) {
		f := filepath.Join(dir, fmt.Sprintf("%d.db", count))
		if err := os.WriteFile(f, b, 0o600); err != nil {
			t.Fatal(err)
		}
		names[f] = name
		count++
	}
	cmd := exec.Command(os.Args[0], "-test.run", "^TestStoreSurvivesDamage$", "-test.timeout", "5m")
	cmd.Env = append(os.Environ(), damagedFolder+"="+dir)
	out, err := cmd.CombinedOutput()
	file, came, done := "", map[string]int{}, false
	for line := range strings.Lines(string(out)) {
		word, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
		switch word {
		case "FILE":
			file = rest
		case "CAME":
			came[rest]++
			if rest != "used" && rest != "aside" {
				t.Errorf("%s: %s", names[file], rest)
			}
		case "DONE":
			done = true
		}
	}
	if err != nil || !done {
		t.Errorf("%s: ended the process (%v):\n%.2000s", names[file], err, out[bytes.LastIndex(out, []byte("FILE")):])
	}
	t.Logf("%d files: %v", count, came)
	if came["used"] < 10 || came["aside"] < 50 {
		t.Error("the damages are not of both kinds")
	}
}

// A file that is cut off while it is open, by a clumsy hand or a disk that fails, makes
// reads and writes fail; the process lives, and nothing waits for ever.
func TestStoreCutOffWhileOpen(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state.db")
	if err := os.WriteFile(path, goodStore(t), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := Open(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, 0); err != nil {
		t.Fatal(err)
	}
	if err := s.Each(testBucket, func(k, v []byte) error { return nil }); err == nil {
		t.Error("a file that is gone was read")
	}
	if err := s.Commit([]Write{entry(1)}); !errors.Is(err, ErrNotKept) {
		t.Errorf("commit: %v", err)
	}
	if s.Fault() == nil || s.Stats().Failing == nil || s.Stats().Failures != 1 {
		t.Errorf("fault %v, %+v", s.Fault(), s.Stats())
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

// What check lets through bbolt can read, all of it, and write.
func FuzzStore(f *testing.F) {
	good := goodStore(f)
	f.Add(uint32(len(good)), uint32(0), []byte{})
	f.Add(uint32(20000), uint32(0), []byte{})
	f.Add(uint32(len(good)), uint32(4096*3+16), []byte{0xff, 0xff})
	f.Add(uint32(len(good)), uint32(4096*2+8), []byte{1, 0, 255, 255})
	path := filepath.Join(f.TempDir(), "state.db")
	f.Fuzz(func(t *testing.T, size, at uint32, with []byte) {
		b := bytes.Clone(good[:int(size)%(len(good)+1)])
		if n := int(at); n < len(b) {
			copy(b[n:], with)
		}
		if check(bytes.NewReader(b), int64(len(b))) != nil {
			return
		}
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		if came := use(path); came != "used" {
			t.Error(came)
		}
	})
}
