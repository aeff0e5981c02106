package lan

import (
	"os"
	"testing"
	"time"

	"culvert/tun/tuntest"
)

// networkdScript runs systemd-networkd without the rest of systemd: with a /run of
// its own, and with a /sys that is read-only, from which it takes it that there is
// no udev to wait for.
const networkdScript = `set -e
mount -t tmpfs tmpfs /run
mkdir -p /run/systemd/network /run/systemd/netif/links /run/systemd/netif/leases /run/systemd/netif/lldp /run/dbus
mount -t sysfs -o ro sysfs /sys
printf '[Match]\nName=eth0\n[Network]\nIPv6AcceptRA=yes\nLinkLocalAddressing=ipv6\n' >/run/systemd/network/10-eth0.network
exec /lib/systemd/systemd-networkd`

// startNetworkd has Debian's systemd-networkd set up eth0 of the namespace, with no
// more said than that it takes router advertisements.
func startNetworkd(t testing.TB, ns *tuntest.NS) {
	t.Helper()
	if _, err := os.Stat("/lib/systemd/systemd-networkd"); err != nil {
		t.Fatal("systemd-networkd is not installed: apt-get install -y systemd")
	}
	cmd := ns.Command(tuntest.Tool(t, "unshare", "util-linux"), "--mount", "sh", "-c", networkdScript)
	cmd.Env = append(os.Environ(), "SYSTEMD_LOG_TARGET=console", "SYSTEMD_LOG_LEVEL=debug")
	log := &logBuffer{}
	cmd.Stdout, cmd.Stderr = log, log
	tuntest.Start(t, cmd)
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("networkd's log:\n%s", log)
		}
	})
}

// A host whose network Debian's systemd-networkd sets up learns the route with
// nothing set by hand, reaches a node, and loses the route when the gateway stops.
func TestRouteIsLearntByNetworkd(t *testing.T) {
	t.Parallel()
	gw, host := tuntest.NewNS(t), tuntest.NewNS(t)
	lan(t, gw, host)
	gw.Addr("eth0", prefix("2001:db8:1::1/64"))
	host.Addr("eth0", prefix("2001:db8:1::2/64"))
	startNetworkd(t, host)
	g := startGateway(t, gw, fenland())
	via := linkLocal(t, gw)
	tuntest.Poll(t, 20*time.Second, func() (bool, string) { return hasRoute(host, meshPrefix, via) })
	if ok, routes := hasRoute(host, "default", via); ok {
		t.Errorf("the gateway is a default router:\n%s", routes)
	}
	if v := host.ReadSysctl("net.ipv6.conf.eth0.accept_ra"); v != "0" {
		t.Errorf("the kernel takes advertisements too (accept_ra %s): the route may be its own", v)
	}
	reaches(t, host, grainBin)
	g.stop()
	if ok, routes := hasRoute(host, meshPrefix, via); ok {
		t.Errorf("the route outlived the gateway:\n%s", routes)
	}
}
