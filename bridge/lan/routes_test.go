package lan

import (
	"fmt"
	"net/netip"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"culvert/bridge/lan/membership"
	"culvert/tun/rtnl"
	"culvert/tun/tuntest"

	"github.com/vishvananda/netlink"
)

// ours lists the routes with our mark, as the kernel has them.
func ours(t *testing.T, ns *tuntest.NS) []string {
	t.Helper()
	list, err := ourRoutes(ns.Handle())
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, r := range list {
		out = append(out, fmt.Sprintf("%v dev %d", rtnl.Prefix(r.Dst), r.LinkIndex))
	}
	slices.Sort(out)
	return out
}

func dummies(t *testing.T, ns *tuntest.NS) (mesh, lan int) {
	t.Helper()
	attrs := netlink.NewLinkAttrs()
	attrs.Name = "mesh0"
	if err := ns.Handle().LinkAdd(&netlink.Veth{LinkAttrs: attrs, PeerName: "eth0"}); err != nil {
		t.Fatal(err)
	}
	ns.Up("mesh0")
	ns.Up("eth0")
	return ns.Link("mesh0").Attrs().Index, ns.Link("eth0").Attrs().Index
}

func TestNodeRoutes(t *testing.T) {
	ns := tuntest.NewNS(t)
	mesh, _ := dummies(t, ns)
	r := &nodeRoutes{handle: ns.Handle(), refused: new(atomic.Uint64), have: map[netip.Addr]int{}}
	one, two := addr("2001:db8:1::1"), addr("2001:db8:1::2")
	if err := r.sync(map[netip.Addr]int{one: mesh, two: mesh}); err != nil {
		t.Fatal(err)
	}
	want := []string{fmt.Sprintf("%v/128 dev %d", one, mesh), fmt.Sprintf("%v/128 dev %d", two, mesh)}
	if got := ours(t, ns); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	// Another program removes one: it is put back.
	if err := ns.Handle().RouteDel(nodeRoute(one, mesh)); err != nil {
		t.Fatal(err)
	}
	if err := r.forget(); err != nil {
		t.Fatal(err)
	}
	if !r.ensure(one, mesh) || !slices.Equal(ours(t, ns), want) {
		t.Errorf("%v, want %v", ours(t, ns), want)
	}
	if err := r.sync(map[netip.Addr]int{two: mesh}); err != nil || !slices.Equal(ours(t, ns), want[1:]) {
		t.Errorf("%v: %v, want %v", err, ours(t, ns), want[1:])
	}
	// The interface goes, and all with it.
	if err := ns.Handle().LinkDel(ns.Link("mesh0")); err != nil {
		t.Fatal(err)
	}
	if r.ensure(addr("2001:db8:1::3"), mesh) {
		t.Error("a route by way of an interface that is gone")
	}
	if err := r.sync(nil); err != nil || r.len() != 0 {
		t.Errorf("%v, %d routes", err, r.len())
	}
	for i := range maxHostRoutes {
		r.have[netip.AddrFrom16([16]byte{1, 14: byte(i >> 8), 15: byte(i)})] = mesh
	}
	if r.ensure(one, mesh) || r.refused.Load() != 1 {
		t.Errorf("a route more than there may be; refused %d", r.refused.Load())
	}
}

// The route of a shared prefix is written down before it is added, and what is
// written down is removed when it is no longer wanted.
func TestNetworkRoutes(t *testing.T) {
	ns := tuntest.NewNS(t)
	_, lan := dummies(t, ns)
	path := filepath.Join(t.TempDir(), "state.json")
	var s saved
	index := map[string]int{"eth0": lan}
	want := []route{{"eth0", "2001:db8:1::/64"}}
	for range 2 {
		if err := setNetworkRoutes(ns.Handle(), &s, path, want, index); err != nil {
			t.Fatal(err)
		}
	}
	if got, err := load(path); err != nil || !slices.Equal(got.Routes, want) {
		t.Errorf("%+v %v", got, err)
	}
	if got := ours(t, ns); len(got) != 1 || !strings.HasPrefix(got[0], "2001:db8:1::/64") {
		t.Errorf("%v", got)
	}
	want[0].Prefix = "2001:db8:2::/64"
	if err := setNetworkRoutes(ns.Handle(), &s, path, want, index); err != nil {
		t.Fatal(err)
	}
	if got := ours(t, ns); len(got) != 1 || !strings.HasPrefix(got[0], "2001:db8:2::/64") || len(s.Routes) != 1 {
		t.Errorf("%v, %v", got, s.Routes)
	}
	if err := setNetworkRoutes(ns.Handle(), &s, path, nil, nil); err != nil {
		t.Fatal(err)
	}
	if got := ours(t, ns); len(got) != 0 || !s.empty() {
		t.Errorf("%v, %v", got, s)
	}
	// Nothing is added that could not be removed after a kill.
	if err := setNetworkRoutes(ns.Handle(), &s, filepath.Join(t.TempDir(), "no", "folder"), want, index); err == nil || len(ours(t, ns)) != 0 {
		t.Errorf("%v, %v", err, ours(t, ns))
	}
}

// A gateway with more nodes than groups still answers for the last one, and says
// what a switch may do.
func TestManyNodes(t *testing.T) {
	gw, host := tuntest.NewNS(t), tuntest.NewNS(t)
	tuntest.Veth(t, gw, "eth0", host, "eth0") // no switch between them that watches joins
	gw.Addr("eth0", prefix("2001:db8:1::a/64"))
	host.Addr("eth0", prefix("2001:db8:1::2/64"))
	c := shared()
	c.Advertise = false
	c.Nodes = nil
	for i := range membership.Max + 100 {
		c.Nodes = append(c.Nodes, nodeConfig{fmt.Sprintf("node-%d", i), 0x00005eef10010000 + uint64(i)})
	}
	g := startGateway(t, gw, c)
	reaches(t, host, fmt.Sprintf("2001:db8:1:0:200:5eef:1001:%x", membership.Max+99))
	tuntest.Poll(t, waitLong, func() (bool, string) {
		s := g.stats()
		return s.HostRoutes == len(c.Nodes) && s.Interfaces[0].Proxied == len(c.Nodes) && s.Interfaces[0].GroupsUnavailable == 100, fmt.Sprintf("%+v", s)
	})
	if !strings.Contains(g.log.String(), "more nodes than multicast groups") {
		t.Error("the log does not say so")
	}
	g.stop()
	if got := ours(t, gw); len(got) != 0 {
		t.Errorf("%d routes are left", len(got))
	}
}
