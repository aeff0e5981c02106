package tuntest

import (
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/vishvananda/netlink"
	"golang.org/x/sys/unix"

	"culvert/tun/rtnl"
)

// Veth joins two namespaces by a pair of virtual Ethernet interfaces and sets
// both up. The pair vanishes with either namespace.
func Veth(t testing.TB, a *NS, aName string, b *NS, bName string) {
	t.Helper()
	attrs := netlink.NewLinkAttrs()
	attrs.Name = aName
	pair := &netlink.Veth{LinkAttrs: attrs, PeerName: bName, PeerNamespace: netlink.NsFd(int(b.file.Fd()))}
	if err := a.handle.LinkAdd(pair); err != nil {
		t.Fatalf("tuntest: add veth %s, %s: %v", aName, bName, err)
	}
	a.Up(aName)
	b.Up(bName)
}

// Link finds an interface of the namespace, or ends the test.
func (n *NS) Link(name string) netlink.Link {
	n.t.Helper()
	link, err := n.handle.LinkByName(name)
	if err != nil {
		n.t.Fatalf("tuntest: interface %s: %v", name, err)
	}
	return link
}

// Up sets an interface up.
func (n *NS) Up(name string) {
	n.t.Helper()
	if err := n.handle.LinkSetUp(n.Link(name)); err != nil {
		n.t.Fatalf("tuntest: set %s up: %v", name, err)
	}
}

// Addr gives an interface an address with its prefix, without duplicate address detection.
func (n *NS) Addr(name string, prefix netip.Prefix) {
	n.t.Helper()
	addr := &netlink.Addr{IPNet: rtnl.IPNet(prefix)}
	if prefix.Addr().Is6() {
		addr.Flags = unix.IFA_F_NODAD
	}
	if err := n.handle.AddrAdd(n.Link(name), addr); err != nil {
		n.t.Fatalf("tuntest: add %v to %s: %v", prefix, name, err)
	}
}

// Route sends what is for prefix to the neighbour via, which must be reachable already.
func (n *NS) Route(prefix netip.Prefix, via netip.Addr) {
	n.t.Helper()
	if err := n.handle.RouteAdd(&netlink.Route{Dst: rtnl.IPNet(prefix), Gw: via.AsSlice()}); err != nil {
		n.t.Fatalf("tuntest: route %v via %v: %v", prefix, via, err)
	}
}

// Forward lets the namespace forward IPv6 packets between its interfaces.
func (n *NS) Forward() {
	n.t.Helper()
	n.Sysctl("net.ipv6.conf.all.forwarding", "1")
}

// Sysctl sets a kernel parameter of the namespace, such as net.ipv6.conf.all.forwarding.
func (n *NS) Sysctl(key, value string) {
	n.t.Helper()
	n.Do(func() {
		if err := writeSysctl(key, value); err != nil {
			n.t.Fatalf("tuntest: sysctl %s=%s: %v", key, value, err)
		}
	})
}

// ReadSysctl reads a kernel parameter of the namespace.
func (n *NS) ReadSysctl(key string) string {
	n.t.Helper()
	var value string
	n.Do(func() {
		b, err := os.ReadFile(sysctlPath(key))
		if err != nil {
			n.t.Fatalf("tuntest: sysctl %s: %v", key, err)
		}
		value = strings.TrimSpace(string(b))
	})
	return value
}

func writeSysctl(key, value string) error {
	return os.WriteFile(sysctlPath(key), []byte(value), 0)
}

// sysctlPath is under /proc/sys/net, which shows each thread the namespace that
// the thread is in.
func sysctlPath(key string) string {
	return filepath.Join("/proc/sys", strings.ReplaceAll(key, ".", "/"))
}
