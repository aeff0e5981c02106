package metrics

import (
	"github.com/prometheus/client_golang/prometheus"

	"culvert/bridge/lan"
)

// The metrics of what is done on the site's network. Those of an interface begin at
// zero when it comes up again.
var (
	upForwarding    = desc("upstream_forwarding", "Whether this host forwards IPv6 packets (1) or not (0).")
	upHostRoutes    = desc("upstream_host_routes", "Routes of single nodes, where a mesh has the network's own prefix.")
	upRefused       = desc("upstream_host_routes_refused_total", "Routes of single nodes for which there was no room.")
	upHosts         = desc("upstream_hosts_file_writes_total", "Times that the hosts file was written.")
	upUp            = desc("upstream_up", "Whether the interface is up with a link-local address (1) or not (0).", "interface")
	upRoutes        = desc("upstream_routes", "Routes to mesh prefixes that are advertised.", "interface")
	upShared        = desc("upstream_shared_prefixes", "Mesh prefixes that are the network's own too.", "interface")
	upAdvertised    = desc("upstream_advertisements_total", "Router advertisements sent.", "interface")
	upSolicited     = desc("upstream_router_solicitations_total", "Router solicitations received.", "interface")
	upSendErrors    = desc("upstream_send_errors_total", "Messages of neighbour discovery that could not be sent.", "interface")
	upProxied       = desc("upstream_proxied_addresses", "Addresses of nodes for which neighbour solicitations are answered.", "interface")
	upSolicitations = desc("upstream_neighbor_solicitations_total", "Neighbour solicitations received for an address of a mesh prefix.", "interface")
	upAnswered      = desc("upstream_neighbor_answers_total", "Neighbour solicitations that were answered, those of duplicate address detection included.", "interface")
	upDefended      = desc("upstream_address_defenses_total", "Neighbour solicitations of duplicate address detection that were answered for a node.", "interface")
	upConflicts     = desc("upstream_address_conflicts", "Addresses of nodes that another host of the network uses.", "interface")
	upGroups        = desc("upstream_group_failures_total", "Solicited-node groups that could not be joined.", "interface")
	upNames         = desc("upstream_names", "Names of nodes in multicast DNS: answered for, being tried, or another host's.", "interface", "state")
	upNameMessages  = desc("upstream_name_messages_total", "Messages of multicast DNS: queries for one of the names, answers and announcements sent, answers left out because too many were asked for, messages that could not be read.", "interface", "event")
)

var upstreamDescs = []*prometheus.Desc{
	upForwarding, upHostRoutes, upRefused, upHosts, upUp, upRoutes, upShared, upAdvertised, upSolicited, upSendErrors,
	upProxied, upSolicitations, upAnswered, upDefended, upConflicts, upGroups, upNames, upNameMessages,
}

// upstream shows the figures of the site's network.
func (s *scrape) upstream(u lan.Stats) {
	s.gauge(upForwarding, flag(u.Forwarding))
	s.gauge(upHostRoutes, float64(u.HostRoutes))
	s.counter(upRefused, u.RoutesRefused)
	s.counter(upHosts, u.HostsWritten)
	for i := range u.Interfaces {
		x := &u.Interfaces[i]
		s.gauge(upUp, flag(x.Up), x.Name)
		s.gauge(upRoutes, float64(x.Routes), x.Name)
		s.gauge(upShared, float64(x.Shared), x.Name)
		s.counter(upAdvertised, x.Advertised, x.Name)
		s.counter(upSolicited, x.Solicited, x.Name)
		s.counter(upSendErrors, x.SendErrors, x.Name)
		s.gauge(upProxied, float64(x.Proxied), x.Name)
		s.counter(upSolicitations, x.Solicitations, x.Name)
		s.counter(upAnswered, x.Answered, x.Name)
		s.counter(upDefended, x.Defended, x.Name)
		s.gauge(upConflicts, float64(x.AddressConflicts), x.Name)
		s.counter(upGroups, x.GroupsUnavailable, x.Name)
		s.gauge(upNames, float64(x.Names.Names), x.Name, "answered")
		s.gauge(upNames, float64(x.Names.Waiting), x.Name, "waiting")
		s.gauge(upNames, float64(x.Names.Withheld), x.Name, "withheld")
		for _, e := range []struct {
			event string
			count uint64
		}{
			{"query", x.Names.Queries}, {"answer", x.Names.Answers}, {"announcement", x.Names.Announced},
			{"limited", x.Names.Limited}, {"malformed", x.Names.Malformed},
		} {
			s.counter(upNameMessages, e.count, x.Name, e.event)
		}
	}
}
