package bridge_test

// What a packet costs the daemon, over what it costs a bare loop on the same kind of
// TUN. Each is a process of its own, so that its processor time can be told from
// that of the load.

import (
	"bufio"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	xipv6 "golang.org/x/net/ipv6"

	"culvert/bridge"
	"culvert/bridge/adapt"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/radio"
	"culvert/tun"
	"culvert/tun/tuntest"
)

const (
	benchNodes  = 16
	benchOctets = 80 // of an IPv6 packet
	benchPort   = 9
)

func benchNode(i int) netip.Addr { return global(eui(uint64(0x1000 + i))) }

// mirror is an attachment whose far end acknowledges every frame at once and, if it
// is asked to, sends each packet back. What it says is precomputed but for the ports,
// checksum and payload of an answer, which it copies from the request: the far end's
// work is not the daemon's.
type mirror struct {
	back     bool
	stream   bool   // says frames without end, of its own accord
	template []byte // an answer: ports, checksum and payload are its last octets
	tail     int    // octets of these

	mu     sync.Mutex // guards what follows
	wake   sync.Cond
	words  []word
	said   int // answers so far
	closed bool

	buffers [1 << 12][128]byte // of the answers: more than can be on their way

	batch []word // of the goroutine that calls Receive
	at    int
	first []radio.Event
}

// word is one thing that the mirror has to say: a result, or else an answer.
type word struct {
	id      uint32
	from    ieee802154.Addr
	payload []byte
}

func newMirror(mode string, port uint16) *mirror {
	m := &mirror{back: mode == "both" || mode == "one", stream: mode == "from"}
	m.wake.L = &m.mu
	var o adapt.Outgoing
	if err := adapt.NewSender(0).Start(&o, benchPacket(port), lowpan.Peer{From: eui(0x1000), To: gwEUI}, contexts, 96); err != nil {
		panic(err)
	}
	m.template = o.Append(nil)
	m.tail = 4 + 2 + benchOctets - 48
	m.first = append(m.first, radio.Event{Kind: radio.EventUp, Info: forwardtest.Info(), Credits: 256})
	for i := range benchNodes {
		m.first = append(m.first, radio.Event{Kind: radio.EventAttached, Node: radio.NodeInfo{Addr: eui(uint64(0x1000 + i))}})
	}
	m.first = append(m.first, radio.Event{Kind: radio.EventSnapshot})
	return m
}

func (m *mirror) Send(f radio.Frame, id uint32) error {
	m.mu.Lock()
	was := len(m.words)
	m.words = append(m.words, word{id: id})
	if in := f.Payload[len(f.Payload)-m.tail:]; m.back || in[6] == flag {
		m.said++
		b := append(m.buffers[m.said%len(m.buffers)][:0], m.template...)
		out := b[len(b)-m.tail:]
		copy(out, in)
		copy(out, in[2:4]) // the ports change places, which leaves the checksum right
		copy(out[2:], in[:2])
		m.words = append(m.words, word{from: f.To, payload: b})
	}
	m.mu.Unlock()
	if was == 0 {
		m.wake.Signal()
	}
	return nil
}

func (m *mirror) Receive([]byte) (ev radio.Event, err error) {
	if len(m.first) > 0 {
		ev, m.first = m.first[0], m.first[1:]
		return ev, nil
	}
	if m.at == len(m.batch) {
		if err := m.refill(); err != nil {
			return ev, err
		}
	}
	w := &m.batch[m.at]
	m.at++
	if w.id != 0 {
		ev.Kind, ev.ID, ev.Outcome = radio.EventResult, w.id, radio.OutcomeDelivered
		return ev, nil
	}
	ev.Kind = radio.EventFrame
	ev.Frame.From, ev.Frame.To, ev.Frame.Payload = w.from, gwEUI, w.payload
	return ev, nil
}

func (m *mirror) refill() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	for len(m.words) == 0 && !m.closed && !m.stream {
		m.wake.Wait()
	}
	m.at = 0
	switch {
	case m.closed:
		return net.ErrClosed
	case len(m.words) > 0:
		m.batch, m.words = m.words, m.batch[:0]
	case len(m.batch) == 0:
		for range 64 {
			m.batch = append(m.batch, word{from: eui(0x1000), payload: m.template})
		}
	}
	return nil
}

func (m *mirror) Close() error {
	m.mu.Lock()
	m.closed = true
	m.mu.Unlock()
	m.wake.Broadcast()
	return nil
}

// flag in the first octet of a payload asks for an answer, where not every packet
// gets one.
const flag = 0xff

// benchPacket is a packet of node 0 to a port of the gateway.
func benchPacket(port uint16) ipv6.Packet {
	p := udp(benchNode(0), gateway, benchOctets-48)
	binary.BigEndian.PutUint16(p[40:], benchPort)
	binary.BigEndian.PutUint16(p[42:], port)
	p[46], p[47] = 0, 0
	c := ipv6.UDPChecksum(p.SourceBytes(), p.DestinationBytes(), p[40:])
	binary.BigEndian.PutUint16(p[46:], c)
	return p
}

// benchRole is a daemon or a bare loop, on a TUN of its own, until it is killed. Its
// arguments: who, the mode, and the port to which packets go that nobody asked for.
// On its standard input each line asks for the number of packets so far.
func benchRole(args []string) int {
	who, mode := args[0], args[1]
	port, _ := strconv.Atoi(args[2])
	var packets atomic.Uint64
	opened := make(chan *tun.Device, 1)
	open := func() (bridge.Tun, error) {
		d, err := tun.Open(tun.Options{Name: device, Prefix: prefix})
		if err != nil {
			return nil, err
		}
		opened <- d
		return d, nil
	}
	count := packets.Load
	run := func() error {
		dev, err := open()
		if err != nil {
			return err
		}
		return bareLoop(dev, mode, benchPacket(uint16(port)), &packets)
	}
	if who == "daemon" {
		m, err := bridge.New(bridge.Options{Name: "bench", Prefix: prefix, Radio: newMirror(mode, uint16(port)), OpenTun: open})
		if err != nil {
			fmt.Println(err)
			return 1
		}
		run = func() error { return m.Run(context.Background()) }
		count = func() uint64 {
			s := m.Stats().Forward
			if mode == "from" {
				return s.FromMesh.Delivered
			}
			return s.ToMesh.Delivered
		}
	}
	go func() {
		<-opened
		fmt.Println("open")
		for in := bufio.NewScanner(os.Stdin); in.Scan(); {
			fmt.Println(count())
		}
	}()
	fmt.Println(run())
	return 1
}

// bareLoop is the least that a program on a TUN can do.
func bareLoop(dev io.ReadWriter, mode string, p ipv6.Packet, packets *atomic.Uint64) error {
	buf := make([]byte, 2048)
	for {
		n := len(p)
		if mode == "from" {
			copy(buf, p)
		} else {
			var err error
			if n, err = dev.Read(buf); err != nil {
				return err
			}
		}
		packets.Add(1)
		if mode == "to" && buf[48] != flag || mode != "from" && !tuntest.Swap(buf[:n]) {
			continue
		}
		if _, err := dev.Write(buf[:n]); err != nil {
			return err
		}
	}
}

// bench is a running role.
type bench struct {
	pid  int
	in   io.Writer
	out  *bufio.Reader
	kill func()
}

func startBench(b *testing.B, ns *tuntest.NS, who, mode string, port int) *bench {
	b.Helper()
	cmd := ns.Role("bench", who, mode, strconv.Itoa(port))
	in, err := cmd.StdinPipe()
	if err != nil {
		b.Fatal(err)
	}
	r, w, err := os.Pipe()
	if err != nil {
		b.Fatal(err)
	}
	cmd.Stdout, cmd.Stderr = w, os.Stderr
	ended := tuntest.Start(b, cmd)
	w.Close()
	x := &bench{pid: cmd.Process.Pid, in: in, out: bufio.NewReader(r)}
	x.kill = func() {
		_ = cmd.Process.Kill()
		<-ended
		r.Close()
	}
	if line, err := x.out.ReadString('\n'); err != nil || line != "open\n" {
		b.Fatalf("%s %s says %q, %v", who, mode, line, err)
	}
	return x
}

// figures are the packets and the processor time so far.
func (x *bench) figures(b *testing.B) (packets uint64, used time.Duration) {
	b.Helper()
	if _, err := io.WriteString(x.in, "\n"); err != nil {
		b.Fatal(err)
	}
	line, err := x.out.ReadString('\n')
	if err != nil {
		b.Fatal(err)
	}
	packets, err = strconv.ParseUint(strings.TrimSpace(line), 10, 64)
	if err != nil {
		b.Fatal(err)
	}
	return packets, tuntest.ProcessorTime(b, x.pid)
}

// result is what came of one run.
type result struct {
	perPacket float64       // nanoseconds of processor time
	rate      float64       // packets a second
	p50       time.Duration // of a round trip
}

// runBench measures one role for a while.
func runBench(b *testing.B, who, mode string, packets int) result {
	ns := tuntest.NewNS(b)
	var sink *net.UDPConn
	ns.Do(func() {
		var err error
		if sink, err = net.ListenUDP("udp6", &net.UDPAddr{}); err != nil {
			b.Fatal(err)
		}
	})
	defer sink.Close()
	x := startBench(b, ns, who, mode, sink.LocalAddr().(*net.UDPAddr).Port)
	defer x.kill()
	var r result
	load := func(packets int) {
		switch mode {
		case "both":
			r = echoes(b, ns, benchNodes, 32, packets)
		case "one":
			r = echoes(b, ns, 1, 1, packets)
		case "to":
			bursts(b, ns, packets)
		case "from":
			swallow(b, sink, packets)
		}
	}
	load(packets / 10) // warm up
	n, used := x.figures(b)
	begin := time.Now()
	load(packets)
	took := time.Since(begin)
	n2, used2 := x.figures(b)
	if n2 == n {
		b.Fatalf("%s %s: no packet", who, mode)
	}
	r.perPacket = float64(used2-used) / float64(n2-n)
	r.rate = float64(n2-n) / took.Seconds()
	return r
}

// echoes sends packets to some nodes, which come back.
func echoes(b *testing.B, ns *tuntest.NS, nodes, window, packets int) (r result) {
	var wg sync.WaitGroup
	results := make([]tuntest.Traffic, nodes)
	for i := range results {
		wg.Go(func() {
			results[i] = tuntest.Load{Sockets: 1, Window: window, Octets: benchOctets}.Run(b, ns, netip.AddrPortFrom(benchNode(i), benchPort), packets/nodes)
		})
	}
	wg.Wait()
	for _, t := range results {
		r.p50 = max(r.p50, t.Median)
	}
	return r
}

// bursts sends packets to all nodes, of which the last of each 32 comes back.
func bursts(b *testing.B, ns *tuntest.NS, packets int) {
	var wg sync.WaitGroup
	for i := range benchNodes {
		c := dialIn(b, ns, netip.AddrPortFrom(benchNode(i), benchPort))
		wg.Go(func() {
			pc := xipv6.NewPacketConn(c)
			out := make([]xipv6.Message, 32)
			for k := range out {
				out[k].Buffers = [][]byte{make([]byte, benchOctets-48)}
			}
			out[31].Buffers[0][0] = flag
			in := make([]byte, 2048)
			for sent := 0; sent < packets/benchNodes; sent += len(out) {
				for k := 0; k < len(out); {
					n, err := pc.WriteBatch(out[k:], 0)
					if err != nil {
						b.Error(err)
						return
					}
					k += n
				}
				if err := c.SetReadDeadline(time.Now().Add(200 * time.Millisecond)); err != nil {
					b.Error(err)
				}
				_, _ = c.Read(in) // none: the last of the burst was lost
			}
		})
	}
	wg.Wait()
}

// swallow reads packets that nobody asked for.
func swallow(b *testing.B, c *net.UDPConn, packets int) {
	pc := xipv6.NewPacketConn(c)
	in := make([]xipv6.Message, 64)
	for i := range in {
		in[i].Buffers = [][]byte{make([]byte, 128)}
	}
	for got := 0; got < packets; {
		n, err := pc.ReadBatch(in, 0)
		if err != nil {
			b.Error(err)
			return
		}
		got += n
	}
}

// farEnd is what the mirror itself costs a packet, in nanoseconds: the least of five
// runs in one goroutine, so without the waking that it causes, which stays charged to the daemon.
func farEnd(b *testing.B, mode string) float64 {
	const packets, burst = 320_000, 32
	m := newMirror(mode, 1)
	f := radio.Frame{To: eui(0x1000), Payload: slices.Clone(m.template)}
	receive := func(n int) {
		for range n {
			if _, err := m.Receive(nil); err != nil {
				b.Fatal(err)
			}
		}
	}
	receive(len(m.first))
	words := map[string]int{"to": burst, "from": burst, "both": 2 * burst, "one": 2 * burst}[mode]
	var least time.Duration
	for range 5 {
		start := time.Now()
		for range packets / burst {
			for k := 0; k < burst && mode != "from"; k++ {
				if err := m.Send(f, uint32(k+1)); err != nil {
					b.Fatal(err)
				}
			}
			receive(words)
		}
		if took := time.Since(start); least == 0 || took < least {
			least = took
		}
	}
	return float64(least) / packets
}

// BenchmarkProcessorTime compares the daemon with the bare loop, which reads a packet
// and writes it back: five runs of each by turns, medians. "to" and "from" are each
// way alone, and half-ratio compares them with a loop that only reads or only writes.
// "one" has one packet under way at a time. The far end's own work (far-end-ns) is taken off
// the daemon's; charged-ratio is with it. An op is the whole comparison.
func BenchmarkProcessorTime(b *testing.B) {
	const runs = 5
	for _, bb := range []struct {
		mode    string
		packets int
	}{{"to", 300_000}, {"from", 300_000}, {"both", 300_000}, {"one", 20_000}} {
		b.Run(bb.mode, func(b *testing.B) {
			for range b.N {
				var loop, half, daemon []result
				for range runs {
					loop = append(loop, runBench(b, "bare", loopMode(bb.mode), bb.packets))
					half = append(half, runBench(b, "bare", bb.mode, bb.packets))
					daemon = append(daemon, runBench(b, "daemon", bb.mode, bb.packets))
				}
				report(b, loop, half, daemon, farEnd(b, bb.mode))
			}
		})
	}
}

// loopMode is how the bare loop is loaded when the daemon is in a mode.
func loopMode(mode string) string {
	if mode == "one" {
		return mode
	}
	return "both"
}

func report(b *testing.B, loop, half, daemon []result, far float64) {
	median := func(of []result, f func(result) float64) float64 {
		v := make([]float64, len(of))
		for i := range of {
			v[i] = f(of[i])
		}
		slices.Sort(v)
		return v[len(v)/2]
	}
	cost := func(r result) float64 { return r.perPacket }
	rate := func(r result) float64 { return r.rate }
	p50 := func(r result) float64 { return float64(r.p50) }
	b.ReportMetric(median(daemon, cost), "cpu-ns/packet")
	b.ReportMetric(median(loop, cost), "loop-cpu-ns/packet")
	b.ReportMetric(far, "far-end-ns/packet")
	b.ReportMetric(median(daemon, cost)/median(loop, cost), "charged-ratio")
	b.ReportMetric((median(daemon, cost)-far)/median(loop, cost), "ratio")
	b.ReportMetric((median(daemon, cost)-far)/median(half, cost), "half-ratio")
	b.ReportMetric(median(daemon, rate), "packets/s")
	b.ReportMetric(median(loop, rate), "loop-packets/s")
	if v := median(daemon, p50); v > 0 {
		b.ReportMetric(v, "p50-ns")
		b.ReportMetric(median(loop, p50), "loop-p50-ns")
	}
}
