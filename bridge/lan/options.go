package lan

import (
	"errors"
	"fmt"
	"log/slog"
	"net/netip"
	"path/filepath"
	"slices"
	"time"

	"culvert/bridge/node"
)

// Options configure a Network. Interfaces and State are required; each other part is off
// by default. Forwarding is always enabled.
type Options struct {
	// Interfaces of this host on the site's network, such as eth0. They may
	// appear and disappear while it runs.
	Interfaces []string
	// Advertise sends router advertisements with a route to each mesh prefix (RFC
	// 4191), and never those of a default router.
	Advertise bool
	// Interval is MaxRtrAdvInterval (RFC 4861, section 6.2.1), 4 s to 1,800 s; 0 is
	// 600 s. The lifetime of a route is three times as long, in case its withdrawal is lost.
	Interval time.Duration
	// Proxy answers neighbour solicitations for the nodes if a mesh prefix is also on-link
	// on the site's network (RFC 4861, section 7.2.8).
	Proxy bool
	// MDNS answers for the nodes' names and CoAP services by multicast DNS (RFC 6762,
	// RFC 6763).
	MDNS bool
	// HostsFile is the path of a list of the nodes in the format of hosts(5), for the
	// site's resolver.
	HostsFile string
	// Domain is appended to the names in HostsFile, for example site.example.
	Domain string
	// State is the path of the file with the original kernel parameters, until they are
	// restored. It must survive the process, but not a boot.
	State string
	// Meshes are the initial meshes; see SetMeshes.
	Meshes []Mesh
	// Log takes warnings; nil discards them.
	Log *slog.Logger
}

// Mesh describes one mesh to the site's network.
type Mesh struct {
	Name      string
	Interface string         // the TUN interface of the mesh
	Prefixes  []netip.Prefix // each a /64; none is the table's
	Table     *node.Table
}

// Limits and defaults, our choice where no RFC is named.
const (
	defaultInterval = 600 * time.Second  // RFC 4861, section 6.2.1
	minInterval     = 4 * time.Second    // the same
	maxInterval     = 1800 * time.Second // the same
	lifetimes       = 3                  // AdvDefaultLifetime over MaxRtrAdvInterval, the same
	maxInterfaces   = 16
	maxPrefixes     = 17 // route information options in one advertisement
)

func (o *Options) check() error {
	if len(o.Interfaces) == 0 {
		return errors.New("lan: no interface of the site's network is named")
	}
	if len(o.Interfaces) > maxInterfaces {
		return fmt.Errorf("lan: %d interfaces, at most %d can be served", len(o.Interfaces), maxInterfaces)
	}
	for i, name := range o.Interfaces {
		switch {
		case name == "" || len(name) > 15 || name == "." || name == ".." || filepath.Base(name) != name:
			return fmt.Errorf("lan: %q is no name of an interface (1 to 15 characters, no /)", name)
		case name == "lo" || name == "all" || name == "default":
			return fmt.Errorf("lan: %q is no interface of a network", name)
		case slices.Contains(o.Interfaces[:i], name):
			return fmt.Errorf("lan: interface %s is listed twice", name)
		}
	}
	if o.Interval == 0 {
		o.Interval = defaultInterval
	}
	if o.Interval < minInterval || o.Interval > maxInterval {
		return fmt.Errorf("lan: interval %v: want %v to %v (RFC 4861, section 6.2.1)", o.Interval, minInterval, maxInterval)
	}
	if o.State == "" {
		return errors.New("lan: no state file: kernel parameters could not be restored after a kill")
	}
	if o.Domain != "" && !isDomain(o.Domain) {
		return fmt.Errorf("lan: domain %q: want DNS labels joined by dots, without a dot at the end (RFC 1123, 2.1)", o.Domain)
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return o.checkMeshes(o.Meshes)
}

// checkMeshes refuses meshes that cannot be served, and those whose interface belongs to
// the site's network.
func (o *Options) checkMeshes(meshes []Mesh) error {
	count := 0
	for i := range meshes {
		m := &meshes[i]
		if m.Table == nil {
			return fmt.Errorf("lan: mesh %s has no node table", m.Name)
		}
		if m.Interface == "" || slices.Contains(o.Interfaces, m.Interface) {
			return fmt.Errorf("lan: mesh %s: interface %q must be that of the mesh, not one of the site's network", m.Name, m.Interface)
		}
		if len(m.Prefixes) == 0 {
			m.Prefixes = []netip.Prefix{m.Table.Prefix()}
		}
		for _, p := range m.Prefixes {
			if !p.IsValid() || !p.Addr().Is6() || p.Bits() != 64 || p != p.Masked() || p.Addr().IsLinkLocalUnicast() || p.Addr().IsMulticast() {
				return fmt.Errorf("lan: mesh %s: prefix %v: want an IPv6 /64 that can be routed", m.Name, p)
			}
		}
		count += len(m.Prefixes)
	}
	if count > maxPrefixes {
		return fmt.Errorf("lan: %d mesh prefixes, at most %d fit into an advertisement", count, maxPrefixes)
	}
	return nil
}

func isDomain(s string) bool {
	if len(s) > 200 {
		return false
	}
	start := 0
	for i := 0; i <= len(s); i++ {
		if i < len(s) && s[i] != '.' {
			c := s[i]
			if !(c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '-') {
				return false
			}
			continue
		}
		if i == start || i-start > 63 || s[start] == '-' || s[i-1] == '-' {
			return false
		}
		start = i + 1
	}
	return true
}
