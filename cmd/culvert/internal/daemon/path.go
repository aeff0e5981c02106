package daemon

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"

	"culvert/bridge"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/cmd/culvert/internal/conf"
	"culvert/cmd/culvert/internal/control"
	"culvert/coap"
	"culvert/coap/api"
)

// path answers a question for the way of a packet: from=ADDR, to=NODE, service=S.
func (d *daemon) path(r coap.ControlRequest) (any, error) {
	from, err := netip.ParseAddr(r.Query.Get("from"))
	if err != nil {
		return nil, fmt.Errorf("from: %w", err)
	}
	service, err := policy.ParseService(r.Query.Get("service"))
	if err != nil {
		return nil, fmt.Errorf("service: %w", err)
	}
	m, n, to := d.destination(r.Query.Get("to"))
	if n == nil {
		return nil, fmt.Errorf("no node is called %q, or has that address: %s", r.Query.Get("to"), d.someNodes())
	}
	own := d.configOf(m).OwnAddress(m.Prefix())
	stats, way := m.Stats(), m.Way(n, from == own)
	a := control.PathAnswer{
		Mesh: m.Name(), Interface: d.interfaceOf(m), Prefix: m.Prefix(), Gateway: own, Shared: d.cfg.SharedWith(d.configOf(m)),
		TunUp: stats.TunUp, RadioUp: stats.Forward.Radio.Up,
		Node: n.Label(), Address: to, State: n.State().String(), Admitted: n.Admitted(), Reachable: n.Reachable(), Heard: api.Time(n.LastHeard()),
		Packets: way.Packets, Octets: way.Octets, MaxPackets: way.MaxPackets, MaxOctets: way.MaxOctets, LastAt: api.Time(way.At), InARow: way.Failed,
		Acked: n.Traffic().FramesAcked.Load(), Failed: n.Traffic().FramesFailed.Load(),
	}
	if a.LastAt != nil {
		a.Last = way.Last.String()
	}
	a.Own = from == a.Gateway
	judgePath(&a, m, n, tupleOf(from, to, service))
	return a, nil
}

// judgePath says which rule decides.
func judgePath(a *control.PathAnswer, m *bridge.Mesh, n *node.Node, t policy.Tuple) {
	e := m.Policy()
	if a.Own || e == nil {
		a.Allow = true
		return
	}
	i, why := e.Would(t, nil, n)
	if i < 0 {
		a.Unnamed = why == policy.Unnamed
		a.Text = policy.Suggest(t, a.Mesh, "", a.Node).Text("\n")
		return
	}
	rule := e.Rules().Rule(i)
	a.Rule, a.Allow, a.Text = i+1, !rule.Deny, rule.Text("\n")
}

// tupleOf is that of a first packet that asks for a service.
func tupleOf(from, to netip.Addr, s policy.Service) policy.Tuple {
	const ephemeral = 49152 // RFC 6335, section 6
	t := policy.Tuple{Source: from, Destination: to, Proto: s.Proto, Echo: s.Echo, SourcePort: ephemeral, DestinationPort: s.Port}
	if s.Any {
		t.Proto = ipv6.ProtoNoNext
	}
	return t
}

// destination finds a node by its label or an address of its.
func (d *daemon) destination(to string) (*bridge.Mesh, *node.Node, netip.Addr) {
	addr, err := netip.ParseAddr(to)
	for _, m := range d.meshes {
		if n := m.Nodes().ByLabel(to); n != nil {
			return m, n, m.Nodes().Address(n)
		}
		if err == nil && m.Prefix().Contains(addr) {
			return m, m.Nodes().ByAddress(addr), addr
		}
	}
	return nil, nil, netip.Addr{}
}

// someNodes names nodes for a message.
func (d *daemon) someNodes() string {
	const most = 10
	var names []string
	total := 0
	for _, m := range d.meshes {
		for n := range m.Nodes().All() {
			if total++; len(names) < most {
				names = append(names, n.Label())
			}
		}
	}
	switch {
	case total == 0:
		return "there are none yet"
	case total > most:
		return fmt.Sprintf("there are %d, among them %s", total, strings.Join(names, ", "))
	}
	return "there are " + strings.Join(names, ", ")
}

func (d *daemon) interfaceOf(m *bridge.Mesh) string {
	for i := range d.meshes {
		if d.meshes[i] == m {
			return d.cfg.Meshes[i].Iface
		}
	}
	return ""
}

// configOf returns what a mesh was made from.
func (d *daemon) configOf(m *bridge.Mesh) conf.MeshConfig {
	return d.cfg.Meshes[slices.Index(d.meshes, m)]
}

// maxRefused is how many of each mesh are shown.
const maxRefused = 20

// refused lists what did not pass.
func (d *daemon) refused(coap.ControlRequest) (any, error) {
	out := control.RefusedAnswer{Refused: []control.RefusedTraffic{}, Scanners: []control.Scanner{}}
	for _, m := range d.meshes {
		if e := m.Policy(); e != nil {
			out.Rules = e.Rules().Len()
		}
		for _, r := range m.Refusals(maxRefused) {
			p := r.Policy
			out.Refused = append(out.Refused, control.RefusedTraffic{Mesh: m.Name(), From: p.From[0].String(), To: p.To[0].String(),
				Service: p.Services[0].String(), Packets: r.Packets, Last: *api.Time(r.Last), Unnamed: r.Unnamed, Rule: p.Text("\n")})
		}
		for _, s := range m.Scanners(maxRefused) {
			out.Scanners = append(out.Scanners, control.Scanner{Mesh: m.Name(), Source: s.Source, Packets: s.Packets, Last: *api.Time(s.Last)})
		}
	}
	return out, nil
}
