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

// referenceFront has each resource of the reference. Who shows no identity may read.
func referenceFront(t *testing.T) *front {
	t.Helper()
	access, err := NewAccess([]Identity{
		{Name: Anyone, May: MayRead},
		{Name: "reader", Subject: "reader", May: MayRead},
		{Name: "writer", Subject: "writer", May: MayRead | MayWrite},
	})
	if err != nil {
		t.Fatal(err)
	}
	f := newFront(t, siteOutput(), inDir(t.TempDir()), func(s *Server) { s.opts.Access = access })
	read := f.through(t, nil, codes.POST, "/readings", `[{"n":"temp","u":"Cel","v":4.5}]`, formatSenMLJSON, -1, f.table.ByLabel("grain-bin"))
	if read.code != codes.Changed {
		t.Fatalf("a reading: %v %s", read.code, read.payload)
	}
	return f
}

// through is a request as it stands behind a door: of a node, of an identity, or (both
// nil) of the control socket.
func (f *front) through(t *testing.T, who *Identity, code codes.Code, path, body string, format, accept int64, from *node.Node) response {
	t.Helper()
	req := &request{code: code, payload: []byte(body), room: 1024, peer: peer{door: DoorControl}}
	switch {
	case from != nil:
		req.peer = peer{door: DoorUDP, addr: netip.AddrPortFrom(f.table.Address(from), portCoAP)}
	case who != nil:
		req.peer = peer{door: DoorDTLS, addr: f.udp, who: who}
	}
	path, query, _ := strings.Cut(path, "?")
	for part := range strings.SplitSeq(strings.TrimPrefix(path, "/"), "/") {
		req.options = with(req.options, message.URIPath, []byte(part))
	}
	if query != "" {
		req.options = with(req.options, message.URIQuery, []byte(query))
	}
	if format >= 0 {
		req.options = with(req.options, message.ContentFormat, uintBytes(uint32(format)))
	}
	if accept >= 0 {
		req.options = with(req.options, message.Accept, uintBytes(uint32(accept)))
	}
	got := make(chan response, 1)
	f.serve(req, func(r response) { got <- r })
	select {
	case r := <-got:
		return r
	case <-time.After(time.Minute):
		t.Fatalf("%v %s is not answered", code, path)
		return response{}
	}
}

// real puts what there is into a path of the reference.
func (f *front) real(t *testing.T, path string) string {
	t.Helper()
	path = strings.NewReplacer("{node}", "grain-bin", "{name}", "temp", "{place}", "grain-bin", "{resource}", "output", "{path}", "temp").Replace(path)
	if path == "/.well-known/rd" {
		return path + "?ep=reference" // without it, who asks is not looked at
	}
	if !strings.Contains(path, "{id}") {
		return path
	}
	r := f.through(t, nil, codes.POST, "/rd?ep=reference", "</x>", formatLink, -1, nil)
	var parts []string
	for _, o := range r.options {
		if o.ID == message.LocationPath {
			parts = append(parts, string(o.Value))
		}
	}
	if r.code != codes.Created || len(parts) != 2 {
		t.Fatalf("a registration: %v %q %s", r.code, parts, r.payload)
	}
	return "/" + strings.Join(parts, "/")
}

// The reference of resources says of each which methods it takes and which right they
// need, which formats it has, and whether it can be observed; the front is asked.
func TestResourceReference(t *testing.T) {
	f := referenceFront(t)
	reader, writer := f.opts.Access.byName["reader"], f.opts.Access.byName["writer"]
	nodes := f.table.ByLabel("grain-bin")
	for _, row := range resourceRows(t) {
		own := strings.Contains(row.path, "/own/")
		for i, method := range methods {
			if i == 0 {
				continue
			}
			code, right := codes.Code(i), row.rights[method]
			ask := func(who *Identity, from *node.Node) codes.Code {
				return f.through(t, who, code, f.real(t, row.path), "", -1, -1, from).code
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
	path := f.real(t, row.path)
	if strings.HasSuffix(path, "/lock") { // it is there while the output is locked out
		if r := f.through(t, nil, codes.PUT, path, "the sump is open", -1, -1, nil); r.code>>5 != 2 {
			t.Fatalf("lock-out: %v %s", r.code, r.payload)
		}
	}
	for i, format := range append([]int64{-1}, numbers(row.formats)...) {
		r := f.through(t, nil, codes.GET, path, "", -1, format, nil)
		want := int64(row.formats[max(0, i-1)])
		if got := uintOption(r.options, message.ContentFormat); r.code != codes.Content || got != want {
			t.Errorf("GET %s with Accept %d: %v, format %d, want %d", path, format, r.code, got, want)
		}
	}
	for _, format := range []uint32{formatText, formatLink, formatJSON, 60, formatSenMLJSON, formatSenMLCBOR} {
		if slices.Contains(row.formats, format) {
			continue
		}
		if r := f.through(t, nil, codes.GET, path, "", -1, int64(format), nil); r.code != codes.NotAcceptable {
			t.Errorf("GET %s with Accept %d: %v, want 4.06 (RFC 7252, 5.10.4)", path, format, r.code)
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
	req := &request{code: codes.GET, room: 1 << 16, peer: peer{door: DoorControl}}
	links, err := parseLinks(string(f.wellKnown(req).payload))
	if err != nil || len(links) < 10 {
		t.Fatalf("%d links: %v", len(links), err)
	}
	for _, l := range links {
		i := slices.IndexFunc(rows, func(r resourceRow) bool { return r.path == l.target || matchesPath(r.path, l.target) })
		if i < 0 {
			t.Errorf("%s has no row in deploy/RESOURCES.md", l.target)
			continue
		}
		if obs := slices.ContainsFunc(l.attributes, func(a attribute) bool { return a.name == "obs" }); obs != (rows[i].observable == "yes") {
			t.Errorf("%s: the link says that it is observable: %v; the reference has %q", l.target, obs, rows[i].observable)
		}
		want := strings.Trim(fmt.Sprint(rows[i].formats), "[]")
		for _, a := range l.attributes {
			if own := strings.Contains(l.target, "/own/"); a.name == "ct" && !own && rows[i].rights["GET"] != "" && a.value != want {
				t.Errorf("%s: ct %q, the reference has %q", l.target, a.value, want)
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
