package host

import (
	"encoding/json"
	"fmt"
	"net"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/vishvananda/netlink"

	"culvert/bridge/policy"
	"culvert/cmd/culvert/internal/control"
	"culvert/cmd/culvert/internal/findings"
	"culvert/tun"
	"culvert/tun/tuntest"
)

// TestPathVerdicts holds what the steps say that need no network.
func TestPathVerdicts(t *testing.T) {
	at := time.Now().Add(-time.Minute)
	good := control.PathAnswer{Mesh: "fenland", Node: "mast", State: "up", Admitted: true, Reachable: true, RadioUp: true, Allow: true, Rule: 1, MaxPackets: 64, MaxOctets: 32768}
	for _, c := range []struct {
		name    string
		step    string
		change  func(*control.PathAnswer)
		verdict findings.Verdict
		says    string
	}{
		{"up", "node's state", func(*control.PathAnswer) {}, findings.VerdictOK, "up"},
		{"a stranger", "node's state", func(a *control.PathAnswer) { a.Admitted = false }, findings.VerdictWrong, "a stranger"},
		{"gone", "node's state", func(a *control.PathAnswer) { a.Reachable, a.State, a.Heard = false, "silent", &at }, findings.VerdictWrong, "silent, last heard 60 s ago"},
		{"late", "node's state", func(a *control.PathAnswer) { a.State, a.Heard = "late", &at }, findings.VerdictOK, "late"},
		{"queue by packets", "queue", func(a *control.PathAnswer) { a.Packets = 64 }, findings.VerdictWrong, "64 of 64"},
		{"queue by octets", "queue", func(a *control.PathAnswer) { a.Packets, a.Octets = 30, 32000 }, findings.VerdictWrong, "32000 of 32768"},
		{"queue", "queue", func(a *control.PathAnswer) { a.Packets = 63 }, findings.VerdictOK, "63 of 64"},
		{"no result", "last result", func(*control.PathAnswer) {}, findings.VerdictOK, "none yet"},
		{"delivered", "last result", func(a *control.PathAnswer) { a.Last, a.LastAt, a.Acked = "delivered", &at, 5 }, findings.VerdictOK, "delivered, 60 s ago; 5 frames"},
		{"one failed", "last result", func(a *control.PathAnswer) { a.Last, a.LastAt, a.Acked, a.InARow = "no-ack", &at, 5, 1 }, findings.VerdictNote, "no-ack"},
		{"three failed", "last result", func(a *control.PathAnswer) { a.Last, a.LastAt, a.Acked, a.InARow = "no-ack", &at, 5, 3 }, findings.VerdictWrong, "the last 3"},
		{"never got through", "last result", func(a *control.PathAnswer) { a.Last, a.LastAt, a.InARow = "no-route", &at, 1 }, findings.VerdictWrong, "no-route"},
		{"any is not enough", "rule", func(a *control.PathAnswer) { a.Rule, a.Allow, a.Unnamed = 0, false, true }, findings.VerdictWrong, `"any"`},
		{"own", "rule", func(a *control.PathAnswer) { a.Own, a.Rule = true, 0 }, findings.VerdictOK, "rules do not apply"},
	} {
		a := good
		c.change(&a)
		w := &pathCheck{answer: &a, service: policy.Service{Any: true}}
		var f findings.Finding
		for _, s := range PathSteps {
			if s.name == c.step {
				s.run(w, t.Context(), &f)
			}
		}
		if f.Verdict != c.verdict || !strings.Contains(f.Found, c.says) || f.Verdict == findings.VerdictWrong && f.Remedy == "" {
			t.Errorf("%s: %+v", c.name, f)
		}
	}
}

// TestMeshStands holds what is said of an interface and of policy rules that do not
// stand. A running daemon mends both within the second, so there is none here.
func TestMeshStands(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	prefix := netip.MustParsePrefix("fd5e:2a11:77c0:1::/64")
	gateway := netip.MustParseAddr("fd5e:2a11:77c0:1::1")
	both := func(rules, iface findings.Verdict, says string) { // rules "": whatever they are
		t.Helper()
		var r, i findings.Finding
		ns.Do(func() {
			checkRules(tun.Options{Name: "mesh0", Prefix: prefix}, &r)
			checkLink("mesh0", gateway, &i)
		})
		if rules != "" && r.Verdict != rules || i.Verdict != iface || !strings.Contains(i.Found, says) {
			t.Errorf("want %v, %v, %q; got %+v, %+v", rules, iface, says, r, i)
		}
	}
	both(findings.VerdictWrong, findings.VerdictWrong, "interface mesh0: ")
	var dev *tun.Device
	ns.Do(func() {
		var err error
		if dev, err = tun.Open(tun.Options{Name: "mesh0", Prefix: prefix}); err != nil {
			t.Fatal(err)
		}
	})
	both(findings.VerdictOK, findings.VerdictOK, "mesh0 is up")
	h := ns.Handle()
	if err := h.AddrDel(ns.Link("mesh0"), &netlink.Addr{IPNet: &net.IPNet{IP: gateway.AsSlice(), Mask: net.CIDRMask(64, 128)}}); err != nil {
		t.Fatal(err)
	}
	both("", findings.VerdictWrong, "has lost the gateway's address")
	if err := h.LinkSetDown(ns.Link("mesh0")); err != nil {
		t.Fatal(err)
	}
	both("", findings.VerdictWrong, "interface mesh0 is down")
	_ = dev.Close() // it says that the interface was set down
}

// TestFirewallJudge loads packet filters into a namespace, and compares what is said
// of a packet with what the kernel did with it.
func TestFirewallJudge(t *testing.T) {
	t.Parallel()
	tuntest.Tool(t, "nft", "nftables")
	router, a, b := tuntest.NewNS(t), tuntest.NewNS(t), tuntest.NewNS(t)
	tuntest.Veth(t, router, "lan0", a, "eth0")
	tuntest.Veth(t, router, "far0", b, "eth0")
	src, dst := netip.MustParseAddr("fd5e:2a11:77c0:5::2"), netip.MustParseAddr("fd5e:2a11:77c0:6::2")
	router.Addr("lan0", netip.MustParsePrefix("fd5e:2a11:77c0:5::1/64"))
	router.Addr("far0", netip.MustParsePrefix("fd5e:2a11:77c0:6::1/64"))
	a.Addr("eth0", netip.PrefixFrom(src, 64))
	b.Addr("eth0", netip.PrefixFrom(dst, 64))
	a.Route(netip.MustParsePrefix("fd5e:2a11:77c0:6::/64"), netip.MustParseAddr("fd5e:2a11:77c0:5::1"))
	b.Route(netip.MustParsePrefix("fd5e:2a11:77c0:5::/64"), netip.MustParseAddr("fd5e:2a11:77c0:6::1"))
	router.Forward()
	p := forwardedPacket{in: "lan0", out: "far0", src: src, dst: dst, proto: "ipv6-icmp"}
	const forward, open = "type filter hook forward priority 0; policy drop;", "type filter hook forward priority 0;"
	for _, c := range []struct {
		chain string
		rules []string
		more  string // another chain of the table
		want  filterResult
	}{
		{open, nil, "", filterAccepts},
		{forward, nil, "", filterDrops},
		{forward, []string{"iifname lan0 accept"}, "", filterAccepts},
		{forward, []string{"iifname eth9 accept"}, "", filterDrops},
		{forward, []string{`iifname "la*" oifname != eth9 accept`}, "", filterAccepts},
		{forward, []string{"ip6 saddr fd5e:2a11:77c0::/48 counter accept"}, "", filterAccepts},
		{forward, []string{"ip6 daddr { fd5e:2a11:77c0:7::/64, fd5e:2a11:77c0:6::2 } accept"}, "", filterAccepts},
		{open, []string{"ct state established,related accept", "ip6 daddr fd5e:2a11:77c0:6::/64 drop"}, "", filterDrops},
		{open, []string{"meta l4proto ipv6-icmp reject"}, "", filterDrops},
		{open, []string{"udp dport 5683 drop", "tcp dport 1-1000 drop", "ip saddr 192.0.2.1 drop"}, "", filterAccepts},
		{open, []string{"icmpv6 type { echo-request, echo-reply } drop"}, "", filterDrops},
		{open, []string{"jump more"}, "ip6 saddr fd5e:2a11:77c0:5::2 drop", filterDrops},
		{forward, []string{"jump more", "accept"}, "ip6 saddr fd5e:2a11:77c0:5::2 return", filterAccepts},
		{open, []string{"ip6 hoplimit 200 drop"}, "", filterUnknown},
		{open, []string{"limit rate 1/hour drop"}, "", filterUnknown},
		{"type filter hook input priority 0; policy drop;", nil, "", filterAccepts},
	} {
		script := "flush ruleset\nadd table inet f\nadd chain inet f more\nadd chain inet f pass { " + c.chain + " }\n"
		if c.more != "" {
			script += "add rule inet f more " + c.more + "\n"
		}
		for _, r := range c.rules {
			script += "add rule inet f pass " + r + "\n"
		}
		if strings.Contains(c.chain, "hook input") { // its neighbours are asked for all the same
			script += "add rule inet f pass icmpv6 type { nd-neighbor-solicit, nd-neighbor-advert } accept\n"
		} else {
			script += "insert rule inet f pass ct state established,related accept\n" // the answer
			script += "insert rule inet f pass icmpv6 type { nd-neighbor-solicit, nd-neighbor-advert } accept\n"
		}
		load := router.Command(tuntest.Tool(t, "nft", "nftables"), "-f", "-")
		load.Stdin = strings.NewReader(script)
		if out, err := load.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", script, err, out)
		}
		var v filterResult
		var where string
		router.Do(func() {
			out, err := router.Command(tuntest.Tool(t, "nft", "nftables"), "--json", "list", "ruleset").Output()
			if err != nil {
				t.Fatal(err)
			}
			var r nftRuleset
			if err := json.Unmarshal(out, &r); err != nil {
				t.Fatal(err)
			}
			v, where = r.evaluate(p)
		})
		name := fmt.Sprintf("%s %q %s", c.chain, c.rules, c.more)
		if v != c.want {
			t.Errorf("%s: verdict %d by %s, want %d", name, v, where, c.want)
		}
		passes := a.Command(tuntest.Tool(t, "ping", "iputils-ping"), "-6", "-n", "-c", "1", "-W", "1", dst.String()).Run() == nil
		if v == filterAccepts && !passes || v == filterDrops && passes {
			t.Errorf("%s: verdict %d, and the kernel lets it pass: %v", name, v, passes)
		}
	}
}
