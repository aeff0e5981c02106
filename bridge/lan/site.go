package lan

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"slices"
	"sync"
	"time"

	"culvert/bridge/node"

	"github.com/vishvananda/netlink"
	"github.com/vishvananda/netlink/nl"
	"golang.org/x/sys/unix"
)

// Intervals of checks, in addition to those after a notification of the kernel.
const (
	refreshInterval = 10 * time.Second
	nodesInterval   = 2 * time.Second
	settleTime      = 100 * time.Millisecond // groups notifications that come together
)

// site is one run of a Network. Its methods run on one goroutine.
type site struct {
	network    *Network
	handle     *netlink.Handle
	events     *nl.NetlinkSocket
	forward    forwarding
	routes     nodeRoutes
	shares     map[string][]onLinkPrefix // by interface name
	ctx        map[*port]context.Context
	lastLogged map[string]string // last warning logged about each subject
}

func newSite(u *Network) (*site, error) {
	h, err := netlink.NewHandle(unix.NETLINK_ROUTE)
	if err != nil {
		return nil, fmt.Errorf("open netlink: %w", err)
	}
	events, err := nl.Subscribe(unix.NETLINK_ROUTE, unix.RTNLGRP_LINK, unix.RTNLGRP_IPV6_IFADDR, unix.RTNLGRP_IPV6_NETCONF)
	if err != nil {
		h.Close()
		return nil, fmt.Errorf("open netlink: %w", err)
	}
	s := &site{network: u, handle: h, events: events, lastLogged: map[string]string{}, shares: map[string][]onLinkPrefix{}, ctx: map[*port]context.Context{},
		forward: forwarding{root: parameterRoot, path: u.opts.State, log: u.opts.Log}}
	s.routes.handle, s.routes.refused, s.routes.have = h, &u.stats.routesRefused, map[netip.Addr]int{}
	return s, nil
}

func (s *site) run(ctx context.Context) error {
	changed, quit := make(chan struct{}, 1), make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() { s.watch(changed, quit) })
	defer func() {
		close(quit)
		s.events.Close()
		wg.Wait()
		s.handle.Close()
	}()
	serve, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	look := time.NewTicker(refreshInterval)
	defer look.Stop()
	nodes := time.NewTicker(nodesInterval)
	defer nodes.Stop()
	for {
		s.refresh(serve)
		s.nodes()
		for again := false; !again; {
			select {
			case <-ctx.Done():
				stop()
				return s.shutdown()
			case <-nodes.C:
				s.nodes()
			case <-look.C:
				again = true
				s.logOnChange("routes", s.routes.forget())
			case <-s.network.wake:
				again = true
			case <-changed:
				// Notifications come in bursts; one refresh covers them.
				select {
				case <-ctx.Done():
				case <-time.After(settleTime):
				}
				again = true
			}
		}
	}
}

// watch sends on changed after each notification of the kernel. Close quit and then
// the socket to end it.
func (s *site) watch(changed chan<- struct{}, quit <-chan struct{}) {
	for {
		_, _, err := s.events.Receive()
		if err != nil && !errors.Is(err, unix.ENOBUFS) { // notifications were lost: refresh
			select {
			case <-quit:
			default:
				s.network.opts.Log.Error("kernel notifications failed: changes of interfaces are noticed at the next check only", "err", err, "interval", refreshInterval)
			}
			return
		}
		select {
		case changed <- struct{}{}:
		default:
		}
	}
}

// refresh applies the current state of the interfaces.
func (s *site) refresh(ctx context.Context) {
	h, err := readHost(s.handle)
	s.logOnChange("host", err)
	if err != nil {
		return
	}
	err = s.forward.follow(h)
	if !h.forwarding { // as read before follow
		if now, err := readHost(s.handle); err == nil {
			h = now
		}
	}
	s.forward.logOnChange(h, s.network.opts.Interfaces, err)
	s.network.stats.forwarding.Store(h.forwarding)
	meshes := *s.network.meshes.Load()
	s.findSharedPrefixes(h, meshes)
	s.syncPorts(ctx, h)
	for name, p := range s.network.ports {
		if p.announcer != nil {
			p.announcer.setRoutes(s.advertised(h, meshes, h.links[name]))
		}
	}
}

// findSharedPrefixes finds the mesh prefixes that are also on-link on a network of the
// site. Hosts there look for nodes on the link, and a route for the whole prefix would
// cut them off from each other.
func (s *site) findSharedPrefixes(h host, meshes []Mesh) {
	clear(s.shares)
	var want []route
	index := map[string]int{}
	for _, name := range s.network.opts.Interfaces {
		l := h.links[name]
		if !l.usable() {
			continue
		}
		for _, m := range meshes {
			tun := h.links[m.Interface]
			for _, p := range m.Prefixes {
				if !l.shares(p) || tun == nil || !tun.up {
					continue
				}
				if !s.network.opts.Proxy {
					s.logOnChange("share "+name+p.String(), fmt.Errorf("prefix %v of mesh %s is also that of the network on %s, "+
						"whose hosts cannot reach the nodes: give the mesh another prefix, or set proxy = true", p, m.Name, name))
					continue
				}
				s.shares[name] = append(s.shares[name], onLinkPrefix{p, m.Table, tun.index})
				want, index[name] = append(want, route{name, p.String()}), l.index
			}
		}
	}
	s.logOnChange("network routes", setNetworkRoutes(s.handle, &s.forward.saved, s.network.opts.State, want, index))
}

// advertised returns the prefixes to advertise as routes on l.
func (s *site) advertised(h host, meshes []Mesh, l *link) []netip.Prefix {
	var out []netip.Prefix
	for _, m := range meshes {
		tun := h.links[m.Interface]
		for _, p := range m.Prefixes {
			if h.forwarding && tun != nil && tun.up && l.usable() && !l.shares(p) && !slices.Contains(out, p) {
				out = append(out, p)
			}
		}
	}
	return out
}

// syncPorts opens and closes ports as interfaces appear and disappear.
func (s *site) syncPorts(ctx context.Context, h host) {
	for name, p := range s.network.ports {
		if !p.same(h.links[name]) {
			p.stopNow()
			s.setPort(name, nil)
		}
	}
	for _, name := range s.network.opts.Interfaces {
		l := h.links[name]
		if !l.usable() {
			what := "is not there"
			switch {
			case l != nil && !l.up:
				what = "is down, or has no carrier"
			case l != nil:
				what = "has no usable link-local address"
			}
			s.logOnChange("port "+name, fmt.Errorf("interface %s %s: nothing is served on it until it is", name, what))
			continue
		}
		p := s.network.ports[name]
		if p == nil {
			portCtx, port := newPort(ctx, l)
			p = port
			s.ctx[p] = portCtx
			s.setPort(name, p)
		}
		s.logOnChange("port "+name, p.open(s.ctx[p], &s.network.opts))
	}
}

func (s *site) setPort(name string, p *port) {
	s.network.mu.Lock()
	defer s.network.mu.Unlock()
	if p == nil {
		delete(s.ctx, s.network.ports[name])
		delete(s.network.ports, name)
		return
	}
	s.network.ports[name] = p
}

// nodes applies the node tables to the routes, the proxies and the names.
func (s *site) nodes() {
	o, meshes := &s.network.opts, *s.network.meshes.Load()
	addrs := s.sharedAddresses(meshes)
	s.logOnChange("node routes", s.routes.sync(addrs))
	s.network.stats.hostRoutes.Store(int64(s.routes.len()))
	for name, p := range s.network.ports {
		s.logOnChange("proxy "+name, p.setSharedPrefixes(s.ctx[p], s.shares[name], addrs, &s.routes, o.Log))
	}
	if !o.MDNS && o.HostsFile == "" {
		return
	}
	all := names(meshes)
	if o.MDNS {
		hosts := responderHosts(all)
		for _, p := range s.network.ports {
			p.setNames(hosts)
		}
	}
	if o.HostsFile != "" {
		wrote, err := writeHosts(o.HostsFile, hostsFile(all, o.Domain))
		s.logOnChange("hosts", err)
		if wrote {
			s.network.stats.hostsWritten.Add(1)
		}
	}
}

// sharedAddresses returns the addresses of nodes in shared prefixes, each with the index
// of the interface to route it to.
func (s *site) sharedAddresses(meshes []Mesh) map[netip.Addr]int {
	out := map[netip.Addr]int{}
	var all []onLinkPrefix
	for _, list := range s.shares {
		all = append(all, list...)
	}
	if len(all) == 0 {
		return out
	}
	for _, m := range meshes {
		for n := range m.Table.All() {
			if !n.Admitted() || n.State() == node.Retired {
				continue
			}
			for _, a := range m.Table.Addresses(n) {
				for _, x := range all {
					if x.table == m.Table && x.prefix.Contains(a.Addr) && len(out) < maxHostRoutes {
						out[a.Addr] = x.index
					}
				}
			}
		}
	}
	return out
}

// shutdown waits for the ports, whose context has ended, and restores the routes and
// kernel parameters that were changed.
func (s *site) shutdown() error {
	for _, p := range s.network.ports {
		if p.proxy != nil {
			p.proxy.close()
		}
		p.wg.Wait()
	}
	for name := range s.network.ports {
		s.setPort(name, nil)
	}
	errs := []error{s.routes.sync(nil), removeRoutes(s.handle, &s.forward.saved), s.forward.putBack()}
	s.network.stats.hostRoutes.Store(0)
	s.network.stats.forwarding.Store(false)
	return errors.Join(errs...)
}

// logOnChange logs an error about a subject unless it is the one logged last. A nil
// error resets that.
func (s *site) logOnChange(subject string, err error) {
	text := ""
	if err != nil {
		text = err.Error()
	}
	if text != "" && text != s.lastLogged[subject] {
		s.network.opts.Log.Warn(text)
	}
	s.lastLogged[subject] = text
}
