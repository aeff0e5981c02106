package main

import (
	"encoding/json"
	"os"
	"strings"
	"syscall"
	"testing"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/findings"
	"culvert/cmd/culvert/internal/host"
	"culvert/cmd/culvert/internal/programtest"
	"culvert/tun/tuntest"
)

// TestCheckPath breaks the way from a host to a node at one step after another, and
// holds that `culvert check --from --to` names that step, and what to do.
func TestCheckPath(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	config := programtest.CopySite(t)
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
	r := programtest.StartRun(t, ns, config)
	l := newLAN(t, ns)
	from := l.addr.String()
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
		{name: "from the gateway itself", from: "-", to: "mast", service: "udp/9999", says: []string{"no fault found", "this gateway: no route"}},
		{name: "a link-local host", from: "fe80::5", to: "mast", step: "host address", says: []string{"is link-local"}},
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
		{name: "the radio is down", to: "gate", step: "radio", says: []string{"the radio of mesh yard is down"}},
		{name: "a device that never came", to: "spare", step: "node's state", says: []string{"never heard"}},
		{name: "no rule", to: "mast", service: "udp/9999", step: "rule", says: []string{"no rule allows it", "[[rule]]", "from = 'fd5e:2a11:77c0:5::2/128'", "service = 'udp/9999'"}},
		{name: "a rule that denies", to: "mast", service: "udp/7", step: "rule", says: []string{"rule 1 denies it"}},
		{name: "any, and an address outside", from: "2001:db8::5", to: "mast", service: "udp/9999", step: "rule"},
		{name: "no route back", from: "fd5e:2a11:77c0:9::9", to: "mast", step: "route back", says: []string{"no route to fd5e:2a11:77c0:9::9"}},
	} {
		if c.from == "" {
			c.from = from
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
	args := []string{"check", "--config", config, "--to", "mast", "--from", from, "--service", "udp/9999"}

	// In JSON, the same.
	out, _ := ns.Command(programtest.Built(t), append(args, "--json")...).Output()
	var got struct {
		Stops  string `json:"stops_at"`
		Checks []findings.Finding
		Faults int
	}
	if err := json.Unmarshal(out, &got); err != nil || got.Stops != "rule" || len(got.Checks) != len(host.PathSteps) || got.Faults != 1 {
		t.Errorf("%v\n%s", err, out)
	}

	r.Stop(syscall.SIGTERM)
	checkStops(t, ns, "no daemon", args, "daemon", []string{"nothing listens at", "culvert run --config " + config})
}

// checkStops runs `culvert check` and holds at which step the packet stops.
func checkStops(t *testing.T, ns *tuntest.NS, name string, args []string, step string, says []string) {
	t.Helper()
	cmd := ns.Command(programtest.Built(t), args...)
	b, _ := cmd.CombinedOutput()
	out := string(b)
	want, code := "the packet stops at: "+step, cli.ExitBad
	if step == "" {
		want, code = "no fault found", cli.ExitOK
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
