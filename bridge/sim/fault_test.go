package sim

import (
	"bytes"
	"fmt"
	"testing"
	"time"

	gocoap "github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// A slow node acknowledges at once and answers by a message of its own, which it
// repeats until it is acknowledged (RFC 7252, sections 4.2 and 5.2.2).
func TestSlow(t *testing.T) {
	c := newClient(t, Options{Period: -1})
	must(t, c.m.Slow("n1", 8*time.Second, false))
	put := encodeCoAP(t, gocoap.Message{Type: gocoap.Confirmable, MessageID: 7, Code: codes.PUT, Token: gocoap.Token("tok"),
		Options: gocoap.Options{option(gocoap.URIPath, []byte("output")...)}, Payload: []byte("1")})
	begun := c.m.Now()
	a := decodeCoAP(t, c.raw(c.to, put))
	if a.Type != gocoap.Acknowledgement || a.Code != codes.Empty || a.MessageID != 7 || len(a.Token) > 0 {
		t.Fatalf("at once: %v %v", a.Type, a.Code)
	}
	if n, _ := c.m.Node("n1"); n.Output != "on" {
		t.Error("it acts late")
	}
	if again := decodeCoAP(t, c.raw(c.to, put)); again.Type != gocoap.Acknowledgement || again.Code != codes.Empty {
		t.Errorf("asked again: %v %v", again.Type, again.Code)
	}
	answer := decodeCoAP(t, c.hear(20*time.Second))
	if took := c.m.Now() - begun; took < 8*time.Second || took > 9*time.Second {
		t.Errorf("the answer after %v", took)
	}
	if answer.Type != gocoap.Confirmable || answer.Code != codes.Changed || string(answer.Token) != "tok" {
		t.Fatalf("the answer: %v %v %q", answer.Type, answer.Code, answer.Token)
	}
	repeated := decodeCoAP(t, c.hear(4*time.Second))
	if repeated.MessageID != answer.MessageID {
		t.Errorf("repeated as %d, was %d", repeated.MessageID, answer.MessageID)
	}
	c.empty(gocoap.Acknowledgement, answer.MessageID)
	c.quiet(100 * time.Second)

	// Never acknowledged: five transmissions (section 4.8).
	c.raw(c.to, c.get(8, "tok", "/output", -1))
	sent := 0
	for c.hear(60*time.Second) != nil {
		sent++
	}
	if sent != 5 || len(c.m.nodes[1].extra.pending) != 0 {
		t.Errorf("%d transmissions", sent)
	}
	// A non-confirmable request has a non-confirmable answer, once.
	c.post(c.to, encodeCoAP(t, gocoap.Message{Type: gocoap.NonConfirmable, MessageID: 9, Code: codes.GET, Token: gocoap.Token("non"),
		Options: gocoap.Options{option(gocoap.URIPath, []byte("temp")...)}}))
	if m := decodeCoAP(t, c.hear(9*time.Second)); m.Type != gocoap.NonConfirmable || string(m.Token) != "non" {
		t.Errorf("%v %q", m.Type, m.Token)
	}
	c.quiet(20 * time.Second)
	must(t, c.m.Slow("n1", 0, false))
	c.expect("/output", "1")
}

// Of two late answers the second one waits until the first is acknowledged: NSTART is
// 1 (RFC 7252, section 4.7).
func TestSlowOneAtATime(t *testing.T) {
	c := newClient(t, Options{Period: -1})
	must(t, c.m.Slow("n1", 5*time.Second, false))
	for id := range int32(2) {
		if a := decodeCoAP(t, c.raw(c.to, c.get(id, fmt.Sprint("t", id), "/temp", -1))); a.Code != codes.Empty {
			t.Fatalf("%v", a.Code)
		}
	}
	var first int32
	for i := range 3 {
		m := decodeCoAP(t, c.hear(20*time.Second))
		if string(m.Token) != "t0" || i > 0 && m.MessageID != first {
			t.Errorf("message %d is for %q", i, m.Token)
		}
		first = m.MessageID
	}
	c.empty(gocoap.Acknowledgement, first)
	second := decodeCoAP(t, c.hear(time.Second))
	if string(second.Token) != "t1" || second.Type != gocoap.Confirmable {
		t.Errorf("then %v for %q", second.Type, second.Token)
	}
	c.empty(gocoap.Reset, second.MessageID)
	c.quiet(time.Minute)
}

// A slow and quiet node answers on the acknowledgement, whatever is repeated.
func TestSlowQuiet(t *testing.T) {
	c := newClient(t, Options{Period: -1})
	must(t, c.m.Slow("n1", 8*time.Second, true))
	get := c.get(7, "tok", "/temp", 0)
	for range 3 {
		c.post(c.to, get)
		c.quiet(2 * time.Second)
	}
	a := decodeCoAP(t, c.hear(3*time.Second))
	if a.Type != gocoap.Acknowledgement || a.Code != codes.Content || a.MessageID != 7 || string(a.Token) != "tok" || !a.Options.HasOption(gocoap.Observe) {
		t.Fatalf("%v %v", a.Type, a.Code)
	}
	if again := c.raw(c.to, get); again == nil || !bytes.Equal(decodeCoAP(t, again).Payload, a.Payload) {
		t.Errorf("the answer again: %x", again)
	}
	// It has room for some requests, not for many.
	c.m.nodes[1].exchanges = nil
	for i := range int32(40) {
		c.post(c.to, c.get(100+i, "t", "/temp", -1))
	}
	if n := len(c.m.nodes[1].extra.pending); n > maxPending {
		t.Errorf("%d answers wait", n)
	}
	if n := len(c.m.agenda.heap); n > 10 {
		t.Errorf("%d events on the agenda", n)
	}
}

// A late answer that begins an observation can be reset too.
func TestSlowObservation(t *testing.T) {
	c := newClient(t, Options{Period: 10 * time.Second})
	must(t, c.m.Slow("n1", 2*time.Second, false))
	if ack := decodeCoAP(t, c.raw(c.to, c.get(1, "tok", "/temp", 0))); ack.Code != codes.Empty || c.observers() != 1 {
		t.Errorf("%v, %d observers", ack.Code, c.observers())
	}
	m, _ := c.notification(5*time.Second, "tok")
	c.empty(gocoap.Reset, m.MessageID)
	c.m.Advance(c.m.Now() + time.Second)
	if c.observers() != 0 {
		t.Error("still an observer")
	}
}

// A silent node hears nothing and says nothing; a mute one obeys.
func TestSilentAndMute(t *testing.T) {
	put := func(c *client, id int32, v string) {
		c.post(c.to, encodeCoAP(t, gocoap.Message{Type: gocoap.Confirmable, MessageID: id, Code: codes.PUT, Token: gocoap.Token("tok"),
			Options: gocoap.Options{option(gocoap.URIPath, []byte("output")...)}, Payload: []byte(v)}))
	}
	for _, k := range []struct {
		name string
		call func(m *Mesh, name string, d time.Duration) error
		acts string
	}{{"silent", (*Mesh).Silence, "off"}, {"mute", (*Mesh).Mute, "on"}} {
		t.Run(k.name, func(t *testing.T) {
			c := newClient(t, Options{Period: 10 * time.Second})
			c.register(1, "tok", "/temp")
			c.packets = nil
			before, _ := c.m.Node("n1")
			must(t, k.call(c.m, "n1", 30*time.Second))
			put(c, 2, "1")
			c.m.Advance(c.m.Now() + 25*time.Second)
			if len(c.packets) > 0 {
				t.Errorf("it says %x", c.packets[0])
			}
			after, _ := c.m.Node("n1")
			if after.Output != k.acts || after.CoAPSent != before.CoAPSent || after.Notifications != before.Notifications {
				t.Errorf("%+v", after)
			}
			if heard := after.CoAPReceived - before.CoAPReceived; (heard == 1) != (k.name == "mute") {
				t.Errorf("it heard %d messages", heard)
			}
			if after.Received == before.Received {
				t.Error("its radio does not hear either")
			}
			c.m.Advance(c.m.Now() + 10*time.Second)
			c.packets = nil
			c.notification(15*time.Second, "tok")
			must(t, k.call(c.m, "n1", -1))
			c.m.Advance(c.m.Now() + time.Second)
			c.packets = nil
			c.quiet(time.Hour)
			must(t, k.call(c.m, "n1", 0))
			put(c, 3, "0")
			if b := c.hear(3 * time.Second); b == nil {
				t.Error("silent after its end")
			}
		})
	}
}

// The program restarts: the node stays in the mesh, and has forgotten.
func TestReboot(t *testing.T) {
	c := newClient(t, Options{Period: 30 * time.Second})
	c.register(1, "tok", "/temp")
	seen := decodeCoAP(t, c.raw(c.to, encodeCoAP(t, gocoap.Message{Type: gocoap.NonConfirmable, MessageID: 2, Code: codes.GET, Token: gocoap.Token("x")})))
	c.ask(codes.PUT, "/output", "1", query("for=600"))
	c.ask(codes.PUT, "/label", "x")
	c.ask(codes.PUT, "/period", "7")
	c.ask(codes.PUT, "/config", "{\"hum_high\":1}", option(gocoap.ContentFormat, 50))
	c.ask(codes.DELETE, "/log", "")
	c.m.Advance(c.m.Now() + time.Second)
	c.packets = nil
	token := c.m.nodes[1].token
	must(t, c.m.Reboot("n1"))
	if n, _ := c.m.Node("n1"); n.State != "joined" || n.Output != "off" || n.Observers != 0 || len(c.packets) > 0 {
		t.Errorf("%+v", n)
	}
	if x := c.m.nodes[1].extra; x != nil {
		t.Errorf("it kept %+v", x)
	}
	after := decodeCoAP(t, c.raw(c.to, encodeCoAP(t, gocoap.Message{Type: gocoap.NonConfirmable, MessageID: 2, Code: codes.GET, Token: gocoap.Token("x")})))
	if d := uint16(after.MessageID - seen.MessageID); d < 50 || c.m.nodes[1].token == token {
		t.Errorf("message ids go on: %d after %d", after.MessageID, seen.MessageID)
	}
	c.expect("/period", "30")
	c.expect("/output", "0")
	if a := c.ask(codes.GET, "/label", ""); a.Code != codes.NotFound {
		t.Errorf("the label: %v", a.Code)
	}
	if n := len(c.blocks("/log")); n < 1500 {
		t.Errorf("%d octets of log", n)
	}
	for range 100 {
		must(t, c.m.Reboot("n1"))
	}
	if n := len(c.m.agenda.heap); n > 10 {
		t.Errorf("%d events on the agenda", n)
	}
	must(t, c.m.CutNode("n1"))
	if c.m.Reboot("n1") == nil {
		t.Error("a node that is off restarts")
	}
}

// A notification is overtaken by the one after it: the Observe values tell (RFC 7641,
// section 3.4).
func TestStaleOrder(t *testing.T) {
	c := newClient(t, Options{Period: 10 * time.Second})
	if c.m.StaleOrder("n1") == nil {
		t.Error("a node that is not observed: no error")
	}
	_, before := c.register(1, "tok", "/temp")
	must(t, c.m.StaleOrder("n1"))
	at := c.m.Now()
	var got []uint32
	for range 3 {
		m, seq := c.notification(25*time.Second, "tok")
		got = append(got, (seq-before)&maxSequence)
		if m.Type != gocoap.NonConfirmable {
			t.Errorf("it is %v", m.Type)
		}
		if len(got) == 2 && c.m.Now()-at > 21*time.Second {
			t.Errorf("the second after %v", c.m.Now()-at)
		}
	}
	if got[0] != 2 || got[1] != 1 || got[2] != 3 {
		t.Errorf("in the order %v, want 2 1 3", got)
	}
	// One that is held goes away with its observer.
	must(t, c.m.StaleOrder("n1"))
	must(t, c.m.Notify("n1"))
	c.raw(c.to, c.get(2, "tok", "/temp", 1))
	c.quiet(30 * time.Second)
}

func TestDuplicate(t *testing.T) {
	c := newClient(t, Options{Period: -1})
	must(t, c.m.Duplicate("n1"))
	first := c.raw(c.to, c.get(1, "tok", "/temp", 0))
	if second := c.hear(time.Second); !bytes.Equal(first, second) {
		t.Errorf("%x and %x", first, second)
	}
	c.quiet(2 * time.Second)
	must(t, c.m.Duplicate("n1"))
	must(t, c.m.Notify("n1"))
	a, b := c.hear(time.Second), c.hear(time.Second)
	if !bytes.Equal(a, b) || a == nil {
		t.Errorf("%x and %x", a, b)
	}
	n, _ := c.m.Node("n1")
	if n.CoAPReceived != 1 || n.CoAPSent != 4 || n.Notifications != 1 {
		t.Errorf("%+v", n)
	}
	c.m.ResetStats()
	if n, _ := c.m.Node("n1"); n.CoAPReceived != 0 || n.CoAPSent != 0 || n.Notifications != 0 || n.Observers != 1 {
		t.Errorf("%+v", n)
	}
}

// Every method refuses what is no node, and times that make no sense.
func TestFaultErrors(t *testing.T) {
	m, _ := start(t, Options{Site: chain(1), Ideal: true})
	for _, name := range []string{"nobody", GatewayName, ""} {
		for i, err := range []error{m.Slow(name, 1, false), m.Silence(name, 1), m.Mute(name, 1), m.Reboot(name), m.StaleOrder(name),
			m.Duplicate(name), m.Interlock(name, true), m.ChangeTags(name), m.AddLog(name, "x"), m.Notify(name), m.receiveDirect(name, farPort, nil)} {
			if err == nil {
				t.Errorf("%q, method %d: no error", name, i)
			}
		}
	}
	if m.Slow("n1", -1, false) == nil || m.Slow("n1", time.Hour, false) == nil {
		t.Error("slow by a time that makes no sense: no error")
	}
}
