package main

import (
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"culvert/bridge"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/tun/tuntest"
)

// siteLAN is a host on the site's network, behind the gateway's interface lan0.
type siteLAN struct {
	host, gateway *tuntest.NS
	addr          netip.Addr
}

// newLAN makes a host with an address in the site's prefix and a route to the mesh by
// way of the gateway, which forwards.
func newLAN(t *testing.T, gateway *tuntest.NS) siteLAN {
	t.Helper()
	l := siteLAN{host: tuntest.NewNS(t), gateway: gateway, addr: netip.MustParseAddr("fd5e:2a11:77c0:5::2")}
	tuntest.Veth(t, gateway, "lan0", l.host, "eth0")
	gateway.Addr("lan0", netip.MustParsePrefix("fd5e:2a11:77c0:5::1/64"))
	gateway.Forward()
	l.host.Addr("eth0", netip.PrefixFrom(l.addr, 64))
	l.host.Route(netip.MustParsePrefix("fd5e:2a11:77c0:1::/64"), netip.MustParseAddr("fd5e:2a11:77c0:5::1"))
	return l
}

// reaches reports whether one of three echo requests from the host is answered.
func (l siteLAN) reaches(t *testing.T, to string) bool {
	t.Helper()
	return l.host.Command(tuntest.Tool(t, "ping", "iputils-ping"), "-6", "-n", "-c", "1", "-W", "5", "-s", "8", to).Run() == nil
}

// TestReload changes the rules of a running daemon by the command and by a signal, and
// holds what passes against them; a file with errors changes nothing, and each is said.
func TestReload(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	config := copySite(t)
	whole, err := os.ReadFile(config)
	if err != nil {
		t.Fatal(err)
	}
	write := func(text string) {
		t.Helper()
		if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	text := string(whole)
	site := text[:strings.Index(text, "[[rule]]")] + text[strings.Index(text, "[coap]"):]
	write(site)
	r := startRun(t, ns, config)
	l := newLAN(t, ns)
	const mast = "fd5e:2a11:77c0:1:200:5eef:1000:4"
	if !strings.Contains(r.log.String(), "no [[rule]] in the configuration") {
		t.Errorf("without rules, the log says:\n%s", r.log)
	}
	if l.reaches(t, mast) {
		t.Error("without rules a host reaches a node")
	}
	tuntest.Poll(t, 5*time.Second, func() (bool, string) {
		want := `to=fenland/mast service=echo rule="[[rule]]; from = 'fd5e:2a11:77c0:5::2/128'; to = 'fenland/mast'; service = 'echo'"`
		return strings.Contains(r.log.String(), want), "want " + want + " in\n" + r.log.String()
	})
	reload := func(code int, want ...string) {
		t.Helper()
		cmd := ns.Command(built(t), "reload", "--config", config)
		out, _ := cmd.CombinedOutput()
		if got := cmd.ProcessState.ExitCode(); got != code {
			t.Errorf("exit code %d, want %d:\n%s", got, code, out)
		}
		for _, w := range want {
			if !strings.Contains(string(out), w) {
				t.Errorf("want %q in\n%s", w, out)
			}
		}
	}
	reload(0, "the same 0 rules as before in force")

	write(text)
	reload(0, "2 rules in force")
	if !l.reaches(t, mast) {
		t.Error("with the rules of the example a host does not reach a node")
	}
	if ok := r.gauge("culvert_config_reload_ok"); ok != "1" {
		t.Errorf("culvert_config_reload_ok %s", ok)
	}

	// Everything that is wrong, each with its line; and nothing changes.
	bad := strings.Replace(text, `"coap", "echo"]`, `"coop", "echo"]`, 1)
	bad = strings.Replace(bad, `10/s burst 40`, `ten`, 1)
	bad = strings.Replace(bad, `kind = "simulated"`, `kind = "imagined"`, 1)
	write(bad)
	line := func(part string) int { return 1 + strings.Count(bad[:strings.Index(bad, part)], "\n") }
	reload(1, "nothing has changed:", fmt.Sprintf(`%s:%d: rule.service: "coop"`, config, line(`"coop"`)),
		fmt.Sprintf(`%s:%d: rule.rate: "ten"`, config, line(`"ten"`)), fmt.Sprintf(`%s:%d: mesh.radio.kind: "imagined"`, config, line(`"imagined"`)))
	if !l.reaches(t, mast) {
		t.Error("a file with errors changed what passes")
	}
	if ok := r.gauge("culvert_config_reload_ok"); ok != "0" {
		t.Errorf("culvert_config_reload_ok %s", ok)
	}
	if n := r.gauge(`culvert_rules{mesh="fenland"}`); n != "2" {
		t.Errorf("%s rules", n)
	}

	// By the signal; other keys are named.
	other := strings.Replace(site, `admit     = "listed"`, `admit     = "any"`, 1)
	other = strings.Replace(other, `"mast"`, `"aerial"`, 1)
	other = strings.Replace(other, `listen = "[::1]:0"`, `listen = "[::1]:1"`, 1)
	write(other)
	if err := r.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	tuntest.Poll(t, 5*time.Second, func() (bool, string) {
		want := `keys="[http.listen mesh \"fenland\": admit]"`
		return strings.Contains(r.log.String(), want), "want " + want + " in\n" + r.log.String()
	})
	if l.reaches(t, mast) {
		t.Error("without rules again, a host reaches a node")
	}
	if code := r.stop(syscall.SIGTERM); code != 0 {
		t.Errorf("exit code %d", code)
	}
}

// TestReloadLosesNothing reloads again and again, good files and bad ones, while a host
// asks a node for echo: every answer comes.
func TestReloadLosesNothing(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	config := copySite(t)
	text, err := os.ReadFile(config)
	if err != nil {
		t.Fatal(err)
	}
	r := startRun(t, ns, config)
	l := newLAN(t, ns)
	const echoes = 30
	done := make(chan struct{})
	var out []byte
	ping := tuntest.Tool(t, "ping", "iputils-ping")
	go func() {
		defer close(done)
		out, _ = l.host.Command(ping, "-6", "-n", "-q", "-c", fmt.Sprint(echoes), "-i", "0.2", "-W", "10", "-s", "8", "fd5e:2a11:77c0:1:200:5eef:1000:3").CombinedOutput()
	}()
	reloads := 0
	for running := true; running; reloads++ {
		more := strings.Replace(string(text), "[[rule]]", fmt.Sprintf("[[rule]]\nfrom = '2001:db8::/32'\nto = 'fenland'\nservice = 'udp/%d'\n\n[[rule]]", 1000+reloads), 1)
		if reloads%3 == 2 {
			more += "wrong ="
		}
		if err := os.WriteFile(config, []byte(more), 0o600); err != nil {
			t.Fatal(err)
		}
		cmd := ns.Command(built(t), "reload", "--config", config)
		if b, err := cmd.CombinedOutput(); (err != nil) != (reloads%3 == 2) {
			t.Errorf("reload %d: %v\n%s", reloads, err, b)
		}
		select {
		case <-done:
			running = false
		default:
		}
	}
	if !strings.Contains(string(out), fmt.Sprintf("%d received, 0%% packet loss", echoes)) || reloads < 4 { // a program with the race detector takes a second to end
		t.Errorf("%d reloads:\n%s", reloads, out)
	}
	t.Logf("%d echoes answered during %d reloads", echoes, reloads)
	if code := r.stop(syscall.SIGTERM); code != 0 {
		t.Errorf("exit code %d", code)
	}
}

// gauge reads one value from the daemon's metrics.
func (r *running) gauge(name string) string {
	r.t.Helper()
	at := regexp.MustCompile(`msg="HTTP open".* address=(\S+)`).FindStringSubmatch(r.log.String())
	if at == nil {
		r.t.Fatalf("the log does not say where the HTTP side is:\n%s", r.log)
	}
	var body []byte
	r.ns.Do(func() { // the connection is made on this thread, which a client's would not be
		conn, err := net.DialTimeout("tcp", at[1], 10*time.Second)
		if err != nil {
			r.t.Fatal(err)
		}
		defer conn.Close()
		if _, err := io.WriteString(conn, "GET /metrics HTTP/1.0\r\n\r\n"); err != nil {
			r.t.Fatal(err)
		}
		if body, err = io.ReadAll(conn); err != nil {
			r.t.Fatal(err)
		}
	})
	for line := range strings.Lines(string(body)) {
		if v, ok := strings.CutPrefix(line, name+" "); ok {
			return strings.TrimSpace(v)
		}
	}
	return "missing"
}

// TestChangedKeys compares two files key by key.
func TestChangedKeys(t *testing.T) {
	parse := func(text string) map[string]any {
		_, root := parseDocument("c.toml", []byte(text))
		return root.m
	}
	was := parse("state_dir = 'a'\n[http]\nlisten = 'x'\n[[mesh]]\nname = 'fenland'\nairtime_node = '5 B/s'\nplace = [{name = 'a', eui64 = '1'}, {name = 'b'}]\n" +
		"[mesh.radio]\nkind = 'serial'\n[[mesh]]\nname = 'yard'\n[[rule]]\nfrom = 'any'\n")
	is := parse("state_dir = 'b'\n[[mesh]]\nname = 'wharf'\n[[mesh]]\nname = 'fenland'\nairtime_node = '6 B/s'\nflows = {udp = '5 min'}\nplace = [{name = 'b'}, {name = 'a', eui64 = '2'}]\n" +
		"[mesh.radio]\nkind = 'stream'\n[coap]\nlisten = []\n")
	want := []string{"coap", "http", `mesh "fenland": radio.kind`, `mesh "wharf"`, `mesh "yard"`, "state_dir"}
	if got := changedKeys(was, is); !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
	if got := changedKeys(was, was); len(got) != 0 {
		t.Errorf("the same: %q", got)
	}
}

// TestRulesBetweenMeshes holds rules that name nodes of two meshes: each mesh judges
// its own by name and the other's by address.
func TestRulesBetweenMeshes(t *testing.T) {
	mesh := func(name, prefix string, places ...node.Place) *bridge.Mesh {
		m, err := bridge.New(bridge.Options{Name: name, Prefix: netip.MustParsePrefix(prefix), Radio: forwardtest.NewRadio(),
			OpenTun: func() (bridge.Tun, error) { return forwardtest.NewTun(), nil }, Places: places, Policy: newEngine(meshConfig{name: name})})
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	eui := func(n uint64) ieee802154.Addr { return ieee802154.Extended(0x00005eef10000000 + n) }
	fen := mesh("fen", "fd5e:2a11:77c0:1::/64", node.Place{Name: "mast", EUI64: eui(1)}, node.Place{Name: "pump", EUI64: eui(2)})
	yard := mesh("yard", "fd5e:2a11:77c0:2::/64", node.Place{Name: "gate", EUI64: eui(3)}, node.Place{Name: "lamp", EUI64: eui(4)})
	rule := func(from, to string, deny bool) policy.Rule {
		f, err1 := policy.ParseEnd(from)
		to2, err2 := policy.ParseEnd(to)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		return policy.Rule{From: []policy.End{f}, To: []policy.End{to2}, Services: []policy.Service{{Any: true}}, Deny: deny}
	}
	// passes asks both meshes, as a packet would.
	passes := func(from *bridge.Mesh, a string, to *bridge.Mesh, b string) bool {
		src, dst := from.Nodes().ByLabel(a), to.Nodes().ByLabel(b)
		t := policy.Tuple{Source: from.Nodes().Address(src), Destination: to.Nodes().Address(dst), Proto: 17}
		allowed := func(m *bridge.Mesh, from, to *node.Node) bool {
			i, _ := m.Policy().Would(t, from, to)
			return i >= 0 && !m.Policy().Rules().Rule(i).Deny
		}
		return allowed(from, src, nil) && allowed(to, nil, dst)
	}
	for _, c := range []struct {
		name  string
		rules []policy.Rule
		want  [3]bool // mast to gate, pump to gate, mast to lamp
	}{
		{"none", nil, [3]bool{}},
		{"all", []policy.Rule{rule("fen/*", "yard/*", false)}, [3]bool{true, true, true}},
		{"one to one", []policy.Rule{rule("fen/mast", "yard/gate", false)}, [3]bool{true, false, false}},
		{"all but one to one", []policy.Rule{rule("fen/mast", "yard/gate", true), rule("*", "*", false)}, [3]bool{false, true, true}},
		{"all but to one", []policy.Rule{rule("fen", "yard/gate", true), rule("*", "*", false)}, [3]bool{false, false, true}},
		{"the other way", []policy.Rule{rule("yard/*", "fen/*", false)}, [3]bool{}},
	} {
		b, err := newRulebook(&config{rules: c.rules, raw: map[string]any{}}, []*bridge.Mesh{fen, yard}, slog.New(slog.DiscardHandler))
		if err != nil || b == nil {
			t.Fatal(err)
		}
		if got := [3]bool{passes(fen, "mast", yard, "gate"), passes(fen, "pump", yard, "gate"), passes(fen, "mast", yard, "lamp")}; got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}
