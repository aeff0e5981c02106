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

// Where a mesh prefix is that of the site's network too, the kernel has two routes
// for it, one to the network and one to the TUN interface. Ours settle it:
//
//	PREFIX/64   dev eth0   better than both, so that the network's hosts are found
//	NODE/128    dev mesh0  for each address that a node has
//
// A node's route is more specific than any other. All are marked as ours.
const (
	// routeProtocol is the mark: one of rtnetlink's routing protocol numbers that
	// nobody has registered, as for the policy rules of the TUN interface.
	routeProtocol = 108
	// routeMetric is smaller than those of the kernel (256) and of router
	// advertisements (1024).
	routeMetric   = 64
	maxHostRoutes = 16384
)

// nodeRoutes are the routes to single nodes.
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

// ensure reports whether there is a route to a node by way of the interface.
func (r *nodeRoutes) ensure(a netip.Addr, index int) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.ensureLocked(a, index) == nil
}

var errManyRoutes = fmt.Errorf("there are %d routes to nodes, which is as many as there may be", maxHostRoutes)

func (r *nodeRoutes) ensureLocked(a netip.Addr, index int) error {
	if i, ok := r.have[a]; ok && i == index {
		return nil
	}
	if len(r.have) >= maxHostRoutes {
		r.refused.Add(1)
		return errManyRoutes
	}
	if err := r.handle.RouteReplace(nodeRoute(a, index)); err != nil {
		return fmt.Errorf("add a route to %v: %w", a, err)
	}
	r.have[a] = index
	return nil
}

// sync makes the routes those of want, and returns the first error.
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

// forget drops from have what the kernel no longer has: the routes went with their
// interface, or another program removed them.
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

// gone tells the errors of removing what is not there.
func gone(err error) bool {
	return errors.Is(err, unix.ESRCH) || errors.Is(err, unix.ENODEV) || errors.Is(err, unix.ENOENT)
}

// setNetworkRoutes makes the routes to shared prefixes those of want. They outlive
// the process, so they are written down first.
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

// removeRoutes removes the routes that were written down, and keeps in s those that
// could not be removed.
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
			continue // its routes went with it
		}
		if err := h.RouteDel(networkRoute(p, l.Attrs().Index)); err != nil && !gone(err) {
			left = append(left, r)
			errs = append(errs, fmt.Errorf("lan: remove route %s dev %s: %w", r.Prefix, r.Interface, err))
		}
	}
	s.Routes = left
	return errors.Join(errs...)
}
