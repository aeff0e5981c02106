package bridge_test

import (
	"encoding/json"
	"fmt"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	front "culvert/coap"
	"culvert/coap/api"
	"culvert/coap/output"

	"culvert/bridge"
	"culvert/bridge/drop"
	"culvert/bridge/radio"
	"culvert/bridge/sim"
	"culvert/tun/tuntest"
)

// gate is a radio that can run out of credits.
type gate struct {
	*radio.Link
	shut atomic.Bool
}

func (g *gate) Send(f radio.Frame, id uint32) error {
	if g.shut.Load() {
		return radio.ErrNoCredit
	}
	return g.Link.Send(f, id)
}

// driven is a front, before a mesh with a real TUN, that drives the output of pump-house.
type driven struct {
	*frontIn
	m    running
	gate *gate
	dir  string
	own  string // path of the output
}

func newDriven(t *testing.T, change ...func(*output.Output)) *driven {
	t.Helper()
	w := world(t, sim.Options{Site: estate(), Seed: 9, Period: -1}, meshSpeed)
	return newDrivenOn(t, w, change...)
}

func newDrivenOn(t *testing.T, w *sim.Radio, change ...func(*output.Output)) *driven {
	t.Helper()
	d := &driven{gate: &gate{Link: radio.NewLink("simulated radio", w.Dial, radio.Options{})}, dir: t.TempDir()}
	ns := tuntest.NewNS(t)
	d.m = start(t, bridge.Options{Radio: d.gate, OpenTun: openIn(ns, prefix, netip.Addr{})})
	joined(t, d.m, len(estate().Nodes))
	var pump string
	for _, p := range estate().Nodes {
		if p.Name == "pump-house" {
			pump = d.m.Nodes().ByAddress(global(p.EUI64)).Label()
		}
	}
	o := output.Output{Place: pump, Resource: "/output", Lease: 20 * time.Minute, MaxLease: time.Hour, Safe: "0"}
	for _, c := range change {
		c(&o)
	}
	d.frontIn = frontBefore(t, w, d.m, ns, front.Options{
		Outputs: []output.Output{o}, StateDir: d.dir,
		NotAfter: func(_ string, to netip.AddrPort, port, id uint16, at time.Time) error {
			return d.m.NotAfter(to, port, id, at)
		},
	})
	d.own = "nodes/" + pump + "/own/output"
	return d
}

func query(s string) message.Option { return message.Option{ID: message.URIQuery, Value: []byte(s)} }

// write is one to the output, and what came of it.
func (d *driven) write(value string, queries ...string) (w api.Written, code codes.Code) {
	d.t.Helper()
	a := d.asker()
	a.request(codes.PUT, d.own, "w", value, d.proved(a, value, queries)...)
	m := a.must(90 * time.Second)
	if err := json.Unmarshal(m.Payload, &w); err != nil {
		d.t.Fatalf("%v %q: %v", m.Code, m.Payload, err)
	}
	return w, m.Code
}

// proved returns the options of a write: queries, and for other values than the safe one the
// proof that it is fresh (RFC 9175, section 2.3), which the front gives where it is missing.
func (d *driven) proved(a *asker, value string, queries []string) (opts []message.Option) {
	d.t.Helper()
	for _, q := range queries {
		opts = append(opts, query(q))
	}
	if value == "0" {
		return opts
	}
	a.request(codes.PUT, d.own, "p", value, opts...)
	m := a.must(90 * time.Second)
	echo, err := m.Options.GetBytes(message.Echo)
	if err != nil || m.Code != codes.Unauthorized {
		d.t.Fatalf("a write without a proof: %v %q", m.Code, m.Payload)
	}
	return append(opts, message.Option{ID: message.Echo, Value: echo})
}

// begin is write whose answer comes later.
func (d *driven) begin(value string, queries ...string) (answer func() api.Written) {
	d.t.Helper()
	a := d.asker()
	opts := d.proved(a, value, queries)
	asked := d.Stats().NodeMessages
	a.request(codes.PUT, d.own, "w", value, opts...)
	tuntest.Poll(d.t, 30*time.Second, func() (bool, string) { return d.Stats().NodeMessages > asked, "the write was not sent" })
	return func() (w api.Written) {
		d.t.Helper()
		m := a.must(90 * time.Second)
		if err := json.Unmarshal(m.Payload, &w); err != nil {
			d.t.Fatalf("%v %q: %v", m.Code, m.Payload, err)
		}
		return w
	}
}

// ask asks the front for anything else.
func (d *driven) ask(code codes.Code, path, payload string) message.Message {
	d.t.Helper()
	a := d.asker()
	a.request(code, path, "q", payload)
	return a.must(90 * time.Second)
}

// reached waits until the node answers again, and returns what its output reads.
func (d *driven) reached() (value string) {
	d.t.Helper()
	tuntest.Poll(d.t, 120*time.Second, func() (bool, string) {
		m := d.ask(codes.GET, d.own, "")
		value = string(m.Payload)
		return m.Code == codes.Content, fmt.Sprintf("%v %q\n%s", m.Code, m.Payload, d.m.log.String())
	})
	return value
}

// still checks that the output took no more than so many writes.
func (d *driven) still(want uint32, output string) {
	d.t.Helper()
	if s := d.node("pump-house"); s.OutputWrites != want || s.Output != output {
		d.t.Errorf("the output took %d writes and is %s, want %d and %s", s.OutputWrites, s.Output, want, output)
	}
}

// audit is the audit log: event, outcome and reason of each line.
func (d *driven) audit() string {
	d.t.Helper()
	b, err := os.ReadFile(filepath.Join(d.dir, "audit.jsonl"))
	if err != nil {
		d.t.Fatal(err)
	}
	return string(b)
}

// With the times of the field: a write acts in time or not at all, and what is told of
// it is true.
func TestOutputsAndFaults(t *testing.T) {
	t.Parallel()
	// A write with a deadline of 10 s to a node that is silent for 30 s. Meanwhile the
	// shortest interval and a lock-out hold, and everything stands in the audit log.
	t.Run("silent for 30 s", func(t *testing.T) {
		t.Parallel()
		w := world(t, sim.Options{Site: estate(), Ideal: true, Period: -1}, 1)
		d := newDrivenOn(t, w, func(o *output.Output) { o.Interval = time.Hour })
		d.do(func(m *sim.Mesh) error { return m.Silence("pump-house", 30*time.Second) })
		begun := time.Now()
		out := d.begin("1", "within=10")()
		if took := time.Since(begun); out.Outcome != api.OutcomeUnknown || took < 5*time.Second {
			t.Errorf("after %v: %+v", took, out)
		}
		if out, code := d.write("1"); code>>5 != 4 || out.Outcome != api.OutcomeRefused || !strings.Contains(out.Reason, "too soon") {
			t.Errorf("within the interval: %v %+v", code, out)
		}
		lock := "outputs/" + d.label["pump-house"] + "/output/lock"
		if m := d.ask(codes.PUT, lock, "sump open"); m.Code != codes.Changed {
			t.Errorf("lock-out: %v %q", m.Code, m.Payload)
		}
		if out, code := d.write("1"); code != codes.Forbidden || out.Outcome != api.OutcomeRefused || !strings.Contains(out.Reason, "sump open") {
			t.Errorf("locked out: %v %+v", code, out)
		}
		if got := d.reached(); got != "0" {
			t.Errorf("after the silence the output reads %q", got)
		}
		if d := time.Since(begun); d < 30*time.Second {
			t.Errorf("the node answered after %v: it was not silent", d)
		}
		d.still(0, "off")
		log := d.audit()
		for _, want := range []string{`"event":"intent"`, `"outcome":"unknown"`, "too soon", `"event":"lock"`, "sump open"} {
			if !strings.Contains(log, want) {
				t.Errorf("no %s in the audit log:\n%s", want, log)
			}
		}
	})
	// Out of credits from before the write until after its deadline.
	t.Run("no credits", func(t *testing.T) {
		t.Parallel()
		d := newDriven(t)
		if got := d.reached(); got != "0" {
			t.Fatal(got)
		}
		d.gate.shut.Store(true)
		if out := d.begin("1", "within=10")(); out.Outcome != api.OutcomeUnknown {
			t.Errorf("%+v", out)
		}
		d.gate.shut.Store(false)
		if got := d.reached(); got != "0" {
			t.Errorf("the output reads %q", got)
		}
		d.still(0, "off")
		if n := d.m.Stats().Forward.ToMesh.Dropped[drop.DeadlinePassed]; n == 0 {
			t.Error("no packet ended as deadline-passed")
		}
	})
	// The radio dies when the write is in the queue, and is back after the deadline.
	t.Run("radio dies", func(t *testing.T) {
		t.Parallel()
		d := newDriven(t)
		if got := d.reached(); got != "0" {
			t.Fatal(got)
		}
		d.gate.shut.Store(true)
		answer := d.begin("1", "within=10")
		d.do(func(m *sim.Mesh) error { return m.CutRadio() })
		if out := answer(); out.Outcome != api.OutcomeUnknown {
			t.Errorf("%+v", out)
		}
		d.gate.shut.Store(false)
		d.do(func(m *sim.Mesh) error { return m.RestoreRadio() })
		if got := d.reached(); got != "0" {
			t.Errorf("the output reads %q", got)
		}
		d.still(0, "off")
	})
	// A lock-out takes a write that waits out of the queue.
	t.Run("locked out while it waits", func(t *testing.T) {
		t.Parallel()
		d := newDriven(t)
		d.gate.shut.Store(true)
		answer := d.begin("1", "within=30")
		if m := d.ask(codes.PUT, "outputs/"+d.label["pump-house"]+"/output/lock", "sump open"); m.Code != codes.Changed {
			t.Errorf("lock-out: %v %q", m.Code, m.Payload)
		}
		d.gate.shut.Store(false)
		if out := answer(); out.Outcome != api.OutcomeUnknown {
			t.Errorf("%+v", out)
		}
		if got := d.reached(); got != "0" {
			t.Errorf("the output reads %q", got)
		}
		d.still(0, "off")
	})
	// The lease runs out while the radio is dead: the node switches back by itself, and
	// nobody is told that it is still on.
	t.Run("lease without a radio", func(t *testing.T) {
		t.Parallel()
		w := world(t, sim.Options{Site: estate(), Ideal: true, Period: -1}, 1)
		d := newDrivenOn(t, w)
		if out, code := d.write("1", "for=5"); code != codes.Changed || out.Outcome != api.OutcomeDone || out.Lease != 5 {
			t.Fatalf("%v %+v", code, out)
		}
		d.still(1, "on")
		d.do(func(m *sim.Mesh) error { return m.CutRadio() })
		tuntest.Poll(t, 60*time.Second, func() (bool, string) {
			s := d.node("pump-house")
			return s.Output == "off", fmt.Sprintf("%+v", s)
		})
		if m := d.ask(codes.GET, d.own, ""); m.Code>>5 != 5 {
			t.Errorf("without a radio it reads %v %q", m.Code, m.Payload)
		}
		if out, _ := d.write("1", "within=8"); out.Outcome == api.OutcomeDone {
			t.Errorf("without a radio: %+v", out)
		}
		d.do(func(m *sim.Mesh) error { return m.RestoreRadio() })
		if got := d.reached(); got != "0" {
			t.Errorf("afterwards it reads %q", got)
		}
		d.still(1, "off")
	})
}
