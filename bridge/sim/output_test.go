package sim

import (
	"strconv"
	"testing"
	"time"

	gocoap "github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

func query(v string) gocoap.Option { return option(gocoap.URIQuery, []byte(v)...) }

// expect reads a resource in plain text.
func (c *client) expect(path, want string) {
	c.t.Helper()
	if a := c.ask(codes.GET, path, ""); a.Code != codes.Content || string(a.Payload) != want {
		c.t.Errorf("GET %s: %v %q, want %q", path, a.Code, a.Payload, want)
	}
}

// lease reads the seconds left, which may be one less than was asked for by now.
func (c *client) lease(want int) {
	c.t.Helper()
	a := c.ask(codes.GET, "/output/lease", "")
	left, err := strconv.Atoi(string(a.Payload))
	if err != nil || left > want || left < want-6 || want > 0 && left == 0 {
		c.t.Errorf("lease %q, want %d", a.Payload, want)
	}
}

// The contract of the output as the package's comment states it.
func TestOutputLease(t *testing.T) {
	c := newClient(t, Options{Period: -1})
	for _, k := range []struct {
		value   string
		queries []string
		code    codes.Code
		after   string
		lease   int
	}{
		{"1", []string{"for=1200"}, codes.Changed, "1", 1200},
		{"1", []string{"for=86400"}, codes.Changed, "1", 86400},
		{"1", []string{"for=300"}, codes.Changed, "1", 300}, // shorter than what runs
		// What is refused changes neither value nor lease.
		{"1", []string{"for=0"}, codes.BadRequest, "1", 300},
		{"1", []string{"for=86401"}, codes.BadRequest, "1", 300},
		{"1", []string{"for=-5"}, codes.BadRequest, "1", 300},
		{"1", []string{"for="}, codes.BadRequest, "1", 300},
		{"1", []string{"for=99999999999999999999"}, codes.BadRequest, "1", 300},
		{"1", []string{"fro=1200"}, codes.BadRequest, "1", 300},
		{"1", []string{"for=5", "for=6"}, codes.BadRequest, "1", 300},
		{"1", []string{"for=5", "x"}, codes.BadRequest, "1", 300},
		{"0", []string{"for=5"}, codes.BadRequest, "1", 300},
		{"2", []string{"for=5"}, codes.BadRequest, "1", 300},
		{"1", nil, codes.Changed, "1", 0}, // holds
		{"on", []string{"for=60"}, codes.Changed, "1", 60},
		{"0", nil, codes.Changed, "0", 0},
	} {
		var opts []gocoap.Option
		for _, q := range k.queries {
			opts = append(opts, query(q))
		}
		if a := c.ask(codes.PUT, "/output", k.value, opts...); a.Code != k.code {
			t.Errorf("PUT %q %v: %v %q, want %v", k.value, k.queries, a.Code, a.Payload, k.code)
		}
		c.expect("/output", k.after)
		c.lease(k.lease)
	}
	if a := c.ask(codes.PUT, "/output/lease", "5"); a.Code != codes.MethodNotAllowed {
		t.Errorf("PUT /output/lease: %v", a.Code)
	}
}

// A lease runs out to the second, with nothing said meanwhile, whatever the radio
// does; and one that is renewed runs from then on.
func TestLeaseEnds(t *testing.T) {
	for _, k := range []struct {
		name      string
		meanwhile func(m *Mesh) error
	}{
		{"all is well", func(*Mesh) error { return nil }},
		{"the gateway's radio is off", func(m *Mesh) error { return m.CutRadio() }},
		{"no radio link carries anything", func(m *Mesh) error { return m.SetLoss(1) }},
		{"the program hangs", func(m *Mesh) error { return m.Silence("n1", -1) }},
		{"the node is mute", func(m *Mesh) error { return m.Mute("n1", -1) }},
	} {
		t.Run(k.name, func(t *testing.T) {
			c := newClient(t, Options{Period: -1})
			output := func() string { n, _ := c.m.Node("n1"); return n.Output }
			c.ask(codes.PUT, "/output", "1", query("for=600"))
			c.m.Advance(c.m.Now() + 500*time.Second)
			c.ask(codes.PUT, "/output", "1", query("for=600"))
			at := c.m.Now()
			if err := k.meanwhile(c.m); err != nil {
				t.Fatal(err)
			}
			c.m.Advance(at + 595*time.Second)
			if output() != "on" {
				t.Error("off before its time")
			}
			if n, _ := c.m.Node("n1"); n.Lease < 1 || n.Lease > 5 {
				t.Errorf("the lease has %d s left", n.Lease)
			}
			c.m.Advance(at + 600*time.Second)
			if output() != "off" {
				t.Error("on after its time")
			}
			if n, _ := c.m.Node("n1"); n.Lease != 0 {
				t.Errorf("the lease has %d s left", n.Lease)
			}
		})
	}
	c := newClient(t, Options{Period: -1})
	c.ask(codes.PUT, "/output", "1", query("for=60"))
	c.ask(codes.PUT, "/output", "1") // takes the lease away
	c.m.Advance(c.m.Now() + time.Hour)
	c.expect("/output", "1")
	for range 200 { // leases that change do not fill the agenda
		c.ask(codes.PUT, "/output", "1", query("for=3600"))
		c.ask(codes.PUT, "/output", "1", query("for=60"))
		c.ask(codes.PUT, "/period", "3600")
	}
	if n := len(c.m.agenda.heap); n > 10 {
		t.Errorf("%d events on the agenda", n)
	}
}

// An output is off after a boot, and while there is no supply.
func TestOutputAfterBoot(t *testing.T) {
	for _, boot := range []func(m *Mesh) error{(func(m *Mesh) error { return m.Reboot("n1") }), (func(m *Mesh) error { return m.CutNode("n1") })} {
		c := newClient(t, Options{Period: -1})
		c.ask(codes.PUT, "/output", "1", query("for=600"))
		if err := boot(c.m); err != nil {
			t.Fatal(err)
		}
		if n, _ := c.m.Node("n1"); n.Output != "off" || n.Lease != 0 {
			t.Errorf("%+v", n)
		}
		c.m.Advance(c.m.Now() + time.Hour)
		if n, _ := c.m.Node("n1"); n.Output != "off" {
			t.Errorf("%+v", n)
		}
	}
}

// A local interlock switches off, refuses (4.09, RFC 8132, section 2.3.2), outlives a boot.
func TestInterlock(t *testing.T) {
	c := newClient(t, Options{Period: -1})
	interlock := func(on bool) {
		t.Helper()
		if err := c.m.Interlock("n1", on); err != nil {
			t.Fatal(err)
		}
	}
	c.ask(codes.PUT, "/output", "1", query("for=600"))
	interlock(true)
	c.expect("/output", "0")
	c.lease(0)
	for _, opts := range [][]gocoap.Option{nil, {query("for=600")}} {
		if a := c.ask(codes.PUT, "/output", "1", opts...); a.Code != codes.Code(4<<5|9) || len(a.Payload) == 0 {
			t.Errorf("PUT 1: %v %q", a.Code, a.Payload)
		}
	}
	if a := c.ask(codes.PUT, "/output", "0"); a.Code != codes.Changed {
		t.Errorf("PUT 0: %v", a.Code)
	}
	c.expect("/output", "0")
	if err := c.m.Reboot("n1"); err != nil {
		t.Fatal(err)
	}
	if a := c.ask(codes.PUT, "/output", "1"); a.Code != codes.Code(4<<5|9) {
		t.Errorf("PUT 1 after a boot: %v", a.Code)
	}
	if n, _ := c.m.Node("n1"); !n.Interlock || n.Output != "off" {
		t.Errorf("%+v", n)
	}
	interlock(false)
	c.expect("/output", "0") // it does not come back by itself
	if a := c.ask(codes.PUT, "/output", "1", query("for=600")); a.Code != codes.Changed {
		t.Errorf("PUT 1 without the interlock: %v", a.Code)
	}
	c.expect("/output", "1")
}
