package coap

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/message/pool"
	"github.com/plgd-dev/go-coap/v3/options"
	"github.com/plgd-dev/go-coap/v3/pkg/runner/periodic"
	"github.com/plgd-dev/go-coap/v3/tcp"
	"github.com/plgd-dev/go-coap/v3/udp"

	"culvert/coap/api"
	"culvert/coap/client"
	"culvert/coap/msg"
)

// tool returns the path of a program that a test needs.
func tool(t testing.TB, name, pkg string) string {
	t.Helper()
	p, err := exec.LookPath(name)
	if err != nil {
		t.Fatalf("%s is not installed: apt-get install -y --no-install-recommends %s", name, pkg)
	}
	return p
}

// libcoapServer starts libcoap's own example server: a node that is not ours.
func libcoapServer(t testing.TB) netip.AddrPort {
	t.Helper()
	at, _ := libcoapServerProcess(t)
	return at
}

// libcoapServerProcess also returns the process.
func libcoapServerProcess(t testing.TB) (netip.AddrPort, int) {
	t.Helper()
	// The server takes a port by number: one that is free now.
	c, err := net.ListenUDP("udp6", &net.UDPAddr{IP: net.IPv6loopback})
	if err != nil {
		t.Fatal(err)
	}
	at := c.LocalAddr().(*net.UDPAddr).AddrPort()
	c.Close()
	cmd := exec.Command(tool(t, "coap-server-notls", "libcoap3-bin"), "-A", "::1", "-p", fmt.Sprint(at.Port()), "-v", "1", "-d", "20")
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		if t.Failed() {
			t.Logf("coap-server: %s", out.Bytes())
		}
	})
	probe := dial(t, at)
	eventually(t, "libcoap's server answers", func() bool {
		if _, err := probe.conn.Write(msg.EmptyMessage(message.Confirmable, 1)); err != nil {
			return false // it was not there yet: the kernel remembers
		}
		_ = probe.conn.SetReadDeadline(time.Now().Add(100 * time.Millisecond))
		n, err := probe.conn.Read(make([]byte, 64))
		return err == nil && n == 4
	})
	return at, cmd.Process.Pid
}

// libcoap runs libcoap's client and returns what it printed: the payload, and on
// standard error the code of an error.
func libcoap(t testing.TB, args ...string) (stdout, stderr string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	cmd := exec.CommandContext(ctx, tool(t, "coap-client-notls", "libcoap3-bin"), args...)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("coap-client %v: %v\n%s%s", args, err, out.Bytes(), errs.Bytes())
	}
	return out.String(), errs.String()
}

// libcoap 4.3.1's client (Debian's libcoap3-bin) against the UDP door, with
// libcoap's server as the node behind it.
func TestLibcoapUDP(t *testing.T) {
	f := newFront(t)
	crowd(t, f.table, 5000)
	f.where.Store("grain-bin", libcoapServer(t))
	base := "coap://[::1]:" + fmt.Sprint(f.udp.Port())
	for _, x := range libcoapTable {
		out, errs := libcoap(t, append(x.args, base+x.path)...)
		check(t, x, out, errs)
	}
}

type libcoapRow struct {
	name string
	args []string
	path string
	out  string // in the payload
	err  string // on standard error
	size int    // least octets of payload
}

// libcoapTable is a run of exchanges: later rows see what earlier ones did.
var libcoapTable = []libcoapRow{
	{"GET a list", nil, "/nodes", `"node":"grain-bin"`, "", 900000},
	{"GET a list in small blocks", []string{"-b", "256", "-A", "0"}, "/nodes", "grain-bin up", "", 300000},
	{"GET a list as links", []string{"-A", "40"}, "/nodes", "</nodes/grain-bin>", "", 300000},
	{"GET in a format that is not there", []string{"-A", "41"}, "/nodes", "", "4.06", 0},
	{"GET a node", nil, "/nodes/grain-bin", `"state":"up"`, "", 0},
	{"GET a node as text", []string{"-A", "0"}, "/nodes/mast", "mast expected - -", "", 0},
	{"NON GET", []string{"-N", "-A", "0"}, "/nodes/mast", "mast expected - -", "", 0},
	{"no such node", nil, "/nodes/nobody", "", "4.04", 0},
	{"all links", nil, "/.well-known/core", "</nodes/grain-bin/readings>", "", 900000},
	{"links by type", nil, "/.well-known/core?rt=mesh-nodes", `</nodes>;rt="mesh-nodes";ct="50 0 40"`, "", 0},
	{"no link", nil, "/.well-known/core?rt=none", "", "", 0},
	{"POST on a list", []string{"-m", "post", "-e", "x"}, "/nodes", "", "4.05", 0},
	{"critical option 65001", []string{"-O", "65001,0x00"}, "/nodes", "", "4.02", 0},
	{"elective option 65000", []string{"-O", "65000,0x00", "-A", "0"}, "/nodes/mast", "mast", "", 0},
	{"the control part", nil, "/control/status", "", "4.04", 0},
	{"readings of a stranger", []string{"-m", "post", "-t", "110", "-e", `[{"n":"a","v":1}]`}, "/readings", "", "4.03", 0},
	{"a node's root", nil, "/nodes/grain-bin/own", "This is a test server", "", 100},
	{"a node's listing", nil, "/nodes/grain-bin/own/.well-known/core", `</nodes/grain-bin/own/time>;if="clock"`, "", 0},
	{"a node's clock", nil, "/nodes/grain-bin/own/time", ":", "", 10},
	{"a node's clock in ticks", nil, "/nodes/grain-bin/own/time?ticks", "1", "", 10},
	{"NON to a node", []string{"-N"}, "/nodes/grain-bin/own/time", ":", "", 10},
	{"a node's own 4.04", nil, "/nodes/grain-bin/own/nothing", "", "4.04", 0},
	{"a node's own 4.05", []string{"-m", "delete"}, "/nodes/grain-bin/own/example_data", "", "4.05", 0},
	{"FETCH a node refuses", []string{"-m", "fetch", "-e", "x"}, "/nodes/grain-bin/own/example_data", "", "4.05", 0},
	{"PATCH a node refuses", []string{"-m", "patch", "-e", "x"}, "/nodes/grain-bin/own/example_data", "", "4.05", 0},
	{"iPATCH a node refuses", []string{"-m", "ipatch", "-e", "x"}, "/nodes/grain-bin/own/example_data", "", "4.05", 0},
	{"PUT to a node", []string{"-m", "put", "-t", "0", "-e", "fen"}, "/nodes/grain-bin/own/example_data", "", "", 0},
	{"read back", nil, "/nodes/grain-bin/own/example_data", "fen", "", 3},
	{"PUT in blocks", []string{"-m", "put", "-t", "0", "-b", "128", "-e", strings.Repeat("sluice ", 300)}, "/nodes/grain-bin/own/example_data", "", "", 0},
	{"read back in blocks", []string{"-b", "256"}, "/nodes/grain-bin/own/example_data", "sluice sluice", "", 2100},
	{"read back in one", nil, "/nodes/grain-bin/own/example_data", "sluice sluice", "", 2100},
	{"PUT makes a resource", []string{"-m", "put", "-t", "0", "-e", "7"}, "/nodes/grain-bin/own/gate", "", "", 0},
	{"it is there", nil, "/nodes/grain-bin/own/gate", "7", "", 1},
	{"DELETE", []string{"-m", "delete"}, "/nodes/grain-bin/own/gate", "", "", 0},
	{"it is gone", nil, "/nodes/grain-bin/own/gate", "", "4.04", 0},
	{"a slow answer comes by itself", nil, "/nodes/grain-bin/own/async?2", "done", "", 4},
	{"Hop-Limit 1", []string{"-O", "16,0x01"}, "/nodes/grain-bin/own/time", "", "5.08", 0},
	{"Proxy-Uri", []string{"-O", "35,coap://[2001:db8::1]/t"}, "/nodes", "", "5.05", 0},
}

func check(t *testing.T, x libcoapRow, out, errs string) {
	t.Helper()
	if !strings.Contains(out, x.out) || !strings.Contains(errs, x.err) || len(out) < x.size || x.err == "" && errs != "" {
		t.Errorf("%s: %d octets %.200q, %q; want at least %d with %q, and %q", x.name, len(out), out, errs, x.size, x.out, x.err)
	}
}

// tcpDoor serves the front's streams on a TCP port of the loopback: the framing of
// the control socket, where clients that know no Unix sockets can reach it.
func (f *front) tcpDoor() string {
	f.t.Helper()
	l, err := net.Listen("tcp", "[::1]:0")
	if err != nil {
		f.t.Fatal(err)
	}
	var wg sync.WaitGroup
	wg.Go(func() {
		for n := uint64(1000); ; n++ {
			c, err := l.Accept()
			if err != nil {
				return
			}
			wg.Go(func() { f.doors.ServeStream(c, msg.Peer{Door: msg.DoorControl, Conn: n}) })
		}
	})
	f.t.Cleanup(func() {
		l.Close()
		wg.Wait()
	})
	return l.Addr().String()
}

// The same table through RFC 8323 framing, with libcoap's client on TCP. Its
// client has no Unix sockets, so the connection comes through a TCP port.
func TestLibcoapTCP(t *testing.T) {
	f := newFront(t)
	crowd(t, f.table, 5000)
	f.where.Store("grain-bin", libcoapServer(t))
	base := "coap+tcp://" + f.tcpDoor()
	for _, x := range libcoapTable {
		switch x.name {
		case "the control part":
			x.out, x.err = `"version":"test"`, "" // it is on this door
		case "NON GET", "NON to a node":
			continue // TCP knows no types
		}
		out, errs := libcoap(t, append(x.args, base+x.path)...)
		check(t, x, out, errs)
	}
}

// go-coap's clients, as its users run them: UDP, and TCP framing on the control
// socket, with its own block-wise transfers.
func TestGoCoapClients(t *testing.T) {
	f := newFront(t)
	crowd(t, f.table, 5000)
	f.where.Store("grain-bin", libcoapServer(t))
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	stop := make(chan struct{})
	defer close(stop)
	runner := options.WithPeriodicRunner(periodic.New(stop, 100*time.Millisecond))
	// Without the wait for the other side's CSM, go-coap 3.8.0 may ask before it knows
	// that blocks will come, and then loses the answer.
	csm := options.WithCSMExchangeTimeout(patience)
	quiet := options.WithErrors(func(err error) { t.Logf("go-coap: %v", err) })

	overUDP, err := udp.Dial(f.udp.String(), runner, quiet, options.WithMaxMessageSize(4<<20))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { overUDP.Close(); <-overUDP.Session().Done() }()
	nc, err := net.Dial("unix", f.control)
	if err != nil {
		t.Fatal(err)
	}
	overUnix, err := tcp.Client(nc, runner, quiet, csm, options.WithCloseSocket(), options.WithMaxMessageSize(4<<20))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { overUnix.Close(); <-overUnix.Session().Done() }()

	type conn interface {
		Ping(context.Context) error
	}
	for name, c := range map[string]conn{"udp": overUDP, "unix": overUnix} {
		if err := c.Ping(ctx); err != nil {
			t.Errorf("%s: ping: %v", name, err)
		}
	}
	get := func(name, path string, opts ...message.Option) (codes.Code, []byte) {
		t.Helper()
		if name == "udp" {
			m, err := overUDP.Get(ctx, path, opts...)
			if err != nil {
				t.Fatalf("%s %s: %v", name, path, err)
			}
			b, _ := m.ReadBody()
			return m.Code(), b
		}
		m, err := overUnix.Get(ctx, path, opts...)
		if err != nil {
			t.Fatalf("%s %s: %v", name, path, err)
		}
		b, _ := m.ReadBody()
		return m.Code(), b
	}
	for _, name := range []string{"udp", "unix"} {
		code, b := get(name, "/nodes")
		var states []api.NodeState
		if err := json.Unmarshal(b, &states); err != nil || code != codes.Content || len(states) != 5000 {
			t.Errorf("%s: /nodes: %v, %d octets, %d nodes (%v)", name, code, len(b), len(states), err)
		}
		if code, _ := get(name, "/nodes", message.Option{ID: message.Accept, Value: []byte{41}}); code != codes.NotAcceptable {
			t.Errorf("%s: Accept 41: %v", name, code)
		}
		if code, _ := get(name, "/nodes", message.Option{ID: 65001, Value: []byte{0}}); code != codes.BadOption {
			t.Errorf("%s: option 65001: %v", name, code)
		}
		if code, b := get(name, "/nodes/grain-bin/own/time"); code != codes.Content || len(b) < 10 {
			t.Errorf("%s: the node's clock: %v %q", name, code, b)
		}
	}
	body := strings.Repeat("lode ", 600) // 3000 octets
	if m, err := overUDP.Put(ctx, "/nodes/grain-bin/own/example_data", message.TextPlain, strings.NewReader(body)); err != nil || m.Code()>>5 != 2 {
		t.Errorf("PUT in blocks over UDP: %v %v", m, err)
	}
	if code, b := get("unix", "/nodes/grain-bin/own/example_data"); code != codes.Content || string(b) != body {
		t.Errorf("read back over the socket: %v, %d octets", code, len(b))
	}
	body = strings.ToUpper(body)
	if m, err := overUnix.Put(ctx, "/nodes/grain-bin/own/example_data", message.TextPlain, strings.NewReader(body)); err != nil || m.Code() != codes.Changed {
		t.Errorf("PUT over the socket: %v %v", m, err)
	}
	if code, b := get("udp", "/nodes/grain-bin/own/example_data"); code != codes.Content || string(b) != body {
		t.Errorf("read back over UDP: %v, %d octets", code, len(b))
	}
}

// The commands' own client.
func TestClient(t *testing.T) {
	f := newFront(t)
	crowd(t, f.table, 5000)
	f.where.Store("grain-bin", libcoapServer(t))
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	c, err := client.DialControl(ctx, f.control)
	if err != nil {
		t.Fatal(err)
	}
	nodes, err := c.Nodes(ctx)
	if err != nil || len(nodes) != 5000 {
		t.Errorf("%d nodes (%v)", len(nodes), err)
	}
	n, err := c.Node(ctx, "grain-bin")
	if err != nil || n.State != "up" || n.Address == nil {
		t.Errorf("%+v (%v)", n, err)
	}
	st, err := c.Status(ctx)
	if err != nil || st.Version != "test" || st.Nodes != 5000 || st.You.UID != uint32(os.Getuid()) || st.You.GID != uint32(os.Getgid()) || st.Meshes[0] != "fenland" {
		t.Errorf("%+v (%v)", st, err)
	}
	a, err := c.Do(ctx, client.Ask{Method: codes.PUT, Path: "/nodes/grain-bin/own/example_data", Accept: -1, Body: []byte("weir")})
	if err != nil || a.Code != codes.Created {
		t.Errorf("%+v (%v)", a, err)
	}
	a, err = c.Do(ctx, client.Ask{Path: "/nodes/grain-bin/own/example_data", Accept: -1})
	if err != nil || string(a.Body) != "weir" {
		t.Errorf("%+v (%v)", a, err)
	}
	var se *client.StatusError
	if _, err := c.Node(ctx, "nobody"); !errors.As(err, &se) || se.Code != codes.NotFound || !strings.Contains(err.Error(), `/nodes/nobody: 4.04 NotFound: no node "nobody"`) {
		t.Errorf("%v", err)
	}
	// Many at once on one connection.
	var wg sync.WaitGroup
	for range 300 {
		wg.Go(func() {
			if _, err := c.Node(ctx, "mast"); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	short, cancelShort := context.WithTimeout(ctx, 20*time.Millisecond)
	defer cancelShort()
	f.newNode("mast", func(*fakeNode, message.Message) [][]byte { return nil })
	if _, err := c.Do(short, client.Ask{Path: "/nodes/mast/own/x", Accept: -1}); !errors.Is(err, context.DeadlineExceeded) || errors.Is(err, client.ErrUnreachable) {
		t.Errorf("a deadline: %v", err)
	}
	f.stop()
	if _, err := c.Nodes(ctx); !errors.Is(err, client.ErrUnreachable) {
		t.Errorf("after the daemon ended: %v", err)
	}
	c.Close()
	if _, err := client.DialControl(ctx, f.control); !errors.Is(err, client.ErrUnreachable) || !strings.Contains(err.Error(), "culvert run") {
		t.Errorf("nobody there: %v", err)
	}
	if _, err := client.DialControl(ctx, filepath.Join(f.control, "x")); !errors.Is(err, client.ErrUnreachable) {
		t.Errorf("no such path: %v", err)
	}
}

// libcoap's client observes: it is notified, and leaves by GET with Observe 1. Its
// proxy requests go to nodes of the mesh only.
func TestLibcoapObserveAndProxy(t *testing.T) {
	f := newFront(t)
	w := f.newWatched()
	base := "coap://[::1]:" + fmt.Sprint(f.udp.Port())
	ended := make(chan struct{})
	var out string
	go func() {
		defer close(ended)
		out, _ = libcoap(t, "-s", "2", base+"/"+own)
	}()
	eventually(t, "it observes", func() bool { return f.Stats().Observers == 1 })
	for i := range 3 {
		sent := f.Stats().Notifications
		w.notify(message.NonConfirmable, fmt.Sprintf("level %d;", i), 500+uint32(i))
		eventually(t, "it is told", func() bool { return f.Stats().Notifications > sent })
	}
	<-ended
	for i := range 3 {
		if want := fmt.Sprintf("level %d;", i); !strings.Contains(out, want) {
			t.Errorf("%q, want %q in it", out, want)
		}
	}
	eventually(t, "the node is told that nobody observes", func() bool { return w.token.Load() == "" && f.Stats().Observations == 0 })

	addr := f.table.Address(f.grainBin().Node).String()
	for _, x := range []libcoapRow{
		{"proxied by address", []string{"-P", base}, "coap://[" + addr + "]/s", "level 2;", "", 0},
		{"proxied by label", []string{"-P", base}, "coap://grain-bin/s", "level 2;", "", 0},
		{"proxied to another host", []string{"-P", base}, "coap://[2001:db8::1]/s", "", "5.05", 0},
		{"the hops are used up", []string{"-P", base, "-H", "1"}, "coap://[" + addr + "]/s", "", "5.08", 0},
	} {
		out, errs := libcoap(t, append(x.args, x.path)...)
		check(t, x, out, errs)
	}
}

// go-coap's client observes, and cancels.
func TestGoCoapObserve(t *testing.T) {
	f := newFront(t)
	w := f.newWatched()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	stop := make(chan struct{})
	defer close(stop)
	runner := options.WithPeriodicRunner(periodic.New(stop, 100*time.Millisecond))
	c, err := udp.Dial(f.udp.String(), runner, options.WithErrors(func(err error) { t.Logf("go-coap: %v", err) }))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { c.Close(); <-c.Session().Done() }()
	got := make(chan string, 16)
	o, err := c.Observe(ctx, "/"+own, func(m *pool.Message) {
		b, _ := m.ReadBody()
		got <- string(b)
	})
	if err != nil {
		t.Fatal(err)
	}
	next := func(want string) {
		t.Helper()
		select {
		case v := <-got:
			if v != want {
				t.Errorf("%q, want %q", v, want)
			}
		case <-time.After(patience):
			t.Fatalf("no %q", want)
		}
	}
	next("0")
	for i := range 10 { // one of them confirmable
		w.notify(message.Confirmable, fmt.Sprint("v", i), 700+uint32(i))
		next(fmt.Sprint("v", i))
	}
	if err := o.Cancel(ctx); err != nil {
		t.Error(err)
	}
	eventually(t, "nobody observes", func() bool { s := f.Stats(); return s.Observers == 0 && s.Observations == 0 })
}
