package tun_test

import (
	"io"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/songgao/water"
	"golang.org/x/sys/unix"

	"culvert/tun/tuntest"
)

var (
	lanGateway = netip.MustParseAddr("2001:db8:1::1")
	lanHost    = netip.MustParseAddr("2001:db8:1::2")
)

// ping sends an echo request from a node through the device to one of the
// host's addresses, and reads the answer.
func ping(t *testing.T, n *tuntest.NS, d io.ReadWriteCloser, to netip.Addr) {
	t.Helper()
	id := "ping of " + t.Name()
	request := packet(node, to, 64, append([]byte{128, 0, 0, 0, 0, 1, 0, 1}, id...))
	if _, err := d.Write(request); err != nil {
		t.Fatal(err)
	}
	until(t, d, id)
}

// until reads packets up to the one that ends with marker, and returns those before.
func until(t *testing.T, d io.ReadCloser, marker string) (packets []string) {
	t.Helper()
	bound := time.AfterFunc(time.Minute, func() { d.Close() }) // which fails the Read
	defer bound.Stop()
	b := make([]byte, 2048)
	for {
		n, err := d.Read(b)
		if err != nil {
			t.Fatalf("no packet ends with %q: %v", marker, err)
		}
		if strings.HasSuffix(string(b[:n]), marker) {
			return packets
		}
		packets = append(packets, string(b[:n]))
	}
}

// lan gives the gateway a LAN with a host on it, which knows the way to the mesh.
func lan(t *testing.T, gw *tuntest.NS) *tuntest.NS {
	t.Helper()
	host := tuntest.NewNS(t)
	tuntest.Veth(t, host, "lan0", gw, "eth0")
	host.Addr("lan0", netip.PrefixFrom(lanHost, 64))
	gw.Addr("eth0", netip.PrefixFrom(lanGateway, 64))
	host.Route(meshPrefix, lanGateway)
	gw.Forward()
	return host
}

// forge sends a packet from n with whatever source it has.
func forge(t *testing.T, n *tuntest.NS, p []byte) {
	t.Helper()
	n.Do(func() {
		fd, err := unix.Socket(unix.AF_INET6, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.IPPROTO_RAW)
		if err != nil {
			t.Fatal(err)
		}
		defer unix.Close(fd)
		if err := unix.Sendto(fd, p, 0, &unix.SockaddrInet6{Addr: [16]byte(p[24:40])}); err != nil {
			t.Fatal(err)
		}
	})
}

const forgedMark = "forged"

// attack sends forged packets from the LAN, to a node and to the gateway's own
// addresses, which would answer into the mesh; and last an honest one. It returns
// what reached the mesh because of the forged ones.
func attack(t *testing.T, host *tuntest.NS, mesh io.ReadCloser) (reached []string) {
	t.Helper()
	for _, src := range []netip.Addr{gateway, node, netip.MustParseAddr("fd5e:2a11:77c0:1::77")} {
		for _, dst := range []netip.Addr{node, netip.MustParseAddr("fd5e:2a11:77c0:1::78"), gateway, lanGateway} {
			if src != dst {
				echo := append([]byte{128, 0, 0, 0, 0, 1, 0, 1}, forgedMark...)
				forge(t, host, packet(src, dst, 64, echo))
			}
		}
		// The gateway would tell the forged source that the hop limit was exceeded.
		forge(t, host, packet(src, node, 1, append([]byte{128, 0, 0, 0, 0, 2, 0, 1}, forgedMark...)))
	}
	marker := send(t, host, lanHost, node)
	for _, p := range until(t, mesh, marker) {
		if strings.Contains(p, forgedMark) {
			src, dst := netip.AddrFrom16([16]byte([]byte(p[8:24]))), netip.AddrFrom16([16]byte([]byte(p[24:40])))
			reached = append(reached, src.String()+" to "+dst.String())
		}
	}
	return reached
}

func TestForgedSources(t *testing.T) {
	gw := tuntest.NewNS(t)
	host := lan(t, gw)
	d := open(t, gw, meshOptions())
	if got := attack(t, host, d); len(got) > 0 {
		t.Errorf("forged packets, or answers to them, reached the mesh:\n  %s", strings.Join(got, "\n  "))
	}
	// What is honest still passes, from everywhere to everywhere.
	ping(t, gw, d, gateway)
	ping(t, gw, d, lanGateway)
	tool := tuntest.Tool(t, "ping", "iputils-ping")
	for _, to := range []netip.Addr{lanGateway, gateway} {
		for _, from := range []*tuntest.NS{host, gw} {
			if out, err := from.Command(tool, "-6", "-n", "-c", "1", "-W", "5", to.String()).CombinedOutput(); err != nil {
				t.Errorf("ping %v: %v\n%s", to, err, out)
			}
		}
	}
	id := "from a node to the LAN"
	if _, err := d.Write(packet(node, lanHost, 64, append([]byte{128, 0, 0, 0, 0, 3, 0, 1}, id...))); err != nil {
		t.Fatal(err)
	}
	until(t, d, id)

	// The rules go with the device, and with them what they kept away.
	if err := d.Close(); err != nil {
		t.Error(err)
	}
}

// Without the rules the same packets do get through: Linux itself keeps none away.
func TestForgedSourcesWithoutRules(t *testing.T) {
	gw := tuntest.NewNS(t)
	host := lan(t, gw)
	var plain *water.Interface
	gw.Do(func() {
		var err error
		plain, err = water.New(water.Config{DeviceType: water.TUN, PlatformSpecificParams: water.PlatformSpecificParams{Name: "mesh0"}})
		if err != nil {
			t.Fatal(err)
		}
	})
	defer plain.Close()
	gw.Up("mesh0")
	gw.Addr("mesh0", netip.PrefixFrom(gateway, 64))
	got := attack(t, host, plain)
	for _, want := range []string{
		gateway.String() + " to " + node.String(),
		node.String() + " to fd5e:2a11:77c0:1::78",
		gateway.String() + " to " + node.String(),
		lanGateway.String() + " to " + node.String(), // an answer
	} {
		if !slices.Contains(got, want) {
			t.Errorf("%s did not reach the mesh; these did:\n  %s", want, strings.Join(got, "\n  "))
		}
	}
}
