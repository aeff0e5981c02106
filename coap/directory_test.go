package coap

import (
	"fmt"
	"net/netip"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/bridgetest"
	"culvert/bridge/node"
	"culvert/coap/directory"
	"culvert/coap/msg"
)

func queries(q string) (out []opt) {
	for part := range strings.SplitSeq(q, "&") {
		if part != "" {
			out = append(out, opt{message.URIQuery, part})
		}
	}
	return out
}

// RFC 9176, sections 5 and 6: registration, update, removal, lookup with filters and
// pages. The links are of the kind of that RFC's examples.
func TestResourceDirectory(t *testing.T) {
	f := newFront(t)
	c := f.client()
	post := func(path, q, body string) message.Message {
		return c.ask(codes.POST, path, body, append(queries(q), opt{message.ContentFormat, u(msg.FormatLink)})...)
	}
	lookup := func(what, q string) string {
		m := c.ask(codes.GET, "rd-lookup/"+what, "", queries(q)...)
		if m.Code != codes.Content {
			return msg.CodeText(m.Code)
		}
		return string(m.Payload)
	}
	links := `</sensors/temp>;rt="temperature-c";if="sensor",</sensors/light>;rt="light-lux";anchor="/x"`
	a := post("rd", "ep=node1&lt=100&base=coap://[2001:db8:3::123]:61616&et=sump", links)
	loc := strings.TrimPrefix(msg.ResourcePath(a.Options, message.LocationPath), "/")
	if a.Code != codes.Created || !strings.HasPrefix(loc, "rd/") {
		t.Fatalf("%v", &a)
	}
	if b := post("rd", "ep=node1&lt=100&base=coap://[2001:db8:3::123]:61616&et=sump", links); "/"+loc != msg.ResourcePath(b.Options, message.LocationPath) || b.Code != codes.Created {
		t.Errorf("again: %v", &b)
	}
	if b := post("rd", "ep=node1&d=east", `</t>;rt="temperature-c"`); "/"+loc == msg.ResourcePath(b.Options, message.LocationPath) {
		t.Error("the same name in another sector is another endpoint")
	}
	here := "coap://" + netip.AddrPortFrom(netip.IPv6Loopback(), c.local().Port()).String()
	node1 := fmt.Sprintf(`</%s>;ep="node1";base="coap://[2001:db8:3::123]:61616";rt="core.rd-ep";et="sump"`, loc)
	temp := `<coap://[2001:db8:3::123]:61616/sensors/temp>;rt="temperature-c";if="sensor";anchor="coap://[2001:db8:3::123]:61616"`
	light := `<coap://[2001:db8:3::123]:61616/sensors/light>;rt="light-lux";anchor="coap://[2001:db8:3::123]:61616/x"`
	east := `<` + here + `/t>;rt="temperature-c";anchor="` + here + `"`
	for _, x := range [][3]string{
		{"res", "", temp + "," + light + "," + east},
		{"res", "rt=temperature-c", temp + "," + east},
		{"res", "rt=temp*", temp + "," + east},
		{"res", "rt=temperature-c&if=sensor", temp},
		{"res", "ep=node1&d=east", east},
		{"res", "et=sump", temp + "," + light},
		{"res", "href=coap://[2001:db8:3::123]:61616/sensors/*", temp + "," + light},
		{"res", "count=2", temp + "," + light},
		{"res", "page=1&count=2", east},
		{"res", "page=2&count=2", ""},
		{"res", "rt=none", ""},
		{"res", "page=1", "4.00"},
		{"res", "page=x&count=1", "4.00"},
		{"res", "page=0&count=0", "4.00"},
		{"res", "rt", "4.00"},
		{"ep", "et=sump", node1},
		{"ep", "rt=light-lux", node1},
		{"ep", "ep=none", ""},
		{"ep", "rt=core.rd-ep&page=0&count=1", node1},
	} {
		if got := lookup(x[0], x[1]); got != x[2] {
			t.Errorf("%s?%s: %s\nwant %s", x[0], x[1], got, x[2])
		}
	}
	if m := c.ask(codes.GET, "rd-lookup/res", "", opt{message.Accept, u(50)}); m.Code != codes.NotAcceptable {
		t.Errorf("%v", m.Code)
	}
	for _, x := range []struct{ path, q, body, want string }{
		{"rd", "", links, "4.00"},
		{"rd", "ep=" + strings.Repeat("x", 64), links, "4.00"},
		{"rd", "ep=a&lt=0", links, "4.00"},
		{"rd", "ep=a&lt=4294967296", links, "4.00"},
		{"rd", "ep=a&base=nowhere", links, "4.00"},
		{"rd", "ep=a&base=coap://h/path", links, "4.00"},
		{"rd", "ep=a&href=/x", links, "4.00"},
		{"rd", "ep=a", "<x", "4.00"},
		{"rd", "ep=a", "</" + strings.Repeat("x", msg.MaxLinkText) + ">", "4.13"},
		{"rd/none", "", "", "4.04"},
		{"rd/none/x", "", "", "4.04"},
		{loc, "ep=b", "", "4.00"},
		{loc, "", "</x>", "4.00"},
		{loc, "lt=0", "", "4.00"},
		{".well-known/rd", "ep=a", "", "4.03"}, // not from a node
		{".well-known/rd", "ep=a&base=coap://a", "", "4.00"},
		{loc, "lt=500&et=bank", "", "2.04"},
	} {
		m := message.Message{}
		if len(x.body) > 1024 {
			m = c.upload(x.path, x.body, append(queries(x.q), opt{message.ContentFormat, u(msg.FormatLink)})...)
		} else {
			m = post(x.path, x.q, x.body)
		}
		if msg.CodeText(m.Code) != x.want {
			t.Errorf("POST %s?%.20s: %v %q, want %s", x.path, x.q, m.Code, m.Payload, x.want)
		}
	}
	if m := c.ask(codes.POST, "rd", "{}", append(queries("ep=a"), opt{message.ContentFormat, u(50)})...); m.Code != codes.UnsupportedMediaType {
		t.Errorf("%v", m.Code)
	}
	if got := lookup("ep", "et=bank"); !strings.Contains(got, "node1") {
		t.Errorf("after the update: %s", got)
	}
	// The lifetime, counted from the update.
	f.directory.Expire(time.Now().Add(450 * time.Second))
	if got := lookup("ep", "et=bank"); got == "" {
		t.Error("it lapsed too early")
	}
	f.directory.Expire(time.Now().Add(501 * time.Second))
	if got := lookup("ep", "et=bank"); got != "" {
		t.Errorf("it has lapsed: %s", got)
	}
	m := post("rd", "ep=node2", "")
	if m := c.ask(codes.DELETE, strings.TrimPrefix(msg.ResourcePath(m.Options, message.LocationPath), "/"), ""); m.Code != codes.Deleted {
		t.Errorf("%v", m.Code)
	}
	if got := lookup("ep", "ep=node2"); got != "" {
		t.Errorf("deleted: %s", got)
	}
	for _, v := range bridgetest.Vectors(t, "linkfmt") {
		if v.ID != "link-9176-1" {
			continue
		}
		// The form of a lookup's result (RFC 9176, section 6.1).
		want := v.Text(t, "body")
		post("rd", "ep=vector&base=coap://[2001:db8:3::123]:61616", `</temp>;rt="temperature-c"`)
		if got := lookup("res", "ep=vector"); got != want {
			t.Errorf("%s, want %s", got, want)
		}
	}
}

// fromNode is a request as it comes from grain-bin's own address.
func (f *front) fromNode(n *node.Node, code codes.Code, path, q, body string) msg.Response {
	req := &msg.Request{Code: code, Payload: []byte(body), Room: 1024, Peer: msg.Peer{Door: msg.DoorUDP, Addr: netip.AddrPortFrom(f.table.Address(n), msg.PortCoAP)}}
	for part := range strings.SplitSeq(path, "/") {
		req.Options = msg.With(req.Options, message.URIPath, []byte(part))
	}
	for _, o := range queries(q) {
		req.Options = msg.With(req.Options, o.id, []byte(o.value))
	}
	if body != "" {
		req.Options = msg.With(req.Options, message.ContentFormat, msg.EncodeUint(msg.FormatLink))
	}
	var out msg.Response
	req.ParsePath()
	f.serve(req, func(r msg.Response) { out = r })
	return out
}

// RFC 9176, section 5.1, and nodes that only answer /.well-known/core.
func TestDirectoryOfNodes(t *testing.T) {
	var now, most, asked atomic.Int32
	f := newFront(t, func(s *Server) {
		s.opts.ReadNodes = true
		s.directory.SetDiscovery(time.Millisecond, 100*time.Millisecond)
	})
	core := func(n *fakeNode, m message.Message) [][]byte {
		asked.Add(1)
		return [][]byte{ack(m, codes.Content, `</temp>;rt="t"`, opt{message.ContentFormat, u(msg.FormatLink)}, opt{message.MaxAge, ""})}
	}
	f.newNode("grain-bin", core)
	eventually(t, "grain-bin is listed", func() bool {
		return strings.Contains(string(f.client().ask(codes.GET, "rd-lookup/ep", "").Payload), `ep="grain-bin";d="fenland"`)
	})
	base := "coap://[" + f.table.Address(f.grainBin().Node).String() + "]"
	if got := string(f.client().ask(codes.GET, "rd-lookup/res", "").Payload); got != `<`+base+`/temp>;rt="t";anchor="`+base+`"` {
		t.Errorf("%s", got)
	}
	// Ten nodes that say nothing: two are asked at a time.
	crowd(t, f.table, 12)
	for n := range f.table.All() {
		if n.Label() == "grain-bin" || n.Label() == "mast" {
			continue
		}
		f.table.Confirm(n, time.Now())
		f.newNode(n.Label(), func(_ *fakeNode, m message.Message) [][]byte { return nil })
	}
	eventually(t, "some are asked", func() bool {
		now.Store(int32(f.directory.Reading()))
		most.Store(max(most.Load(), now.Load()))
		return most.Load() == directory.MaxDiscover
	})
	under := f.nodes.Stats().Queued
	if under > directory.MaxDiscover {
		t.Errorf("%d nodes are asked at a time", under)
	}
	if n := asked.Load(); n != 1 {
		t.Errorf("grain-bin was read %d times", n)
	}

	g := newFront(t)
	crowd(t, g.table, 3)
	grain := g.grainBin().Node
	var other *node.Node
	for n := range g.table.All() {
		if n != grain && g.table.Address(n).IsValid() {
			other = n
		}
	}
	g.newNode("grain-bin", core)
	if r := g.fromNode(grain, codes.POST, ".well-known/rd", "ep=simple&lt=60", ""); r.Code != codes.Changed {
		t.Errorf("simple registration: %v %s", r.Code, r.Payload)
	}
	eventually(t, "it is fetched", func() bool {
		return strings.Contains(string(g.client().ask(codes.GET, "rd-lookup/res", "", queries("ep=simple")...).Payload), "/temp>")
	})
	// Its name is its own, and it ends with it.
	if r := g.fromNode(other, codes.POST, "rd", "ep=simple", "</x>"); r.Code != codes.Forbidden {
		t.Errorf("another node: %v %s", r.Code, r.Payload)
	}
	r := g.fromNode(grain, codes.POST, "rd", "ep=simple", "</x>")
	at := strings.TrimPrefix(msg.ResourcePath(r.Options, message.LocationPath), "/")
	if r := g.fromNode(other, codes.DELETE, at, "", ""); r.Code != codes.Forbidden {
		t.Errorf("another node: %v %s", r.Code, r.Payload)
	}
	if r := g.fromNode(grain, codes.DELETE, at, "", ""); r.Code != codes.Deleted {
		t.Errorf("%v %s", r.Code, r.Payload)
	}
}

func (c *udpClient) local() netip.AddrPort {
	return netip.MustParseAddrPort(c.conn.LocalAddr().String())
}

// upload sends a body in blocks of 1024 octets, and returns the last answer.
func (c *udpClient) upload(path, body string, opts ...opt) (m message.Message) {
	for i := 0; i*1024 < len(body); i++ {
		to := min((i+1)*1024, len(body))
		m = c.ask(codes.POST, path, body[i*1024:to], append(opts, opt{message.Block1, blockValue(i, to < len(body), 6)})...)
		if m.Code != codes.Continue {
			return m
		}
	}
	return m
}
