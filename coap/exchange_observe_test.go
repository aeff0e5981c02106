package coap

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"net"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/sim"
	"culvert/coap/door"
	"culvert/coap/msg"
	"culvert/coap/observe"
)

// observedSite is a front whose node is observed by clients of the table.
type observedSite struct {
	*front
	node *sim.Radio
	door *door.UDP
	n    *atomic.Int32
}

func newObserved(t *testing.T, n *atomic.Int32) *observedSite {
	t.Helper()
	f := newFront(t)
	o := &observedSite{front: f, node: pump(t, f), n: n}
	o.door = f.doors.FirstUDP()
	return o
}

// notify has the node say its state, and waits until the front has told its observers.
func (o *observedSite) notify(t *testing.T) {
	t.Helper()
	before := o.Stats().Notifications
	do(t, o.node, func(m *sim.Mesh) error { return m.Notify("pump") })
	eventually(t, "the observers are told", func() bool { return o.Stats().Notifications > before })
}

// gone waits until nobody observes, neither the front nor the node.
func (o *observedSite) gone(t *testing.T, how string) {
	t.Helper()
	eventually(t, how, func() bool {
		s, left := o.Stats(), -1
		o.node.Do(func(m *sim.Mesh) { left = len(m.Observers()) })
		return s.Observers == 0 && s.Observations == 0 && left == 0
	})
	o.n.Add(1)
}

// program is a client that runs, with what it has written so far.
type program struct {
	*exec.Cmd
	mu  sync.Mutex
	log bytes.Buffer
}

func (p *program) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.log.Write(b)
}

func (p *program) count(s string) int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return strings.Count(p.log.String(), s)
}

// libcoapObserver starts libcoap's client, from a port of its own.
func libcoapObserver(t *testing.T, args ...string) *program {
	t.Helper()
	p := &program{Cmd: exec.Command(tool(t, "coap-client-notls", "libcoap3-bin"), append([]string{"-v", "7", "-o", "/dev/null"}, args...)...)}
	p.Stdout, p.Stderr = p, p
	if err := p.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = p.Process.Kill()
		_ = p.Wait()
		if t.Failed() {
			t.Logf("coap-client %v: %s", args, p.log.Bytes())
		}
	})
	return p
}

// RFC 7641, sections 3.1, 3.6, 4.2 and 4.5, as libcoap 4.3.1's client does it.
func libcoapObserves(t *testing.T, n *atomic.Int32) {
	o := newObserved(t, n)
	base := "coap://" + o.udp.String()
	watching := func(p *program) {
		t.Helper()
		eventually(t, "it observes", func() bool { return o.Stats().Observers == 1 && p.count("c:2.05") >= 1 })
		n.Add(1)
	}
	told := func(p *program) {
		t.Helper()
		before := p.count("Observe:")
		o.notify(t)
		eventually(t, "it has the notification", func() bool { return p.count("Observe:") > before })
		n.Add(1)
	}

	// By GET with Observe 1, which it sends when its time is over.
	p := libcoapObserver(t, "-s", "8", base+simNode+"/temp")
	watching(p)
	told(p)
	told(p)
	if err := p.Wait(); err != nil || p.count("Observe:1, Uri-Port:") != 1 {
		t.Errorf("it did not leave by Observe 1: %v", err)
	}
	o.gone(t, "it left by Observe 1")

	// By Reset: the client that comes after it at its port knows nothing of its token.
	port := freePort(t)
	p = libcoapObserver(t, "-p", port, "-T", "first", "-s", "60", base+simNode+"/temp")
	watching(p)
	told(p)
	_ = p.Process.Kill()
	_ = p.Wait()
	next := libcoapObserver(t, "-p", port, "-T", "second", "-s", "60", base+"/nodes/grain-bin")
	eventually(t, "the next one is there", func() bool { return o.Stats().Observers == 2 && next.count("c:2.05") >= 1 })
	o.notify(t) // what it sends for it is four octets: an empty message
	eventually(t, "the first one is gone", func() bool {
		s := o.Stats()
		return s.Observers == 1 && s.Observations == 0 && next.count("sent 4 bytes") >= 1
	})
	n.Add(1)
	_ = next.Process.Kill()
	_ = next.Wait()

	// By silence: a client that is stopped keeps its port, and acknowledges nothing.
	p = libcoapObserver(t, "-T", "third", "-s", "120", base+simNode+"/hum")
	eventually(t, "it observes", func() bool { return p.count("c:2.05") >= 1 })
	n.Add(1)
	if err := p.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	o.unheard(t)
	o.left(t)
}

// unheard notifies until a confirmable notification is out, and has the door's clock
// run ahead until it gives up: 2 to 3 s, doubled four times (RFC 7252, section 4.2).
func (o *observedSite) unheard(t *testing.T) {
	t.Helper()
	for range observe.ConfirmEvery {
		o.notify(t)
	}
	now := time.Now()
	for range msg.MaxRetransmit + 1 {
		now = now.Add(48 * time.Second)
		o.door.Tick(now)
	}
}

// left waits until nobody observes the node.
func (o *observedSite) left(t *testing.T) {
	t.Helper()
	eventually(t, "the node is not observed", func() bool { return o.Stats().Observations == 0 })
	o.n.Add(1)
}

// freePort is a port of the loopback that is free now, and below those that the kernel
// gives to others by itself.
func freePort(t *testing.T) string {
	t.Helper()
	for range 100 {
		c, err := net.ListenUDP("udp6", &net.UDPAddr{IP: net.IPv6loopback, Port: 20000 + rand.IntN(10000)})
		if err == nil {
			defer c.Close()
			return strconv.Itoa(c.LocalAddr().(*net.UDPAddr).Port)
		}
	}
	t.Fatal("no port is free")
	return ""
}

// The same by messages that scapy makes and reads.
func scapyObserves(t *testing.T, n *atomic.Int32) {
	o := newObserved(t, n)
	c := newScapyClient(t, o.udp)
	register := func(token, path string) {
		t.Helper()
		c.mid++
		c.send(message.Confirmable, codes.GET, c.mid, token, "", append([]opt{{message.Observe, ""}}, pathOptions(path)...)...)
		m := c.receive(true)
		for m.Code == codes.Empty {
			m = c.receive(true)
		}
		if _, ok := msg.Option(m.Options, message.Observe); !ok || m.Code != codes.Content || string(m.Token) != token {
			t.Fatalf("%s is not observed: %v", path, &m)
		}
		n.Add(1)
	}
	last := uint64(0)
	told := func(token string, acknowledge bool) message.Message {
		t.Helper()
		o.notify(t)
		m := c.receive(acknowledge)
		v, ok := msg.Option(m.Options, message.Observe)
		if !ok || m.Code != codes.Content || string(m.Token) != token || optUint(string(v)) <= last {
			t.Fatalf("notification %v, want one with the token %q and an order above %d", &m, token, last)
		}
		last = optUint(string(v))
		n.Add(1)
		return m
	}

	register("one", simNode+"/temp")
	told("one", true)
	told("one", true)
	if m := c.one(message.Confirmable, codes.GET, "", append([]opt{{message.Observe, "\x01"}}, pathOptions(simNode+"/temp")...)...); m.Code != codes.Content {
		t.Errorf("%v", &m)
	}
	if o.Stats().Observers != 1 {
		t.Error("Observe 1 with another token ended an observation (RFC 7641, 3.6)")
	}
	c.send(message.Confirmable, codes.GET, 0x7001, "one", "", append([]opt{{message.Observe, "\x01"}}, pathOptions(simNode+"/temp")...)...)
	if m := c.receive(true); m.Code != codes.Content || m.MessageID != 0x7001 {
		t.Errorf("%v", &m)
	} else if _, ok := msg.Option(m.Options, message.Observe); ok {
		t.Errorf("the answer to Observe 1 has the option: %v", &m)
	}
	o.gone(t, "it left by Observe 1")

	last = 0
	register("two", simNode+"/hum")
	c.send(message.Reset, codes.Empty, uint16(told("two", false).MessageID), "", "")
	o.gone(t, "it left by Reset")

	last = 0
	register("three", simNode+"/batt")
	var first message.Message
	for i := range observe.ConfirmEvery {
		first = told("three", false)
		if confirmable := first.Type == message.Confirmable; confirmable != (i == observe.ConfirmEvery-1) {
			t.Errorf("notification %d is of type %v", i, first.Type)
		}
	}
	now := time.Now()
	for i := range msg.MaxRetransmit {
		now = now.Add(48 * time.Second)
		o.door.Tick(now)
		if m := c.receive(false); m.MessageID != first.MessageID || m.Type != message.Confirmable || !bytes.Equal(m.Payload, first.Payload) {
			t.Errorf("repetition %d: %v, want %v", i, fmt.Sprint(&m), fmt.Sprint(&first))
		}
	}
	o.door.Tick(now.Add(48 * time.Second))
	o.gone(t, "it left by silence")
}
