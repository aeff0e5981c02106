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

// How often a site looks, besides when the kernel says that something changed.
const (
	lookInterval  = 10 * time.Second
	nodesInterval = 2 * time.Second
	lookPause     = 100 * time.Millisecond // between two looks
)

// A site is one run of a Network. Its methods run on one goroutine.
type site struct {
	u       *Network
	handle  *netlink.Handle
	events  *nl.NetlinkSocket
	forward forwarding
	routes  nodeRoutes
	shares  map[string][]share // by interface
	ctx     map[*port]context.Context
	said    map[string]string // the last complaint about each subject
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
	s := &site{u: u, handle: h, events: events, said: map[string]string{}, shares: map[string][]share{}, ctx: map[*port]context.Context{},
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
	look := time.NewTicker(lookInterval)
	defer look.Stop()
	nodes := time.NewTicker(nodesInterval)
	defer nodes.Stop()
	for {
		s.look(serve)
		s.nodes()
		for again := false; !again; {
			select {
			case <-ctx.Done():
				stop()
				return s.leave()
			case <-nodes.C:
				s.nodes()
			case <-look.C:
				again = true
				s.complain("routes", s.routes.forget())
			case <-s.u.wake:
				again = true
			case <-changed:
				// More changes come at once, and a look takes them all in.
				select {
				case <-ctx.Done():
				case <-time.After(lookPause):
				}
				again = true
			}
		}
	}
}

// watch says that something changed, until quit and then the socket are closed.
func (s *site) watch(changed chan<- struct{}, quit <-chan struct{}) {
	for {
		_, _, err := s.events.Receive()
		if err != nil && !errors.Is(err, unix.ENOBUFS) { // notices were lost: look
			select {
			case <-quit:
			default:
				s.u.opts.Log.Error("changes of the interfaces are noticed late", "err", err, "interval", lookInterval)
			}
			return
		}
		select {
		case changed <- struct{}{}:
		default:
		}
	}
}

// look brings everything in line with the interfaces as they are now.
func (s *site) look(ctx context.Context) {
	h, err := look(s.handle)
	s.complain("host", err)
	if err != nil {
		return
	}
	err = s.forward.follow(h)
	if !h.forwarding { // it was, before follow
		if now, err := look(s.handle); err == nil {
			h = now
		}
	}
	s.forward.complain(h, s.u.opts.Interfaces, err)
	s.u.stats.forwarding.Store(h.forwarding)
	meshes := *s.u.meshes.Load()
	s.findShares(h, meshes)
	s.arrange(ctx, h)
	for name, p := range s.u.ports {
		if p.announcer != nil {
			p.announcer.setRoutes(s.advertised(h, meshes, h.links[name]))
		}
	}
}

// findShares finds the mesh prefixes that are those of the network too. There the
// network's own hosts look for the nodes on the link, and a route for the whole
// prefix would take each other's addresses from them.
func (s *site) findShares(h host, meshes []Mesh) {
	clear(s.shares)
	var want []route
	index := map[string]int{}
	for _, name := range s.u.opts.Interfaces {
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
				if !s.u.opts.Proxy {
					s.complain("share "+name+p.String(), fmt.Errorf("prefix %v of mesh %s is also that of the network on %s, "+
						"whose hosts look for the nodes there in vain: give the mesh another prefix, or set proxy = true", p, m.Name, name))
					continue
				}
				s.shares[name] = append(s.shares[name], share{p, m.Table, tun.index})
				want, index[name] = append(want, route{name, p.String()}), l.index
			}
		}
	}
	s.complain("network routes", setNetworkRoutes(s.handle, &s.forward.saved, s.u.opts.State, want, index))
}

// advertised are the prefixes to which the network on l is told the route.
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

// arrange opens and closes ports as interfaces come and go.
func (s *site) arrange(ctx context.Context, h host) {
	for name, p := range s.u.ports {
		if !p.same(h.links[name]) {
			p.abort()
			s.setPort(name, nil)
		}
	}
	for _, name := range s.u.opts.Interfaces {
		l := h.links[name]
		if !l.usable() {
			what := "is not there"
			switch {
			case l != nil && !l.up:
				what = "is down, or has no carrier"
			case l != nil:
				what = "has no link-local address that serves"
			}
			s.complain("port "+name, fmt.Errorf("interface %s %s: nothing is served on it until it is", name, what))
			continue
		}
		p := s.u.ports[name]
		if p == nil {
			portCtx, port := newPort(ctx, l)
			p = port
			s.ctx[p] = portCtx
			s.setPort(name, p)
		}
		s.complain("port "+name, p.open(s.ctx[p], &s.u.opts))
	}
}

func (s *site) setPort(name string, p *port) {
	s.u.mu.Lock()
	defer s.u.mu.Unlock()
	if p == nil {
		delete(s.ctx, s.u.ports[name])
		delete(s.u.ports, name)
		return
	}
	s.u.ports[name] = p
}

// nodes brings the routes, the proxies and the names in line with the node tables.
func (s *site) nodes() {
	o, meshes := &s.u.opts, *s.u.meshes.Load()
	addrs := s.sharedAddresses(meshes)
	s.complain("node routes", s.routes.sync(addrs))
	s.u.stats.hostRoutes.Store(int64(s.routes.len()))
	for name, p := range s.u.ports {
		s.complain("proxy "+name, p.setShares(s.ctx[p], s.shares[name], addrs, &s.routes, o.Log))
	}
	if !o.MDNS && o.HostsFile == "" {
		return
	}
	all := names(meshes)
	if o.MDNS {
		hosts := mdnsHosts(all)
		for _, p := range s.u.ports {
			p.setNames(hosts)
		}
	}
	if o.HostsFile != "" {
		wrote, err := writeHosts(o.HostsFile, hostsFile(all, o.Domain))
		s.complain("hosts", err)
		if wrote {
			s.u.stats.hostsWritten.Add(1)
		}
	}
}

// sharedAddresses are the addresses of nodes in shared prefixes, with the index of
// the interface that leads to each.
func (s *site) sharedAddresses(meshes []Mesh) map[netip.Addr]int {
	out := map[netip.Addr]int{}
	var all []share
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

// leave waits for the ports, which have been told to end, and puts back what was
// changed.
func (s *site) leave() error {
	for _, p := range s.u.ports {
		if p.proxy != nil {
			p.proxy.close()
		}
		p.wg.Wait()
	}
	for name := range s.u.ports {
		s.setPort(name, nil)
	}
	errs := []error{s.routes.sync(nil), removeRoutes(s.handle, &s.forward.saved), s.forward.putBack()}
	s.u.stats.hostRoutes.Store(0)
	s.u.stats.forwarding.Store(false)
	return errors.Join(errs...)
}

// complain logs an error about a subject once, until it is another one.
func (s *site) complain(subject string, err error) {
	text := ""
	if err != nil {
		text = err.Error()
	}
	if text != "" && text != s.said[subject] {
		s.u.opts.Log.Warn(text)
	}
	s.said[subject] = text
}
