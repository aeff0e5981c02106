package lan

import (
	"fmt"
	"net"
	"net/netip"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"culvert/bridge/ipv6"
	"culvert/tun/tuntest"

	"github.com/mdlayher/ndp"
	netipv6 "golang.org/x/net/ipv6"
	"golang.org/x/sys/unix"
)

// An ear hears the router advertisements on eth0 of a namespace. The library that
// reads them is another project's (mdlayher/ndp).
type ear struct {
	t    *testing.T
	conn *ndp.Conn
	own  netip.Addr
}

type advertisement struct {
	*ndp.RouterAdvertisement
	from     netip.Addr
	hopLimit int
	group    bool // it was sent to all
	at       time.Time
}

func listenRA(t *testing.T, ns *tuntest.NS) *ear {
	t.Helper()
	e := &ear{t: t, own: linkLocal(t, ns)}
	ns.Do(func() {
		ifi, err := net.InterfaceByName("eth0")
		if err != nil {
			t.Fatal(err)
		}
		if e.conn, _, err = ndp.Listen(ifi, ndp.Unspecified); err != nil {
			t.Fatal(err)
		}
	})
	t.Cleanup(func() { e.conn.Close() })
	var f netipv6.ICMPFilter
	f.SetAll(true)
	f.Accept(netipv6.ICMPTypeRouterAdvertisement)
	if err := e.conn.SetICMPFilter(&f); err != nil {
		t.Fatal(err)
	}
	if err := e.conn.SetControlMessage(netipv6.FlagHopLimit|netipv6.FlagDst, true); err != nil {
		t.Fatal(err)
	}
	return e
}

// next returns the next advertisement that a condition holds for.
func (e *ear) next(within time.Duration, cond func(a advertisement) bool) (advertisement, bool) {
	e.t.Helper()
	if err := e.conn.SetReadDeadline(time.Now().Add(within)); err != nil {
		e.t.Fatal(err)
	}
	for {
		m, cm, from, err := e.conn.ReadFrom()
		if err != nil {
			return advertisement{}, false
		}
		ra, ok := m.(*ndp.RouterAdvertisement)
		if !ok {
			continue
		}
		a := advertisement{ra, from.WithZone(""), cm.HopLimit, cm.Dst.IsMulticast(), time.Now()}
		if cond(a) {
			return a, true
		}
	}
}

func any1(advertisement) bool { return true }

// routes are the route information options: prefix and lifetime.
func (a advertisement) routes() map[netip.Prefix]time.Duration {
	out := map[netip.Prefix]time.Duration{}
	for _, o := range a.Options {
		if r, ok := o.(*ndp.RouteInformation); ok {
			out[netip.PrefixFrom(r.Prefix, int(r.PrefixLength))] = r.RouteLifetime
		}
	}
	return out
}

// What an advertisement says, and what it leaves to the network's own routers: RFC
// 4861, sections 4.2 and 6.2.7; RFC 4191, section 2.3. It answers a solicitation
// (RFC 4861, section 6.2.6), follows the meshes' prefixes, and withdraws (6.2.5).
func TestAdvertisements(t *testing.T) {
	t.Parallel()
	gw, host, router := tuntest.NewNS(t), tuntest.NewNS(t), tuntest.NewNS(t)
	lan(t, gw, host, router)
	e := listenRA(t, host)
	startRouter(t, router, routerConfig{Interval: time.Second, Lifetime: time.Hour, Managed: true})
	via := linkLocal(t, gw)
	ours := func(a advertisement) bool { return a.from == via }
	c := fenland()
	c.Interval = maxInterval // so that what comes is not periodic
	g := startGateway(t, gw, c)
	a, ok := e.next(10*time.Second, func(a advertisement) bool { return ours(a) && a.ManagedConfiguration })
	if !ok {
		t.Fatal("no advertisement with the flag of the network's router")
	}
	if a.RouterLifetime != 0 || a.CurrentHopLimit != 0 || a.ReachableTime != 0 || a.RetransmitTimer != 0 || a.OtherConfiguration ||
		a.RouterSelectionPreference != ndp.Medium || a.hopLimit != 255 {
		t.Errorf("%+v", *a.RouterAdvertisement)
	}
	if r := a.routes(); len(r) != 1 || r[prefix(meshPrefix)] != 3*maxInterval {
		t.Errorf("routes %v", r)
	}
	mac := gw.Link("eth0").Attrs().HardwareAddr.String()
	for _, o := range a.Options {
		switch o := o.(type) {
		case *ndp.RouteInformation:
		case *ndp.LinkLayerAddress:
			if o.Direction != ndp.Source || o.Addr.String() != mac {
				t.Errorf("link-layer address %+v", o)
			}
		default:
			t.Errorf("option %T", o)
		}
	}

	// Solicited ones go to the host that asks, once in three seconds.
	for range 3 {
		rs := &ndp.RouterSolicitation{Options: []ndp.Option{&ndp.LinkLayerAddress{Direction: ndp.Source, Addr: host.Link("eth0").Attrs().HardwareAddr}}}
		if err := e.conn.WriteTo(rs, &netipv6.ControlMessage{HopLimit: 255, Src: e.own.AsSlice(), IfIndex: host.Link("eth0").Attrs().Index}, ipv6.AllRouters); err != nil {
			t.Fatal(err)
		}
	}
	asked := time.Now()
	single := func(a advertisement) bool { return ours(a) && !a.group }
	if a, ok := e.next(5*time.Second, single); !ok || a.at.Sub(asked) > maxRADelayTime+200*time.Millisecond {
		t.Errorf("answered %v, after %v", ok, a.at.Sub(asked))
	}
	if _, ok := e.next(time.Second, single); ok {
		t.Error("answered again")
	}
	if n := g.stats().Interfaces[0].Solicited; n < 3 {
		t.Errorf("%d solicitations", n)
	}

	// A second prefix while renumbering, and then without the first.
	const next = "fd5e:2a11:77c0:2::/64"
	g.order("prefix " + meshPrefix + " " + next)
	a, ok = e.next(10*time.Second, func(a advertisement) bool { return ours(a) && a.group && len(a.routes()) == 2 })
	if !ok || a.routes()[prefix(next)] != 3*maxInterval {
		t.Errorf("with a second prefix: %v", a)
	}
	g.order("prefix " + next)
	var last time.Time
	for i := range maxFinalAdverts {
		a, ok = e.next(10*time.Second, func(a advertisement) bool { return ours(a) && a.group })
		lifetime, there := a.routes()[prefix(meshPrefix)]
		if !ok || !there || lifetime != 0 || a.routes()[prefix(next)] == 0 {
			t.Errorf("withdrawal %d: %v %v", i, ok, a.routes())
		}
		if d := a.at.Sub(last); d < minDelayBetweenRAs-50*time.Millisecond {
			t.Errorf("withdrawal %d: %v after the one before", i, d)
		}
		last = a.at
	}
	if err := g.cmd.Process.Signal(unix.SIGTERM); err != nil {
		t.Fatal(err)
	}
	for i := range maxFinalAdverts {
		a, ok = e.next(10*time.Second, ours)
		if !ok || len(a.routes()) != 1 || a.routes()[prefix(next)] != 0 {
			t.Errorf("at the stop, %d: %v %v", i, ok, a)
		}
	}
	g.wait()
	if a, ok := e.next(4*time.Second, ours); ok {
		t.Errorf("after the stop: %v", a)
	}
}

// Nothing is sent on an interface that is not named. One that is named is served
// again after it lost its carrier, was set down, or was deleted and made again.
func TestInterfacesComeAndGo(t *testing.T) {
	t.Parallel()
	gw, host, other := tuntest.NewNS(t), tuntest.NewNS(t), tuntest.NewNS(t)
	sw := lan(t, gw, host)
	tuntest.Veth(t, gw, "eth1", other, "eth0")
	e, unnamed := listenRA(t, host), listenRA(t, other)
	c := fenland()
	c.Interfaces = []string{"eth0", "eth9"} // the second one is not there
	c.MDNS = true
	g := startGateway(t, gw, c)
	heard := func(what string) {
		t.Helper()
		if _, ok := e.next(15*time.Second, func(a advertisement) bool { return a.routes()[prefix(meshPrefix)] > 0 }); !ok {
			t.Fatalf("%s: nothing is advertised", what)
		}
	}
	is := func(up bool) {
		t.Helper()
		tuntest.Poll(t, 15*time.Second, func() (bool, string) {
			s := g.stats().Interfaces[0]
			return s.Up == up, fmt.Sprintf("%+v", s)
		})
	}
	drain := func() {
		for _, ok := e.next(10*time.Millisecond, any1); ok; _, ok = e.next(10*time.Millisecond, any1) {
		}
	}
	heard("at first")
	for name, flap := range map[string]struct{ down, up func() error }{
		"carrier": {
			func() error { return sw.Handle().LinkSetDown(sw.Link("port0")) },
			func() error { return sw.Handle().LinkSetUp(sw.Link("port0")) }},
		"set down": {
			func() error { return gw.Handle().LinkSetDown(gw.Link("eth0")) },
			func() error { return gw.Handle().LinkSetUp(gw.Link("eth0")) }},
		"made again": {
			func() error { return gw.Handle().LinkDel(gw.Link("eth0")) },
			func() error { plug(t, sw, 0, gw); return nil }},
	} {
		if err := flap.down(); err != nil {
			t.Fatal(name, err)
		}
		is(false)
		drain()
		if err := flap.up(); err != nil {
			t.Fatal(name, err)
		}
		is(true)
		heard(name)
	}
	// The interface made anew takes advertisements as the old one did.
	tuntest.Poll(t, 5*time.Second, func() (bool, string) {
		v := gw.ReadSysctl("net.ipv6.conf.eth0.accept_ra")
		return v == "2", "accept_ra " + v
	})
	if !strings.Contains(g.log.String(), "eth9") {
		t.Error("the log does not say that eth9 is not there")
	}
	g.stop()
	if v := gw.ReadSysctl("net.ipv6.conf.eth0.accept_ra"); v != "1" {
		t.Errorf("accept_ra %s after the stop", v)
	}
	if a, ok := unnamed.next(time.Millisecond, any1); ok {
		t.Errorf("on an interface that is not named: %v", a)
	}
}

// Where the kernel's parameters cannot be written, as in the sandbox of a service
// manager, the log says what to do; the routes are advertised from when forwarding
// is on, whoever did it, and withdrawn when it goes off.
func TestParametersReadOnly(t *testing.T) {
	t.Parallel()
	gw, host := tuntest.NewNS(t), tuntest.NewNS(t)
	lan(t, gw, host)
	e := listenRA(t, host)
	c := fenland()
	c.State = filepath.Join(t.TempDir(), "upstream.json")
	g := startGatewayBehind(t, gw, c, "mount --bind /proc/sys /proc/sys && mount -o remount,ro,bind /proc/sys")
	tuntest.Poll(t, 10*time.Second, func() (bool, string) {
		log := g.log.String()
		return strings.Contains(log, "read-only file system") && strings.Contains(log, "net.ipv6.conf.eth0.accept_ra = 2") &&
			strings.Contains(log, "net.ipv6.conf.all.forwarding = 1") && strings.Contains(log, "/etc/sysctl.d/60-culvert.conf"), log
	})
	if a, ok := e.next(time.Second, any1); ok {
		t.Errorf("advertised without forwarding: %v", a)
	}
	gw.Sysctl("net.ipv6.conf.eth0.accept_ra", "2")
	gw.Sysctl("net.ipv6.conf.all.forwarding", "1")
	if _, ok := e.next(15*time.Second, func(a advertisement) bool { return a.routes()[prefix(meshPrefix)] > 0 }); !ok {
		t.Error("nothing is advertised though this host forwards")
	}
	gw.Sysctl("net.ipv6.conf.all.forwarding", "0")
	if _, ok := e.next(15*time.Second, func(a advertisement) bool { l, ok := a.routes()[prefix(meshPrefix)]; return ok && l == 0 }); !ok {
		t.Error("the route is not withdrawn though this host does not forward")
	}
	g.stop()
	if v := gw.ReadSysctl("net.ipv6.conf.eth0.accept_ra"); v != "2" {
		t.Errorf("accept_ra, which others had set, is %s", v)
	}
}
