package tun_test

import (
	"errors"
	"net"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/vishvananda/netlink"
	"golang.org/x/sys/unix"

	"culvert/tun"
	"culvert/tun/tuntest"
)

// What another program does to the interface reaches the blocked reader with its
// cause; after Close all is as before, and it opens again.
func TestFaults(t *testing.T) {
	tests := []struct {
		name  string
		do    func(n *tuntest.NS, link netlink.Link) error
		is    error
		cause string
	}{
		{"deleted", func(n *tuntest.NS, l netlink.Link) error { return n.Handle().LinkDel(l) }, tun.ErrGone, "deleted"},
		{"moved", func(n *tuntest.NS, l netlink.Link) error {
			return n.Handle().LinkSetNsPid(l, unix.Getpid())
		}, tun.ErrGone, "moved to another network namespace"},
		{"renamed", func(n *tuntest.NS, l netlink.Link) error {
			err := n.Handle().LinkSetName(l, "pump0")
			if errors.Is(err, unix.EBUSY) { // on older kernels only while it is down, which may be seen first
				err = errors.Join(n.Handle().LinkSetDown(l), n.Handle().LinkSetName(l, "pump0"))
			}
			return err
		}, nil, "another program"},
		{"set down", func(n *tuntest.NS, l netlink.Link) error { return n.Handle().LinkSetDown(l) }, tun.ErrDown, "set down"},
		{"set down, keeping addresses", func(n *tuntest.NS, l netlink.Link) error {
			n.Sysctl("net.ipv6.conf.mesh0.keep_addr_on_down", "1")
			return n.Handle().LinkSetDown(l)
		}, tun.ErrDown, "set down"},
		{"flap", func(n *tuntest.NS, l netlink.Link) error { // which loses its addresses
			return errors.Join(n.Handle().LinkSetDown(l), n.Handle().LinkSetUp(l))
		}, tun.ErrDown, "another program"},
		{"address removed", func(n *tuntest.NS, l netlink.Link) error {
			a, err := netlink.ParseAddr(gateway.String() + "/64")
			return errors.Join(err, n.Handle().AddrDel(l, a))
		}, tun.ErrDown, "address fd5e:2a11:77c0:1::1 was removed"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			n := tuntest.NewNS(t)
			before := snapshot(t, n)
			d := open(t, n, meshOptions())
			done := make(chan error, 1)
			go func() { done <- drain(d) }()
			start := time.Now()
			if err := tt.do(n, n.Link("mesh0")); err != nil {
				t.Fatal(err)
			}
			select {
			case err := <-done:
				t.Logf("noticed after %v: %v", time.Since(start), err)
				if tt.is != nil && !errors.Is(err, tt.is) || !strings.Contains(err.Error(), tt.cause) {
					t.Errorf("want %v, %s", tt.is, tt.cause)
				}
			case <-time.After(time.Minute):
				t.Fatal("not noticed within 5 s")
			}
			if _, err := d.Read(make([]byte, 1280)); err == nil || errors.Is(err, net.ErrClosed) {
				t.Errorf("a further Read gives %v", err)
			}
			if err := d.Close(); err != nil {
				t.Error(err)
			}
			if _, err := d.Read(make([]byte, 1280)); !errors.Is(err, net.ErrClosed) {
				t.Errorf("Read after Close gives %v", err)
			}
			same(t, "after Close", snapshot(t, n), before)
			again := open(t, n, meshOptions())
			if err := again.Close(); err != nil {
				t.Error(err)
			}
		})
	}
}

// A writer that meets the fault before the watch does gets the same errors.
func TestWriteFaults(t *testing.T) {
	p := packet(node, gateway, 64, []byte{128, 0, 0, 0, 0, 1, 0, 1})
	for name, tt := range map[string]struct {
		do func(n *tuntest.NS, link netlink.Link) error
		is error
	}{
		"deleted":  {func(n *tuntest.NS, l netlink.Link) error { return n.Handle().LinkDel(l) }, tun.ErrGone},
		"set down": {func(n *tuntest.NS, l netlink.Link) error { return n.Handle().LinkSetDown(l) }, tun.ErrDown},
	} {
		t.Run(name, func(t *testing.T) {
			n := tuntest.NewNS(t)
			d := open(t, n, meshOptions())
			if _, err := d.Write(p); err != nil {
				t.Fatal(err)
			}
			if _, err := d.Write([]byte{0x10, 0, 0}); !errors.Is(err, unix.EINVAL) || errors.Is(err, tt.is) {
				t.Errorf("a packet of IP version 1: %v", err)
			}
			if err := tt.do(n, n.Link("mesh0")); err != nil {
				t.Fatal(err)
			}
			if _, err := d.Write(p); !errors.Is(err, tt.is) {
				t.Errorf("got %v, want %v", err, tt.is)
			}
		})
	}
}

// Rules that another program removes come back by themselves.
func TestRulesRestored(t *testing.T) {
	want := meshRules("mesh0 " + meshPrefix.String())
	for i := range want[:len(want)-1] {
		t.Run(strconv.Itoa(i), func(t *testing.T) {
			t.Parallel() // each waits for nothing but its own device
			n := tuntest.NewNS(t)
			before := snapshot(t, n)
			d := open(t, n, meshOptions())
			list, err := n.Handle().RuleList(unix.AF_INET6)
			if err != nil {
				t.Fatal(err)
			}
			if list[i].Protocol != tun.Protocol {
				return // the kernel's own
			}
			if err := n.Handle().RuleDel(&list[i]); err != nil {
				t.Fatal(err)
			}
			tuntest.Poll(t, 5*time.Second, func() (bool, string) {
				got := strings.Join(rules(t, n), "\n")
				return got == strings.Join(want, "\n"), "rules are\n" + got
			})
			if err := d.Close(); err != nil {
				t.Error(err)
			}
			same(t, "after Close", snapshot(t, n), before)
		})
	}
}

// Routes that another program removes come back by themselves: the mesh's, the
// link-local one, and those that make the gateway's addresses its own. While one is
// missing the device says so.
func TestRoutesRestored(t *testing.T) {
	for name, remove := range map[string][]string{
		"flush":          {"ip", "-6", "route", "flush", "dev", "mesh0"},
		"flush all":      {"ip", "-6", "route", "flush", "table", "all", "dev", "mesh0"},
		"the mesh's":     {"ip", "-6", "route", "del", meshPrefix.String(), "dev", "mesh0"},
		"the link-local": {"ip", "-6", "route", "del", "fe80::/64", "dev", "mesh0"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			n := tuntest.NewNS(t)
			before := snapshot(t, n)
			d := open(t, n, meshOptions())
			want := meshRoutes(t, n)
			if !d.Routed() {
				t.Error("not routed at first")
			}
			ended := make(chan error, 1)
			go func() { ended <- drain(d) }()
			flush := func() {
				t.Helper()
				if out, err := n.Command(remove[0], remove[1:]...).CombinedOutput(); err != nil {
					t.Fatalf("%v: %v\n%s", remove, err, out)
				}
			}
			back := func() (bool, string) {
				select {
				case err := <-ended: // what cannot be restored ends the device, and it is opened again
					return name == "flush all" && errors.Is(err, tun.ErrDown), err.Error()
				default:
				}
				got := meshRoutes(t, n)
				return slices.Equal(got, want), "routes are " + strings.Join(got, ", ")
			}
			flush()
			tuntest.Poll(t, 5*time.Second, back)
			// The watch pauses now, and the device still knows at once.
			if name == "flush" || name == "the mesh's" {
				flush()
				if d.Routed() {
					t.Error("routed without a route")
				}
				tuntest.Poll(t, 5*time.Second, back)
				if !d.Routed() {
					t.Error("not routed with all routes back")
				}
			}
			if err := d.Close(); err != nil {
				t.Error(err)
			}
			same(t, "after Close", snapshot(t, n), before)
		})
	}
}

// meshRoutes are the routes to mesh0 but for those of multicast.
func meshRoutes(t *testing.T, n *tuntest.NS) (out []string) {
	t.Helper()
	for _, r := range routes(t, n) {
		if strings.Contains(r, "dev mesh0") && !strings.Contains(r, "ff00::") {
			out = append(out, r)
		}
	}
	slices.Sort(out)
	return out
}
