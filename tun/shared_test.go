package tun_test

import (
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/vishvananda/netlink"

	"culvert/tun"
	"culvert/tun/tuntest"
)

var sharingHost = netip.MustParseAddr("fd5e:2a11:77c0:1::99")

// sharedRules is what RuleList shows while a mesh shares its prefix with eth0.
func sharedRules() []string {
	all := meshRules("mesh0 " + meshPrefix.String())
	return slices.Insert(all, 2,
		fmt.Sprintf(`rule 0 from %v/128 iif "" table 0 goto -1 protocol 108`, gateway),
		fmt.Sprintf(`rule 0 from %v iif "eth0" table 0 goto 1 protocol 108`, meshPrefix))
}

// Where another network has the prefix too, its hosts may use it as a source there,
// and nobody the gateway's address (RFC 2827).
func TestSharedPrefix(t *testing.T) {
	gw, host, outside := tuntest.NewNS(t), tuntest.NewNS(t), tuntest.NewNS(t)
	tuntest.Veth(t, host, "lan0", gw, "eth0")
	tuntest.Veth(t, outside, "wan0", gw, "eth1")
	host.Addr("lan0", netip.PrefixFrom(sharingHost, 64))
	gw.Addr("eth0", netip.MustParsePrefix("fd5e:2a11:77c0:1::a/64"))
	outside.Addr("wan0", netip.MustParsePrefix("2001:db8:2::2/64"))
	gw.Addr("eth1", netip.MustParsePrefix("2001:db8:2::1/64"))
	gw.Forward()
	before := rules(t, gw)
	o := meshOptions()
	o.Shared = []string{"eth0"}
	d := open(t, gw, o)
	same(t, "while open", rules(t, gw), sharedRules())
	// The way to each node and to the network is for others to see to.
	toNode := &netlink.Route{Dst: &net.IPNet{IP: node.AsSlice(), Mask: net.CIDRMask(128, 128)}, LinkIndex: gw.Link("mesh0").Attrs().Index}
	if err := gw.Handle().RouteAdd(toNode); err != nil {
		t.Fatal(err)
	}
	host.Route(netip.PrefixFrom(node, 128), netip.MustParseAddr("fd5e:2a11:77c0:1::a"))
	outside.Route(meshPrefix, netip.MustParseAddr("2001:db8:2::1"))

	echo := append([]byte{128, 0, 0, 0, 0, 1, 0, 1}, forgedMark...)
	forge(t, host, packet(gateway, node, 64, echo))
	forge(t, outside, packet(gateway, node, 64, echo))
	forge(t, outside, packet(sharingHost, node, 64, echo))
	for _, p := range until(t, d, send(t, host, sharingHost, node)) {
		if strings.Contains(p, forgedMark) {
			t.Errorf("a forged packet from %v reached the mesh", netip.AddrFrom16([16]byte([]byte(p[8:24]))))
		}
	}

	// A rule that another program removes is put back in its place.
	list, err := gw.Handle().RuleList(netlink.FAMILY_V6)
	if err != nil {
		t.Fatal(err)
	}
	for i := range list {
		if list[i].IifName == "eth0" {
			if err := gw.Handle().RuleDel(&list[i]); err != nil {
				t.Fatal(err)
			}
		}
	}
	tuntest.Poll(t, 10*time.Second, func() (bool, string) {
		got := rules(t, gw)
		return slices.Equal(got, sharedRules()), strings.Join(got, "\n")
	})
	if err := d.Close(); err != nil {
		t.Error(err)
	}
	same(t, "after Close", rules(t, gw), before)
}

// What a killed process leaves of a shared prefix is no claim of the network's, and
// is removed by the next Open, which may not share.
func TestSharedLeftovers(t *testing.T) {
	gw, host := tuntest.NewNS(t), tuntest.NewNS(t)
	tuntest.Veth(t, host, "lan0", gw, "eth0")
	before := rules(t, gw)
	_, kill := startRole(t, gw, "hold", "mesh0", meshPrefix.String(), "eth0")
	kill()
	same(t, "after kill -9", rules(t, gw), sharedRules())
	d := open(t, gw, meshOptions())
	same(t, "after the next Open", rules(t, gw), meshRules("mesh0 "+meshPrefix.String()))
	if err := d.Close(); err != nil {
		t.Error(err)
	}
	same(t, "after Close", rules(t, gw), before)
}

func TestSharedOptions(t *testing.T) {
	for want, shared := range map[string]string{"not with itself": "mesh0", "has no name": "", "another meaning": "lo"} {
		o := meshOptions()
		o.Shared = []string{shared}
		if _, err := tun.Open(o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q in it", shared, err, want)
		}
	}
}
