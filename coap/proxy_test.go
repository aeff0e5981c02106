package coap

import (
	"encoding/hex"
	"fmt"
	"strings"
	"testing"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/bridgetest"
	"culvert/coap/msg"
)

// uriVector is a row of RFC 7252, appendix B. Uri-Host is left to who sends: the
// forward proxy looks for the host itself.
func uriVector(t *testing.T, v bridgetest.Vector, raw string) {
	u, err := msg.ParseURI(raw)
	if err != nil {
		t.Fatal(err)
	}
	destination, _ := vectorField[string](t, v, "destination")
	if want, _, _ := strings.Cut(destination, " "); u.Host != want {
		t.Errorf("host %q, want %q", u.Host, want)
	}
	if port, ok := vectorField[uint16](t, v, "port"); ok && u.Port != port {
		t.Errorf("port %d, want %d", u.Port, port)
	}
	want, _ := vectorField[struct {
		Path  []string `json:"uri_path"`
		Query []string `json:"uri_query"`
	}](t, v, "options")
	var got, wanted []string
	for _, o := range u.Options {
		got = append(got, fmt.Sprint(o.ID, string(o.Value)))
	}
	for _, p := range want.Path {
		if h, ok := strings.CutSuffix(p, " (utf-8 hex)"); ok {
			b, err := hex.DecodeString(h)
			if err != nil {
				t.Fatal(err)
			}
			p = string(b)
		}
		wanted = append(wanted, fmt.Sprint(message.URIPath, p))
	}
	for _, q := range want.Query {
		wanted = append(wanted, fmt.Sprint(message.URIQuery, q))
	}
	if strings.Join(got, "\n") != strings.Join(wanted, "\n") {
		t.Errorf("options %q, want %q", got, wanted)
	}
}

// RFC 7252, sections 5.7.2 and 5.10.2: the forward proxy goes to nodes of the meshes,
// and nowhere else.
func TestForwardProxy(t *testing.T) {
	f := newFront(t)
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		if m.Code == codes.POST {
			return [][]byte{ack(m, codes.Created, "", opt{message.LocationPath, "log"}, opt{message.LocationPath, "1"})}
		}
		return [][]byte{ack(m, codes.Content, "</a>", opt{message.ContentFormat, u(msg.FormatLink)})}
	})
	addr := f.table.Address(f.grainBin().Node).String()
	proxy := func(uri string, more ...opt) []opt { return append([]opt{{message.ProxyURI, uri}}, more...) }
	scheme := func(s, host string, more ...opt) []opt {
		return append([]opt{{message.ProxyScheme, s}, {message.URIHost, host}}, more...)
	}
	c := f.client()
	for i, x := range []struct {
		opts []opt
		path string // of the request itself
		want string // code, and what the node saw
	}{
		{proxy("coap://[" + addr + "]/a/b%20c?q=1&r"), "", "2.05 /a/b c ?q=1&r"},
		{proxy("coap://[" + addr + "]:5683"), "", "2.05 "},
		{proxy("COAP://grain-bin/x"), "", "2.05 /x"},
		{proxy("coap://[" + addr + "]/wins"), "nodes/mast/own/x", "2.05 /wins"},
		{scheme("coap", addr), "t/u", "2.05 /t/u"},
		{scheme("coap", "grain-bin", opt{message.URIPort, u(5683)}), "nodes", "2.05 /nodes"},
		{proxy("coap://["+addr+"]/a", opt{msg.OptHopLimit, "\x01"}), "", "5.08"},
		{proxy("coap://["+addr+"]/a", opt{msg.OptHopLimit, "\x09"}), "", "2.05 /a"},
		{proxy("coap://["+addr+"]/a", opt{65002, "z"}), "", "4.02"},
		{proxy("coap://[" + addr + "]:61616/a"), "", "5.05"},
		{proxy("coap://[2001:db8::1]/a"), "", "5.05"},
		{proxy("coap://[::1]/a"), "", "5.05"},
		{proxy("coap://[fe80::1]/a"), "", "5.05"},
		{proxy("coap://[ff02::fd]/a"), "", "5.05"},
		{proxy("coap://198.51.100.1/a"), "", "5.05"},
		{proxy("coap://example.com/a"), "", "5.05"},
		{proxy("coaps://[" + addr + "]/a"), "", "5.05"},
		{proxy("http://[" + addr + "]/a"), "", "5.05"},
		{proxy("coap://[" + addr + "]/a#f"), "", "4.02"},
		{scheme("http", addr), "t", "5.05"},
		{scheme("coap", "example.com"), "t", "5.05"},
		{[]opt{{message.ProxyScheme, "coap"}}, "nodes", "5.05"},
	} {
		before := len(n.seen())
		// Each is another request for the cache.
		m := c.ask(codes.GET, x.path, "", append(x.opts, opt{65000, fmt.Sprint(i)})...)
		got := msg.CodeText(m.Code)
		if log := n.seen(); len(log) > before {
			last := log[len(log)-1]
			queries, _ := last.Options.Queries()
			got += " " + msg.ResourcePath(last.Options, message.URIPath)
			if len(queries) > 0 {
				got += " ?" + strings.Join(queries, "&")
			}
			for _, id := range []message.OptionID{message.ProxyURI, message.ProxyScheme, message.URIHost, message.URIPort} {
				if _, ok := msg.Option(last.Options, id); ok {
					t.Errorf("%d: option %d reached the node", i, id)
				}
			}
		}
		if got != x.want {
			t.Errorf("%d %v: %q, want %q (%s)", i, x.opts, got, x.want, m.Payload)
		}
	}
	// What the node says stands as it is, for the client knows the node's own URI; the
	// same below /nodes is moved, and is one answer in the cache.
	if m := c.ask(codes.GET, "", "", proxy("coap://grain-bin/links")...); string(m.Payload) != "</a>" {
		t.Errorf("%q", m.Payload)
	}
	before := len(n.seen())
	if m := c.ask(codes.GET, "nodes/grain-bin/own/links", ""); string(m.Payload) != "</nodes/grain-bin/own/a>" || len(n.seen()) != before {
		t.Errorf("%q, asked again: %v", m.Payload, len(n.seen()) != before)
	}
	if m := c.ask(codes.POST, "", "x", proxy("coap://grain-bin/log")...); msg.ResourcePath(m.Options, message.LocationPath) != "/log/1" {
		t.Errorf("%v", m.Options)
	}
}
