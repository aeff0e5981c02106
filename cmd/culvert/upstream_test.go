package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"culvert/cmd/culvert/internal/conf"
	"culvert/cmd/culvert/internal/daemon"
	"culvert/cmd/culvert/internal/programtest"
	"culvert/tun/tuntest"
)

// TestUpstream runs the daemon as a program with [upstream] between the simulated
// site and a network. A host there learns the route to the nodes (RFC 4191), reaches
// one with the kernel's and ping's own means, and loses the route with a clean stop.
// The host's one parameter is that of deploy/UPSTREAM.md (Linux,
// Documentation/networking/ip-sysctl.rst: its default of 0 ignores such routes).
// After a kill a start without [upstream] puts the gateway's parameters back.
func TestUpstream(t *testing.T) {
	t.Parallel()
	gw, host := tuntest.NewNS(t), tuntest.NewNS(t)
	host.Sysctl("net.ipv6.conf.default.accept_ra_rt_info_max_plen", "64")
	tuntest.Veth(t, gw, "eth0", host, "eth0")
	gw.Addr("eth0", netip.MustParsePrefix("2001:db8:1::1/64"))
	host.Addr("eth0", netip.MustParsePrefix("2001:db8:1::2/64"))
	gw.Sysctl("net.ipv6.conf.eth0.accept_ra", "1") // so that there is something to change
	plain := programtest.CopySite(t)
	text, err := os.ReadFile(plain)
	if err != nil {
		t.Fatal(err)
	}
	// In a namespace of its own the port of the metrics is free.
	withRule := strings.Replace(string(text), "[::1]:0", "[::1]:6282", 1) + "\n[[rule]]\nfrom = '2001:db8:1::/64'\nto = 'fenland/*'\nservice = 'echo'\n"
	config := filepath.Join(filepath.Dir(plain), "upstream.toml")
	if err := os.WriteFile(config, []byte(withRule+"\n[upstream]\ninterface = 'eth0'\nadvertise = true\nhosts_file = 'hosts'\ndomain = 'site.example'\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	before := forwardingParameters(gw)
	routes := func() string {
		out, err := host.Command(tuntest.Tool(t, "ip", "iproute2"), "-6", "route", "show").CombinedOutput()
		if err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		return string(out)
	}
	const meshRoute = "fd5e:2a11:77c0:1::/64 via fe80:"
	r := programtest.StartRun(t, gw, config)
	tuntest.Poll(t, 30*time.Second, func() (bool, string) {
		all := routes()
		return strings.Contains(all, meshRoute), "the host has no route to the mesh:\n" + all
	})
	if all := routes(); strings.Contains(all, "default") {
		t.Errorf("the gateway is a default router:\n%s", all)
	}
	const pumpHouse = "fd5e:2a11:77c0:1:200:5eef:1000:7"
	tuntest.Poll(t, 20*time.Second, func() (bool, string) {
		out, err := host.Command(tuntest.Tool(t, "ping", "iputils-ping"), "-6", "-c", "1", "-W", "3", pumpHouse).CombinedOutput()
		return err == nil, string(out)
	})
	hosts, err := os.ReadFile(filepath.Join(filepath.Dir(config), "hosts"))
	if err != nil || !strings.Contains(string(hosts), pumpHouse) || !strings.Contains(string(hosts), "pump-house.site.example") {
		t.Errorf("hosts file: %v\n%s", err, hosts)
	}
	if text := metricsOf(gw); !strings.Contains(text, "\nculvert_upstream_routes{interface=\"eth0\"} 1\n") || !strings.Contains(text, "\nculvert_upstream_forwarding 1\n") {
		t.Errorf("the metrics say nothing of the route:\n%s", text)
	}
	if during := forwardingParameters(gw); slices.Equal(during, before) {
		t.Errorf("%v while it runs, as before: that they are the same after the stop would show nothing", during)
	}
	began := time.Now()
	if code := r.StopWithin(syscall.SIGTERM, daemon.UpstreamWait+daemon.StopWait); code != 0 {
		t.Errorf("exit code %d", code)
	}
	if all := routes(); strings.Contains(all, meshRoute) {
		t.Errorf("%v after the stop began the host still has the route:\n%s", time.Since(began), all)
	}
	if after := forwardingParameters(gw); !slices.Equal(after, before) {
		t.Errorf("after the stop: %v, before the start %v", after, before)
	}

	programtest.StartRun(t, gw, config).Stop(syscall.SIGKILL)
	if after := forwardingParameters(gw); slices.Equal(after, before) {
		t.Fatalf("the kill left nothing changed (%v): what follows would show nothing", after)
	}
	r = programtest.StartRun(t, gw, plain)
	if after := forwardingParameters(gw); !slices.Equal(after, before) {
		t.Errorf("after a kill and a start without [upstream]: %v, before %v", after, before)
	}
	if code := r.Stop(syscall.SIGTERM); code != 0 {
		t.Errorf("exit code %d", code)
	}
}

// forwardingParameters are those that decide whether a host forwards, and whom it believes.
func forwardingParameters(ns *tuntest.NS) (out []string) {
	for _, where := range []string{"all", "default", "eth0"} {
		for _, key := range []string{"forwarding", "accept_ra"} {
			name := "net.ipv6.conf." + where + "." + key
			out = append(out, fmt.Sprintf("%s=%s", name, ns.ReadSysctl(name)))
		}
	}
	return out
}

// TestUpstreamShared holds which meshes let hosts of the site's network use their
// prefix: with proxy those whose prefix somebody else can have.
func TestUpstreamShared(t *testing.T) {
	const text = `[[mesh]]
name = "fenland"
interface = "mesh0"
prefix = "2001:db8:1::/64"
gateway = "2001:db8:1::fe"
radio = { kind = "stream", address = "127.0.0.1:6283" }
[[mesh]]
name = "sluice"
interface = "mesh1"
prefix = "generate"
radio = { kind = "stream", address = "127.0.0.1:6284" }
`
	for _, x := range []struct {
		upstream string
		shared   bool // of fenland
	}{
		{"", false},
		{"[upstream]\ninterface = 'eth0'\nadvertise = true\n", false},
		{"[upstream]\ninterface = 'eth0'\nproxy = true\n", true},
	} {
		cfg, err := conf.ParseConfig("c.toml", "/", []byte(text+x.upstream))
		if err != nil {
			t.Fatal(err)
		}
		if got := cfg.SharedWith(cfg.Meshes[0]); x.shared != slices.Equal(got, []string{"eth0"}) {
			t.Errorf("%q: fenland is shared with %q", x.upstream, got)
		}
		if got := cfg.SharedWith(cfg.Meshes[1]); got != nil {
			t.Errorf("%q: sluice is shared with %q", x.upstream, got)
		}
		own := cfg.Meshes[0].OwnAddress(cfg.Meshes[0].Prefix)
		if other := cfg.Meshes[1].OwnAddress(netip.MustParsePrefix("fd00::/64")); own != netip.MustParseAddr("2001:db8:1::fe") || other != netip.MustParseAddr("fd00::1") {
			t.Errorf("gateways %v, %v", own, other)
		}
	}
}

// TestUpstreamProxy holds that a host whose network has the mesh's own prefix reaches a
// node (RFC 4861, section 7.2.8), the gateway's own address given by hand, and that a
// stop leaves neither routes nor parameters.
func TestUpstreamProxy(t *testing.T) {
	t.Parallel()
	gw, host := tuntest.NewNS(t), tuntest.NewNS(t)
	tuntest.Veth(t, gw, "eth0", host, "eth0")
	host.Addr("eth0", netip.MustParsePrefix("fd5e:2a11:77c0:1::1/64")) // where the site router often is
	gw.Addr("eth0", netip.MustParsePrefix("fd5e:2a11:77c0:1::fd/64"))
	config := programtest.CopySite(t)
	text, err := os.ReadFile(config)
	if err != nil {
		t.Fatal(err)
	}
	changed := strings.Replace(string(text), "addresses = \"derived\"", "gateway = \"fd5e:2a11:77c0:1::fe\"\naddresses = \"derived\"", 1)
	if err := os.WriteFile(config, []byte(changed+"\n[upstream]\ninterfaces = ['eth0']\nproxy = true\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	before := forwardingParameters(gw)
	r := programtest.StartRun(t, gw, config)
	tuntest.Poll(t, 30*time.Second, func() (bool, string) {
		out, err := host.Command(tuntest.Tool(t, "ping", "iputils-ping"), "-6", "-c", "1", "-W", "3", "fd5e:2a11:77c0:1:200:5eef:1000:7").CombinedOutput()
		return err == nil, string(out)
	})
	if code := r.StopWithin(syscall.SIGTERM, daemon.UpstreamWait+daemon.StopWait); code != 0 {
		t.Errorf("exit code %d", code)
	}
	out, err := gw.Command(tuntest.Tool(t, "ip", "iproute2"), "-6", "route", "show", "proto", "108").CombinedOutput()
	if err != nil || len(out) > 0 {
		t.Errorf("routes are left: %v\n%s", err, out)
	}
	if after := forwardingParameters(gw); !slices.Equal(after, before) {
		t.Errorf("after the stop: %v, before the start %v", after, before)
	}
}

// metricsOf returns the metrics of the daemon in a namespace, or why there are none.
func metricsOf(n *tuntest.NS) string {
	client := http.Client{Timeout: 20 * time.Second, Transport: &http.Transport{DisableKeepAlives: true,
		DialContext: func(_ context.Context, network, addr string) (c net.Conn, err error) {
			n.Do(func() { c, err = net.DialTimeout(network, addr, 20*time.Second) })
			return c, err
		}}}
	r, err := client.Get("http://[::1]:6282/metrics")
	if err != nil {
		return err.Error()
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		return err.Error()
	}
	return string(b)
}
