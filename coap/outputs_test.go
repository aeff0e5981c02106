package coap

import (
	"bytes"
	"context"
	"encoding/json"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/sim"
	"culvert/coap/access"
	"culvert/coap/api"
	"culvert/coap/client"
	"culvert/coap/msg"
	"culvert/coap/output"
)

// pump is a simulated node with an output, past its mesh; grain-bin stands before it.
func pump(t testing.TB, f *front) *sim.Radio {
	t.Helper()
	m, err := sim.New(sim.Options{Ideal: true, Site: sim.Site{
		Name: "test", Prefix: netip.MustParsePrefix(sitePrefix), PAN: 0x5eef, Gateway: sim.Place{EUI64: eui(1)}, Links: []sim.Link{{A: sim.GatewayName, B: "pump", Delivery: 1}},
		Nodes: []sim.Place{{Name: "pump", EUI64: eui(5)}},
	}})
	if err != nil {
		t.Fatal(err)
	}
	r := sim.NewRadio(m, sim.RadioOptions{})
	c, err := net.ListenUDP("udp6", &net.UDPAddr{IP: net.IPv6loopback})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := r.Run(ctx); err != nil {
			t.Errorf("the simulated mesh: %v", err)
		}
	})
	wg.Go(func() {
		if err := r.ServeCoAP(ctx, "pump", c); err != nil {
			t.Errorf("the simulated node: %v", err)
		}
	})
	t.Cleanup(func() { cancel(); wg.Wait() })
	f.where.Store("grain-bin", c.LocalAddr().(*net.UDPAddr).AddrPort())
	return r
}

func do(t testing.TB, r *sim.Radio, f func(*sim.Mesh) error) {
	t.Helper()
	var err error
	r.Do(func(m *sim.Mesh) { err = f(m) })
	if err != nil {
		t.Fatal(err)
	}
}

// siteOutput is the output of the tests.
func siteOutput(change ...func(*output.Output)) func(*Server) {
	o := output.Output{Place: "grain-bin", Resource: "/output", Lease: 20 * time.Minute, MaxLease: time.Hour, Safe: "0"}
	for _, c := range change {
		c(&o)
	}
	return func(s *Server) {
		s.opts.Outputs = []output.Output{o}
		s.opts.AckTimeout = 200 * time.Millisecond
	}
}

func inDir(dir string) func(*Server) { return func(s *Server) { s.opts.StateDir = dir } }

// write is a write through the control socket, and what came of it.
func (f *front) write(value string, query ...string) (w api.Written, code string) {
	f.t.Helper()
	return f.ask(codes.PUT, "/nodes/grain-bin/own/output", value, query...)
}

func (f *front) ask(method codes.Code, path, value string, query ...string) (w api.Written, code string) {
	f.t.Helper()
	c, err := client.DialControl(f.t.Context(), f.control)
	if err != nil {
		f.t.Fatal(err)
	}
	defer c.Close()
	a, err := c.Do(f.t.Context(), client.Ask{Method: method, Path: path, Query: query, Accept: -1, Body: []byte(value)})
	body := a.Body
	if s, ok := err.(*client.StatusError); ok {
		a.Code, body = s.Code, []byte(s.Text)
	} else if err != nil {
		f.t.Fatal(err)
	}
	_ = json.Unmarshal(body, &w) // of those that are JSON
	return w, msg.CodeText(a.Code)
}

// reads is what the node itself says.
func (f *front) reads(path string) string {
	f.t.Helper()
	a, _ := f.where.Load("grain-bin")
	m := dial(f.t, a.(netip.AddrPort)).ask(codes.GET, path, "")
	return string(m.Payload)
}

// auditLines reads the audit log: event, ID and outcome of each line.
func auditLines(t testing.TB, dir string) (out []output.AuditLine) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, "audit.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	for line := range bytes.Lines(b) {
		var l output.AuditLine
		if err := json.Unmarshal(line, &l); err != nil {
			t.Errorf("audit log: %s: %v", line, err)
		}
		out = append(out, l)
	}
	return out
}

func words(lines []output.AuditLine) (out []string) {
	for _, l := range lines {
		out = append(out, strings.TrimSpace(l.Event+" "+l.Outcome))
	}
	return out
}

// A write is done when the node reads it back; refused by the node or here; and all
// of it stands in the audit log.
func TestOutput(t *testing.T) {
	dir := t.TempDir()
	f := newFront(t, siteOutput(), inDir(dir))
	r := pump(t, f)
	w, code := f.write("1")
	if code != "2.04" || w.Outcome != api.OutcomeDone || w.Reads != "1" || w.Lease != 1200 || f.reads("output/lease") != "1200" {
		t.Errorf("on: %s %+v, lease %s", code, w, f.reads("output/lease"))
	}
	if w, code = f.write("on", "for=3", "within=5"); code != "2.04" || w.Outcome != api.OutcomeDone || w.Lease != 3 {
		t.Errorf("on for 3 s: %s %+v", code, w)
	}
	if w, code = f.write("0"); code != "2.04" || w.Outcome != api.OutcomeDone || w.Reads != "0" || w.Lease != 0 {
		t.Errorf("off: %s %+v", code, w)
	}
	do(t, r, func(m *sim.Mesh) error { return m.Interlock("pump", true) })
	if w, code = f.write("1"); code != "4.09" || w.Outcome != api.OutcomeRefused || f.reads("output") != "0" {
		t.Errorf("against the interlock: %s %+v", code, w)
	}
	for _, x := range []struct{ value, query, code string }{
		{"1", "for=0", "4.00"}, {"1", "for=3601", "4.00"}, {"1", "for=x", "4.00"}, {"1", "within=0", "4.00"}, {"1", "within=61", "4.00"},
		{"1", "colour=red", "4.00"}, {"", "", "4.00"}, {strings.Repeat("1", 257), "", "4.00"},
	} {
		q := slices.DeleteFunc([]string{x.query}, func(s string) bool { return s == "" })
		if w, code = f.write(x.value, q...); code != x.code || w.Outcome != api.OutcomeRefused {
			t.Errorf("%.9s %s: %s %+v", x.value, x.query, code, w)
		}
	}
	for _, path := range []string{"/nodes/grain-bin/own/output", "/nodes/grain-bin/own//output/"} {
		if _, code = f.ask(codes.POST, path, "1"); code != "4.05" {
			t.Errorf("POST: %s", code)
		}
	}
	// What cannot be read here (RFC 8613) does not reach the node.
	c := f.client()
	if m := c.ask(codes.POST, "nodes/grain-bin/own/", "x", opt{msg.OptOSCORE, "\x09"}); m.Code != codes.Forbidden {
		t.Errorf("OSCORE: %v", m.Code)
	}
	if m := c.ask(codes.GET, "nodes/grain-bin/own/output", ""); string(m.Payload) != "0" {
		t.Errorf("read by the front: %q", m.Payload)
	}
	// The forward proxy is no way round.
	to := opt{message.ProxyURI, "coap://[" + f.table.Address(f.table.ByLabel("grain-bin")).String() + "]/output"}
	if m := c.askFresh(codes.PUT, "", "1", to, opt{message.URIQuery, "for=9"}); m.Code != codes.BadRequest && !strings.Contains(string(m.Payload), "interlock") {
		t.Errorf("through the proxy: %v %s", m.Code, m.Payload)
	}
	if m := c.askFresh(codes.PUT, "", "1", to); m.Code != codes.Conflict || !strings.Contains(string(m.Payload), `"outcome":"refused"`) {
		t.Errorf("through the proxy: %v %s", m.Code, m.Payload)
	}
	f.stop()
	lines := auditLines(t, dir)
	want := []string{"intent", "outcome done", "intent", "outcome done", "intent", "outcome done", "intent", "outcome refused"}
	if got := words(lines); len(got) < len(want) || !slices.Equal(got[:len(want)], want) {
		t.Errorf("audit log: %q", got)
	}
	if l := lines[0]; l.ID != 1 || l.Value != "1" || l.Lease != 1200 || l.Door != "control" || !strings.HasPrefix(l.Identity, "uid ") ||
		l.Deadline == nil || l.Deadline.Sub(l.Time) > output.WriteDeadline || time.Since(l.Time) > time.Minute {
		t.Errorf("first line %+v", l)
	}
}

// A write to a node that is silent for longer than its deadline ends as unknown, and
// does not act when the node is back.
func TestOutputSilent(t *testing.T) {
	dir := t.TempDir()
	f := newFront(t, siteOutput(), inDir(dir))
	r := pump(t, f)
	do(t, r, func(m *sim.Mesh) error { return m.Silence("pump", 4*time.Second) })
	start := time.Now()
	w, code := f.write("1", "within=2")
	if took := time.Since(start); code != "5.04" || w.Outcome != api.OutcomeUnknown || took < 1500*time.Millisecond {
		t.Errorf("after %v: %s %+v", took, code, w)
	}
	sent := f.Stats().NodeMessages
	if sent < 2 {
		t.Errorf("%d messages to the node: it was not tried again", sent)
	}
	back := dial(t, func() netip.AddrPort { a, _ := f.where.Load("grain-bin"); return a.(netip.AddrPort) }())
	eventually(t, "the node is back", func() bool {
		back.mid++
		back.send(build(message.Confirmable, codes.GET, back.mid, "t", "output", ""))
		b := back.receive(200 * time.Millisecond)
		return b != nil && string(decode(t, b).Payload) == "0"
	})
	if n := f.Stats().NodeMessages; n != sent {
		t.Errorf("%d messages went to the node after the deadline", n-sent)
	}
	if got := words(auditLines(t, dir)); !slices.Equal(got, []string{"intent", "outcome unknown"}) {
		t.Errorf("audit log: %q", got)
	}
	// One that waits behind another for its node never leaves.
	do(t, r, func(m *sim.Mesh) error { return m.Silence("pump", 4*time.Second) })
	c := f.client()
	c.send(build(message.Confirmable, codes.PUT, 1, "t", "nodes/grain-bin/own/period", "60"))
	eventually(t, "a request is under way", func() bool { return f.Stats().NodeMessages > sent })
	if w, code = f.write("1", "within=1"); w.Outcome != api.OutcomeRefused || !strings.HasPrefix(w.Reason, "not sent") {
		t.Errorf("behind another: %s %+v", code, w)
	}
	if st := f.Stats(); st.OutputsUnknown != 1 || st.OutputsRefused != 1 || st.OutputsDone != 0 || st.AuditFailures != 0 || st.OutputsLocked != 0 {
		t.Errorf("figures: %+v", st)
	}
}

// The lease runs out in the node while nothing reaches it.
func TestOutputLease(t *testing.T) {
	f := newFront(t, siteOutput(), inDir(t.TempDir()))
	r := pump(t, f)
	if w, code := f.write("1", "for=2"); code != "2.04" || w.Outcome != api.OutcomeDone {
		t.Fatalf("%s %+v", code, w)
	}
	do(t, r, func(m *sim.Mesh) error { return m.CutRadio() })
	eventually(t, "the node has switched back", func() bool { return f.reads("output") == "0" })
}

// The shortest interval holds, also after a new start, and not for the value that
// switches off.
func TestOutputInterval(t *testing.T) {
	dir := t.TempDir()
	each := siteOutput(func(o *output.Output) { o.Interval = time.Hour })
	f := newFront(t, each, inDir(dir))
	pump(t, f)
	for _, x := range []struct{ value, code string }{{"1", "2.04"}, {"1", "4.29"}, {"0", "2.04"}, {"0", "2.04"}, {"1", "4.29"}} {
		if w, code := f.write(x.value); code != x.code {
			t.Errorf("%s: %s %+v", x.value, code, w)
		}
	}
	f.stop()
	f = newFront(t, each, inDir(dir))
	pump(t, f)
	if w, code := f.write("1"); code != "4.29" || w.Outcome != api.OutcomeRefused {
		t.Errorf("after a new start: %s %+v", code, w)
	}
}

// A lock-out keeps everybody off until it is lifted, whatever happens to the daemon.
func TestOutputLockOut(t *testing.T) {
	dir := t.TempDir()
	f := newFront(t, siteOutput(), inDir(dir))
	pump(t, f)
	const lock = "/outputs/grain-bin/output/lock"
	if _, code := f.ask(codes.GET, lock, ""); code != "4.04" {
		t.Errorf("no lock yet: %s", code)
	}
	if _, code := f.ask(codes.PUT, lock, "somebody stands in the sump"); code != "2.04" {
		t.Fatalf("lock: %s", code)
	}
	for range 2 {
		if w, code := f.write("1"); code != "4.03" || w.Outcome != api.OutcomeRefused || !strings.Contains(w.Reason, "stands in the sump") {
			t.Errorf("on: %s %+v", code, w)
		}
		if w, code := f.write("0"); code != "2.04" || w.Outcome != api.OutcomeDone { // a lock-out never keeps a machine running
			t.Errorf("off: %s %+v", code, w)
		}
		f.stop()
		f = newFront(t, siteOutput(), inDir(dir))
		pump(t, f)
	}
	if n := f.Stats().OutputsLocked; n != 1 {
		t.Errorf("%d outputs are locked out", n)
	}
	if _, code := f.ask(codes.DELETE, lock, ""); code != "2.02" {
		t.Errorf("lift: %s", code)
	}
	if w, code := f.write("1"); code != "2.04" {
		t.Errorf("after it was lifted: %s %+v", code, w)
	}
	f.stop()
	got := words(auditLines(t, dir))
	for _, want := range []string{"lock", "refused", "unlock", "outcome done"} {
		if !slices.Contains(got, want) {
			t.Errorf("audit log without %q: %q", want, got)
		}
	}
}

// A lock-out that comes while a write is on its way ends its repetitions.
func TestOutputLockOutMeanwhile(t *testing.T) {
	dir := t.TempDir()
	f := newFront(t, siteOutput(), inDir(dir))
	r := pump(t, f)
	do(t, r, func(m *sim.Mesh) error { return m.Silence("pump", 2*time.Second) })
	done := make(chan api.Written, 1)
	go func() { w, _ := f.write("1", "within=4"); done <- w }()
	eventually(t, "it is on its way", func() bool { return f.Stats().NodeMessages > 0 })
	if _, code := f.ask(codes.PUT, "/outputs/grain-bin/output/lock", ""); code != "2.04" {
		t.Fatal(code)
	}
	if w := <-done; w.Outcome != api.OutcomeUnknown || !strings.Contains(w.Reason, "locked out by") {
		t.Errorf("%+v", w)
	}
	eventually(t, "the node is back", func() bool {
		_, code := f.ask(codes.GET, "/nodes/grain-bin/own/output", "")
		return code == "2.05"
	})
	if got := f.reads("output"); got != "0" {
		t.Errorf("output %s", got)
	}
}

// Who may drive an output: those whom it names, and the control socket.
func TestOutputWho(t *testing.T) {
	ids := []access.Identity{{Name: "operator", PSK: testKey("operator"), May: access.MayRead | access.MayWrite}, {Name: "miller", PSK: testKey("miller"), May: access.MayRead | access.MayWrite}}
	access, err := access.New(ids)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	f := newFront(t, siteOutput(func(o *output.Output) { o.Who = []string{"operator"} }), inDir(dir), func(s *Server) {
		s.opts.Access, s.opts.DTLS = access, []netip.AddrPort{netip.MustParseAddrPort("[::1]:0")}
	})
	pump(t, f)
	const out, lock = "nodes/grain-bin/own/output", "outputs/grain-bin/output/lock"
	for name, want := range map[string]string{"operator": "4.00 2.04 2.02", "miller": "4.03 4.03 4.03"} {
		ask := f.dtlsAsker(name, nil, newAuthority(t))
		got := strings.Join([]string{ask(codes.PUT, out), ask(codes.PUT, lock), ask(codes.DELETE, lock)}, " ")
		if got != want { // 4.00: it says no value
			t.Errorf("%s: %s, want %s", name, got, want)
		}
	}
	if m := f.client().ask(codes.PUT, out, "1"); m.Code != codes.Unauthorized {
		t.Errorf("nobody: %v", m.Code)
	}
}

// A daemon that is killed in the middle of a write leaves the intent; the next one
// adds that its outcome is unknown, and to a line that was cut off its end.
func TestOutputKilled(t *testing.T) {
	if dir := os.Getenv("CULVERT_TEST_KILLED"); dir != "" {
		f := newFront(t, siteOutput(), inDir(dir))
		r := pump(t, f)
		do(t, r, func(m *sim.Mesh) error { return m.Silence("pump", time.Minute) })
		f.write("1")
		return
	}
	dir := t.TempDir()
	cmd := exec.Command(os.Args[0], "-test.run=^TestOutputKilled$", "-test.timeout=30s")
	cmd.Env = append(os.Environ(), "CULVERT_TEST_KILLED="+dir)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the intent is on the disk", func() bool {
		b, _ := os.ReadFile(filepath.Join(dir, "audit.jsonl"))
		return bytes.HasSuffix(b, []byte("\n"))
	})
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait()
	if got := words(auditLines(t, dir)); !slices.Equal(got, []string{"intent"}) {
		t.Fatalf("audit log of the killed: %q", got)
	}
	f := newFront(t, siteOutput(), inDir(dir))
	lines := auditLines(t, dir)
	if got := words(lines); !slices.Equal(got, []string{"intent", "outcome unknown"}) || lines[1].ID != lines[0].ID {
		t.Errorf("audit log of the next: %q", got)
	}
	f.stop()
	log, err := os.OpenFile(filepath.Join(dir, "audit.jsonl"), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := log.WriteString(`{"event":"intent","id":7,"pl`); err != nil {
		t.Fatal(err)
	}
	log.Close()
	f = newFront(t, siteOutput(), inDir(dir))
	pump(t, f)
	if w, code := f.write("1"); code != "2.04" || w.ID != 2 {
		t.Errorf("after a line that was cut off: %s %+v", code, w)
	}
}

// Outputs stand in the listing (RFC 6690, section 4), where there are any.
func TestOutputLinks(t *testing.T) {
	f := newFront(t, siteOutput(), inDir(t.TempDir()))
	for query, want := range map[string]string{
		"rt=outputs":             `</outputs>;rt="outputs";ct="50"`,
		"rt=output":              `</outputs/grain-bin/output>;rt="output";ct="50"`,
		"href=/outputs/grain-bi": "",
	} {
		m := f.client().ask(codes.GET, ".well-known/core", "", opt{message.URIQuery, query})
		if m.Code != codes.Content || string(m.Payload) != want {
			t.Errorf("%s: %v %s", query, m.Code, m.Payload)
		}
	}
	if m := newFront(t).client().ask(codes.GET, ".well-known/core", "", opt{message.URIQuery, "href=/outputs*"}); len(m.Payload) != 0 {
		t.Errorf("without an output: %s", m.Payload)
	}
}
