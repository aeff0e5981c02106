package main

import (
	"net/netip"
	"slices"
	"strings"
)

// upstreamConfig is [upstream]: what is done on the site's network.
type upstreamConfig struct {
	interfaces             []string
	advertise, proxy, mdns bool
	hostsFile, domain      string // empty is none
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
func (r *configReader) upstream(t *table, meshes []meshConfig) *upstreamConfig {
	u := &upstreamConfig{interfaces: r.upstreamInterfaces(t)}
	u.advertise = t.boolean("advertise", false)
	u.proxy = t.boolean("proxy", false)
	u.mdns = t.boolean("mdns", false)
	u.hostsFile = r.filePath(t, "hosts_file", `the path of the file to keep, like "/var/lib/culvert-names/hosts"`)
	if s, ok := t.text("domain", wantDomain); ok {
		if len(s) > maxDomainChars || slices.ContainsFunc(strings.Split(s, "."), func(l string) bool { return !isLabel(l) }) {
			t.errorf("domain", "%s; want %s", describe(s), wantDomain)
		} else if !t.has("hosts_file") {
			t.errorf("domain", "stands behind the names in hosts_file, and there is none; want hosts_file too")
		}
		u.domain = s
	}
	if len(meshes) > maxAnnounced {
		t.errorf("", "there are %d meshes; want at most %d with [upstream], whose prefixes fit into one advertisement", len(meshes), maxAnnounced)
	}
	for _, m := range meshes {
		if u.proxy && m.prefix.IsValid() && !m.gateway.IsValid() { // a generated prefix is nobody else's
			t.errorf("proxy", "mesh %q has no gateway; want there gateway = %s, since %v may be the site router's",
				m.name, wantGateway, m.ownAddress(m.prefix))
		}
	}
	t.close(nil)
	return u
}

// upstreamInterfaces reads interface, or interfaces.
func (r *configReader) upstreamInterfaces(t *table) []string {
	var names []string
	check := func(s string, errorf func(format string, args ...any), want string) {
		switch {
		case !isIfaceName(s):
			errorf("%s; want %s", describe(s), want)
		case r.ifaces[s]:
			errorf("%q belongs to a mesh; want %s", s, want)
		case slices.Contains(names, s):
			errorf("%q stands there twice", s)
		}
		names = append(names, s)
	}
	if !t.has("interfaces") {
		if s, ok := t.required("interface", wantUpstream); ok {
			check(s, func(f string, a ...any) { t.errorf("interface", f, a...) }, wantUpstream)
		}
		t.value("interfaces")
		return names
	}
	if _, both := t.value("interface"); both {
		t.errorf("interface", "interfaces stands there too; want one of the two")
	}
	before := len(t.doc.errs)
	for i, s := range t.texts("interfaces", wantUpstreams) {
		if s != "" {
			check(s, func(f string, a ...any) { t.elementErrorf("interfaces", i, f, a...) }, wantUpstreams)
		}
	}
	switch n := len(names); {
	case n == 0 && len(t.doc.errs) == before:
		t.errorf("interfaces", "empty; want %s", wantUpstreams)
	case n > maxUpstreams:
		t.errorf("interfaces", "%d of them; want at most %d", n, maxUpstreams)
	}
	return names
}

// gateway reads this host's own address in a mesh; the zero address is prefix::1.
func (r *configReader) gateway(t *table, m meshConfig) netip.Addr {
	s, ok := t.text("gateway", wantGateway)
	if !ok {
		return netip.Addr{}
	}
	if m.generate {
		t.errorf("gateway", "the prefix is generated, and the gateway its ::1; take it out")
		return netip.Addr{}
	}
	a, err := netip.ParseAddr(s)
	if err != nil || a.Zone() != "" || !a.Is6() || m.prefix.IsValid() && (!m.prefix.Contains(a) || a == m.prefix.Addr()) {
		t.errorf("gateway", "%s; want %s", describe(s), wantGateway)
		return m.prefix.Addr() // said once is enough
	}
	return a
}
