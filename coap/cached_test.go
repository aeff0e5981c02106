package coap

import (
	"testing"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/access"
	"culvert/coap/client"
)

// What is kept of a node is only for who may read it, and is what a request without
// the short way gets (RFC 7252, sections 5.6 and 11.2).
func TestAtHand(t *testing.T) {
	access, err := access.New([]access.Identity{{Name: access.Anyone, May: access.MayRead, Nodes: []string{"fenland/grain-*"}}})
	if err != nil {
		t.Fatal(err)
	}
	f := newFront(t, func(s *Server) { s.opts.Access = access })
	answer := func(_ *fakeNode, m message.Message) [][]byte {
		return [][]byte{ack(m, codes.Content, "21.5", opt{message.MaxAge, "\x3c"}, opt{message.ETag, "v1"})}
	}
	n := f.newNode("grain-bin", answer)
	other := f.newNode("mast", answer)
	local, err := client.DialControl(t.Context(), f.control)
	if err != nil {
		t.Fatal(err)
	}
	defer local.Close()
	for _, path := range []string{"/nodes/grain-bin/own/temp", "/nodes/mast/own/temp"} {
		if _, err := local.Do(t.Context(), client.Ask{Path: path, Accept: -1}); err != nil {
			t.Fatal(path, err)
		}
	}
	c := f.client()
	for _, row := range []struct {
		name  string
		path  string
		opts  []opt
		want  codes.Code
		asked int // requests that reach the nodes in all
	}{
		{"kept", "nodes/grain-bin/own/temp", nil, codes.Content, 2},
		{"its entity tag", "nodes/grain-bin/own/temp", []opt{{message.ETag, "v1"}}, codes.Valid, 2},
		{"another Accept is another answer", "nodes/grain-bin/own/temp", []opt{{message.Accept, "\x32"}}, codes.Content, 3},
		{"another query too", "nodes/grain-bin/own/temp", []opt{{message.URIQuery, "u=F"}}, codes.Content, 4},
		{"and is kept", "nodes/grain-bin/own/temp", []opt{{message.URIQuery, "u=F"}}, codes.Content, 4},
		{"a host's name is none", "nodes/grain-bin/own/temp", []opt{{message.URIHost, "gateway"}}, codes.Content, 4},
		{"a critical option", "nodes/grain-bin/own/temp", []opt{{3001 | 2, "x"}}, codes.BadOption, 4},
		{"a host's name that is empty", "nodes/grain-bin/own/temp", []opt{{message.URIHost, ""}}, codes.BadOption, 4},
		{"kept, but not for everybody", "nodes/mast/own/temp", nil, codes.Unauthorized, 4},
		{"no such node", "nodes/pump/own/temp", nil, codes.Unauthorized, 4},
	} {
		m := c.ask(codes.GET, row.path, "", row.opts...)
		if m.Code != row.want {
			t.Errorf("%s: %v %q, want %v", row.name, m.Code, m.Payload, row.want)
		}
		if got := len(n.seen()) + len(other.seen()); got != row.asked {
			t.Errorf("%s: %d requests reached nodes, want %d", row.name, got, row.asked)
		}
	}
	// A repetition of a request that the cache answered may be served again.
	req := build(message.Confirmable, codes.GET, 0x7777, "rep", "nodes/grain-bin/own/temp", "")
	for range 2 {
		c.send(req)
		if m := c.message(); m.Code != codes.Content || m.MessageID != 0x7777 || string(m.Payload) != "21.5" {
			t.Errorf("repetition: %v", m)
		}
	}
}
