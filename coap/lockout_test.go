package coap

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/sim"
	"culvert/coap/access"
	"culvert/coap/api"
	"culvert/coap/client"
	"culvert/coap/msg"
	"culvert/coap/output"
)

const (
	siteLock  = "/outputs/grain-bin/output/lock"
	locksFile = "lockouts.json"
	auditFile = "audit.jsonl"
)

// lockState is what the front says of the lock-out, nil if there is none.
func (f *front) lockState() *api.LockOut {
	f.t.Helper()
	var l api.LockOut
	m := f.client().ask(codes.GET, siteLock[1:], "")
	if m.Code == codes.NotFound {
		return nil
	}
	if err := json.Unmarshal(m.Payload, &l); err != nil {
		f.t.Fatalf("%v %s: %v", m.Code, m.Payload, err)
	}
	return &l
}

// lockers are the identities that have a lock-out.
func lockers(l *api.LockOut) (out []string) {
	if l == nil {
		return nil
	}
	for _, x := range append([]api.LockOut{*l}, l.Others...) {
		out = append(out, x.By)
	}
	return out
}

func (f *front) control2(method codes.Code, path, body string, query ...string) (client.Answer, string) {
	f.t.Helper()
	c, err := client.DialControl(f.t.Context(), f.control)
	if err != nil {
		f.t.Fatal(err)
	}
	defer c.Close()
	a, err := c.Do(f.t.Context(), client.Ask{Method: method, Path: path, Query: query, Accept: -1, Body: []byte(body)})
	if s, ok := err.(*client.StatusError); ok {
		return client.Answer{Code: s.Code, Body: []byte(s.Text)}, msg.CodeText(s.Code)
	} else if err != nil {
		f.t.Fatal(err)
	}
	return a, msg.CodeText(a.Code)
}

// Each identity has a lock-out of its own, and nobody lifts another one's but at the gateway
// itself. The output stays locked until the last one is lifted, and the audit log has door and
// address of each.
func TestLockOutOfEachIdentity(t *testing.T) {
	both := access.MayRead | access.MayWrite
	ids := []access.Identity{{Name: "operator", PSK: testKey("operator"), May: both}, {Name: "miller", PSK: testKey("miller"), May: both}, {Name: access.Anyone, May: access.MayRead}}
	dir := t.TempDir()
	start := func() (*front, asker, asker) {
		f := newFront(t, siteOutput(), inDir(dir), func(s *Server) {
			s.opts.Access, s.opts.DTLS = accessOf(t, ids...), []netip.AddrPort{netip.MustParseAddrPort("[::1]:0")}
		})
		pump(t, f)
		return f, f.dtlsAsker("operator", nil, newAuthority(t)), f.dtlsAsker("miller", nil, newAuthority(t))
	}
	f, operator, miller := start()
	me := fmt.Sprintf("uid %d", os.Getuid())
	for name, ask := range map[string]asker{"operator": operator, "miller": miller} {
		if got := ask(codes.PUT, siteLock[1:]); got != "2.04" {
			t.Fatalf("%s locks: %s", name, got)
		}
	}
	if _, code := f.ask(codes.PUT, siteLock, "the belt is off"); code != "2.04" {
		t.Fatal(code)
	}
	if got := lockers(f.lockState()); len(got) != 3 || f.Stats().OutputsLocked != 1 {
		t.Errorf("locked by %q", got)
	}
	if got := operator(codes.DELETE, siteLock[1:]); got != "2.02" {
		t.Errorf("the operator lifts: %s", got)
	}
	if got := operator(codes.DELETE, siteLock[1:]); got != "4.03" {
		t.Errorf("the operator lifts another one's: %s", got)
	}
	if w, code := f.write("1"); code != "4.03" {
		t.Errorf("with two lock-outs left: %s %+v", code, w)
	}
	f.stop()
	f, _, _ = start()
	if got := lockers(f.lockState()); len(got) != 2 || !slices.Contains(got, "miller") || !slices.Contains(got, me) {
		t.Errorf("after a new start: locked by %q", got)
	}
	if a, code := f.control2(codes.DELETE, siteLock, ""); code != "2.02" || !strings.Contains(string(a.Body), `"by":"miller"`) {
		t.Errorf("one's own: %s %s", code, a.Body)
	}
	if a, code := f.control2(codes.DELETE, siteLock, ""); code != "4.03" || !strings.Contains(string(a.Body), "miller") {
		t.Errorf("another one's, unnamed: %s %s", code, a.Body)
	}
	if w, code := f.write("1"); code != "4.03" {
		t.Errorf("with one lock-out left: %s %+v", code, w)
	}
	if a, code := f.control2(codes.DELETE, siteLock, "", "of=miller"); code != "2.02" {
		t.Errorf("another one's, by name: %s %s", code, a.Body)
	}
	if w, code := f.write("1"); code != "2.04" {
		t.Errorf("all are lifted: %s %+v", code, w)
	}
	f.stop()
	for _, l := range auditLines(t, dir) {
		if l.Event != "lock" && l.Event != "unlock" {
			continue
		}
		if dtls := l.Identity != me; dtls && (l.Door != "dtls" || !strings.HasPrefix(l.From, "[::1]:")) || !dtls && (l.Door != "control" || l.From != "") {
			t.Errorf("%+v", l)
		}
		if l.Event == "unlock" && l.Of == "" || l.Event == "lock" && l.Identity == me && l.Reason != "the belt is off" {
			t.Errorf("%+v", l)
		}
	}
}

// A lock-out is found again at the start if either the file of lock-outs or the audit log has
// it, whatever became of the other one; and then both have it.
func TestLockOutRestored(t *testing.T) {
	for name, harm := range map[string]func(t *testing.T, dir string) error{
		"nothing":   func(*testing.T, string) error { return nil },
		"file gone": func(_ *testing.T, dir string) error { return os.Remove(filepath.Join(dir, locksFile)) },
		"file damaged": func(_ *testing.T, dir string) error {
			return os.WriteFile(filepath.Join(dir, locksFile), []byte(`{"gr`), 0o640)
		},
		"file emptied": func(_ *testing.T, dir string) error { return os.Truncate(filepath.Join(dir, locksFile), 0) },
		"file says nothing": func(_ *testing.T, dir string) error {
			return os.WriteFile(filepath.Join(dir, locksFile), []byte(`{}`), 0o640)
		},
		"file says null": func(_ *testing.T, dir string) error {
			return os.WriteFile(filepath.Join(dir, locksFile), []byte(`{"grain-bin/output":null}`), 0o640)
		},
		"log gone":    func(_ *testing.T, dir string) error { return os.Remove(filepath.Join(dir, auditFile)) },
		"log emptied": func(_ *testing.T, dir string) error { return os.Truncate(filepath.Join(dir, auditFile), 0) },
		"log overwritten": func(_ *testing.T, dir string) error {
			return os.WriteFile(filepath.Join(dir, auditFile), bytes.Repeat([]byte("\xff\x00{\n"), 5000), 0o640)
		},
		"cut off within the lift": func(t *testing.T, dir string) error {
			return os.WriteFile(filepath.Join(dir, locksFile), []byte("{}"), 0o640)
		},
		"a former daemon's a line": func(_ *testing.T, dir string) error {
			return os.WriteFile(filepath.Join(dir, locksFile), []byte(`{"grain-bin/output":{"by":"uid 7","since":"2026-11-30T08:00:00Z","reason":"belt"}}`), 0o640)
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			f := newFront(t, siteOutput(), inDir(dir))
			if _, code := f.ask(codes.PUT, siteLock, "the belt is off"); code != "2.04" {
				t.Fatal(code)
			}
			f.stop()
			if err := harm(t, dir); err != nil {
				t.Fatal(err)
			}
			for range 2 {
				f = newFront(t, siteOutput(), inDir(dir))
				pump(t, f)
				l := f.lockState()
				if w, code := f.write("1"); code != "4.03" || l == nil {
					t.Fatalf("after a new start: %s %+v, lock-out %+v", code, w, l)
				}
				f.outputs.Tick()
				eventually(t, "it is on the disk twice", func() bool { return f.Stats().LockOutsNotSafe == 0 })
				f.stop()
				locks, err := output.LoadLocks(dir)
				if err != nil || len(locks) != 1 {
					t.Errorf("file of lock-outs: %v (%v)", locks, err)
				}
				if b, err := os.ReadFile(filepath.Join(dir, auditFile)); err != nil || !bytes.Contains(b, []byte(`"event":"lock"`)) {
					t.Errorf("audit log: %.300s (%v)", b, err)
				}
			}
		})
	}
}

// Where neither the file of lock-outs nor the audit log can be relied on, nothing starts.
func TestLockOutsLost(t *testing.T) {
	for name, log := range map[string]string{"no log": "", "a damaged log": "{\"event\":\n{\"event\":\"lock\"}\n"} {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, locksFile), []byte("{"), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, auditFile), []byte(log), 0o600); err != nil {
			t.Fatal(err)
		}
		s := New(Options{Control: filepath.Join(t.TempDir(), "c"), Outputs: []output.Output{{Place: "x", Resource: "/y"}}, StateDir: dir})
		if err := s.Listen(); err == nil || !strings.Contains(err.Error(), locksFile) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A lock-out that the disk does not take holds, is said to be not safe, and is tried again
// until the disk has it.
func TestLockOutTriedAgain(t *testing.T) {
	dir := t.TempDir()
	f := newFront(t, siteOutput(), inDir(dir))
	pump(t, f)
	blocker := filepath.Join(dir, locksFile+".new") // no file can be made under this name
	if err := os.Mkdir(blocker, 0o700); err != nil {
		t.Fatal(err)
	}
	if a, code := f.control2(codes.PUT, siteLock, "the belt is off"); code != "5.00" || !strings.Contains(string(a.Body), "not safe") {
		t.Errorf("lock: %s %s", code, a.Body)
	}
	if w, code := f.write("1"); code != "4.03" {
		t.Errorf("%s %+v", code, w)
	}
	f.outputs.Tick()
	if l := f.lockState(); l == nil || !strings.Contains(l.NotSafe, "not on the disk") || f.Stats().LockOutsNotSafe != 1 {
		t.Errorf("%+v", l)
	}
	if err := os.Remove(blocker); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the disk has it", func() bool { f.outputs.Tick(); return f.Stats().LockOutsNotSafe == 0 })
	if l := f.lockState(); l == nil || l.NotSafe != "" {
		t.Errorf("%+v", l)
	}
	f.stop()
	if locks, err := output.LoadLocks(dir); err != nil || len(locks) != 1 || locks["grain-bin/output"].NotSafe != "" {
		t.Errorf("%v (%v)", locks, err)
	}
	if got := words(auditLines(t, dir)); len(slices.DeleteFunc(got, func(s string) bool { return s != "lock" })) != 1 {
		t.Errorf("audit log: %q", got)
	}
}

// The audit log says that a lock-out was lifted only once that holds.
func TestUnlockLoggedWhenItHolds(t *testing.T) {
	dir := t.TempDir()
	f := newFront(t, siteOutput(), inDir(dir))
	pump(t, f)
	if _, code := f.ask(codes.PUT, siteLock, "the belt is off"); code != "2.04" {
		t.Fatal(code)
	}
	blocker := filepath.Join(dir, locksFile+".new")
	if err := os.Mkdir(blocker, 0o700); err != nil {
		t.Fatal(err)
	}
	if _, code := f.ask(codes.DELETE, siteLock, ""); code != "5.00" {
		t.Errorf("lift: %s", code)
	}
	if w, code := f.write("1"); code != "4.03" {
		t.Errorf("%s %+v", code, w)
	}
	if got := words(auditLines(t, dir)); slices.Contains(got, "unlock") {
		t.Errorf("audit log: %q", got)
	}
	if err := os.Remove(blocker); err != nil {
		t.Fatal(err)
	}
	if _, code := f.ask(codes.DELETE, siteLock, ""); code != "2.02" || f.lockState() != nil {
		t.Errorf("lift: %s", code)
	}
	f.stop()
	f = newFront(t, siteOutput(), inDir(dir))
	if l := f.lockState(); l != nil {
		t.Errorf("after a new start: %+v", l)
	}
}

// A lock-out holds, and withdraws what waits, before it waits for the disk. Here the disk hangs
// on another output's lock-out.
func TestLockOutBeforeDisk(t *testing.T) {
	dir := t.TempDir()
	f := newFront(t, siteOutput(), inDir(dir))
	if err := f.SetOutputs([]output.Output{f.opts.Outputs[0], {Place: "mast", Resource: "/lamp", Safe: "0"}}); err != nil {
		t.Fatal(err)
	}
	r := pump(t, f)
	do(t, r, func(m *sim.Mesh) error { return m.Silence("pump", time.Minute) })
	pipe := filepath.Join(dir, locksFile+".new") // to open it for writing waits for a reader
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	locked := make(chan string, 2)
	lock := func(path string) { _, code := f.ask(codes.PUT, path, "the belt is off"); locked <- code }
	go lock("/outputs/mast/lamp/lock")
	eventually(t, "the disk hangs", func() bool { return f.Stats().LockOutsNotSafe == 1 })
	done := make(chan api.Written, 1)
	go func() { w, _ := f.write("1", "within=2"); done <- w }()
	eventually(t, "it is on its way", func() bool { return f.Stats().NodeMessages > 0 })
	go lock(siteLock)
	eventually(t, "it is locked out", func() bool { return f.Stats().OutputsLocked == 2 })
	sent := f.Stats().NodeMessages
	if w := <-done; w.Outcome != api.OutcomeUnknown || f.Stats().NodeMessages != sent {
		t.Errorf("%+v; sent %d times more", w, f.Stats().NodeMessages-sent)
	}
	if w, code := f.write("1"); code != "4.03" {
		t.Errorf("%s %+v", code, w)
	}
	if l := f.lockState(); l == nil || l.NotSafe == "" {
		t.Errorf("%+v", l)
	}
	select {
	case code := <-locked:
		t.Errorf("the disk did not hang: %s", code)
	default:
	}
	reader, err := os.OpenFile(pipe, os.O_RDONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	<-locked
	if err := os.Remove(pipe); err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	<-locked
}

// The rate at which a lock-out can be made and lifted is bounded. To make one is never refused.
func TestLockOutRate(t *testing.T) {
	dir := t.TempDir()
	f := newFront(t, siteOutput(), inDir(dir))
	pump(t, f)
	lifted := 0
	for range 50 {
		if _, code := f.ask(codes.PUT, siteLock, "the belt is off"); code != "2.04" {
			t.Errorf("lock: %s", code)
		}
		switch _, code := f.ask(codes.DELETE, siteLock, ""); code {
		case "2.02":
			lifted++
		case "4.29":
		default:
			t.Errorf("lift: %s", code)
		}
	}
	if l := f.lockState(); l == nil || lifted != 10 {
		t.Errorf("lifted %d times; %+v", lifted, l)
	}
	for i := range 50 { // another reason is a change, too
		if _, code := f.ask(codes.PUT, siteLock, fmt.Sprint("reason ", i)); code != "4.29" {
			t.Errorf("another reason: %s", code)
		}
	}
	if n := len(auditLines(t, dir)); n > 25 {
		t.Errorf("%d lines", n)
	}
	f.age(time.Minute)
	if _, code := f.ask(codes.DELETE, siteLock, ""); code != "2.02" {
		t.Errorf("after a minute: %s", code)
	}
}

// An audit log that could not be opened at the start is tried again: lock-outs that were made
// meanwhile get to the disk, and outputs are driven again.
func TestAuditOpenedLater(t *testing.T) {
	dir := t.TempDir()
	blocker := filepath.Join(dir, auditFile)
	if err := os.Mkdir(blocker, 0o700); err != nil {
		t.Fatal(err)
	}
	f := newFront(t, siteOutput(), inDir(dir))
	pump(t, f)
	if _, code := f.ask(codes.PUT, siteLock, "the belt is off"); code != "5.00" || f.Stats().AuditShut == "" {
		t.Errorf("lock: %s", code)
	}
	if w, code := f.write("0"); code != "2.04" { // the safe value passes both
		t.Errorf("%s %+v", code, w)
	}
	if err := os.Remove(blocker); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the disk has the lock-out", func() bool { f.outputs.Tick(); return f.Stats().LockOutsNotSafe == 0 })
	if l := f.lockState(); l == nil || l.NotSafe != "" || f.Stats().AuditShut != "" {
		t.Errorf("%+v", l)
	}
	if _, code := f.ask(codes.DELETE, siteLock, ""); code != "2.02" {
		t.Errorf("lift: %s", code)
	}
	if w, code := f.write("1"); code != "2.04" {
		t.Errorf("%s %+v", code, w)
	}
	f.stop()
	lines := auditLines(t, dir)
	if got := words(lines); !slices.Equal(got, []string{"intent", "outcome done", "lock", "unlock", "intent", "outcome done"}) {
		t.Fatalf("audit log: %q", got)
	}
	if lines[0].Value != "0" || lines[0].ID != lines[1].ID || lines[0].ID == lines[4].ID || lines[4].ID != lines[5].ID {
		t.Errorf("%+v", lines)
	}
}

// A lock-out does not fail for its reason, and no terminal is moved by one.
func TestLockOutReason(t *testing.T) {
	for said, want := range map[string]string{
		"": "", "the belt is off": "the belt is off", "größer": "größer", strings.Repeat("x", 300): strings.Repeat("x", 200), strings.Repeat("ä", 150): strings.Repeat("ä", 100),
		"x" + strings.Repeat("ä", 150): "x" + strings.Repeat("ä", 99), "\xff\x1b[2J\x00\n": `\xff\u001b[2J\u0000\u000a`, "a\u202eb": `a\u202eb`, "\u0085": `\u0085`,
	} {
		dir := t.TempDir()
		f := newFront(t, siteOutput(), inDir(dir))
		if _, code := f.ask(codes.PUT, siteLock, said); code != "2.04" {
			t.Errorf("%q: %s", said, code)
		}
		if l := f.lockState(); l == nil || l.Reason != want {
			t.Errorf("%q: %+v, want %q", said, l, want)
		}
		f.stop()
		for _, lost := range []string{"", locksFile} { // by the file, and by the audit log
			if lost != "" {
				if err := os.Remove(filepath.Join(dir, lost)); err != nil {
					t.Fatal(err)
				}
			}
			f = newFront(t, siteOutput(), inDir(dir))
			if l := f.lockState(); l == nil || l.Reason != want {
				t.Errorf("%q after a new start without %q: %+v, want %q", said, lost, l, want)
			}
			f.stop()
		}
	}
}
