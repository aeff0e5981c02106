package membership_test

import (
	"errors"
	"net/netip"
	"strings"
	"testing"

	"culvert/bridge/ipv6"
	"culvert/bridge/lan/membership"
	"culvert/tun/tuntest"
)

func TestMain(m *testing.M) { tuntest.Main(m) }

// A group is left with its last user, and the number of groups is bounded.
func TestGroups(t *testing.T) {
	ns, far := tuntest.NewNS(t), tuntest.NewNS(t)
	tuntest.Veth(t, ns, "eth0", far, "eth0")
	index := ns.Link("eth0").Attrs().Index
	ns.Do(func() {
		member := func(a netip.Addr) bool {
			out, err := ns.Command("ip", "-6", "maddress", "show", "dev", "eth0").CombinedOutput()
			if err != nil {
				t.Fatal(err)
			}
			return strings.Contains(string(out), "inet6 "+a.String())
		}
		g := membership.New(index)
		defer g.Close()
		a := ipv6.SolicitedNode(netip.MustParseAddr("2001:db8::5"))
		if err := errors.Join(g.Join(a), g.Join(a)); err != nil || !member(a) {
			t.Error("not joined:", err)
		}
		if g.Leave(a); !member(a) {
			t.Error("left, though somebody wants it")
		}
		if g.Leave(a); member(a) {
			t.Error("not left")
		}
		g.Leave(a)
		joined := 0
		for i := range membership.Max + 10 {
			if g.Join(netip.AddrFrom16([16]byte{0xff, 2, 11: 1, 12: 0xff, 14: byte(i >> 8), 15: byte(i)})) == nil {
				joined++
			}
		}
		if joined != membership.Max {
			t.Errorf("%d groups, want %d", joined, membership.Max)
		}
	})
}
