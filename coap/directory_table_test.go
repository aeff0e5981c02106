package coap

import (
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// RFC 9176, sections 4 to 6, clause by clause: what TestResourceDirectory and
// TestDirectoryEdges leave out.
func TestDirectoryClauses(t *testing.T) {
	f := newFront(t)
	c := f.client()
	ask := func(code codes.Code, path, q, body string) message.Message {
		o := queries(q)
		if body != "" {
			o = append(o, opt{message.ContentFormat, u(msg.FormatLink)})
		}
		return c.ask(code, path, body, o...)
	}
	location := func(m message.Message) string {
		return strings.TrimPrefix(msg.ResourcePath(m.Options, message.LocationPath), "/")
	}
	lookup := func(what, q string) string {
		m := ask(codes.GET, "rd-lookup/"+what, q, "")
		if m.Code != codes.Content {
			return msg.CodeText(m.Code)
		}
		return string(m.Payload)
	}
	must := func(m message.Message, code codes.Code) message.Message {
		t.Helper()
		if m.Code != code {
			t.Fatalf("%v, want %v", &m, code)
		}
		return m
	}
	const here = "base=coap://[2001:db8::1]"

	// 4.3: the directory is found.
	if m := ask(codes.GET, ".well-known/core", "rt=core.rd*", ""); string(m.Payload) !=
		`</rd>;rt="core.rd";ct="40",</rd-lookup/ep>;rt="core.rd-lookup-ep";ct="40",</rd-lookup/res>;rt="core.rd-lookup-res";ct="40"` {
		t.Errorf("discovery: %s", m.Payload)
	}
	// 5: the same ep and d has its location again, with the new links and attributes in
	// place of the old ones; in another sector it is another endpoint.
	first := location(must(ask(codes.POST, "rd", "ep=reed&d=north&et=sump&"+here, `</a>;rt=depth`), codes.Created))
	again := location(must(ask(codes.POST, "rd", "ep=reed&d=north&"+here, `</b>;rt=flow`), codes.Created))
	south := location(must(ask(codes.POST, "rd", "ep=reed&d=south&"+here, `</c>;rt=depth`), codes.Created))
	plain := location(must(ask(codes.POST, "rd", "ep=reed&"+here, `</d>;rt=depth`), codes.Created))
	if first != again || first == south || first == plain || south == plain {
		t.Errorf("locations %s, %s, %s, %s", first, again, south, plain)
	}
	for _, x := range [][3]string{
		{"res", "d=north", `<coap://[2001:db8::1]/b>;rt=flow;anchor="coap://[2001:db8::1]"`},
		{"ep", "et=sump", ""},
		{"ep", "ep=reed&d=south", `</` + south + `>;ep="reed";d="south";base="coap://[2001:db8::1]";rt="core.rd-ep"`},
		// 6.2: filters on links and their registration, by one of them each.
		{"res", "rt=depth&d=south", `<coap://[2001:db8::1]/c>;rt=depth;anchor="coap://[2001:db8::1]"`},
		{"res", "href=/" + south, `<coap://[2001:db8::1]/c>;rt=depth;anchor="coap://[2001:db8::1]"`},
		{"res", "href=coap://[2001:db8::1]/d", `<coap://[2001:db8::1]/d>;rt=depth;anchor="coap://[2001:db8::1]"`},
		{"ep", "href=coap://[2001:db8::1]/b", `</` + first + `>;ep="reed";d="north";base="coap://[2001:db8::1]";rt="core.rd-ep"`},
		{"res", "anchor=coap://[2001:db8::1]&rt=flow", `<coap://[2001:db8::1]/b>;rt=flow;anchor="coap://[2001:db8::1]"`},
		{"ep", "ep=reed&d=west", ""},
		{"res", "base=coap://[2001:db8::1]&rt=flow", `<coap://[2001:db8::1]/b>;rt=flow;anchor="coap://[2001:db8::1]"`},
	} {
		if got := lookup(x[0], x[1]); got != x[2] {
			t.Errorf("%s?%s: %s\nwant %s", x[0], x[1], got, x[2])
		}
	}
	// 6.1: pages are of one order, without gaps or repetitions.
	whole, paged := lookup("ep", ""), []string{}
	for page := range 3 {
		paged = append(paged, lookup("ep", fmt.Sprintf("page=%d&count=1", page)))
	}
	if strings.Join(paged, ",") != whole || lookup("ep", "page=3&count=1") != "" || lookup("ep", "count=3") != whole {
		t.Errorf("pages %q of %q", paged, whole)
	}
	// 5.3.1: an update changes what it names and keeps the rest, links included; targets
	// follow a new base (6.1).
	must(ask(codes.POST, first, "base=coap://[2001:db8::2]:61616&et=bank", ""), codes.Changed)
	must(ask(codes.POST, first, "", ""), codes.Changed)
	if got, want := lookup("res", "et=bank"), `<coap://[2001:db8::2]:61616/b>;rt=flow;anchor="coap://[2001:db8::2]:61616"`; got != want {
		t.Errorf("after the update: %s, want %s", got, want)
	}
	// 5: lt from 1 to 4294967295.
	for lt, want := range map[string]codes.Code{
		"0": codes.BadRequest, "1": codes.Created, "4294967295": codes.Created, "4294967296": codes.BadRequest, "-1": codes.BadRequest,
		"": codes.BadRequest, "1.5": codes.BadRequest, "0x10": codes.BadRequest,
	} {
		if m := ask(codes.POST, "rd", "ep=life"+strings.TrimPrefix(lt, "-")+"&lt="+lt, ""); m.Code != want {
			t.Errorf("lt=%s: %v, want %v", lt, m.Code, want)
		}
	}
	// What would not stay inside its attribute, or is no text.
	for _, q := range []string{
		`ep=x&a,</evil>=1`, `ep=x&a b=1`, `ep=x&a"=1`, "ep=x\n", "ep=x&d=\x7f", "ep=x&et=\xff", `ep=x&base=coap://h>;rt="a",<b`, "ep=x&=1",
	} {
		if m := ask(codes.POST, "rd", q, ""); m.Code != codes.BadRequest {
			t.Errorf("%q: %v", q, &m)
		}
	}
	must(ask(codes.POST, "rd", `ep=a "quoted" \name`, ""), codes.Created)
	if links, err := msg.ParseLinks(lookup("ep", `ep=a "quoted" \name`)); err != nil || len(links) != 1 || links[0].Attributes[0].Value != `a "quoted" \name` {
		t.Errorf("%v (%v)", links, err)
	}
	// 5.3.2, and that a registration is not read.
	if m := ask(codes.GET, first, "", ""); m.Code != codes.MethodNotAllowed {
		t.Errorf("GET of a registration: %v", m.Code)
	}
	must(ask(codes.DELETE, first, "", ""), codes.Deleted)
	must(ask(codes.DELETE, first, "", ""), codes.NotFound)
	must(ask(codes.POST, first, "lt=60", ""), codes.NotFound)
	if got := lookup("res", "d=north"); got != "" {
		t.Errorf("removed: %s", got)
	}
}

// RFC 9176, section 5.1: a simple registration is answered at once, its links are read
// from the node, and the next one renews them at the same place.
func TestSimpleRegistration(t *testing.T) {
	f := newFront(t)
	grain := f.grainBin().Node
	var reads atomic.Int32
	f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		if msg.ResourcePath(m.Options, message.URIPath) != "/.well-known/core" {
			return [][]byte{ack(m, codes.NotFound, "")}
		}
		return [][]byte{ack(m, codes.Content, fmt.Sprintf("</%d>", reads.Add(1)), opt{message.ContentFormat, u(msg.FormatLink)}, opt{message.MaxAge, ""})}
	})
	find := func() string {
		return string(f.client().ask(codes.GET, "rd-lookup/res", "", queries("ep=grain&d=fen")...).Payload)
	}
	place := func() string {
		return string(f.client().ask(codes.GET, "rd-lookup/ep", "", queries("ep=grain")...).Payload)
	}
	var places []string
	for i := range 2 {
		if r := f.fromNode(grain, codes.POST, ".well-known/rd", "ep=grain&d=fen&lt=600", ""); r.Code != codes.Changed || len(r.Payload) != 0 {
			t.Fatalf("%v %s", r.Code, r.Payload)
		}
		base := "coap://[" + f.table.Address(grain).String() + "]"
		want := fmt.Sprintf(`<%s/%d>;anchor="%s"`, base, i+1, base)
		eventually(t, "its links are read", func() bool { return find() == want })
		places = append(places, place())
	}
	if places[0] != places[1] || places[0] == "" {
		t.Errorf("it moved: %q", places)
	}
	for q, want := range map[string]codes.Code{
		"": codes.BadRequest, "ep=x&base=coap://[2001:db8::1]": codes.BadRequest, "ep=x&lt=0": codes.BadRequest,
	} {
		if r := f.fromNode(grain, codes.POST, ".well-known/rd", q, ""); r.Code != want {
			t.Errorf("?%s: %v, want %v", q, r.Code, want)
		}
	}
	if r := f.fromNode(grain, codes.POST, ".well-known/rd", "ep=x", "</a>"); r.Code != codes.BadRequest {
		t.Errorf("with a payload: %v", r.Code)
	}
	f.directory.Expire(time.Now().Add(601 * time.Second))
	if got := find(); got != "" {
		t.Errorf("lapsed: %s", got)
	}
}
