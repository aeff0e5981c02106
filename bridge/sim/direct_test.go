package sim

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	gocoap "github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/tun/tuntest"
)

var farPort = netip.AddrPortFrom(farHost, 40001)

// A client that is not reached over the mesh gets its answers and notifications
// directly; no frame is sent for them.
func TestDirectClient(t *testing.T) {
	m, _ := start(t, Options{Site: chain(2), Ideal: true, Period: 10 * time.Second})
	h := newHost(t, m)
	m.Advance(10 * time.Second)
	h.packets = nil
	var said []gocoap.Message
	m.direct = func(node string, to netip.AddrPort, msg []byte) {
		if node != "n2" || to != farPort {
			t.Errorf("from %s to %v", node, to)
		}
		said = append(said, decodeCoAP(t, bytes.Clone(msg)))
	}
	c := &client{host: h}
	must(t, m.receiveDirect("n2", farPort, c.get(1, "tok", "/temp", 0)))
	if len(said) != 1 || said[0].Code != codes.Content || !said[0].Options.HasOption(gocoap.Observe) {
		t.Fatalf("%v", said)
	}
	must(t, m.Notify("n2"))
	m.Advance(35 * time.Second)
	if len(said) != 4 || string(said[3].Token) != "tok" {
		t.Errorf("%d messages", len(said))
	}
	for _, p := range h.packets {
		checkReport(t, p[48:])
	}
	must(t, m.CutNode("n2"))
	must(t, m.receiveDirect("n2", farPort, c.get(2, "tok", "/temp", -1)))
	if len(said) != 4 {
		t.Error("a node that is off answers")
	}
}

// served runs an ideal mesh whose first node answers on a loopback socket.
func served(t *testing.T, o Options, speed float64) (*Radio, netip.AddrPort) {
	o.Site, o.Ideal = chain(1), true
	m, err := New(o)
	must(t, err)
	r := NewRadio(m, RadioOptions{Speed: speed})
	conn, err := net.ListenUDP("udp6", &net.UDPAddr{IP: net.IPv6loopback})
	must(t, err)
	at := conn.LocalAddr().(*net.UDPAddr).AddrPort()
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { r.Run(ctx) })
	wg.Go(func() {
		if err := r.ServeCoAP(ctx, "n1", conn); err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(func() { cancel(); wg.Wait() })
	return r, at
}

// libcoap's client uses every resource and every method.
func TestLibcoap(t *testing.T) {
	tool := tuntest.Tool(t, "coap-client-notls", "libcoap3-bin")
	r, at := served(t, Options{Period: 10 * time.Second}, 20)
	long := filepath.Join(t.TempDir(), "label")
	text := bytes.Repeat([]byte("a long label of a node\n"), 40)
	must(t, os.WriteFile(long, text, 0o600))
	body := regexp.QuoteMeta(string(bytes.TrimSpace(text)))
	for _, k := range []struct{ args, want string }{
		{"/temp", `^-?[0-9]+\.[0-9]$`},
		{"-A 110 /temp", `^\[{"bn":"urn:dev:mac:[0-9a-f]+_","n":"temp","u":"Cel","v":-?[0-9.]+}]$`},
		{"/readings", `^\[{"bn".*"temp".*"hum".*"batt".*}]$`},
		{"/.well-known/core", `^</temp>;.*,</output>;rt="output";if="actuator";ct=0;obs,.*</log>;rt="log";if="log";ct=0$`},
		{"/.well-known/core?rt=out*", `^</output>;[^,]*$`},
		{"-b 16 /log", `^0034 [^\n]*\n(.*\n)*0001 .*$`},
		{"-m post -e greased /log", `^$`},
		{"/log/35", `^0035 greased$`},
		{"-m delete /log", `^$`},
		{"/log", `^$`},
		{"/label", `^4\.04`},
		{"-m put -b 64 -f " + long + " /label", `^$`},
		{"-b 64 /label", `^` + body + `$`},
		{"-m put -b 1024 -f " + long + " /label", `^$`},
		{"/label", `^` + body + `$`},
		{"-m delete /label", `^$`},
		{"/label", `^4\.04`},
		{`-m put -t 50 -e {"temp_low":1} /config`, `^$`},
		{`-m ipatch -t 52 -e {"temp_high":31} /config`, `^$`},
		{`-m patch -t 52 -e {"hum_high":90} /config`, `^$`},
		{`-m fetch -t 50 -e ["temp_low"] /config`, `^{"temp_low":1}$`},
		{`/config`, `^{"temp_low":1,"temp_high":31,"hum_high":90}$`},
		{`-m patch -t 52 -e {"hum_high":900} /config`, `^4\.22`},
		{"-m put -e 1 /output?for=1200", `^$`},
		{"/output", `^1$`},
		{"/output/lease", `^1[0-9]{3}$`},
		{"-m put -e 0 /output", `^$`},
		{"-s 2 /temp", `^-?[0-9]+\.[0-9](-?[0-9]+\.[0-9]){2,6}$`},
	} {
		args := strings.Fields(k.args)
		args[len(args)-1] = "coap://" + at.String() + args[len(args)-1]
		ctx, cancel := context.WithTimeout(t.Context(), 90*time.Second)
		out, _ := exec.CommandContext(ctx, tool, append([]string{"-B", "60"}, args...)...).CombinedOutput()
		cancel()
		if got := strings.TrimSpace(string(out)); !regexp.MustCompile(k.want).MatchString(got) {
			t.Errorf("%s: %q, want %s", k.args, got, k.want)
		}
	}
	tuntest.Poll(t, 10*time.Second, func() (over bool, why string) { // the client does not wait for an answer to its cancellation
		r.Do(func(m *Mesh) {
			n, _ := m.Node("n1")
			over, why = n.Observers == 0 && n.CoAPReceived > 60, fmt.Sprintf("%+v", n)
		})
		return over, why
	})
	must(t, func() (err error) {
		r.Do(func(m *Mesh) { err = m.Slow("n1", 20*time.Second, false) })
		return err
	}())
	out, _ := exec.Command(tool, "-B", "60", "coap://"+at.String()+"/temp").CombinedOutput()
	if got := strings.TrimSpace(string(out)); !regexp.MustCompile(`^-?[0-9]+\.[0-9]$`).MatchString(got) {
		t.Errorf("a slow node: %q", got)
	}
}

// A second node is refused, and the socket is closed.
func TestServeCoAPRefusesSecondNode(t *testing.T) {
	r, _ := served(t, Options{Period: -1}, 1)
	tuntest.Poll(t, 10*time.Second, func() (serving bool, why string) {
		r.Do(func(m *Mesh) { serving = m.direct != nil })
		return serving, "the first node is not served"
	})
	conn, err := net.ListenUDP("udp6", &net.UDPAddr{IP: net.IPv6loopback})
	must(t, err)
	if r.ServeCoAP(t.Context(), "n1", conn) == nil {
		t.Error("a second node is served")
	}
	if _, err := conn.Write([]byte{0}); !errors.Is(err, net.ErrClosed) {
		t.Errorf("the socket is still open: %v", err)
	}
}
