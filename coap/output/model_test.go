package output

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"pgregory.net/rapid"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/coap/access"
	"culvert/coap/api"
	"culvert/coap/msg"
	"culvert/coap/nodeclient"
)

// modelWorld is a daemon's outputs, its machine, and what the model knows.
type modelWorld struct {
	t      rapid.TB
	dir    string
	m      *machine
	meshes node.Meshes
	member node.Member
	ahead  atomic.Int64
	slept  atomic.Int64
	base   time.Time

	nodes  *nodeclient.Client
	out    *Outputs
	ends   sync.WaitGroup // of the client's reader
	number int
	locks  map[uint32]bool
	open   sync.WaitGroup // writes without an answer
	ons    atomic.Int64   // of other values without an answer
	offs   []string       // numbers of writes of the safe value since the last crash
	safes  atomic.Int64   // writes of the safe value without an answer
	killed atomic.Bool    // what is answered now does not count

	declared []Output
	kept     *os.File // while the disk is full
	mu       sync.Mutex
	begun    time.Time // the latest write that may have reached the machine, or the start after it
}

func (w *modelWorld) now() time.Time { return w.base.Add(time.Duration(w.ahead.Load())) }

func newModelWorld(t rapid.TB, dir string, interval time.Duration) *modelWorld {
	table, err := node.New(node.Options{Prefix: netip.MustParsePrefix("fd5e:2a11:77c0:1::/64"), Places: []node.Place{{Name: "sump", EUI64: ieee802154.Extended(0x00005eef10000005)}}})
	if err != nil {
		t.Fatal(err)
	}
	w := &modelWorld{t: t, dir: dir, m: newMachine(t), meshes: node.Meshes{{Name: "fenland", Table: table}}, base: time.Now(), locks: map[uint32]bool{},
		declared: []Output{{Place: "sump", Resource: "/output", Safe: "0", Interval: interval}}}
	w.member = node.Member{Mesh: w.meshes[0], Node: table.Attach(node.Joined{EUI64: ieee802154.Extended(0x00005eef10000005)}, w.base).Node}
	w.m.now = w.base
	go w.m.run()
	w.start()
	return w
}

// start begins a daemon.
func (w *modelWorld) start() {
	at := w.m.conn.LocalAddr().(*net.UDPAddr).AddrPort()
	locate := func(node.Member) netip.AddrPort { return at }
	transmission := nodeclient.Transmission{AckTimeout: time.Second}.WithDefaults()
	w.nodes = nodeclient.New(nodeclient.Options{Meshes: w.meshes, Default: &transmission, Locate: locate, Now: w.now, NotAfter: w.m.notAfter})
	if err := w.nodes.Open(); err != nil {
		w.t.Fatal(err)
	}
	nodes := w.nodes
	w.ends.Go(func() { _ = nodes.Run() })
	w.out = New(Options{Nodes: w.nodes, Meshes: w.meshes, Locate: locate, Who: func(*msg.Request) *access.Identity { return nil },
		Log: slog.New(slog.DiscardHandler), Now: w.now, Boot: func() time.Duration { return BootTime() + time.Duration(w.slept.Load()) }})
	w.killed.Store(false)
	if !w.begun.IsZero() {
		w.begun = w.now()
	}
	if err := w.out.Open(w.declared, "", w.dir); err != nil {
		w.t.Fatal(err)
	}
}

// crash ends the daemon as a kill does: nothing is written any more. Whoever waits gets no
// answer that counts.
func (w *modelWorld) crash() {
	w.killed.Store(true)
	if w.number > 0 { // of an intent without an outcome nobody knows whether it was sent
		w.sent(w.now())
	}
	w.out.audit.mu.Lock()
	w.out.audit.shut = errors.New("killed")
	w.out.audit.mu.Unlock()
	w.nodes.Close()
	w.open.Wait()
	w.ends.Wait()
	w.out.wg.Wait()
	w.out.audit.f.Close()
	w.offs = nil // what the disk did not take is lost with the daemon
}

func (w *modelWorld) request(code codes.Code, uid uint32, body string, query ...string) *msg.Request {
	r := &msg.Request{Code: code, Payload: []byte(body), Peer: msg.Peer{Door: msg.DoorControl, UID: uid, Conn: 1}}
	for _, q := range query {
		r.Options = append(r.Options, message.Option{ID: message.URIQuery, Value: []byte(q)})
	}
	return r
}

// write writes a value, and calls done with what came of it.
func (w *modelWorld) write(value string, within time.Duration, done func(api.Written, codes.Code)) {
	w.open.Add(1)
	req := w.request(codes.PUT, 1, value, fmt.Sprintf("within=%d", int(within.Seconds())))
	w.out.Intercept(req, w.member, "/output", nil, func(r msg.Response) {
		defer w.open.Done()
		done(api.Written{Outcome: string(r.Payload)}, r.Code)
	})
}

// settled brings the machine's view of the model up to date.
func (w *modelWorld) settled() {
	for range 3 { // a write, its read-back, and their lines
		for w.out.wg.running.Load() > 0 {
			runtime.Gosched()
		}
		w.m.settle(w.t)
		w.m.settleClient(w.t, w.nodes)
	}
	w.m.mu.Lock()
	defer w.m.mu.Unlock()
	w.m.now, w.m.locked = w.now(), len(w.locks) > 0
	for _, f := range w.m.faults {
		w.t.Errorf("%s", f)
	}
	w.m.faults = nil
}

func (w *modelWorld) silent(is bool) {
	w.m.mu.Lock()
	defer w.m.mu.Unlock()
	w.m.silent = is
}

// pass lets time pass, in steps of the daemon's ticks, until the condition holds.
func (w *modelWorld) pass(d time.Duration, until func() bool) {
	for end := w.now().Add(d); w.now().Before(end) && !until(); {
		w.ahead.Add(int64(500 * time.Millisecond))
		w.slept.Add(int64(500 * time.Millisecond))
		w.out.CheckStandstill()
		w.nodes.Tick(w.now())
		w.settled()
	}
}

// on writes another value than the safe one.
func (w *modelWorld) on(within time.Duration) {
	w.number++
	value := fmt.Sprint("on", w.number)
	at := w.now()
	w.m.mu.Lock()
	w.m.last[value] = at.Add(within)
	w.m.mu.Unlock()
	w.ons.Add(1)
	locked := len(w.locks) > 0
	w.mu.Lock()
	free := at.Sub(w.begun) >= w.declared[0].Interval
	w.mu.Unlock()
	w.write(value, within, func(r api.Written, code codes.Code) {
		defer w.ons.Add(-1)
		refused := strings.Contains(r.Outcome, api.OutcomeRefused)
		switch {
		case w.killed.Load():
		case locked && !refused:
			w.t.Errorf("on while it is locked out: %v %s", code, r.Outcome)
		case free && strings.Contains(r.Outcome, "too soon"):
			w.t.Errorf("the interval is over, and on is refused: %s", r.Outcome)
		}
		if !refused {
			w.sent(at)
		}
		w.m.void(value, w.now())
	})
}

// sent notes the time of a write that may have reached the machine.
func (w *modelWorld) sent(at time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if at.After(w.begun) {
		w.begun = at
	}
}

// writeSafe writes the safe value, after which nothing written before may come any more.
func (w *modelWorld) writeSafe(within time.Duration, done func(api.Written, codes.Code)) {
	w.write("0", within, done)
	w.m.voids(w.now())
}

// offAtOnce writes the safe value several times, and waits for nothing.
func (w *modelWorld) offAtOnce(times int, within time.Duration) {
	for range times {
		w.sent(w.now())
		w.safes.Add(1)
		w.writeSafe(within, func(r api.Written, code codes.Code) {
			defer w.safes.Add(-1)
			if !w.killed.Load() && strings.Contains(r.Outcome, api.OutcomeRefused) {
				w.t.Errorf("one of %d offs was refused: %v %s", times, code, r.Outcome)
			}
		})
	}
}

// off writes the safe value, lets time pass until it has an answer, and checks it.
func (w *modelWorld) off(within time.Duration) {
	w.sent(w.now())
	var answer atomic.Pointer[string]
	w.writeSafe(within, func(r api.Written, code codes.Code) {
		s := msg.CodeText(code) + " " + r.Outcome
		answer.Store(&s)
	})
	answers := w.m.answers()
	w.pass(within+longestWrite+2*readBackTime, func() bool { return answer.Load() != nil })
	if answer.Load() == nil {
		w.t.Fatalf("off has no answer")
	}
	got := *answer.Load()
	if _, rest, ok := strings.Cut(got, `"id":`); ok {
		number, _, _ := strings.Cut(rest, ",")
		w.offs = append(w.offs, number)
	}
	w.m.mu.Lock()
	value := w.m.value
	w.m.mu.Unlock()
	switch {
	case strings.Contains(got, api.OutcomeRefused):
		w.t.Errorf("off was refused: %s", got)
	case answers && !strings.HasPrefix(got, "2.04"):
		w.t.Errorf("off, and the node answers: %s", got)
	case answers && value != "0":
		w.t.Errorf("off is done, and the machine is at %q: %s", value, got)
	}
}

// lock makes or lifts the lock-out of a user, and waits for the answer.
func (w *modelWorld) lock(uid uint32, lock bool) {
	code := codes.PUT
	if !lock {
		code = codes.DELETE
	}
	got := make(chan msg.Response, 1)
	if lock { // it holds from the moment it is asked for; what was sent before is taken first
		w.out.Serve(w.request(code, uid, "in the sump"), "/outputs/sump/output/lock", func(r msg.Response) { got <- r })
		r := <-got
		if r.Code != codes.Changed && r.Code != codes.InternalServerError && r.Code != msg.CodeTooMany {
			w.t.Errorf("lock: %v %s", r.Code, r.Payload)
		}
		w.locks[uid] = true
		w.settledLater()
		return
	}
	w.out.Serve(w.request(code, uid, ""), "/outputs/sump/output/lock", func(r msg.Response) { got <- r })
	if r := <-got; r.Code == codes.Deleted && w.locks[uid] {
		delete(w.locks, uid)
	}
	w.settled()
}

// settledLater is settled after what was sent before a lock-out has been taken.
func (w *modelWorld) settledLater() {
	w.m.settle(w.t)
	w.settled()
}

// fill has clients without an identity ask the node for more than its queue takes.
func (w *modelWorld) fill() {
	at := w.m.conn.LocalAddr().(*net.UDPAddr).AddrPort()
	for i := range 30 {
		w.nodes.Submit(at, &nodeclient.Exchange{Code: codes.GET, Options: message.Options{{ID: message.URIPath, Value: []byte("x")}},
			Anonymous: i%2 == 0, Deadline: w.now().Add(time.Minute), Reply: func(msg.Response) {}})
	}
}

// full takes the disk away, or gives it back.
func (w *modelWorld) full(is bool) {
	kept := &w.kept
	a := w.out.audit
	a.mu.Lock()
	defer a.mu.Unlock()
	switch {
	case is && *kept == nil:
		f, err := os.OpenFile("/dev/full", os.O_RDWR, 0)
		if err != nil {
			w.t.Fatal(err)
		}
		*kept, a.f = a.f, f
	case !is && *kept != nil:
		a.f.Close()
		a.f, *kept, a.torn = *kept, nil, true
	}
}

// finish ends the daemon, and checks that the audit log tells what happened.
func (w *modelWorld) finish() {
	w.pass(2*time.Minute, func() bool { return w.ons.Load() == 0 && w.safes.Load() == 0 })
	w.open.Wait()
	w.settled()
	w.nodes.Close()
	w.ends.Wait()
	w.out.wg.Wait()
	if err := w.out.Close(); err != nil {
		w.t.Errorf("close: %v", err)
	}
	w.m.conn.Close()
	files, err := filepath.Glob(filepath.Join(w.dir, "audit*.jsonl")) // the age of the latest one may have put it aside
	if err != nil {
		w.t.Fatal(err)
	}
	var b []byte
	for _, name := range files {
		part, err := os.ReadFile(name)
		if err != nil {
			w.t.Fatal(err)
		}
		b = append(b, part...)
	}
	for v := range w.m.told {
		if !bytes.Contains(b, []byte(`"value":"`+v+`"`)) {
			w.t.Errorf("%s went to the machine, and the audit log does not tell", v)
		}
	}
	for _, n := range w.offs {
		if !bytes.Contains(b, []byte(`"event":"intent","id":`+n+`,`)) {
			w.t.Errorf("the audit log has no intent %s of a safe value", n)
		}
	}
	a, _, err := openAudit(w.dir, time.Now)
	if err != nil {
		w.t.Fatal(err)
	}
	if len(a.open) > 0 {
		w.t.Errorf("%d intents without an outcome", len(a.open))
	}
	a.close()
	w.open.Wait()
}

// Outputs under the model: whatever comes in whatever order, the safe value is never refused
// and is where the machine ends if it answers, nothing else acts after its deadline or while
// the output is locked out, and the audit log tells all that happened. 500 runs; 10,000 with
// CULVERT_LONG=1.
func TestLongOutputsModel(t *testing.T) {
	runs := "500"
	if os.Getenv("CULVERT_LONG") != "" {
		runs = "10000"
	}
	was := flag.Lookup("rapid.checks").Value.String()
	if err := flag.Set("rapid.checks", runs); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = flag.Set("rapid.checks", was) })
	dirs := t.TempDir()
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		n++
		dir := filepath.Join(dirs, fmt.Sprint(n))
		if err := os.Mkdir(dir, 0o700); err != nil {
			t.Fatal(err)
		}
		w := newModelWorld(t, dir, time.Duration(rapid.SampledFrom([]int{0, 15}).Draw(t, "interval"))*time.Second)
		w.silent(rapid.Bool().Draw(t, "begins silent"))
		for range rapid.IntRange(1, 12).Draw(t, "steps") {
			w.step(t)
			w.settled()
		}
		w.full(false)
		w.m.radio(false, w.now())
		w.silent(false)
		w.off(20 * time.Second)
		w.finish()
	})
}

// step does one thing, whichever it is.
func (w *modelWorld) step(t *rapid.T) {
	seconds := func(from, to int) time.Duration {
		return time.Duration(rapid.IntRange(from, to).Draw(t, "seconds")) * time.Second
	}
	switch rapid.SampledFrom(modelSteps).Draw(t, "step") {
	case "on":
		w.on(seconds(2, 60))
	case "off":
		w.off(seconds(2, 20))
	case "offs":
		w.offAtOnce(rapid.IntRange(1, 5).Draw(t, "times"), seconds(2, 20))
	case "lock":
		w.lock(uint32(rapid.IntRange(1, 2).Draw(t, "user")), true)
	case "unlock":
		w.lock(uint32(rapid.IntRange(1, 2).Draw(t, "user")), false)
	case "fill":
		w.fill()
	case "silent":
		w.silent(true)
	case "answers":
		w.silent(false)
	case "radio dead":
		w.m.radio(true, w.now())
	case "radio back":
		w.m.radio(false, w.now())
	case "time":
		w.pass(seconds(1, 30), func() bool { return false })
	case "stand still":
		w.slept.Add(int64(3 * time.Second))
		w.out.CheckStandstill()
		w.m.voids(w.now())
	case "reload":
		for _, declared := range [][]Output{nil, w.declared}[rapid.IntRange(0, 1).Draw(t, "from"):] {
			if err := w.out.SetOutputs(declared); err != nil {
				t.Errorf("reload: %v", err)
			}
		}
	case "full":
		w.full(true)
	case "room":
		w.full(false)
	case "crash":
		w.full(false)
		w.crash()
		// What a dead daemon left in the queue of its mesh is not the outputs' to call back;
		// no later daemon goes on with it.
		w.m.forget()
		w.base = w.base.Add(rapid.SampledFrom([]time.Duration{0, 0, -365 * 24 * time.Hour, 730 * 24 * time.Hour}).Draw(t, "clock"))
		w.start()
	}
}

// modelSteps are what may happen; what stands twice happens more often.
var modelSteps = []string{"on", "on", "on", "off", "offs", "lock", "unlock", "fill", "silent", "answers", "radio dead", "radio back",
	"time", "time", "stand still", "reload", "full", "room", "crash"}
