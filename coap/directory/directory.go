// Package directory is the resource directory (RFC 9176).
package directory

import (
	"cmp"
	"fmt"
	"log/slog"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/msg"
)

// Limits of the resource directory. Ours, except for the default lifetime.
const (
	maxEndpoints = 8192
	maxOthers    = 4096 // registrations of endpoints that are no nodes, so that nodes find room
	maxOfNode    = 8    // registrations of one node
	maxLinksAll  = 16 << 20
	rdLifetime   = 90000 // seconds (RFC 9176, section 5)
	maxName      = 63    // octets of ep and d (section 5)
	maxExtra     = 8     // attributes of an endpoint besides its own ones
)

// Options are what a directory rests on.
type Options struct {
	Meshes node.Meshes
	// Locate returns the address of a node's CoAP server.
	Locate func(node.Member) netip.AddrPort
	// Read asks a node for its /.well-known/core, and calls done with its response.
	Read func(t node.Member, done func(msg.Response))
	Log  *slog.Logger
	Now  func() time.Time
}

// Directory is the resource directory (RFC 9176): what endpoints say that they have.
type Directory struct {
	Options
	discovery
	mu     sync.Mutex
	byName map[endpointName]*Endpoint
	byID   map[string]*Endpoint
	next   uint64
	octets int // of the links of all
}

// endpointName is unique (section 5).
type endpointName struct{ ep, d string }

// Endpoint is one registration.
type Endpoint struct {
	name  endpointName
	id    string
	owner *node.Node // whose address it came from; nil: an endpoint outside the meshes
	base  string     // scheme and authority
	given bool       // the endpoint named its base itself
	extra []msg.Attribute
	links []msg.Link
	size  int
	lt    uint32
	until time.Time // zero: as long as its node is there
}

// New returns an empty directory.
func New(o Options) *Directory {
	return &Directory{
		Options: o, byName: map[endpointName]*Endpoint{}, byID: map[string]*Endpoint{},
		discovery: discovery{nodes: map[*node.Node]*discovered{}, free: make(chan struct{}, MaxDiscover), soon: discoverSoon, span: discoverSpan},
	}
}

// registration is what the query of a registration says.
type registration struct {
	Endpoint
	hasLT, hasBase bool
}

func parseRegistration(req *msg.Request) (g registration, bad msg.Response, ok bool) {
	g.lt = rdLifetime
	for _, o := range req.Options {
		if o.ID != message.URIQuery {
			continue
		}
		name, v, _ := strings.Cut(string(o.Value), "=")
		switch name {
		case "ep":
			g.name.ep = v
		case "d":
			g.name.d = v
		case "lt":
			n, err := strconv.ParseUint(v, 10, 32)
			if err != nil || n == 0 {
				return g, msg.Errorf(codes.BadRequest, "lt is a number of seconds from 1 to 4294967295"), false
			}
			g.lt, g.hasLT = uint32(n), true
		case "base":
			u, err := url.Parse(v)
			if err != nil || strings.ContainsAny(v, "<>\"\\ ") || u.Scheme == "" || u.Host == "" || u.Path != "" || u.RawQuery != "" || u.Fragment != "" {
				return g, msg.Errorf(codes.BadRequest, "base is a URI of a scheme and an authority, without a path"), false
			}
			g.base, g.hasBase = v, true
		case "", "href", "page", "count", "anchor", "rel":
			return g, msg.Errorf(codes.BadRequest, "%q is no attribute of an endpoint", name), false
		default:
			if !msg.IsAttributeName(name) {
				return g, msg.Errorf(codes.BadRequest, "%q is no name of an attribute", name), false
			}
			g.extra = append(g.extra, msg.Attribute{Name: name, Value: v})
		}
		// What is listed is text (RFC 6690, section 2), and stands in logs.
		if !utf8.ValidString(v) || strings.ContainsFunc(v, unicode.IsControl) {
			return g, msg.Errorf(codes.BadRequest, "%s: a text without control characters is needed", name), false
		}
	}
	if len(g.name.ep) > maxName || len(g.name.d) > maxName || len(g.extra) > maxExtra {
		return g, msg.Errorf(codes.BadRequest, "ep and d have at most %d octets, and there are at most %d other attributes", maxName, maxExtra), false
	}
	return g, msg.Response{}, true
}

// Serve is /rd, /rd/ID and /.well-known/rd (section 5).
// t is the node that sent the request, if isNode is set.
func (d *Directory) Serve(req *msg.Request, t node.Member, isNode bool, reply func(msg.Response)) {
	p := &req.Path
	simple := p.Part[0] == ".well-known"
	switch {
	case simple || p.Len == 1:
		if req.Code != codes.POST {
			reply(msg.Errorf(codes.MethodNotAllowed, "POST only"))
			return
		}
		g, r, ok := parseRegistration(req)
		switch {
		case !ok:
			reply(r)
			return
		case g.name.ep == "":
			reply(msg.Errorf(codes.BadRequest, "ep, the name of the endpoint, is missing"))
			return
		case simple && (g.hasBase || len(req.Payload) > 0):
			reply(msg.Errorf(codes.BadRequest, "a simple registration has no base and no payload"))
			return
		case simple && !isNode:
			reply(msg.Errorf(codes.Forbidden, "the sender is no node of a mesh here"))
			return
		}
		if !g.hasBase {
			g.base = baseOf(req.Peer.Addr)
		}
		g.given = g.hasBase
		if isNode {
			g.owner = t.Node
		}
		if why := d.reserved(&g, t, isNode); why != "" {
			reply(msg.Errorf(codes.Forbidden, "%s", why))
			return
		}
		if simple {
			reply(msg.Empty(codes.Changed)) // section 5.1: the links are fetched after it
			d.fetchLinks(t, g.Endpoint, func(bool) {})
			return
		}
		if f := msg.Uint(req.Options, message.ContentFormat); f != msg.FormatLink && (f >= 0 || len(req.Payload) > 0) {
			reply(msg.Errorf(codes.UnsupportedMediaType, "Content-Format 40 only"))
			return
		}
		reply(d.register(g.Endpoint, req.Payload, d.Now()))
	case p.Len == 2:
		reply(d.change(req, p.Part[1], t, isNode, d.Now()))
	default:
		reply(msg.Errorf(codes.NotFound, "there is no such registration"))
	}
}

// reserved says why a registration may not have its name or its base; empty if it may.
func (d *Directory) reserved(g *registration, t node.Member, isNode bool) string {
	if m, known := d.Meshes.ByLabel(strings.ToLower(g.name.ep)); known && (!isNode || m.Node != t.Node) {
		return fmt.Sprintf("%s is a node here: only that node itself may register this name", g.name.ep)
	}
	return d.foreignBase(g, t, isNode)
}

// named reports whether e has the name that its node has here.
func (d *Directory) named(e Endpoint) bool {
	m, known := d.Meshes.ByLabel(e.name.ep)
	return known && m.Node == e.owner
}

// foreignBase says why a node may not give a base: a node speaks for itself alone.
func (d *Directory) foreignBase(g *registration, t node.Member, isNode bool) string {
	if !isNode || !g.hasBase {
		return ""
	}
	u, err := url.Parse(g.base)
	if err == nil {
		a, err := netip.ParseAddr(u.Hostname())
		if m, ok := d.Meshes.Sender(a); err == nil && ok && m.Node == t.Node {
			return ""
		}
	}
	return "base must be an address of the node itself"
}

// baseOf is the default of base (section 5): where the registration came from.
func baseOf(from netip.AddrPort) string {
	if !from.IsValid() {
		return "coap://localhost"
	}
	a := from.Addr().WithZone("").Unmap()
	if from.Port() == msg.PortCoAP {
		if a.Is4() {
			return "coap://" + a.String()
		}
		return "coap://[" + a.String() + "]"
	}
	return "coap://" + netip.AddrPortFrom(a, from.Port()).String()
}

// register puts e in, or in the place of what had its name (section 5).
func (d *Directory) register(e Endpoint, body []byte, now time.Time) msg.Response {
	links, err := msg.ParseLinks(string(body))
	switch {
	case err != nil:
		return msg.Errorf(codes.BadRequest, "%v", err)
	case len(links) > msg.MaxLinks || len(body) > msg.MaxLinkText:
		return msg.Errorf(codes.RequestEntityTooLarge, "an endpoint has at most %d links in %d octets", msg.MaxLinks, msg.MaxLinkText)
	}
	for _, l := range links {
		if err := l.Check(); err != nil {
			return msg.Errorf(codes.BadRequest, "%v", err)
		}
	}
	e.links, e.size = links, len(body)
	d.mu.Lock()
	defer d.mu.Unlock()
	old := d.byName[e.name]
	switch {
	case old != nil && old.owner != e.owner && !d.named(e):
		return msg.Errorf(codes.Forbidden, "another endpoint has registered this name")
	case old == nil && d.fullLocked(e.owner), d.octets+e.size > maxLinksAll:
		return msg.Unavailable(600, "the directory is full")
	case old != nil:
		e.id = old.id
		d.removeLocked(old)
	default:
		d.next++
		e.id = strconv.FormatUint(d.next, 36)
	}
	if e.lt > 0 {
		e.until = now.Add(time.Duration(e.lt) * time.Second)
	}
	d.byName[e.name], d.byID[e.id] = &e, &e
	d.octets += e.size
	return msg.Response{Code: codes.Created, Options: message.Options{
		{ID: message.LocationPath, Value: []byte("rd")}, {ID: message.LocationPath, Value: []byte(e.id)},
	}}
}

// fullLocked reports whether an owner may have no further registration; nil stands for all
// endpoints that are no nodes.
func (d *Directory) fullLocked(owner *node.Node) bool {
	own := 0
	for _, e := range d.byName {
		if e.owner == owner {
			own++
		}
	}
	if owner == nil {
		return own >= maxOthers || len(d.byName) >= maxEndpoints
	}
	return own >= maxOfNode || len(d.byName) >= maxEndpoints
}

func (d *Directory) removeLocked(e *Endpoint) {
	if d.byName[e.name] == e {
		delete(d.byName, e.name)
		delete(d.byID, e.id)
		d.octets -= e.size
	}
}

// change is POST and DELETE on a registration (sections 5.3.1 and 5.3.2).
func (d *Directory) change(req *msg.Request, id string, t node.Member, isNode bool, now time.Time) msg.Response {
	from := t.Node
	g, bad, ok := parseRegistration(req)
	d.mu.Lock()
	defer d.mu.Unlock()
	e := d.byID[id]
	switch {
	case e == nil:
		return msg.Errorf(codes.NotFound, "there is no such registration")
	case isNode && e.owner != from:
		return msg.Errorf(codes.Forbidden, "another endpoint has registered this")
	case req.Code == codes.DELETE:
		d.removeLocked(e)
		return msg.Empty(codes.Deleted)
	case req.Code != codes.POST:
		return msg.Errorf(codes.MethodNotAllowed, "POST and DELETE only")
	case !ok:
		return bad
	case isNode && d.foreignBase(&g, t, isNode) != "":
		return msg.Errorf(codes.Forbidden, "%s", d.foreignBase(&g, t, isNode))
	case len(req.Payload) > 0 || g.name != (endpointName{}):
		return msg.Errorf(codes.BadRequest, "an update has no payload, and changes neither ep nor d")
	}
	extra := updated(e.extra, g.extra)
	if len(extra) > maxExtra {
		return msg.Errorf(codes.BadRequest, "an endpoint has at most %d attributes besides ep, d, lt and base", maxExtra)
	}
	e.extra = extra
	if g.hasLT {
		e.lt = g.lt
	}
	if g.hasBase {
		e.base, e.given = g.base, true
	} else if !e.given {
		e.base = baseOf(req.Peer.Addr)
	}
	if e.lt > 0 {
		e.until = now.Add(time.Duration(e.lt) * time.Second)
	}
	return msg.Empty(codes.Changed)
}

// updated returns the attributes of a registration after an update: each replaces what had
// its name (section 5.3.1).
func updated(old, update []msg.Attribute) []msg.Attribute {
	out := slices.Clone(old)
	for _, a := range update {
		out = slices.DeleteFunc(out, func(x msg.Attribute) bool { return x.Name == a.Name })
		out = append(out, a)
	}
	return out
}

// Expire drops what has lapsed, and what belongs to nodes that are gone.
func (d *Directory) Expire(now time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, e := range d.byName {
		if !e.until.IsZero() && now.After(e.until) || e.owner != nil && e.owner.Removed() {
			d.removeLocked(e)
		}
	}
}

// Lookup is /rd-lookup/res and /rd-lookup/ep (section 6).
func (d *Directory) Lookup(req *msg.Request, what string) msg.Response {
	if _, ok := msg.Accept(req, msg.FormatLink); !ok {
		return msg.NotAcceptable(msg.FormatLink)
	}
	page, count, paged := 0, 0, false
	var filters [][2]string
	for _, o := range req.Options {
		if o.ID != message.URIQuery {
			continue
		}
		name, v, ok := strings.Cut(string(o.Value), "=")
		if !ok {
			return msg.Errorf(codes.BadRequest, "a filter has the form NAME=VALUE")
		}
		if name != "page" && name != "count" {
			filters = append(filters, [2]string{name, v})
			continue
		}
		n, err := strconv.Atoi(v)
		if err != nil || n < 0 || n > 1<<20 || name == "count" && n == 0 {
			return msg.Errorf(codes.BadRequest, "%s=%s: not a number that is possible", name, v)
		}
		if name == "page" {
			page, paged = n, true
		} else {
			count = n
		}
	}
	if paged && count == 0 {
		return msg.Errorf(codes.BadRequest, "page needs count")
	}
	all := d.find(what == "ep", filters, d.Now())
	if count > 0 {
		from := min(page*count, len(all))
		all = all[from:min(from+count, len(all))]
	}
	return msg.Content(msg.FormatLink, msg.AppendLinks(nil, all))
}

// find returns what matches all filters, in an order that stays (section 6.2).
func (d *Directory) find(endpoints bool, filters [][2]string, now time.Time) []msg.Link {
	d.mu.Lock()
	defer d.mu.Unlock()
	all := make([]*Endpoint, 0, len(d.byName))
	for _, e := range d.byName {
		if e.until.IsZero() || now.Before(e.until) {
			all = append(all, e)
		}
	}
	slices.SortFunc(all, func(a, b *Endpoint) int {
		return cmp.Or(cmp.Compare(a.name.ep, b.name.ep), cmp.Compare(a.name.d, b.name.d))
	})
	var out []msg.Link
	for _, e := range all {
		self := e.link()
		var links []msg.Link
		for _, l := range e.links {
			links = append(links, resolved(l, e.base))
		}
		if endpoints {
			// A filter may be on the endpoint, or on any of its links.
			if matchesAll(filters, append([]msg.Link{self}, links...)) {
				out = append(out, self)
			}
			continue
		}
		for _, l := range links {
			if matchesAll(filters, []msg.Link{l, self}) {
				out = append(out, l)
			}
		}
	}
	return out
}

func matchesAll(filters [][2]string, in []msg.Link) bool {
	for _, f := range filters {
		if !slices.ContainsFunc(in, func(l msg.Link) bool { return l.Matches(f[0], f[1]) }) {
			return false
		}
	}
	return true
}

// link is the endpoint as a lookup shows it (section 6.4).
func (e *Endpoint) link() msg.Link {
	l := msg.Link{Target: "/rd/" + e.id, Attributes: msg.Attrs("ep", e.name.ep)}
	if e.name.d != "" {
		l.Attributes = append(l.Attributes, msg.Attribute{Name: "d", Value: e.name.d})
	}
	l.Attributes = append(l.Attributes, msg.Attribute{Name: "base", Value: e.base}, msg.Attribute{Name: "rt", Value: "core.rd-ep"})
	for _, a := range e.extra {
		if a.Name != "rt" {
			l.Attributes = append(l.Attributes, a)
		}
	}
	return l
}

// resolved is the link as a lookup shows it: with a whole target and anchor (section
// 6.1; the limits of RFC 6690's links, section 2.1 there, leave these forms).
func resolved(l msg.Link, base string) msg.Link {
	whole := func(ref string) string {
		if strings.HasPrefix(ref, "/") && !strings.HasPrefix(ref, "//") {
			return base + ref
		}
		return ref
	}
	out := msg.Link{Target: whole(l.Target)}
	anchored := false
	for _, a := range l.Attributes {
		if a.Name == "anchor" {
			a.Value, a.Bare, anchored = whole(a.Value), false, true // a base may have what a bare value may not
		}
		out.Attributes = append(out.Attributes, a)
	}
	if !anchored {
		out.Attributes = append(out.Attributes, msg.Attribute{Name: "anchor", Value: base})
	}
	return out
}

// LinksOf returns the links that a node has registered, or that were read from it.
func (d *Directory) LinksOf(n *node.Node) (links []msg.Link, registered bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, e := range d.byName {
		if e.owner == n {
			links, registered = append(links, e.links...), true
		}
	}
	return links, registered
}

// Len returns how many registrations there are.
func (d *Directory) Len() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.byID)
}
