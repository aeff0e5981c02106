package tun_test

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/mdlayher/ndp"
	"golang.org/x/net/ipv6"

	"culvert/tun"
	"culvert/tun/tuntest"
)

// readerBlocked tells whether a goroutine waits inside Device.Read.
func readerBlocked() bool {
	b := make([]byte, 1<<20)
	for g := range strings.SplitSeq(string(b[:runtime.Stack(b, true)]), "\n\n") {
		if strings.Contains(g, "[IO wait") && strings.Contains(g, "tun.(*Device).Read") {
			return true
		}
	}
	return false
}

// answer replies to each echo request (RFC 4443, section 4.2) until the device fails.
func answer(d *tun.Device) error {
	b := make([]byte, 2048)
	for {
		n, err := d.Read(b)
		if err != nil {
			return err
		}
		p := b[:n]
		if n < 48 || p[6] != 58 || p[40] != 128 {
			continue
		}
		src, dst := netip.AddrFrom16([16]byte(p[8:24])), netip.AddrFrom16([16]byte(p[24:40]))
		if _, err := d.Write(packet(dst, src, 64, append([]byte{129, 0, 0, 0}, p[44:]...))); err != nil {
			return err
		}
	}
}

// packet builds an IPv6 packet with an ICMPv6 message whose checksum it fills in.
func packet(src, dst netip.Addr, hops uint8, message []byte) []byte {
	m := append([]byte(nil), message...)
	m[2], m[3] = 0, 0
	s, d := src.As16(), dst.As16()
	pseudo := append(append(s[:], d[:]...), 0, 0, byte(len(m)>>8), byte(len(m)), 0, 0, 0, 58)
	sum := 0
	for i, b := range append(pseudo, m...) {
		sum += int(b) << (8 * (1 - i%2)) // RFC 1071; an odd last octet is a high one
	}
	for sum > 0xffff {
		sum = sum&0xffff + sum>>16
	}
	m[2], m[3] = byte(^sum>>8), byte(^sum)
	h := append([]byte{0x60, 0, 0, 0, byte(len(m) >> 8), byte(len(m)), 58, hops}, s[:]...)
	return append(append(h, d[:]...), m...)
}

// The kernel's own ping takes the answers, which a loop beside it gives.
func TestPing(t *testing.T) {
	ping := tuntest.Tool(t, "ping", "iputils-ping")
	n := tuntest.NewNS(t)
	d := open(t, n, meshOptions())
	done := make(chan error, 1)
	go func() { done <- answer(d) }()
	for _, to := range []string{node.String(), "fe80::200:5eef:1000:5%mesh0"} {
		for _, size := range []string{"8", "1232"} {
			out, err := n.Command(ping, "-6", "-n", "-c", "3", "-i", "0.01", "-W", "5", "-s", size, to).CombinedOutput()
			if err != nil || !strings.Contains(string(out), "3 received, 0% packet loss") {
				t.Errorf("ping %s with %s octets: %v\n%s", to, size, err, out)
			}
		}
	}
	if err := d.Close(); err != nil {
		t.Error(err)
	}
	if err := <-done; !errors.Is(err, net.ErrClosed) {
		t.Error(err)
	}
}

// A router advertisement (RFC 4861, section 4.2) that a node sends into the
// gateway configures nothing. The same one does where accept_ra is on, which
// shows that it is one that the kernel would take.
func TestNoAutoconfiguration(t *testing.T) {
	n := tuntest.NewNS(t)
	d := open(t, n, meshOptions())
	advertised := netip.MustParseAddr("2001:db8:bad::")
	ra, err := ndp.MarshalMessage(&ndp.RouterAdvertisement{
		CurrentHopLimit: 64,
		RouterLifetime:  30 * time.Minute,
		Options: []ndp.Option{&ndp.PrefixInformation{
			PrefixLength: 64, OnLink: true, AutonomousAddressConfiguration: true,
			ValidLifetime: time.Hour, PreferredLifetime: time.Hour, Prefix: advertised,
		}},
	})
	if err != nil {
		t.Fatal(err)
	}
	p := packet(netip.MustParseAddr("fe80::200:5eef:1000:9"), netip.MustParseAddr("ff02::1"), 255, ra)
	before := snapshot(t, n)
	if _, err := d.Write(p); err != nil { // the kernel has handled it when Write returns
		t.Fatal(err)
	}
	same(t, "after a router advertisement", snapshot(t, n), before)

	n.Sysctl("net.ipv6.conf.mesh0.accept_ra", "2")
	n.Sysctl("net.ipv6.conf.mesh0.autoconf", "1")
	if _, err := d.Write(p); err != nil {
		t.Fatal(err)
	}
	tuntest.Poll(t, 5*time.Second, func() (bool, string) {
		s := strings.Join(snapshot(t, n), "\n")
		return strings.Contains(s, "route 2001:db8:bad::/64 dev mesh0"), "the advertisement configured nothing even where it may:\n" + s
	})
}

// What the kernel sends by itself is no router solicitation: it looks for no router.
func TestNoRouterSolicitation(t *testing.T) {
	n := tuntest.NewNS(t)
	n.Sysctl("net.ipv6.conf.default.router_solicitation_delay", "0")
	d := open(t, n, meshOptions())
	// A solicitation would have come with the link-local address, before this one.
	marker := send(t, n, netip.Addr{}, node)
	for _, p := range until(t, d, marker) {
		if len(p) > 40 && p[6] == 58 && p[40] == byte(ipv6.ICMPTypeRouterSolicitation) {
			t.Errorf("the kernel sent a router solicitation: %x", p)
		}
	}
}

// send sends a UDP datagram from n and returns its payload, which no other has.
// Without a source the kernel chooses.
func send(t *testing.T, n *tuntest.NS, src, dst netip.Addr) string {
	t.Helper()
	payload := fmt.Sprintf("datagram of %s at %d", t.Name(), time.Now().UnixNano())
	n.Do(func() {
		var from *net.UDPAddr
		if src.IsValid() {
			from = &net.UDPAddr{IP: src.AsSlice()}
		}
		c, err := net.DialUDP("udp6", from, &net.UDPAddr{IP: dst.AsSlice(), Port: 5683})
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		if _, err := c.Write([]byte(payload)); err != nil {
			t.Fatal(err)
		}
	})
	return payload
}

// Some hosts disable IPv6 on each new interface.
func TestIPv6DisabledByDefault(t *testing.T) {
	n := tuntest.NewNS(t)
	n.Sysctl("net.ipv6.conf.default.disable_ipv6", "1")
	d := open(t, n, meshOptions())
	if err := d.Close(); err != nil {
		t.Error(err)
	}
}
