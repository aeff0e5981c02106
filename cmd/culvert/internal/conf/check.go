package conf

import (
	"cmp"
	"net"
	"net/netip"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
)

// ConfigReader turns the tables of a file into a config and checks each value.
type ConfigReader struct {
	Dir string // relative paths count from here

	// What must be unique in the daemon.
	names     map[string]int // places, with the line of the first
	meshNames map[string]bool
	ifaces    map[string]bool
	prefixes  map[netip.Prefix]bool
	devices   map[ieee802154.Addr]string // EUI-64s, with the place of the first
}

// MaxControlPath is what fits into the address of a Unix socket, less the closing
// zero octet (Linux, unix(7): 108).
const MaxControlPath = 107

// maxMeshes and maxPlaces bound what one daemon is asked to serve.
const (
	maxMeshes = 64
	maxPlaces = 65536
)

// root reads the whole file.
func (r *ConfigReader) root(t *Table) *Config {
	cfg := &Config{
		StateDir: r.Path(t, "state_dir", "a directory", defaultStateDir),
		Control:  r.Path(t, "control", "the path of a socket", DefaultControl),
	}
	if n := len(cfg.Control); n > MaxControlPath {
		t.Errorf("control", "%q has %d octets; want at most %d, the most that a Unix socket's path can have",
			cfg.Control, n, MaxControlPath)
	}
	meshes := t.Tables("mesh")
	if len(meshes) == 0 && !t.Has("mesh") {
		t.Errorf("mesh", "missing; want at least one [[mesh]]")
	}
	if len(meshes) > maxMeshes {
		t.Errorf("mesh", "%d of them; want at most %d", len(meshes), maxMeshes)
		meshes = nil
	}
	for _, m := range meshes {
		cfg.Meshes = append(cfg.Meshes, r.mesh(m))
	}
	cfg.Rules = r.rules(t, cfg.Meshes)
	front := t.Table("coap")
	if front != nil {
		r.doors(front, cfg)
	}
	r.nodeTables(front, meshes, cfg)
	cfg.Access = r.access(t, cfg.Meshes)
	cfg.checkDoors(t)
	cfg.Outputs = r.outputs(t, cfg)
	if h := t.Table("http"); h != nil {
		cfg.HttpListen, cfg.HttpNames = r.httpListen(h), httpNames(h)
		h.Close(nil)
	}
	if u := t.Table("upstream"); u != nil {
		cfg.Upstream = r.upstream(u, cfg.Meshes)
	}
	t.Close(nil)
	return cfg
}

// Path reads a path, which counts from the directory of the file.
func (r *ConfigReader) Path(t *Table, key, want, def string) string {
	s, ok := t.Text(key, want)
	switch {
	case !ok:
		s = def
	case s == "":
		t.Errorf(key, "empty; want %s", want)
	case strings.ContainsRune(s, 0):
		t.Errorf(key, "%q holds a zero octet; want %s", s, want)
	}
	return r.abs(s)
}

// abs makes a path absolute.
func (r *ConfigReader) abs(s string) string {
	if s == "" || filepath.IsAbs(s) {
		return s
	}
	return filepath.Join(r.Dir, s)
}

// mesh reads one [[mesh]].
func (r *ConfigReader) mesh(t *Table) MeshConfig {
	m := MeshConfig{
		Name:  r.meshName(t),
		Iface: r.ifaceName(t),
	}
	m.Prefix, m.Generate = r.prefix(t)
	m.Gateway = r.gateway(t, m)
	m.Registered = t.word("addresses", []string{"derived", "registered"}) == "registered"
	m.contexts, m.noPrefixContext = r.contexts(t)
	m.Full = t.word("encoding", []string{"conservative", "full"}) == "full"
	m.Listed = t.word("admit", []string{"any", "listed"}) == "listed"
	m.Report = r.reporting(t)
	m.ElidedPorts = r.ports(t, "elided_checksum_ports")
	m.Limits, m.Flows = r.limits(t)
	m.IcmpErrors = t.rateOfErrors("icmp_errors")
	t.Value("coap") // nodeTables reads it
	if radio := t.Table("radio"); radio != nil {
		m.Radio = r.radio(radio)
	} else if !t.Has("radio") {
		t.Errorf("radio", "missing; want a table [mesh.radio] that says how the radio is attached")
	}
	places := t.Tables("place")
	if len(places) > maxPlaces {
		t.Errorf("place", "%d of them; want at most %d", len(places), maxPlaces)
		places = nil
	}
	for _, p := range places {
		m.Places = append(m.Places, r.place(p))
	}
	if m.AdmitAbsent = !t.Has("admit"); m.AdmitAbsent {
		m.Listed = len(m.Places) > 0
	}
	m.decoders = r.decoders(t, m)
	t.Close(nil)
	return m
}

// wantLabel is what a name must be.
const wantLabel = "a DNS label: 1 to 63 of a-z, 0-9 and '-', with no '-' at either end"

// label reads a name.
func (r *ConfigReader) label(t *Table, key string) (string, bool) {
	s, ok := t.Required(key, wantLabel)
	if !ok {
		return "", false
	}
	if !isLabel(s) {
		t.Errorf(key, "%s; want %s", Describe(s), wantLabel)
		return "", false
	}
	if shapedLikeAddr(s) {
		t.Errorf(key, "%q looks like a link address; want a name that cannot be mistaken for one", s)
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
func (r *ConfigReader) meshName(t *Table) string {
	s, ok := r.label(t, "name")
	if ok && r.meshNames[s] {
		t.Errorf("name", "%q is the name of another mesh already", s)
	}
	r.meshNames[s] = true
	return s
}

// ifaceName reads the name of the TUN interface.
func (r *ConfigReader) ifaceName(t *Table) string {
	const want = "the name of the network interface to make: 1 to 15 printable characters without space, '/', ':' and '%', like \"mesh0\""
	s, ok := t.Required("interface", want)
	if !ok {
		return ""
	}
	if !IsIfaceName(s) {
		t.Errorf("interface", "%s; want %s", Describe(s), want)
		return ""
	}
	if r.ifaces[s] {
		t.Errorf("interface", "%q is the interface of another mesh already", s)
	}
	r.ifaces[s] = true
	return s
}

// IsIfaceName reports whether s can be the name of a network interface of ours.
func IsIfaceName(s string) bool {
	bad := strings.ContainsFunc(s, func(c rune) bool { return c <= ' ' || c > '~' || strings.ContainsRune("/:%", c) })
	return len(s) > 0 && len(s) <= 15 && !bad && s != "." && s != ".." && s != "all" && s != "default" && s != "lo"
}

// prefix reads the prefix of a mesh, or that it is to be generated.
func (r *ConfigReader) prefix(t *Table) (prefix netip.Prefix, generate bool) {
	const want = "a unicast /64, like \"fd5e:2a11:77c0:1::/64\", or \"generate\""
	s, ok := t.Required("prefix", want)
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
		t.Errorf("prefix", "%s is no IPv6 prefix; want %s", Describe(s), want)
	case p.Bits() != 64:
		t.Errorf("prefix", "%q has %d bits; want %s", s, p.Bits(), want)
	case p != p.Masked():
		t.Errorf("prefix", "%q has bits set behind the first 64; want %s, here %q", s, want, p.Masked())
	case a.IsMulticast(), a.IsLinkLocalUnicast(), p == netip.MustParsePrefix("::/64"):
		t.Errorf("prefix", "%q cannot be a mesh's own; want %s", s, want)
	case r.prefixes[p]:
		t.Errorf("prefix", "%q is the prefix of another mesh already", s)
	default:
		r.prefixes[p] = true
		return p, false
	}
	return netip.Prefix{}, false
}

// ports reads a list of UDP ports.
func (r *ConfigReader) ports(t *Table, key string) []uint16 {
	const want = "UDP ports from 1 to 65535, like [61616, 61617]"
	var out []uint16
	for i, v := range t.list(key, want) {
		n, ok := v.(int64)
		switch {
		case !ok || n < 1 || n > 65535:
			t.elementErrorf(key, i, "element %d is %s; want %s", i+1, Describe(v), want)
		case slices.Contains(out, uint16(n)):
			t.elementErrorf(key, i, "%d stands there twice", n)
		default:
			out = append(out, uint16(n))
		}
	}
	return out
}

// place reads one [[mesh.place]].
func (r *ConfigReader) place(t *Table) placeConfig {
	const want = "the EUI-64 of the device that stands there, like \"00:00:5e:ef:10:00:00:05\""
	var p placeConfig
	if s, ok := r.label(t, "name"); ok {
		if first, taken := r.names[s]; taken {
			t.Errorf("name", "%q is the name of another place already, in line %d", s, first)
		} else {
			r.names[s] = t.line
		}
		p.Name = s
	}
	if s, ok := t.Required("eui64", want); ok {
		a, err := ieee802154.ParseAddr(s)
		v, _ := a.EUI64()
		switch {
		case err != nil || !a.IsExtended():
			t.Errorf("eui64", "%s; want %s", Describe(s), want)
		case !a.IsNode() || v>>56&1 == 1: // IEEE Std 802, 8.2: the group bit
			t.Errorf("eui64", "%q is not the address of one device; want %s", s, want)
		case r.devices[a] != "":
			t.Errorf("eui64", "%q is the device of %s already", s, r.devices[a])
		default:
			r.devices[a] = "place " + strconv.Quote(p.Name)
			p.Eui64 = a
		}
	}
	if t.Has("encoding") {
		full := t.word("encoding", []string{"conservative", "full"}) == "full"
		p.full = &full
	} else {
		t.Value("encoding")
	}
	p.period = t.duration("report", leastReport, longestReport)
	t.Close(nil)
	return p
}

// httpNames reads the names under which browsers may ask.
func httpNames(t *Table) (out []string) {
	const want = "host names without a port, like \"gateway.example\""
	for i, s := range t.Texts("names", want) {
		s = strings.ToLower(s)
		if _, err := netip.ParseAddr(s); err == nil || s == "" || len(s) > 253 || strings.ContainsAny(s, ":/[] ") {
			t.elementErrorf("names", i, "%s; want %s", Describe(s), want)
		}
		out = append(out, s)
	}
	return out
}

// httpListen reads where the HTTP side listens.
func (r *ConfigReader) httpListen(t *Table) string {
	const want = "\"ADDRESS:PORT\", like \"[::1]:6282\""
	s, ok := t.Required("listen", want)
	if !ok {
		return ""
	}
	host, port, err := net.SplitHostPort(s)
	_, errAddr := netip.ParseAddr(host)
	if n, errPort := strconv.ParseUint(port, 10, 16); err != nil || errAddr != nil || errPort != nil || n > 65535 {
		t.Errorf("listen", "%s; want %s", Describe(s), want)
		return ""
	}
	return s
}

// OwnAddress is this host's own address in the mesh, whose prefix may be generated.
func (m MeshConfig) OwnAddress(prefix netip.Prefix) netip.Addr {
	if m.Gateway.IsValid() {
		return m.Gateway
	}
	return ipv6.Gateway(prefix)
}

// NodePlaces returns the places of a mesh; full is whether nodes decode every encoding
// where their places do not say.
func (c MeshConfig) NodePlaces(full bool) []node.Place {
	out := make([]node.Place, 0, len(c.Places))
	for _, p := range c.Places {
		out = append(out, node.Place{Name: p.Name, EUI64: p.Eui64, Full: *cmp.Or(p.full, &full), Period: p.period})
	}
	return out
}

// Mesh returns the mesh with a name.
func (c *Config) Mesh(name string) (MeshConfig, bool) {
	for _, m := range c.Meshes {
		if m.Name == name {
			return m, true
		}
	}
	return MeshConfig{}, false
}

// PlaceCount returns the number of places of all meshes.
func (c *Config) PlaceCount() (n int) {
	for _, m := range c.Meshes {
		n += len(m.Places)
	}
	return n
}
