package lan

import (
	"fmt"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"culvert/tun/rtnl"
	"culvert/tun/tuntest"

	"github.com/mdlayher/packet"
	"github.com/vishvananda/netlink"
	"golang.org/x/sys/unix"
)

const (
	sharedPrefix    = "2001:db8:1::/64"
	sharedGrainBin  = "2001:db8:1:0:200:5eef:1000:5"
	sharedColdStore = "2001:db8:1:0:200:5eef:1000:6"
	sharedGateway   = "2001:db8:1::c0"
)

func shared() gatewayConfig {
	c := fenland()
	c.Prefix, c.Gateway, c.Shared = prefix(sharedPrefix), addr(sharedGateway), []string{"eth0"}
	c.Proxy = true
	return c
}

// neighbour returns how the namespace's kernel knows a neighbour on eth0.
func neighbour(t *testing.T, ns *tuntest.NS, a netip.Addr) (netlink.Neigh, bool) {
	t.Helper()
	list, err := ns.Handle().NeighList(ns.Link("eth0").Attrs().Index, unix.AF_INET6)
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range list {
		if n.IP.Equal(a.AsSlice()) {
			return n, true
		}
	}
	return netlink.Neigh{}, false
}

// Where the mesh has the prefix of the site's network, a host of that network
// reaches the nodes with nothing set by hand, and the nodes' answers find it: RFC
// 4861, section 7.2.8. The switch between them passes multicast to those only that
// have joined its group (RFC 4541, section 3). No route is advertised to what is on
// the link. What nobody holds gets no answer, and everything is gone afterwards.
func TestProxy(t *testing.T) {
	t.Parallel()
	gw, host := tuntest.NewNS(t), tuntest.NewNS(t)
	lan(t, gw, host)
	gw.Addr("eth0", prefix("2001:db8:1::a/64"))
	host.Addr("eth0", prefix("2001:db8:1::2/64"))
	before, routesBefore := parameters(t, gw), settled(t, gw)
	g := startGateway(t, gw, shared())
	for _, a := range []string{sharedGrainBin, sharedColdStore} {
		reaches(t, host, a)
		reaches(t, gw, a)
	}
	reaches(t, gw, "2001:db8:1::2") // the network's hosts are on the network still
	n, ok := neighbour(t, host, addr(sharedGrainBin))
	mac := gw.Link("eth0").Attrs().HardwareAddr
	if !ok || n.HardwareAddr.String() != mac.String() || n.Flags&netlink.NTF_ROUTER == 0 {
		t.Errorf("neighbour %v, want the gateway's address %v and the mark of a router", n, mac)
	}
	for _, a := range []string{"2001:db8:1::77", "2001:db8:1:0:200:5eef:1000:7", sharedGateway} {
		if ok, out := ping(host, a); ok {
			t.Errorf("%s: %s", a, out)
		}
	}
	s := g.stats()
	i := s.Interfaces[0]
	if i.Routes != 0 || i.Shared != 1 || i.Proxied != 2 || s.HostRoutes != 2 || i.Answered < 2 || i.AddressConflicts != 0 {
		t.Errorf("%+v", s)
	}

	// A node that joins later is found at once.
	g.order("node 00005eef10000009")
	reaches(t, host, "2001:db8:1:0:200:5eef:1000:9")
	g.stop()
	sameParameters(t, before, parameters(t, gw))
	if after := routeList(t, gw); after != routesBefore {
		t.Errorf("routes before:\n%s\nafter:\n%s", routesBefore, after)
	}
}

// settled is the routes once the kernel has entered those of the addresses, which it
// does a moment after it has the addresses.
func settled(t *testing.T, ns *tuntest.NS) (routes string) {
	t.Helper()
	own := linkLocal(t, ns)
	tuntest.Poll(t, waitLong, func() (bool, string) {
		routes = routeList(t, ns)
		return strings.Contains(routes, "local 2001:db8:1::a ") && strings.Contains(routes, "local "+own.String()+" "), routes
	})
	return routes
}

func routeList(t *testing.T, ns *tuntest.NS) string {
	t.Helper()
	out, err := ns.Command("ip", "-6", "route", "show", "table", "all").CombinedOutput()
	if err != nil {
		t.Fatal(err, string(out))
	}
	var keep []string
	for line := range strings.Lines(string(out)) {
		if !strings.Contains(line, "expires") {
			keep = append(keep, strings.TrimSpace(line))
		}
	}
	return strings.Join(keep, "\n")
}

// A host that gives itself a node's address finds out that it is taken (RFC 4862,
// section 5.4.3), and an address that a host of the network has already is left to
// it, and logged.
func TestProxyDefendsAndYields(t *testing.T) {
	t.Parallel()
	gw, host, other := tuntest.NewNS(t), tuntest.NewNS(t), tuntest.NewNS(t)
	for _, ns := range []*tuntest.NS{host, other} {
		ns.Sysctl("net.ipv6.conf.default.accept_dad", "1")
	}
	lan(t, gw, host, other)
	gw.Addr("eth0", prefix("2001:db8:1::a/64"))
	other.Addr("eth0", prefix(sharedColdStore+"/64"))
	linkLocal(t, other)
	g := startGateway(t, gw, shared())
	tuntest.Poll(t, 20*time.Second, func() (bool, string) {
		i := g.stats().Interfaces[0]
		return i.Proxied == 2 && i.AddressConflicts == 1, fmt.Sprintf("%+v", i)
	})
	if !strings.Contains(g.log.String(), "cold-store") {
		t.Error("the log does not name the node")
	}
	linkLocal(t, host)
	// The first time the gateway may be asking for the address itself, at the same
	// moment, which is an answer too (RFC 4862, section 5.4.3).
	for _, try := range []struct{ address, want string }{{sharedGrainBin, "failed"}, {sharedGrainBin, "failed"}, {"2001:db8:1::7", "free"}} {
		a := &netlink.Addr{IPNet: &net.IPNet{IP: net.ParseIP(try.address), Mask: net.CIDRMask(64, 128)}}
		if err := host.Handle().AddrAdd(host.Link("eth0"), a); err != nil {
			t.Fatal(err)
		}
		tuntest.Poll(t, waitLong, func() (bool, string) {
			is := detection(t, host, try.address)
			return is == try.want, try.address + ": duplicate address detection: " + is
		})
		if err := host.Handle().AddrDel(host.Link("eth0"), a); err != nil {
			t.Fatal(err)
		}
	}
	if i := g.stats().Interfaces[0]; i.Defended == 0 {
		t.Errorf("%+v", i)
	}
	// cold-store's address belongs to the other host, from the first moment on.
	host.Addr("eth0", prefix("2001:db8:1::2/64"))
	reaches(t, host, sharedColdStore)
	if n, _ := neighbour(t, host, addr(sharedColdStore)); n.HardwareAddr.String() != other.Link("eth0").Attrs().HardwareAddr.String() {
		t.Errorf("cold-store's address is at %v", n.HardwareAddr)
	}
}

// detection is how far the kernel is with duplicate address detection.
func detection(t *testing.T, ns *tuntest.NS, address string) string {
	t.Helper()
	list, err := ns.Handle().AddrList(ns.Link("eth0"), unix.AF_INET6)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range list {
		switch {
		case !a.IP.Equal(net.ParseIP(address)):
		case a.Flags&unix.IFA_F_DADFAILED != 0:
			return "failed"
		case a.Flags&unix.IFA_F_TENTATIVE != 0:
			return "under way"
		default:
			return "free"
		}
	}
	return "no such address"
}

// A prefix that is the network's too is neither advertised nor proxied for without
// being asked to, and the log says what is wrong.
func TestSharedWithoutProxy(t *testing.T) {
	t.Parallel()
	gw, host := tuntest.NewNS(t), tuntest.NewNS(t)
	lan(t, gw, host)
	gw.Addr("eth0", prefix("2001:db8:1::a/64"))
	e := listenRA(t, host)
	c := shared()
	c.Proxy = false
	g := startGateway(t, gw, c)
	tuntest.Poll(t, waitLong, func() (bool, string) {
		return strings.Contains(g.log.String(), "is also that of the network on eth0"), g.log.String()
	})
	if a, ok := e.next(time.Second, func(a advertisement) bool { return true }); ok {
		t.Errorf("advertised: %v", a.routes())
	}
	if got := ours(t, gw); len(got) != 0 {
		t.Errorf("routes %v", got)
	}
	// The network is renumbered, and the prefix is the mesh's alone.
	if err := gw.Handle().AddrDel(gw.Link("eth0"), &netlink.Addr{IPNet: rtnl.IPNet(prefix("2001:db8:1::a/64"))}); err != nil {
		t.Fatal(err)
	}
	if _, ok := e.next(waitLong, func(a advertisement) bool { return a.routes()[prefix(sharedPrefix)] > 0 }); !ok {
		t.Error("not advertised")
	}
	gw.Addr("eth0", prefix("2001:db8:1::a/64"))
	if _, ok := e.next(waitLong, func(a advertisement) bool { l, ok := a.routes()[prefix(sharedPrefix)]; return ok && l == 0 }); !ok {
		t.Error("not withdrawn")
	}
}

// What a killed gateway leaves of its routes, Restore removes.
func TestProxyKilled(t *testing.T) {
	t.Parallel()
	gw, host := tuntest.NewNS(t), tuntest.NewNS(t)
	lan(t, gw, host)
	gw.Addr("eth0", prefix("2001:db8:1::a/64"))
	host.Addr("eth0", prefix("2001:db8:1::2/64"))
	before, routesBefore := parameters(t, gw), settled(t, gw)
	c := shared()
	c.State = filepath.Join(t.TempDir(), "upstream.json")
	g := startGateway(t, gw, c)
	reaches(t, host, sharedGrainBin)
	g.kill()
	if got := ours(t, gw); len(got) != 1 {
		t.Errorf("%v: the test shows nothing", got)
	}
	if out, err := gw.Role("restore", c.State).CombinedOutput(); err != nil {
		t.Errorf("%v: %s", err, out)
	}
	sameParameters(t, before, parameters(t, gw))
	if after := routeList(t, gw); after != routesBefore {
		t.Errorf("routes before:\n%s\nafter:\n%s", routesBefore, after)
	}
}

// A scan of the shared prefix gets silence and leaves nothing behind: no route, no
// neighbour, no answer.
func TestProxyScan(t *testing.T) {
	t.Parallel()
	gw, host := tuntest.NewNS(t), tuntest.NewNS(t)
	lan(t, gw, host)
	gw.Addr("eth0", prefix("2001:db8:1::a/64"))
	host.Addr("eth0", prefix("2001:db8:1::2/64"))
	g := startGateway(t, gw, shared())
	reaches(t, host, sharedGrainBin)
	before := g.stats()
	neighbours := func() int {
		list, err := gw.Handle().NeighList(gw.Link("eth0").Attrs().Index, unix.AF_INET6)
		if err != nil {
			t.Fatal(err)
		}
		return len(list)
	}
	known := neighbours()
	var conn *packet.Conn
	host.Do(func() {
		ifi, err := net.InterfaceByName("eth0")
		if err != nil {
			t.Fatal(err)
		}
		if conn, err = packet.Listen(ifi, packet.Datagram, unix.ETH_P_IPV6, nil); err != nil {
			t.Fatal(err)
		}
	})
	defer conn.Close()
	const scanned = 5000
	hostMAC := host.Link("eth0").Attrs().HardwareAddr
	to := gw.Link("eth0").Attrs().HardwareAddr
	solicit := func(target netip.Addr) {
		b := solicitation(t, addr("2001:db8:1::2"), target, hostMAC)
		if _, err := conn.WriteTo(b, &packet.Addr{HardwareAddr: to}); err != nil {
			t.Fatal(err)
		}
	}
	for i := range scanned {
		b := netip.MustParsePrefix(sharedPrefix).Addr().As16()
		b[8], b[14], b[15] = 0x40, byte(i>>8), byte(i)
		solicit(netip.AddrFrom16(b))
		if i%250 == 0 {
			tuntest.Poll(t, 10*time.Second, func() (bool, string) {
				s := g.stats().Interfaces[0]
				return s.Solicitations >= before.Interfaces[0].Solicitations+uint64(i+1), fmt.Sprintf("%+v", s)
			})
		}
	}
	solicit(addr(sharedGrainBin))
	tuntest.Poll(t, 10*time.Second, func() (bool, string) {
		i := g.stats().Interfaces[0]
		return i.Answered == before.Interfaces[0].Answered+1 && i.Solicitations == before.Interfaces[0].Solicitations+scanned+1,
			fmt.Sprintf("%+v, before %+v", i, before.Interfaces[0])
	})
	if s := g.stats(); s.HostRoutes != before.HostRoutes {
		t.Errorf("%d routes, before %d", s.HostRoutes, before.HostRoutes)
	}
	if n := neighbours(); n > known+1 {
		t.Errorf("%d neighbours, before %d", n, known)
	}
}

// Two capabilities are enough for all of it, as an ordinary user for whom /proc/sys
// is read-only but for net/ipv6/conf: what deploy/culvert.service and the drop-in of
// deploy/UPSTREAM.md have the service manager give.
func TestCapabilities(t *testing.T) {
	t.Parallel()
	gw, host := tuntest.NewNS(t), tuntest.NewNS(t)
	lan(t, gw, host)
	tuntest.Veth(t, gw, "mesh0", tuntest.NewNS(t), "far0")
	gw.Addr("eth0", prefix("2001:db8:1::a/64"))
	gw.Sysctl("net.ipv6.conf.eth0.accept_ra", "1")
	e := listenRA(t, host)
	dir := openDir(t)
	binary := filepath.Join(dir, "gateway")
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(self)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(binary, b, 0o755); err != nil {
		t.Fatal(err)
	}
	before := parameters(t, gw)
	c := shared()
	c.Plain, c.MDNS, c.State, c.HostsFile = true, true, filepath.Join(dir, "state.json"), filepath.Join(dir, "hosts")
	const mounts = `mount --bind /proc/sys /proc/sys && mount --bind /proc/sys/net/ipv6/conf /proc/sys/net/ipv6/conf &&
mount -o remount,ro,bind /proc/sys && ! echo 60 2>/dev/null >/proc/sys/net/ipv6/route/gc_timeout && exec "$0" "$@"`
	g := startGatewayBy(t, gw, c, tuntest.Tool(t, "unshare", "util-linux"), "--mount", "sh", "-c", mounts,
		tuntest.Tool(t, "setpriv", "util-linux"), "--reuid=65534", "--regid=65534", "--clear-groups", "--no-new-privs",
		"--inh-caps=-all,+net_admin,+net_raw", "--ambient-caps=-all,+net_admin,+net_raw", "--bounding-set=-all,+net_admin,+net_raw",
		"sh", "-c", `shift; exec "$0" "$@"`, binary)
	tuntest.Poll(t, waitLong, func() (bool, string) {
		s := g.stats()
		i := s.Interfaces[0]
		return s.Forwarding && s.HostRoutes == 2 && i.Proxied == 2 && i.Names.Names == 2 && s.HostsWritten == 1, fmt.Sprintf("%+v", s)
	})
	g.order("prefix " + meshPrefix)
	if _, ok := e.next(waitLong, func(a advertisement) bool { return a.routes()[prefix(meshPrefix)] > 0 }); !ok {
		t.Error("nothing is advertised")
	}
	if strings.Contains(g.log.String(), "level=WARN") {
		t.Errorf("something is missing:\n%s", g.log.String())
	}
	g.stop()
	sameParameters(t, before, parameters(t, gw))
}

// openDir is a folder that every user may use, for the test.
func openDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "culvert-upstream")
	if err == nil {
		err = os.Chmod(dir, 0o777)
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	return dir
}
