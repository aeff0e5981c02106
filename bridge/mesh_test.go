package bridge_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/netip"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"culvert/bridge"
	"culvert/bridge/adapt"
	"culvert/bridge/drop"
	"culvert/bridge/forward"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/node"
	"culvert/bridge/radio"
	"culvert/tun"
	"culvert/tun/tuntest"
)

var (
	prefix   = netip.MustParsePrefix("2001:db8:0:1::/64")
	gateway  = netip.MustParseAddr("2001:db8:0:1::1")
	outside  = netip.MustParseAddr("2001:db8:ffff::53")
	contexts = lowpan.NewContexts(map[uint8]netip.Prefix{0: prefix})
	gwEUI    = forwardtest.Info().EUI64
)

// eui is an EUI-64 of the range for documents (RFC 9542, section 2.1.4).
func eui(n uint64) ieee802154.Addr { return ieee802154.Extended(0x00005eef10000000 + n) }

func global(a ieee802154.Addr) netip.Addr {
	iid, _ := ipv6.IIDOf(a)
	return ipv6.Join(prefix.Addr(), iid)
}

// udp is a UDP packet with n octets of payload.
func udp(src, dst netip.Addr, n int) ipv6.Packet {
	b := ipv6.Header{PayloadLen: 8 + n, NextHeader: ipv6.ProtoUDP, HopLimit: 64, Source: src, Destination: dst}.AppendTo(nil)
	b = append(b, 0xc0, 0x01, 0xc0, 0x02, byte((8+n)>>8), byte(8+n), 0, 0)
	b = append(b, make([]byte, n)...)
	s, d := src.As16(), dst.As16()
	c := ipv6.UDPChecksum(s[:], d[:], b[40:])
	b[46], b[47] = byte(c>>8), byte(c)
	return b
}

// frames are the frames of a packet from a node to the gateway.
func frames(t testing.TB, s *adapt.Sender, from ieee802154.Addr, p ipv6.Packet) (out []radio.Event) {
	t.Helper()
	var o adapt.Outgoing
	if err := s.Start(&o, p, lowpan.Peer{From: from, To: gwEUI}, contexts, 96); err != nil {
		t.Fatal(err)
	}
	for !o.Done() {
		out = append(out, radio.Event{Kind: radio.EventFrame, Frame: radio.Frame{From: from, To: gwEUI, Payload: o.Append(nil)}})
	}
	return out
}

// logs is a log that tests read.
type logs struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logs) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(b)
}

func (l *logs) count(text string) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Count(l.b.String(), text)
}

func (l *logs) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func (l *logs) logger() *slog.Logger { return slog.New(slog.NewTextHandler(l, nil)) }

// pass lets time pass in a bubble.
func pass(d time.Duration) { tuntest.Advance(d) }

// running is a mesh that runs, and the end of it.
type running struct {
	*bridge.Mesh
	stop func() error
	log  *logs
}

func start(t testing.TB, o bridge.Options) running {
	t.Helper()
	return startAt(t, prefix, o)
}

func startAt(t testing.TB, p netip.Prefix, o bridge.Options) running {
	t.Helper()
	log := &logs{}
	o.Name, o.Prefix, o.Log = "fenland", p, log.logger()
	m, err := bridge.New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- m.Run(ctx) }()
	var once sync.Once
	stop := func() (err error) {
		once.Do(func() {
			cancel()
			err = <-done
		})
		return err
	}
	t.Cleanup(func() { stop() })
	return running{m, stop, log}
}

// sums checks that every packet and every frame of a mesh at rest is accounted for.
func sums(t testing.TB, s forward.Stats) {
	t.Helper()
	if fault := imbalance(s); fault != "" {
		t.Error(fault)
	}
}

// settled is sums for a mesh that runs: the kernel may have passed a packet on a
// moment before it is counted.
func settled(t testing.TB, m *bridge.Mesh) {
	t.Helper()
	tuntest.Poll(t, 5*time.Second, func() (bool, string) {
		fault := imbalance(m.Stats().Forward)
		return fault == "", fault
	})
}

// imbalance says which packets or frames are not accounted for, "" if all are.
func imbalance(s forward.Stats) string {
	count := func(c [drop.Count]uint64) (n uint64) {
		for _, v := range c {
			n += v
		}
		return n
	}
	for i, d := range []forward.Direction{s.ToMesh, s.FromMesh} {
		name := [...]string{"to mesh", "from mesh"}[i]
		if ends := d.Delivered + d.Handled + d.Turned + count(d.Dropped) + d.Queued; d.Offered != ends {
			return fmt.Sprintf("%s: %d packets offered, %d delivered + %d handled + %d turned + %d dropped + %d queued",
				name, d.Offered, d.Delivered, d.Handled, d.Turned, count(d.Dropped), d.Queued)
		}
		if ends := d.FramesConsumed + d.FramesReturned + d.FramesInFlight + count(d.FramesDropped); d.Frames != ends {
			return fmt.Sprintf("%s: %d frames, %d consumed + %d returned + %d dropped + %d in flight",
				name, d.Frames, d.FramesConsumed, d.FramesReturned, count(d.FramesDropped), d.FramesInFlight)
		}
	}
	return ""
}

// Load in both directions, and everything goes wrong meanwhile: frames fail, come
// back, get no result; the radio vanishes, boots anew; the TUN is deleted; garbage
// arrives. At the end every packet and frame is accounted for, under the load too.
func TestSumsUnderLoadAndFaults(t *testing.T) {
	for seed := range uint64(3) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { loadAndFaults(t, seed) })
		})
	}
}

const nodes = 20

func loadAndFaults(t *testing.T, seed uint64) {
	rnd := rand.New(rand.NewPCG(seed, 1))
	r := forwardtest.NewRadio()
	var mu sync.Mutex // of rnd
	roll := func(n int) int { mu.Lock(); defer mu.Unlock(); return rnd.IntN(n) }
	r.OnSend = func(r *forwardtest.Radio, s forwardtest.Sent) {
		o := radio.OutcomeDelivered
		switch k := roll(1000); {
		case k < 30:
			o = radio.OutcomeNoAck
		case k < 40:
			o = radio.OutcomeNoRoute
		case k < 100:
			o = radio.OutcomeQueueFull
		case k < 101:
			return // no result ever
		}
		time.AfterFunc(time.Duration(roll(60))*time.Millisecond, func() { r.Result(s.ID, o) })
	}
	tuns := make(chan *forwardtest.Tun, 100)
	m := start(t, bridge.Options{Radio: r, OpenTun: func() (bridge.Tun, error) {
		if roll(3) == 0 && len(tuns) > 0 {
			return nil, errors.New("busy")
		}
		d := forwardtest.NewTun()
		tuns <- d
		return d, nil
	}})
	dev := <-tuns
	info := forwardtest.Info()
	var list []radio.NodeInfo
	for i := range uint64(nodes) {
		list = append(list, radio.NodeInfo{Addr: eui(0x100 + i)})
	}
	r.Up(info, 16, list...)

	far := adapt.NewSender(0)
	for i := range 6000 {
		switch k := roll(1000); {
		case k < 600:
			dst := global(eui(0x100 + uint64(roll(nodes+2)))) // two do not exist
			dev.Down(udp([]netip.Addr{outside, gateway}[roll(2)], dst, roll(300)))
		case k < 900:
			from := eui(0x100 + uint64(roll(nodes)))
			to := []netip.Addr{outside, gateway, global(eui(0x100 + uint64(roll(nodes))))}[roll(3)]
			for _, ev := range frames(t, far, from, udp(global(from), to, roll(200))) {
				if roll(50) != 0 { // else lost on the air
					r.Push(ev)
				}
			}
		case k < 990:
			junk := make([]byte, roll(40))
			for i := range junk {
				junk[i] = byte(roll(256))
			}
			r.Push(radio.Event{Kind: radio.EventFrame, Frame: radio.Frame{From: eui(0x100 + uint64(roll(nodes))), To: gwEUI, Payload: junk}})
		case k < 992:
			r.Push(radio.Event{Kind: radio.EventDown, Cause: errors.New("unplugged")})
			pass(time.Duration(roll(3000)) * time.Millisecond)
			info.Boot++
			r.Up(info, 1+roll(30), list...)
		case k < 994:
			r.Push(radio.Event{Kind: radio.EventCredits, Credits: roll(30)})
		case k < 996:
			a := list[roll(nodes)]
			r.Push(radio.Event{Kind: radio.EventDetached, Node: a})
			r.Push(radio.Event{Kind: radio.EventAttached, Node: radio.NodeInfo{Addr: a.Addr, Short: ieee802154.Short(uint16(1 + roll(nodes)))}})
		case k < 997:
			dev.Fail(fmt.Errorf("read: %w", tun.ErrGone))
			dev = <-tuns
		default:
			pass(time.Duration(roll(500)) * time.Millisecond)
		}
		if i%500 == 0 {
			synctest.Wait() // nothing moves without time: the sums hold here too
			sums(t, m.Stats().Forward)
		}
	}
	pass(80 * time.Second) // longer than any packet or frame may be under way
	synctest.Wait()
	s := m.Stats()
	if s.Forward.ToMesh.Queued != 0 || s.Forward.ToMesh.FramesInFlight != 0 || s.Forward.Buffers.InUse != 0 {
		t.Errorf("at rest: %d packets queued, %d frames in flight, %d buffers", s.Forward.ToMesh.Queued, s.Forward.ToMesh.FramesInFlight, s.Forward.Buffers.InUse)
	}
	dev.Down(udp(outside, global(eui(0x100)), 4)) // something for the shutdown to end
	if err := m.stop(); err != nil {
		t.Error(err)
	}
	s = m.Stats()
	sums(t, s.Forward)
	if s.Forward.Buffers.InUse != 0 || s.Forward.ToMesh.Queued != 0 {
		t.Errorf("after the stop: %d buffers, %d packets", s.Forward.Buffers.InUse, s.Forward.ToMesh.Queued)
	}
	if s.Forward.ToMesh.Delivered < 300 || s.Forward.FromMesh.Delivered < 800 || s.TunDowns == 0 || s.Forward.Radio.Downs == 0 {
		t.Errorf("little happened: %d and %d delivered, %d times without TUN, %d without radio",
			s.Forward.ToMesh.Delivered, s.Forward.FromMesh.Delivered, s.TunDowns, s.Forward.Radio.Downs)
	}
	t.Logf("to mesh: %d delivered, dropped %v; from mesh: %d delivered, %d turned, dropped %v", s.Forward.ToMesh.Delivered,
		words(s.Forward.ToMesh.Dropped), s.Forward.FromMesh.Delivered, s.Forward.FromMesh.Turned, words(s.Forward.FromMesh.Dropped))
}

func words(c [drop.Count]uint64) map[string]uint64 {
	m := map[string]uint64{}
	for r, n := range c {
		if n > 0 {
			m[drop.Reason(r).String()] = n
		}
	}
	return m
}

// A node that never acknowledges holds up nobody else.
func TestSlowNode(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := forwardtest.NewRadio()
		slow := eui(0x200)
		r.OnSend = func(r *forwardtest.Radio, s forwardtest.Sent) {
			if s.Frame.To != slow {
				time.AfterFunc(10*time.Millisecond, func() { r.Result(s.ID, radio.OutcomeDelivered) })
			}
		}
		dev := forwardtest.NewTun()
		m := start(t, bridge.Options{Radio: r, OpenTun: func() (bridge.Tun, error) { return dev, nil }})
		fast := eui(0x201)
		r.Up(forwardtest.Info(), 4, radio.NodeInfo{Addr: slow}, radio.NodeInfo{Addr: fast})
		synctest.Wait()
		for range 30 {
			dev.Down(udp(outside, global(slow), 50))
		}
		begin := time.Now()
		for range 30 {
			dev.Down(udp(outside, global(fast), 50))
		}
		for m.Stats().Forward.ToMesh.Delivered < 30 {
			pass(time.Millisecond)
		}
		if took := time.Since(begin); took > 160*time.Millisecond { // 2 at a time, 10 ms each
			t.Errorf("the other node's packets took %v", took)
		}
		m.stop()
	})
}

// The states of the nodes follow a radio that comes, goes and comes again; each
// outage is logged once.
func TestRadioDownIsNoticed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := forwardtest.NewRadio()
		dev := forwardtest.NewTun()
		m := start(t, bridge.Options{Radio: r, OpenTun: func() (bridge.Tun, error) { return dev, nil }})
		a, b := eui(0x200), eui(0x201)
		r.Up(forwardtest.Info(), 4, radio.NodeInfo{Addr: a}, radio.NodeInfo{Addr: b})
		synctest.Wait()
		if !m.Stats().Up {
			t.Error("not up")
		}
		r.Push(radio.Event{Kind: radio.EventDown, Cause: errors.New("unplugged")})
		synctest.Wait()
		for range 5 {
			dev.Down(udp(outside, global(a), 4))
		}
		synctest.Wait()
		if s := m.Stats(); s.Up || s.Forward.Radio.Up || s.Forward.ToMesh.Dropped[drop.RadioDown] != 5 || len(dev.Up()) != 5 {
			t.Errorf("%+v, dropped %v", s.Forward.Radio, words(s.Forward.ToMesh.Dropped))
		}
		if n := m.log.count("radio down"); n != 1 {
			t.Errorf("logged %d times", n)
		}
		if s := m.Stats(); s.Nodes.Nodes[node.Unknown] != 2 {
			t.Errorf("nodes %v while the radio is down", s.Nodes.Nodes)
		}
		r.Up(forwardtest.Info(), 4, radio.NodeInfo{Addr: a})
		synctest.Wait()
		if s := m.Stats(); !s.Up || s.Nodes.Nodes[node.Joining] != 1 || s.Nodes.Nodes[node.Silent] != 1 {
			t.Errorf("up %v, nodes %v", s.Up, s.Nodes.Nodes)
		}
		m.stop()
	})
}

// A TUN that was deleted is noticed, logged once, counted, and opened again; what
// comes meanwhile is counted; the link-local address is set again.
func TestTunGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := forwardtest.NewRadio()
		var devs []*named
		var refuse atomic.Bool
		m := start(t, bridge.Options{Radio: r, OpenTun: func() (bridge.Tun, error) {
			if refuse.Load() {
				return nil, errors.New("no /dev/net/tun")
			}
			devs = append(devs, &named{Tun: forwardtest.NewTun()})
			return devs[len(devs)-1], nil
		}})
		a := eui(0x200)
		r.Up(forwardtest.Info(), 4, radio.NodeInfo{Addr: a})
		synctest.Wait()
		if devs[0].local != netip.MustParseAddr("fe80::200:5eef:1000:1") {
			t.Errorf("link-local address %v", devs[0].local)
		}
		refuse.Store(true)
		devs[0].Fail(fmt.Errorf("tun: mesh0: %w: deleted", tun.ErrGone))
		synctest.Wait()
		far := adapt.NewSender(0)
		r.Push(frames(t, far, a, udp(global(a), outside, 4))[0])
		pass(5 * time.Second)
		s := m.Stats()
		if s.TunUp || s.TunDowns != 1 || s.Forward.FromMesh.Dropped[drop.TunDown] != 1 {
			t.Errorf("up %v, %d downs, %v", s.TunUp, s.TunDowns, words(s.Forward.FromMesh.Dropped))
		}
		if n, k := m.log.count("TUN interface is gone"), m.log.count("cannot be opened"); n != 1 || k != 1 {
			t.Errorf("logged %d and %d times:\n%s", n, k, m.log)
		}
		refuse.Store(false)
		pass(time.Second)
		synctest.Wait()
		if len(devs) != 2 || devs[1].local != devs[0].local {
			t.Fatalf("%d devices", len(devs))
		}
		r.Push(frames(t, far, a, udp(global(a), outside, 4))[0])
		synctest.Wait()
		if len(devs[1].Up()) != 1 || !m.Stats().Up {
			t.Error("no packet through the new interface")
		}
		m.stop()
		if devs[1].Down(nil) {
			t.Error("the interface was not closed")
		}
	})
}

// A mesh to which the kernel sends nothing, since another program removed its route, is
// not up.
func TestNotRouted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := forwardtest.NewRadio()
		dev := &routed{Tun: forwardtest.NewTun()}
		m := start(t, bridge.Options{Radio: r, OpenTun: func() (bridge.Tun, error) { return dev, nil }})
		r.Up(forwardtest.Info(), 4)
		synctest.Wait()
		for _, yes := range []bool{false, true, false} {
			dev.yes.Store(yes)
			if s := m.Stats(); s.Up != yes || s.Routed != yes || !s.TunUp {
				t.Errorf("routed %v: %v, up %v, interface %v", yes, s.Routed, s.Up, s.TunUp)
			}
		}
		m.stop()
	})
}

// routed is a TUN that knows of its route.
type routed struct {
	*forwardtest.Tun
	yes atomic.Bool
}

func (r *routed) Routed() bool { return r.yes.Load() }

// named is a TUN that is told its link-local address.
type named struct {
	*forwardtest.Tun
	local netip.Addr
}

func (n *named) SetLinkLocal(a netip.Addr) error { n.local = a; return nil }

// What cannot mend ends Run with an error that says what and where.
func TestRunFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := forwardtest.NewRadio()
		m, err := bridge.New(bridge.Options{Name: "fenland", Prefix: prefix, Radio: r,
			OpenTun: func() (bridge.Tun, error) { return nil, errors.New("tun: no permission") }})
		if err != nil {
			t.Fatal(err)
		}
		if err := m.Run(t.Context()); err == nil || err.Error() != `bridge: mesh "fenland": tun: no permission` {
			t.Errorf("%v", err)
		}
		if err := r.Send(radio.Frame{}, 1); err == nil {
			t.Error("the radio is still open")
		}
		m, err = bridge.New(bridge.Options{Name: "fenland", Prefix: prefix, Radio: broken{forwardtest.NewRadio()},
			OpenTun: func() (bridge.Tun, error) { return forwardtest.NewTun(), nil }})
		if err != nil {
			t.Fatal(err)
		}
		if err := m.Run(t.Context()); err == nil || err.Error() != `bridge: mesh "fenland": radio: speaks another language` {
			t.Errorf("%v", err)
		}
	})
}

// broken is a radio that cannot mend.
type broken struct{ *forwardtest.Radio }

func (broken) Receive([]byte) (radio.Event, error) {
	return radio.Event{}, errors.New("speaks another language")
}

func TestNewRefuses(t *testing.T) {
	open := func() (bridge.Tun, error) { return forwardtest.NewTun(), nil }
	for _, tt := range []struct {
		o    bridge.Options
		want string
	}{
		{bridge.Options{Prefix: prefix, OpenTun: open}, "needs a radio"},
		{bridge.Options{Prefix: prefix, Radio: forwardtest.NewRadio()}, "TUN"},
		{bridge.Options{Name: "fenland", Radio: forwardtest.NewRadio(), OpenTun: open}, `mesh "fenland": node: mesh prefix`},
		{bridge.Options{Prefix: prefix, Radio: forwardtest.NewRadio(), OpenTun: open, Places: []node.Place{{Name: "x y"}}}, `name "x y"`},
	} {
		if _, err := bridge.New(tt.o); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%v, want %q in it", err, tt.want)
		}
	}
}
