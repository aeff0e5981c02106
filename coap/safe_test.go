package coap

import (
	"fmt"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/access"
	"culvert/coap/api"
	"culvert/coap/client"
	"culvert/coap/msg"
	"culvert/coap/output"
)

const ownOutput = "nodes/grain-bin/own/output"

// puts are the values that were written to the node, each message once.
func (n *fakeNode) puts() (out []string) {
	last := int32(-1)
	for _, m := range n.seen() {
		if m.Code == codes.PUT && m.MessageID != last {
			out, last = append(out, string(m.Payload)), m.MessageID
		}
	}
	return out
}

// said is what a client of a network door is told of a write.
func said(m message.Message) string {
	return strings.TrimSpace(msg.CodeText(m.Code) + " " + string(m.Payload))
}

// A safe value goes to the node at once although a write of another value is pending, which
// is withdrawn, ends as unknown, and is never sent again; repetitions join it.
func TestSafeSupersedes(t *testing.T) {
	dir := t.TempDir()
	f := newFront(t, siteOutput(), inDir(dir))
	stop := make(chan struct{})
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		switch {
		case m.Code == codes.GET:
			return [][]byte{ack(m, codes.Content, "0")}
		case string(m.Payload) == "1":
			return nil // a node that does not answer
		}
		select {
		case <-stop:
			return [][]byte{ack(m, codes.Changed, "")}
		default:
			return nil
		}
	})
	on := make(chan api.Written, 1)
	go func() { w, _ := f.write("1", "within=60"); on <- w }()
	eventually(t, "on is on its way", func() bool { return len(n.puts()) == 1 })
	const repeated = 8
	off := make(chan string, repeated)
	for i := range repeated {
		go func() {
			if i%2 == 0 { // a plain client, without any proof
				off <- msg.CodeText(f.client().ask(codes.PUT, ownOutput, "0").Code)
				return
			}
			_, code := f.write("0", "within=30")
			off <- code
		}()
	}
	if w := <-on; w.Outcome != api.OutcomeUnknown || !strings.Contains(w.Reason, "superseded") {
		t.Errorf("on: %+v", w)
	}
	eventually(t, "off was sent again", func() bool {
		return strings.Join(n.puts(), " ") == "1 0" && len(n.seen()) > 3
	})
	// Nothing else goes on while it is pending.
	if w, code := f.write("1"); code != "5.03" || !strings.Contains(w.Reason, "under way") {
		t.Errorf("on meanwhile: %s %+v", code, w)
	}
	close(stop)
	for range repeated {
		if code := <-off; code != "2.04" {
			t.Errorf("off: %s", code)
		}
	}
	if got := n.puts(); !slices.Equal(got, []string{"1", "0"}) {
		t.Errorf("the node was written %q", got)
	}
	f.stop()
	lines := words(auditLines(t, dir))
	for _, want := range []string{"intent", "outcome unknown", "outcome done", "joined"} {
		if !slices.Contains(lines, want) {
			t.Errorf("audit log without %q: %q", want, lines)
		}
	}
	if st := f.Stats(); st.OutputsDone != 1 || st.OutputsUnknown != 1 {
		t.Errorf("figures %+v", st)
	}
}

// A safe value waits behind no read: not behind one in progress that the node never answers,
// nor in a queue that anonymous clients have filled. Other writes go ahead of what waits.
func TestSafePassesReads(t *testing.T) {
	f := newFront(t, siteOutput(), inDir(t.TempDir()))
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		_, asked := msg.Option(m.Options, message.URIQuery)
		switch {
		case m.Code == codes.PUT:
			return [][]byte{ack(m, codes.Changed, "")}
		case asked:
			return nil
		}
		return [][]byte{ack(m, codes.Content, "0")}
	})
	for i := range 60 {
		f.client().send(build(message.Confirmable, codes.GET, 1, "x", "nodes/grain-bin/own/q", "", opt{message.URIQuery, itoa(i)}))
	}
	eventually(t, "the node is asked", func() bool { return len(n.seen()) > 0 })
	for range 6 {
		if m := f.client().ask(codes.PUT, ownOutput, "0"); m.Code != codes.Changed {
			t.Errorf("off: %s", said(m))
		}
	}
	if got := n.puts(); len(got) != 6 {
		t.Errorf("the node was written %q", got)
	}
}

// A write of another value goes ahead of the reads that wait for its node.
func TestWritePassesQueue(t *testing.T) {
	f := newFront(t, siteOutput(), inDir(t.TempDir()))
	release := make(chan struct{})
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		if q, asked := msg.Option(m.Options, message.URIQuery); asked && string(q)[0] != 'f' {
			<-release
			return [][]byte{ack(m, codes.Content, "1", opt{message.MaxAge, ""})}
		}
		if m.Code == codes.PUT {
			return [][]byte{ack(m, codes.Changed, "")}
		}
		return [][]byte{ack(m, codes.Content, "1")}
	})
	read := make(chan struct{}, 8)
	for i := range cap(read) {
		go func() { f.ask(codes.GET, "/nodes/grain-bin/own/q", "", itoa(i)); read <- struct{}{} }()
	}
	eventually(t, "reads wait", func() bool { return f.nodes.Stats().Queued == cap(read) })
	on := make(chan string, 1)
	go func() { _, code := f.write("1", "within=60"); on <- code }()
	eventually(t, "the write waits", func() bool { return f.nodes.Stats().Queued == cap(read)+1 })
	close(release)
	if code := <-on; code != "2.04" {
		t.Errorf("on: %s", code)
	}
	for range cap(read) {
		<-read
	}
	if seen := n.seen(); len(seen) < 2 || seen[1].Code != codes.PUT { // after the read that was in progress
		t.Errorf("the node was asked %v", seen)
	}
}

// A safe value is tried until the node took it and reads it back: after a reset, an error of
// its own, and a value that something else set.
func TestSafeUntilReadBack(t *testing.T) {
	f := newFront(t, siteOutput(), inDir(t.TempDir()))
	var puts, gets atomic.Int32
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		if m.Code == codes.GET {
			return [][]byte{ack(m, codes.Content, map[bool]string{true: "1", false: "0"}[gets.Add(1) == 1])}
		}
		switch puts.Add(1) {
		case 1:
			return [][]byte{msg.EmptyMessage(message.Reset, uint16(m.MessageID))}
		case 2:
			return [][]byte{ack(m, codes.ServiceUnavailable, "busy")}
		}
		return [][]byte{ack(m, codes.Changed, "")}
	})
	if w, code := f.write("0"); code != "2.04" || w.Outcome != api.OutcomeDone || w.Reads != "0" {
		t.Errorf("off: %s %+v", code, w)
	}
	if got := n.puts(); !slices.Equal(got, []string{"0", "0", "0", "0"}) {
		t.Errorf("the node was written %q", got)
	}
	// Its deadline ends it; another value is tried once.
	f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		return [][]byte{ack(m, codes.ServiceUnavailable, "busy")}
	})
	if w, code := f.write("0", "within=1"); code != "5.04" || w.Outcome != api.OutcomeUnknown {
		t.Errorf("off: %s %+v", code, w)
	}
	n = f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		return [][]byte{ack(m, codes.ServiceUnavailable, "busy")}
	})
	if w, code := f.write("1"); code != "5.04" || len(n.puts()) != 1 {
		t.Errorf("on: %s %+v", code, w)
	}
}

// A client at a network door proves that its write is fresh (RFC 9175, section 2.3), and the
// write's time counts from when the proof was issued. The safe value needs none.
func TestStaleWrites(t *testing.T) {
	f := newFront(t, siteOutput(), inDir(t.TempDir()))
	pump(t, f)
	c := f.client()
	m := c.ask(codes.PUT, ownOutput, "1")
	echo, ok := msg.Option(m.Options, message.Echo)
	if m.Code != codes.Unauthorized || !ok || len(echo) > 40 {
		t.Fatalf("without a proof: %s, Echo %x", said(m), echo)
	}
	proof := opt{message.Echo, string(echo)}
	if m := c.ask(codes.PUT, ownOutput, "0"); m.Code != codes.Changed {
		t.Errorf("off without a proof: %s", said(m))
	}
	if m := c.ask(codes.PUT, ownOutput, "1", proof); m.Code != codes.Changed {
		t.Errorf("with a proof: %s", said(m))
	}
	broken := slices.Clone(echo)
	broken[9] ^= 1
	later := slices.Clone(echo)
	later[6]++
	for what, v := range map[string][]byte{"broken": broken, "of another time": later, "short": echo[:12], "empty": {}} {
		if m := c.ask(codes.PUT, ownOutput, "1", opt{message.Echo, string(v)}); m.Code != codes.Unauthorized {
			t.Errorf("a proof that is %s: %s", what, said(m))
		}
	}
	f.ahead.Add(int64(output.WriteDeadline) - int64(100*time.Millisecond)) // less than ACK_TIMEOUT is left
	if m := c.ask(codes.PUT, ownOutput, "1", proof); m.Code != codes.Unauthorized {
		t.Errorf("an old proof: %s", said(m))
	}
	if m := c.ask(codes.PUT, ownOutput, "1", opt{message.URIQuery, "within=30"}, proof); m.Code != codes.Changed {
		t.Errorf("an old proof and more time: %s", said(m))
	}
	f.ahead.Add(-int64(time.Hour)) // a clock that is set back makes nothing fresh
	if m := c.ask(codes.PUT, ownOutput, "1", opt{message.URIQuery, "within=30"}, proof); m.Code != codes.Unauthorized {
		t.Errorf("a proof of the future: %s", said(m))
	}
}

// What is left of the time of a write counts from its proof, not from when it came.
func TestDeadlineCountsFromProof(t *testing.T) {
	dir := t.TempDir()
	f := newFront(t, siteOutput(), inDir(dir))
	n := f.newNode("grain-bin", func(*fakeNode, message.Message) [][]byte { return nil })
	c := f.client()
	within := opt{message.URIQuery, "within=30"}
	m := c.ask(codes.PUT, ownOutput, "1", within)
	echo, _ := msg.Option(m.Options, message.Echo)
	f.ahead.Add(int64(27 * time.Second))
	m = c.ask(codes.PUT, ownOutput, "1", within, opt{message.Echo, string(echo)})
	if m.Code != codes.GatewayTimeout || len(n.puts()) != 1 {
		t.Errorf("%s, written %q", said(m), n.puts())
	}
	f.stop()
	if l := auditLines(t, dir)[0]; l.Event != "intent" || l.Deadline.Sub(l.Time) > 3*time.Second {
		t.Errorf("the deadline is %v after the write came: %+v", l.Deadline.Sub(l.Time), l)
	}
}

// Where the output says so, the safe value needs a proof, too.
func TestStaleSafeRefused(t *testing.T) {
	f := newFront(t, siteOutput(func(o *output.Output) { o.RefuseStale = true }), inDir(t.TempDir()))
	pump(t, f)
	c := f.client()
	if m := c.ask(codes.PUT, ownOutput, "0"); m.Code != codes.Unauthorized {
		t.Errorf("off without a proof: %s", said(m))
	}
	if m := c.askFresh(codes.PUT, ownOutput, "0"); m.Code != codes.Changed {
		t.Errorf("off with a proof: %s", said(m))
	}
}

// A proof is worth nothing for another output, another address or another identity; the
// commands' client brings it by itself.
func TestProofOfIdentity(t *testing.T) {
	ids := []access.Identity{{Name: "operator", PSK: testKey("operator"), May: access.MayRead | access.MayWrite}, {Name: "miller", PSK: testKey("miller"), May: access.MayRead | access.MayWrite}}
	list, err := access.New(ids)
	if err != nil {
		t.Fatal(err)
	}
	f := newFront(t, siteOutput(), inDir(t.TempDir()), func(s *Server) {
		s.opts.Access, s.opts.DTLS = list, []netip.AddrPort{netip.MustParseAddrPort("[::1]:0")}
	})
	pump(t, f)
	c, err := client.DialRemote(t.Context(), f.Addrs(msg.DoorDTLS)[0].String(), "operator", testKey("operator"))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	a, err := c.Do(t.Context(), client.Ask{Method: codes.PUT, Path: ownOutput, Accept: -1, Body: []byte("1")})
	if err != nil || a.Code != codes.Changed || !strings.Contains(string(a.Body), `"outcome":"done"`) {
		t.Errorf("%v %s %v", a.Code, a.Body, err)
	}
}

// A daemon that stood still refuses what it finds waiting, and withdraws what was pending;
// the safe value goes on.
func TestStoodStill(t *testing.T) {
	var slept atomic.Int64
	f := newFront(t, siteOutput(), inDir(t.TempDir()), func(s *Server) {
		s.outputs.Boot = func() time.Duration { return output.BootTime() + time.Duration(slept.Load()) }
	})
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		switch {
		case m.Code == codes.GET:
			return [][]byte{ack(m, codes.Content, "0")}
		case string(m.Payload) == "1":
			return nil
		}
		return [][]byte{ack(m, codes.Changed, "")}
	})
	c := f.client()
	echo, _ := msg.Option(c.ask(codes.PUT, ownOutput, "1").Options, message.Echo)
	on := make(chan api.Written, 1)
	go func() { w, _ := f.write("1", "within=60"); on <- w }()
	eventually(t, "on is on its way", func() bool { return len(n.puts()) == 1 })
	slept.Add(int64(3 * time.Second))
	if w := <-on; w.Outcome != api.OutcomeUnknown || !strings.Contains(w.Reason, "stood still") {
		t.Errorf("pending: %+v", w)
	}
	if w, code := f.write("1"); code != "5.03" || !strings.Contains(w.Reason, "stood still") {
		t.Errorf("what waited: %s %+v", code, w)
	}
	if w, code := f.write("0"); code != "2.04" {
		t.Errorf("off: %s %+v", code, w)
	}
	eventually(t, "it is over", func() bool {
		return !strings.Contains(string(c.ask(codes.PUT, ownOutput, "1").Payload), "stood still")
	})
	if m := c.ask(codes.PUT, ownOutput, "1", opt{message.Echo, string(echo)}); m.Code != codes.Unauthorized {
		t.Errorf("with a proof from before: %s", said(m))
	}
	if got := n.puts(); !slices.Equal(got, []string{"1", "0"}) {
		t.Errorf("the node was written %q", got)
	}
}

// Conditions are judged as RFC 7252, section 5.10.8, says of a resource that exists and has
// no known ETag; other critical options are not ignored (section 5.4.1).
func TestWriteConditions(t *testing.T) {
	f := newFront(t, siteOutput(), inDir(t.TempDir()))
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		if m.Code == codes.GET {
			return [][]byte{ack(m, codes.Content, "0")}
		}
		return [][]byte{ack(m, codes.Changed, "")}
	})
	c := f.client()
	for _, x := range []struct {
		what string
		opt  opt
		want string
	}{
		{"If-Match with an ETag", opt{message.IfMatch, "\x01\x02"}, "4.12"},
		{"If-Match, empty: it exists", opt{message.IfMatch, ""}, "2.04"},
		{"If-None-Match", opt{message.IfNoneMatch, ""}, "4.12"},
		{"Accept: JSON", opt{message.Accept, "\x32"}, "2.04"},
		{"Accept: CBOR", opt{message.Accept, "\x3c"}, "4.06"},
		{"a critical option that nobody knows", opt{65001, "x"}, "4.02"},
		{"another", opt{2049, ""}, "4.02"},
		{"an elective option that nobody knows", opt{65000, "x"}, "2.04"},
	} {
		before := len(n.puts())
		m := c.ask(codes.PUT, ownOutput, "0", x.opt)
		if got := msg.CodeText(m.Code); got != x.want {
			t.Errorf("%s: %s, want %s", x.what, said(m), x.want)
		}
		if went := len(n.puts()) > before; went != (x.want == "2.04") {
			t.Errorf("%s: it went to the node: %v", x.what, went)
		}
	}
}

// An interval is never longer than it was configured, whatever the audit log's times say, and
// a write that was not sent does not use it up.
func TestIntervalIsBounded(t *testing.T) {
	dir := t.TempDir()
	ahead := time.Now().Add(2 * 365 * 24 * time.Hour).UTC().Format(time.RFC3339)
	line := fmt.Sprintf(`{"time":%q,"event":"intent","id":1,"place":"grain-bin","resource":"/output","value":"1"}`+"\n"+
		`{"time":%q,"event":"outcome","id":1,"place":"grain-bin","resource":"/output","outcome":"done"}`+"\n", ahead, ahead)
	if err := os.WriteFile(filepath.Join(dir, "audit.jsonl"), []byte(line), 0o600); err != nil {
		t.Fatal(err)
	}
	f := newFront(t, siteOutput(func(o *output.Output) { o.Interval = time.Hour }), inDir(dir))
	pump(t, f)
	if w, code := f.write("1"); code != "4.29" {
		t.Errorf("at once: %s %+v", code, w)
	}
	f.ahead.Add(int64(time.Hour))
	if w, code := f.write("1"); code != "2.04" {
		t.Errorf("after the interval: %s %+v", code, w)
	}
	f.ahead.Add(int64(time.Hour))
	// One that waits behind a read that is not answered is not sent; it must not count, now
	// or for the next daemon.
	f.newNode("grain-bin", func(*fakeNode, message.Message) [][]byte { return nil })
	go f.client().send(build(message.Confirmable, codes.GET, 1, "t", "nodes/grain-bin/own/q", ""))
	eventually(t, "a read is under way", func() bool { return f.nodes.Stats().Queued == 1 })
	if w, _ := f.write("1", "within=1"); w.Outcome != api.OutcomeRefused || !strings.HasPrefix(w.Reason, "not sent") {
		t.Errorf("behind a read: %+v", w)
	}
	if w, code := f.write("1", "within=1"); code == "4.29" {
		t.Errorf("what was not sent counts: %s %+v", code, w)
	}
	f.stop()
	moved := time.Duration(f.ahead.Load())
	f = newFront(t, siteOutput(func(o *output.Output) { o.Interval = time.Hour }), inDir(dir), func(s *Server) {
		s.now = func() time.Time { return time.Now().Add(moved) }
	})
	pump(t, f)
	if w, code := f.write("1"); code != "2.04" {
		t.Errorf("after a new start: %s %+v", code, w)
	}
}
