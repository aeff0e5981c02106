package lan

import (
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"culvert/tun/tuntest"

	"github.com/vishvananda/netlink"
)

const (
	meshPrefix = "fd5e:2a11:77c0:1::/64"
	grainBin   = "fd5e:2a11:77c0:1:200:5eef:1000:5" // of 00-00-5E-EF-10-00-00-05 (RFC 6282, section 3.2.2)
	coldStore  = "fd5e:2a11:77c0:1:200:5eef:1000:6"
)

var fenlandNodes = []nodeConfig{{"grain-bin", 0x00005eef10000005}, {"cold-store", 0x00005eef10000006}}

func fenland() gatewayConfig {
	return gatewayConfig{Interfaces: []string{"eth0"}, Advertise: true, Interval: minInterval, Prefix: prefix(meshPrefix), Nodes: fenlandNodes}
}

// parameters are all kernel parameters of IPv6 in the namespace.
func parameters(t *testing.T, ns *tuntest.NS) map[string]string {
	t.Helper()
	all := map[string]string{}
	ns.Do(func() {
		err := filepath.WalkDir("/proc/sys/net/ipv6", func(path string, d os.DirEntry, err error) error {
			if err == nil && !d.IsDir() && !strings.Contains(path, "/mesh0/") {
				if b, err := os.ReadFile(path); err == nil { // some cannot be read
					all[path] = strings.TrimSpace(string(b))
				}
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	})
	if len(all) < 100 {
		t.Fatalf("only %d parameters", len(all))
	}
	return all
}

func sameParameters(t *testing.T, before, after map[string]string) {
	t.Helper()
	if maps.Equal(before, after) {
		return
	}
	for k, v := range before {
		if after[k] != v {
			t.Errorf("%s was %q, is %q", k, v, after[k])
		}
	}
	for k, v := range after {
		if _, ok := before[k]; !ok {
			t.Errorf("%s = %q is new", k, v)
		}
	}
}

// ping sends one echo request, and reports whether it was answered.
func ping(ns *tuntest.NS, to string) (bool, string) {
	out, err := ns.Command("ping", "-6", "-c", "1", "-W", "1", to).CombinedOutput()
	return err == nil, string(out)
}

func reaches(t *testing.T, ns *tuntest.NS, to string) {
	t.Helper()
	tuntest.Poll(t, 10*time.Second, func() (bool, string) { return ping(ns, to) })
}

// A host whose kernel takes routes from router advertisements learns the one to the
// mesh and reaches a node, and loses it within seconds of a clean stop. It takes no
// default route of the gateway (RFC 4191, section 2.3; RFC 4861, sections 4.2 and
// 6.2.5). The one parameter is Linux's (Documentation/networking/ip-sysctl.rst,
// accept_ra_rt_info_max_plen), and is set openly: its default of 0 ignores them.
func TestRouteIsLearntAndLost(t *testing.T) {
	t.Parallel()
	gw, host := tuntest.NewNS(t), tuntest.NewNS(t)
	host.Sysctl("net.ipv6.conf.default.accept_ra_rt_info_max_plen", "64")
	lan(t, gw, host)
	gw.Addr("eth0", prefix("2001:db8:1::1/64"))
	host.Addr("eth0", prefix("2001:db8:1::2/64"))
	before := parameters(t, gw)
	g := startGateway(t, gw, fenland())
	via := linkLocal(t, gw)
	tuntest.Poll(t, 20*time.Second, func() (bool, string) { return hasRoute(host, meshPrefix, via) })
	if ok, routes := hasRoute(host, "default", via); ok {
		t.Errorf("the gateway is a default router:\n%s", routes)
	}
	reaches(t, host, grainBin)
	if s := g.stats(); !s.Forwarding || s.Interfaces[0].Routes != 1 || s.Interfaces[0].Advertised == 0 || !s.Interfaces[0].Up {
		t.Errorf("%+v", s)
	}
	g.stop()
	if ok, routes := hasRoute(host, meshPrefix, via); ok {
		t.Errorf("the route outlived the gateway:\n%s", routes)
	}
	sameParameters(t, before, parameters(t, gw))
	if _, err := os.Stat(g.state); !os.IsNotExist(err) {
		t.Errorf("the state file is still there: %v", err)
	}
}

// A gateway that has its own default route from router advertisements keeps it:
// while forwarding goes on, for as long as thirty of the site router's intervals,
// when it stops, and when it is killed and Restore puts the parameters back.
func TestOwnDefaultRouteIsKept(t *testing.T) {
	t.Parallel()
	gw, router := tuntest.NewNS(t), tuntest.NewNS(t)
	lan(t, gw, router)
	// An interface that takes no advertisements, and one that forwards by itself.
	attrs := netlink.NewLinkAttrs()
	attrs.Name = "quiet0"
	if err := gw.Handle().LinkAdd(&netlink.Veth{LinkAttrs: attrs, PeerName: "router0"}); err != nil {
		t.Fatal(err)
	}
	gw.Sysctl("net.ipv6.conf.quiet0.accept_ra", "0")
	gw.Sysctl("net.ipv6.conf.router0.forwarding", "1")
	// The site router's hour (1,800 s of lifetime, told again every 200 to 600 s)
	// shrunk 600 times: 6 s of kernel time.
	startRouter(t, router, routerConfig{Interval: 500 * time.Millisecond, Lifetime: 3 * time.Second})
	via := linkLocal(t, router)
	has := func() (bool, string) { return hasRoute(gw, "default", via) }
	tuntest.Poll(t, 10*time.Second, has)
	before := parameters(t, gw)
	c := fenland()
	c.State = filepath.Join(t.TempDir(), "upstream.json")
	keeps := func(what string, d time.Duration) {
		t.Helper()
		tuntest.Hold(t, d, func() (bool, string) {
			ok, routes := has()
			return ok, what + ": no default route:\n" + routes
		})
	}
	g := startGateway(t, gw, c)
	tuntest.Poll(t, 10*time.Second, func() (bool, string) {
		if ok, routes := has(); !ok {
			t.Fatalf("no default route any more:\n%s", routes)
		}
		return gw.ReadSysctl("net.ipv6.conf.all.forwarding") == "1", "not forwarding"
	})
	if v := gw.ReadSysctl("net.ipv6.conf.eth0.accept_ra"); v != "2" {
		t.Errorf("accept_ra %s", v)
	}
	keeps("running", 8*time.Second)
	g.stop()
	keeps("stopped", 4*time.Second)
	c.Advertise = false // it stops faster
	sameParameters(t, before, parameters(t, gw))

	g = startGateway(t, gw, c)
	tuntest.Poll(t, 10*time.Second, func() (bool, string) {
		return gw.ReadSysctl("net.ipv6.conf.all.forwarding") == "1", "not forwarding"
	})
	g.kill()
	if v := gw.ReadSysctl("net.ipv6.conf.all.forwarding"); v != "1" {
		t.Errorf("a killed gateway switched forwarding back: the test shows nothing")
	}
	if out, err := gw.Role("restore", c.State).CombinedOutput(); err != nil {
		t.Errorf("%v: %s", err, out)
	}
	keeps("restored", 4*time.Second)
	sameParameters(t, before, parameters(t, gw))

	// A next start takes over what the killed one left, and puts it back.
	g = startGateway(t, gw, c)
	tuntest.Poll(t, 10*time.Second, func() (bool, string) {
		return gw.ReadSysctl("net.ipv6.conf.all.forwarding") == "1", "not forwarding"
	})
	g.kill()
	g = startGateway(t, gw, c)
	tuntest.Poll(t, 10*time.Second, func() (bool, string) { return g.stats().Forwarding, "not forwarding" })
	keeps("started again", time.Second)
	g.stop()
	sameParameters(t, before, parameters(t, gw))
}
