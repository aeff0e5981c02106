package main

import (
	"encoding/json"
	"fmt"
	"net"
	"net/netip"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/vishvananda/netlink"

	"culvert/bridge/policy"
	"culvert/tun"
	"culvert/tun/tuntest"
)

// TestCheckPath breaks the way from a host to a node at one step after another, and
// holds that `culvert check --from --to` names that step, and what to do.
func TestCheckPath(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	config := copySite(t)
	text, err := os.ReadFile(config)
	if err != nil {
		t.Fatal(err)
	}
	// A place whose device never came, and a mesh whose radio is not there.
	more := strings.Replace(string(text), "[[rule]]", "[[mesh.place]]\nname = \"spare\"\neui64 = \"00:00:5e:ef:10:00:00:40\"\n\n"+
		"[[mesh]]\nname = \"yard\"\ninterface = \"mesh1\"\nprefix = \"fd5e:2a11:77c0:2::/64\"\nradio = { kind = \"stream\", address = \"unix:nobody.sock\" }\n"+
		"place = [ { name = \"gate\", eui64 = \"00:00:5e:ef:10:00:00:41\" } ]\n\n"+
		"[[rule]]\nfrom = 'any'\nto = 'fenland/mast'\nservice = 'udp/7'\naction = 'deny'\n\n[[rule]]", 1)
	if err := os.WriteFile(config, []byte(more), 0o600); err != nil {
		t.Fatal(err)
	}
	r := startRun(t, ns, config)
	l := newLAN(t, ns)
	host := l.addr.String()
	sh := func(script string) func() {
		return func() {
			t.Helper()
			if out, err := ns.Command("/bin/sh", "-c", "PATH=$PATH:/usr/sbin:/sbin; "+script).CombinedOutput(); err != nil {
				t.Fatalf("%s: %v\n%s", script, err, out)
			}
		}
	}
	tuntest.Tool(t, "nft", "nftables")
	tuntest.Tool(t, "ip", "iproute2")
	const mast = "fd5e:2a11:77c0:1:200:5eef:1000:4"
	for _, c := range []struct {
		name              string
		breakIt, mend     func()
		from, to, service string
		step              string // at which the packet stops; empty: it arrives
		says              []string
	}{
		{name: "nothing is wrong", to: "mast", says: []string{"no fault found", "ip -6 route add fd5e:2a11:77c0:1::/64 via fd5e:2a11:77c0:5::1", "rule 2 allows it"}},
		{name: "by the node's address", to: mast, service: "echo", says: []string{"no fault found", "mast of mesh fenland"}},
		{name: "from the gateway itself", from: "-", to: "mast", service: "udp/9999", says: []string{"no fault found", "this gateway itself"}},
		{name: "a link-local host", from: "fe80::5", to: "mast", step: "host address", says: []string{"never leaves its link"}},
		{name: "a multicast host", from: "ff02::1", to: "mast", step: "host address"},
		{name: "a host that poses as a node", from: "fd5e:2a11:77c0:1::99", to: "mast", step: "host address", says: []string{"RFC 2827"}},
		{name: "no such node", to: "most", step: "node", says: []string{`no node is called "most"`, "grain-bin"}},
		{name: "no such address", to: "fd5e:2a11:77c0:1::dead", step: "node"},
		{name: "forwarding is off", breakIt: func() { ns.Sysctl("net.ipv6.conf.all.forwarding", "0") }, mend: func() { ns.Sysctl("net.ipv6.conf.all.forwarding", "1") },
			to: "mast", step: "forwarding", says: []string{"sysctl -w net.ipv6.conf.all.forwarding=1"}},
		{name: "another route is more specific", breakIt: sh("ip -6 route add " + mast + "/128 dev lan0"), mend: sh("ip -6 route del " + mast + "/128 dev lan0"),
			to: "mast", step: "mesh route", says: []string{"to lan0, not to mesh0"}},
		{name: "a packet filter's policy", breakIt: sh("nft add table inet f; nft 'add chain inet f pass { type filter hook forward priority 0; policy drop; }'"),
			mend: sh("nft delete table inet f"), to: "mast", step: "firewall", says: []string{"the policy of chain inet f pass drops it"}},
		{name: "a packet filter's rule", breakIt: sh("nft add table ip6 f; nft 'add chain ip6 f pass { type filter hook forward priority 0; }'; nft add rule ip6 f pass oifname mesh0 udp dport 5683 reject"),
			mend: sh("nft delete table ip6 f"), to: "mast", step: "firewall", says: []string{"of chain ip6 f pass drops it"}},
		{name: "the radio is not there", to: "gate", step: "radio", says: []string{"the radio of mesh yard is not there"}},
		{name: "a device that never came", to: "spare", step: "node's state", says: []string{"never heard"}},
		{name: "no rule", to: "mast", service: "udp/9999", step: "rule", says: []string{"no rule lets it pass", "[[rule]]", "from = 'fd5e:2a11:77c0:5::2/128'", "service = 'udp/9999'"}},
		{name: "a rule that denies", to: "mast", service: "udp/7", step: "rule", says: []string{"rule 1 denies it"}},
		{name: "any, and an address outside", from: "2001:db8::5", to: "mast", service: "udp/9999", step: "rule"},
		{name: "no route back", from: "fd5e:2a11:77c0:9::9", to: "mast", step: "route back", says: []string{"no route to fd5e:2a11:77c0:9::9"}},
	} {
		if c.from == "" {
			c.from = host
		}
		args := []string{"check", "--config", config, "--to", c.to}
		if c.from != "-" {
			args = append(args, "--from", c.from)
		}
		if c.service != "" {
			args = append(args, "--service", c.service)
		}
		if c.breakIt != nil {
			c.breakIt()
		}
		checkStops(t, ns, c.name, args, c.step, c.says)
		if c.mend != nil {
			c.mend()
		}
	}
	args := []string{"check", "--config", config, "--to", "mast", "--from", host, "--service", "udp/9999"}

	// In JSON, the same.
	out, _ := ns.Command(built(t), append(args, "--json")...).Output()
	var got struct {
		Stops  string `json:"stops_at"`
		Checks []finding
		Faults int
	}
	if err := json.Unmarshal(out, &got); err != nil || got.Stops != "rule" || len(got.Checks) != len(pathSteps) || got.Faults != 1 {
		t.Errorf("%v\n%s", err, out)
	}

	r.stop(syscall.SIGTERM)
	checkStops(t, ns, "no daemon", args, "daemon", []string{"nothing listens at", "culvert run --config " + config})
}

// checkStops runs `culvert check` and holds at which step the packet stops.
func checkStops(t *testing.T, ns *tuntest.NS, name string, args []string, step string, says []string) {
	t.Helper()
	cmd := ns.Command(built(t), args...)
	b, _ := cmd.CombinedOutput()
	out := string(b)
	want, code := "the packet stops at: "+step, exitBad
	if step == "" {
		want, code = "no fault found", exitOK
	}
	if got := cmd.ProcessState.ExitCode(); got != code || !strings.HasSuffix(strings.TrimSpace(out), want) {
		t.Errorf("%s: exit code %d, want %d and %q:\n%s", name, got, code, want, out)
		return
	}
	for _, s := range says {
		if !strings.Contains(out, s) {
			t.Errorf("%s: does not say %q:\n%s", name, s, out)
		}
	}
	if step != "" && !strings.Contains(out, "do: ") {
		t.Errorf("%s: does not say what to do:\n%s", name, out)
	}
}

// TestPathVerdicts holds what the steps say that need no network.
func TestPathVerdicts(t *testing.T) {
	at := time.Now().Add(-time.Minute)
	good := pathAnswer{Mesh: "fenland", Node: "mast", State: "up", Admitted: true, Reachable: true, RadioUp: true, Allow: true, Rule: 1, MaxPackets: 64, MaxOctets: 32768}
	for _, c := range []struct {
		name    string
		step    string
		change  func(*pathAnswer)
		verdict verdict
		says    string
	}{
		{"up", "node's state", func(*pathAnswer) {}, verdictOK, "up"},
		{"a stranger", "node's state", func(a *pathAnswer) { a.Admitted = false }, verdictWrong, "a stranger"},
		{"gone", "node's state", func(a *pathAnswer) { a.Reachable, a.State, a.Heard = false, "silent", &at }, verdictWrong, "silent, last heard 60 s ago"},
		{"late", "node's state", func(a *pathAnswer) { a.State, a.Heard = "late", &at }, verdictOK, "late"},
		{"queue by packets", "queue", func(a *pathAnswer) { a.Packets = 64 }, verdictWrong, "64 of 64"},
		{"queue by octets", "queue", func(a *pathAnswer) { a.Packets, a.Octets = 30, 32000 }, verdictWrong, "32000 of 32768"},
		{"queue", "queue", func(a *pathAnswer) { a.Packets = 63 }, verdictOK, "63 of 64"},
		{"no result", "last result", func(*pathAnswer) {}, verdictOK, "none yet"},
		{"delivered", "last result", func(a *pathAnswer) { a.Last, a.LastAt, a.Acked = "delivered", &at, 5 }, verdictOK, "delivered, 60 s ago; 5 frames"},
		{"one failed", "last result", func(a *pathAnswer) { a.Last, a.LastAt, a.Acked, a.InARow = "no-ack", &at, 5, 1 }, verdictNote, "no-ack"},
		{"three failed", "last result", func(a *pathAnswer) { a.Last, a.LastAt, a.Acked, a.InARow = "no-ack", &at, 5, 3 }, verdictWrong, "the last 3"},
		{"never got through", "last result", func(a *pathAnswer) { a.Last, a.LastAt, a.InARow = "no-route", &at, 1 }, verdictWrong, "no-route"},
		{"any is not enough", "rule", func(a *pathAnswer) { a.Rule, a.Allow, a.Unnamed = 0, false, true }, verdictWrong, `"any"`},
		{"own", "rule", func(a *pathAnswer) { a.Own, a.Rule = true, 0 }, verdictOK, "none is asked"},
	} {
		a := good
		c.change(&a)
		w := &pathWalk{a: &a, service: policy.Service{Any: true}}
		var f finding
		for _, s := range pathSteps {
			if s.name == c.step {
				s.run(w, t.Context(), &f)
			}
		}
		if f.Verdict != c.verdict || !strings.Contains(f.Found, c.says) || f.Verdict == verdictWrong && f.Remedy == "" {
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
	both := func(rules, iface verdict, says string) { // rules "": whatever they are
		t.Helper()
		var r, i finding
		ns.Do(func() {
			sourceRules(tun.Options{Name: "mesh0", Prefix: prefix}, &r)
			meshInterface("mesh0", gateway, &i)
		})
		if rules != "" && r.Verdict != rules || i.Verdict != iface || !strings.Contains(i.Found, says) {
			t.Errorf("want %v, %v, %q; got %+v, %+v", rules, iface, says, r, i)
		}
	}
	both(verdictWrong, verdictWrong, "interface mesh0: ")
	var dev *tun.Device
	ns.Do(func() {
		var err error
		if dev, err = tun.Open(tun.Options{Name: "mesh0", Prefix: prefix}); err != nil {
			t.Fatal(err)
		}
	})
	both(verdictOK, verdictOK, "mesh0 is up")
	h := ns.Handle()
	if err := h.AddrDel(ns.Link("mesh0"), &netlink.Addr{IPNet: &net.IPNet{IP: gateway.AsSlice(), Mask: net.CIDRMask(64, 128)}}); err != nil {
		t.Fatal(err)
	}
	both("", verdictWrong, "has lost the gateway's address")
	if err := h.LinkSetDown(ns.Link("mesh0")); err != nil {
		t.Fatal(err)
	}
	both("", verdictWrong, "interface mesh0 is down")
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
	p := passage{in: "lan0", out: "far0", src: src, dst: dst, proto: "ipv6-icmp"}
	const forward, open = "type filter hook forward priority 0; policy drop;", "type filter hook forward priority 0;"
	for _, c := range []struct {
		chain string
		rules []string
		more  string // another chain of the table
		want  filterVerdict
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
		{open, []string{"ip6 hoplimit 200 drop"}, "", filterUnsure},
		{open, []string{"limit rate 1/hour drop"}, "", filterUnsure},
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
		var v filterVerdict
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
			v, where = r.judge(p)
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
