package conf

import (
	"net/netip"
	"slices"
	"strings"
)

// UpstreamConfig is [upstream]: what is done on the site's network.
type UpstreamConfig struct {
	Interfaces             []string
	Advertise, Proxy, Mdns bool
	HostsFile, Domain      string // empty is none
}

// What the keys of [upstream], and gateway in a mesh, may hold.
const (
	wantUpstream   = `the name of an interface of this host on the site's network, like "eth0"`
	wantUpstreams  = `names of interfaces of this host on the site's network, like ["eth0", "eth1"]`
	wantDomain     = `DNS labels in lower case joined by dots, like "site.example", at most 200 characters`
	wantGateway    = `an address of the mesh prefix other than its first, like "fd5e:2a11:77c0:1::fe"`
	maxUpstreams   = 16  // what bridge/lan serves
	maxAnnounced   = 17  // prefixes, the most that one of its advertisements holds
	maxDomainChars = 200 // what it takes
)

// upstream reads [upstream].
func (r *ConfigReader) upstream(t *Table, meshes []MeshConfig) *UpstreamConfig {
	u := &UpstreamConfig{Interfaces: r.upstreamInterfaces(t)}
	u.Advertise = t.boolean("advertise", false)
	u.Proxy = t.boolean("proxy", false)
	u.Mdns = t.boolean("mdns", false)
	u.HostsFile = r.filePath(t, "hosts_file", `the path of the file to keep, like "/var/lib/culvert-names/hosts"`)
	if s, ok := t.Text("domain", wantDomain); ok {
		if len(s) > maxDomainChars || slices.ContainsFunc(strings.Split(s, "."), func(l string) bool { return !isLabel(l) }) {
			t.Errorf("domain", "%s; want %s", Describe(s), wantDomain)
		} else if !t.Has("hosts_file") {
			t.Errorf("domain", "stands behind the names in hosts_file, and there is none; want hosts_file too")
		}
		u.Domain = s
	}
	if len(meshes) > maxAnnounced {
		t.Errorf("", "there are %d meshes; want at most %d with [upstream], whose prefixes fit into one advertisement", len(meshes), maxAnnounced)
	}
	for _, m := range meshes {
		if u.Proxy && m.Prefix.IsValid() && !m.Gateway.IsValid() { // a generated prefix is nobody else's
			t.Errorf("proxy", "mesh %q has no gateway; want there gateway = %s, since %v may be the site router's",
				m.Name, wantGateway, m.OwnAddress(m.Prefix))
		}
	}
	t.Close(nil)
	return u
}

// upstreamInterfaces reads interface, or interfaces.
func (r *ConfigReader) upstreamInterfaces(t *Table) []string {
	var names []string
	check := func(s string, errorf func(format string, args ...any), want string) {
		switch {
		case !IsIfaceName(s):
			errorf("%s; want %s", Describe(s), want)
		case r.ifaces[s]:
			errorf("%q belongs to a mesh; want %s", s, want)
		case slices.Contains(names, s):
			errorf("%q stands there twice", s)
		}
		names = append(names, s)
	}
	if !t.Has("interfaces") {
		if s, ok := t.Required("interface", wantUpstream); ok {
			check(s, func(f string, a ...any) { t.Errorf("interface", f, a...) }, wantUpstream)
		}
		t.Value("interfaces")
		return names
	}
	if _, both := t.Value("interface"); both {
		t.Errorf("interface", "interfaces stands there too; want one of the two")
	}
	before := len(t.doc.Errs)
	for i, s := range t.Texts("interfaces", wantUpstreams) {
		if s != "" {
			check(s, func(f string, a ...any) { t.elementErrorf("interfaces", i, f, a...) }, wantUpstreams)
		}
	}
	switch n := len(names); {
	case n == 0 && len(t.doc.Errs) == before:
		t.Errorf("interfaces", "empty; want %s", wantUpstreams)
	case n > maxUpstreams:
		t.Errorf("interfaces", "%d of them; want at most %d", n, maxUpstreams)
	}
	return names
}

// gateway reads this host's own address in a mesh; the zero address is prefix::1.
func (r *ConfigReader) gateway(t *Table, m MeshConfig) netip.Addr {
	s, ok := t.Text("gateway", wantGateway)
	if !ok {
		return netip.Addr{}
	}
	if m.Generate {
		t.Errorf("gateway", "the prefix is generated, and the gateway its ::1; take it out")
		return netip.Addr{}
	}
	a, err := netip.ParseAddr(s)
	if err != nil || a.Zone() != "" || !a.Is6() || m.Prefix.IsValid() && (!m.Prefix.Contains(a) || a == m.Prefix.Addr()) {
		t.Errorf("gateway", "%s; want %s", Describe(s), wantGateway)
		return m.Prefix.Addr() // said once is enough
	}
	return a
}

// SharedWith are the interfaces of the network that may have a mesh's prefix too:
// none, unless neighbours are proxied, and none with a prefix that was generated.
func (cfg *Config) SharedWith(m MeshConfig) []string {
	if cfg.Upstream == nil || !cfg.Upstream.Proxy || m.Generate {
		return nil
	}
	return cfg.Upstream.Interfaces
}
