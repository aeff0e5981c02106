package coap

import (
	"fmt"
	"net/netip"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/access"
	"culvert/coap/msg"
)

// What one client's request carries beside the cache key (RFC 7252, sections 5.4.2 and 5.6)
// reaches no node, now or when the response is asked for again, and what a critical option
// asks for that is not known here is not kept.
func TestNoRequestPoisonsTheCache(t *testing.T) {
	f := newFront(t, quick)
	var asked atomic.Int32
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		life := opt{message.MaxAge, u(60)}
		for _, o := range m.Options {
			if o.ID >= 60 { // a node that lets an option change what it answers
				return [][]byte{ack(m, codes.Content, "poisoned", life, opt{message.ETag, "p"})}
			}
		}
		return [][]byte{ack(m, codes.Content, fmt.Sprint("clean ", asked.Add(1)), life, opt{message.ETag, "c"})}
	})
	for i := range 20 {
		id := message.OptionID(284 + 32*i) // ends in 11100: elective, safe to forward, no part of the key
		if !msg.NoCacheKey(id) || msg.Critical(id) || msg.UnsafeToForward(id) {
			t.Fatalf("option %d is none of these", id)
		}
		path := fmt.Sprintf("nodes/grain-bin/own/t%d", i)
		first := f.client().ask(codes.GET, path, "", opt{id, "x"})
		if first.Code != codes.Content {
			t.Fatalf("option %d: %v", id, first.Code)
		}
		second := f.client().ask(codes.GET, path, "")
		if strings.Contains(string(second.Payload), "poisoned") {
			t.Errorf("option %d: others get %q", id, second.Payload)
		}
		f.ahead.Add(61e9) // stale: it is asked for again, by its ETag
		if m := f.client().ask(codes.GET, path, ""); strings.Contains(string(m.Payload), "poisoned") {
			t.Errorf("option %d: after a time others get %q", id, m.Payload)
		}
	}
	for _, id := range []message.OptionID{65, 2049, 65001} { // critical, safe to forward, part of the key
		const path = "nodes/grain-bin/own/critical"
		for range 2 {
			before := len(n.seen())
			m := f.client().ask(codes.GET, path, "", opt{id, "x"})
			if m.Code == codes.Content && len(n.seen()) == before {
				t.Errorf("option %d: answered from the cache", id)
			}
		}
		if m := f.client().ask(codes.GET, path, ""); strings.Contains(string(m.Payload), "poisoned") {
			t.Errorf("option %d: others get %q", id, m.Payload)
		}
	}
}

// The right to send a body is judged at its first block.
func TestBodyIsJudgedAtOnce(t *testing.T) {
	ids := []access.Identity{
		{Name: access.Anyone, May: access.MayRead}, {Name: "reader", PSK: testKey("reader"), May: access.MayRead},
		{Name: "miller", PSK: testKey("miller"), May: access.MayRead | access.MayWrite, Nodes: []string{"fenland/grain-*"}},
	}
	list, err := access.New(ids)
	if err != nil {
		t.Fatal(err)
	}
	f := newFront(t, func(s *Server) {
		s.opts.Access, s.opts.DTLS = list, []netip.AddrPort{netip.MustParseAddrPort("[::1]:0")}
	})
	block := msg.Block{More: true, SZX: 0}.Encode()
	c := f.client()
	for path, want := range map[string]codes.Code{"readings": codes.Forbidden, "rd": codes.Unauthorized, "nodes/grain-bin/own/x": codes.Unauthorized} {
		m := c.ask(codes.POST, path, strings.Repeat("x", 16), opt{message.URIQuery, "ep=x"}, opt{message.Block1, string(block)})
		if m.Code != want || f.uploads.Len() != 0 {
			t.Errorf("%s: %v, %d bodies kept", path, m.Code, f.uploads.Len())
		}
	}
	for name, want := range map[string]string{"reader": "4.03", "miller": "4.03"} { // miller is limited to nodes
		if got := f.dtlsAsker(name, nil, newAuthority(t))(codes.POST, "rd"); got != want {
			t.Errorf("%s registers: %s, want %s", name, got, want)
		}
	}
}

// Nobody but a node itself has its name in the resource directory, and a node changes only
// what is its own.
func TestDirectoryNamesAreReserved(t *testing.T) {
	f := newFront(t)
	c := f.client()
	post := func(path, query, body string) message.Message {
		t.Helper()
		opts := []opt{{message.ContentFormat, u(msg.FormatLink)}}
		for q := range strings.SplitSeq(query, "&") {
			opts = append(opts, opt{message.URIQuery, q})
		}
		return c.ask(codes.POST, path, body, opts...)
	}
	for _, x := range []struct{ query, body, want string }{
		{"ep=grain-bin", "</t>", "4.03"}, {"ep=mast", "</t>", "4.03"}, {"ep=Grain-Bin&d=x", "</t>", "4.03"}, {"ep=elsewhere", "</t>", "2.01"},
		{"ep=a", "</t>;rt=a b", "4.00"}, {"ep=a", "</t\n>;rt=a", "4.00"}, {"ep=a", "</t>;rt=\"a\x1b[31m\"", "4.00"},
		{"ep=a", "</a b>", "4.00"}, {"ep=a", "</a\"b>", "4.00"}, {"ep=a", "</t>;r t=1", "4.00"}, {"ep=a", "</t>;<x>=1", "4.00"},
		{"ep=a", "</t>;title*=UTF-8''%e2%82%ac;if=sensor;sz=12;obs", "2.01"},
	} {
		if m := post("rd", x.query, x.body); msg.CodeText(m.Code) != x.want {
			t.Errorf("%s %q: %v %s, want %s", x.query, x.body, m.Code, m.Payload, x.want)
		}
	}
}
