package bridge_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// make test downloads first and sets GOPROXY=off for all that follows, so that a
// download which make fetch forgets fails on every machine, not on a fresh one only.
func TestMakeFetchesBeforeItTests(t *testing.T) {
	cmd := exec.Command("make", "-n", "test")
	cmd.Dir = ".."
	cmd.Env = append(os.Environ(), "MAKEFLAGS=", "MAKELEVEL=")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("make -n test: %v\n%s", err, out)
	}
	fetched, after := false, 0
	for line := range strings.Lines(string(out)) {
		line = strings.TrimSpace(line)
		switch {
		case strings.HasPrefix(line, "echo"):
		case strings.Contains(line, ".ci/fetch"):
			fetched = true
		case strings.Contains(line, "go ") || strings.Contains(line, ".ci/"):
			after++
			if !fetched {
				t.Errorf("before make fetch: %s", line)
			}
			if !strings.HasPrefix(line, "GOPROXY=off ") {
				t.Errorf("not held offline: %s", line)
			}
		}
	}
	if !fetched || after < 4 {
		t.Errorf("fetched: %v, commands after it: %d; make -n test prints\n%s", fetched, after, out)
	}
}

// A download is tried three times, and one that fails says what, from where, and what
// to do; one that works at last is quiet about it.
func TestDownloadsAreTriedThreeTimes(t *testing.T) {
	for _, c := range []struct {
		worksAt string
		tries   int
		ok      bool
	}{{"1", 1, true}, {"3", 3, true}, {"4", 3, false}} {
		count := filepath.Join(t.TempDir(), "count")
		cmd := exec.Command("sh", "../.ci/try", "the parcel", "the mirror", "look at the cable",
			"sh", "-c", `echo x >>"$0"; echo "the command's own words"; test "$(wc -l <"$0")" -ge "$1"`, count, c.worksAt)
		cmd.Env = append(os.Environ(), "TRY_WAIT=0")
		out, err := cmd.CombinedOutput()
		tries, _ := os.ReadFile(count)
		if (err == nil) != c.ok || strings.Count(string(tries), "x") != c.tries {
			t.Errorf("works at try %s: %d tries, %v\n%s", c.worksAt, strings.Count(string(tries), "x"), err, out)
		}
		failed := strings.HasSuffix(string(out), "the command's own words\ncannot get the parcel from the mirror: look at the cable\n")
		if failed == c.ok {
			t.Errorf("works at try %s, printed:\n%s", c.worksAt, out)
		}
	}
}
