package main

import (
	"log/slog"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"culvert/cmd/culvert/internal/daemon"
	"culvert/cmd/culvert/internal/programtest"
	"culvert/tun/tuntest"
)

// readmeConfig is the configuration that README.md begins with, for a simulated radio
// in the place of the serial one. It has one place more, at which nothing stands.
func readmeConfig(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, text, ok := strings.Cut(string(b), "A configuration to begin with:\n\n```toml\n")
	text, _, end := strings.Cut(text, "```")
	if !ok || !end {
		t.Fatal("README.md has no configuration to begin with")
	}
	for _, change := range [][2]string{
		{`kind   = "serial"`, `kind   = "simulated"`},
		{`device = "/dev/serial/by-id/radio"`, `site = "site.toml"`},
		{`"generate"`, `"fd5e:2a11:77c0:1::/64"`}, // the simulated nodes know this one
		{"[[mesh.place]]", "[[mesh.place]]\nname = \"spare\"\neui64 = \"00:00:5e:ef:10:00:00:0f\"\n\n[[mesh.place]]"},
	} {
		if !strings.Contains(text, change[0]) {
			t.Fatalf("README.md's configuration has no %s:\n%s", change[0], text)
		}
		text = strings.Replace(text, change[0], change[1], 1)
	}
	config := programtest.CopySite(t)
	if err := os.WriteFile(config, []byte("state_dir = \"state\"\ncontrol = \"state/control.sock\"\n\n"+text), 0o600); err != nil {
		t.Fatal(err)
	}
	return config
}

// TestFirstConfiguration holds that the configuration of README.md gives readings,
// although it opens no door: the gateway's own address takes what its nodes send, and
// drops what anybody else does.
func TestFirstConfiguration(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	config := readmeConfig(t)
	r := programtest.StartNodes(t, ns, config, 1)
	ask := func(args ...string) programAnswer {
		return runProgram(t, ns, "", append(args, "--config", config)...)
	}
	a := ask("read", "spare")
	if want := "coap://[fd5e:2a11:77c0:1::1]/readings"; a.code != 0 || !strings.Contains(a.out, "spare has sent no readings yet") || !strings.Contains(a.out, want) {
		t.Errorf("before a first reading: %v, want one that names %s", a, want)
	}
	tuntest.Poll(t, time.Minute, func() (bool, string) {
		a := ask("set", "grain-bin", "/period", "1")
		return a.code == 0, a.out + a.err
	})
	temp := regexp.MustCompile(`(?m)^temp +-?[0-9.]+ +Cel `)
	tuntest.Poll(t, time.Minute, func() (bool, string) {
		a := ask("read", "grain-bin")
		return a.code == 0 && temp.MatchString(a.out), a.out + a.err
	})
	// The simulated mesh takes commands beside the daemon's socket.
	socket := filepath.Join(filepath.Dir(config), "state", "simulated-fenland.sock")
	for _, args := range [][]string{{"cut", "node", "mast"}, {"restore", "node", "mast"}, {"list"}} {
		if a := runProgram(t, ns, "", append([]string{"simulate", "tell", socket}, args...)...); a.code != 0 {
			t.Errorf("simulate tell %v: %v", args, a)
		}
	}
	ns.Do(func() { // this host is no node: it gets no answer, not even to a ping (RFC 7252, section 4.3)
		gateway := netip.MustParseAddrPort("[fd5e:2a11:77c0:1::1]:5683")
		c, err := net.DialUDP("udp", nil, net.UDPAddrFromAddrPort(gateway))
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		if _, err := c.Write([]byte{0x40, 0, 0x12, 0x34}); err != nil {
			t.Fatal(err)
		}
		tuntest.Poll(t, 10*time.Second, func() (bool, string) {
			return strings.Contains(r.Log.String(), "this door is for nodes only"), "the log does not say that the datagram was dropped"
		})
		if err := c.SetReadDeadline(time.Now().Add(time.Millisecond)); err != nil {
			t.Fatal(err)
		}
		if n, err := c.Read(make([]byte, 64)); err == nil {
			t.Errorf("%d octets of answer to a host that is no node", n)
		}
	})
}

// Where IPv6 is disabled on the loopback interface, the HTTP side listens at 127.0.0.1 in
// the place of [::1], and says so; an address that is not this host's stays an error.
func TestHTTPWithoutIPv6(t *testing.T) {
	ns := tuntest.NewNS(t)
	ns.Do(func() {
		if err := os.WriteFile("/proc/sys/net/ipv6/conf/lo/disable_ipv6", []byte("1"), 0o644); err != nil {
			t.Fatal(err)
		}
		var text programtest.ProgramOutput
		log := slog.New(slog.NewTextHandler(&text, nil))
		l, err := daemon.ListenHTTP("[::1]:0", log)
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		if at := l.Addr().String(); !strings.HasPrefix(at, "127.0.0.1:") || !strings.Contains(text.String(), "disable_ipv6") {
			t.Errorf("it listens at %s, and the log says %q", at, text.String())
		}
		if l, err := daemon.ListenHTTP("[2001:db8::1]:0", log); err == nil {
			l.Close()
			t.Error("an address of another host was taken")
		}
	})
}

// Where IPv6 is disabled on the whole host, the daemon makes its interface all the same,
// and its CoAP doors at [::1] listen at 127.0.0.1 and say what to do.
func TestRunWithoutIPv6(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	ns.Sysctl("net.ipv6.conf.all.disable_ipv6", "1")
	config := programtest.CopySite(t)
	b, err := os.ReadFile(config)
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Replace(string(b), `"udp [::]:5683"`, `"udp [::1]:5685", "tcp [::1]:5685", "dtls [::1]:5686"`, 1) +
		"\n[[access]]\nidentity = \"laptop\"\npsk_file = \"laptop.key\"\nmay = [\"read\"]\n"
	for name, text := range map[string]string{config: text, filepath.Join(filepath.Dir(config), "laptop.key"): "000102030405060708090a0b0c0d0e0f\n"} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	r := programtest.StartRun(t, ns, config)
	for _, want := range []string{"door=udp configured=[::1]:5685 address=127.0.0.1:5685", "door=tcp configured=[::1]:5685 address=127.0.0.1:5685",
		"door=dtls configured=[::1]:5686 address=127.0.0.1:5686", "sysctl net.ipv6.conf.lo.disable_ipv6=0"} {
		if !strings.Contains(r.Log.String(), want) {
			t.Errorf("the log does not say %q", want)
		}
	}
	out, _ := ns.Command(tuntest.Tool(t, "coap-client-notls", "libcoap3-bin"), "-B", "5", "coap://127.0.0.1:5685/nodes").CombinedOutput()
	if !strings.Contains(string(out), "mast") {
		t.Errorf("the door at 127.0.0.1 answers %q", out)
	}
}
