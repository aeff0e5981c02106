package main

import (
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"culvert/cmd/culvert/internal/daemon"
	"culvert/cmd/culvert/internal/programtest"
	"culvert/tun/tuntest"
)

// TestUpstreamOutside has the site's router between the gateway and a host elsewhere.
// The router learns the route to the nodes from the gateway's advertisements (RFC
// 4191); it and the host outside then read a node by libcoap's client (RFC 7252), and
// can no longer once the gateway has stopped.
func TestUpstreamOutside(t *testing.T) {
	t.Parallel()
	gw, router, outside := tuntest.NewNS(t), tuntest.NewNS(t), tuntest.NewNS(t)
	// The parameters of deploy/UPSTREAM.md for a router that is a bare kernel.
	router.Sysctl("net.ipv6.conf.default.accept_ra", "2")
	router.Sysctl("net.ipv6.conf.default.accept_ra_rt_info_max_plen", "64")
	tuntest.Veth(t, gw, "eth0", router, "lan0")
	tuntest.Veth(t, router, "wan0", outside, "eth0")
	router.Forward()
	gw.Addr("eth0", netip.MustParsePrefix("2001:db8:1::2/64"))
	router.Addr("lan0", netip.MustParsePrefix("2001:db8:1::1/64"))
	router.Addr("wan0", netip.MustParsePrefix("2001:db8:9::1/64"))
	outside.Addr("eth0", netip.MustParsePrefix("2001:db8:9::9/64"))
	gw.Route(netip.MustParsePrefix("2001:db8:9::/64"), netip.MustParseAddr("2001:db8:1::1"))
	outside.Route(netip.MustParsePrefix("fd5e:2a11:77c0::/48"), netip.MustParseAddr("2001:db8:9::1"))

	plain := programtest.CopySite(t)
	text, err := os.ReadFile(plain)
	if err != nil {
		t.Fatal(err)
	}
	config := filepath.Join(filepath.Dir(plain), "outside.toml")
	rule := "\n[[rule]]\nfrom = ['2001:db8:1::/64', '2001:db8:9::/64']\nto = 'fenland/*'\nservice = ['coap', 'echo']\n"
	if err := os.WriteFile(config, []byte(string(text)+rule+"\n[upstream]\ninterface = 'eth0'\nadvertise = true\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	r := programtest.StartRun(t, gw, config)
	client := tuntest.Tool(t, "coap-client-notls", "libcoap3-bin")
	read := func(ns *tuntest.NS) (string, bool) {
		out, err := ns.Command(client, "-m", "get", "-B", "5", "coap://[fd5e:2a11:77c0:1:200:5eef:1000:5]/temp").CombinedOutput()
		return string(out), err == nil && strings.Contains(string(out), ".") // a temperature
	}
	for name, ns := range map[string]*tuntest.NS{"the router": router, "the host outside": outside} {
		tuntest.Poll(t, 60*time.Second, func() (bool, string) {
			out, ok := read(ns)
			return ok, name + " reads nothing: " + out
		})
	}
	if code := r.StopWithin(syscall.SIGTERM, daemon.UpstreamWait+daemon.StopWait); code != 0 {
		t.Errorf("exit code %d", code)
	}
	out, err := router.Command(tuntest.Tool(t, "ip", "iproute2"), "-6", "route", "show", "fd5e:2a11:77c0:1::/64").CombinedOutput()
	if err != nil || len(out) != 0 {
		t.Errorf("the router still has the route: %v\n%s", err, out)
	}
	if out, ok := read(outside); ok {
		t.Errorf("the host outside still reads a node: %s", out)
	}
}
