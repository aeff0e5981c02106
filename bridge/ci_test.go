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

// make lint fails where a function with a known vulnerability is called, and not where
// it is only there. The entry is made up, in the format of osv.dev (schema 1.3.1).
func TestVulnerabilityFails(t *testing.T) {
	for symbol, calls := range map[string]bool{"Errorf": true, "Fscanf": false} {
		db := t.TempDir()
		entry := `{"schema_version":"1.3.1","id":"GO-2026-9999","modified":"2026-01-01T00:00:00Z","published":"2026-01-01T00:00:00Z",` +
			`"summary":"made up","details":"made up","affected":[{"package":{"name":"stdlib","ecosystem":"Go"},` +
			`"ranges":[{"type":"SEMVER","events":[{"introduced":"0"}]}],"ecosystem_specific":{"imports":[{"path":"fmt","symbols":["` + symbol + `"]}]}}],` +
			`"references":[],"database_specific":{"url":"https://pkg.go.dev/vuln/GO-2026-9999"}}`
		if err := os.WriteFile(filepath.Join(db, "GO-2026-9999.json"), []byte(entry), 0o600); err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command("sh", "../.ci/vuln/check", "./bridge/ieee802154")
		cmd.Env = append(os.Environ(), "VULNDB="+db, "GOPROXY=off")
		out, err := cmd.CombinedOutput()
		if calls != (err != nil) || calls != strings.Contains(string(out), "ieee802154.ParseAddr calls fmt.Errorf") {
			t.Errorf("fmt.%s: %v\n%s", symbol, err, out)
		}
	}
}

// make lint compiles and vets for the boxes that people have: 64-bit and 32-bit ARM.
func TestLintCrossCompiles(t *testing.T) {
	cmd := exec.Command("make", "-n", "lint")
	cmd.Dir = ".."
	cmd.Env = append(os.Environ(), "MAKEFLAGS=", "MAKELEVEL=")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("make -n lint: %v\n%s", err, out)
	}
	for _, arch := range []string{"GOARCH=arm64", "GOARCH=arm GOARM=7"} {
		for _, what := range []string{"vet", "build"} {
			if want := arch + " CGO_ENABLED=0 go " + what + " ./..."; !strings.Contains(string(out), want) {
				t.Errorf("make lint does not run %s", want)
			}
		}
	}
}

// The report of a run shows what failed, also where a test did not end, hides what
// passed, and names the slowest tests last.
func TestReportShowsWhatFailed(t *testing.T) {
	const run = `{"Action":"build-output","ImportPath":"p","Output":"p/x.go:1: no such thing\n"}
{"Action":"output","Package":"a","Test":"TestGood","Output":"fine\n"}
{"Action":"pass","Package":"a","Test":"TestGood","Elapsed":0.5}
{"Action":"output","Package":"a","Test":"TestBad/sub","Output":"got 1, want 2\n"}
{"Action":"output","Package":"a","Test":"TestBad","Output":"--- FAIL: TestBad (7.00s)\n"}
{"Action":"fail","Package":"a","Test":"TestBad/sub","Elapsed":1}
{"Action":"fail","Package":"a","Test":"TestBad","Elapsed":7}
{"Action":"output","Package":"a","Test":"TestHung","Output":"panic: test timed out\n"}
{"Action":"output","Package":"a","Output":"FAIL\ta\t7.5s\n"}
{"Action":"fail","Package":"a","Elapsed":7.5}
not JSON
{"Action":"output","Package":"b","Output":"PASS\n"}
{"Action":"output","Package":"b","Output":"ok  \tb\t0.1s\n"}
{"Action":"pass","Package":"b","Elapsed":0.1}
`
	const want = `p/x.go:1: no such thing
got 1, want 2
--- FAIL: TestBad (7.00s)
FAIL	a	7.5s
panic: test timed out
not JSON
ok  	b	0.1s
== the slowest of 2 tests, in seconds
    7.0  a TestBad
    0.5  a TestGood
`
	cmd := exec.Command("go", "run", "../.ci/report.go")
	cmd.Stdin = strings.NewReader(run)
	cmd.Stderr = os.Stderr
	got, err := cmd.Output()
	if err != nil || string(got) != want {
		t.Errorf("%v:\n%s\nwant\n%s", err, got, want)
	}
}

// Up to three failing tests are tried once more, fuzz targets among them; four are too
// many, whatever they are called, and a data race is none of them. A stand-in for go
// prints what go test would.
func TestFewFailuresAreTriedOnceMore(t *testing.T) {
	const standIn = `#!/bin/sh
case "$*" in
build*) printf '#!/bin/sh\nexec cat\n' >bin/report; chmod +x bin/report ;;
*-json*) cat failures; exit 1 ;;
*) echo "$*" >>again; exit "$(cat second)" ;;
esac
`
	unit, err := filepath.Abs("../.ci/unit")
	if err != nil {
		t.Fatal(err)
	}
	fail := func(names ...string) string {
		text := ""
		for _, n := range names {
			text += "--- FAIL: " + n + " (0.10s)\n"
		}
		return "ok  \tculvert/b\t0.1s\n" + text + "FAIL\nFAIL\tculvert/a\t0.2s\n"
	}
	for _, c := range []struct {
		name, failures, second string
		again                  string // what is run once more, at the end of go's arguments
		ok                     bool
	}{
		{"three", fail("TestA", "FuzzB", "ExampleC"), "0", "-run ^(TestA|FuzzB|ExampleC)$ culvert/a", true},
		{"three, for good", fail("TestA", "FuzzB", "TestC"), "1", "-run ^(TestA|FuzzB|TestC)$ culvert/a", false},
		{"four tests", fail("TestA", "TestB", "TestC", "TestD"), "0", "", false},
		{"four fuzz targets", fail("FuzzA", "FuzzB", "FuzzC", "FuzzD"), "0", "", false},
		{"a data race", "WARNING: DATA RACE\n" + fail("TestA"), "0", "", false},
		{"a package without a failed test", fail(), "0", "", false},
	} {
		dir := t.TempDir()
		for name, text := range map[string]string{"go": standIn, "failures": c.failures, "second": c.second} {
			if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o700); err != nil {
				t.Fatal(err)
			}
		}
		cmd := exec.Command("sh", unit)
		cmd.Dir = dir
		cmd.Env = append(os.Environ(), "GO="+filepath.Join(dir, "go"))
		out, err := cmd.CombinedOutput()
		again, _ := os.ReadFile(filepath.Join(dir, "again")) // absent where nothing is tried again
		if (err == nil) != c.ok || (c.again == "") != (len(again) == 0) || !strings.HasSuffix(strings.TrimSpace(string(again)), c.again) {
			t.Errorf("%s: %v, once more: %q\n%s", c.name, err, again, out)
		}
	}
}
