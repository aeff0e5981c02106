package lan

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
	"culvert/tun"
	"culvert/tun/tuntest"

	"github.com/mdlayher/ndp"
	"github.com/vishvananda/netlink"
	"golang.org/x/sys/unix"
)

func TestMain(m *testing.M) {
	tuntest.Main(m, tuntest.Role("gateway", gatewayRole), tuntest.Role("router", routerRole),
		tuntest.Role("restore", func(args []string) int {
			if err := Restore(args[0]); err != nil {
				fmt.Fprintln(os.Stderr, err)
				return 1
			}
			return 0
		}))
}

// A gatewayConfig is what a gateway process of a test runs with.
type gatewayConfig struct {
	Interfaces               []string
	Advertise, Proxy, MDNS   bool
	HostsFile, Domain, State string
	Interval                 time.Duration
	Prefix                   netip.Prefix // of its one mesh, on interface mesh0
	Gateway                  netip.Addr
	Shared                   []string
	Nodes                    []nodeConfig
	Plain                    bool // mesh0 is there already
}

type nodeConfig struct {
	Name  string
	EUI64 uint64
}

// gatewayRole runs a Network with a TUN interface behind which the nodes answer
// echo. It takes lines on its standard input: stats, prefix P, node NAME EUI.
func gatewayRole(args []string) int {
	if err := runGateway(args[0]); err != nil {
		fmt.Fprintln(os.Stderr, "gateway:", err)
		return 1
	}
	return 0
}

func runGateway(config string) error {
	var c gatewayConfig
	if err := json.Unmarshal([]byte(config), &c); err != nil {
		return err
	}
	log := slog.New(slog.NewTextHandler(os.Stderr, nil))
	if c.Plain {
		return serveGateway(c, nil, log)
	}
	dev, err := tun.Open(tun.Options{Name: "mesh0", Prefix: c.Prefix, Gateway: c.Gateway, Shared: c.Shared, Log: log})
	if err != nil {
		return err
	}
	defer dev.Close()
	return serveGateway(c, dev, log)
}

func serveGateway(c gatewayConfig, dev *tun.Device, log *slog.Logger) error {
	var places []node.Place
	for _, n := range c.Nodes {
		places = append(places, node.Place{Name: n.Name, EUI64: ieee802154.Extended(n.EUI64)})
	}
	table, err := node.New(node.Options{Prefix: c.Prefix, Places: places})
	if err != nil {
		return err
	}
	for _, n := range c.Nodes {
		table.Attach(node.Joined{EUI64: ieee802154.Extended(n.EUI64)}, time.Now())
	}
	if dev != nil {
		go answerEcho(dev, table)
	}
	mesh := Mesh{Name: "fenland", Interface: "mesh0", Table: table}
	u, err := New(Options{Interfaces: c.Interfaces, Advertise: c.Advertise, Proxy: c.Proxy, MDNS: c.MDNS, HostsFile: c.HostsFile,
		Domain: c.Domain, State: c.State, Interval: c.Interval, Meshes: []Mesh{mesh}, Log: log})
	if err != nil {
		return err
	}
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	go orders(u, mesh)
	return u.Run(ctx)
}

// orders carries out what the test writes.
func orders(u *Network, mesh Mesh) {
	in := bufio.NewScanner(os.Stdin)
	for in.Scan() {
		f := strings.Fields(in.Text())
		switch f[0] {
		case "stats":
			b, err := json.Marshal(u.Stats())
			if err != nil {
				panic(err)
			}
			fmt.Println(string(b))
		case "prefix":
			mesh.Prefixes = nil
			for _, p := range f[1:] {
				mesh.Prefixes = append(mesh.Prefixes, netip.MustParsePrefix(p))
			}
			if err := u.SetMeshes([]Mesh{mesh}); err != nil {
				panic(err)
			}
			fmt.Println("{}")
		case "node":
			var eui uint64
			fmt.Sscanf(f[1], "%x", &eui)
			mesh.Table.Attach(node.Joined{EUI64: ieee802154.Extended(eui)}, time.Now())
			fmt.Println("{}")
		}
	}
}

// answerEcho plays all nodes of the table.
func answerEcho(dev *tun.Device, table *node.Table) {
	b := make([]byte, 1500)
	for {
		n, err := dev.Read(b)
		if err != nil {
			return
		}
		p, err := ipv6.Parse(b[:n])
		if err != nil || p.NextHeader() != ipv6.ProtoICMPv6 || len(p.Payload()) < 8 || p.Payload()[0] != ipv6.TypeEchoRequest ||
			table.ByAddress(p.Destination()) == nil {
			continue
		}
		src, dst := p.Source().As16(), p.Destination().As16()
		copy(p.SourceBytes(), dst[:])
		copy(p.DestinationBytes(), src[:])
		p.SetHopLimit(64)
		msg := p.Payload()
		msg[0], msg[2], msg[3] = ipv6.TypeEchoReply, 0, 0
		c := ipv6.Checksum(p.SourceBytes(), p.DestinationBytes(), ipv6.ProtoICMPv6, msg)
		msg[2], msg[3] = byte(c>>8), byte(c)
		if _, err := dev.Write(p); err != nil {
			return
		}
	}
}

// A gateway is a running gateway process.
type gateway struct {
	t     testing.TB
	cmd   *exec.Cmd
	in    io.WriteCloser
	out   *bufio.Scanner
	ended <-chan struct{}
	log   *logBuffer
	state string // the file
}

type logBuffer struct {
	mu sync.Mutex
	b  strings.Builder
}

func (l *logBuffer) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(b)
}

func (l *logBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func startGateway(t testing.TB, ns *tuntest.NS, c gatewayConfig) *gateway {
	t.Helper()
	return startGatewayBehind(t, ns, c, "")
}

// startGatewayBehind has a shell change the mounts that the gateway sees first.
func startGatewayBehind(t testing.TB, ns *tuntest.NS, c gatewayConfig, mounts string) *gateway {
	t.Helper()
	if mounts == "" {
		return startGatewayBy(t, ns, c)
	}
	return startGatewayBy(t, ns, c, tuntest.Tool(t, "unshare", "util-linux"), "--mount", "sh", "-c", mounts+` && exec "$0" "$@"`)
}

// startGatewayBy has another program start it, inside the namespace.
func startGatewayBy(t testing.TB, ns *tuntest.NS, c gatewayConfig, wrapper ...string) *gateway {
	t.Helper()
	if c.State == "" {
		c.State = filepath.Join(t.TempDir(), "upstream.json")
	}
	b, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	g := &gateway{t: t, cmd: ns.Role("gateway", string(b)), log: &logBuffer{}, state: c.State}
	if len(wrapper) > 0 { // between nsenter --net=... -- and the test binary
		inner := g.cmd
		g.cmd = exec.Command(inner.Args[0], slices.Concat(inner.Args[1:3], wrapper, inner.Args[3:])...)
		g.cmd.Env = inner.Env
	}
	if g.in, err = g.cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	out, err := g.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	g.out = bufio.NewScanner(out)
	g.cmd.Stderr = g.log
	g.ended = tuntest.Start(t, g.cmd)
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("gateway's log:\n%s", g.log)
		}
	})
	return g
}

// order has a line carried out, and returns the answer.
func (g *gateway) order(line string) string {
	g.t.Helper()
	if _, err := fmt.Fprintln(g.in, line); err != nil {
		g.t.Fatal(err)
	}
	if !g.out.Scan() {
		g.t.Fatalf("the gateway ended:\n%s", g.log)
	}
	return g.out.Text()
}

func (g *gateway) stats() Stats {
	g.t.Helper()
	var s Stats
	if err := json.Unmarshal([]byte(g.order("stats")), &s); err != nil {
		g.t.Fatal(err)
	}
	return s
}

// stop ends it as a service manager does, and waits.
func (g *gateway) stop() {
	g.t.Helper()
	if err := g.cmd.Process.Signal(unix.SIGTERM); err != nil {
		g.t.Fatal(err)
	}
	g.wait()
	if !g.cmd.ProcessState.Success() {
		g.t.Errorf("the gateway ended by %v", g.cmd.ProcessState)
	}
	if strings.Contains(g.log.String(), "level=ERROR") {
		g.t.Error("the gateway logged an error")
	}
}

func (g *gateway) kill() {
	g.t.Helper()
	if err := g.cmd.Process.Kill(); err != nil {
		g.t.Fatal(err)
	}
	g.wait()
}

func (g *gateway) wait() {
	g.t.Helper()
	select {
	case <-g.ended:
	case <-time.After(2 * time.Minute):
		g.t.Fatal("the gateway did not end within 30 s")
	}
}

// A routerConfig is what the site's own router says.
type routerConfig struct {
	Interval, Lifetime time.Duration
	Prefix             netip.Prefix // on-link and for addresses; none if not valid
	Managed            bool
}

// routerRole sends router advertisements on eth0 until it is killed. It plays the
// site's own router, with a library of others for the messages.
func routerRole(args []string) int {
	var c routerConfig
	if err := json.Unmarshal([]byte(args[0]), &c); err != nil {
		panic(err)
	}
	ifi, err := net.InterfaceByName("eth0")
	if err != nil {
		panic(err)
	}
	conn, _, err := ndp.Listen(ifi, ndp.LinkLocal)
	if err != nil {
		panic(err)
	}
	ra := &ndp.RouterAdvertisement{RouterLifetime: c.Lifetime, ManagedConfiguration: c.Managed,
		Options: []ndp.Option{&ndp.LinkLayerAddress{Direction: ndp.Source, Addr: ifi.HardwareAddr}}}
	if c.Prefix.IsValid() {
		ra.Options = append(ra.Options, &ndp.PrefixInformation{PrefixLength: uint8(c.Prefix.Bits()), OnLink: true,
			AutonomousAddressConfiguration: true, ValidLifetime: 2 * time.Hour, PreferredLifetime: time.Hour, Prefix: c.Prefix.Addr()})
	}
	for every := time.NewTicker(c.Interval); ; <-every.C {
		if err := conn.WriteTo(ra, nil, netip.MustParseAddr("ff02::1")); err != nil {
			fmt.Fprintln(os.Stderr, "router:", err)
		}
	}
}

func startRouter(t testing.TB, ns *tuntest.NS, c routerConfig) {
	t.Helper()
	b, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	cmd := ns.Role("router", string(b))
	cmd.Stderr = os.Stderr
	tuntest.Start(t, cmd)
}

// lan joins namespaces by an Ethernet switch that watches multicast joins, each by
// its interface eth0.
func lan(t testing.TB, hosts ...*tuntest.NS) *tuntest.NS {
	t.Helper()
	sw := tuntest.NewNS(t)
	attrs := netlink.NewLinkAttrs()
	attrs.Name = "br0"
	if err := sw.Handle().LinkAdd(&netlink.Bridge{LinkAttrs: attrs}); err != nil {
		t.Fatal(err)
	}
	sw.Up("br0")
	// The switch passes what nobody joined to everybody, until it has asked and waited
	// for the answers: 10 s, if not told otherwise.
	for _, option := range [][2]string{{"mcast_query_response_interval", "10"}, {"mcast_querier", "1"}} {
		out, err := sw.Command(tuntest.Tool(t, "ip", "iproute2"), "link", "set", "br0", "type", "bridge", option[0], option[1]).CombinedOutput()
		if err != nil {
			t.Fatalf("the switch: %s: %v: %s", option[0], err, out)
		}
	}
	for i, h := range hosts {
		plug(t, sw, i, h)
	}
	return sw
}

// plug connects a namespace to port i of the switch.
func plug(t testing.TB, sw *tuntest.NS, i int, h *tuntest.NS) {
	t.Helper()
	name := fmt.Sprintf("port%d", i)
	tuntest.Veth(t, sw, name, h, "eth0")
	if err := sw.Handle().LinkSetMaster(sw.Link(name), sw.Link("br0")); err != nil {
		t.Fatal(err)
	}
}

// linkLocal waits for the link-local address of eth0 in the namespace.
func linkLocal(t testing.TB, ns *tuntest.NS) netip.Addr {
	t.Helper()
	var found netip.Addr
	tuntest.Poll(t, 10*time.Second, func() (bool, string) {
		addrs, err := ns.Handle().AddrList(ns.Link("eth0"), unix.AF_INET6)
		for _, a := range addrs {
			ip, _ := netip.AddrFromSlice(a.IP)
			if ip.IsLinkLocalUnicast() && a.Flags&unix.IFA_F_TENTATIVE == 0 {
				found = ip
			}
		}
		return found.IsValid(), fmt.Sprint("no link-local address on eth0: ", addrs, err)
	})
	return found
}

// route returns the route for exactly dst by way of gw, as the kernel lists it.
func hasRoute(ns *tuntest.NS, dst string, gw netip.Addr) (bool, string) {
	out, err := ns.Command("ip", "-6", "route", "show").CombinedOutput()
	if err != nil {
		return false, err.Error() + string(out)
	}
	for line := range strings.Lines(string(out)) {
		if f := strings.Fields(line); len(f) > 2 && f[0] == dst && f[1] == "via" && f[2] == gw.String() {
			return true, line
		}
	}
	return false, string(out)
}

func prefix(s string) netip.Prefix { return netip.MustParsePrefix(s) }
func addr(s string) netip.Addr     { return netip.MustParseAddr(s) }

const waitLong = 20 * time.Second
