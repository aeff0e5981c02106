package daemon

import (
	"net/netip"
	"path/filepath"
	"time"

	"culvert/bridge/lan"
)

// upstreamState is the file in state_dir that keeps what was changed of this host.
const upstreamState = "upstream.json"

// UpstreamWait is how long the site's network may take to hear that the routes are
// gone: up to ten seconds (lan.Network.Run), and some to put things back.
const UpstreamWait = 12 * time.Second

// newUpstream makes what serves the site's network; nil where nothing is to be said
// there. What a killed run left changed is then put back here, else by its Run.
func (d *daemon) newUpstream() (*lan.Network, error) {
	state, err := filepath.Abs(filepath.Join(d.cfg.StateDir, upstreamState))
	if err != nil {
		return nil, err
	}
	log := d.log.With("part", "upstream")
	c := d.cfg.Upstream
	if c == nil {
		if err := lan.Restore(state); err != nil {
			log.Warn("what an earlier run changed of this host is not put back", "cause", err)
		}
		return nil, nil
	}
	o := lan.Options{Interfaces: c.Interfaces, Advertise: c.Advertise, Proxy: c.Proxy, MDNS: c.Mdns,
		HostsFile: c.HostsFile, Domain: c.Domain, State: state, Log: log}
	for i, m := range d.meshes {
		o.Meshes = append(o.Meshes, lan.Mesh{Name: m.Name(), Interface: d.cfg.Meshes[i].Iface,
			Prefixes: []netip.Prefix{m.Prefix()}, Table: m.Nodes()})
	}
	return lan.New(o)
}
