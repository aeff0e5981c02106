package metrics

import (
	"log/slog"
	"strconv"

	"github.com/prometheus/client_golang/prometheus"

	"culvert/bridge"
	"culvert/bridge/drop"
	"culvert/bridge/forward"
	"culvert/bridge/node"
	"culvert/bridge/reading"
	"culvert/bridge/senml"
)

// scrape is one answer in the making.
type scrape struct {
	ch  chan<- prometheus.Metric
	log *slog.Logger
}

func (s *scrape) gauge(d *prometheus.Desc, v float64, labels ...string) {
	s.send(d, prometheus.GaugeValue, v, labels)
}

func (s *scrape) counter(d *prometheus.Desc, v uint64, labels ...string) {
	s.send(d, prometheus.CounterValue, float64(v), labels)
}

func (s *scrape) send(d *prometheus.Desc, t prometheus.ValueType, v float64, labels []string) {
	m, err := prometheus.NewConstMetric(d, t, v, labels...)
	if err != nil {
		// A label that is not UTF-8: nothing here lets one in.
		s.log.Error("metric left out", "metric", d.String(), "error", err)
		return
	}
	s.ch <- m
}

func flag(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// mesh shows the figures of one mesh.
func (s *scrape) mesh(m bridge.Stats) {
	s.gauge(meshUp, flag(m.Up), m.Name)
	s.gauge(radioUp, flag(m.Forward.Radio.Up), m.Name)
	s.direction(m.Name, toMesh, &m.Forward.ToMesh)
	s.direction(m.Name, fromMesh, &m.Forward.FromMesh)
	s.gauge(inFlight, float64(m.Forward.ToMesh.FramesInFlight), m.Name)
	s.gauge(credits, float64(m.Forward.Radio.Credits), m.Name)
	s.counter(radioDowns, m.Forward.Radio.Downs, m.Name)
	s.counter(tunDowns, m.TunDowns, m.Name)
	s.counter(returned, m.Forward.ToMesh.FramesReturned, m.Name)
	s.gauge(buffers, float64(m.Forward.Buffers.InUse), m.Name)
	s.gauge(buffersFwd, float64(m.Forward.Buffers.Forwarded), m.Name)
	s.gauge(buffersMax, float64(m.Forward.Buffers.Max), m.Name)
	s.counter(icmpWithheld, m.Forward.Limited, m.Name)
	for _, e := range m.Forward.Errors {
		s.counter(icmpErrors, e.Count, m.Name, strconv.Itoa(int(e.Type)), strconv.Itoa(int(e.Code)))
	}
	s.discovery(m.Name, &m.Forward)
	s.gauge(rules, float64(m.Policy.Rules), m.Name)
	s.gauge(flows, float64(m.Policy.Flows), m.Name)
	s.gauge(scanners, float64(m.Forward.Scanners), m.Name)
	for st := range node.States {
		s.gauge(nodes, float64(m.Nodes.Nodes[st]), m.Name, st.String())
	}
	s.gauge(strangers, float64(m.Nodes.Strangers), m.Name)
}

// discovery shows the figures of neighbour discovery.
func (s *scrape) discovery(mesh string, f *forward.Stats) {
	d := &f.Discovery
	s.gauge(addresses, float64(d.Bindings-d.Claimed), mesh, node.Registered.String())
	s.gauge(addresses, float64(d.Claimed), mesh, node.Claimed.String())
	for _, e := range []struct {
		event string
		count uint64
	}{
		{"message", f.FromMesh.Handled}, {"advertisement", d.Advertisements}, {"registration", d.Registrations},
		{"refused", d.Refused}, {"claim", d.Claims}, {"probe", d.Probes}, {"expired", d.Expired}, {"busy", d.Busy},
	} {
		s.counter(discovery, e.count, mesh, e.event)
	}
}

// direction shows one direction. Every reason is there from the start, so that
// the first drop is seen as a step from zero.
func (s *scrape) direction(mesh, name string, d *forward.Direction) {
	s.counter(packets, d.Delivered, mesh, name)
	s.counter(packetBytes, d.Octets, mesh, name)
	s.counter(frames, d.Frames, mesh, name)
	s.counter(frameBytes, d.FrameOctets, mesh, name)
	s.gauge(queued, float64(d.Queued), mesh, name)
	for r := drop.None + 1; r < drop.Count; r++ {
		s.counter(dropped, d.Dropped[r], mesh, name, r.String())
		s.counter(droppedFrame, d.FramesDropped[r], mesh, name, r.String())
	}
}

// nodes shows each node of a mesh. A label that passes from one node to another
// while this runs must not stand twice, or the whole answer fails.
func (s *scrape) nodes(mesh string, t *node.Table) {
	seen := make(map[string]struct{}, t.Len())
	for n := range t.All() {
		label := n.Label()
		if _, twice := seen[label]; twice {
			continue
		}
		seen[label] = struct{}{}
		s.gauge(nodeUp, isUp(n.State()), mesh, label)
		s.gauge(nodePlace, flag(n.Place() != nil), mesh, label)
		if at := n.LastHeard(); !at.IsZero() {
			s.gauge(nodeHeard, float64(at.UnixMilli())/1000, mesh, label)
		}
		eui, addr := "", ""
		if a := n.EUI64(); !a.IsNone() {
			eui = a.String()
		}
		if a := t.Address(n); a.IsValid() {
			addr = a.String()
		}
		s.gauge(nodeInfo, 1, mesh, label, eui, addr)
	}
}

// readings shows the latest values that are numbers, or true or false, and their
// times.
func (s *scrape) readings(rs []reading.Reading) {
	type key struct{ mesh, node, name string }
	seen := make(map[key]struct{}, len(rs))
	for _, r := range rs {
		k := key{r.Mesh, r.Node, r.Name}
		if _, twice := seen[k]; twice {
			continue
		}
		seen[k] = struct{}{}
		switch r.Kind {
		case senml.Value:
			s.gauge(nodeReading, r.Value, r.Mesh, r.Node, r.Name, r.Unit)
		case senml.BoolValue:
			s.gauge(nodeReading, flag(r.Bool), r.Mesh, r.Node, r.Name, r.Unit)
		default:
			continue
		}
		s.gauge(nodeReadingAt, float64(r.Time.UnixMilli())/1000, r.Mesh, r.Node, r.Name, r.Unit)
	}
}
