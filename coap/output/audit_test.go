package output

import (
	"bytes"
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"culvert/coap/api"
)

// testAudit is an open audit log with small files.
func testAudit(t *testing.T, dir string, octets int64) (*audit, map[string]time.Time) {
	t.Helper()
	a, begun, err := openAudit(dir, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	a.max = octets
	t.Cleanup(func() { a.close() })
	return a, begun
}

// testOrder is a write that the audit log has taken.
func testOrder(t *testing.T, a *audit, place string) *write {
	t.Helper()
	o := &write{Written: api.Written{Place: place, Resource: "/output", Value: "1"}, by: "uid 0", door: "control"}
	id, err := a.intent(o)
	if err != nil {
		t.Fatal(err)
	}
	o.id.Store(id)
	o.ID = id
	return o
}

func closeOrder(t *testing.T, a *audit, o *write, outcome string) {
	t.Helper()
	o.Outcome = outcome
	if err := a.outcome(o); err != nil {
		t.Fatal(err)
	}
}

// allAudit reads every file of a log that is kept, the oldest first.
func allAudit(t *testing.T, a *audit) (out []AuditLine, files int, longest int64) {
	t.Helper()
	for i := mostAudits + 3; i >= 0; i-- {
		b, err := os.ReadFile(a.name(i))
		if err != nil {
			continue
		}
		files++
		longest = max(longest, int64(len(b)))
		for line := range bytes.Lines(b) {
			l, err := DecodeAuditLine(line)
			if err != nil {
				t.Errorf("%s: %q: %v", a.name(i), line, err)
			}
			out = append(out, l)
		}
	}
	return out, files, longest
}

// The log is bounded, and however often a new file begins, no open intent, no interval
// and no number is lost.
func TestAuditRotates(t *testing.T) {
	dir := t.TempDir()
	a, _ := testAudit(t, dir, 2000)
	open := testOrder(t, a, "sump")
	for range 200 {
		closeOrder(t, a, testOrder(t, a, "bank"), api.OutcomeDone)
	}
	lines, files, longest := allAudit(t, a)
	if files < keptAudits+1 || longest > 2000+1000 {
		t.Errorf("%d files, the longest of %d octets", files, longest)
	}
	var last uint64
	for _, l := range lines {
		if l.Event == "intent" && !l.Again {
			if last != 0 && l.ID != last+1 {
				t.Errorf("intent %d follows %d", l.ID, last)
			}
			last = l.ID
		}
	}
	if last != 201 || lines[0].ID != 1 {
		t.Errorf("intents from %d to %d are left of this week", lines[0].ID, last)
	}
	latest := linesOf(t, dir)
	at := slices.IndexFunc(latest, func(l AuditLine) bool { return l.Event == "intent" && l.ID == open.ID })
	if at < 0 || !latest[at].Again || latest[at].Place != "sump" || latest[at].Value != "1" {
		t.Errorf("the latest file does not tell of the open intent: %+v", latest)
	}
	bank := a.latest[outputKey("bank", "/output")].Time
	a.close()

	b, begun := testAudit(t, dir, 2000)
	if b.next != 202 || !begun[outputKey("bank", "/output")].Equal(bank) || begun[outputKey("sump", "/output")].IsZero() {
		t.Errorf("after a new start: next %d, written to %v", b.next, begun)
	}
	latest = linesOf(t, dir)
	if l := latest[len(latest)-1]; l.Event != "outcome" || l.ID != open.ID || l.Outcome != api.OutcomeUnknown {
		t.Errorf("the open intent ended as %+v", l)
	}
	b.close()
	c, _ := testAudit(t, dir, 2000)
	if n := len(linesOf(t, dir)); n != len(latest) || len(c.open) != 0 {
		t.Errorf("it was ended once more: %d lines, before %d", n, len(latest))
	}
	// What nobody asked of an output for two days holds nothing back, and goes.
	key := outputKey("bank", "/output")
	l := c.latest[key]
	l.Time = time.Now().Add(-latestKept - time.Second)
	c.latest[key] = l
	if err := c.rotate(); err != nil || slices.Contains(slices.Collect(maps.Keys(c.latest)), key) || c.next != 202 {
		t.Errorf("old: %v %v, next %d", err, c.latest, c.next)
	}
	c.close()
	if d, _ := testAudit(t, dir, 2000); d.next != 202 {
		t.Errorf("next %d", d.next)
	}
}

// Writes that are refused take a part of a file, and push nothing out.
func TestAuditRefusals(t *testing.T) {
	a, _ := testAudit(t, t.TempDir(), 4000)
	done := testOrder(t, a, "bank")
	closeOrder(t, a, done, api.OutcomeDone)
	o := &write{Written: api.Written{Place: "bank", Resource: "/output", Value: "1", Reason: "no"}}
	for range 1000 {
		a.second = time.Time{} // the bound for each second is another one
		a.refusal("refused", o)
	}
	if _, files, longest := allAudit(t, a); files != 1 || longest > 2000 || a.suppressed == 0 {
		t.Errorf("%d files, the longest of %d octets, %d refusals not written", files, longest, a.suppressed)
	}
	if err := a.rotate(); err != nil {
		t.Fatal(err)
	}
	a.refusal("refused", o)
	lines := linesOf(t, a.dir)
	if l := lines[len(lines)-1]; l.Event != "refused" || l.Held < 900 {
		t.Errorf("the next file says %+v", l)
	}
}

// Wherever the daemon ended while it began a new file, the next start finds all.
func TestAuditRotationCutOff(t *testing.T) {
	for name, cut := range map[string]func(a *audit) error{
		"the new file is half written": func(a *audit) error {
			return os.WriteFile(a.nextName(), []byte(`{"event":"inte`), 0o640)
		},
		"the old ones have moved": func(a *audit) error { return os.Rename(a.name(1), a.name(2)) },
		"the latest has gone aside": func(a *audit) error {
			if err := a.rotate(); err != nil { // as it stood before its last step
				return err
			}
			return os.Rename(a.name(0), a.nextName())
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			a, _ := testAudit(t, dir, 1<<20)
			closeOrder(t, a, testOrder(t, a, "bank"), api.OutcomeDone)
			if err := a.rotate(); err != nil {
				t.Fatal(err)
			}
			open := testOrder(t, a, "sump")
			if err := cut(a); err != nil {
				t.Fatal(err)
			}
			a.close()
			b, begun := testAudit(t, dir, 1<<20)
			lines := linesOf(t, dir)
			l := lines[len(lines)-1]
			if l.ID != open.ID || l.Outcome != api.OutcomeUnknown || len(begun) != 2 || b.next != open.ID+1 {
				t.Errorf("%+v, written to %v, next %d", l, begun, b.next)
			}
			if _, err := os.Stat(b.nextName()); err == nil {
				t.Error("the file that was to follow is still there")
			}
			if err := b.rotate(); err != nil {
				t.Error(err)
			}
		})
	}
}

// An outcome that the disk did not take is not lost while the daemon runs.
func TestAuditOwes(t *testing.T) {
	dir := t.TempDir()
	a, _ := testAudit(t, dir, 1<<20)
	o := testOrder(t, a, "bank")
	good := a.f
	bad, err := os.Open(a.name(0)) // it can be read only
	if err != nil {
		t.Fatal(err)
	}
	a.f = bad
	o.Outcome = api.OutcomeDone
	if err := a.outcome(o); err == nil {
		t.Fatal("it was written")
	}
	if _, err := a.intent(&write{}); err == nil {
		t.Fatal("an intent was written")
	}
	a.f = good
	bad.Close()
	if err := a.close(); err != nil {
		t.Fatal(err)
	}
	if got := eventsOf(linesOf(t, dir)); !slices.Equal(got, []string{"intent", "outcome done"}) {
		t.Errorf("audit log: %q", got)
	}
}

// FuzzAudit: whatever a log holds, it can be opened and written to.
func FuzzAudit(f *testing.F) {
	f.Add([]byte("{\"event\":\"intent\",\"id\":3,\"place\":\"a\"}\n"))
	f.Add([]byte("{\"event\":\"outcome\",\"id\":18446744073709551615}"))
	f.Add(bytes.Repeat([]byte("x"), maxAuditLine+5))
	f.Fuzz(func(t *testing.T, b []byte) {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, auditFile), b, 0o600); err != nil {
			t.Fatal(err)
		}
		a, _, err := openAudit(dir, time.Now)
		if err != nil {
			t.Fatal(err)
		}
		defer a.close()
		if _, err := a.intent(&write{}); err != nil {
			t.Fatal(err)
		}
	})
}

// linesOf reads the latest file of an audit log.
func linesOf(t testing.TB, dir string) (out []AuditLine) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, auditFile))
	if err != nil {
		t.Fatal(err)
	}
	for line := range bytes.Lines(b) {
		var l AuditLine
		if err := json.Unmarshal(line, &l); err != nil {
			t.Errorf("audit log: %s: %v", line, err)
		}
		out = append(out, l)
	}
	return out
}

// eventsOf are the events of lines, with the outcomes.
func eventsOf(lines []AuditLine) (out []string) {
	for _, l := range lines {
		out = append(out, strings.TrimSpace(l.Event+" "+l.Outcome))
	}
	return out
}

// The log's times are those of its clock: an output that was written to 48 h ago is not
// carried over into a new file.
func TestAuditClock(t *testing.T) {
	at := time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC)
	dir := t.TempDir()
	a, _, err := openAudit(dir, func() time.Time { return at })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.close() })
	closeOrder(t, a, testOrder(t, a, "bank"), api.OutcomeDone)
	if l := linesOf(t, dir); !l[0].Time.Equal(at) || !l[1].Time.Equal(at) {
		t.Errorf("%v, %v", l[0].Time, l[1].Time)
	}
	for _, x := range []struct {
		after time.Duration
		kept  bool
	}{{latestKept, true}, {latestKept + time.Second, false}} {
		at = time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC).Add(x.after)
		a.mu.Lock()
		err := a.rotate()
		a.mu.Unlock()
		if err != nil {
			t.Fatal(err)
		}
		if kept := slices.ContainsFunc(linesOf(t, dir), func(l AuditLine) bool { return l.Event == "latest" && l.Place == "bank" }); kept != x.kept {
			t.Errorf("after %v: carried over %v", x.after, kept)
		}
	}
}
