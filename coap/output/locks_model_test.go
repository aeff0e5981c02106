package output

import (
	"fmt"
	"log/slog"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"culvert/coap/api"
)

const workers = 3

// lockModel is what must be true of the lock-outs of one output, whatever the disk did.
type lockModel struct {
	t     *testing.T
	r     *rand.Rand
	dir   string
	o     *Outputs
	now   time.Time
	holds map[string]bool // locked, and the answer said that it is on the disk
	maybe map[string]bool // an answer said that the disk did not take the change: either may be true after a crash
	log   []string
}

func (m *lockModel) start() {
	m.t.Helper()
	m.o = New(Options{Log: slog.New(slog.DiscardHandler), Now: func() time.Time { return m.now }})
	if err := m.o.Open([]Output{{Place: "sump", Resource: "/output", Safe: "0"}}, UndeclaredAsk, m.dir); err != nil {
		m.t.Fatalf("%v\n%v", err, m.log)
	}
	if m.o.audit.isShut() {
		m.t.Fatalf("%v\n%v", m.o.audit.shut, m.log)
	}
	m.o.audit.max = 1500 // begins new files all the time
}

func (m *lockModel) locked() []string {
	m.o.mu.Lock()
	defer m.o.mu.Unlock()
	var out []string
	for _, l := range m.o.entries()[0].locks {
		out = append(out, l.By)
	}
	slices.Sort(out)
	return out
}

// check compares memory with the model: locked is at least what holds, at most that and what
// may be.
func (m *lockModel) check() {
	m.t.Helper()
	is := m.locked()
	for by := range m.holds {
		if !slices.Contains(is, by) {
			m.t.Fatalf("the lock-out of %s is lost: %q\n%v", by, is, m.log)
		}
	}
	for _, by := range is {
		if !m.holds[by] && !m.maybe[by] {
			m.t.Fatalf("%s has a lock-out: %q\n%v", by, is, m.log)
		}
	}
}

func (m *lockModel) step() {
	x := m.o.entries()[0]
	by := fmt.Sprintf("worker %d", m.r.IntN(workers))
	m.now = m.now.Add(time.Duration(m.r.IntN(100)) * time.Second)
	blocker := filepath.Join(m.dir, locksFile+".new")
	if m.r.IntN(4) == 0 { // the file of lock-outs cannot be written
		if err := os.MkdirAll(blocker, 0o700); err != nil {
			m.t.Fatal(err)
		}
		defer os.Remove(blocker)
	}
	if m.r.IntN(4) == 0 { // nor the audit log
		good := m.o.audit.f
		bad, err := os.Open(m.o.audit.name(0))
		if err != nil {
			m.t.Fatal(err)
		}
		m.o.audit.f = bad
		defer func() {
			if m.o.audit.f == bad { // no new file was begun meanwhile
				m.o.audit.f = good
			}
			bad.Close()
		}()
	}
	switch op := m.r.IntN(4); op {
	case 0:
		l, err := m.o.lockNow(x, api.LockOut{By: by, Since: m.now, Door: "dtls", Reason: fmt.Sprint(m.r.IntN(2))})
		if l == nil {
			m.t.Fatal(err)
		}
		if !slices.Contains(m.locked(), by) {
			m.t.Fatalf("%s is not locked at once", by)
		}
		saved := err != nil || m.o.persist(x.outputState, outputName{"sump", "/output"}, l) == nil
		m.log = append(m.log, fmt.Sprintln("lock", by, saved, err))
		if saved {
			m.holds[by] = true
			delete(m.maybe, by)
		} else if !m.holds[by] {
			m.maybe[by] = true
		}
	case 1, 2:
		was := slices.Contains(m.locked(), by)
		err := m.o.lift(x, by, AuditLine{Event: "unlock", Identity: by, Of: by, Door: "dtls", Place: "sump", Resource: "/output"})
		m.log = append(m.log, fmt.Sprintln("lift", by, err))
		switch {
		case err == nil:
			delete(m.holds, by)
			delete(m.maybe, by)
		case was && !slices.Contains(m.locked(), by):
			m.t.Fatalf("it was not lifted, and is gone\n%v", m.log)
		}
	case 3:
		for _, l := range m.o.locksOf(x.outputState) {
			if m.o.persist(x.outputState, outputName{"sump", "/output"}, l) == nil && m.maybe[l.By] {
				m.holds[l.By] = true
				delete(m.maybe, l.By)
			}
		}
		m.log = append(m.log, "again\n")
	}
	m.check()
}

// crash ends the daemon without a word, takes one of the two records away now and then, if all
// lock-outs are safe, and starts another one.
func (m *lockModel) crash() {
	safe := m.o.Stats().NotSafe == 0
	m.o.audit.f.Close()
	for by := range m.maybe { // neither is wrong, and what it is then counts
		delete(m.holds, by)
	}
	loses := ""
	if safe {
		loses = []string{"", "", locksFile, auditFile}[m.r.IntN(4)]
	}
	if loses != "" {
		if err := os.Remove(filepath.Join(m.dir, loses)); err != nil && !os.IsNotExist(err) {
			m.t.Fatal(err)
		}
	}
	if loses == auditFile { // the file before it may tell of lock-outs that were lifted since: they come back, which is the safe side
		for i := range workers {
			m.maybe[fmt.Sprintf("worker %d", i)] = true
		}
	}
	m.log = append(m.log, fmt.Sprintln("crash", loses))
	m.start()
	m.check()
	is := m.locked()
	for _, by := range slices.Collect(maps.Keys(m.maybe)) {
		if slices.Contains(is, by) {
			m.holds[by] = true
		}
	}
	m.maybe = map[string]bool{}
	m.now = m.now.Add(time.Hour) // the start has the budget of lifts anew, too
	for _, l := range m.o.locksOf(m.o.entries()[0].outputState) {
		if err := m.o.persist(m.o.entries()[0].outputState, outputName{"sump", "/output"}, l); err != nil {
			m.t.Fatal(err)
		}
	}
}

// Whatever is locked, lifted and refused by the disk in whatever order, and wherever the daemon is
// killed: a lock-out that was answered as safe is there until its lift was answered as done, also
// where one of its two records is lost; and what was lifted does not come back, unless the audit log is lost.
func TestLockOutModel(t *testing.T) {
	runs := 60
	if testing.Short() {
		runs = 20
	}
	for seed := range runs {
		m := &lockModel{t: t, r: rand.New(rand.NewPCG(uint64(seed), 1)), dir: t.TempDir(), now: time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC),
			holds: map[string]bool{}, maybe: map[string]bool{}}
		m.start()
		for range 40 {
			if m.r.IntN(10) == 0 {
				m.crash()
			} else {
				m.step()
			}
		}
		m.o.audit.f.Close()
	}
}

// The lock-outs of one output are bounded; one more leaves it locked out.
func TestLockOutsBounded(t *testing.T) {
	m := &lockModel{t: t, dir: t.TempDir(), now: time.Now(), holds: map[string]bool{}, maybe: map[string]bool{}}
	m.start()
	for i := range maxLocks + 3 {
		l, err := m.o.lockNow(m.o.entries()[0], api.LockOut{By: fmt.Sprint(i), Since: m.now})
		if (err != nil) != (i >= maxLocks) || (l == nil) != (err != nil) {
			t.Errorf("lock-out %d: %v", i, err)
		}
	}
	if n := len(m.locked()); n != maxLocks {
		t.Errorf("%d lock-outs", n)
	}
	m.o.audit.f.Close()
}

// Lock-outs, lifts, retries, reloads and figures at once: each identity sees its own lock-out, and
// in the end the disk has what memory has.
func TestLockOutsAtOnce(t *testing.T) {
	m := &lockModel{t: t, dir: t.TempDir(), now: time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC)}
	m.start()
	m.o.unlocks.burst = 1 << 20
	declared := []Output{{Place: "sump", Resource: "/output", Safe: "0"}}
	var wg sync.WaitGroup
	for i := range 4 {
		wg.Go(func() {
			by := fmt.Sprint("worker ", i)
			for n := range 8 {
				x := m.o.entries()[0]
				l, err := m.o.lockNow(x, api.LockOut{By: by, Since: m.now, Door: "dtls", Reason: fmt.Sprint(n)})
				if err != nil || m.o.persist(x.outputState, outputName{"sump", "/output"}, l) != nil || !slices.Contains(m.locked(), by) {
					t.Errorf("%s locks: %v", by, err)
				}
				if n == 7 && i%2 == 0 {
					break // stays
				}
				if err := m.o.lift(x, by, AuditLine{Event: "unlock", Identity: by, Of: by, Door: "dtls", Place: "sump", Resource: "/output"}); err != nil || slices.Contains(m.locked(), by) {
					t.Errorf("%s lifts: %v", by, err)
				}
				m.o.Tick()
				_ = m.o.Stats()
				_ = m.o.List()
				if err := m.o.SetOutputs(declared); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	want := []string{"worker 0", "worker 2"}
	if got := m.locked(); !slices.Equal(got, want) {
		t.Errorf("locked by %q", got)
	}
	if err := m.o.Close(); err != nil {
		t.Fatal(err)
	}
	for _, lost := range []string{locksFile, auditFile} {
		if err := os.Remove(filepath.Join(m.dir, lost)); err != nil {
			t.Fatal(err)
		}
		m.start()
		if got := m.locked(); lost == locksFile && !slices.Equal(got, want) || !slices.Contains(got, "worker 0") || !slices.Contains(got, "worker 2") {
			t.Errorf("without %s: locked by %q", lost, got)
		}
		m.o.Tick()
		if err := m.o.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
