package main

import (
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"culvert/cmd/culvert/internal/programtest"
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
	config := programtest.CopySite(t)
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
	r := programtest.StartRun(t, ns, config)
	l := newLAN(t, ns)
	const mast = "fd5e:2a11:77c0:1:200:5eef:1000:4"
	if !strings.Contains(r.Log.String(), "no [[rule]] in the configuration") {
		t.Errorf("without rules, the log says:\n%s", r.Log)
	}
	if l.reaches(t, mast) {
		t.Error("without rules a host reaches a node")
	}
	tuntest.Poll(t, 5*time.Second, func() (bool, string) {
		want := `to=fenland/mast service=echo rule="[[rule]]; from = 'fd5e:2a11:77c0:5::2/128'; to = 'fenland/mast'; service = 'echo'"`
		return strings.Contains(r.Log.String(), want), "want " + want + " in\n" + r.Log.String()
	})
	reload := func(code int, want ...string) {
		t.Helper()
		cmd := ns.Command(programtest.Built(t), "reload", "--config", config)
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
	if ok := gaugeOf(r, "culvert_config_reload_ok"); ok != "1" {
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
	if ok := gaugeOf(r, "culvert_config_reload_ok"); ok != "0" {
		t.Errorf("culvert_config_reload_ok %s", ok)
	}
	if n := gaugeOf(r, `culvert_rules{mesh="fenland"}`); n != "2" {
		t.Errorf("%s rules", n)
	}

	// By the signal; other keys are named.
	other := strings.Replace(site, `admit     = "listed"`, `admit     = "any"`, 1)
	other = strings.Replace(other, `"mast"`, `"aerial"`, 1)
	other = strings.Replace(other, `listen = "[::1]:0"`, `listen = "[::1]:1"`, 1)
	write(other)
	if err := r.Cmd.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	tuntest.Poll(t, 5*time.Second, func() (bool, string) {
		want := `keys="[http.listen mesh \"fenland\": admit]"`
		return strings.Contains(r.Log.String(), want), "want " + want + " in\n" + r.Log.String()
	})
	if l.reaches(t, mast) {
		t.Error("without rules again, a host reaches a node")
	}
	if code := r.Stop(syscall.SIGTERM); code != 0 {
		t.Errorf("exit code %d", code)
	}
}

// TestReloadLosesNothing reloads again and again, good files and bad ones, while a host
// asks a node for echo: every answer comes.
func TestReloadLosesNothing(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	config := programtest.CopySite(t)
	text, err := os.ReadFile(config)
	if err != nil {
		t.Fatal(err)
	}
	r := programtest.StartRun(t, ns, config)
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
		cmd := ns.Command(programtest.Built(t), "reload", "--config", config)
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
	if code := r.Stop(syscall.SIGTERM); code != 0 {
		t.Errorf("exit code %d", code)
	}
}

// gauge reads one value from the daemon's metrics.
func gaugeOf(r *programtest.Running, name string) string {
	r.T.Helper()
	at := regexp.MustCompile(`msg="HTTP open".* address=(\S+)`).FindStringSubmatch(r.Log.String())
	if at == nil {
		r.T.Fatalf("the log does not say where the HTTP side is:\n%s", r.Log)
	}
	var body []byte
	r.Ns.Do(func() { // the connection is made on this thread, which a client's would not be
		conn, err := net.DialTimeout("tcp", at[1], 10*time.Second)
		if err != nil {
			r.T.Fatal(err)
		}
		defer conn.Close()
		if _, err := io.WriteString(conn, "GET /metrics HTTP/1.0\r\n\r\n"); err != nil {
			r.T.Fatal(err)
		}
		if body, err = io.ReadAll(conn); err != nil {
			r.T.Fatal(err)
		}
	})
	for line := range strings.Lines(string(body)) {
		if v, ok := strings.CutPrefix(line, name+" "); ok {
			return strings.TrimSpace(v)
		}
	}
	return "missing"
}
