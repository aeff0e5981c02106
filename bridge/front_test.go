package bridge_test

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/udp/coder"

	front "culvert/coap"
	"culvert/coap/nodeclient"

	"culvert/bridge/node"
	"culvert/bridge/sim"
	"culvert/tun/tuntest"
)

// frontIn is the CoAP front in the namespace of a mesh.
type frontIn struct {
	*front.Server
	t     testing.TB
	ns    *tuntest.NS
	world *sim.Radio
	addr  netip.AddrPort
	label map[string]string // of a place
	next  uint16
}

// newFront starts a mesh of real TUN and simulated radio with the front before it.
func newFront(t testing.TB, o sim.Options, speed float64, opts front.Options) *frontIn {
	t.Helper()
	o.Site = estate()
	w := world(t, o, speed)
	m, ns := realMesh(t, w, len(o.Site.Nodes))
	return frontBefore(t, w, m, ns, opts)
}

// frontBefore starts a front before a mesh that is up.
func frontBefore(t testing.TB, w *sim.Radio, m running, ns *tuntest.NS, opts front.Options) *frontIn {
	t.Helper()
	f := &frontIn{t: t, world: w, ns: ns, label: map[string]string{}}
	for _, p := range estate().Nodes {
		f.label[p.Name] = m.Nodes().ByAddress(global(p.EUI64)).Label()
	}
	opts.Meshes = node.Meshes{{Name: "fenland", Table: m.Nodes()}}
	opts.UDP = []netip.AddrPort{netip.MustParseAddrPort("[::1]:5683")}
	f.Server = front.New(opts)
	f.ns.Do(func() {
		if err := f.Listen(); err != nil {
			t.Fatal(err)
		}
	})
	f.addr = f.UDPAddrs()[0]
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := f.Run(ctx); err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(func() { cancel(); wg.Wait() })
	return f
}

// do runs a command on the simulated mesh.
func (f *frontIn) do(what func(*sim.Mesh) error) {
	f.t.Helper()
	var err error
	f.world.Do(func(m *sim.Mesh) { err = what(m) })
	if err != nil {
		f.t.Fatal(err)
	}
}

func (f *frontIn) node(name string) (s sim.NodeStats) {
	f.world.Do(func(m *sim.Mesh) { s, _ = m.Node(name) })
	return s
}

// tokens are those of the observations of the nodes.
func (f *frontIn) tokens() (out []string) {
	f.world.Do(func(m *sim.Mesh) {
		for _, o := range m.Observers() {
			out = append(out, o.Token)
		}
	})
	return out
}

// asker is a client of the front that writes its datagrams itself.
type asker struct {
	t    testing.TB
	conn *net.UDPConn
	mid  uint16
}

func (f *frontIn) asker() *asker {
	f.t.Helper()
	f.next += 1000
	return &asker{f.t, dialIn(f.t, f.ns, f.addr), f.next}
}

// request sends one, and returns its octets.
func (a *asker) request(code codes.Code, path, token, payload string, opts ...message.Option) []byte {
	a.t.Helper()
	a.mid++
	m := message.Message{Type: message.Confirmable, Code: code, MessageID: int32(a.mid), Token: []byte(token), Payload: []byte(payload)}
	for _, o := range opts {
		if o.ID < message.URIPath {
			m.Options = append(m.Options, o)
		}
	}
	for part := range strings.SplitSeq(path, "/") {
		m.Options = append(m.Options, message.Option{ID: message.URIPath, Value: []byte(part)})
	}
	for _, o := range opts {
		if o.ID > message.URIPath {
			m.Options = append(m.Options, o)
		}
	}
	buf := make([]byte, 2048)
	n, err := coder.DefaultCoder.Encode(m, buf)
	if err != nil {
		a.t.Fatal(err)
	}
	a.write(buf[:n])
	return buf[:n]
}

func (a *asker) write(b []byte) {
	a.t.Helper()
	if _, err := a.conn.Write(b); err != nil {
		a.t.Fatal(err)
	}
}

func (a *asker) empty(kind message.Type, m message.Message) {
	a.write([]byte{1<<6 | byte(kind)<<4, 0, byte(m.MessageID >> 8), byte(m.MessageID)})
}

// message is the next one that is not empty; confirmable ones are acknowledged. acked
// says that an empty acknowledgement came before it.
func (a *asker) message(within time.Duration) (m message.Message, acked bool, err error) {
	buf := make([]byte, 2048)
	if err := a.conn.SetReadDeadline(time.Now().Add(within)); err != nil {
		return m, false, err
	}
	for {
		n, err := a.conn.Read(buf)
		if err != nil {
			return m, acked, err
		}
		m = message.Message{Options: make(message.Options, 0, 32)}
		if _, err := coder.DefaultCoder.Decode(append([]byte(nil), buf[:n]...), &m); err != nil {
			return m, acked, err
		}
		if m.Code == codes.Empty {
			acked = acked || m.Type == message.Acknowledgement
			continue
		}
		if m.Type == message.Confirmable {
			a.empty(message.Acknowledgement, m)
		}
		return m, acked, nil
	}
}

func (a *asker) must(within time.Duration) message.Message {
	a.t.Helper()
	m, _, err := a.message(within)
	if err != nil {
		a.t.Fatal(err)
	}
	return m
}

var observing = message.Option{ID: message.Observe}

func order(m message.Message) int64 {
	v, err := m.Options.GetUint32(message.Observe)
	if err != nil {
		return -1
	}
	return int64(v)
}

// crowd has a number of clients observe a resource of a place.
func (f *frontIn) crowd(n int, place, path string) []*asker {
	f.t.Helper()
	var all []*asker
	for i := range n {
		a := f.asker()
		a.request(codes.GET, "nodes/"+f.label[place]+"/own/"+path, fmt.Sprint("c", i), "", observing)
		if m := a.must(60 * time.Second); order(m) < 0 || m.Code != codes.Content {
			f.t.Fatalf("client %d: %v %q", i, m.Code, m.Payload)
		}
		all = append(all, a)
	}
	return all
}

// The node has the same to do for a hundred observers as for one: CoAP messages that
// it receives and sends over ten notifications, on a mesh without losses.
func TestObserversCostTheNodeOne(t *testing.T) {
	cost := func(clients int) (received, sent uint32) {
		f := newFront(t, sim.Options{Seed: 5, Period: -1}, meshSpeed, front.Options{})
		before := f.node("pump-house")
		all := f.crowd(clients, "pump-house", "temp")
		for range 10 {
			f.do(func(m *sim.Mesh) error { return m.Notify("pump-house") })
			for _, a := range all {
				if m := a.must(30 * time.Second); order(m) < 0 {
					t.Fatalf("%v", m.Code)
				}
			}
		}
		// The node's confirmable notification, and the front's acknowledgement of it, may
		// still be on their way.
		tuntest.Poll(t, 30*time.Second, func() (bool, string) {
			s := f.node("pump-house")
			return s.CoAPReceived-before.CoAPReceived == 2 && s.Queued == 0, fmt.Sprintf("%+v", s)
		})
		after := f.node("pump-house")
		if len(f.tokens()) != 1 {
			t.Errorf("tokens %v", f.tokens())
		}
		return after.CoAPReceived - before.CoAPReceived, after.CoAPSent - before.CoAPSent
	}
	r1, s1 := cost(1)
	r100, s100 := cost(100)
	t.Logf("1 observer: %d received, %d sent; 100 observers: %d received, %d sent", r1, s1, r100, s100)
	if r1 != r100 || s1 != s100 {
		t.Errorf("100 observers cost more: %d received, %d sent, and 1: %d, %d", r100, s100, r1, s1)
	}
}

// The same where a tenth of all attempts is lost: never more than one token, and
// every client hears of the last state.
func TestObserversOnALossyMesh(t *testing.T) {
	f := newFront(t, sim.Options{Seed: 6, Period: -1}, meshSpeed, front.Options{})
	f.do(func(m *sim.Mesh) error { return m.SetLoss(0.1) })
	before := f.node("pump-house")
	all := f.crowd(100, "pump-house", "temp")
	first := f.tokens()
	if len(first) != 1 {
		t.Fatalf("tokens %v", first)
	}
	heard := 0
	for range 10 {
		f.do(func(m *sim.Mesh) error { return m.Notify("pump-house") })
		got := map[int64]bool{}
		for _, a := range all {
			m, _, err := a.message(10 * time.Second)
			if err != nil {
				break // the notification was lost, for all of them
			}
			got[order(m)] = true
		}
		if len(got) > 0 {
			heard++
		}
		if now := f.tokens(); len(now) != 1 || now[0] != first[0] {
			t.Fatalf("tokens %v, at first %v", now, first)
		}
	}
	after := f.node("pump-house")
	t.Logf("%d of 10 notifications reached the clients; the node received %d and sent %d messages",
		heard, after.CoAPReceived-before.CoAPReceived, after.CoAPSent-before.CoAPSent)
	if heard < 5 {
		t.Errorf("%d of 10 notifications reached the clients", heard)
	}
}

// RFC 7959, section 2.2, and RFC 7252, section 4.6: each block of the default size is one
// frame on the air, and so a lost one costs no other; a client gets them put together.
func TestBlocksFitFrames(t *testing.T) {
	f := newFront(t, sim.Options{Seed: 8, Ideal: true, Period: -1}, meshSpeed, front.Options{})
	before := f.node("mast")
	a := f.asker()
	a.request(codes.GET, "nodes/"+f.label["mast"]+"/own/log", "t", "")
	if m := a.must(60 * time.Second); m.Code != codes.Content || len(m.Payload) != 1024 {
		t.Fatalf("%v, %d octets", m.Code, len(m.Payload))
	}
	after := f.node("mast")
	messages := after.CoAPReceived - before.CoAPReceived
	t.Logf("%d messages to the node, in %d frames; %d from it, in %d", messages, after.Received-before.Received,
		after.CoAPSent-before.CoAPSent, after.Sent-before.Sent)
	if messages < 20 || after.Received-before.Received != messages || after.CoAPSent-before.CoAPSent != messages || after.Sent-before.Sent != messages {
		t.Errorf("before %+v\nafter %+v", before, after)
	}
}

// What nodes do wrong, and what the client then sees.
func TestFrontAndFaults(t *testing.T) {
	newIdeal := func(t *testing.T, o front.Options) (*frontIn, string) {
		f := newFront(t, sim.Options{Seed: 7, Ideal: true, Period: time.Second}, 1, o)
		return f, "nodes/" + f.label["mast"] + "/own/"
	}
	// RFC 7252, section 5.9.3.5: 5.04, before the client gives up.
	t.Run("silent", func(t *testing.T) {
		t.Parallel()
		f, own := newIdeal(t, front.Options{Transmission: nodeclient.Transmission{NodeTimeout: 6 * time.Second}})
		f.do(func(m *sim.Mesh) error { return m.Silence("mast", -1) })
		a := f.asker()
		a.request(codes.GET, own+"temp", "t", "")
		m, acked, err := a.message(20 * time.Second)
		if err != nil || m.Code != codes.GatewayTimeout || !acked || m.Type != message.Confirmable {
			t.Errorf("%v %q, acknowledged before %v (%v)", m.Code, m.Payload, acked, err)
		}
	})
	// Section 4.2: what ICMPv6 says through the interface ends the wait early.
	t.Run("radio dead", func(t *testing.T) {
		t.Parallel()
		f, own := newIdeal(t, front.Options{})
		a := f.asker()
		a.request(codes.GET, own+"temp", "t", "")
		if m := a.must(20 * time.Second); m.Code != codes.Content {
			t.Fatalf("%v %q", m.Code, m.Payload)
		}
		f.do(func(m *sim.Mesh) error { return m.CutRadio() })
		// The first one may leave before the bridge has noticed.
		for i := range 3 {
			a.request(codes.GET, own+"period", fmt.Sprint(i), "")
			m, _, err := a.message(80 * time.Second)
			if err != nil || m.Code != codes.GatewayTimeout {
				t.Fatalf("%v %q (%v)", m.Code, m.Payload, err)
			}
			if strings.Contains(string(m.Payload), "ICMPv6 type 1 code 3") {
				return
			}
		}
		t.Error("nothing was said of ICMPv6")
	})
	// RFC 7252, section 5.2.2, with a node that acknowledges at once, and one that does
	// not.
	for _, quiet := range []bool{false, true} {
		t.Run(fmt.Sprintf("slow by 8 s, quiet %v", quiet), func(t *testing.T) {
			t.Parallel()
			f, own := newIdeal(t, front.Options{})
			f.do(func(m *sim.Mesh) error { return m.Slow("mast", 8*time.Second, quiet) })
			a := f.asker()
			begin := time.Now()
			a.request(codes.GET, own+"temp", "t", "")
			m, acked, err := a.message(30 * time.Second)
			if err != nil || m.Code != codes.Content || !acked || time.Since(begin) < 7*time.Second {
				t.Errorf("after %v: %v %q, acknowledged before %v (%v)", time.Since(begin), m.Code, m.Payload, acked, err)
			}
			if n := f.Stats().NodeTimeouts; n != 0 {
				t.Errorf("%d timeouts", n)
			}
		})
	}
	// RFC 7641, section 5: the node forgot its observers, and says nothing of it.
	t.Run("rebooting", func(t *testing.T) {
		t.Parallel()
		f, own := newIdeal(t, front.Options{})
		a := f.asker()
		a.request(codes.GET, own+"temp", "t", "", observing)
		a.must(10 * time.Second)
		f.do(func(m *sim.Mesh) error { return m.Reboot("mast") })
		f.do(func(m *sim.Mesh) error {
			if len(m.Observers()) != 0 {
				return errors.New("a boot does not forget observers")
			}
			return nil
		})
		tuntest.Poll(t, 30*time.Second, func() (bool, string) { return len(f.tokens()) == 1, "not registered again" })
		// What was on its way before the boot, then the renewed one, then new ones: order grows.
		last := int64(0)
		for range 3 {
			m := a.must(20 * time.Second)
			if order(m) <= last || m.Code != codes.Content {
				t.Fatalf("%v %q, order %d after %d", m.Code, m.Payload, order(m), last)
			}
			last = order(m)
		}
	})
	// RFC 7959, section 2.4: blocks of two representations are not mixed.
	t.Run("ETag changed in mid-block", func(t *testing.T) {
		t.Parallel()
		f, own := newIdeal(t, front.Options{})
		f.do(func(m *sim.Mesh) error { return m.Slow("mast", 50*time.Millisecond, false) })
		a := f.asker()
		before := f.node("mast").CoAPReceived
		a.request(codes.GET, own+"log", "t", "")
		tuntest.Poll(t, 20*time.Second, func() (bool, string) { return f.node("mast").CoAPReceived-before > 10, "no blocks" })
		f.do(func(m *sim.Mesh) error { return m.AddLog("mast", "sluice checked") })
		m := a.must(30 * time.Second)
		body := m.Payload
		for n := byte(1); ; n++ {
			v, err := m.Options.GetUint32(message.Block2)
			if err != nil || v&8 == 0 {
				break
			}
			a.request(codes.GET, own+"log", "t", "", message.Option{ID: message.Block2, Value: []byte{n<<4 | byte(v&7)}})
			m = a.must(10 * time.Second)
			body = append(body, m.Payload...)
		}
		lines := strings.Split(strings.TrimSuffix(string(body), "\n"), "\n")
		if len(lines) < 20 || !strings.Contains(lines[0], "sluice checked") {
			t.Errorf("%d lines, the first %q", len(lines), lines[0])
		}
		seen := map[string]bool{}
		for _, l := range lines {
			if seen[l] {
				t.Errorf("line %q twice", l)
			}
			seen[l] = true
		}
	})
	t.Run("Max-Age 0", func(t *testing.T) {
		t.Parallel()
		f, own := newIdeal(t, front.Options{})
		a := f.asker()
		for i := range 3 {
			before := f.Stats().NodeMessages
			a.request(codes.GET, own+"period", fmt.Sprint(i), "")
			m := a.must(10 * time.Second)
			if v, err := m.Options.GetUint32(message.MaxAge); err != nil || v != 0 || string(m.Payload) != "1" {
				t.Errorf("%v %q, Max-Age %d (%v)", m.Code, m.Payload, v, err)
			}
			if f.Stats().NodeMessages == before {
				t.Error("the node was not asked")
			}
		}
	})
	t.Run("notification out of order", func(t *testing.T) {
		t.Parallel()
		f, own := newIdeal(t, front.Options{})
		a := f.asker()
		a.request(codes.GET, own+"temp", "t", "", observing)
		last := order(a.must(10 * time.Second))
		f.do(func(m *sim.Mesh) error { return m.StaleOrder("mast") })
		for f.Stats().Disordered == 0 {
			m := a.must(20 * time.Second)
			if order(m) <= last {
				t.Fatalf("order %d after %d", order(m), last)
			}
			last = order(m)
		}
	})
	// RFC 7252, section 4.5: one effect, three answers.
	t.Run("duplicate request", func(t *testing.T) {
		t.Parallel()
		f, own := newIdeal(t, front.Options{})
		f.do(func(m *sim.Mesh) error { return m.Duplicate("mast") })
		a := f.asker()
		lines := func() int {
			a.request(codes.GET, own+"log", "g", "", message.Option{ID: message.Block2, Value: []byte{6}})
			m := a.must(10 * time.Second)
			v, _ := m.Options.GetUint32(message.Size2)
			return int(max(v, uint32(len(m.Payload))))
		}
		size := lines()
		b := a.request(codes.POST, own+"log", "p", "gate greased")
		first := a.must(10 * time.Second)
		for range 2 { // each when the answer before has come: until then a repetition has none of its own
			a.write(b)
			if m := a.must(10 * time.Second); m.Code != codes.Created || m.MessageID != first.MessageID || string(m.Token) != "p" {
				t.Errorf("repeated: %v %q", m.Code, m.Token)
			}
		}
		var log string
		a.request(codes.GET, own+"log", "h", "", message.Option{ID: message.Block2, Value: []byte{6}})
		log = string(a.must(10 * time.Second).Payload)
		if n := strings.Count(log, "gate greased"); n != 1 {
			t.Errorf("%d lines were added (%d octets before)", n, size)
		}
	})
	// RFC 7641, section 3.6: the client is gone, and the node is told.
	t.Run("client RST", func(t *testing.T) {
		t.Parallel()
		f, own := newIdeal(t, front.Options{})
		a := f.asker()
		a.request(codes.GET, own+"temp", "t", "", observing)
		a.must(10 * time.Second)
		m := a.must(20 * time.Second)
		a.empty(message.Reset, m)
		tuntest.Poll(t, 20*time.Second, func() (bool, string) {
			s := f.Stats()
			return s.Observers == 0 && s.Observations == 0 && len(f.tokens()) == 0, fmt.Sprintf("%d %d %v", s.Observers, s.Observations, f.tokens())
		})
	})
}
