package coap

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"culvert/coap/api"

	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// testAudit is an open audit log with small files.
func testAudit(t *testing.T, dir string, octets int64) (*audit, map[string]time.Time) {
	t.Helper()
	a, begun, err := openAudit(dir)
	if err != nil {
		t.Fatal(err)
	}
	a.max = octets
	t.Cleanup(func() { a.close() })
	return a, begun
}

// testOrder is a write that the audit log has taken.
func testOrder(t *testing.T, a *audit, place string) *order {
	t.Helper()
	o := &order{Written: api.Written{Place: place, Resource: "/output", Value: "1"}, by: "uid 0", door: "control"}
	id, err := a.intent(o)
	if err != nil {
		t.Fatal(err)
	}
	o.ID = id
	return o
}

func closeOrder(t *testing.T, a *audit, o *order, outcome string) {
	t.Helper()
	o.Outcome = outcome
	if err := a.outcome(o); err != nil {
		t.Fatal(err)
	}
}

// allAudit reads every file of a log that is kept, the oldest first.
func allAudit(t *testing.T, a *audit) (out []auditLine, files int, longest int64) {
	t.Helper()
	for i := keptAudits + 3; i >= 0; i-- {
		b, err := os.ReadFile(a.name(i))
		if err != nil {
			continue
		}
		files++
		longest = max(longest, int64(len(b)))
		for line := range bytes.Lines(b) {
			var l auditLine
			if err := json.Unmarshal(line, &l); err != nil {
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
	if files != keptAudits+1 || longest > 2000+1000 {
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
	if last != 201 {
		t.Errorf("the last intent is %d", last)
	}
	latest := auditLines(t, dir)
	at := slices.IndexFunc(latest, func(l auditLine) bool { return l.Event == "intent" && l.ID == open.ID })
	if at < 0 || !latest[at].Again || latest[at].Place != "sump" || latest[at].Value != "1" {
		t.Errorf("the latest file does not tell of the open intent: %+v", latest)
	}
	bank := a.latest[outputKey("bank", "/output")].Time
	a.close()

	b, begun := testAudit(t, dir, 2000)
	if b.next != 202 || !begun[outputKey("bank", "/output")].Equal(bank) || begun[outputKey("sump", "/output")].IsZero() {
		t.Errorf("after a new start: next %d, written to %v", b.next, begun)
	}
	latest = auditLines(t, dir)
	if l := latest[len(latest)-1]; l.Event != "outcome" || l.ID != open.ID || l.Outcome != api.OutcomeUnknown {
		t.Errorf("the open intent ended as %+v", l)
	}
	b.close()
	c, _ := testAudit(t, dir, 2000)
	if n := len(auditLines(t, dir)); n != len(latest) || len(c.open) != 0 {
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
	o := &order{Written: api.Written{Place: "bank", Resource: "/output", Value: "1", Reason: "no"}}
	for range 1000 {
		a.second = time.Time{} // the bound for each second is another one
		a.refusal(o)
	}
	if _, files, longest := allAudit(t, a); files != 1 || longest > 2000 || a.held == 0 {
		t.Errorf("%d files, the longest of %d octets, %d refusals not written", files, longest, a.held)
	}
	if err := a.rotate(); err != nil {
		t.Fatal(err)
	}
	a.refusal(o)
	lines := auditLines(t, a.dir)
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
			lines := auditLines(t, dir)
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

// A disk without room: nothing moves that the log cannot tell of, no line is left
// half written, an outcome is written down once there is room again, and a lock-out
// holds nevertheless. The disk is a tmpfs in a namespace of the test's own.
func TestAuditDiskFull(t *testing.T) {
	const size = 128 << 10
	if dir := os.Getenv("CULVERT_TEST_FULL"); dir != "" {
		if err := syscall.Mount("none", dir, "tmpfs", 0, fmt.Sprintf("size=%d", size)); err != nil {
			t.Fatal(err)
		}
		diskFull(t, dir)
		return
	}
	cmd := exec.Command(os.Args[0], "-test.run=^TestAuditDiskFull$", "-test.timeout=60s", "-test.v")
	cmd.Env = append(os.Environ(), "CULVERT_TEST_FULL="+t.TempDir())
	cmd.SysProcAttr = &syscall.SysProcAttr{
		Cloneflags:  syscall.CLONE_NEWUSER | syscall.CLONE_NEWNS,
		UidMappings: []syscall.SysProcIDMap{{HostID: os.Getuid(), Size: 1}}, GidMappings: []syscall.SysProcIDMap{{HostID: os.Getgid(), Size: 1}},
	}
	if out, err := cmd.CombinedOutput(); err != nil || !bytes.Contains(out, []byte("--- PASS: TestAuditDiskFull")) {
		t.Errorf("%v\n%s", err, out)
	}
}

func diskFull(t *testing.T, dir string) {
	f := newFront(t, siteOutput(), inDir(dir))
	pump(t, f)
	if w, code := f.write("1"); w.Outcome != api.OutcomeDone {
		t.Fatalf("with room: %s %+v", code, w)
	}
	ballast := filepath.Join(dir, "ballast")
	b, err := os.Create(ballast)
	if err != nil {
		t.Fatal(err)
	}
	for _, err = b.Write(make([]byte, 4096)); err == nil; _, err = b.Write(make([]byte, 4096)) {
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	// What is left is the rest of the page in which the log ends.
	var w api.Written
	var code string
	value, was := "0", "1"
	for range 100 {
		if w, code = f.write(value); code == "5.00" {
			break
		}
		value, was = was, value
	}
	asked := f.Stats().NodeMessages
	if code != "5.00" || w.Outcome != api.OutcomeRefused || !strings.Contains(w.Reason, "audit log") || f.reads("output") != was {
		t.Errorf("without room: %s %+v, output %s", code, w, f.reads("output"))
	}
	for range 3 {
		if w, code = f.write(value, "for=9"); code != "5.00" && code != "4.00" {
			t.Errorf("without room: %s %+v", code, w)
		}
	}
	if n := f.Stats().NodeMessages; n != asked {
		t.Errorf("%d messages went to the node", n-asked)
	}
	const lock = "/outputs/grain-bin/output/lock"
	if _, code := f.ask(codes.PUT, lock, "somebody stands in the sump"); code != "5.00" {
		t.Errorf("lock: %s", code)
	}
	if w, code = f.write(value); code != "4.03" {
		t.Errorf("locked out, but not on the disk: %s %+v", code, w)
	}
	if f.Stats().AuditFailures == 0 {
		t.Error("the full disk is in no figure")
	}
	if _, code := f.ask(codes.DELETE, lock, ""); code != "5.00" {
		t.Errorf("it was lifted, and the log does not tell: %s", code)
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	if _, code := f.ask(codes.DELETE, lock, ""); code != "2.02" {
		t.Errorf("lift: %s", code)
	}
	if w, code = f.write(value); w.Outcome != api.OutcomeDone {
		t.Errorf("with room again: %s %+v", code, w)
	}
	f.stop()
	open := map[uint64]bool{}
	for _, l := range auditLines(t, dir) { // each can be read
		switch l.Event {
		case "intent":
			open[l.ID] = true
		case "outcome":
			delete(open, l.ID)
		}
	}
	if len(open) > 0 {
		t.Errorf("intents without an outcome: %v", open)
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
	if _, err := a.intent(&order{}); err == nil {
		t.Fatal("an intent was written")
	}
	a.f = good
	bad.Close()
	if err := a.close(); err != nil {
		t.Fatal(err)
	}
	if got := words(auditLines(t, dir)); !slices.Equal(got, []string{"intent", "outcome done"}) {
		t.Errorf("audit log: %q", got)
	}
}

// A disk that refuses the audit log, or the lock-outs, when the daemon starts keeps
// nothing from running but the outputs: none is driven, and no lock-out that could not
// be read is lost.
func TestAuditRefusedAtStart(t *testing.T) {
	for _, name := range []string{auditFile, locksFile} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			if err := os.Mkdir(filepath.Join(dir, name), 0o700); err != nil { // which no file can be opened for
				t.Fatal(err)
			}
			f := newFront(t, siteOutput(), inDir(dir))
			pump(t, f)
			if w, code := f.write("1"); code != "5.00" || w.Outcome != api.OutcomeRefused || !strings.Contains(w.Reason, "audit log") {
				t.Errorf("write: %s %+v", code, w)
			}
			if n := f.Stats().NodeMessages; n != 0 || f.reads("output") != "0" {
				t.Errorf("%d messages went to the node, output %s", n, f.reads("output"))
			}
			if _, code := f.ask(codes.PUT, "/outputs/grain-bin/output/lock", "somebody stands in the sump"); code != "5.00" {
				t.Errorf("lock-out: %s", code)
			}
			all, err := os.ReadDir(dir)
			if err != nil || len(all) != 1 || !all[0].IsDir() {
				t.Errorf("files %v, %v", all, err)
			}
		})
	}
}
