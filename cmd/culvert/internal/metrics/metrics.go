// Package metrics shows the figures of the daemon to Prometheus: one collector
// that reads the Stats of the parts when it is asked, and holds nothing between.
// What left the node table is gone from the next answer.
package metrics

import (
	"log/slog"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"culvert/bridge"
	"culvert/bridge/lan"
	"culvert/bridge/node"
	"culvert/bridge/store"
	"culvert/coap"
)

// Options are what a Collector reads.
type Options struct {
	Meshes []*bridge.Mesh
	CoAP   *coap.Server // nil: none
	// State returns how the file does in which what nodes register is kept. Nil: there is
	// none.
	State func() store.Stats
	// Upstream returns the figures of what is done on the site's network. Nil: nothing is.
	Upstream func() lan.Stats
	// Reload says whether the configuration could be read when it last was, and when it
	// last could. Nil: it is never read again.
	Reload func() (ok bool, at time.Time)

	// What culvert_build_info says.
	Version, Revision, GoVersion string

	Log *slog.Logger // nil discards
}

// Collector reads the figures of the whole daemon. It implements
// prometheus.Collector.
type Collector struct {
	opt Options
	log *slog.Logger
}

// New returns a collector, registered nowhere.
func New(o Options) *Collector {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Collector{opt: o, log: o.Log.With("part", "metrics")}
}

// Limits of the handler, ours.
const (
	maxScrapes    = 4
	scrapeTimeout = 30 * time.Second
)

// Handler serves the figures in Prometheus's text format, from a registry of its
// own that has those of the Go runtime and of the process too.
func (c *Collector) Handler() http.Handler {
	r := prometheus.NewRegistry()
	r.MustRegister(c, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return promhttp.HandlerFor(r, promhttp.HandlerOpts{
		ErrorLog:            errorLog{c.log},
		ErrorHandling:       promhttp.ContinueOnError,
		MaxRequestsInFlight: maxScrapes,
		CoalesceGather:      true,
		Timeout:             scrapeTimeout,
	})
}

// errorLog hands what promhttp has to say to slog.
type errorLog struct{ log *slog.Logger }

// Println logs its arguments, the last of which is the error.
func (l errorLog) Println(v ...any) { l.log.Error("metrics not whole", "error", v[len(v)-1]) }

// The directions of the label.
const (
	toMesh   = "to_mesh"
	fromMesh = "from_mesh"
)

var (
	meshLabels = []string{"mesh"}
	dirLabels  = []string{"mesh", "direction"}
	dropLabels = []string{"mesh", "direction", "reason"}
	nodeLabels = []string{"mesh", "node"}
)

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("culvert_"+name, help, labels, nil)
}

// The metrics, by their fixed names.
var (
	buildInfo     = desc("build_info", "What runs; the value is always 1.", "version", "revision", "goversion")
	meshUp        = desc("mesh_up", "Whether the mesh's interface, its route and its radio are up (1) or not (0).", meshLabels...)
	radioUp       = desc("radio_up", "Whether the mesh's radio is there (1) or not (0).", meshLabels...)
	packets       = desc("packets_total", "IPv6 packets delivered: to the mesh with every frame acknowledged, from the mesh to the kernel.", dirLabels...)
	packetBytes   = desc("packet_bytes_total", "Octets of the IPv6 packets delivered.", dirLabels...)
	frames        = desc("radio_frames_total", "Frames handed to the radio, and received from it.", dirLabels...)
	frameBytes    = desc("radio_bytes_total", "Octets of MAC payload of the frames handed to the radio, and received from it.", dirLabels...)
	dropped       = desc("dropped_packets_total", "IPv6 packets that ended before they reached their destination.", dropLabels...)
	droppedFrame  = desc("dropped_frames_total", "Frames that came to nothing.", dropLabels...)
	queued        = desc("queued_packets", "IPv6 packets that wait for the radio, or are under way with frames unresolved.", dirLabels...)
	inFlight      = desc("radio_frames_in_flight", "Frames handed to the radio of which it has not said what became of them.", meshLabels...)
	credits       = desc("radio_credits", "Frames that the radio lets be in flight at once.", meshLabels...)
	radioDowns    = desc("radio_downs_total", "Times that the radio went down.", meshLabels...)
	tunDowns      = desc("interface_downs_total", "Times that the mesh's network interface vanished.", meshLabels...)
	returned      = desc("radio_returned_frames_total", "Frames that the radio had no room for, and that were sent again later.", meshLabels...)
	buffers       = desc("packet_buffers", "Packet buffers of all queues in use.", meshLabels...)
	buffersFwd    = desc("packet_buffers_forwarded", "Packet buffers in use for forwarded packets, at most half of all.", meshLabels...)
	buffersMax    = desc("packet_buffers_max", "Packet buffers that there are at most.", meshLabels...)
	icmpWithheld  = desc("icmp_errors_withheld_total", "ICMPv6 errors that were not sent because too many would have been.", meshLabels...)
	icmpErrors    = desc("icmp_errors_total", "ICMPv6 errors that the bridge itself sent.", "mesh", "type", "code")
	addresses     = desc("addresses", "Addresses that nodes registered or claimed, beside the derived ones.", "mesh", "origin")
	discovery     = desc("neighbor_discovery_total", "What neighbour discovery with the nodes did: messages taken and router advertisements sent; registrations accepted, renewals included, and refused; claims made; probes sent; lifetimes that ran out; messages for whose changes there was no room before the disk.", "mesh", "event")
	nodes         = desc("nodes", "Nodes by state.", "mesh", "state")
	rules         = desc("rules", "Rules of what may pass that are in force.", meshLabels...)
	flows         = desc("flows", "Conversations that a rule let begin and whose answers pass.", meshLabels...)
	scanners      = desc("scan_sources", "Prefixes of 64 bits outside that asked for addresses that no node holds, of the last ones.", meshLabels...)
	reloadOK      = desc("config_reload_ok", "Whether the configuration could be read when it last was (1) or not (0).")
	reloadAt      = desc("config_reload_timestamp_seconds", "When the configuration was last read and put in force, in Unix time.")
	stateKept     = desc("state_kept", "Whether what nodes register, and who stands at which place, is kept on disk (1) or would be forgotten at the next start (0).")
	stateFailures = desc("state_write_failures_total", "Writes of the state that failed.")
	strangers     = desc("strangers", "Devices that stand at no place, in a mesh that has places.", meshLabels...)
	nodeUp        = desc("node_up", "Whether the node is up or late (1) or not (0).", nodeLabels...)
	nodePlace     = desc("node_place", "Whether the node stands at a place of the configuration (1) or not (0).", nodeLabels...)
	nodeHeard     = desc("node_last_heard_timestamp_seconds", "When the last frame of the node arrived, in Unix time.", nodeLabels...)
	nodeInfo      = desc("node_info", "Addresses of the node; the value is always 1.", "mesh", "node", "eui64", "address")
	nodeReading   = desc("node_reading", "Latest value that the node published.", "mesh", "node", "name", "unit")
	nodeReadingAt = desc("node_reading_timestamp_seconds", "When the latest value that the node published was measured, in Unix time.", "mesh", "node", "name", "unit")
)

// Describe implements prometheus.Collector.
func (c *Collector) Describe(ch chan<- *prometheus.Desc) {
	for _, ds := range [][]*prometheus.Desc{{
		buildInfo, meshUp, radioUp, packets, packetBytes, frames, frameBytes, dropped, droppedFrame,
		queued, inFlight, credits, radioDowns, tunDowns, returned, buffers, buffersFwd, buffersMax, icmpWithheld,
		icmpErrors, addresses, discovery, rules, flows, scanners, reloadOK, reloadAt, stateKept, stateFailures, nodes, strangers,
		nodeUp, nodePlace, nodeHeard, nodeInfo, nodeReading, nodeReadingAt,
	}, frontDescs, upstreamDescs} {
		for _, d := range ds {
			ch <- d
		}
	}
}

// Collect implements prometheus.Collector.
func (c *Collector) Collect(ch chan<- prometheus.Metric) {
	s := scrape{ch: ch, log: c.log}
	s.gauge(buildInfo, 1, c.opt.Version, c.opt.Revision, c.opt.GoVersion)
	for _, m := range c.opt.Meshes {
		s.mesh(m.Stats())
		s.nodes(m.Name(), m.Nodes())
	}
	if c.opt.Reload != nil {
		ok, at := c.opt.Reload()
		s.gauge(reloadOK, flag(ok))
		s.gauge(reloadAt, float64(at.UnixMilli())/1000)
	}
	if c.opt.State != nil {
		st := c.opt.State()
		s.gauge(stateKept, flag(st.Failing == nil))
		s.counter(stateFailures, st.Failures)
	}
	if c.opt.CoAP != nil {
		s.coap(c.opt.CoAP.Stats())
		s.readings(c.opt.CoAP.Readings())
	}
	if c.opt.Upstream != nil {
		s.upstream(c.opt.Upstream())
	}
}

var _ prometheus.Collector = (*Collector)(nil)

// isUp is the value of culvert_node_up: a node that is one report overdue is still
// there.
func isUp(s node.State) float64 {
	if s == node.Up || s == node.Late {
		return 1
	}
	return 0
}
