package tun_test

import (
	"bufio"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"testing"
	"time"

	"culvert/tun"
	"culvert/tun/tuntest"
)

// loop opens a device, says so, and sends back what it reads, until it is killed.
func loop([]string) int {
	d, err := tun.Open(meshOptions())
	if err != nil {
		fmt.Println(err)
		return 1
	}
	fmt.Println("open")
	err = tuntest.Loop(d, make([]byte, 2048))
	fmt.Println(err)
	return 1
}

// startRole starts a role and waits until it says that its device is open.
func startRole(t testing.TB, n *tuntest.NS, role string, args ...string) (pid int, kill func()) {
	t.Helper()
	cmd := n.Role(role, args...)
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	cmd.Stdout, cmd.Stderr = w, os.Stderr
	ended := tuntest.Start(t, cmd)
	w.Close()
	if line, err := bufio.NewReader(r).ReadString('\n'); err != nil || line != "open\n" {
		t.Fatalf("role %s said %q, %v", role, line, err)
	}
	return cmd.Process.Pid, func() {
		if err := cmd.Process.Kill(); err != nil {
			t.Error(err)
		}
		<-ended
	}
}

// BenchmarkLoop measures the bare loop in a process of its own: the processor
// time that it uses for a packet (cpu-ns/packet), and the round trips. An op is
// one round trip, with the sender's work. What is in flight stays below the 500
// packets that the interface's queue holds.
func BenchmarkLoop(b *testing.B) {
	for _, bb := range []struct {
		name string
		load tuntest.Load
	}{
		{"80", tuntest.Load{Sockets: 12, Window: 32, Octets: 80}},
		{"1280", tuntest.Load{Sockets: 12, Window: 32, Octets: 1280}},
		{"80/one-at-a-time", tuntest.Load{Sockets: 1, Window: 1, Octets: 80}},
	} {
		b.Run(bb.name, func(b *testing.B) {
			n := tuntest.NewNS(b)
			pid, kill := startRole(b, n, "loop")
			defer kill()
			to := netip.AddrPortFrom(node, 9)
			bb.load.Run(b, n, to, 100) // warm up
			before := tuntest.ProcessorTime(b, pid)
			b.ResetTimer()
			r := bb.load.Run(b, n, to, b.N)
			b.StopTimer()
			used := tuntest.ProcessorTime(b, pid) - before
			if r.RoundTrips == 0 {
				b.Fatalf("all of %d packets were lost", r.Lost)
			}
			b.ReportMetric(float64(used.Nanoseconds())/float64(r.RoundTrips), "cpu-ns/packet")
			b.ReportMetric(float64(r.RoundTrips)/r.Elapsed.Seconds(), "round-trips/s")
			b.ReportMetric(float64(r.Median.Nanoseconds()), "p50-ns")
			b.ReportMetric(float64(r.Worst99.Nanoseconds()), "p99-ns")
			b.ReportMetric(float64(r.Lost), "lost")
		})
	}
}

// Neither Read nor Write allocates. What the device's watch allocates meanwhile is
// counted too, so one quiet measurement of several is what is asked for.
func TestAllocations(t *testing.T) {
	n := tuntest.NewNS(t)
	d := open(t, n, meshOptions())
	var c *net.UDPConn
	n.Do(func() {
		var err error
		if c, err = net.DialUDP("udp6", nil, &net.UDPAddr{IP: node.AsSlice(), Port: 9}); err != nil {
			t.Fatal(err)
		}
	})
	defer c.Close()
	p := packet(node, gateway, 64, []byte{0x89, 0, 0, 0}) // the kernel drops a redirect without a word
	b := make([]byte, 2048)
	const count = 100 // fewer than the interface's queue holds
	tuntest.Poll(t, 10*time.Second, func() (bool, string) {
		for range count + 1 {
			if _, err := c.Write(make([]byte, 50)); err != nil {
				t.Fatal(err)
			}
		}
		writes := testing.AllocsPerRun(count, func() {
			if _, err := d.Write(p); err != nil {
				t.Fatal(err)
			}
		})
		reads := testing.AllocsPerRun(count, func() {
			if _, err := d.Read(b); err != nil {
				t.Fatal(err)
			}
		})
		return reads == 0 && writes == 0, fmt.Sprintf("%v allocations a Read, %v a Write", reads, writes)
	})
}

// The loop gives back what it got, with a checksum that the kernel accepts.
func TestLoop(t *testing.T) {
	n := tuntest.NewNS(t)
	d := open(t, n, meshOptions())
	done := make(chan error, 1)
	go func() { done <- tuntest.Loop(d, make([]byte, 2048)) }()
	for _, octets := range []int{56, 80, 1280} {
		r := tuntest.Load{Sockets: 2, Window: 4, Octets: octets}.Run(t, n, netip.AddrPortFrom(node, 9), 100)
		if r.RoundTrips != 100 || r.Lost != 0 || r.Median <= 0 || r.Worst99 < r.Median {
			t.Errorf("%d octets: %+v", octets, r)
		}
	}
	if err := d.Close(); err != nil {
		t.Error(err)
	}
	if err := <-done; !errors.Is(err, net.ErrClosed) {
		t.Error(err)
	}
}
