package output

import (
	"errors"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"culvert/coap/api"
)

// clockedAudit is a log with small files whose clock the test sets.
func clockedAudit(t *testing.T, dir string) (a *audit, at *time.Time) {
	t.Helper()
	now := time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC)
	a, _, err := openAudit(dir, func() time.Time { return now })
	if err != nil {
		t.Fatal(err)
	}
	a.max, a.writes.burst = 600, 1<<30
	t.Cleanup(func() { a.close() })
	return a, &now
}

// on is a write to a declared output; value "0" is its safe value.
func on(value string) *write {
	return &write{Written: api.Written{Place: "sump", Resource: "/output", Value: value}, by: "ops", safe: value == "0", entry: &declaredOutput{Output: Output{Safe: "0"}}}
}

// fillAudit writes until the log refuses, and returns how many intents it took.
func fillAudit(t *testing.T, a *audit) (n int) {
	t.Helper()
	for ; n < 10000; n++ {
		o := on("1")
		id, err := a.intent(o)
		if errors.Is(err, ErrAuditFull) {
			return n
		}
		if err != nil {
			t.Fatal(err)
		}
		o.id.Store(id)
		closeOrder(t, a, o, api.OutcomeDone)
	}
	t.Fatal("nothing is refused")
	return 0
}

func firstIntent(t *testing.T, a *audit) uint64 {
	t.Helper()
	lines, _, _ := allAudit(t, a)
	return lines[slices.IndexFunc(lines, func(l AuditLine) bool { return l.Event == "intent" && !l.Again })].ID
}

// No writer pushes out the last week: the log takes what its files hold, then refuses writes,
// but not the safe value, nor lock-outs; and takes some again when the oldest is a week old.
func TestAuditKeepsLastWeek(t *testing.T) {
	a, at := clockedAudit(t, t.TempDir())
	n := fillAudit(t, a)
	if n < mostAudits || firstIntent(t, a) != 1 || !a.full {
		t.Fatalf("%d intents were taken, the first that is left is %d", n, firstIntent(t, a))
	}
	off := on("0")
	id, err := a.intent(off)
	if err != nil || id == 0 {
		t.Errorf("the safe value: %v", err)
	}
	off.id.Store(id)
	closeOrder(t, a, off, api.OutcomeDone)
	if err := a.lockOut(AuditLine{Event: "lock", Identity: "ops", Door: "dtls", Place: "sump", Resource: "/output"}); err != nil {
		t.Errorf("a lock-out: %v", err)
	}
	if err := a.lockOut(AuditLine{Event: "unlock", Identity: "ops", Of: "ops", Door: "dtls", Place: "sump", Resource: "/output"}); !errors.Is(err, ErrAuditFull) {
		t.Errorf("a lock-out is lifted: %v", err)
	}
	// Safe values without end: those that fill another file's room are not written down.
	for i := 0; err == nil; i++ {
		if _, err = a.intent(on("0")); i > 1000 {
			t.Fatal("safe values let the log grow without end")
		}
	}
	if !errors.Is(err, ErrAuditFull) {
		t.Error(err)
	}
	for _, clock := range []time.Time{at.Add(keptLife - time.Hour), time.Unix(0, 0), at.Add(-time.Hour)} {
		*at = clock
		if _, err := a.intent(on("1")); !errors.Is(err, ErrAuditFull) || firstIntent(t, a) != 1 {
			t.Errorf("at %v: %v, the first intent is %d", clock, err, firstIntent(t, a))
		}
	}
	*at = time.Date(2026, 12, 8, 8, 0, 0, 0, time.UTC)
	if _, err := a.intent(on("1")); err != nil || a.full {
		t.Errorf("after a week: %v", err)
	}
}

// A clock that jumps years ahead lets go of two files a turn.
func TestAuditKeepsWeekWhateverTheClock(t *testing.T) {
	a, at := clockedAudit(t, t.TempDir())
	fillAudit(t, a)
	last, _, _ := allAudit(t, a)
	start := *at
	*at = at.AddDate(3, 0, 0)
	if _, err := a.intent(on("1")); err != nil {
		t.Fatal(err)
	}
	*at = start
	lines, files, _ := allAudit(t, a)
	if files < mostAudits || len(last)-len(lines) > 20 {
		t.Errorf("%d files, %d of %d lines are left", files, len(lines), len(last))
	}
}

// What a daemon before this one wrote under a date in the future is kept for a week from the
// start on, not for years.
func TestAuditFromTheFuture(t *testing.T) {
	dir := t.TempDir()
	a, at := clockedAudit(t, dir)
	fillAudit(t, a)
	a.close()
	for i := 1; i <= mostAudits; i++ {
		if err := os.Chtimes(a.name(i), at.AddDate(2, 0, 0), at.AddDate(2, 0, 0)); err != nil {
			t.Fatal(err)
		}
	}
	b, at := clockedAudit(t, dir)
	for _, x := range []struct {
		after time.Duration
		full  bool
	}{{0, true}, {keptLife - time.Hour, true}, {2 * time.Hour, false}} {
		*at = at.Add(x.after)
		if _, err := b.intent(on("1")); errors.Is(err, ErrAuditFull) != x.full {
			t.Errorf("at %v: %v", at, err)
		}
	}
}

// A new file takes over the lock-outs, and a start finds them though the line that made them
// is long gone. Lines of former daemons, which knew one lock-out an output, mean what they did.
func TestAuditCarriesLockOuts(t *testing.T) {
	dir := t.TempDir()
	a, _ := clockedAudit(t, dir)
	say := func(event, by, door, of string) {
		t.Helper()
		if err := a.lockOut(AuditLine{Event: event, Identity: by, Door: door, Of: of, Place: "sump", Resource: "/output", Reason: "belt"}); err != nil {
			t.Fatal(err)
		}
	}
	is := func(want ...string) {
		t.Helper()
		a.close()
		for i := 1; i <= mostAudits; i++ {
			os.Remove(a.name(i))
		}
		a, _ = clockedAudit(t, dir)
		if got := slices.Sorted(maps.Keys(a.locks["sump/output"])); !slices.Equal(got, want) {
			t.Errorf("locked out by %q, want %q", got, want)
		}
	}
	say("lock", "ops", "dtls", "")
	say("lock", "miller", "dtls", "")
	for range 20 {
		closeOrder(t, a, testOrder(t, a, "bank"), api.OutcomeDone)
	}
	is("miller", "ops")
	say("unlock", "ops", "dtls", "ops")
	is("miller")
	say("lock", "uid 0", "", "")
	is("uid 0")
	say("lock", "ops", "dtls", "")
	say("unlock", "uid 7", "", "")
	is()
}

// A file covers a week at most, however little is written; that needs no room that is not
// there.
func TestAuditRotatesByAge(t *testing.T) {
	a, at := clockedAudit(t, t.TempDir())
	a.max = maxAudit
	for range 100 {
		closeOrder(t, a, testOrder(t, a, "bank"), api.OutcomeDone)
		*at = at.Add(fileLife / 2)
	}
	if _, files, _ := allAudit(t, a); files < 40 || files > 60 || firstIntent(t, a) != 1 {
		t.Errorf("%d files, the first intent is %d", files, firstIntent(t, a))
	}
	// Clocks that start in 1970 at each boot must not fill the log with short files.
	_, before, _ := allAudit(t, a)
	for range 40 {
		day := *at
		*at = time.Unix(0, 0)
		testOrder(t, a, "bank")
		*at = day.Add(time.Hour)
		testOrder(t, a, "bank")
	}
	if _, files, _ := allAudit(t, a); files > before+2 {
		t.Errorf("%d files, before %d", files, before)
	}
}

// Of writes to one output the log takes a bounded rate; other outputs have theirs. Safe values
// are not refused, but counted.
func TestAuditWritesOfOneOutput(t *testing.T) {
	a, at := clockedAudit(t, t.TempDir())
	a.max, a.writes = maxAudit, budget{burst: 5, interval: time.Second}
	for i := range 9 {
		if _, err := a.intent(on("1")); errors.Is(err, ErrTooOften) != (i >= 5) {
			t.Errorf("write %d: %v", i, err)
		}
	}
	for range 3 {
		o := on("0")
		id, err := a.intent(o)
		if o.Outcome = api.OutcomeDone; id != 0 || err != nil || a.outcome(o) != nil {
			t.Errorf("the safe value: number %d, %v", id, err)
		}
	}
	other := on("1")
	other.Place = "bank"
	if _, err := a.intent(other); err != nil {
		t.Errorf("another output: %v", err)
	}
	*at = at.Add(time.Second)
	if _, err := a.intent(on("0")); err != nil {
		t.Fatal(err)
	}
	lines := linesOf(t, a.dir)
	if l := lines[len(lines)-1]; l.Value != "0" || l.Held != 3 || len(lines) != 7 {
		t.Errorf("%d lines, the last %+v", len(lines), l)
	}
	*at = at.Add(-time.Hour)
	if _, err := a.intent(on("1")); !errors.Is(err, ErrTooOften) {
		t.Errorf("with the clock set back: %v", err)
	}
}

// FuzzAuditLine: whatever octets a write holds, its line is valid JSON in UTF-8, fits into a
// line, and gives them back.
func FuzzAuditLine(f *testing.F) {
	f.Add("1", "/output")
	f.Add("\xff\x00\\x41\xc3", "/a\\b")
	f.Add(`\xff`, "/\x1b[2J\u2028")
	f.Add(strings.Repeat("\x00", 3000), strings.Repeat("\xfe", 3000))
	f.Fuzz(func(t *testing.T, value, resource string) {
		in := AuditLine{Event: "intent", ID: 3, Identity: resource, From: value, Place: resource, Resource: resource, Value: value, Reads: value, Reason: resource, Of: value}
		b, err := in.encode()
		if err != nil || !utf8.Valid(b) || len(b) > maxAuditLine {
			t.Fatalf("%d octets: %v", len(b), err)
		}
		out, err := DecodeAuditLine(b)
		if err != nil || !strings.HasPrefix(value, out.Value) || len(out.Value) < min(len(value), maxAuditText/4) || !strings.HasPrefix(resource, out.Resource) || len(out.Resource) < min(len(resource), maxAuditText/4) {
			t.Errorf("%q: %q and %q (%v)", b, out.Value, out.Resource, err)
		}
	})
}

// What was written to stays, octet by octet: text as it is, anything else escaped.
func TestAuditOctets(t *testing.T) {
	a, _ := clockedAudit(t, t.TempDir())
	for value, want := range map[string]string{
		"1": `"value":"1"`, `C:\on`: `"value":"C:\\on"`, "\xff\\\xc3(": `"value":"\\xff\\\\\\xc3("`, "größer": `"value":"größer"`,
	} {
		if _, err := a.intent(on(value)); err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(a.name(0))
		if err != nil || !strings.Contains(string(b), want) || strings.Contains(string(b), `"escaped":true`) && utf8.ValidString(value) && !strings.Contains(string(b), `\\xff`) {
			t.Errorf("%q: %s (%v)", value, b, err)
		}
	}
	if b, _ := os.ReadFile(a.name(0)); strings.ContainsRune(string(b), utf8.RuneError) || strings.Contains(string(b), `\ufffd`) {
		t.Errorf("octets were replaced: %s", b)
	}
}
