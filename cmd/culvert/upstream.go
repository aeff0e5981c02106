package main

import (
	"net/netip"
	"path/filepath"
	"time"

	"culvert/bridge/ipv6"
	"culvert/bridge/lan"
)

// upstreamState is the file in state_dir that keeps what was changed of this host.
const upstreamState = "upstream.json"

// upstreamWait is how long the site's network may take to hear that the routes are
// gone: up to ten seconds (lan.Network.Run), and some to put things back.
const upstreamWait = 12 * time.Second

// newUpstream makes what serves the site's network; nil where nothing is to be said
// there. What a killed run left changed is then put back here, else by its Run.
func (d *daemon) newUpstream() (*lan.Network, error) {
	state, err := filepath.Abs(filepath.Join(d.cfg.stateDir, upstreamState))
	if err != nil {
		return nil, err
	}
	log := d.log.With("part", "upstream")
	c := d.cfg.upstream
	if c == nil {
		if err := lan.Restore(state); err != nil {
			log.Warn("what an earlier run changed of this host is not put back", "cause", err)
		}
		return nil, nil
	}
	o := lan.Options{Interfaces: c.interfaces, Advertise: c.advertise, Proxy: c.proxy, MDNS: c.mdns,
		HostsFile: c.hostsFile, Domain: c.domain, State: state, Log: log}
	for i, m := range d.meshes {
		o.Meshes = append(o.Meshes, lan.Mesh{Name: m.Name(), Interface: d.cfg.meshes[i].iface,
			Prefixes: []netip.Prefix{m.Prefix()}, Table: m.Nodes()})
	}
	return lan.New(o)
}

// sharedWith are the interfaces of the network that may have a mesh's prefix too:
// none, unless neighbours are proxied, and none with a prefix that was generated.
func (cfg *config) sharedWith(m meshConfig) []string {
	if cfg.upstream == nil || !cfg.upstream.proxy || m.generate {
		return nil
	}
	return cfg.upstream.interfaces
}

// ownAddress is this host's own address in the mesh, whose prefix may be generated.
func (m meshConfig) ownAddress(prefix netip.Prefix) netip.Addr {
	if m.gateway.IsValid() {
		return m.gateway
	}
	return ipv6.Join(prefix.Addr(), 1)
}
