package bridge_test

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"net/netip"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/vishvananda/netlink"
	"golang.org/x/sys/unix"

	"culvert/bridge"
	"culvert/bridge/drop"
	"culvert/bridge/node"
	"culvert/bridge/radio"
	"culvert/bridge/sim"
	"culvert/tun"
	"culvert/tun/tuntest"
)

const (
	noticed = 5 * time.Second // within which an outage has to be noticed
	silence = 6 * time.Second // and a radio that merely says nothing: 4 keepalives, one a second
)

// radioRole is a radio side on standard input and output. Its argument is a file
// for its process id.
func radioRole(args []string) int {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	m, err := sim.New(sim.Options{Site: estate(), Ideal: true, Period: -1})
	if err == nil {
		err = os.WriteFile(args[0], []byte(strconv.Itoa(os.Getpid())), 0o600)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	r := sim.NewRadio(m, sim.RadioOptions{})
	go r.Run(ctx) // ends with the process
	if err := r.Serve(ctx, stdio{os.Stdin, os.Stdout}); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}

type stdio struct {
	io.ReadCloser
	io.Writer
}

// meshRole is a whole mesh in the namespace of its process, until SIGTERM.
func meshRole([]string) int {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	m, err := sim.New(sim.Options{Site: estate(), Ideal: true, Period: -1})
	if err != nil {
		fmt.Println(err)
		return 1
	}
	r := sim.NewRadio(m, sim.RadioOptions{})
	done := make(chan error, 1)
	go func() { done <- r.Run(ctx) }()
	b, err := bridge.New(bridge.Options{
		Name: "fenland", Prefix: prefix,
		Radio: radio.NewLink("simulated radio", r.Dial, radio.Options{}),
		OpenTun: func() (bridge.Tun, error) {
			d, err := tun.Open(tun.Options{Name: device, Prefix: prefix})
			if err != nil {
				return nil, err
			}
			fmt.Println("open")
			return d, nil
		},
	})
	if err == nil {
		err = b.Run(ctx)
	}
	if err != nil {
		fmt.Println(err)
		return 1
	}
	<-done
	return 0
}

// outage lets something go wrong with a mesh that is up, and well again.
type outage struct {
	m           running
	ns          *tuntest.NS
	cut, mend   func()
	down        func(bridge.Stats) bool
	downs       func(bridge.Stats) uint64
	logged      string
	mendsItself bool
	within      time.Duration // noticed by default
}

// check: noticed within 5 s, logged once, counted once, and all is well afterwards.
func (o outage) check(t *testing.T) {
	t.Helper()
	place := estate().Nodes[5]
	if ok, out := ping(t, o.ns, global(place.EUI64), 56, 3); !ok {
		t.Fatalf("before the outage: %s", out)
	}
	begin := time.Now()
	o.cut()
	// One that mends by itself may be over before anybody looks: the count stays.
	tuntest.Poll(t, cmp.Or(o.within, noticed), func() (bool, string) {
		s := o.m.Stats()
		return o.downs(s) == 1 && (o.mendsItself || o.down(s)), "not noticed:\n" + o.m.log.String()
	})
	t.Logf("noticed within %v", time.Since(begin).Round(time.Millisecond))
	if o.mend != nil {
		tuntest.Poll(t, 2*time.Second, func() (bool, string) { // some time with the outage
			return time.Since(begin) > time.Second, "time stands still"
		})
		o.mend()
	}
	tuntest.Poll(t, 20*time.Second, func() (bool, string) { return o.m.Stats().Up, "not up again:\n" + o.m.log.String() })
	if ok, out := ping(t, o.ns, global(place.EUI64), 56, 3); !ok {
		t.Errorf("after the outage: %s\n%s", out, o.m.log)
	}
	if n := o.m.log.count(o.logged); n != 1 {
		t.Errorf("%q was logged %d times:\n%s", o.logged, n, o.m.log)
	}
	s := o.m.Stats()
	if n := o.downs(s); n != 1 {
		t.Errorf("counted %d times", n)
	}
	settled(t, o.m.Mesh)
	if err := o.m.stop(); err != nil {
		t.Error(err)
	}
}

func radioIsDown(s bridge.Stats) bool  { return !s.Forward.Radio.Up }
func radioDowns(s bridge.Stats) uint64 { return s.Forward.Radio.Downs }
func tunIsDown(s bridge.Stats) bool    { return !s.TunUp }
func tunDowns(s bridge.Stats) uint64   { return s.TunDowns }
func isUp(m running) func() (bool, string) {
	return func() (bool, string) {
		s := m.Stats() // a node that has sent nothing yet is joining
		return s.Up && s.Nodes.Nodes[node.Up]+s.Nodes.Nodes[node.Joining] == 6, m.log.String()
	}
}

func TestRadioProcessKilled(t *testing.T) {
	ns := tuntest.NewNS(t)
	file := filepath.Join(t.TempDir(), "pid")
	env := ns.Role("radio").Env
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	a, err := radio.NewProcess(radio.ProcessOptions{Command: []string{tuntest.Tool(t, "env", "coreutils"), env[len(env)-1], self, file}})
	if err != nil {
		t.Fatal(err)
	}
	m := start(t, bridge.Options{Radio: a, OpenTun: openIn(ns, prefix, netip.Addr{})})
	tuntest.Poll(t, 20*time.Second, isUp(m))
	outage{m: m, ns: ns, down: radioIsDown, downs: radioDowns, logged: "radio down", mendsItself: true, cut: func() {
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		pid, err := strconv.Atoi(string(b))
		if err != nil || pid <= 1 {
			t.Fatalf("process id %q", b)
		}
		if err := unix.Kill(pid, unix.SIGKILL); err != nil {
			t.Fatal(err)
		}
	}}.check(t)
}

func TestSerialLineGone(t *testing.T) {
	ns := tuntest.NewNS(t)
	r := world(t, sim.Options{Site: estate(), Ideal: true, Period: -1}, 1)
	path := filepath.Join(t.TempDir(), "radio")
	plug := func() *os.File {
		t.Helper()
		master, slave, err := pty.Open()
		if err != nil {
			t.Fatal(err)
		}
		_ = os.Remove(path) // of the earlier one
		if err := os.Symlink(slave.Name(), path); err != nil {
			t.Fatal(err)
		}
		slave.Close()
		return master
	}
	serve := func(line *os.File) (wait func()) {
		done := make(chan struct{})
		go func() {
			defer close(done)
			serveLine(t, r, line)
		}()
		return func() { <-done }
	}
	line := plug()
	wait := serve(line)
	a, err := radio.NewSerial(radio.SerialOptions{Device: path})
	if err != nil {
		t.Fatal(err)
	}
	m := start(t, bridge.Options{Radio: a, OpenTun: openIn(ns, prefix, netip.Addr{})})
	tuntest.Poll(t, 20*time.Second, isUp(m))
	outage{m: m, ns: ns, down: radioIsDown, downs: radioDowns, logged: "radio down",
		cut: func() {
			if err := os.Remove(path); err != nil {
				t.Error(err)
			}
			line.Close()
			wait()
		},
		mend: func() { line = plug(); wait = serve(line) },
	}.check(t)
	line.Close()
	wait()
}

// serveLine serves a pty from the radio's side until it is closed.
func serveLine(t *testing.T, r *sim.Radio, line *os.File) {
	again := time.NewTicker(20 * time.Millisecond)
	defer again.Stop()
	for {
		err := r.Serve(t.Context(), held{line})
		if _, gone := line.Stat(); gone != nil || t.Context().Err() != nil {
			return
		}
		if err != nil && !strings.Contains(err.Error(), "input/output error") { // nobody has the other end open yet
			t.Log(err)
		}
		<-again.C
	}
}

// held is a pty that outlives the daemon's line.
type held struct{ *os.File }

func (held) Close() error { return nil }

func TestRadioFallsSilent(t *testing.T) {
	r := world(t, sim.Options{Site: estate(), Ideal: true, Period: -1}, 1)
	m, ns := realMesh(t, r, 6)
	outage{m: m, ns: ns, down: radioIsDown, downs: radioDowns, logged: "radio down", within: silence,
		cut: func() { r.CutLine(true) }, mend: r.RestoreLine}.check(t)
}

func TestRadioBootsAnew(t *testing.T) {
	r := world(t, sim.Options{Site: estate(), Ideal: true, Period: -1}, 1)
	m, ns := realMesh(t, r, 6)
	outage{m: m, ns: ns, down: radioIsDown, downs: radioDowns, logged: "radio down", mendsItself: true,
		cut: func() {
			r.Do(func(m *sim.Mesh) {
				if err := m.CutRadio(); err != nil {
					t.Error(err)
				}
				if err := m.RestoreRadio(); err != nil {
					t.Error(err)
				}
			})
		}}.check(t)
}

func TestTUNDeleted(t *testing.T) {
	r := world(t, sim.Options{Site: estate(), Ideal: true, Period: -1}, 1)
	m, ns := realMesh(t, r, 6)
	outage{m: m, ns: ns, down: tunIsDown, downs: tunDowns, logged: "TUN interface is gone", mendsItself: true,
		cut: func() {
			if err := ns.Handle().LinkDel(ns.Link(device)); err != nil {
				t.Fatal(err)
			}
		}}.check(t)
}

func TestTUNSetDown(t *testing.T) {
	r := world(t, sim.Options{Site: estate(), Ideal: true, Period: -1}, 1)
	m, ns := realMesh(t, r, 6)
	outage{m: m, ns: ns, down: tunIsDown, downs: tunDowns, logged: "TUN interface is gone", mendsItself: true,
		cut: func() {
			if err := ns.Handle().LinkSetDown(ns.Link(device)); err != nil {
				t.Fatal(err)
			}
		}}.check(t)
}

// traces are the interfaces, rules and routes of a namespace, in words.
func traces(t *testing.T, ns *tuntest.NS) (out []string) {
	t.Helper()
	h := ns.Handle()
	links, err := h.LinkList()
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range links {
		out = append(out, "interface "+l.Attrs().Name)
	}
	rules, err := h.RuleList(netlink.FAMILY_V6)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rules {
		out = append(out, fmt.Sprintf("rule %d from %v iif %s table %d", r.Priority, r.Src, r.IifName, r.Table))
	}
	routes, err := h.RouteListFiltered(netlink.FAMILY_V6, &netlink.Route{Table: unix.RT_TABLE_UNSPEC}, netlink.RT_FILTER_TABLE)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range routes {
		out = append(out, fmt.Sprintf("route %v table %d type %d", r.Dst, r.Table, r.Type))
	}
	slices.Sort(out)
	return out
}

// After a stop nothing of ours is left; after kill -9 and another start nothing is
// there twice.
func TestNothingIsLeftBehind(t *testing.T) {
	ns := tuntest.NewNS(t)
	before := traces(t, ns)
	run := func() (kill func(os.Signal), up []string) {
		t.Helper()
		cmd := ns.Role("mesh")
		out, w, err := os.Pipe()
		if err != nil {
			t.Fatal(err)
		}
		cmd.Stdout, cmd.Stderr = w, os.Stderr
		ended := tuntest.Start(t, cmd)
		w.Close()
		defer out.Close()
		line := make([]byte, 256)
		n, err := out.Read(line)
		if err != nil || string(line[:n]) != "open\n" {
			t.Fatalf("the mesh says %q, %v", line[:n], err)
		}
		to := global(estate().Nodes[0].EUI64)
		tuntest.Poll(t, time.Minute, func() (bool, string) { // until the node has been heard again
			return ping(t, ns, to, 56, 1)
		})
		return func(s os.Signal) {
			if err := cmd.Process.Signal(s); err != nil {
				t.Error(err)
			}
			<-ended
		}, traces(t, ns)
	}
	kill, first := run()
	if len(first) <= len(before) {
		t.Fatalf("nothing to leave behind: %v", first)
	}
	kill(syscall.SIGKILL)
	kill, second := run()
	if !slices.Equal(first, second) {
		t.Errorf("after kill -9 and a start:\n%s\nbefore:\n%s", strings.Join(second, "\n"), strings.Join(first, "\n"))
	}
	kill(syscall.SIGTERM)
	if after := traces(t, ns); !slices.Equal(before, after) {
		t.Errorf("after the stop:\n%s\nbefore the start:\n%s", strings.Join(after, "\n"), strings.Join(before, "\n"))
	}
}

// A host on the LAN that forges the gateway's address, or a node's, as its source
// reaches no node: not one frame goes to the radio. The same host, honest, does.
func TestForgedSourceReachesNoNode(t *testing.T) {
	r := world(t, sim.Options{Site: estate(), Ideal: true, Period: -1}, 1)
	m, gw := realMesh(t, r, 6)
	host := tuntest.NewNS(t)
	lan := netip.MustParsePrefix("2001:db8:2::/64")
	lanGateway, lanHost := netip.MustParseAddr("2001:db8:2::1"), netip.MustParseAddr("2001:db8:2::2")
	tuntest.Veth(t, host, "lan0", gw, "eth0")
	host.Addr("lan0", netip.PrefixFrom(lanHost, lan.Bits()))
	gw.Addr("eth0", netip.PrefixFrom(lanGateway, lan.Bits()))
	host.Route(prefix, lanGateway)
	gw.Forward()
	a, b := estate().Nodes[0].EUI64, estate().Nodes[1].EUI64
	frames := func() (n uint64) {
		r.Do(func(m *sim.Mesh) { n = m.Stats().FromDaemon })
		return n
	}
	// The gateway's first router advertisement is a packet to the nodes as well; the second
	// comes 16 s later (RFC 4861, section 6.2.4).
	advertised := func() uint64 { return m.Stats().Forward.Discovery.Advertisements }
	tuntest.Poll(t, 10*time.Second, func() (bool, string) { return advertised() > 0, "nothing is advertised" })
	if ok, out := ping(t, host, global(a), 56, 3); !ok {
		t.Fatalf("an honest host: %s", out)
	}
	tuntest.Poll(t, 10*time.Second, func() (bool, string) {
		return m.Stats().Forward.ToMesh.Queued == 0, "packets are still on their way"
	})
	// The kernel's own packets, such as its membership reports, come to the TUN too.
	packets := func() uint64 {
		s := m.Stats().Forward.ToMesh
		return s.Offered - s.Dropped[drop.KernelOwn]
	}
	forge := func() {
		fd, err := unix.Socket(unix.AF_INET6, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.IPPROTO_RAW)
		if err != nil {
			t.Fatal(err)
		}
		defer unix.Close(fd)
		for _, src := range []netip.Addr{gateway, global(b)} {
			for range 20 {
				p := udp(src, global(a), 20)
				if err := unix.Sendto(fd, p, 0, &unix.SockaddrInet6{Addr: global(a).As16()}); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	tool := tuntest.Tool(t, "ping", "iputils-ping")
	for {
		before, offered, turn := frames(), packets(), advertised()
		host.Do(forge)
		// One request, after the forged ones; its answer may take its time.
		if out, err := host.Command(tool, "-6", "-n", "-c", "1", "-W", "60", global(a).String()).CombinedOutput(); err != nil {
			t.Fatalf("an honest host: %s", out)
		}
		got, read := frames()-before, packets()-offered
		if advertised() != turn {
			continue // a slow machine: what was counted is not of the host alone
		}
		if got != 1 || read != 1 {
			t.Errorf("%d frames to the radio, %d packets to the TUN, want those of one echo request", got, read)
		}
		return
	}
}
