package coap

import (
	"context"
	"fmt"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	piondtls "github.com/pion/dtls/v3"
	"github.com/plgd-dev/go-coap/v3/dtls"
	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/message/pool"
	"github.com/plgd-dev/go-coap/v3/options"
	"github.com/plgd-dev/go-coap/v3/tcp"

	"culvert/coap/client"
	"culvert/coap/msg"
)

// tableRow is one exchange: what a client asks, and what it must see.
type tableRow struct {
	name    string
	method  codes.Code
	path    string // with a query; a URI is asked for through the front as a proxy
	options []opt
	body    string
	non     bool
	block   int // octets of a block, as the client wants it

	code   string   // of the answer
	has    string   // in its body
	least  int      // octets of it, at least
	blocks int      // at least so many answers for it
	opts   []string // that the answer has, each the start of NUMBER:VALUE
	source string
}

func inFormat(n uint32) []opt  { return []opt{{message.ContentFormat, u(n)}} }
func accepting(n uint32) []opt { return []opt{{message.Accept, u(n)}} }

// The node of the exchanges is one of the simulator (bridge/sim, doc.go, says what it
// serves), whose CoAP is its own. Rows see what earlier rows did.
const simNode = "/nodes/grain-bin/own"

var readExchanges = []tableRow{
	{name: "GET", method: codes.GET, path: simNode + "/temp", code: "2.05", has: ".", opts: []string{"12:0", "14:"}, source: "RFC 7252, 5.8.1"},
	{name: "GET, non-confirmable", method: codes.GET, path: simNode + "/hum", non: true, code: "2.05", has: ".", source: "RFC 7252, 4.3"},
	{name: "GET as SenML", method: codes.GET, path: simNode + "/temp", options: accepting(110), code: "2.05", has: `"v":`, opts: []string{"12:110"}, source: "RFC 7252, 5.10.4; RFC 8428, 12.3"},
	{name: "GET in a format that is not there", method: codes.GET, path: simNode + "/temp", options: accepting(41), code: "4.06", source: "RFC 7252, 5.10.4"},
	{name: "GET of the front's own", method: codes.GET, path: "/nodes", code: "2.05", has: `"node":"grain-bin"`, opts: []string{"12:50"}, source: "RFC 7252, 5.8.1"},
	{name: "no such node", method: codes.GET, path: "/nodes/nobody", code: "4.04", source: "RFC 7252, 5.9.2.5"},
	{name: "no such resource of a node", method: codes.GET, path: simNode + "/none", code: "4.04", source: "RFC 7252, 5.9.2.5"},
	{name: "a method that is not there", method: codes.POST, path: simNode + "/temp", body: "1", code: "4.05", source: "RFC 7252, 5.9.2.6"},
	{name: "critical and not known", method: codes.GET, path: simNode + "/temp", options: []opt{{251, "a"}}, code: "4.02", source: "RFC 7252, 5.4.1 and 5.7.1"},
	{name: "elective, safe and not known", method: codes.GET, path: simNode + "/temp", options: []opt{{248, "a"}}, code: "2.05", source: "RFC 7252, 5.4.1 and 5.7.1"},
	{name: "block-wise GET", method: codes.GET, path: simNode + "/log", block: 256, code: "2.05", least: 1700, blocks: 7, source: "RFC 7959, 2.4"},
	{name: "block-wise GET, larger", method: codes.GET, path: simNode + "/log", code: "2.05", least: 1700, blocks: 2, source: "RFC 7959, 2.4"},
	{name: "links", method: codes.GET, path: "/.well-known/core", code: "2.05", has: "</nodes/grain-bin>", opts: []string{"12:40"}, source: "RFC 6690, 4"},
	{name: "links, one type", method: codes.GET, path: "/.well-known/core?rt=mesh-nodes", code: "2.05", has: `</nodes>;rt="mesh-nodes"`, source: "RFC 6690, 4.1"},
	{name: "links, types that begin so", method: codes.GET, path: "/.well-known/core?rt=core.rd-look*", code: "2.05", has: "</rd-lookup/res>", source: "RFC 6690, 4.1"},
	{name: "links, by target", method: codes.GET, path: "/.well-known/core?href=/nodes/grain-bin/*", code: "2.05", has: "/nodes/grain-bin/readings>", source: "RFC 6690, 4.1"},
	{name: "links, none", method: codes.GET, path: "/.well-known/core?if=none", code: "2.05", opts: []string{"12:40"}, source: "RFC 6690, 4.1"},
	{name: "a node's links", method: codes.GET, path: simNode + "/.well-known/core", code: "2.05", has: "</nodes/grain-bin/own/temp>", opts: []string{"12:40"}, source: "RFC 7252, 5.7.3"},
	{name: "Proxy-Uri", method: codes.GET, path: "coap://grain-bin/temp", code: "2.05", has: ".", opts: []string{"12:0"}, source: "RFC 7252, 5.7.2 and 5.10.2"},
	{name: "Proxy-Uri of a node's links", method: codes.GET, path: "coap://grain-bin/.well-known/core", code: "2.05", has: "</temp>", source: "RFC 7252, 5.7.2"},
	{name: "Proxy-Uri to elsewhere", method: codes.GET, path: "coap://[2001:db8::1]/temp", code: "5.05", source: "RFC 7252, 5.10.2"},
	{name: "Hop-Limit is used up", method: codes.GET, path: simNode + "/temp", options: []opt{{msg.OptHopLimit, "\x01"}}, code: "5.08", source: "RFC 8768, 3 and 4"},
}

var writeExchanges = []tableRow{
	{name: "nothing there yet", method: codes.GET, path: simNode + "/label", code: "4.04", source: "RFC 7252, 5.8.1"},
	{name: "PUT makes it", method: codes.PUT, path: simNode + "/label", options: []opt{{message.ContentFormat, ""}, {message.IfNoneMatch, ""}}, body: "bank", code: "2.01", source: "RFC 7252, 5.8.3 and 5.10.8.2"},
	{name: "PUT, but it is there", method: codes.PUT, path: simNode + "/label", options: []opt{{message.ContentFormat, ""}, {message.IfNoneMatch, ""}}, body: "sump", code: "4.12", source: "RFC 7252, 5.10.8.2"},
	{name: "PUT, but it is another", method: codes.PUT, path: simNode + "/label", options: []opt{{message.ContentFormat, ""}, {message.IfMatch, "no such"}}, body: "sump", code: "4.12", source: "RFC 7252, 5.10.8.1"},
	{name: "PUT", method: codes.PUT, path: simNode + "/label", options: inFormat(0), body: "weir", code: "2.04", source: "RFC 7252, 5.8.3"},
	{name: "GET after it", method: codes.GET, path: simNode + "/label", code: "2.05", has: "weir", opts: []string{"4:"}, source: "RFC 7252, 5.6"},
	{name: "block-wise PUT", method: codes.PUT, path: simNode + "/label", options: inFormat(0), body: strings.Repeat("lode ", 180), block: 128, code: "2.04", source: "RFC 7959, 2.5"},
	{name: "GET of that", method: codes.GET, path: simNode + "/label", code: "2.05", has: "lode lode", least: 900, source: "RFC 7959, 2.4"},
	{name: "DELETE", method: codes.DELETE, path: simNode + "/label", code: "2.02", source: "RFC 7252, 5.8.4"},
	{name: "GET after it: gone", method: codes.GET, path: simNode + "/label", code: "4.04", source: "RFC 7252, 5.6"},
	{name: "FETCH", method: codes.FETCH, path: simNode + "/config", options: inFormat(50), body: `["hum_high"]`, code: "2.05", has: `{"hum_high":95}`, opts: []string{"12:50"}, source: "RFC 8132, 2"},
	{name: "FETCH in a format that is not taken", method: codes.FETCH, path: simNode + "/config", options: inFormat(41), body: "x", code: "4.15", source: "RFC 8132, 2.3"},
	{name: "PATCH", method: codes.PATCH, path: simNode + "/config", options: inFormat(52), body: `{"hum_high":90}`, code: "2.04", source: "RFC 8132, 3"},
	{name: "iPATCH", method: codes.IPATCH, path: simNode + "/config", options: inFormat(52), body: `{"temp_low":3}`, code: "2.04", source: "RFC 8132, 3"},
	{name: "GET after both", method: codes.GET, path: simNode + "/config", options: accepting(50), code: "2.05", has: `{"temp_low":3,"temp_high":30,"hum_high":90}`, source: "RFC 8132, 3"},
	{name: "FETCH after both", method: codes.FETCH, path: simNode + "/config", options: inFormat(50), body: `["hum_high"]`, code: "2.05", has: `{"hum_high":90}`, source: "RFC 8132, 2.1"},
	{name: "PATCH that cannot be", method: codes.PATCH, path: simNode + "/config", options: inFormat(52), body: `{"hum_high":100000}`, code: "4.22", source: "RFC 8132, 3.4"},
	{name: "iPATCH that conflicts", method: codes.IPATCH, path: simNode + "/config", options: inFormat(52), body: `{"temp_low":40}`, code: "4.09", source: "RFC 8132, 3.4"},
	{name: "POST", method: codes.POST, path: simNode + "/log", options: inFormat(0), body: "gate greased", code: "2.01", opts: []string{"8:nodes", "8:grain-bin", "8:own", "8:log"}, source: "RFC 7252, 5.8.2 and 5.7.3"},
	{name: "GET after it: its line", method: codes.GET, path: simNode + "/log", code: "2.05", has: "gate greased", source: "RFC 7252, 5.8.2"},
	{name: "registration", method: codes.POST, path: "/rd?ep=reed&lt=600&base=coap://[2001:db8::5]", options: inFormat(40), body: `</t>;rt="depth"`, code: "2.01", opts: []string{"8:rd"}, source: "RFC 9176, 5"},
	{name: "lookup", method: codes.GET, path: "/rd-lookup/res?rt=depth&ep=reed", code: "2.05", has: `<coap://[2001:db8::5]/t>;rt="depth"`, opts: []string{"12:40"}, source: "RFC 9176, 6"},
}

// runRows takes the rows one after the other, and counts them.
func runRows(t *testing.T, client exchangeClient, n *atomic.Int32, rows []tableRow) {
	t.Helper()
	for _, x := range rows {
		out := client(t, x)
		n.Add(1)
		if out.code != x.code || !strings.Contains(out.body, x.has) || len(out.body) < x.least || out.messages < x.blocks {
			t.Errorf("%s: %s, %d messages, %d octets %.200q; want %s, at least %d messages, %d octets with %q (%s)", x.name, out.code, out.messages, len(out.body), out.body, x.code, x.blocks, x.least, x.has, x.source)
		}
		for _, want := range x.opts {
			if !slices.ContainsFunc(out.options, func(o string) bool { return strings.HasPrefix(o, want) }) {
				t.Errorf("%s: options %q, want %q (%s)", x.name, out.options, want, x.source)
			}
		}
	}
}

// secureExchanges are of the doors that need an identity to write; TCP has none.
func secureExchanges(value string, writes bool) []tableRow {
	rows := []tableRow{
		{name: "links", method: codes.GET, path: "/.well-known/core?rt=mesh-node", code: "2.05", has: "</nodes/grain-bin>", opts: []string{"12:40"}, source: "RFC 7252, 9; RFC 8323, 3"},
		{name: "GET", method: codes.GET, path: simNode + "/temp", code: "2.05", has: ".", opts: []string{"12:0"}, source: "RFC 7252, 9; RFC 8323, 3"},
		{name: "large GET", method: codes.GET, path: simNode + "/log", code: "2.05", least: 1700, source: "RFC 7959, 2.4; RFC 8323, 6"},
		{name: "PUT", method: codes.PUT, path: simNode + "/config", options: inFormat(50), body: fmt.Sprintf(`{"hum_high":%s}`, value), code: "2.04", source: "RFC 7252, 5.8.3"},
		{name: "FETCH", method: codes.FETCH, path: simNode + "/config", options: inFormat(50), body: `["hum_high"]`, code: "2.05", has: value, source: "RFC 8132, 2"},
	}
	if !writes {
		rows[3].code, rows[4].has = "4.01", "hum_high"
	}
	return rows
}

// TestExchangeTable has clients that are not ours ask the front, and a node behind it,
// for what a client may want: libcoap 4.3.1's client, scapy's CoAP layer, and at the
// doors where scapy knows no way in (DTLS, TCP, TLS) go-coap 3.8.0, whose coder the
// front shares.
func TestExchangeTable(t *testing.T) {
	var libcoap, scapy, goCoap atomic.Int32
	t.Run("clients", func(t *testing.T) {
		for name, rows := range map[string][]tableRow{"reading": readExchanges, "writing": writeExchanges} {
			t.Run("libcoap, UDP, "+name, func(t *testing.T) {
				t.Parallel()
				f := newFront(t)
				pump(t, f)
				runRows(t, libcoapClient("notls", "coap://"+f.udp.String()), &libcoap, rows)
			})
			t.Run("scapy, UDP, "+name, func(t *testing.T) {
				t.Parallel()
				f := newFront(t)
				pump(t, f)
				c := newScapyClient(t, f.udp)
				t.Logf("scapy %s", c.version)
				runRows(t, c.ask, &scapy, rows)
			})
		}
		t.Run("libcoap, DTLS, TCP and TLS", func(t *testing.T) {
			t.Parallel()
			secureLibcoap(t, &libcoap)
		})
		t.Run("go-coap, DTLS, TCP and TLS", func(t *testing.T) {
			t.Parallel()
			secureGoCoap(t, &goCoap)
		})
		t.Run("libcoap observes", func(t *testing.T) {
			t.Parallel()
			libcoapObserves(t, &libcoap)
		})
		t.Run("scapy observes", func(t *testing.T) {
			t.Parallel()
			scapyObserves(t, &scapy)
		})
	})
	all := libcoap.Load() + scapy.Load() + goCoap.Load()
	t.Logf("%d exchanges, libcoap %d, scapy %d, go-coap %d", all, libcoap.Load(), scapy.Load(), goCoap.Load())
	if all < 40 || libcoap.Load() < 40 || scapy.Load() < 40 {
		t.Error("want at least 40 of libcoap's client and of scapy's")
	}
}

func secureLibcoap(t *testing.T, n *atomic.Int32) {
	f, ca := guarded(t)
	pump(t, f)
	ca.issue("operator laptop")
	file := func(name string) string { return filepath.Join(ca.dir, name) }
	psk := []string{"-u", "operator", "-k", string(testKey("operator"))}
	cert := []string{"-c", file("operator laptop.pem"), "-j", file("operator laptop.key"), "-R", file("ca.pem")}
	for i, x := range []struct {
		program, scheme string
		door            msg.Door
		args            []string
	}{
		{"openssl", "coaps", msg.DoorDTLS, psk},
		{"gnutls", "coaps", msg.DoorDTLS, psk},
		{"openssl", "coaps", msg.DoorDTLS, cert},
		{"gnutls", "coaps", msg.DoorDTLS, cert},
		{"notls", "coap+tcp", msg.DoorTCP, nil},
		{"openssl", "coaps+tcp", msg.DoorTLS, cert},
		{"gnutls", "coaps+tcp", msg.DoorTLS, cert},
	} {
		runRows(t, libcoapClient(x.program, x.scheme+"://"+f.Addrs(x.door)[0].String(), x.args...), n, secureExchanges(fmt.Sprint(80+i), x.args != nil))
	}
}

func secureGoCoap(t *testing.T, n *atomic.Int32) {
	f, ca := guarded(t)
	pump(t, f)
	operator := ca.issue("operator laptop")
	dial := func(c []piondtls.ClientOption) (session, error) {
		return dtls.Dial(f.Addrs(msg.DoorDTLS)[0].String(), dtls.NewDTLSClientOptions(c...), soon(t))
	}
	csm := options.WithCSMExchangeTimeout(patience) // see TestGoCoapClients
	byKey, err := dial(client.PSK("operator", testKey("operator")))
	runRows(t, goCoapClient(t, byKey, err), n, secureExchanges("70", true))
	byCert, err := dial(certClient(ca, &operator))
	runRows(t, goCoapClient(t, byCert, err), n, secureExchanges("71", true))
	open, err := tcp.Dial(f.Addrs(msg.DoorTCP)[0].String(), soon(t), csm)
	runRows(t, goCoapClient(t, open, err), n, secureExchanges("72", false))
	conn, err := net.Dial("unix", f.control)
	if err != nil {
		t.Fatal(err)
	}
	control, err := tcp.Client(conn, soon(t), csm, options.WithCloseSocket())
	runRows(t, goCoapClient(t, control, err), n, secureExchanges("73", true))
}

// goCoapClient asks through one of go-coap's clients.
func goCoapClient(t *testing.T, c session, err error) exchangeClient {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		c.Close()
		<-c.Done()
	})
	return func(t *testing.T, x tableRow) outcome {
		t.Helper()
		ctx, cancel := context.WithTimeout(t.Context(), 3*patience)
		defer cancel()
		m := c.AcquireMessage(ctx)
		m.SetCode(x.method)
		token, err := message.GetToken()
		if err != nil {
			t.Fatal(err)
		}
		m.SetToken(token)
		for _, o := range append(slices.Clone(x.options), pathOptions(x.path)...) {
			m.AddOptionBytes(o.id, []byte(o.value))
		}
		if x.body != "" {
			m.SetBody(strings.NewReader(x.body))
		}
		r, err := c.Do(m)
		if err != nil {
			t.Fatalf("%s: %v", x.name, err)
		}
		return goCoapOutcome(t, r)
	}
}

func goCoapOutcome(t *testing.T, r *pool.Message) outcome {
	t.Helper()
	body, err := r.ReadBody()
	if err != nil {
		t.Fatal(err)
	}
	out := outcome{code: msg.CodeText(r.Code()), body: string(body), messages: 1}
	for _, o := range r.Options() {
		out.options = append(out.options, optionText(o.ID, o.Value))
	}
	return out
}
