package coap

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/api"
	"culvert/coap/msg"
)

// What the front's own resources answer: RFC 7252, sections 5.4 and 5.8 to 5.10,
// where the row names no other.
func TestTree(t *testing.T) {
	f := newFront(t)
	c := f.client()
	for _, x := range []struct {
		name, path string
		code       codes.Code
		opts       []opt
		want       string // code of the answer
		format     int64  // -1: none
		has        string // in the payload
	}{
		{"nodes", "nodes", codes.GET, nil, "2.05", 50, `"node":"grain-bin"`},
		{"nodes as JSON", "nodes", codes.GET, []opt{{message.Accept, u(50)}}, "2.05", 50, `"node":"mast"`},
		{"nodes as links", "nodes", codes.GET, []opt{{message.Accept, u(40)}}, "2.05", 40, `</nodes/grain-bin>;rt="mesh-node"`},
		{"nodes as text", "nodes", codes.GET, []opt{{message.Accept, ""}}, "2.05", 0, "grain-bin up fd5e:2a11:77c0:1:200:5eef:1000:5 2026-11-25T10:00:00Z\nmast expected - -\n"},
		{"unknown Accept", "nodes", codes.GET, []opt{{message.Accept, u(41)}}, "4.06", -1, "50 0 40"},
		{"a node", "nodes/grain-bin", codes.GET, nil, "2.05", 50, `"supply_mv":3010,"battery_percent":87`},
		{"a node by EUI-64 is by its place now", "nodes/00:00:5e:ef:10:00:00:05", codes.GET, nil, "4.04", -1, "/nodes lists them"},
		{"a node as text", "nodes/mast", codes.GET, []opt{{message.Accept, ""}}, "2.05", 0, "mast expected - -"},
		{"a node's links", "nodes/mast", codes.GET, []opt{{message.Accept, u(40)}}, "2.05", 40, `</nodes/mast/own/.well-known/core>`},
		{"a node in a format that is not there", "nodes/mast", codes.GET, []opt{{message.Accept, u(60)}}, "4.06", -1, ""},
		{"no such node", "nodes/nobody", codes.GET, nil, "4.04", -1, `no node "nobody"`},
		{"no such node's own", "nodes/nobody/own/temp", codes.GET, nil, "4.04", -1, ""},
		{"no such part of a node", "nodes/mast/flight", codes.GET, nil, "4.04", -1, ""},
		{"nowhere", "somewhere", codes.GET, nil, "4.04", -1, "/.well-known/core"},
		{"root", "", codes.GET, nil, "4.04", -1, ""},
		{"control is not on this door", "control/status", codes.GET, nil, "4.04", -1, ""},
		{"PUT on a list", "nodes", codes.PUT, nil, "4.05", -1, ""},
		{"DELETE of a node", "nodes/mast", codes.DELETE, nil, "4.05", -1, ""},
		{"a method that does not exist", "nodes", 31, nil, "4.05", -1, "0.31"},
		{"Uri-Host and Uri-Port", "nodes/mast", codes.GET, []opt{{message.URIHost, "gateway"}, {message.URIPort, u(5683)}}, "2.05", 50, ""},
		{"empty Uri-Host", "nodes/mast", codes.GET, []opt{{message.URIHost, ""}}, "4.02", -1, "option 3"},
		{"Accept twice", "nodes/mast", codes.GET, []opt{{message.Accept, u(50)}, {message.Accept, u(50)}}, "4.02", -1, "option 17"},
		{"Accept too long", "nodes/mast", codes.GET, []opt{{message.Accept, "\x00\x00\x32"}}, "4.02", -1, "option 17"},
		{"Accept with a leading zero", "nodes/mast", codes.GET, []opt{{message.Accept, "\x00\x32"}}, "2.05", 50, ""},
		{"critical option that nobody knows", "nodes", codes.GET, []opt{{65001, "\x00"}}, "4.02", -1, "option 65001"},
		{"elective option that nobody knows", "nodes", codes.GET, []opt{{65000, "\x00"}}, "2.05", 50, ""},
		{"elective and unsafe, on a resource of the front", "nodes", codes.GET, []opt{{65002, "z"}}, "2.05", 50, ""},
		{"Observe", "nodes/mast", codes.GET, []opt{{message.Observe, ""}}, "2.05", 50, ""},
		{"Proxy-Uri (5.7.2)", "nodes", codes.GET, []opt{{message.ProxyURI, "coap://[2001:db8::1]/t"}}, "5.05", -1, ""},
		{"Proxy-Scheme (5.10.2)", "nodes", codes.GET, []opt{{message.ProxyScheme, "coap"}, {message.URIHost, "x"}}, "5.05", -1, ""},
		{"OSCORE at the front itself (RFC 8613, 2)", "nodes", codes.POST, []opt{{msg.OptOSCORE, "\x09\x14\x20"}}, "4.02", -1, "option 9"},
		{"block size 7 (RFC 7959, 2.2)", "nodes", codes.GET, []opt{{message.Block2, "\x07"}}, "4.00", -1, ""},
		{"a block past the end (RFC 7959, 2.4)", "nodes", codes.GET, []opt{{message.Block2, "\x7f\xf6"}}, "4.02", -1, "past the end"},
		{"all links (RFC 6690, 4)", ".well-known/core", codes.GET, nil, "2.05", 40, `</nodes/grain-bin/readings>;rt="readings";ct="110 112"`},
		{"links by type", ".well-known/core", codes.GET, []opt{{message.URIQuery, "rt=mesh-nodes"}}, "2.05", 40, `</nodes>;rt="mesh-nodes";ct="50 0 40"`},
		{"links by the start of a type", ".well-known/core", codes.GET, []opt{{message.URIQuery, "rt=readings-*"}}, "2.05", 40, `</readings>;rt="readings-sink"`},
		{"links by a content format of several", ".well-known/core", codes.GET, []opt{{message.URIQuery, "ct=112"}}, "2.05", 40, `</nodes/mast/readings>`},
		{"links by path", ".well-known/core", codes.GET, []opt{{message.URIQuery, "href=/nodes/m*"}}, "2.05", 40, `</nodes/mast>`},
		{"no link: an empty answer (RFC 6690, 4.1)", ".well-known/core", codes.GET, []opt{{message.URIQuery, "rt=none"}}, "2.05", 40, ""},
		{"a filter without a value", ".well-known/core", codes.GET, []opt{{message.URIQuery, "rt"}}, "4.00", -1, ""},
		{"links as JSON", ".well-known/core", codes.GET, []opt{{message.Accept, u(50)}}, "4.06", -1, ""},
		{"readings of a node that said nothing", "nodes/mast/readings", codes.GET, nil, "2.05", 110, "[]"},
		{"a reading that is not there", "nodes/mast/readings/temp", codes.GET, nil, "4.04", -1, `no reading "temp"`},
		{"readings as CBOR", "nodes/mast/readings", codes.GET, []opt{{message.Accept, u(112)}}, "2.05", 112, "\x80"},
		{"readings as text", "nodes/mast/readings", codes.GET, []opt{{message.Accept, ""}}, "4.06", -1, ""},
		{"readings are not written there", "nodes/mast/readings", codes.POST, nil, "4.05", -1, ""},
		{"readings from no node", "readings", codes.POST, []opt{{message.ContentFormat, u(110)}}, "4.03", -1, "no node"},
		{"readings are not read there", "readings", codes.GET, nil, "4.05", -1, ""},
		{"own of a place that nobody heard of", "nodes/mast/own/temp", codes.GET, nil, "5.03", -1, "no address"},
	} {
		m := c.ask(x.code, x.path, "", x.opts...)
		if got := msg.CodeText(m.Code); got != x.want || m.Type != message.Acknowledgement {
			t.Errorf("%s: %s of type %v (%q), want %s", x.name, got, m.Type, m.Payload, x.want)
		}
		if got := msg.Uint(m.Options, message.ContentFormat); got != x.format {
			t.Errorf("%s: Content-Format %d, want %d", x.name, got, x.format)
		}
		if !strings.Contains(string(m.Payload), x.has) {
			t.Errorf("%s: %q, want something with %q", x.name, m.Payload, x.has)
		}
	}
	// "No link" means none at all, and a filter leaves out the rest.
	if m := c.ask(codes.GET, ".well-known/core", "", opt{message.URIQuery, "rt=none"}); len(m.Payload) > 0 {
		t.Errorf("rt=none: %q", m.Payload)
	}
	m := c.ask(codes.GET, ".well-known/core", "", opt{message.URIQuery, "rt=mesh-nodes"})
	if strings.Contains(string(m.Payload), "/nodes/") {
		t.Errorf("rt=mesh-nodes also gave %q", m.Payload)
	}
}

// What /nodes/NODE says, field by field.
func TestNodeState(t *testing.T) {
	f := newFront(t)
	f.table.SetLink(eui(5), eui(1), node.Link{Signal: -67})
	m := f.client().ask(codes.GET, "nodes/grain-bin", "")
	var got api.NodeState
	if err := json.Unmarshal(m.Payload, &got); err != nil {
		t.Fatal(err)
	}
	want := `{"node":"grain-bin","mesh":"fenland","state":"up","status":"up","since":"2026-11-25T10:00:00Z","heard":"2026-11-25T10:00:00Z",` +
		`"address":"fd5e:2a11:77c0:1:200:5eef:1000:5","other_addresses":["fd5e:2a11:77c0:1:0:ff:fe00:1205"],` +
		`"eui64":"00:00:5e:ef:10:00:00:05","short":"12:05","hops":2,"signal":-67,"parents":["00:00:5e:ef:10:00:00:01"],` +
		`"supply_mv":3010,"battery_percent":87}`
	if string(m.Payload) != want {
		t.Errorf("got  %s\nwant %s", m.Payload, want)
	}
	back, err := json.Marshal(got)
	if err != nil || string(back) != want {
		t.Errorf("read and written again: %s (%v)", back, err)
	}
}

// RFC 7252, section 5.10.6.2: a listing whose ETag the client names is 2.03.
func TestListingETag(t *testing.T) {
	f := newFront(t)
	c := f.client()
	m := c.ask(codes.GET, "nodes", "")
	tag, ok := msg.Option(m.Options, message.ETag)
	if !ok {
		t.Fatal("no ETag")
	}
	m = c.ask(codes.GET, "nodes", "", opt{message.ETag, "other"}, opt{message.ETag, string(tag)})
	if m.Code != codes.Valid || len(m.Payload) > 0 || msg.Uint(m.Options, message.ContentFormat) >= 0 {
		t.Errorf("%v, %d octets, options %v", m.Code, len(m.Payload), m.Options)
	}
	if m = c.ask(codes.GET, "nodes", "", opt{message.ETag, "other"}); m.Code != codes.Content {
		t.Errorf("another ETag: %v", m.Code)
	}
}

// crowd adds nodes that the radio listed, up to a total of n.
func crowd(t testing.TB, table *node.Table, n int) {
	t.Helper()
	for i := table.Len(); i < n; i++ {
		if table.Attach(node.Joined{EUI64: eui(0x1000 + i)}, time.Now()).Node == nil {
			t.Fatal("no room")
		}
	}
}

// RFC 7959, section 2.4: 5,000 nodes block by block, in three sizes, while nodes
// come and go: every block is of the same listing.
func TestListingInBlocks(t *testing.T) {
	f := newFront(t)
	crowd(t, f.table, 5000)
	c := f.client()
	for _, x := range []struct {
		path   string
		accept uint32
		szx    uint32
	}{{"nodes", 50, 6}, {"nodes", 40, 6}, {"nodes", 0, 5}, {".well-known/core", 40, 6}} {
		body, blocks := c.fetch(x.path, x.szx, func(num int) {
			if num == 3 {
				// A newcomer in the middle, seen by another client at once.
				f.table.Attach(node.Joined{EUI64: eui(0x9000 + int(x.accept) + len(x.path))}, time.Now())
			}
		}, opt{message.Accept, u(x.accept)})
		n := strings.Count(body, "</nodes/")
		switch x.accept {
		case 50:
			var states []api.NodeState
			if err := json.Unmarshal([]byte(body), &states); err != nil {
				t.Fatalf("%s: %v", x.path, err)
			}
			n = len(states)
		case 0:
			n = strings.Count(body, "\n")
		}
		if x.path != "nodes" {
			n = strings.Count(body, `rt="mesh-node"`)
		}
		if n < 5000 {
			t.Errorf("%s in format %d: %d nodes in %d blocks", x.path, x.accept, n, blocks)
		}
		t.Logf("%s in format %d: %d octets, %d nodes, %d blocks of %d", x.path, x.accept, len(body), n, blocks, 16<<x.szx)
	}
}

// fetch reads a body block by block, as section 2.4 of RFC 7959 has it.
func (c *udpClient) fetch(path string, szx uint32, at func(int), opts ...opt) (string, int) {
	c.t.Helper()
	var body []byte
	var tag string
	for num := uint32(0); ; num++ {
		if at != nil {
			at(int(num))
		}
		m := c.ask(codes.GET, path, "", append([]opt{{message.Block2, u(num<<4 | szx)}}, opts...)...)
		if m.Code != codes.Content {
			c.t.Fatalf("block %d: %v %s", num, m.Code, m.Payload)
		}
		b, present, _ := msg.BlockOption(m.Options, message.Block2, false)
		if !present {
			return string(m.Payload), 1
		}
		e, ok := msg.Option(m.Options, message.ETag)
		switch {
		case b.Num != num || b.SZX != uint8(szx):
			c.t.Fatalf("asked for block %d of size %d, got %+v", num, szx, b)
		case !ok || num > 0 && string(e) != tag:
			c.t.Fatalf("block %d: ETag %x after %x", num, e, tag)
		case b.More && len(m.Payload) != b.Size():
			c.t.Fatalf("block %d has %d octets", num, len(m.Payload))
		case num == 0 && msg.Uint(m.Options, message.Size2) < int64(len(m.Payload)):
			c.t.Fatalf("Size2 is %d", msg.Uint(m.Options, message.Size2))
		}
		tag = string(e)
		body = append(body, m.Payload...)
		if !b.More {
			return string(body), int(num) + 1
		}
	}
}

// Two clients in the middle of two listings each get their own to the end.
func TestTwoTransfers(t *testing.T) {
	f := newFront(t)
	crowd(t, f.table, 40)
	a, b := f.client(), f.client()
	read := func(c *udpClient, num uint32) message.Message {
		return c.ask(codes.GET, "nodes", "", opt{message.Block2, u(num<<4 | 2)})
	}
	first := read(a, 0)
	crowd(t, f.table, 60)
	f.listings.mu.Lock()
	f.listings.last[msg.FormatJSON].at = time.Time{} // as if a second had passed
	f.listings.mu.Unlock()
	second := read(b, 0)
	ta, _ := msg.Option(first.Options, message.ETag)
	tb, _ := msg.Option(second.Options, message.ETag)
	if string(ta) == string(tb) {
		t.Fatal("the listing did not change")
	}
	ta2, _ := msg.Option(read(a, 1).Options, message.ETag)
	tb2, _ := msg.Option(read(b, 1).Options, message.ETag)
	if string(ta) != string(ta2) || string(tb) != string(tb2) {
		t.Errorf("the second blocks have the ETags %x and %x, want %x and %x", ta2, tb2, ta, tb)
	}
}
