package coap

import (
	"fmt"
	"net/netip"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/access"
	"culvert/coap/msg"
)

// resourceRow is a line of deploy/RESOURCES.md.
type resourceRow struct {
	path       string
	rights     map[string]string // method to who may
	formats    []uint32          // none: it has no GET, or they are the node's
	observable string
}

func resourceRows(t *testing.T) (out []resourceRow) {
	t.Helper()
	b, err := os.ReadFile("../deploy/RESOURCES.md")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(b)) {
		if !strings.HasPrefix(line, "| `/") {
			continue
		}
		cells := strings.Split(strings.Trim(line, "|\n"), "|")
		if len(cells) != 5 {
			t.Fatalf("%d cells: %s", len(cells), line)
		}
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		r := resourceRow{path: strings.Trim(cells[0], "`"), rights: map[string]string{}, observable: cells[3]}
		for m := range strings.SplitSeq(cells[1], ", ") {
			method, who, _ := strings.Cut(m, " ")
			r.rights[method] = who
		}
		for f := range strings.SplitSeq(cells[2], ", ") {
			if n, err := strconv.ParseUint(f, 10, 16); err == nil {
				r.formats = append(r.formats, uint32(n))
			}
		}
		out = append(out, r)
	}
	if len(out) < 10 {
		t.Fatalf("%d rows", len(out))
	}
	return out
}

// referenceFront has each resource of the reference. Unauthenticated clients may read.
func referenceFront(t *testing.T) *front {
	t.Helper()
	access, err := access.New([]access.Identity{
		{Name: access.Anyone, May: access.MayRead},
		{Name: "reader", Subject: "reader", May: access.MayRead},
		{Name: "writer", Subject: "writer", May: access.MayRead | access.MayWrite},
	})
	if err != nil {
		t.Fatal(err)
	}
	f := newFront(t, siteOutput(), inDir(t.TempDir()), func(s *Server) { s.opts.Access = access })
	read := f.through(t, nil, codes.POST, "/readings", `[{"n":"temp","u":"Cel","v":4.5}]`, msg.FormatSenMLJSON, -1, f.table.ByLabel("grain-bin"))
	if read.Code != codes.Changed {
		t.Fatalf("a reading: %v %s", read.Code, read.Payload)
	}
	return f
}

// through is a request as it stands behind a door: of a node, of an identity, or (both
// nil) of the control socket.
func (f *front) through(t *testing.T, who *msg.Credential, code codes.Code, path, body string, format, accept int64, from *node.Node) msg.Response {
	t.Helper()
	req := &msg.Request{Code: code, Payload: []byte(body), Room: 1024, Peer: msg.Peer{Door: msg.DoorControl}}
	switch {
	case from != nil:
		req.Peer = msg.Peer{Door: msg.DoorUDP, Addr: netip.AddrPortFrom(f.table.Address(from), msg.PortCoAP)}
	case who != nil:
		req.Peer = msg.Peer{Door: msg.DoorDTLS, Addr: f.udp, Proved: who}
	}
	path, query, _ := strings.Cut(path, "?")
	for part := range strings.SplitSeq(strings.TrimPrefix(path, "/"), "/") {
		req.Options = msg.With(req.Options, message.URIPath, []byte(part))
	}
	if query != "" {
		req.Options = msg.With(req.Options, message.URIQuery, []byte(query))
	}
	if format >= 0 {
		req.Options = msg.With(req.Options, message.ContentFormat, msg.EncodeUint(uint32(format)))
	}
	if accept >= 0 {
		req.Options = msg.With(req.Options, message.Accept, msg.EncodeUint(uint32(accept)))
	}
	got := make(chan msg.Response, 1)
	req.ParsePath()
	f.serve(req, func(r msg.Response) { got <- r })
	select {
	case r := <-got:
		return r
	case <-time.After(time.Minute):
		t.Fatalf("%v %s is not answered", code, path)
		return msg.Response{}
	}
}

// real puts what there is into a path of the reference. A registration is that of a node,
// or of a host where from is nil.
func (f *front) real(t *testing.T, path string, from *node.Node) string {
	t.Helper()
	path = strings.NewReplacer("{node}", "grain-bin", "{name}", "temp", "{place}", "grain-bin", "{resource}", "output", "{path}", "temp").Replace(path)
	if path == "/.well-known/rd" {
		return path + "?ep=reference" // without it, who asks is not looked at
	}
	if !strings.Contains(path, "{id}") {
		return path
	}
	name := "/rd?ep=reference"
	if from != nil {
		name += "-node"
	}
	r := f.through(t, nil, codes.POST, name, "</x>", msg.FormatLink, -1, from)
	var parts []string
	for _, o := range r.Options {
		if o.ID == message.LocationPath {
			parts = append(parts, string(o.Value))
		}
	}
	if r.Code != codes.Created || len(parts) != 2 {
		t.Fatalf("a registration: %v %q %s", r.Code, parts, r.Payload)
	}
	return "/" + strings.Join(parts, "/")
}

// The reference of resources says of each which methods it takes and which right they
// need, which formats it has, and whether it can be observed; the front is asked.
func TestResourceReference(t *testing.T) {
	f := referenceFront(t)
	reader, _ := f.opts.Access.ByPSKIdentity([]byte("reader"))
	writer, _ := f.opts.Access.ByPSKIdentity([]byte("writer"))
	nodes := f.table.ByLabel("grain-bin")
	for _, row := range resourceRows(t) {
		own := strings.Contains(row.path, "/own/")
		for i, method := range methods {
			if i == 0 {
				continue
			}
			code, right := codes.Code(i), row.rights[method]
			ask := func(who *msg.Credential, from *node.Node) codes.Code {
				return f.through(t, who, code, f.real(t, row.path, from), "", -1, -1, from).Code
			}
			if got := ask(nil, nil); !own && (got == codes.MethodNotAllowed) != (right == "") {
				t.Errorf("%s %s: %v; the reference says %q", method, row.path, got, right)
			}
			if right == "" {
				continue
			}
			readerMay, writerMay := right == "read", right == "read" || right == "write" || right == "node or write"
			if got := ask(reader, nil); (got == codes.Forbidden) == readerMay {
				t.Errorf("%s %s by who may read: %v; the reference says %q", method, row.path, got, right)
			}
			if got := ask(writer, nil); (got == codes.Forbidden) == writerMay {
				t.Errorf("%s %s by who may write: %v; the reference says %q", method, row.path, got, right)
			}
			nodeMay := strings.HasPrefix(right, "node")
			if got := ask(nil, nodes); nodeMay && (got == codes.Forbidden || got == codes.Unauthorized) {
				t.Errorf("%s %s by a node: %v; the reference says %q", method, row.path, got, right)
			}
		}
		if row.rights["GET"] == "" || own {
			continue
		}
		f.checkFormats(t, row)
	}
}

// checkFormats holds a resource that can be read to its row.
func (f *front) checkFormats(t *testing.T, row resourceRow) {
	t.Helper()
	path := f.real(t, row.path, nil)
	if strings.HasSuffix(path, "/lock") { // it is there while the output is locked out
		if r := f.through(t, nil, codes.PUT, path, "the sump is open", -1, -1, nil); r.Code>>5 != 2 {
			t.Fatalf("lock-out: %v %s", r.Code, r.Payload)
		}
	}
	for i, format := range append([]int64{-1}, numbers(row.formats)...) {
		r := f.through(t, nil, codes.GET, path, "", -1, format, nil)
		want := int64(row.formats[max(0, i-1)])
		if got := msg.Uint(r.Options, message.ContentFormat); r.Code != codes.Content || got != want {
			t.Errorf("GET %s with Accept %d: %v, format %d, want %d", path, format, r.Code, got, want)
		}
	}
	for _, format := range []uint32{msg.FormatText, msg.FormatLink, msg.FormatJSON, 60, msg.FormatSenMLJSON, msg.FormatSenMLCBOR} {
		if slices.Contains(row.formats, format) {
			continue
		}
		if r := f.through(t, nil, codes.GET, path, "", -1, int64(format), nil); r.Code != codes.NotAcceptable {
			t.Errorf("GET %s with Accept %d: %v, want 4.06 (RFC 7252, 5.10.4)", path, format, r.Code)
		}
	}
	c := f.client()
	c.send(build(message.Confirmable, codes.GET, c.mid, "ref", strings.TrimPrefix(path, "/"), "", opt{message.Observe, ""}))
	m := decode(t, c.receive(time.Minute))
	if got := orderOf(m) >= 0; got != (row.observable == "yes") || m.Code != codes.Content {
		t.Errorf("GET %s with Observe: %v, observed %v; the reference says %q", path, m.Code, got, row.observable)
	}
}

func numbers(in []uint32) (out []int64) {
	for _, n := range in {
		out = append(out, int64(n))
	}
	return out
}

// Each link of /.well-known/core has a row, with the same formats, and says whether it
// can be observed (RFC 7641, section 6).
func TestLinksAreInTheReference(t *testing.T) {
	f := referenceFront(t)
	rows := resourceRows(t)
	req := &msg.Request{Code: codes.GET, Room: 1 << 16, Peer: msg.Peer{Door: msg.DoorControl}}
	links, err := msg.ParseLinks(string(f.wellKnown(req).Payload))
	if err != nil || len(links) < 10 {
		t.Fatalf("%d links: %v", len(links), err)
	}
	for _, l := range links {
		i := slices.IndexFunc(rows, func(r resourceRow) bool { return r.path == l.Target || matchesPath(r.path, l.Target) })
		if i < 0 {
			t.Errorf("%s has no row in deploy/RESOURCES.md", l.Target)
			continue
		}
		if obs := slices.ContainsFunc(l.Attributes, func(a msg.Attribute) bool { return a.Name == "obs" }); obs != (rows[i].observable == "yes") {
			t.Errorf("%s: the link says that it is observable: %v; the reference has %q", l.Target, obs, rows[i].observable)
		}
		want := strings.Trim(fmt.Sprint(rows[i].formats), "[]")
		for _, a := range l.Attributes {
			if own := strings.Contains(l.Target, "/own/"); a.Name == "ct" && !own && rows[i].rights["GET"] != "" && a.Value != want {
				t.Errorf("%s: ct %q, the reference has %q", l.Target, a.Value, want)
			}
		}
	}
}

// matchesPath reports whether a path of the reference means one; {path} is the rest.
func matchesPath(pattern, path string) bool {
	p, q := strings.Split(pattern, "/"), strings.Split(path, "/")
	for i := range p {
		switch {
		case p[i] == "{path}":
			return len(q) > i
		case i >= len(q), !strings.HasPrefix(p[i], "{") && p[i] != q[i]:
			return false
		}
	}
	return len(p) == len(q)
}
