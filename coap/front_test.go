package coap

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/udp/coder"
	"go.uber.org/goleak"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/coap/msg"
)

func TestMain(m *testing.M) {
	if payload := os.Getenv(serveCached); payload != "" {
		if err := cachedFront(payload); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	goleak.VerifyTestMain(m)
}

// front is a Server that runs on the loopback.
type front struct {
	*Server
	udp     netip.AddrPort
	control string
	table   *node.Table
	where   sync.Map     // of the nodes' servers: label to netip.AddrPort
	stop    func()       // ends it and waits
	ahead   atomic.Int64 // of the front's clock
	t       testing.TB
}

const sitePrefix = "fd5e:2a11:77c0:1::/64"

// eui is the EUI-64 of a node, in the range for documentation of RFC 9542.
func eui(i int) ieee802154.Addr { return ieee802154.Extended(0x00005eef10000000 + uint64(i)) }

// newFront starts a front with the nodes grain-bin (up, EUI-64 ..05) and mast
// (expected, no EUI-64).
func newFront(t testing.TB, change ...func(*Server)) *front {
	t.Helper()
	table, err := node.New(node.Options{
		Prefix: netip.MustParsePrefix(sitePrefix),
		Places: []node.Place{{Name: "grain-bin", EUI64: eui(5)}, {Name: "mast"}},
	})
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)
	n := table.Attach(node.Joined{EUI64: eui(5), Short: ieee802154.Short(0x1205), Hops: 2, Parents: [2]ieee802154.Addr{eui(1)}}, at).Node
	n.Heard(at, -67, 2)
	table.Confirm(n, at)
	table.SetBattery(eui(5), 3010, 87)
	f := &front{
		t: t, table: table, control: filepath.Join(t.TempDir(), "control.sock"),
	}
	f.Server = New(Options{
		Meshes:  node.Meshes{{Name: "fenland", Table: table}},
		UDP:     []netip.AddrPort{netip.MustParseAddrPort("[::1]:0")},
		Control: f.control,
		Version: "test",
	})
	f.locate = func(m node.Member) netip.AddrPort {
		a, _ := f.where.Load(m.Node.Label())
		addr, _ := a.(netip.AddrPort)
		return addr
	}
	f.now = func() time.Time { return time.Now().Add(time.Duration(f.ahead.Load())) }
	for _, c := range change {
		c(f.Server)
	}
	f.start()
	return f
}

func (f *front) start() {
	f.t.Helper()
	if err := f.Listen(); err != nil {
		f.t.Fatal(err)
	}
	if a := f.UDPAddrs(); len(a) > 0 {
		f.udp = a[0]
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := f.Run(ctx); err != nil {
			f.t.Errorf("Run: %v", err)
		}
	})
	f.stop = sync.OnceFunc(func() {
		cancel()
		wg.Wait()
	})
	f.t.Cleanup(f.stop)
}

// udpClient is a UDP socket that sends and reads datagrams as they are.
type udpClient struct {
	t    testing.TB
	conn *net.UDPConn
	mid  uint16
}

func (f *front) client() *udpClient { return dial(f.t, f.udp) }

func dial(t testing.TB, to netip.AddrPort) *udpClient {
	t.Helper()
	c, err := net.DialUDP("udp", nil, net.UDPAddrFromAddrPort(to))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return &udpClient{t: t, conn: c, mid: 0x1000}
}

func (c *udpClient) send(b []byte) {
	c.t.Helper()
	if _, err := c.conn.Write(b); err != nil {
		c.t.Fatal(err)
	}
}

// receive waits for a datagram; nil if none came in time.
func (c *udpClient) receive(wait time.Duration) []byte {
	c.t.Helper()
	if err := c.conn.SetReadDeadline(time.Now().Add(wait)); err != nil {
		c.t.Fatal(err)
	}
	buf := make([]byte, 1<<16)
	n, err := c.conn.Read(buf)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return nil
	}
	if err != nil {
		c.t.Fatal(err)
	}
	return buf[:n]
}

const patience = time.Minute // a guard against hanging

// message decodes the next datagram.
func (c *udpClient) message() message.Message {
	c.t.Helper()
	b := c.receive(patience)
	if b == nil {
		c.t.Fatal("no answer")
	}
	return decode(c.t, b)
}

func decode(t testing.TB, b []byte) message.Message {
	t.Helper()
	m := message.Message{Options: make(message.Options, 0, msg.MaxOptions)}
	if _, err := coder.DefaultCoder.Decode(b, &m); err != nil {
		t.Fatalf("%x: %v", b, err)
	}
	return m
}

// silent fails if anything comes. It pings, so that whatever came before the ping
// has been read, and then waits a moment: there is more than one reader.
func (c *udpClient) silent(what string) {
	c.t.Helper()
	c.mid++
	ping := msg.EmptyMessage(message.Confirmable, c.mid)
	c.send(ping)
	want := hex.EncodeToString(msg.EmptyMessage(message.Reset, c.mid))
	for wait, seen := patience, false; ; wait = 50 * time.Millisecond {
		b := c.receive(wait)
		switch {
		case b == nil && seen:
			return
		case b == nil:
			c.t.Fatalf("%s: the ping after it was not answered", what)
		case !seen && hex.EncodeToString(b) == want:
			seen = true
		default:
			c.t.Fatalf("%s: answered %x, want silence", what, b)
		}
	}
}

// opt is an option of a request in a table.
type opt struct {
	id    message.OptionID
	value string
}

// build makes a request: path in parts, further options.
func build(kind message.Type, code codes.Code, mid uint16, token, path, payload string, opts ...opt) []byte {
	m := message.Message{Type: kind, Code: code, MessageID: int32(mid), Token: []byte(token), Payload: []byte(payload)}
	for part := range strings.SplitSeq(path, "/") {
		if part != "" {
			m.Options = msg.With(m.Options, message.URIPath, []byte(part))
		}
	}
	for _, o := range opts {
		m.Options = msg.With(m.Options, o.id, []byte(o.value))
	}
	return msg.Encode(m)
}

// ask sends a confirmable request and returns the answer, which must be on the
// acknowledgement or come by itself, in which case it is acknowledged.
func (c *udpClient) ask(code codes.Code, path, payload string, opts ...opt) message.Message {
	c.t.Helper()
	c.mid++
	token := fmt.Sprintf("t%03d", c.mid%1000)
	c.send(build(message.Confirmable, code, c.mid, token, path, payload, opts...))
	m := c.message()
	if m.Type == message.Acknowledgement && m.Code == codes.Empty {
		m = c.message()
		if m.Type != message.Confirmable {
			c.t.Fatalf("separate answer of type %v", m.Type)
		}
		c.send(msg.EmptyMessage(message.Acknowledgement, uint16(m.MessageID)))
	}
	if string(m.Token) != token {
		c.t.Fatalf("answer with token %q, want %q", m.Token, token)
	}
	return m
}

// askFresh asks, and where a proof of freshness is wanted once more with it (RFC 9175,
// section 2.3).
func (c *udpClient) askFresh(code codes.Code, path, payload string, opts ...opt) message.Message {
	c.t.Helper()
	m := c.ask(code, path, payload, opts...)
	if echo, ok := msg.Option(m.Options, message.Echo); ok && m.Code == codes.Unauthorized {
		m = c.ask(code, path, payload, append(opts, opt{message.Echo, string(echo)})...)
	}
	return m
}

func u(v uint32) string { return string(msg.EncodeUint(v)) }

// eventually polls until ok holds.
func eventually(t testing.TB, what string, ok func() bool) {
	t.Helper()
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(patience); !ok(); <-tick.C {
		if time.Now().After(end) {
			t.Fatalf("not in %v: %s", patience, what)
		}
	}
}
