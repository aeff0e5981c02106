package coap

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/udp/coder"

	"culvert/bridge/node"
	"culvert/coap/msg"
	"culvert/tun/tuntest"
)

// serveCached in the environment has the test's program be a front, for one node on
// the loopback whose answer is good for an hour: a server in a process of its own, as
// libcoap's is.
const serveCached = "CULVERT_TEST_SERVE_CACHED"

// cachedFront runs that front until standard input ends. It prints its address.
func cachedFront(payload string) error {
	table, err := node.New(node.Options{
		Prefix: netip.MustParsePrefix(sitePrefix), Places: []node.Place{{Name: "grain-bin", EUI64: eui(5)}},
	})
	if err != nil {
		return err
	}
	own, err := net.ListenUDP("udp6", &net.UDPAddr{IP: net.IPv6loopback})
	if err != nil {
		return err
	}
	defer own.Close()
	go func() {
		buf := make([]byte, 2048)
		for {
			n, from, err := own.ReadFromUDPAddrPort(buf)
			if err != nil {
				return
			}
			m := message.Message{Options: make(message.Options, 0, msg.MaxOptions)}
			if _, err := coder.DefaultCoder.Decode(buf[:n], &m); err != nil {
				continue
			}
			_, _ = own.WriteToUDPAddrPort(ack(m, codes.Content, payload, opt{message.MaxAge, "\x0e\x10"}), from)
		}
	}()
	s := New(Options{Meshes: node.Meshes{{Name: "fenland", Table: table}}, UDP: []netip.AddrPort{netip.MustParseAddrPort("[::1]:0")}})
	s.locate = func(node.Member) netip.AddrPort { return own.LocalAddr().(*net.UDPAddr).AddrPort() }
	if err := s.Listen(); err != nil {
		return err
	}
	fmt.Println(s.UDPAddrs()[0])
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go func() {
		_, _ = os.Stdin.Read(make([]byte, 1)) // its end is the end of whoever started this
		cancel()
	}()
	return s.Run(ctx)
}

// contender is one server of the comparison.
type contender struct {
	addr    netip.AddrPort
	pid     int
	path    string
	rates   []float64 // requests a second, by round
	waits   []time.Duration
	cost    time.Duration // processor time
	answers int
}

// startCachedFront starts cachedFront.
func startCachedFront(b *testing.B, payload string) *contender {
	b.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), serveCached+"="+payload)
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		b.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		in.Close()
		_ = cmd.Wait()
	})
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		b.Fatal(err)
	}
	return &contender{addr: netip.MustParseAddrPort(strings.TrimSpace(line)), pid: cmd.Process.Pid, path: "nodes/grain-bin/own/temp"}
}

// round has so many clients ask for a second, each of which waits for its answer.
func (c *contender) round(b *testing.B, clients int) {
	b.Helper()
	const span = time.Second
	var mu sync.Mutex
	var wg sync.WaitGroup
	before, start := tuntest.ProcessorTime(b, c.pid), time.Now()
	total := 0
	for range clients {
		conn, err := net.DialUDP("udp", nil, net.UDPAddrFromAddrPort(c.addr))
		if err != nil {
			b.Fatal(err)
		}
		wg.Go(func() {
			defer conn.Close()
			_ = conn.SetReadDeadline(start.Add(2 * span)) // nothing is lost on the loopback
			req := build(message.Confirmable, codes.GET, 0, "tokn", c.path, "")
			buf := make([]byte, 2048)
			var waits []time.Duration
			n := 0
			for now := start; now.Sub(start) < span; n++ {
				req[2], req[3] = byte(n>>8), byte(n)
				if _, err := conn.Write(req); err != nil {
					b.Error(err)
					return
				}
				k, err := conn.Read(buf)
				if err != nil || k < 5 || buf[2] != req[2] || buf[3] != req[3] || buf[1] != byte(codes.Content) {
					b.Errorf("answer % x, %v", buf[:min(k, 16)], err)
					return
				}
				after := time.Now()
				waits = append(waits, after.Sub(now))
				now = after
			}
			mu.Lock()
			defer mu.Unlock()
			total += n
			c.waits = append(c.waits, waits...)
		})
	}
	wg.Wait()
	c.rates = append(c.rates, float64(total)/time.Since(start).Seconds())
	c.cost += tuntest.ProcessorTime(b, c.pid) - before
	c.answers += total
}

func median[T float64 | time.Duration](v []T) T {
	v = slices.Sorted(slices.Values(v))
	return v[len(v)/2]
}

// A GET of a node's resource that the cache answers, against libcoap's own server
// (libcoap3-bin 4.3.1) with its fixed text of the same length: rounds of one second,
// by turns; medians over all rounds. Ratios are ours to libcoap's: of the rates, aim
// 1.0; of the processor time for an answer. last/first is the rate of our last fifth of the
// rounds over the first: with -benchtime 60x it says whether a minute makes it slower.
func BenchmarkCachedGET(b *testing.B) {
	other, pid := libcoapServerProcess(b)
	probe := dial(b, other)
	text := probe.ask(codes.GET, "", "").Payload
	for _, clients := range []int{1, 50} {
		b.Run(fmt.Sprintf("clients=%d", clients), func(b *testing.B) {
			ours, theirs := startCachedFront(b, string(text)), &contender{addr: other, pid: pid}
			if r := dial(b, ours.addr).ask(codes.GET, ours.path, ""); len(r.Payload) != len(text) {
				b.Fatalf("%d octets, libcoap's has %d", len(r.Payload), len(text))
			}
			for b.Loop() {
				ours.round(b, clients)
				theirs.round(b, clients)
			}
			for name, c := range map[string]*contender{"front": ours, "libcoap": theirs} {
				b.ReportMetric(median(c.rates), name+"-req/s")
				slices.Sort(c.waits)
				b.ReportMetric(float64(median(c.waits))/1e3, name+"-p50-µs")
				b.ReportMetric(float64(c.waits[len(c.waits)*95/100])/1e3, name+"-p95-µs")
				b.ReportMetric(float64(c.cost)/float64(c.answers)/1e3, name+"-cpu-µs")
			}
			b.ReportMetric(median(ours.rates)/median(theirs.rates), "ratio")
			b.ReportMetric(float64(ours.cost)/float64(ours.answers)*float64(theirs.answers)/float64(theirs.cost), "cpu-ratio")
			fifth := max(1, len(ours.rates)/5)
			b.ReportMetric(median(ours.rates[len(ours.rates)-fifth:])/median(ours.rates[:fifth]), "last/first")
			b.ReportMetric(0, "ns/op")
		})
	}
}
