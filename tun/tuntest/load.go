package tuntest

import (
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"golang.org/x/net/ipv6"
	"golang.org/x/sys/unix"
)

// Load makes UDP traffic whose far end sends each datagram back, as Loop does.
type Load struct {
	Sockets int // each with its share of the packets
	Window  int // packets in flight per socket
	Octets  int // of the IPv6 packet, at least 56
}

// Traffic is what came of a Load.
type Traffic struct {
	RoundTrips, Lost int
	Elapsed          time.Duration
	Median, Worst99  time.Duration // round-trip times: the median, and what 99 % did not exceed
}

const (
	headers    = 48          // IPv6 and UDP
	stamp      = 8           // the time of sending, at the start of the payload
	lostAfter  = time.Second // without any answer, what is in flight is lost
	maxSamples = 1 << 18     // round-trip times kept per socket
)

// Run sends datagrams from the namespace until count of them have come back or
// are lost.
func (l Load) Run(t testing.TB, n *NS, to netip.AddrPort, count int) Traffic {
	t.Helper()
	if l.Octets < headers+stamp || l.Sockets < 1 || l.Window < 1 {
		t.Fatalf("tuntest: a load of %d octets, %d sockets, window %d cannot be made", l.Octets, l.Sockets, l.Window)
	}
	conns := make([]*net.UDPConn, l.Sockets)
	n.Do(func() {
		for i := range conns {
			c, err := net.DialUDP("udp6", nil, net.UDPAddrFromAddrPort(to))
			if err != nil {
				t.Fatal("tuntest: ", err)
			}
			conns[i] = c
		}
	})
	var (
		wg    sync.WaitGroup
		mu    sync.Mutex // guards total, times and errs
		total Traffic
		times []time.Duration
		errs  []error
	)
	start := time.Now()
	for i, c := range conns {
		share := (count + i) / l.Sockets
		wg.Go(func() {
			defer c.Close()
			r, took, err := l.exchange(c, share)
			mu.Lock()
			defer mu.Unlock()
			total.RoundTrips += r.RoundTrips
			total.Lost += r.Lost
			times = append(times, took...)
			errs = append(errs, err)
		})
	}
	wg.Wait()
	total.Elapsed = time.Since(start)
	if err := errors.Join(errs...); err != nil {
		t.Fatal("tuntest: ", err)
	}
	if slices.Sort(times); len(times) > 0 {
		total.Median, total.Worst99 = times[len(times)/2], times[len(times)*99/100]
	}
	return total
}

// exchange keeps the window of one socket full.
func (l Load) exchange(c *net.UDPConn, count int) (Traffic, []time.Duration, error) {
	var r Traffic
	if err := c.SetReadBuffer(1 << 20); err != nil {
		return r, nil, err
	}
	pc := ipv6.NewPacketConn(c)
	out, in := l.messages(), l.messages()
	times := make([]time.Duration, 0, min(count, maxSamples))
	begin := time.Now()
	inFlight := 0
	for r.RoundTrips+r.Lost < count {
		if free := min(l.Window-inFlight, count-r.RoundTrips-r.Lost-inFlight); free > 0 {
			for i := range free {
				binary.BigEndian.PutUint64(out[i].Buffers[0], uint64(time.Since(begin)))
			}
			sent, err := pc.WriteBatch(out[:free], 0)
			if err != nil {
				return r, nil, fmt.Errorf("send: %w", err)
			}
			inFlight += sent
		}
		if err := c.SetReadDeadline(time.Now().Add(lostAfter)); err != nil {
			return r, nil, err
		}
		got, err := pc.ReadBatch(in, 0)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			r.Lost += inFlight
			inFlight = 0
			continue
		} else if err != nil {
			return r, nil, fmt.Errorf("receive: %w", err)
		}
		now := time.Since(begin)
		for _, m := range in[:got] {
			if len(times) < cap(times) {
				times = append(times, now-time.Duration(binary.BigEndian.Uint64(m.Buffers[0])))
			}
		}
		r.RoundTrips += got
		inFlight = max(0, inFlight-got)
	}
	return r, times, nil
}

func (l Load) messages() []ipv6.Message {
	m := make([]ipv6.Message, l.Window)
	for i := range m {
		m[i].Buffers = [][]byte{make([]byte, l.Octets-headers)}
	}
	return m
}

// ProcessorTime is what a process, all its threads, has used so far, in user and
// kernel mode.
func ProcessorTime(t testing.TB, pid int) time.Duration {
	t.Helper()
	// The clock of a process: CPUCLOCK_SCHED of its id (clock_getcpuclockid(3)).
	const cpuclockSched = 2
	var ts unix.Timespec
	if err := unix.ClockGettime(int32(^pid<<3|cpuclockSched), &ts); err != nil {
		t.Fatalf("tuntest: processor time of process %d: %v", pid, err)
	}
	return time.Duration(ts.Nano())
}
