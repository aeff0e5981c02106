package coap

import (
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/sim"
	"culvert/coap/access"
	"culvert/coap/api"
	"culvert/coap/msg"
	"culvert/coap/output"
)

func accessOf(t testing.TB, ids ...access.Identity) *access.List {
	t.Helper()
	a, err := access.New(ids)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// An identity that is taken out, or has another key, loses its right at the next request
// of a session that is open; a new key counts at once.
func TestSetAccess(t *testing.T) {
	operator := access.Identity{Name: "operator", PSK: testKey("operator"), May: access.MayRead | access.MayWrite}
	miller := access.Identity{Name: "miller", PSK: testKey("miller"), May: access.MayRead}
	f := newFront(t, func(s *Server) {
		s.opts.Access = accessOf(t, operator, miller)
		s.opts.DTLS = []netip.AddrPort{netip.MustParseAddrPort("[::1]:0")}
	})
	ca := newAuthority(t)
	ask := f.dtlsAsker("operator", nil, ca)
	if got := ask(codes.GET, "nodes"); got != "2.05" {
		t.Fatalf("at first: %s", got)
	}
	other := operator
	other.PSK = testKey("an operator")
	less := operator
	less.May = access.MayTrial
	anyone := access.Identity{Name: access.Anyone, May: access.MayRead}
	for _, x := range []struct {
		name  string
		ids   []access.Identity
		want  string
		plain string // of an unauthenticated client
	}{
		{"taken out", []access.Identity{miller}, "4.01", "4.01"},
		{"back", []access.Identity{operator, miller}, "2.05", "4.01"},
		{"another key", []access.Identity{other, miller}, "4.01", "4.01"},
		{"fewer rights", []access.Identity{less, miller}, "4.03", "4.01"},
		{"taken out, but all may read", []access.Identity{anyone, miller}, "2.05", "2.05"},
	} {
		f.SetAccess(accessOf(t, x.ids...))
		if got := ask(codes.GET, "nodes"); got != x.want {
			t.Errorf("%s: %s, want %s", x.name, got, x.want)
		}
		if m := f.client().ask(codes.GET, "nodes", ""); msg.CodeText(m.Code) != x.plain {
			t.Errorf("%s, without identity: %v, want %s", x.name, m.Code, x.plain)
		}
	}
	f.SetAccess(accessOf(t, access.Identity{Name: "newcomer", PSK: testKey("newcomer"), May: access.MayRead}))
	if got := f.dtlsAsker("newcomer", nil, ca)(codes.GET, "nodes"); got != "2.05" {
		t.Errorf("a new identity: %s", got)
	}
	if a := f.access(); a.PSK([]byte("operator")) != nil {
		t.Error("the key of who was taken out still counts")
	}
}

// Observations of unauthenticated clients end when these may not read any more.
func TestSetAccessEndsObservations(t *testing.T) {
	f := newFront(t, func(s *Server) {
		s.opts.Access = accessOf(t, access.Identity{Name: access.Anyone, May: access.MayRead})
	})
	c := f.client()
	c.ask(codes.GET, "nodes/grain-bin", "", opt{6, ""})
	eventually(t, "it observes", func() bool { return f.observers.Stats().Observers == 1 })
	f.SetAccess(accessOf(t, access.Identity{Name: access.Anyone, May: access.MayRead}))
	if n := f.observers.Stats().Observers; n != 1 {
		t.Errorf("%d observers after the same again", n)
	}
	f.SetAccess(accessOf(t))
	if n := f.observers.Stats().Observers; n != 0 {
		t.Errorf("%d observers who may not", n)
	}
}

// Other outputs: what is known of one stays, also while it is not declared, and a write
// under way ends by the old declaration.
func TestSetOutputs(t *testing.T) {
	dir := t.TempDir()
	f := newFront(t, siteOutput(func(o *output.Output) { o.Interval = time.Hour }), inDir(dir))
	r := pump(t, f)
	declared := f.opts.Outputs
	if w, code := f.write("1"); code != "2.04" {
		t.Fatalf("%s %+v", code, w)
	}
	const lock = "/outputs/grain-bin/output/lock"
	if _, code := f.ask(codes.PUT, lock, "sump open"); code != "2.04" {
		t.Fatal(code)
	}
	if err := f.SetOutputs(nil); err != nil {
		t.Fatal(err)
	}
	if _, code := f.ask(codes.GET, lock, ""); code != "4.04" {
		t.Errorf("not declared: %s", code)
	}
	if err := f.SetOutputs(declared); err != nil {
		t.Fatal(err)
	}
	if w, code := f.write("1"); code != "4.03" || !strings.Contains(w.Reason, "sump open") {
		t.Errorf("the lock-out is gone: %s %+v", code, w)
	}
	if _, code := f.ask(codes.DELETE, lock, ""); code != "2.02" {
		t.Fatal(code)
	}
	if w, code := f.write("1"); code != "4.29" {
		t.Errorf("the interval is gone: %s %+v", code, w)
	}
	// One under way.
	do(t, r, func(m *sim.Mesh) error { return m.Silence("pump", 2*time.Second) })
	sent := f.Stats().NodeMessages
	done := make(chan api.Written, 1)
	go func() { w, _ := f.write("0", "within=8"); done <- w }()
	eventually(t, "it is on its way", func() bool { return f.Stats().NodeMessages > sent })
	if err := f.SetOutputs(nil); err != nil {
		t.Fatal(err)
	}
	if w := <-done; w.Outcome != api.OutcomeDone {
		t.Errorf("under way: %+v", w)
	}
	if err := f.SetOutputs(declared); err != nil {
		t.Fatal(err)
	}
	if st := f.outputs.List(); len(st) != 1 || st[0].Writing || st[0].Last == nil || st[0].Last.Outcome != api.OutcomeDone {
		t.Errorf("%+v", st)
	}
}

// The first outputs may come while the front runs; a lock-out of one that is not declared
// outlives another one's lock-out.
func TestSetOutputsFirst(t *testing.T) {
	dir := t.TempDir()
	f := newFront(t, inDir(dir))
	pump(t, f)
	declared := []output.Output{{Place: "grain-bin", Resource: "/output", Safe: "0"}, {Place: "mast", Resource: "/lamp", Safe: "0"}}
	if err := f.SetOutputs(declared); err != nil {
		t.Fatal(err)
	}
	if w, code := f.write("1"); code != "2.04" || w.ID != 1 {
		t.Errorf("%s %+v", code, w)
	}
	listed := func() string {
		return string(f.client().ask(codes.GET, ".well-known/core", "", opt{message.URIQuery, "rt=lock-out"}).Payload)
	}
	if got := listed(); !strings.Contains(got, "</outputs/grain-bin/output/lock>") || !strings.Contains(got, "</outputs/mast/lamp/lock>") {
		t.Errorf("listed: %s", got)
	}
	for _, x := range []string{"/outputs/grain-bin/output/lock", "/outputs/mast/lamp/lock"} {
		if _, code := f.ask(codes.PUT, x, "sump open"); code != "2.04" {
			t.Errorf("%s: %s", x, code)
		}
		if err := f.SetOutputs(declared[1:]); err != nil {
			t.Fatal(err)
		}
	}
	f.stop()
	locks, err := output.LoadLocks(dir)
	if err != nil || len(locks) != 2 {
		t.Errorf("%v (%v)", locks, err)
	}
}

// An observation that waits for its node is judged by the rights in force when it begins: a
// reload that takes them away meanwhile leaves no observer behind, and the client learns it.
func TestSetAccessWhileObservationWaits(t *testing.T) {
	anyone := access.Identity{Name: access.Anyone, May: access.MayRead}
	bound := access.Identity{Name: access.Anyone, May: access.MayRead, Nodes: []string{"*/mast"}}
	proxied := []opt{{message.ProxyURI, "coap://grain-bin/temp"}}
	for name, x := range map[string]struct {
		opts  []opt
		path  string
		after []access.Identity
		want  codes.Code
	}{
		"taken out":                {nil, "nodes/grain-bin/own/temp", nil, codes.Unauthorized},
		"bound to other nodes":     {nil, "nodes/grain-bin/own/temp", []access.Identity{bound}, codes.Unauthorized},
		"taken out, through proxy": {proxied, "", nil, codes.Unauthorized},
		"the same again":           {nil, "nodes/grain-bin/own/temp", []access.Identity{anyone}, codes.Content},
	} {
		t.Run(name, func(t *testing.T) {
			f := newFront(t, func(s *Server) { s.opts.Access = accessOf(t, anyone) })
			asked, goOn := make(chan bool, 9), make(chan bool)
			n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
				asked <- true
				<-goOn
				return [][]byte{ack(m, codes.Content, "7", opt{message.Observe, "\x01"})}
			})
			c := f.client()
			got := make(chan message.Message, 1)
			go func() { got <- c.ask(codes.GET, x.path, "", append([]opt{{message.Observe, ""}}, x.opts...)...) }()
			<-asked
			f.SetAccess(accessOf(t, x.after...))
			close(goOn)
			m := <-got
			observers := 0
			if x.want == codes.Content {
				observers = 1
			}
			if m.Code != x.want || f.observers.Stats().Observers != observers || x.want != codes.Content && msg.Uint(m.Options, message.Observe) >= 0 {
				t.Errorf("%v %q, %d observers", m.Code, m.Payload, f.observers.Stats().Observers)
			}
			_ = n
		})
	}
}
