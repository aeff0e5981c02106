package bridge_test

// What must not get in does not, even under a scan or a flood: a host on the LAN sends
// as much as it can through a gateway with a real TUN to a simulated mesh, while others
// ask nodes for echo. In make test the sender waits for the gateway, so that what comes
// of each packet depends on no machine's speed, and only counts are compared. With
// CULVERT_LONG it sends as fast as it can, and times are compared too.

import (
	"bytes"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/net/ipv6"

	"culvert/bridge"
	"culvert/bridge/adapt"
	"culvert/bridge/drop"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/lowpan"
	"culvert/bridge/policy"
	"culvert/bridge/radio"
	"culvert/bridge/sim"
	"culvert/tun/tuntest"
)

// fullLength reports whether the scale runs are to be made at full length.
func fullLength() bool { return os.Getenv("CULVERT_LONG") != "" }

// guarded is a gateway with rules between a LAN host and a mesh.
type guarded struct {
	m        running
	gw, host *tuntest.NS
}

func newGuarded(t *testing.T, a radio.Attachment, nodes int, l policy.Limits, rules ...string) guarded {
	t.Helper()
	g := guarded{gw: tuntest.NewNS(t), host: tuntest.NewNS(t)}
	e := policy.New(policy.Options{Mesh: "fenland", Now: time.Now(), Limits: l})
	e.Swap(ruleSet(t, rules...))
	g.m = start(t, bridge.Options{Radio: a, OpenTun: openIn(g.gw, prefix, netip.Addr{}), Policy: e})
	joined(t, g.m, nodes)
	tuntest.Veth(t, g.gw, "lan0", g.host, "eth0")
	g.gw.Addr("lan0", netip.PrefixFrom(lanGateway, 64))
	g.gw.Forward()
	g.host.Addr("eth0", netip.PrefixFrom(lanHost, 64))
	g.host.Route(prefix, lanGateway)
	return g
}

// echoes pings a node from the LAN, and returns the round trips in ms, sorted.
func (g guarded) echoes(t *testing.T, to netip.Addr, count int, every time.Duration) (times []float64) {
	tool := tuntest.Tool(t, "ping", "iputils-ping")
	out, _ := g.host.Command(tool, "-6", "-n", "-c", itoa(count), "-i", fmt.Sprint(every.Seconds()), "-W", "60", "-s", "16", to.String()).CombinedOutput()
	for _, m := range rtt.FindAllSubmatch(out, -1) {
		v, err := strconv.ParseFloat(string(m[1]), 64)
		if err != nil {
			t.Error(err)
		}
		times = append(times, v)
	}
	slices.Sort(times)
	return times
}

// p95 is what 95 % of sorted times do not exceed.
func p95(times []float64) float64 {
	if len(times) == 0 {
		return 0
	}
	return times[(len(times)*95+99)/100-1]
}

// spy is a radio that looks at the frames which the daemon sends.
type spy struct {
	radio.Attachment
	rx     *adapt.Receiver // the sender's alone
	strays atomic.Int64    // packets for addresses that no node holds
	known  map[netip.Addr]bool
}

func (s *spy) Send(f radio.Frame, id uint32) error {
	g, err := s.rx.Receive(lowpan.Peer{From: gwEUI, To: f.To}, f.Payload, contexts, time.Now())
	if err == nil && g.Packet != nil {
		if d := g.Packet.Destination(); prefix.Contains(d) && !s.known[d] {
			s.strays.Add(1)
		}
	}
	return s.Attachment.Send(f, id)
}

// heapInUse is the memory that is in use, in MB.
func heapInUse() float64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return float64(m.HeapInuse) / 1e6
}

// RFC 6583, section 6: a scan of the mesh's prefix is not heard by any node, and echo to
// nodes keeps all of its answers meanwhile; the long run asks for 20,000 addresses a second.
func TestScaleScan(t *testing.T) {
	addresses, echoes := 30_000, 6
	if fullLength() {
		addresses, echoes = 1_000_000, 2*1_000_000/scanRate
	}
	site := estate()
	r := world(t, sim.Options{Site: site, Ideal: true, Period: -1}, 4)
	s := &spy{Attachment: radio.NewLink("simulated radio", r.Dial, radio.Options{}), rx: adapt.NewReceiver(adapt.Options{}), known: map[netip.Addr]bool{}}
	for _, p := range site.Nodes {
		s.known[global(p.EUI64)] = true
		if !p.Short.IsNone() {
			s.known[global(p.Short)] = true
		}
	}
	g := newGuarded(t, s, len(site.Nodes), policy.Limits{}, "2001:db8:5::/64; fenland/*; any")
	before, memory := g.m.Stats().Forward, heapInUse()

	var wg sync.WaitGroup
	for _, p := range site.Nodes {
		wg.Go(func() {
			want := echoes
			if got := g.echoes(t, global(p.EUI64), want, 500*time.Millisecond); len(got) != want {
				t.Errorf("%s: %d of %d echoes answered", p.Name, len(got), want)
			} else {
				t.Logf("%-10s all of %d echoes answered, p95 %.0f ms", p.Name, want, p95(got))
			}
		})
	}
	seen := func() int {
		return int(g.m.Stats().Forward.ToMesh.Dropped[drop.UnknownNode] - before.ToMesh.Dropped[drop.UnknownNode])
	}
	began := time.Now()
	scan(t, g.host, addresses, seen)
	took := time.Since(began)
	wg.Wait()
	after := g.m.Stats().Forward
	asked := uint64(seen())
	if n := s.strays.Load(); n != 0 {
		t.Errorf("%d packets of the scan were put into frames", n)
	}
	least := uint64(addresses)
	if fullLength() {
		least = least * 99 / 100
	}
	if asked < least {
		t.Errorf("%d of %d addresses were seen: the scan was not one", asked, addresses)
	}
	scanners := g.m.Scanners(10)
	if len(scanners) != 1 || scanners[0].Source != netip.PrefixFrom(lanHost, 64).Masked() || scanners[0].Packets != asked {
		t.Errorf("scanners: %+v", scanners)
	}
	t.Logf("%d addresses in %v: %.0f a second, %d seen, %d errors sent, %d held back; heap %.1f to %.1f MB", addresses, took.Round(time.Millisecond),
		float64(addresses)/took.Seconds(), asked, after.ToMesh.Dropped[drop.UnknownNode]-(after.Limited-before.Limited), after.Limited-before.Limited, memory, heapInUse())
}

const (
	scanRate  = 20_000 // addresses a second, in the long run
	scanBatch = 200    // fits into the queue of a TUN (500 packets)
)

// scan sends a datagram to each of so many addresses that no node holds: at scanRate in
// the long run, else each batch when the gateway has seen the one before.
func scan(t *testing.T, host *tuntest.NS, addresses int, seen func() int) {
	t.Helper()
	var c *net.UDPConn
	host.Do(func() {
		var err error
		if c, err = net.ListenUDP("udp6", nil); err != nil {
			t.Fatal(err)
		}
	})
	defer c.Close()
	pc := ipv6.NewPacketConn(c)
	messages := make([]ipv6.Message, scanBatch)
	base := prefix.Addr().As16()
	base[8] = 0x5c
	tick := time.NewTicker(scanBatch * time.Second / scanRate)
	defer tick.Stop()
	for sent := 0; sent < addresses; {
		for i := range messages {
			a, n := base, sent+i
			a[12], a[13], a[14], a[15] = byte(n>>24), byte(n>>16), byte(n>>8), byte(n)
			messages[i].Buffers = [][]byte{{1, 2, 3, 4}}
			messages[i].Addr = &net.UDPAddr{IP: net.IP(a[:]), Port: 5683}
		}
		for left := messages; len(left) > 0; {
			n, err := pc.WriteBatch(left, 0)
			if err != nil && n == 0 && !strings.Contains(err.Error(), "no route") && !strings.Contains(err.Error(), "unreachable") {
				t.Fatal(err)
			}
			left = left[max(n, 0):]
		}
		sent += scanBatch
		if fullLength() {
			<-tick.C
			continue
		}
		tuntest.Poll(t, time.Minute, func() (bool, string) {
			n := seen()
			return n >= sent, fmt.Sprintf("%d of %d addresses were seen", n, sent)
		})
	}
}

// fork is a plan with two branches: a flood to grain-bin passes mast, as do mast and
// pump-house; the others do not share a relay with it. Invented.
func fork() sim.Site {
	s := estate()
	link := func(a, b string) sim.Link { return sim.Link{A: a, B: b, Delivery: 1} }
	s.Links = []sim.Link{link("gateway", "mast"), link("mast", "grain-bin"), link("mast", "pump-house"),
		link("gateway", "bank-east"), link("bank-east", "north-sump"), link("bank-east", "cold-store")}
	return s
}

// A flood at one allowed node and service, without a rate: nodes that do not share its
// relay keep 95 % of their echoes. The long run floods as fast as the TUN takes it, and
// allows at most twice the p95 of the same mesh without a flood; there a machine that
// stands still for a moment spoils a run, so the best of three counts.
func TestScaleFlood(t *testing.T) {
	if !fullLength() {
		for _, octets := range []int{80, 1280} {
			loud, answered, want := floodRun(t, octets), 0, 0
			for _, p := range fork().Nodes {
				if p.Name != flooded && !sharesRelay(p.Name) {
					answered, want = answered+len(loud[p.Name]), want+floodEchoes()
				}
			}
			if answered*100 < 95*want {
				t.Errorf("%d octets: %d of %d echoes answered", octets, answered, want)
			}
		}
		return
	}
	const tries = 3
	quiet := floodRun(t, 0)
	for _, octets := range []int{80, 1280} {
		for try := 1; ; try++ {
			why := compareFlood(t, octets, quiet, floodRun(t, octets))
			if why == "" {
				break
			}
			t.Logf("%d octets, try %d: %s", octets, try, why)
			if try == tries {
				t.Errorf("%d octets, %d tries: %s", octets, tries, why)
				break
			}
			quiet = floodRun(t, 0)
		}
	}
}

// sharesRelay reports whether a node is reached over the relay of the flooded one.
func sharesRelay(name string) bool { return name == "mast" || name == "pump-house" }

// compareFlood says what is wrong with the echoes under a flood.
func compareFlood(t *testing.T, octets int, quiet, loud map[string][]float64) string {
	t.Helper()
	var q, l []float64 // of all nodes together that do not share the relay
	for _, p := range fork().Nodes {
		if p.Name == flooded {
			continue
		}
		shares := sharesRelay(p.Name)
		t.Logf("%4d octets: %-10s shares the relay: %-5v quiet %d of %d, p95 %.0f ms; flooded %d of %d, p95 %.0f ms", octets, p.Name, shares,
			len(quiet[p.Name]), floodEchoes(), p95(quiet[p.Name]), len(loud[p.Name]), floodEchoes(), p95(loud[p.Name]))
		if !shares { // the others are reported only
			q, l = append(q, quiet[p.Name]...), append(l, loud[p.Name]...)
		}
	}
	slices.Sort(q)
	slices.Sort(l)
	t.Logf("%4d octets: nodes that do not share the relay: quiet %d, p95 %.0f ms; flooded %d, p95 %.0f ms", octets, len(q), p95(q), len(l), p95(l))
	switch {
	case len(q) < 3*floodEchoes()*95/100:
		return fmt.Sprintf("%d of %d echoes answered without a flood", len(q), 3*floodEchoes())
	case len(l)*100 < 95*len(q):
		return fmt.Sprintf("%d echoes answered under the flood, %d without", len(l), len(q))
	case p95(l) > 2*p95(q):
		return fmt.Sprintf("p95 %.0f ms under the flood, %.0f ms without", p95(l), p95(q))
	}
	return ""
}

const (
	flooded    = "grain-bin"
	floodSpeed = 2 // the mesh lives so many times faster than in the field, and the limits follow
	floodEvery = 250 * time.Millisecond
)

// floodEchoes is how many echoes each node is asked for.
func floodEchoes() int {
	if fullLength() {
		return 40 // 10 s
	}
	return 12
}

// floodRun asks every node but one for echo, while that one is flooded with packets of
// so many octets; 0 is no flood. It returns the round trips of each, in ms.
func floodRun(t *testing.T, octets int) map[string][]float64 {
	site := fork()
	limits := policy.Limits{NodeAir: policy.Air{PerSecond: 1000 * floodSpeed, Burst: 8000}, MeshAir: policy.Air{PerSecond: 6000 * floodSpeed, Burst: 48000}}
	r := world(t, sim.Options{Site: site, Seed: 7, Period: -1}, floodSpeed)
	g := newGuarded(t, radio.NewLink("simulated radio", r.Dial, radio.Options{}), len(site.Nodes), limits, "2001:db8:5::/64; fenland/*; any")
	memory := heapInUse()
	end := func() string { return "" }
	if octets > 0 {
		end = pour(t, g, netip.AddrPortFrom(global(eui(5)), 5683), octets)
		tuntest.Poll(t, 10*time.Second, func() (bool, string) {
			d := g.m.Stats().Forward.ToMesh.Dropped
			return d[drop.AirLimited]+d[drop.QueueFull] > 0, "the flood has not begun"
		})
	}
	times := map[string][]float64{}
	var mu sync.Mutex
	var echoing sync.WaitGroup
	for _, p := range site.Nodes {
		if p.Name == flooded {
			continue
		}
		echoing.Go(func() {
			got := g.echoes(t, global(p.EUI64), floodEchoes(), floodEvery)
			mu.Lock()
			defer mu.Unlock()
			times[p.Name] = got
		})
	}
	echoing.Wait()
	sent := end()
	if octets > 0 {
		s := g.m.Stats().Forward
		if s.Buffers.InUse > 6*64 {
			t.Errorf("%d packets wait", s.Buffers.InUse)
		}
		t.Logf("%4d octets: %s, %d read from the TUN, dropped %v; %d buffers in use, heap %.1f to %.1f MB",
			octets, sent, s.ToMesh.Offered, words(s.ToMesh.Dropped), s.Buffers.InUse, memory, heapInUse())
	}
	if err := g.m.stop(); err != nil {
		t.Error(err)
	}
	return times
}

// pourRole is a process of its own, as a host is. It sends to an address until its
// standard input ends, and then says how many packets it sent: 100 of them for each
// octet that it reads, or, if the third argument is "fast", at a rate that grows with each
// + and is halved by each -.
func pourRole(args []string) int {
	octets, err := strconv.Atoi(args[1])
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 2
	}
	c, err := net.DialUDP("udp6", nil, net.UDPAddrFromAddrPort(netip.MustParseAddrPort(args[0])))
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer c.Close()
	pc := ipv6.NewPacketConn(c)
	messages := make([]ipv6.Message, 1000)
	for i := range messages {
		messages[i].Buffers = [][]byte{make([]byte, octets-48)}
	}
	if args[2] != "fast" {
		sent := 0
		for b := make([]byte, 1); ; {
			if _, err := os.Stdin.Read(b); err != nil {
				fmt.Printf("%d packets sent", sent)
				return 0
			}
			for left := messages[:pourBatch]; len(left) > 0; { // an ICMPv6 error that came back is told here
				n, _ := pc.WriteBatch(left, 0)
				sent, left = sent+max(n, 0), left[max(n, 0):]
			}
		}
	}
	var stop atomic.Bool
	var each atomic.Int64 // packets a millisecond, times 16
	each.Store(50 << 4)
	go func() {
		for b := make([]byte, 1); ; {
			if _, err := os.Stdin.Read(b); err != nil {
				stop.Store(true)
				return
			}
			if v := each.Load(); b[0] == '+' {
				each.Store(min(v+v/64, 1000<<4))
			} else {
				each.Store(max(v/2, 20<<4))
			}
		}
	}()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	sent, began := 0, time.Now()
	for ; !stop.Load(); <-tick.C {
		// An ICMPv6 error that came back is told at the next call, and no fault.
		n, _ := pc.WriteBatch(messages[:each.Load()>>4], 0)
		sent += max(n, 0)
	}
	fmt.Printf("%d packets sent, %.0f a second", sent, float64(sent)/time.Since(began).Seconds())
	return 0
}

const pourBatch = 100 // fits into the queue of a TUN (500 packets) beside others

// pour starts such a process on the LAN. In the long run it sends as fast as the TUN
// takes it: faster while it loses nothing, slower when it does. Else each batch follows
// when the gateway has read the one before. end stops it.
func pour(t *testing.T, g guarded, to netip.AddrPort, octets int) (end func() (sent string)) {
	t.Helper()
	pace := "paced"
	if fullLength() {
		pace = "fast"
	}
	cmd := g.host.Role("pour", to.String(), itoa(octets), pace)
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, os.Stderr
	ended := tuntest.Start(t, cmd)
	lost := func() uint64 { return g.gw.Link(device).Attrs().Statistics.TxDropped }
	stop := make(chan struct{})
	var steering sync.WaitGroup
	first := lost()
	every := 20 * time.Millisecond
	if !fullLength() {
		every = time.Millisecond
	}
	steering.Go(func() {
		tick := time.NewTicker(every)
		defer tick.Stop()
		want := uint64(0)
		for last := first; ; {
			select {
			case <-stop:
				return
			case <-tick.C:
			}
			if !fullLength() {
				if g.m.Stats().Forward.ToMesh.Offered < want {
					continue
				}
				want = g.m.Stats().Forward.ToMesh.Offered + pourBatch
			}
			word := "+"
			now := lost()
			if now != last {
				word = "-"
			}
			last = now
			if _, err := io.WriteString(in, word); err != nil {
				return
			}
		}
	})
	halt := sync.OnceFunc(func() { close(stop); steering.Wait() })
	t.Cleanup(halt)
	return func() string {
		halt()
		in.Close()
		<-ended
		return fmt.Sprintf("%s, %d lost before the TUN", out.String(), lost()-first)
	}
}

// Rules are changed a thousand times under traffic, and no packet is lost.
func TestReloadUnderTraffic(t *testing.T) {
	r := forwardtest.NewRadio()
	var rx = adapt.NewReceiver(adapt.Options{})
	var far = adapt.NewSender(0)
	r.OnSend = func(r *forwardtest.Radio, s forwardtest.Sent) { // a node that sends each datagram back
		g, err := rx.Receive(lowpan.Peer{From: gwEUI, To: s.Frame.To}, s.Frame.Payload, contexts, time.Now())
		r.Result(s.ID, radio.OutcomeDelivered)
		if err != nil || g.Packet == nil {
			return
		}
		if back := slices.Clone(g.Packet); tuntest.Swap(back) {
			for _, ev := range frames(t, far, nodeA, back) {
				r.Push(ev)
			}
		}
	}
	r.Up(forwardtest.Info(), 16, radio.NodeInfo{Addr: nodeA})
	none := policy.Limits{NodeAir: policy.Air{PerSecond: -1}, MeshAir: policy.Air{PerSecond: -1}}
	g := newGuarded(t, r, 1, none)
	short := ruleSet(t, "2001:db8:5::/64; fenland/*; coap")
	lines := make([]string, 0, 1000)
	for i := range 999 {
		lines = append(lines, fmt.Sprintf("2001:db8:%x::/48; fenland/mast; udp/%d", i+10, 1000+i))
	}
	large := ruleSet(t, append(lines, "any; any; udp")...)
	e := g.m.Policy()
	e.Swap(short)
	stop := make(chan struct{})
	swaps := 0
	var wg sync.WaitGroup
	wg.Go(func() {
		tick := time.NewTicker(time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-stop:
				return
			case <-tick.C:
				e.Swap([]*policy.Set{short, large}[swaps%2])
				swaps++
			}
		}
	})
	count := 20_000
	if fullLength() {
		count *= 10
	}
	began := time.Now()
	var lost atomic.Int64
	var asking sync.WaitGroup
	for range 4 {
		c := dialIn(t, g.host, netip.AddrPortFrom(addrA, 5683))
		asking.Go(func() {
			for i := range count / 4 {
				if !askOnce(t, c, i) {
					lost.Add(1)
				}
			}
		})
	}
	asking.Wait()
	took := time.Since(began)
	close(stop)
	wg.Wait()
	if n := lost.Load(); n != 0 {
		s := g.m.Stats().Forward
		t.Errorf("%d of %d lost; dropped %v, %v", n, count, words(s.ToMesh.Dropped), words(s.FromMesh.Dropped))
	}
	if swaps < 100 {
		t.Errorf("the rules were changed %d times only", swaps)
	}
	t.Logf("%d round trips in %v while the rules were changed %d times, between 1 and 1,000 of them", count, took.Round(time.Millisecond), swaps)
}

// askOnce sends a number in a CoAP message and waits for it to come back; one that does not within 20 s
// is lost.
func askOnce(t *testing.T, c *net.UDPConn, n int) bool {
	want := fmt.Appendf([]byte{0x60, 0x45, 0, 0}, "%032d", n) // a CoAP response, so that it may pass as an answer
	if _, err := c.Write(want); err != nil {
		t.Error(err)
		return false
	}
	if err := c.SetReadDeadline(time.Now().Add(20 * time.Second)); err != nil {
		t.Error(err)
	}
	got := make([]byte, 64)
	for {
		k, err := c.Read(got)
		if err != nil {
			return false
		}
		if bytes.Equal(got[:k], want) {
			return true
		}
	}
}
