package lan

import (
	"errors"
	"fmt"
	"net/netip"
	"slices"
	"sync"
	"sync/atomic"

	"github.com/vishvananda/netlink"
	"golang.org/x/sys/unix"

	"culvert/tun/rtnl"
)

// If a mesh prefix is also on-link on the site's network, the kernel has two routes for
// it, one to the network and one to the TUN interface. Our routes take precedence:
//
//	PREFIX/64   dev eth0   better than both, so that the network's hosts are found
//	NODE/128    dev mesh0  for each address that a node has
//
// A host route is more specific than any other. All have routeProtocol.
const (
	// routeProtocol marks our routes: an unregistered routing protocol number of
	// rtnetlink, the one that package tun uses for its policy rules.
	routeProtocol = 108
	// routeMetric is below the metrics of the kernel (256) and of router advertisements
	// (1024).
	routeMetric   = 64
	maxHostRoutes = 16384
)

// nodeRoutes are the host routes to nodes.
type nodeRoutes struct {
	handle  *netlink.Handle
	refused *atomic.Uint64

	mu   sync.Mutex // guards have
	have map[netip.Addr]int
}

func (r *nodeRoutes) len() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.have)
}

// ensure adds the route to a node over the interface if it is missing, and reports
// whether the route exists.
func (r *nodeRoutes) ensure(a netip.Addr, index int) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.ensureLocked(a, index) == nil
}

var errTooManyRoutes = fmt.Errorf("there are %d routes to nodes, which is the limit", maxHostRoutes)

func (r *nodeRoutes) ensureLocked(a netip.Addr, index int) error {
	if i, ok := r.have[a]; ok && i == index {
		return nil
	}
	if len(r.have) >= maxHostRoutes {
		r.refused.Add(1)
		return errTooManyRoutes
	}
	if err := r.handle.RouteReplace(nodeRoute(a, index)); err != nil {
		return fmt.Errorf("add a route to %v: %w", a, err)
	}
	r.have[a] = index
	return nil
}

// sync adds and removes routes until they equal want. It returns the first error.
func (r *nodeRoutes) sync(want map[netip.Addr]int) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	var first error
	for a, index := range r.have {
		if i, ok := want[a]; !ok || i != index {
			if err := r.handle.RouteDel(nodeRoute(a, index)); err != nil && !gone(err) && first == nil {
				first = fmt.Errorf("remove the route to %v: %w", a, err)
			}
			delete(r.have, a)
		}
	}
	for a, index := range want {
		if err := r.ensureLocked(a, index); err != nil && first == nil {
			first = err
		}
	}
	return first
}

// forget drops from have the routes that the kernel no longer has: their interface was
// removed, or another program removed them.
func (r *nodeRoutes) forget() error {
	routes, err := ourRoutes(r.handle)
	if err != nil {
		return err
	}
	there := map[netip.Addr]int{}
	for _, n := range routes {
		if p := rtnl.Prefix(n.Dst); p.IsSingleIP() {
			there[p.Addr()] = n.LinkIndex
		}
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	for a, index := range r.have {
		if there[a] != index {
			delete(r.have, a)
		}
	}
	return nil
}

func nodeRoute(a netip.Addr, index int) *netlink.Route {
	return &netlink.Route{Dst: rtnl.IPNet(netip.PrefixFrom(a, 128)), LinkIndex: index, Protocol: routeProtocol, Priority: routeMetric}
}

func networkRoute(p netip.Prefix, index int) *netlink.Route {
	return &netlink.Route{Dst: rtnl.IPNet(p), LinkIndex: index, Protocol: routeProtocol, Priority: routeMetric}
}

func ourRoutes(h *netlink.Handle) ([]netlink.Route, error) {
	return rtnl.Dump(func() ([]netlink.Route, error) {
		return h.RouteListFiltered(unix.AF_INET6, &netlink.Route{Protocol: routeProtocol}, netlink.RT_FILTER_PROTOCOL)
	})
}

// gone reports whether removing a route failed because it does not exist.
func gone(err error) bool {
	return errors.Is(err, unix.ESRCH) || errors.Is(err, unix.ENODEV) || errors.Is(err, unix.ENOENT)
}

// setNetworkRoutes makes the routes to shared prefixes equal to want. The routes
// survive a killed process, so the state file records them first.
func setNetworkRoutes(h *netlink.Handle, s *saved, path string, want []route, index map[string]int) error {
	for _, r := range want {
		if !slices.Contains(s.Routes, r) {
			s.Routes = append(s.Routes, r)
			if err := s.store(path); err != nil {
				return err
			}
		}
	}
	var errs []error
	for _, r := range want {
		p, err := netip.ParsePrefix(r.Prefix)
		if err == nil {
			err = h.RouteReplace(networkRoute(p, index[r.Interface]))
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("add route %s dev %s: %w", r.Prefix, r.Interface, err))
		}
	}
	old := *s
	old.Routes = slices.DeleteFunc(slices.Clone(s.Routes), func(r route) bool { return slices.Contains(want, r) })
	if len(old.Routes) > 0 {
		errs = append(errs, removeRoutes(h, &old))
		s.Routes = slices.DeleteFunc(s.Routes, func(r route) bool {
			return !slices.Contains(want, r) && !slices.Contains(old.Routes, r)
		})
		errs = append(errs, s.store(path))
	}
	return errors.Join(errs...)
}

// removeRoutes removes the recorded routes. s keeps those that could not be removed.
func removeRoutes(h *netlink.Handle, s *saved) error {
	var left []route
	var errs []error
	for _, r := range s.Routes {
		p, err := netip.ParsePrefix(r.Prefix)
		if err != nil {
			continue
		}
		l, err := h.LinkByName(r.Interface)
		if err != nil {
			continue // the kernel removed its routes with it
		}
		if err := h.RouteDel(networkRoute(p, l.Attrs().Index)); err != nil && !gone(err) {
			left = append(left, r)
			errs = append(errs, fmt.Errorf("lan: remove route %s dev %s: %w", r.Prefix, r.Interface, err))
		}
	}
	s.Routes = left
	return errors.Join(errs...)
}
