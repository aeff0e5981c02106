package tun_test

import (
	"bytes"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/vishvananda/netlink"
	"github.com/vishvananda/netlink/nl"
	"golang.org/x/sys/unix"

	"culvert/tun"
	"culvert/tun/rtnl"
	"culvert/tun/tuntest"
)

// hold opens a device, says so, and waits to be killed.
func hold(args []string) int {
	o := meshOptions()
	o.Name, o.Prefix, o.Shared = args[0], netip.MustParsePrefix(args[1]), args[2:]
	d, err := tun.Open(o)
	if err != nil {
		fmt.Println(err)
		return 1
	}
	fmt.Println("open")
	err = drain(d)
	fmt.Println(err)
	return 1
}

// killed runs hold in n and kills it once its device is open.
func killed(t *testing.T, n *tuntest.NS, name string, prefix netip.Prefix) {
	t.Helper()
	_, kill := startRole(t, n, "hold", name, prefix.String())
	kill()
}

// What a killed process leaves is replaced by the next Open, whichever of name and
// prefix changed meanwhile, and is gone after its Close.
func TestLeftovers(t *testing.T) {
	for name, next := range map[string]tun.Options{
		"same":         {Name: "mesh0", Prefix: meshPrefix},
		"other name":   {Name: "mesh9", Prefix: meshPrefix},
		"other prefix": {Name: "mesh0", Prefix: otherPrefix},
	} {
		t.Run(name, func(t *testing.T) {
			n := tuntest.NewNS(t)
			before := snapshot(t, n)
			for range 2 {
				killed(t, n, "mesh0", meshPrefix)
				same(t, "after kill -9", rules(t, n), meshRules("mesh0 "+meshPrefix.String()))
			}
			d := open(t, n, next)
			same(t, "after the next Open", rules(t, n), meshRules(next.Name+" "+next.Prefix.String()))
			if err := d.Close(); err != nil {
				t.Error(err)
			}
			same(t, "after Close", snapshot(t, n), before)
		})
	}
}

// A run killed while it moved the rule for local addresses leaves two of them.
func TestDoubledLocalRule(t *testing.T) {
	n := tuntest.NewNS(t)
	before := snapshot(t, n)
	n.Do(func() {
		req := nl.NewNetlinkRequest(unix.RTM_NEWRULE, unix.NLM_F_CREATE|unix.NLM_F_ACK) // doubles are allowed
		msg := nl.NewRtMsg()
		msg.Family, msg.Table, msg.Protocol, msg.Type = unix.AF_INET6, unix.RT_TABLE_LOCAL, unix.RTPROT_KERNEL, unix.RTN_UNICAST
		req.AddData(msg)
		req.AddData(nl.NewRtAttr(nl.FRA_PRIORITY, nl.Uint32Attr(0)))
		req.AddData(nl.NewRtAttr(nl.FRA_PROTOCOL, nl.Uint8Attr(unix.RTPROT_KERNEL)))
		if _, err := req.Execute(unix.NETLINK_ROUTE, 0); err != nil {
			t.Fatal(err)
		}
	})
	if doubled := rules(t, n); len(doubled) != 3 || doubled[0] != doubled[1] {
		t.Fatalf("the rules are %q", doubled)
	}
	d := open(t, n, meshOptions())
	if err := d.Close(); err != nil {
		t.Error(err)
	}
	same(t, "after Close", snapshot(t, n), before)
}

// Where another program has put a rule of its own among those for local
// addresses, it is left alone, and a warning tells what that leaves open.
func TestForeignLocalRule(t *testing.T) {
	n := tuntest.NewNS(t)
	foreign := netlink.NewRule()
	foreign.Family, foreign.Priority, foreign.Table, foreign.Protocol = unix.AF_INET6, 0, unix.RT_TABLE_LOCAL, unix.RTPROT_STATIC
	foreign.UIDRange = netlink.NewRuleUIDRange(0, 0) // root, the one user that each user namespace has
	if err := n.Handle().RuleAdd(foreign); err != nil {
		t.Fatal(err)
	}
	before := snapshot(t, n)
	var log bytes.Buffer
	o := meshOptions()
	o.Log = slog.New(slog.NewTextHandler(&log, nil))
	d := open(t, n, o)
	if !strings.Contains(log.String(), "another program's policy rule") {
		t.Errorf("the log says: %s", log.String())
	}
	if err := d.Close(); err != nil {
		t.Error(err)
	}
	same(t, "after Close", snapshot(t, n), before)
}

// Two meshes, here of two processes, leave each other's rules alone.
func TestTwoMeshes(t *testing.T) {
	n := tuntest.NewNS(t)
	before := snapshot(t, n)
	one := "mesh0 " + meshPrefix.String()
	two := "mesh1 " + otherPrefix.String()
	o := meshOptions()
	o.Name, o.Prefix = "mesh1", otherPrefix

	first := open(t, n, meshOptions())
	second := open(t, n, o)
	same(t, "both", rules(t, n), meshRules(one, two))
	if err := first.Close(); err != nil {
		t.Error(err)
	}
	same(t, "the second", rules(t, n), meshRules(two))
	killed(t, n, "mesh0", meshPrefix)
	same(t, "the second and a killed one", rules(t, n), meshRules(two, one))
	if err := second.Close(); err != nil {
		t.Error(err)
	}
	same(t, "the killed one", rules(t, n), meshRules(one))
	first = open(t, n, meshOptions())
	if err := first.Close(); err != nil {
		t.Error(err)
	}
	same(t, "after all", snapshot(t, n), before)
}

// Meshes that come and go at the same time leave the kernel's rule for local
// addresses where it was, and once.
func TestConcurrentMeshes(t *testing.T) {
	n := tuntest.NewNS(t)
	before := snapshot(t, n)
	var wg sync.WaitGroup
	for i := range 4 {
		o := tun.Options{Name: fmt.Sprintf("mesh%d", i)}
		o.Prefix = netip.PrefixFrom(netip.MustParseAddr(fmt.Sprintf("fd5e:2a11:77c0:%d::", i+1)), 64)
		wg.Go(func() {
			for range 10 {
				d, err := tryOpen(n, o)
				if err != nil {
					t.Error(err)
					return
				}
				if err := d.Close(); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	same(t, "after all", snapshot(t, n), before)
}

// A prefix is served by one interface: a second one would take the first one's rules.
func TestPrefixTaken(t *testing.T) {
	n := tuntest.NewNS(t)
	open(t, n, meshOptions())
	before := snapshot(t, n)
	o := meshOptions()
	o.Name = "mesh1"
	if _, err := tryOpen(n, o); err == nil || !strings.Contains(err.Error(), "already belongs to interface mesh0") {
		t.Errorf("got %v", err)
	}
	same(t, "after a refusal", snapshot(t, n), before)
}

// Policy rules that the host has keep their place, and its local addresses work
// where virtual routing tables moved their lookup.
func TestHostsOwnRules(t *testing.T) {
	n := tuntest.NewNS(t)
	other := netlink.NewRule()
	other.Family, other.Priority, other.Table, other.Protocol = unix.AF_INET6, 1000, unix.RT_TABLE_LOCAL, unix.RTPROT_STATIC
	vpn := netlink.NewRule()
	vpn.Priority, vpn.Table, vpn.Protocol, vpn.Src = 2000, 51, unix.RTPROT_STATIC, rtnl.IPNet(meshPrefix)
	for _, r := range []*netlink.Rule{other, vpn} {
		if err := n.Handle().RuleAdd(r); err != nil {
			t.Fatal(err)
		}
	}
	local := netlink.NewRule()
	local.Family, local.Priority, local.Table = unix.AF_INET6, 0, unix.RT_TABLE_LOCAL
	if err := n.Handle().RuleDel(local); err != nil {
		t.Fatal(err)
	}
	before := snapshot(t, n)
	d := open(t, n, meshOptions())
	p := meshPrefix.String()
	same(t, "rules", rules(t, n), []string{
		`rule 0 from ` + p + ` iif "lo" table 0 goto 1 protocol 108`,
		`rule 0 from ` + p + ` iif "mesh0" table 0 goto 1 protocol 108`,
		`rule 0 from ` + p + ` iif "" table 0 goto -1 protocol 108`,
		`rule 1 from ` + p + ` iif "" table 0 goto -1 protocol 108`,
		`rule 1000 from <nil> iif "" table 255 goto -1 protocol 4`,
		`rule 2000 from ` + p + ` iif "" table 51 goto -1 protocol 4`,
		`rule 32766 from <nil> iif "" table 254 goto -1 protocol 2`,
	})
	ping(t, n, d, gateway) // a local address, from the mesh
	// What leaves the mesh goes where the host's rule sends it.
	if err := n.Handle().RouteAdd(&netlink.Route{Dst: rtnl.IPNet(netip.MustParsePrefix("2001:db8:51::/48")),
		LinkIndex: n.Link("lo").Attrs().Index, Table: 51}); err != nil {
		t.Fatal(err)
	}
	got, err := n.Handle().RouteGetWithOptions(net.ParseIP("2001:db8:51::1"), &netlink.RouteGetOptions{SrcAddr: gateway.AsSlice()})
	if err != nil || len(got) != 1 || got[0].Table != 51 {
		t.Errorf("from the gateway's address: %v, %v", got, err)
	}
	if err := n.Handle().RouteDel(&netlink.Route{Dst: rtnl.IPNet(netip.MustParsePrefix("2001:db8:51::/48")),
		LinkIndex: n.Link("lo").Attrs().Index, Table: 51}); err != nil {
		t.Fatal(err)
	}
	if err := d.Close(); err != nil {
		t.Error(err)
	}
	same(t, "after Close", snapshot(t, n), before)
}

// An interface made beforehand is used, and afterwards is as it was.
func TestPreparedInterface(t *testing.T) {
	n := tuntest.NewNS(t)
	attrs := netlink.NewLinkAttrs()
	attrs.Name = "mesh0"
	n.Do(func() { // the descriptor that makes it is closed at once
		tap := &netlink.Tuntap{LinkAttrs: attrs, Mode: netlink.TUNTAP_MODE_TUN, Flags: netlink.TUNTAP_NO_PI}
		if err := netlink.LinkAdd(tap); err != nil {
			t.Fatal(err)
		}
		for _, f := range tap.Fds {
			f.Close()
		}
	})
	keys := []string{"addr_gen_mode", "accept_ra", "autoconf", "accept_redirects"}
	parameters := func() (got []string) {
		for _, k := range keys {
			got = append(got, k+"="+n.ReadSysctl("net.ipv6.conf.mesh0."+k))
		}
		return got
	}
	before, parametersBefore := snapshot(t, n), parameters()
	for range 2 {
		d := open(t, n, meshOptions())
		if got := parameters(); slices.Equal(got, parametersBefore) {
			t.Errorf("parameters were not set: %q", got)
		}
		ping(t, n, d, gateway)
		if err := d.Close(); err != nil {
			t.Error(err)
		}
		same(t, "after Close", snapshot(t, n), before)
		same(t, "parameters after Close", parameters(), parametersBefore)
	}
	killed(t, n, "mesh0", otherPrefix) // leaves addresses on it, and it up
	d := open(t, n, meshOptions())
	if s := strings.Join(snapshot(t, n), "\n"); strings.Contains(s, otherPrefix.Addr().String()) {
		t.Errorf("traces of the killed run:\n%s", s)
	}
	if err := d.Close(); err != nil {
		t.Error(err)
	}
}

// An interface of another kind is not taken.
func TestForeignInterface(t *testing.T) {
	n := tuntest.NewNS(t)
	attrs := netlink.NewLinkAttrs()
	attrs.Name = "mesh0"
	if err := n.Handle().LinkAdd(&netlink.Veth{LinkAttrs: attrs, PeerName: "peer0"}); err != nil {
		t.Fatal(err)
	}
	before := snapshot(t, n)
	if _, err := tryOpen(n, meshOptions()); err == nil || !strings.Contains(err.Error(), "is no TUN interface (it is veth)") {
		t.Errorf("got %v", err)
	}
	same(t, "after a refusal", snapshot(t, n), before)
}
