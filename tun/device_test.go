package tun_test

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/vishvananda/netlink"
	"golang.org/x/sys/unix"

	"culvert/tun"
	"culvert/tun/tuntest"
)

func TestMain(m *testing.M) {
	tuntest.Main(m, tuntest.Role("hold", hold), tuntest.Role("loop", loop))
}

var (
	meshPrefix  = netip.MustParsePrefix("fd5e:2a11:77c0:1::/64")
	otherPrefix = netip.MustParsePrefix("fd5e:2a11:77c0:2::/64")
	gateway     = netip.MustParseAddr("fd5e:2a11:77c0:1::1")
	node        = netip.MustParseAddr("fd5e:2a11:77c0:1:200:5eef:1000:5")
	linkLocal   = netip.MustParseAddr("fe80::200:5eef:1000:1")
)

func meshOptions() tun.Options {
	return tun.Options{Name: "mesh0", Prefix: meshPrefix, LinkLocal: linkLocal}
}

// open opens a device in n, or ends the test.
func open(t *testing.T, n *tuntest.NS, o tun.Options) *tun.Device {
	t.Helper()
	d, err := tryOpen(n, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	return d
}

func tryOpen(n *tuntest.NS, o tun.Options) (d *tun.Device, err error) {
	n.Do(func() { d, err = tun.Open(o) })
	return d, err
}

// snapshot is all that Open may change in a namespace, a line each.
func snapshot(t *testing.T, n *tuntest.NS) []string {
	t.Helper()
	h := n.Handle()
	var lines []string
	links, err := h.LinkList()
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range links {
		lines = append(lines, fmt.Sprintf("link %s up=%v mtu=%d", l.Attrs().Name, l.Attrs().Flags&net.FlagUp != 0, l.Attrs().MTU))
	}
	addrs, err := h.AddrList(nil, unix.AF_INET6)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range addrs {
		lines = append(lines, "address "+a.String())
	}
	lines = append(lines, routes(t, n)...)
	return append(lines, rules(t, n)...)
}

func routes(t *testing.T, n *tuntest.NS) (lines []string) {
	t.Helper()
	// Of all tables: table 0 stands for any.
	list, err := n.Handle().RouteListFiltered(unix.AF_INET6, &netlink.Route{}, netlink.RT_FILTER_TABLE)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range list {
		name := fmt.Sprint(r.LinkIndex)
		if l, err := n.Handle().LinkByIndex(r.LinkIndex); err == nil {
			name = l.Attrs().Name
		}
		lines = append(lines, fmt.Sprintf("route %v dev %s table %d type %d", r.Dst, name, r.Table, r.Type))
	}
	return lines
}

func rules(t *testing.T, n *tuntest.NS) (lines []string) {
	t.Helper()
	list, err := n.Handle().RuleList(unix.AF_INET6)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range list {
		lines = append(lines, fmt.Sprintf("rule %d from %v iif %q table %d goto %d protocol %d",
			r.Priority, r.Src, r.IifName, r.Table, r.Goto, r.Protocol))
	}
	return lines
}

// meshRules is what RuleList shows while a mesh is open, the kernel's own rules included.
func meshRules(prefixes ...string) (lines []string) {
	for _, p := range prefixes {
		name, prefix, _ := strings.Cut(p, " ")
		lines = append(lines,
			fmt.Sprintf(`rule 0 from %s iif "lo" table 0 goto 1 protocol 108`, prefix),
			fmt.Sprintf(`rule 0 from %s iif %q table 0 goto 1 protocol 108`, prefix, name),
			fmt.Sprintf(`rule 0 from %s iif "" table 0 goto -1 protocol 108`, prefix))
	}
	lines = append(lines, `rule 0 from <nil> iif "" table 255 goto -1 protocol 2`)
	for _, p := range prefixes {
		_, prefix, _ := strings.Cut(p, " ")
		lines = append(lines, fmt.Sprintf(`rule 1 from %s iif "" table 255 goto -1 protocol 108`, prefix))
	}
	return append(lines, `rule 32766 from <nil> iif "" table 254 goto -1 protocol 2`)
}

func same(t *testing.T, what string, got, want []string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("%s:\n  %s\nwant:\n  %s", what, strings.Join(got, "\n  "), strings.Join(want, "\n  "))
	}
}

func TestOpenSetsAndCloseRemoves(t *testing.T) {
	n := tuntest.NewNS(t)
	n.Sysctl("net.ipv6.conf.all.forwarding", "0") // else accept_ra would be moot
	before := snapshot(t, n)
	d := open(t, n, meshOptions())

	link := n.Link("mesh0")
	if a := link.Attrs(); a.MTU != 1280 || a.Flags&net.FlagUp == 0 || link.Type() != "tuntap" {
		t.Errorf("interface has MTU %d, flags %v, type %s", a.MTU, a.Flags, link.Type())
	}
	addrs, err := n.Handle().AddrList(link, unix.AF_INET6)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, a := range addrs {
		if a.Flags&unix.IFA_F_TENTATIVE != 0 || a.Flags&unix.IFA_F_NODAD == 0 || a.ValidLft != 0 && uint32(a.ValidLft) != 0xffffffff {
			t.Errorf("address %v has flags %#x, lifetime %d", a.IPNet, a.Flags, a.ValidLft)
		}
		got = append(got, a.IPNet.String())
	}
	slices.Sort(got)
	same(t, "addresses", got, []string{"fd5e:2a11:77c0:1::1/64", "fe80::200:5eef:1000:1/64"})
	same(t, "rules", rules(t, n), meshRules("mesh0 "+meshPrefix.String()))
	for _, want := range []string{"route fd5e:2a11:77c0:1::/64 dev mesh0 table 254 type 1", "route fe80::/64 dev mesh0 table 254 type 1"} {
		if !slices.Contains(routes(t, n), want) {
			t.Errorf("%s is missing in %q", want, routes(t, n))
		}
	}
	for key, want := range map[string]string{"addr_gen_mode": "1", "accept_ra": "0", "autoconf": "0", "accept_redirects": "0", "disable_ipv6": "0"} {
		if got := n.ReadSysctl("net.ipv6.conf.mesh0." + key); got != want {
			t.Errorf("%s is %s, want %s", key, got, want)
		}
	}
	if d.Name() != "mesh0" {
		t.Errorf("Name() = %q", d.Name())
	}
	if err := d.Close(); err != nil {
		t.Error(err)
	}
	same(t, "after Close", snapshot(t, n), before)
	if err := d.Close(); err != nil {
		t.Error("second Close:", err)
	}
	if err := d.SetLinkLocal(linkLocal); !errors.Is(err, net.ErrClosed) {
		t.Error("SetLinkLocal after Close:", err)
	}
	if _, err := d.Read(make([]byte, 1280)); !errors.Is(err, net.ErrClosed) {
		t.Error("Read after Close:", err)
	}
	if _, err := d.Write(make([]byte, 1280)); !errors.Is(err, net.ErrClosed) {
		t.Error("Write after Close:", err)
	}
}

// addresses lists those of mesh0.
func addresses(t *testing.T, n *tuntest.NS) (got []string) {
	t.Helper()
	addrs, err := n.Handle().AddrList(n.Link("mesh0"), unix.AF_INET6)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range addrs {
		got = append(got, a.IP.String())
	}
	return got
}

func TestSetLinkLocal(t *testing.T) {
	n := tuntest.NewNS(t)
	o := meshOptions()
	o.LinkLocal = netip.Addr{}
	d := open(t, n, o)
	same(t, "before the radio is up", addresses(t, n), []string{gateway.String()})
	for _, a := range []string{"fe80::200:5eef:1000:1", "fe80::200:5eef:1000:2", "fe80::200:5eef:1000:2"} {
		if err := d.SetLinkLocal(netip.MustParseAddr(a)); err != nil {
			t.Fatal(err)
		}
		same(t, "with "+a, addresses(t, n), []string{gateway.String(), a})
	}
	if err := d.SetLinkLocal(node); err == nil {
		t.Error("a global address was taken for a link-local one")
	}
}

// Close lets a reader go at once, and the interface is gone when it returns.
func TestCloseUnblocksRead(t *testing.T) {
	n := tuntest.NewNS(t)
	var unblocked, closed []time.Duration
	for range 10 {
		d := open(t, n, meshOptions())
		done := make(chan error, 1)
		go func() { done <- drain(d) }()
		tuntest.Poll(t, 5*time.Second, func() (bool, string) {
			return readerBlocked(), "the reader is not blocked in Read"
		})
		start := time.Now()
		result := make(chan error, 1)
		go func() { result <- d.Close() }()
		select {
		case err := <-done:
			unblocked = append(unblocked, time.Since(start))
			if !errors.Is(err, net.ErrClosed) {
				t.Errorf("Read returned %v", err)
			}
		case <-time.After(time.Minute):
			t.Fatal("Read is still blocked a minute after Close")
		}
		if err := <-result; err != nil {
			t.Error(err)
		}
		closed = append(closed, time.Since(start))
		if _, err := n.Handle().LinkByName("mesh0"); err == nil {
			t.Error("the interface is there after Close")
		}
	}
	slices.Sort(unblocked)
	slices.Sort(closed)
	t.Logf("reader unblocked after %v (median; worst %v), Close took %v (worst %v)", unblocked[5], unblocked[9], closed[5], closed[9])
}

// drain reads until the device fails, and returns why.
func drain(d *tun.Device) error {
	b := make([]byte, 2048)
	for {
		if _, err := d.Read(b); err != nil {
			return err
		}
	}
}

// What the kernel would not say clearly is refused before it is asked.
func TestOptions(t *testing.T) {
	n := tuntest.NewNS(t)
	before := snapshot(t, n)
	tests := []struct {
		name   string
		change func(o *tun.Options)
		want   string
	}{
		{"no name", func(o *tun.Options) { o.Name = "" }, "no name"},
		{"16 characters", func(o *tun.Options) { o.Name = "mesh567890123456" }, `"mesh567890123456" has 16 characters; 15 are allowed`},
		{"slash", func(o *tun.Options) { o.Name = "a/b" }, `the character at position 2 is not allowed`},
		{"pattern", func(o *tun.Options) { o.Name = "tun%d" }, `the character at position 4 is not allowed`},
		{"space", func(o *tun.Options) { o.Name = "me sh" }, `the character at position 3 is not allowed`},
		{"all", func(o *tun.Options) { o.Name = "all" }, `another meaning`},
		{"dots", func(o *tun.Options) { o.Name = ".." }, `another meaning`},
		{"no prefix", func(o *tun.Options) { o.Prefix = netip.Prefix{} }, "an IPv6 prefix of 64 bits is needed"},
		{"short prefix", func(o *tun.Options) { o.Prefix = netip.MustParsePrefix("fd5e:2a11:77c0::/48") }, "an IPv6 prefix of 64 bits is needed"},
		{"IPv4", func(o *tun.Options) { o.Prefix = netip.MustParsePrefix("192.0.2.0/24") }, "an IPv6 prefix of 64 bits is needed"},
		{"host bits", func(o *tun.Options) { o.Prefix = netip.MustParsePrefix("fd5e:2a11:77c0:1::1/64") }, "did you mean fd5e:2a11:77c0:1::/64?"},
		{"multicast", func(o *tun.Options) { o.Prefix = netip.MustParsePrefix("ff02::/64") }, "unicast"},
		{"link-local prefix", func(o *tun.Options) { o.Prefix = netip.MustParsePrefix("fe80::/64") }, "unicast"},
		{"foreign gateway", func(o *tun.Options) { o.Gateway = netip.MustParseAddr("2001:db8::1") }, "gateway address 2001:db8::1: an address in fd5e:2a11:77c0:1::/64"},
		{"anycast gateway", func(o *tun.Options) { o.Gateway = meshPrefix.Addr() }, "other than its first"},
		{"global link-local", func(o *tun.Options) { o.LinkLocal = node }, "link-local address fd5e:2a11:77c0:1:200:5eef:1000:5: an address in fe80::/64"},
		{"small MTU", func(o *tun.Options) { o.MTU = 1279 }, "MTU 1279: allowed are 1280"},
		{"large MTU", func(o *tun.Options) { o.MTU = 65536 }, "to 65535 octets"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			o := meshOptions()
			tt.change(&o)
			if d, err := tryOpen(n, o); err == nil {
				d.Close()
				t.Error("accepted")
			} else if !strings.Contains(err.Error(), tt.want) {
				t.Errorf("%v\nwant %s", err, tt.want)
			}
		})
	}
	same(t, "after refusals", snapshot(t, n), before)

	o := meshOptions()
	o.Name, o.Gateway, o.MTU = "mesh56789012345", netip.MustParseAddr("fd5e:2a11:77c0:1::fe"), 65535
	d := open(t, n, o)
	if mtu := n.Link(o.Name).Attrs().MTU; mtu != 65535 {
		t.Errorf("MTU is %d", mtu)
	}
	if err := d.Close(); err != nil {
		t.Error(err)
	}
}

// openDescriptors counts the descriptors of this process.
func openDescriptors(t *testing.T) int {
	t.Helper()
	entries, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(entries)
}
