package coap

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/api"
)

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
	const value = "1"
	for range 100 {
		if w, code = f.write(value); code == "5.00" {
			break
		}
	}
	if code != "5.00" || w.Outcome != api.OutcomeRefused || !strings.Contains(w.Reason, "audit log") {
		t.Errorf("without room: %s %+v, output %s", code, w, f.reads("output"))
	}
	// But a machine is stopped; the lines follow.
	if w, code = f.write("0"); code != "2.04" || w.Outcome != api.OutcomeDone || f.reads("output") != "0" {
		t.Errorf("the safe value without room: %s %+v, output %s", code, w, f.reads("output"))
	}
	asked := f.Stats().NodeMessages
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
	open, safe := map[uint64]bool{}, 0
	for _, l := range auditLines(t, dir) { // each can be read
		switch l.Event {
		case "intent":
			open[l.ID] = true
			if l.Safe {
				safe++
			}
		case "outcome":
			delete(open, l.ID)
		}
	}
	if len(open) > 0 || safe != 1 {
		t.Errorf("intents without an outcome: %v; %d of a safe value", open, safe)
	}
}

// A disk that refuses the audit log, or the lock-outs, when the daemon starts keeps
// nothing from running but the outputs: none is driven, and no lock-out that could not
// be read is lost.
func TestAuditRefusedAtStart(t *testing.T) {
	for _, name := range []string{"audit.jsonl", "lockouts.json"} {
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
