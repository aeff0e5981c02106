package bridge_test

import (
	"encoding/binary"
	"fmt"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"culvert/bridge"
	"culvert/bridge/adapt"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/radio"
	"culvert/bridge/store"
	"culvert/tun/tuntest"
)

// storm is a radio that always has a frame of data for whoever reads it, so that the
// reader never rests, and between them what nodes say to register.
type storm struct {
	data   []radio.Event // of one node, that make a packet
	at     int
	got    atomic.Uint64 // frames of data that were read
	closed atomic.Bool

	mu    sync.Mutex // guards what follows
	queue []radio.Event
	sent  map[ieee802154.Addr][]byte // the last frame to each node
}

func (s *storm) Receive([]byte) (radio.Event, error) {
	if s.closed.Load() {
		return radio.Event{}, net.ErrClosed
	}
	s.mu.Lock()
	if len(s.queue) > 0 {
		ev := s.queue[0]
		s.queue = s.queue[1:]
		s.mu.Unlock()
		return ev, nil
	}
	s.mu.Unlock()
	s.got.Add(1)
	s.at = (s.at + 1) % len(s.data)
	return s.data[s.at], nil
}

func (s *storm) Send(f radio.Frame, id uint32) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.sent[f.To] = append([]byte(nil), f.Payload...)
	s.queue = append(s.queue, radio.Event{Kind: radio.EventResult, ID: id, Outcome: radio.OutcomeDelivered})
	return nil
}

func (s *storm) Close() error { s.closed.Store(true); return nil }

func (s *storm) push(evs ...radio.Event) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.queue = append(s.queue, evs...)
}

// drain is a TUN whose kernel counts packets.
type drain struct {
	packets atomic.Uint64
	closed  chan struct{}
	once    sync.Once
}

func (d *drain) Read([]byte) (int, error)    { <-d.closed; return 0, os.ErrClosed }
func (d *drain) Write(b []byte) (int, error) { d.packets.Add(1); return len(b), nil }
func (d *drain) Close() error                { d.once.Do(func() { close(d.closed) }); return nil }

// registration is the message with which a node registers an address for 10 hours
// (RFC 8505, 5.6).
func registration(self, gw ieee802154.Addr, addr netip.Addr) ipv6.Packet {
	mine, _ := ipv6.IIDOf(self)
	theirs, _ := ipv6.IIDOf(gw)
	target := addr.As16()
	msg := append([]byte{135, 0, 0, 0, 0, 0, 0, 0}, target[:]...)
	msg = append(self.AppendTo(append(msg, 1, 2)), 0, 0, 0, 0, 0, 0)
	msg = self.AppendTo(binary.BigEndian.AppendUint16(append(msg, 33, 2, 0, 0, 1, 1), 600))
	p := ipv6.Packet(ipv6.Header{NextHeader: 58, HopLimit: 255, Source: ipv6.LinkLocal(mine), Destination: ipv6.LinkLocal(theirs)}.AppendTo(nil))
	p = append(p, msg...)
	binary.BigEndian.PutUint16(p[4:], uint16(len(msg)))
	binary.BigEndian.PutUint16(p[42:], ipv6.Checksum(p[8:24], p[24:40], 58, p[40:]))
	return p
}

func heap() uint64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// TestScaleRegistrations lets 1,000 nodes register (10,000 with CULVERT_LONG=1) over a
// packet path that is busy all the time: each is acknowledged, is on disk, and costs a
// bounded amount of memory. The long run has 1,000 of them each second, and compares the
// rate of the packet path beside them with the quiet one.
func TestScaleRegistrations(t *testing.T) {
	count := 1000
	if fullLength() {
		count = 10000
	}
	gw, talker := forwardtest.Info().EUI64, eui(0x100)
	r := &storm{sent: map[ieee802154.Addr][]byte{}}
	far := adapt.NewSender(0)
	r.data = frames(t, far, talker, udp(global(talker), outside, 40))
	r.push(radio.Event{Kind: radio.EventUp, Info: forwardtest.Info(), Credits: 1024},
		radio.Event{Kind: radio.EventAttached, Node: radio.NodeInfo{Addr: talker}}, radio.Event{Kind: radio.EventSnapshot})
	path := filepath.Join(t.TempDir(), "state.db")
	store, err := store.Open(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	dev := &drain{closed: make(chan struct{})}
	m := start(t, bridge.Options{Radio: r, Store: store, OpenTun: func() (bridge.Tun, error) { return dev, nil }})
	tuntest.Poll(t, time.Minute, func() (bool, string) { return m.Stats().Up && dev.packets.Load() > 1000, "not up" })

	// What the nodes will say, made beforehand.
	link := func(i int) ieee802154.Addr { return eui(0x10000 + uint64(i)) }
	addr := func(i int) netip.Addr { return ipv6.Join(prefix.Addr(), ipv6.IID(0x7a11<<48+uint64(i))) }
	said := make([][]radio.Event, count)
	for i := range said {
		said[i] = frames(t, far, link(i), registration(link(i), gw, addr(i)))
	}
	rate := func(run func()) float64 {
		n, at := dev.packets.Load(), time.Now()
		run()
		return float64(dev.packets.Load()-n) / time.Since(at).Seconds()
	}
	quiet := func() {
		from := dev.packets.Load()
		tuntest.Poll(t, time.Minute, func() (bool, string) {
			return dev.packets.Load() > from+uint64(100*count), "the packet path stands still"
		})
	}
	registered := func() int { return int(m.Stats().Forward.Discovery.Registrations) }
	const window = 500
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	before := heap()
	var first, second float64
	if fullLength() {
		first = rate(quiet)
	}
	busy := rate(func() {
		for i := range said {
			if fullLength() { // 1,000 a second
				<-tick.C
			} else if i%window == 0 { // never more under way than the daemon has room for
				tuntest.Poll(t, time.Minute, func() (bool, string) { return registered() == i, "still registering" })
			}
			r.push(said[i]...)
		}
	})
	said = nil
	tuntest.Poll(t, time.Minute, func() (bool, string) {
		r.mu.Lock()
		defer r.mu.Unlock()
		for i := range count {
			if r.sent[link(i)] == nil {
				return false, fmt.Sprintf("node %d of %d has no acknowledgement", i, count)
			}
		}
		return true, ""
	})
	if fullLength() {
		second = rate(quiet)
	}
	each := float64(heap()-before) / float64(count)

	s := m.Stats().Forward
	lost := 0
	receiver := adapt.NewReceiver(adapt.Options{})
	contexts := lowpan.NewContexts(map[uint8]netip.Prefix{0: prefix})
	r.mu.Lock()
	for i := range count {
		got, err := receiver.Receive(lowpan.Peer{From: gw, To: link(i)}, r.sent[link(i)], contexts, time.Now())
		if err != nil || len(got.Packet) < 72 || got.Packet[40] != ipv6.TypeNeighborAdv || got.Packet[66] != 0 {
			lost++
		}
	}
	r.mu.Unlock()
	if err := m.stop(); err != nil {
		t.Error(err)
	}
	sums(t, m.Stats().Forward)
	kept := 0
	if err := store.Each("addresses of mesh fenland", func(_, _ []byte) error { kept++; return nil }); err != nil {
		t.Error(err)
	}
	if err := store.Close(); err != nil {
		t.Error(err)
	}
	file, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d nodes: %.0f octets of memory each, %d kB on disk", count, each, file.Size()/1024)
	if fullLength() {
		ratio := busy / ((first + second) / 2)
		t.Logf("%.0f packets a second beside it, %.0f and %.0f without: %.2f", busy, first, second, ratio)
		if ratio < 0.8 {
			t.Errorf("the packet path fell to %.2f of its rate", ratio)
		}
	}
	if lost != 0 || kept != count || s.Discovery.Busy != 0 {
		t.Errorf("%d without an acknowledgement, %d of %d on disk, %d times no room", lost, kept, count, s.Discovery.Busy)
	}
	if each > 8192 {
		t.Errorf("%.0f octets of memory a node", each)
	}
}
