package directory

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/msg"
)

// The directory is bounded.
func TestDirectoryBounds(t *testing.T) {
	d := New(Options{Now: time.Now})
	now := time.Now()
	body := []byte("</" + strings.Repeat("x", 8000) + ">")
	full := false
	for i := range maxEndpoints + 10 {
		r := d.register(Endpoint{name: endpointName{ep: fmt.Sprint(i)}, lt: 60}, body, now)
		full = full || r.Code == codes.ServiceUnavailable
	}
	if !full || len(d.byName) > maxEndpoints || d.octets > maxLinksAll {
		t.Errorf("%d endpoints, %d octets", len(d.byName), d.octets)
	}
	if r := d.register(Endpoint{name: endpointName{ep: "many"}}, []byte(strings.Repeat("</>,", msg.MaxLinks)+"</>"), now); r.Code != codes.RequestEntityTooLarge {
		t.Errorf("%v", r.Code)
	}
	d.Expire(now.Add(time.Hour))
	if len(d.byName) != 0 || len(d.byID) != 0 || d.octets != 0 {
		t.Errorf("%d endpoints, %d octets are left", len(d.byName), d.octets)
	}
}

// FuzzDirectory registers, updates and looks up: no endpoint makes a lookup's result
// something that is not in the link format, or more links than were registered.
func FuzzDirectory(f *testing.F) {
	f.Add("ep=node1&lt=100&base=coap://[2001:db8:3::123]:61616&et=sump", `</t>;rt="temperature-c";anchor="/x"`, "rt=temp*&page=0&count=2")
	f.Add(`ep="&d=\&base=coap://a,b;c`, `<>;anchor=/,</a>;x`, "href=/rd/*")
	f.Fuzz(func(t *testing.T, query, body, ask string) {
		request := func(q string) *msg.Request {
			req := &msg.Request{Code: codes.POST, Peer: msg.Peer{Addr: netip.MustParseAddrPort("[2001:db8::1]:5683")}}
			for part := range strings.SplitSeq(q, "&") {
				req.Options = append(req.Options, message.Option{ID: message.URIQuery, Value: []byte(part)})
			}
			return req
		}
		s := New(Options{Now: time.Now})
		now := time.Now()
		g, _, ok := parseRegistration(request(query))
		if !ok {
			return
		}
		if g.base == "" {
			g.base = baseOf(netip.MustParseAddrPort("[2001:db8::1]:5683"))
		}
		r := s.register(g.Endpoint, []byte(body), now)
		links, err := msg.ParseLinks(body)
		valid := err == nil && !slices.ContainsFunc(links, func(l msg.Link) bool { return l.Check() != nil })
		if r.Code == codes.Created != (valid && len(links) <= msg.MaxLinks && len(body) <= msg.MaxLinkText) {
			t.Fatalf("%v, %d links (%v)", r.Code, len(links), err)
		}
		s.change(request(ask), "1", node.Member{}, false, now)
		for what, most := range map[string]int{"ep": 1, "res": len(links)} {
			for _, q := range []string{"", ask} {
				r := s.Lookup(request(q), what)
				if r.Code != codes.Content {
					continue
				}
				if got, err := msg.ParseLinks(string(r.Payload)); err != nil || len(got) > most {
					t.Fatalf("%s?%s of %q, %q: %q (%v)", what, q, query, body, r.Payload, err)
				}
			}
		}
	})
}
