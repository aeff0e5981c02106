package store

import (
	"bytes"
	"errors"
	"fmt"
	"log/slog"
	"net/netip"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// mountDisk mounts a small file system of its own at a new folder. The test process is
// in a mount namespace of its own (tuntest.Main).
func mountDisk(t *testing.T, kilobytes int) string {
	t.Helper()
	dir := t.TempDir()
	if err := unix.Mount("none", dir, "tmpfs", 0, fmt.Sprintf("size=%dk", kilobytes)); err != nil {
		t.Fatalf("mount tmpfs: %v", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, unix.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	return dir
}

func remount(t *testing.T, dir string, flags uintptr, kilobytes int) {
	t.Helper()
	if err := unix.Mount("none", dir, "tmpfs", unix.MS_REMOUNT|flags, fmt.Sprintf("size=%dk", kilobytes)); err != nil {
		t.Fatal(err)
	}
}

// fill takes all that is free on the disk of dir.
func fill(t *testing.T, dir string) {
	t.Helper()
	f, err := os.Create(filepath.Join(dir, "ballast"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for err == nil {
		_, err = f.Write(make([]byte, 4096))
	}
	if !errors.Is(err, unix.ENOSPC) {
		t.Fatal(err)
	}
}

// stateDir is a folder with the state of a daemon that has stopped.
type stateDir struct {
	dir, file, prefixes string
	prefix              netip.Prefix
}

// openPrefix opens the store and asks for the prefix of a mesh, as a daemon does.
func (d *stateDir) open(log *slog.Logger) (*Store, netip.Prefix, error) {
	d.file, d.prefixes = filepath.Join(d.dir, "state.db"), filepath.Join(d.dir, "prefixes.json")
	s, err := Open(d.file, log)
	if err != nil {
		return nil, netip.Prefix{}, err
	}
	p, err := OpenPrefixes(s, d.prefixes, log)
	if err != nil {
		return s, netip.Prefix{}, err
	}
	prefix, _, err := p.Of("fenland")
	return s, prefix, err
}

func newStateDir(t *testing.T, dir string) *stateDir {
	t.Helper()
	d := &stateDir{dir: dir}
	s, prefix, err := d.open(slog.New(slog.DiscardHandler))
	if err != nil || s.Fault() != nil {
		t.Fatal(err, s.Fault())
	}
	if err := errors.Join(s.Commit([]Write{{Bucket: "nodes of mesh fenland", Key: []byte("a"), Value: []byte("{}")}}), s.Close()); err != nil {
		t.Fatal(err)
	}
	d.prefix = prefix
	return d
}

func (d *stateDir) files(t *testing.T) (names []string) {
	t.Helper()
	all, err := os.ReadDir(d.dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range all {
		names = append(names, e.Name())
	}
	return names
}

// A disk or folder that refuses reads or writes is not taken for damage: all files and their
// contents stay unchanged, the daemon starts with its old prefix, and logs that nothing is
// stored.
func TestStateOnRefusingDisk(t *testing.T) {
	for _, c := range []struct {
		name    string
		refuse  func(t *testing.T, d *stateDir)
		fault   error // nil: only writes fail
		unknown bool  // the prefix cannot be read: the mesh must not start with another one
	}{
		{"full", func(t *testing.T, d *stateDir) { fill(t, d.dir) }, nil, false},
		{"read-only", func(t *testing.T, d *stateDir) { remount(t, d.dir, unix.MS_RDONLY, 128) }, unix.EROFS, false},
		{"no right to write", func(t *testing.T, d *stateDir) {
			chmod(t, 0o400, d.file)
			chmod(t, 0o500, d.dir)
		}, unix.EACCES, false},
		{"no right to read the state", func(t *testing.T, d *stateDir) { chmod(t, 0, d.file) }, unix.EACCES, false},
		{"no right to the folder", func(t *testing.T, d *stateDir) { chmod(t, 0, d.dir) }, unix.EACCES, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := newStateDir(t, mountDisk(t, 128))
			c.refuse(t, d)
			before, names := read(t, d.file), d.files(t)
			for range 3 {
				var log bytes.Buffer
				var s *Store
				var prefix netip.Prefix
				var err error
				unprivileged(t, func() { s, prefix, err = d.open(slog.New(slog.NewTextHandler(&log, nil))) })
				if c.unknown {
					if err == nil || !strings.Contains(err.Error(), "would change every address") {
						t.Errorf("prefix %v, error %v; had %v", prefix, err, d.prefix)
					}
				} else if err != nil || prefix != d.prefix {
					t.Errorf("prefix %v, error %v; had %v", prefix, err, d.prefix)
				}
				if !errors.Is(s.Fault(), c.fault) || (c.fault == nil) != (s.Fault() == nil) {
					t.Errorf("fault %v, want %v", s.Fault(), c.fault)
				}
				if c.fault != nil && !strings.Contains(log.String(), "level=ERROR") {
					t.Errorf("log %q", log.String())
				}
				err = s.Commit([]Write{{Bucket: "x", Key: []byte("y"), Value: make([]byte, 20000)}})
				if err == nil || s.Stats().Failures == 0 || s.Stats().Failing == nil || c.fault != nil && !errors.Is(err, ErrNotKept) {
					t.Errorf("commit: %v, %+v", err, s.Stats())
				}
				if err := s.Close(); err != nil {
					t.Error(err)
				}
			}
			// A write that fails for want of room may have used pages that were free.
			same := c.fault == nil || bytes.Equal(read(t, d.file), before)
			if !same || !slices.Equal(d.files(t), names) {
				t.Errorf("files were %v, are %v; the state is the same: %v", names, d.files(t), same)
			}
		})
	}
}

// Without any state before, a refusing disk is left without half-made files.
func TestNoStateOnRefusingDisk(t *testing.T) {
	for name, refuse := range map[string]func(t *testing.T, dir string){
		"full":      fill,
		"read-only": func(t *testing.T, dir string) { remount(t, dir, unix.MS_RDONLY, 128) },
		"a file":    func(t *testing.T, dir string) { must(t, os.WriteFile(filepath.Join(dir, "state"), nil, 0o600)) },
		"a folder":  func(t *testing.T, dir string) { must(t, os.MkdirAll(filepath.Join(dir, "state", "state.db"), 0o700)) },
		"a pipe": func(t *testing.T, dir string) {
			must(t, os.Mkdir(filepath.Join(dir, "state"), 0o700))
			must(t, unix.Mkfifo(filepath.Join(dir, "state", "state.db"), 0o600))
		},
		"a circle": func(t *testing.T, dir string) { must(t, os.Symlink("state", filepath.Join(dir, "state"))) },
		"a file circle": func(t *testing.T, dir string) {
			must(t, os.Mkdir(filepath.Join(dir, "state"), 0o700))
			must(t, os.Symlink("state.db", filepath.Join(dir, "state", "state.db")))
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := mountDisk(t, 128)
			refuse(t, dir)
			d := &stateDir{dir: filepath.Join(dir, "state")}
			for range 3 {
				s, _, err := d.open(slog.New(slog.DiscardHandler))
				if s == nil || s.Fault() == nil {
					t.Fatalf("%v: %v", s, err)
				}
				if name == "full" || name == "read-only" { // nothing was there: a prefix for this time
					must(t, err)
				} else if err == nil {
					t.Error("a prefix was made although the earlier one could not be looked for")
				}
				if err := s.Commit([]Write{{Bucket: "x", Key: []byte("y"), Value: []byte{1}}}); !errors.Is(err, ErrNotKept) {
					t.Errorf("commit: %v", err)
				}
				must(t, s.Close())
			}
			err := filepath.WalkDir(dir, func(path string, e os.DirEntry, err error) error {
				if strings.Contains(path, "damaged") || strings.HasSuffix(path, ".new") {
					t.Errorf("left behind: %s", path)
				}
				return err
			})
			must(t, err)
		})
	}
}

// Disks of every size up to what the state needs: each write of it fails on one of
// them. Once there is room, the state opens with all that was committed, and has never
// been taken for damaged.
func TestStateDiskFullAtEachWrite(t *testing.T) {
	failed := 0
	for kilobytes := 4; kilobytes <= 96; kilobytes += 4 {
		d := &stateDir{dir: mountDisk(t, kilobytes)}
		s, prefix, err := d.open(slog.New(slog.DiscardHandler))
		must(t, err)
		var kept []byte
		for i := range byte(12) {
			if s.Commit([]Write{{Bucket: "x", Key: []byte{i}, Value: make([]byte, 3000)}}) == nil {
				kept = append(kept, i)
			} else {
				failed++
			}
		}
		must(t, s.Close())
		remount(t, d.dir, 0, 1024)
		s, again, err := d.open(slog.New(slog.DiscardHandler))
		must(t, err)
		if s.Fault() != nil || slices.ContainsFunc(d.files(t), func(n string) bool { return strings.Contains(n, "damaged") || strings.HasSuffix(n, ".new") }) {
			t.Errorf("%d kB: fault %v, files %v", kilobytes, s.Fault(), d.files(t))
		}
		for _, i := range kept {
			if v, err := s.Value("x", string([]byte{i})); err != nil || len(v) != 3000 {
				t.Errorf("%d kB: commit %d is lost: %d octets, %v", kilobytes, i, len(v), err)
			}
		}
		if again != prefix && len(kept) > 0 { // else neither of its places had room
			t.Errorf("%d kB: prefix %v, then %v", kilobytes, prefix, again)
		}
		must(t, s.Close())
	}
	if failed < 20 {
		t.Errorf("only %d writes failed", failed)
	}
}

// Without descriptors nothing is put aside, and the start fails as it would a moment
// earlier or later.
func TestStateWithoutDescriptors(t *testing.T) {
	d := newStateDir(t, t.TempDir())
	names := d.files(t)
	var was unix.Rlimit
	must(t, unix.Getrlimit(unix.RLIMIT_NOFILE, &was))
	must(t, unix.Setrlimit(unix.RLIMIT_NOFILE, &unix.Rlimit{Cur: 3, Max: was.Max}))
	_, err := Open(d.file, nil)
	must(t, unix.Setrlimit(unix.RLIMIT_NOFILE, &was))
	if !errors.Is(err, unix.EMFILE) || !slices.Equal(d.files(t), names) {
		t.Errorf("error %v; files were %v, are %v", err, names, d.files(t))
	}
}

// The prefix survives damage of either copy and of the whole state file, and the damaged copy
// is written anew. Only the latest files that were put aside are kept.
func TestPrefixKeptTwice(t *testing.T) {
	d := newStateDir(t, t.TempDir())
	expect := func(what string) {
		t.Helper()
		s, prefix, err := d.open(slog.New(slog.DiscardHandler))
		must(t, err)
		v, err := s.Value(siteBucket, keyMeshPart+"fenland")
		if must(t, err); prefix != d.prefix || string(v) != d.prefix.String() {
			t.Errorf("%s: prefix %v, in the state %q, want %v", what, prefix, v, d.prefix)
		}
		must(t, s.Close())
		if f, err := readPrefixFile(d.prefixes); err != nil || f.Meshes["fenland"] != d.prefix {
			t.Errorf("%s: file %v, %v", what, f, err)
		}
	}
	for range 5 {
		must(t, os.Truncate(d.file, 20000))
		expect("the state cut off")
	}
	must(t, os.Truncate(d.file, 0))
	expect("the state empty")
	must(t, os.Remove(d.prefixes))
	expect("without the file")
	good := read(t, d.prefixes)
	for i := range good {
		bad := bytes.Clone(good)
		bad[i] ^= 1
		must(t, os.WriteFile(d.prefixes, bad, 0o600))
		if f, err := readPrefixFile(d.prefixes); err == nil && f.Meshes["fenland"] != d.prefix {
			t.Errorf("octet %d changed: believed as %v", i, f)
		}
		if i%40 == 0 {
			expect(fmt.Sprintf("octet %d of the file changed", i))
		}
	}
	must(t, os.WriteFile(d.prefixes, good, 0o600))
	s, err := Open(d.file, nil)
	must(t, err)
	must(t, s.Commit([]Write{{Bucket: siteBucket, Key: []byte(keyMeshPart + "fenland"), Value: []byte("fd00:0:0:9::/64")},
		{Bucket: siteBucket, Key: []byte(keySite), Value: []byte("no prefix")}}))
	must(t, s.Close())
	expect("another one in the state")
	if aside, _ := filepath.Glob(d.file + ".damaged-*"); len(aside) != 3 {
		t.Errorf("put aside: %v", aside)
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	must(t, err)
	return b
}

func chmod(t *testing.T, mode os.FileMode, path string) {
	t.Helper()
	must(t, os.Chmod(path, mode))
}

// unprivileged runs f on a thread without capabilities, so that file modes apply to it.
func unprivileged(t *testing.T, f func()) {
	t.Helper()
	done := make(chan error)
	go func() {
		runtime.LockOSThread() // never unlocked: the thread ends with the goroutine
		hdr, data := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}, [2]unix.CapUserData{}
		err := unix.Capset(&hdr, &data[0])
		if err == nil {
			f()
		}
		done <- err
	}()
	must(t, <-done)
}
