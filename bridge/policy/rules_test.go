package policy

import (
	"net/netip"
	"strings"
	"testing"
	"time"

	"culvert/bridge/ipv6"
	"culvert/bridge/node"
)

// RFC 4193, section 4.3, and RFC 6092, REC-7: between a unique local and a global
// address nothing passes by a rule that says "any"; one that names both ends opens
// it, and the answers follow. A rule that denies need not name anybody.
func TestUniqueLocalStaysInside(t *testing.T) {
	ulaHost, ulaNode := netip.MustParseAddr("fd5e:2a11:77c0::9"), netip.MustParseAddr("fd5e:2a11:77c0:1::9")
	_, nodes := site(t)
	bin := nodes["grain-bin"]
	wide := []Rule{rule(t, "any", "fenland", "coap"), rule(t, "fenland", "any", "udp/123")}
	for _, c := range []struct {
		name     string
		rules    []Rule
		p        ipv6.Packet
		from, to *node.Node
		allow    bool
		why      Why
	}{
		{"any, both unique local", wide, udp(ulaHost, ulaNode, 9, 5683), nil, bin, true, ByRule},
		{"any, both global", wide, udp(host, other, 9, 5683), nil, bin, true, ByRule},
		{"any, global to unique local", wide, udp(host, ulaNode, 9, 5683), nil, bin, false, Unnamed},
		{"any, unique local to global", wide, udp(ulaHost, other, 9, 5683), nil, bin, false, Unnamed},
		{"outward to any", wide, udp(ulaNode, host, 9, 123), bin, nil, false, Unnamed},
		{"no rule at all", wide, udp(host, ulaNode, 9, 99), nil, bin, false, ByDefault},
		{"named", []Rule{rule(t, "2001:db8:ffff::/48", "fenland", "coap")}, udp(host, ulaNode, 9, 5683), nil, bin, true, ByRule},
		{"named as the whole Internet", []Rule{rule(t, "fenland", "2000::/3", "udp/123")}, udp(ulaNode, host, 9, 123), bin, nil, true, ByRule},
		{"denied by any", append([]Rule{deny(rule(t, "any", "any", "coap"))}, rule(t, "2001:db8::/32", "fenland", "coap")),
			udp(host, ulaNode, 9, 5683), nil, bin, false, ByRule},
	} {
		if v := engine(t, c.rules...).ask(c.p, c.from, c.to, 0); v.Allow != c.allow || v.Why != c.why {
			t.Errorf("%s: %+v", c.name, v)
		}
	}
	e := engine(t, rule(t, "2001:db8:ffff::/48", "fenland", "coap"))
	if !e.ask(udp(host, ulaNode, 9, 5683), nil, bin, 0).Allow || !e.ask(udp(ulaNode, host, 5683, 9), bin, nil, 0).Allow {
		t.Error("the answer of a live flow crosses")
	}
}

// The service echo opens requests; a reply passes only as the answer to one.
func TestEchoServiceIsRequests(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	e := engine(t, rule(t, "any", "fenland", "echo"))
	if e.ask(echo(host, a, 129, 7), nil, bin, 0).Allow {
		t.Error("a reply that nobody asked for passed")
	}
	if !e.ask(echo(host, a, 128, 7), nil, bin, 0).Allow || !e.ask(echo(a, host, 129, 7), bin, nil, 0).Allow {
		t.Error("a request and its reply did not pass")
	}
}

func TestParseAir(t *testing.T) {
	for in, want := range map[string]Air{
		"1000 B/s": {PerSecond: 1000}, "1000 B/s burst 8000": {1000, 8000}, "none": {PerSecond: -1},
	} {
		if got, err := ParseAir(in); err != nil || got != want {
			t.Errorf("ParseAir(%q) = %v, %v", in, got, err)
		}
	}
	for _, in := range []string{"", "1000", "0 B/s", "-1 B/s", "1000 b/s", "1000 B/s burst", "1000 B/s burst 0", "1000 B/s burst 999",
		"1000 B/s bursts 9000", "99999999999 B/s", "1000 B/s burst 9000 x"} {
		if got, err := ParseAir(in); err == nil {
			t.Errorf("ParseAir(%q) = %v", in, got)
		}
	}
}

// Limits may change while flows live: their next packet gives them the new life.
func TestSetLimits(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	e := engine(t, rule(t, "any", "fenland", "coap"))
	e.ask(udp(host, a, 9, 5683), nil, bin, 0)
	e.SetLimits(Limits{UDP: time.Second, NodeAir: Air{PerSecond: -1}, MeshAir: Air{PerSecond: -1}})
	if !e.ask(udp(a, host, 5683, 9), bin, nil, 4*time.Minute).Allow {
		t.Error("the flow did not keep its life")
	}
	e.ask(udp(host, a, 9, 5683), nil, bin, 4*time.Minute)
	if !e.ask(udp(a, host, 5683, 9), bin, nil, 4*time.Minute+MinimumUDP-time.Second).Allow {
		t.Error("RFC 6092, REC-14: less than two minutes")
	}
	if e.ask(udp(a, host, 5683, 9), bin, nil, 4*time.Minute+MinimumUDP).Allow {
		t.Error("it kept the old life")
	}
	for range 1000 {
		if !e.Air(bin, 2000, begin) {
			t.Fatal("no limit, and yet one")
		}
	}
}

// A suggested rule, written and read back, lets the packet pass that it is for, and
// neither another service nor another host's.
func TestSuggestOpens(t *testing.T) {
	table, nodes := site(t)
	bin := nodes["grain-bin"]
	a := table.Address(bin)
	for _, c := range []struct {
		p, near  ipv6.Packet
		from, to *node.Node
		want     string
	}{
		{udp(host, a, 9, 5683), udp(host, a, 9, 5684), nil, bin, "[[rule]] | from = '2001:db8:ffff::53/128' | to = 'fenland/grain-bin' | service = 'coap'"},
		{echo(host, a, 128, 1), echo(other, a, 128, 1), nil, bin, "[[rule]] | from = '2001:db8:ffff::53/128' | to = 'fenland/grain-bin' | service = 'echo'"},
		{udp(a, other, 9, 123), udp(a, host, 9, 123), bin, nil, "[[rule]] | from = 'fenland/grain-bin' | to = '2001:db8:eeee::9/128' | service = 'udp/123'"},
	} {
		label := func(n *node.Node) string {
			if n == nil {
				return ""
			}
			return n.Label()
		}
		r := Suggest(Parse(c.p, ipv6.Walk(c.p)), "fenland", label(c.from), label(c.to))
		if got := r.Text(" | "); got != c.want {
			t.Errorf("got  %s\nwant %s", got, c.want)
		}
		words := strings.Split(strings.NewReplacer("'", "").Replace(r.Text("|")), "|")
		value := func(i int) string { _, v, _ := strings.Cut(words[i], " = "); return v }
		e := engine(t, rule(t, value(1), value(2), value(3)))
		if !e.ask(c.p, c.from, c.to, 0).Allow {
			t.Errorf("%s does not open it", c.want)
		}
		if e.ask(c.near, c.from, c.to, 0).Allow {
			t.Errorf("%s opens too much", c.want)
		}
	}
	all := Rule{From: []End{{Mesh: "a", Pattern: "b"}, {Prefix: netip.MustParsePrefix("::/0")}}, To: []End{{Mesh: "a", Pattern: "*"}},
		Services: []Service{{Any: true}}, Deny: true, Answer: true,
		Source: Rate{5, time.Second, 20}, Node: Rate{3, time.Minute, 0}, Mesh: Rate{100, time.Hour, 100}}
	const want = "[[rule]]\nfrom = ['a/b', 'any']\nto = 'a/*'\nservice = 'any'\naction = 'deny'\nanswer = true\nrate = '5/s burst 20'\nrate_node = '3/min'\nrate_mesh = '100/h'"
	if got := all.Text("\n"); got != want {
		t.Errorf("got %s", got)
	}
}
