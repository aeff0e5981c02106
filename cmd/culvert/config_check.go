package main

import (
	"net"
	"net/netip"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"culvert/bridge/ieee802154"
)

// configReader turns the tables of a file into a config and checks each value.
type configReader struct {
	dir string // relative paths count from here

	// What must be unique in the daemon.
	names     map[string]int // places, with the line of the first
	meshNames map[string]bool
	ifaces    map[string]bool
	prefixes  map[netip.Prefix]bool
	devices   map[ieee802154.Addr]string // EUI-64s, with the place of the first
}

// maxControlPath is what fits into the address of a Unix socket, less the closing
// zero octet (Linux, unix(7): 108).
const maxControlPath = 107

// maxMeshes and maxPlaces bound what one daemon is asked to serve.
const (
	maxMeshes = 64
	maxPlaces = 65536
)

// root reads the whole file.
func (r *configReader) root(t *table) *config {
	cfg := &config{
		stateDir: r.path(t, "state_dir", "a directory", defaultStateDir),
		control:  r.path(t, "control", "the path of a socket", defaultControl),
	}
	if n := len(cfg.control); n > maxControlPath {
		t.errorf("control", "%q has %d octets; want at most %d, the most that a Unix socket's path can have",
			cfg.control, n, maxControlPath)
	}
	meshes := t.tables("mesh")
	if len(meshes) == 0 && !t.has("mesh") {
		t.errorf("mesh", "missing; want at least one [[mesh]]")
	}
	if len(meshes) > maxMeshes {
		t.errorf("mesh", "%d of them; want at most %d", len(meshes), maxMeshes)
		meshes = nil
	}
	for _, m := range meshes {
		cfg.meshes = append(cfg.meshes, r.mesh(m))
	}
	cfg.rules = r.rules(t, cfg.meshes)
	front := t.table("coap")
	if front != nil {
		r.doors(front, cfg)
	}
	r.nodeTables(front, meshes, cfg)
	cfg.access = r.access(t, cfg.meshes)
	cfg.checkDoors(t)
	cfg.outputs = r.outputs(t, cfg)
	if h := t.table("http"); h != nil {
		cfg.httpListen = r.httpListen(h)
		h.close(nil)
	}
	if u := t.table("upstream"); u != nil {
		cfg.upstream = r.upstream(u, cfg.meshes)
	}
	t.close(nil)
	return cfg
}

// path reads a path, which counts from the directory of the file.
func (r *configReader) path(t *table, key, want, def string) string {
	s, ok := t.text(key, want)
	switch {
	case !ok:
		s = def
	case s == "":
		t.errorf(key, "empty; want %s", want)
	case strings.ContainsRune(s, 0):
		t.errorf(key, "%q holds a zero octet; want %s", s, want)
	}
	return r.abs(s)
}

// abs makes a path absolute.
func (r *configReader) abs(s string) string {
	if s == "" || filepath.IsAbs(s) {
		return s
	}
	return filepath.Join(r.dir, s)
}

// mesh reads one [[mesh]].
func (r *configReader) mesh(t *table) meshConfig {
	m := meshConfig{
		name:  r.meshName(t),
		iface: r.ifaceName(t),
	}
	m.prefix, m.generate = r.prefix(t)
	m.gateway = r.gateway(t, m)
	m.registered = t.word("addresses", []string{"derived", "registered"}) == "registered"
	m.contexts, m.noPrefixContext = r.contexts(t)
	m.full = t.word("encoding", []string{"conservative", "full"}) == "full"
	m.listed = t.word("admit", []string{"any", "listed"}) == "listed"
	m.report = r.reporting(t)
	m.elidedPorts = r.ports(t, "elided_checksum_ports")
	m.limits, m.flows = r.limits(t)
	m.icmpErrors = t.rateOfErrors("icmp_errors")
	t.value("coap") // nodeTables reads it
	if radio := t.table("radio"); radio != nil {
		m.radio = r.radio(radio)
	} else if !t.has("radio") {
		t.errorf("radio", "missing; want a table [mesh.radio] that says how the radio is attached")
	}
	places := t.tables("place")
	if len(places) > maxPlaces {
		t.errorf("place", "%d of them; want at most %d", len(places), maxPlaces)
		places = nil
	}
	for _, p := range places {
		m.places = append(m.places, r.place(p))
	}
	if m.admitAbsent = !t.has("admit"); m.admitAbsent {
		m.listed = len(m.places) > 0
	}
	m.decoders = r.decoders(t, m)
	t.close(nil)
	return m
}

// wantLabel is what a name must be.
const wantLabel = "a DNS label: 1 to 63 of a-z, 0-9 and '-', with no '-' at either end"

// label reads a name.
func (r *configReader) label(t *table, key string) (string, bool) {
	s, ok := t.required(key, wantLabel)
	if !ok {
		return "", false
	}
	if !isLabel(s) {
		t.errorf(key, "%s; want %s", describe(s), wantLabel)
		return "", false
	}
	if shapedLikeAddr(s) {
		t.errorf(key, "%q looks like a link address; want a name that cannot be mistaken for one", s)
		return "", false
	}
	return s, true
}

// isLabel reports whether s is a DNS label in lower case (RFC 1123, section 2.1).
func isLabel(s string) bool {
	if len(s) == 0 || len(s) > 63 || s[0] == '-' || s[len(s)-1] == '-' {
		return false
	}
	for i := range len(s) {
		if c := s[i]; !('a' <= c && c <= 'z' || '0' <= c && c <= '9' || c == '-') {
			return false
		}
	}
	return true
}

// shapedLikeAddr reports whether a name could be read as an EUI-64, or as the label
// of a node that is known by its short address only.
func shapedLikeAddr(s string) bool {
	a, err := ieee802154.ParseAddr(s)
	return err == nil && a.IsExtended() || strings.HasPrefix(s, "short-")
}

// meshName reads the name of a mesh.
func (r *configReader) meshName(t *table) string {
	s, ok := r.label(t, "name")
	if ok && r.meshNames[s] {
		t.errorf("name", "%q is the name of another mesh already", s)
	}
	r.meshNames[s] = true
	return s
}

// ifaceName reads the name of the TUN interface.
func (r *configReader) ifaceName(t *table) string {
	const want = "the name of the network interface to make: 1 to 15 printable characters without space, '/', ':' and '%', like \"mesh0\""
	s, ok := t.required("interface", want)
	if !ok {
		return ""
	}
	if !isIfaceName(s) {
		t.errorf("interface", "%s; want %s", describe(s), want)
		return ""
	}
	if r.ifaces[s] {
		t.errorf("interface", "%q is the interface of another mesh already", s)
	}
	r.ifaces[s] = true
	return s
}

// isIfaceName reports whether s can be the name of a network interface of ours.
func isIfaceName(s string) bool {
	bad := strings.ContainsFunc(s, func(c rune) bool { return c <= ' ' || c > '~' || strings.ContainsRune("/:%", c) })
	return len(s) > 0 && len(s) <= 15 && !bad && s != "." && s != ".." && s != "all" && s != "default" && s != "lo"
}

// prefix reads the prefix of a mesh, or that it is to be generated.
func (r *configReader) prefix(t *table) (prefix netip.Prefix, generate bool) {
	const want = "a unicast /64, like \"fd5e:2a11:77c0:1::/64\", or \"generate\""
	s, ok := t.required("prefix", want)
	if !ok {
		return netip.Prefix{}, false
	}
	if s == "generate" {
		return netip.Prefix{}, true
	}
	p, err := netip.ParsePrefix(s)
	a := p.Addr()
	switch {
	case err != nil || !a.Is6() || a.Is4In6():
		t.errorf("prefix", "%s is no IPv6 prefix; want %s", describe(s), want)
	case p.Bits() != 64:
		t.errorf("prefix", "%q has %d bits; want %s", s, p.Bits(), want)
	case p != p.Masked():
		t.errorf("prefix", "%q has bits set behind the first 64; want %s, here %q", s, want, p.Masked())
	case a.IsMulticast(), a.IsLinkLocalUnicast(), p == netip.MustParsePrefix("::/64"):
		t.errorf("prefix", "%q cannot be a mesh's own; want %s", s, want)
	case r.prefixes[p]:
		t.errorf("prefix", "%q is the prefix of another mesh already", s)
	default:
		r.prefixes[p] = true
		return p, false
	}
	return netip.Prefix{}, false
}

// ports reads a list of UDP ports.
func (r *configReader) ports(t *table, key string) []uint16 {
	const want = "UDP ports from 1 to 65535, like [61616, 61617]"
	var out []uint16
	for i, v := range t.list(key, want) {
		n, ok := v.(int64)
		switch {
		case !ok || n < 1 || n > 65535:
			t.elementErrorf(key, i, "element %d is %s; want %s", i+1, describe(v), want)
		case slices.Contains(out, uint16(n)):
			t.elementErrorf(key, i, "%d stands there twice", n)
		default:
			out = append(out, uint16(n))
		}
	}
	return out
}

// place reads one [[mesh.place]].
func (r *configReader) place(t *table) placeConfig {
	const want = "the EUI-64 of the device that stands there, like \"00:00:5e:ef:10:00:00:05\""
	var p placeConfig
	if s, ok := r.label(t, "name"); ok {
		if first, taken := r.names[s]; taken {
			t.errorf("name", "%q is the name of another place already, in line %d", s, first)
		} else {
			r.names[s] = t.line
		}
		p.name = s
	}
	if s, ok := t.required("eui64", want); ok {
		a, err := ieee802154.ParseAddr(s)
		v, _ := a.EUI64()
		switch {
		case err != nil || !a.IsExtended():
			t.errorf("eui64", "%s; want %s", describe(s), want)
		case !a.IsNode() || v>>56&1 == 1: // IEEE Std 802, 8.2: the group bit
			t.errorf("eui64", "%q is not the address of one device; want %s", s, want)
		case r.devices[a] != "":
			t.errorf("eui64", "%q is the device of %s already", s, r.devices[a])
		default:
			r.devices[a] = "place " + strconv.Quote(p.name)
			p.eui64 = a
		}
	}
	if t.has("encoding") {
		full := t.word("encoding", []string{"conservative", "full"}) == "full"
		p.full = &full
	} else {
		t.value("encoding")
	}
	p.period = t.duration("report", leastReport, longestReport)
	t.close(nil)
	return p
}

// httpListen reads where the HTTP side listens.
func (r *configReader) httpListen(t *table) string {
	const want = "\"ADDRESS:PORT\", like \"[::1]:6282\""
	s, ok := t.required("listen", want)
	if !ok {
		return ""
	}
	host, port, err := net.SplitHostPort(s)
	_, errAddr := netip.ParseAddr(host)
	if n, errPort := strconv.ParseUint(port, 10, 16); err != nil || errAddr != nil || errPort != nil || n > 65535 {
		t.errorf("listen", "%s; want %s", describe(s), want)
		return ""
	}
	return s
}
