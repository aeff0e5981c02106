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
	"github.com/plgd-dev/go-coap/v3/udp/coder"
	"pgregory.net/rapid"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/coap/access"
	"culvert/coap/api"
	"culvert/coap/msg"
	"culvert/coap/nodeclient"
)

// machine is the node of the model: a CoAP server whose output is what was written last, and
// which may fall silent. It knows what the model allows it to be told.
type machine struct {
	conn *net.UDPConn

	mu      sync.Mutex
	silent  bool
	value   string
	now     time.Time            // of the model: what was sent before it began has been taken
	locked  bool                 // of the model
	last    map[string]time.Time // deadline of each value but the safe one
	told    map[string]bool      // values that came
	mids    map[uint16]bool
	faults  []string
	barrier chan struct{}
	came    func(value string) // nil: nobody is told
}

func newMachine(t rapid.TB) *machine {
	c, err := net.ListenUDP("udp6", &net.UDPAddr{IP: net.IPv6loopback})
	if err != nil {
		t.Fatal(err)
	}
	return &machine{conn: c, value: "0", last: map[string]time.Time{}, told: map[string]bool{}, mids: map[uint16]bool{}, barrier: make(chan struct{}, 1)}
}

func (m *machine) run() {
	buf := make([]byte, 2048)
	for {
		n, from, err := m.conn.ReadFromUDPAddrPort(buf)
		if err != nil {
			return
		}
		if n == 1 || n == 4 && buf[0] == 0x70 { // a Reset: nothing else here is answered by one
			m.barrier <- struct{}{}
			continue
		}
		if b := m.take(buf[:n]); b != nil {
			_, _ = m.conn.WriteToUDPAddrPort(b, from)
		}
	}
}

// take answers one datagram, and looks at whether it may come.
func (m *machine) take(b []byte) []byte {
	q := message.Message{Options: make(message.Options, 0, msg.MaxOptions)}
	if _, err := coder.DefaultCoder.Decode(b, &q); err != nil || q.Type != message.Confirmable {
		return nil
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if v := string(q.Payload); q.Code == codes.PUT && v != "0" {
		switch until, known := m.last[v]; {
		case !known:
			m.faults = append(m.faults, "a value came that nobody wrote: "+v)
		case m.now.After(until):
			m.faults = append(m.faults, fmt.Sprintf("%s came %v after its deadline", v, m.now.Sub(until)))
		case m.locked:
			m.faults = append(m.faults, v+" came while the output was locked out")
		}
		m.told[v] = true
	}
	if m.silent {
		return nil
	}
	a := message.Message{Type: message.Acknowledgement, MessageID: q.MessageID, Token: q.Token, Code: codes.Content}
	if q.Code == codes.PUT {
		if m.came != nil {
			m.came(string(q.Payload))
		}
		a.Code = codes.Changed
		if !m.mids[uint16(q.MessageID)] { // RFC 7252, section 4.5
			m.mids[uint16(q.MessageID)] = true
			m.value = string(q.Payload)
		}
	} else {
		a.Payload = []byte(m.value)
	}
	return msg.Encode(a)
}

// settle waits until the machine has taken all that was sent to it before.
func (m *machine) settle(t rapid.TB) {
	c, err := net.DialUDP("udp6", nil, m.conn.LocalAddr().(*net.UDPAddr))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err := c.Write([]byte{0}); err != nil {
		t.Fatal(err)
	}
	<-m.barrier
}

// settleClient waits until a client has taken all that was sent to it before: a confirmable
// message that fits nothing draws a Reset (RFC 7252, section 4.2).
func (m *machine) settleClient(t rapid.TB, c *nodeclient.Client) {
	at := netip.AddrPortFrom(netip.IPv6Loopback(), c.LocalAddr().Port())
	stray := msg.Encode(message.Message{Type: message.Confirmable, Code: codes.Content, MessageID: 1, Token: []byte("stray")})
	if _, err := m.conn.WriteToUDPAddrPort(stray, at); err != nil {
		t.Fatal(err)
	}
	<-m.barrier
}

// world is a daemon's outputs, its machine, and what the model knows.
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
}

func (w *modelWorld) now() time.Time { return w.base.Add(time.Duration(w.ahead.Load())) }

func newModelWorld(t rapid.TB, dir string) *modelWorld {
	table, err := node.New(node.Options{Prefix: netip.MustParsePrefix("fd5e:2a11:77c0:1::/64"), Places: []node.Place{{Name: "sump", EUI64: ieee802154.Extended(0x00005eef10000005)}}})
	if err != nil {
		t.Fatal(err)
	}
	w := &modelWorld{t: t, dir: dir, m: newMachine(t), meshes: node.Meshes{{Name: "fenland", Table: table}}, base: time.Now(), locks: map[uint32]bool{}}
	w.member = node.Member{Mesh: w.meshes[0], Node: table.Attach(node.Joined{EUI64: ieee802154.Extended(0x00005eef10000005)}, w.base).Node}
	w.m.now = w.base
	go w.m.run()
	w.start()
	return w
}

var modelOutput = []Output{{Place: "sump", Resource: "/output", Safe: "0"}}

// start begins a daemon.
func (w *modelWorld) start() {
	at := w.m.conn.LocalAddr().(*net.UDPAddr).AddrPort()
	locate := func(node.Member) netip.AddrPort { return at }
	transmission := nodeclient.Transmission{AckTimeout: time.Second}.WithDefaults()
	w.nodes = nodeclient.New(nodeclient.Options{Meshes: w.meshes, Default: &transmission, Locate: locate, Now: w.now})
	if err := w.nodes.Open(); err != nil {
		w.t.Fatal(err)
	}
	nodes := w.nodes
	w.ends.Go(func() { _ = nodes.Run() })
	w.out = New(Options{Nodes: w.nodes, Meshes: w.meshes, Locate: locate, Who: func(*msg.Request) *access.Identity { return nil },
		Log: slog.New(slog.DiscardHandler), Now: w.now, Boot: func() time.Duration { return BootTime() + time.Duration(w.slept.Load()) }})
	if err := w.out.Open(modelOutput, "", w.dir); err != nil {
		w.t.Fatal(err)
	}
}

// crash ends the daemon as a kill does: nothing is written any more. Whoever waits gets no
// answer that counts.
func (w *modelWorld) crash() {
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
		w.out.CheckStandstill()
		w.nodes.Tick(w.now())
		w.settled()
	}
}

// on writes another value than the safe one.
func (w *modelWorld) on(within time.Duration) {
	w.number++
	value := fmt.Sprint("on", w.number)
	w.m.mu.Lock()
	w.m.last[value] = w.now().Add(within)
	w.m.mu.Unlock()
	w.ons.Add(1)
	locked := len(w.locks) > 0
	w.write(value, within, func(r api.Written, code codes.Code) {
		w.ons.Add(-1)
		if locked && !strings.Contains(r.Outcome, api.OutcomeRefused) {
			w.t.Errorf("on while it is locked out: %v %s", code, r.Outcome)
		}
	})
}

// off writes the safe value, lets time pass until it has an answer, and checks it.
func (w *modelWorld) off(within time.Duration) {
	var answer atomic.Pointer[string]
	w.write("0", within, func(r api.Written, code codes.Code) {
		s := msg.CodeText(code) + " " + r.Outcome
		answer.Store(&s)
	})
	w.m.mu.Lock()
	silent := w.m.silent
	w.m.mu.Unlock()
	w.pass(within+2*readBackTime, func() bool { return answer.Load() != nil })
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
	case !silent && !strings.HasPrefix(got, "2.04"):
		w.t.Errorf("off, and the node answers: %s", got)
	case !silent && value != "0":
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
func (w *modelWorld) full(is bool, kept **os.File) {
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
	w.pass(2*time.Minute, func() bool { return w.ons.Load() == 0 })
	w.open.Wait()
	w.settled()
	w.nodes.Close()
	w.ends.Wait()
	w.out.wg.Wait()
	if err := w.out.Close(); err != nil {
		w.t.Errorf("close: %v", err)
	}
	w.m.conn.Close()
	b, err := os.ReadFile(filepath.Join(w.dir, auditFile))
	if err != nil {
		w.t.Fatal(err)
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
		w := newModelWorld(t, dir)
		var kept *os.File
		for range rapid.IntRange(1, 12).Draw(t, "steps") {
			switch rapid.SampledFrom([]string{"on", "on", "on", "off", "off", "lock", "unlock", "fill", "silent", "answers", "time", "stand still", "reload", "full", "room", "crash"}).Draw(t, "step") {
			case "on":
				w.on(time.Duration(rapid.IntRange(2, 60).Draw(t, "within")) * time.Second)
			case "off":
				w.off(time.Duration(rapid.IntRange(2, 20).Draw(t, "within")) * time.Second)
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
			case "time":
				w.pass(time.Duration(rapid.IntRange(1, 30).Draw(t, "seconds"))*time.Second, func() bool { return false })
			case "stand still":
				w.slept.Add(int64(3 * time.Second))
				w.out.CheckStandstill()
			case "reload":
				for _, declared := range [][]Output{nil, modelOutput}[rapid.IntRange(0, 1).Draw(t, "from"):] {
					if err := w.out.SetOutputs(declared); err != nil {
						t.Errorf("reload: %v", err)
					}
				}
			case "full":
				w.full(true, &kept)
			case "room":
				w.full(false, &kept)
			case "crash":
				w.full(false, &kept)
				w.crash()
				w.start()
				w.settled()
			}
			w.settled()
		}
		w.full(false, &kept)
		w.silent(false)
		w.off(20 * time.Second)
		w.finish()
	})
}
