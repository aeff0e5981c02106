package lan

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
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
	t.Parallel()
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
	t.Parallel()
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

// The hosts file is read by the C library's resolver (getent), also by users other
// than the daemon's, and is written when a name changes, not otherwise.
func TestHostsFile(t *testing.T) {
	t.Parallel()
	gw := tuntest.NewNS(t)
	lan(t, gw)
	c := fenland()
	dir := t.TempDir()
	c.Advertise, c.HostsFile, c.Domain = false, filepath.Join(dir, "hosts"), "fenland.example"
	g := startGateway(t, gw, c)
	tuntest.Poll(t, waitLong, func() (bool, string) {
		_, err := os.Stat(c.HostsFile)
		return err == nil, fmt.Sprint(err)
	})
	lookup := func(name string) string {
		out, _ := gw.Command(tuntest.Tool(t, "unshare", "util-linux"), "--mount", "sh", "-c",
			`mount --bind "$0" /etc/hosts && getent -s hosts:files hosts "$1"`, c.HostsFile, name).CombinedOutput()
		return strings.Join(strings.Fields(string(out)), " ")
	}
	for name, want := range map[string]string{
		"grain-bin":                  grainBin + " grain-bin.fenland.example grain-bin",
		"cold-store.fenland.example": coldStore + " cold-store.fenland.example cold-store",
		grainBin:                     grainBin + " grain-bin.fenland.example grain-bin",
		"pump-house":                 "",
	} {
		if got := lookup(name); got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	info, err := os.Stat(c.HostsFile)
	if err != nil || info.Mode().Perm() != 0o644 {
		t.Errorf("%v %v", info.Mode(), err)
	}
	if n := g.stats().HostsWritten; n != 1 {
		t.Errorf("written %d times", n)
	}
	// A device without a place.
	g.order("node 00005eef10000009")
	tuntest.Poll(t, waitLong, func() (bool, string) {
		got := lookup("00-00-5e-ef-10-00-00-09")
		return strings.HasPrefix(got, "fd5e:2a11:77c0:1:200:5eef:1000:9 "), got
	})
	if n := g.stats().HostsWritten; n != 2 {
		t.Errorf("written %d times", n)
	}
	g.stop()
	if left, err := filepath.Glob(filepath.Join(dir, "*")); err != nil || len(left) != 1 {
		t.Errorf("%v %v", left, err)
	}
}

// On a gateway that has an Avahi of its own both are heard, and neither takes the
// other for a rival.
func TestNamesBesideAvahi(t *testing.T) {
	t.Parallel()
	gw, host := tuntest.NewNS(t), tuntest.NewNS(t)
	lan(t, gw, host)
	linkLocal(t, host)
	own, other := startAvahi(t, gw, "gateway"), startAvahi(t, host, "office")
	c := fenland()
	c.Advertise, c.MDNS = false, true
	g := startGateway(t, gw, c)
	for _, a := range []*avahi{own, other} {
		for name, want := range map[string]string{"grain-bin.local": grainBin, "gateway.local": linkLocal(t, gw).String(), "office.local": linkLocal(t, host).String()} {
			tuntest.Poll(t, waitLong, func() (bool, string) {
				out, err := a.run("avahi-resolve", "-n", name)
				return err == nil && strings.Contains(out, want), fmt.Sprint(out, err)
			})
		}
	}
	if s := g.stats().Interfaces[0].Names; s.Withheld != 0 || s.Names != 2 {
		t.Errorf("%+v", s)
	}
	g.stop()
}

func TestNames(t *testing.T) {
	eui := ieee802154.Extended
	one, err := node.New(node.Options{Prefix: prefix(meshPrefix), Admit: node.AdmitListed, Places: []node.Place{
		{Name: "mast", EUI64: eui(0x00005eef10000001)}, {Name: "bank-east"}, {Name: "north-sump", EUI64: eui(0x00005eef10000002)}}})
	if err != nil {
		t.Fatal(err)
	}
	two, err := node.New(node.Options{Prefix: prefix("fd5e:2a11:77c0:2::/64")})
	if err != nil {
		t.Fatal(err)
	}
	one.Attach(node.Joined{EUI64: eui(0x00005eef10000001)}, begin)
	one.Attach(node.Joined{EUI64: eui(0x00005eef10000003)}, begin) // a stranger
	two.Attach(node.Joined{EUI64: eui(0x00005eef10000004)}, begin)
	two.SetPAN(0xbeef)
	two.Learn(ieee802154.Short(7), begin)
	got := names([]Mesh{{Table: one}, {Table: two}, {Table: two}}) // a device that two meshes know
	want := []named{
		{"00-00-5e-ef-10-00-00-04", addr("fd5e:2a11:77c0:2:200:5eef:1000:4"), true},
		{"mast", addr("fd5e:2a11:77c0:1:200:5eef:1000:1"), true},
		{"north-sump", addr("fd5e:2a11:77c0:1:200:5eef:1000:2"), false},
		{"short-beef-0007", addr("fd5e:2a11:77c0:2:0:ff:fe00:7"), true},
	}
	if !slices.Equal(got, want) {
		t.Errorf("%v\nwant %v", got, want)
	}
	if h := responderHosts(got); len(h) != 3 {
		t.Errorf("%v", h)
	}
	plain := hostsFile(got[:1], "")
	if !strings.HasSuffix(string(plain), "\nfd5e:2a11:77c0:2:200:5eef:1000:4\t00-00-5e-ef-10-00-00-04\n") {
		t.Errorf("%s", plain)
	}
	if _, err := writeHosts(filepath.Join(t.TempDir(), "no", "folder"), plain); err == nil {
		t.Error("no error")
	}
}
