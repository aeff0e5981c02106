package upstream

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"culvert/tun/tuntest"
)

// An avahi is the multicast DNS of another project, in a namespace: Avahi 0.8 as
// Debian has it, with a message bus of its own.
type avahi struct {
	t   testing.TB
	ns  *tuntest.NS
	bus string
}

const busConfig = `<busconfig><type>system</type><listen>unix:path=%s</listen><auth>EXTERNAL</auth>
<policy context="default"><allow user="*"/><allow own="*"/><allow send_destination="*"/><allow receive_sender="*"/></policy></busconfig>`

func startAvahi(t testing.TB, ns *tuntest.NS, hostName string) *avahi {
	t.Helper()
	dir := t.TempDir()
	a := &avahi{t, ns, filepath.Join(dir, "bus")}
	write := func(name, content string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(content), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	bus := ns.Command(tuntest.Tool(t, "dbus-daemon", "dbus-daemon"), "--nofork", "--config-file="+write("bus.conf", fmt.Sprintf(busConfig, a.bus)))
	tuntest.Start(t, bus)
	tuntest.Poll(t, 10*time.Second, func() (bool, string) {
		_, err := os.Stat(a.bus)
		return err == nil, "no message bus"
	})
	conf := write("avahi.conf", "[server]\nhost-name="+hostName+"\nuse-ipv4=no\nuse-ipv6=yes\nallow-interfaces=eth0\nratelimit-interval-usec=0\n"+
		"[publish]\npublish-hinfo=no\npublish-workstation=no\n")
	// Its process id has a fixed place, and the host may have an Avahi too.
	cmd := ns.Command(tuntest.Tool(t, "unshare", "util-linux"), "--mount", "sh", "-c",
		`mount -t tmpfs tmpfs /run && mkdir /run/avahi-daemon && exec "$0" "$@"`,
		tuntest.Tool(t, "avahi-daemon", "avahi-daemon"), "--no-drop-root", "--no-chroot", "--no-rlimits", "-f", conf)
	cmd.Env = append(os.Environ(), "DBUS_SYSTEM_BUS_ADDRESS=unix:path="+a.bus)
	cmd.Stderr = &logBuffer{}
	tuntest.Start(t, cmd)
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("avahi's log:\n%s", cmd.Stderr)
		}
	})
	return a
}

// run runs one of Avahi's tools against it.
func (a *avahi) run(program string, args ...string) (string, error) {
	a.t.Helper()
	cmd := a.ns.Command(tuntest.Tool(a.t, "timeout", "coreutils"),
		append([]string{"10", tuntest.Tool(a.t, program, "avahi-utils")}, args...)...)
	cmd.Env = append(os.Environ(), "DBUS_SYSTEM_BUS_ADDRESS=unix:path="+a.bus)
	out, err := cmd.CombinedOutput()
	return string(out), err
}

// Names and services of the nodes, as Avahi 0.8 on a host of the network sees them:
// resolved, listed, found by address, refused for IPv4, and gone after the stop.
func TestNamesByAvahi(t *testing.T) {
	gw, host := tuntest.NewNS(t), tuntest.NewNS(t)
	lan(t, gw, host)
	linkLocal(t, host)
	a := startAvahi(t, host, "office")
	c := fenland()
	c.Advertise, c.MDNS = false, true
	g := startGateway(t, gw, c)
	tuntest.Poll(t, 20*time.Second, func() (bool, string) {
		out, err := a.run("avahi-resolve", "-n", "grain-bin.local")
		return err == nil && strings.Contains(out, grainBin), fmt.Sprint(out, err)
	})
	out, err := a.run("avahi-browse", "-t", "-r", "-p", "_coap._udp")
	for _, want := range []string{"grain-bin", grainBin, "cold-store", coldStore, ";5683;"} {
		if err != nil || !strings.Contains(out, want) {
			t.Errorf("avahi-browse lacks %q: %v\n%s", want, err, out)
		}
	}
	t.Log(out)
	out, err = a.run("avahi-resolve", "-a", coldStore)
	if err != nil || !strings.Contains(out, "cold-store.local") {
		t.Errorf("by address: %v\n%s", err, out)
	}
	if s := g.stats(); s.Interfaces[0].Names.Names != 2 || s.Interfaces[0].Names.Withheld != 0 || s.Interfaces[0].Names.Malformed != 0 {
		t.Errorf("%+v", s)
	}
	g.stop()
	// A record that is taken back ends a second later (RFC 6762, section 10.1).
	tuntest.Poll(t, 5*time.Second, func() (bool, string) {
		out, err := a.run("avahi-browse", "-t", "-p", "_coap._udp")
		return err == nil && !strings.Contains(out, "+"), fmt.Sprint("listed after the stop: ", out, err)
	})
}

// A host of the network that has a node's name already keeps it, and the node's is
// withheld, not changed; one that comes later has to take another (RFC 6762,
// sections 8.1 and 9). Avahi appends -2 to its own name then.
func TestNameConflictsWithAvahi(t *testing.T) {
	gw, first, second := tuntest.NewNS(t), tuntest.NewNS(t), tuntest.NewNS(t)
	lan(t, gw, first, second)
	linkLocal(t, first)
	linkLocal(t, second)
	c := fenland()
	c.Advertise, c.MDNS = false, true
	old := startAvahi(t, first, "grain-bin")
	own := linkLocal(t, first).String()
	tuntest.Poll(t, 10*time.Second, func() (bool, string) {
		out, err := old.run("avahi-resolve", "-n", "grain-bin.local")
		return err == nil && strings.Contains(out, own), fmt.Sprint(out, err)
	})
	g := startGateway(t, gw, c)
	tuntest.Poll(t, 20*time.Second, func() (bool, string) {
		s := g.stats().Interfaces[0].Names
		return s.Withheld == 1 && s.Names == 1, fmt.Sprintf("%+v", s)
	})
	if !strings.Contains(g.log.String(), "grain-bin.local") {
		t.Error("the log does not say so")
	}
	late := startAvahi(t, second, "cold-store")
	tuntest.Poll(t, 20*time.Second, func() (bool, string) {
		out, err := late.run("avahi-resolve", "-n", "cold-store-2.local")
		return err == nil && strings.Contains(out, linkLocal(t, second).String()), fmt.Sprint(out, err)
	})
	for name, want := range map[string]string{"grain-bin.local": own, "cold-store.local": coldStore} {
		if out, err := late.run("avahi-resolve", "-n", name); err != nil || !strings.Contains(out, want) {
			t.Errorf("%s: want %s: %v\n%s", name, want, err, out)
		}
	}
	if s := g.stats().Interfaces[0].Names; s.Names != 1 || s.Withheld != 1 {
		t.Errorf("%+v", s)
	}
}
