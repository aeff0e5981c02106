package coap

import (
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/bridgetest"
)

// uriVector is a row of RFC 7252, appendix B. Uri-Host is left to who sends: the
// forward proxy looks for the host itself.
func uriVector(t *testing.T, v bridgetest.Vector, raw string) {
	u, err := parseURI(raw)
	if err != nil {
		t.Fatal(err)
	}
	destination, _ := vectorField[string](t, v, "destination")
	if want, _, _ := strings.Cut(destination, " "); u.host != want {
		t.Errorf("host %q, want %q", u.host, want)
	}
	if port, ok := vectorField[uint16](t, v, "port"); ok && u.port != port {
		t.Errorf("port %d, want %d", u.port, port)
	}
	want, _ := vectorField[struct {
		Path  []string `json:"uri_path"`
		Query []string `json:"uri_query"`
	}](t, v, "options")
	var got, wanted []string
	for _, o := range u.options {
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

// RFC 7252, section 6.4: URIs that are none.
func TestURIErrors(t *testing.T) {
	for _, s := range []string{
		"", "coap:", "/nodes", "coap://", "coap:///a", "coap://[2001:db8::1/a", "coap://[x]/", "coap://[2001:db8::1]x/",
		"coap://a:0/", "coap://a:65536/", "coap://a:x/", "coap://a/%", "coap://a/%4", "coap://a/%zz", "coap://a/?%", "coap://a/#f",
		"coap://user@a/", "coap://a/" + strings.Repeat("x", 256), "coap://" + strings.Repeat("x", 256) + "/",
	} {
		if _, err := parseURI(s); !errors.Is(err, errURI) {
			t.Errorf("%.40q: %v", s, err)
		}
	}
	for _, s := range []string{"coaps://a/", "http://a/", "coap+tcp://a/"} {
		if _, err := parseURI(s); !errors.Is(err, errScheme) {
			t.Errorf("%q: %v", s, err)
		}
	}
}

func FuzzParseURI(f *testing.F) {
	for _, s := range []string{"coap://[2001:db8::2:1]/", "coap://198.51.100.1:61616//%2F//?%2F%2F&?%26", "coap://a"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		u, err := parseURI(s)
		if err != nil {
			return
		}
		if u.host == "" || u.port == 0 {
			t.Errorf("%+v", u)
		}
		for _, o := range u.options {
			if len(o.Value) > 255 {
				t.Errorf("a part of %d octets", len(o.Value))
			}
		}
	})
}

// RFC 7252, sections 5.7.2 and 5.10.2: the forward proxy goes to nodes of the meshes,
// and nowhere else.
func TestForwardProxy(t *testing.T) {
	f := newFront(t)
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		if m.Code == codes.POST {
			return [][]byte{ack(m, codes.Created, "", opt{message.LocationPath, "log"}, opt{message.LocationPath, "1"})}
		}
		return [][]byte{ack(m, codes.Content, "</a>", opt{message.ContentFormat, u(formatLink)})}
	})
	addr := f.table.Address(f.grainBin().node).String()
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
		{proxy("coap://["+addr+"]/a", opt{optHopLimit, "\x01"}), "", "5.08"},
		{proxy("coap://["+addr+"]/a", opt{optHopLimit, "\x09"}), "", "2.05 /a"},
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
		got := codeText(m.Code)
		if log := n.seen(); len(log) > before {
			last := log[len(log)-1]
			queries, _ := last.Options.Queries()
			got += " " + resourcePath(last.Options, message.URIPath)
			if len(queries) > 0 {
				got += " ?" + strings.Join(queries, "&")
			}
			for _, id := range []message.OptionID{message.ProxyURI, message.ProxyScheme, message.URIHost, message.URIPort} {
				if _, ok := option(last.Options, id); ok {
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
	if m := c.ask(codes.POST, "", "x", proxy("coap://grain-bin/log")...); resourcePath(m.Options, message.LocationPath) != "/log/1" {
		t.Errorf("%v", m.Options)
	}
}
