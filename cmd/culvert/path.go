package main

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"time"

	"culvert/bridge"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/coap"
	"culvert/coap/api"
)

// pathAnswer is what the daemon knows of the way of a packet to a node: the answer of
// /control/path.
type pathAnswer struct {
	Mesh      string       `json:"mesh"`
	Interface string       `json:"interface"`
	Prefix    netip.Prefix `json:"prefix"`
	Gateway   netip.Addr   `json:"gateway"`
	Shared    []string     `json:"shared_with,omitempty"` // interfaces of a network that may have the prefix too
	TunUp     bool         `json:"tun_up"`
	RadioUp   bool         `json:"radio_up"`

	Node      string     `json:"node"`
	Address   netip.Addr `json:"address"` // the packet's destination
	State     string     `json:"state"`
	Admitted  bool       `json:"admitted"`
	Reachable bool       `json:"reachable"` // it has a link address, and the radio did not say that it is gone
	Heard     *time.Time `json:"heard,omitempty"`

	Own     bool   `json:"own"`  // the packet is the gateway's own: no rule is asked
	Rule    int    `json:"rule"` // that decides, from 1; 0 is none
	Allow   bool   `json:"allow"`
	Unnamed bool   `json:"unnamed,omitempty"` // "any" is not enough
	Text    string `json:"text,omitempty"`    // of the rule, or of one that would let the packet pass

	Packets    int        `json:"packets"` // in the node's queue
	Octets     int        `json:"octets"`
	MaxPackets int        `json:"max_packets"`
	MaxOctets  int        `json:"max_octets"`
	Last       string     `json:"last_result,omitempty"` // of the last frame to the node
	LastAt     *time.Time `json:"last_result_at,omitempty"`
	InARow     int        `json:"failed_in_a_row"` // frames, the last one included
	Acked      uint64     `json:"frames_acknowledged"`
	Failed     uint64     `json:"frames_failed"`
}

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
	own := d.configOf(m).ownAddress(m.Prefix())
	stats, way := m.Stats(), m.Way(n, from == own)
	a := pathAnswer{
		Mesh: m.Name(), Interface: d.interfaceOf(m), Prefix: m.Prefix(), Gateway: own, Shared: d.cfg.sharedWith(d.configOf(m)),
		TunUp: stats.TunUp, RadioUp: stats.Forward.Radio.Up,
		Node: n.Label(), Address: to, State: n.State().String(), Admitted: n.Admitted(), Reachable: n.Reachable(), Heard: api.Time(n.LastHeard()),
		Packets: way.Packets, Octets: way.Octets, MaxPackets: way.MaxPackets, MaxOctets: way.MaxOctets, LastAt: api.Time(way.At), InARow: way.Failed,
		Acked: n.Traffic().FramesAcked.Load(), Failed: n.Traffic().FramesFailed.Load(),
	}
	if a.LastAt != nil {
		a.Last = way.Last.String()
	}
	a.Own = from == a.Gateway
	a.judge(m, n, tupleOf(from, to, service))
	return a, nil
}

// judge says which rule decides.
func (a *pathAnswer) judge(m *bridge.Mesh, n *node.Node, t policy.Tuple) {
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
			return d.cfg.meshes[i].iface
		}
	}
	return ""
}

// configOf returns what a mesh was made from.
func (d *daemon) configOf(m *bridge.Mesh) meshConfig { return d.cfg.meshes[slices.Index(d.meshes, m)] }

// refusedAnswer is what did not pass lately: the answer of /control/refused.
type refusedAnswer struct {
	Rules    int              `json:"rules"`
	Refused  []refusedTraffic `json:"refused"`
	Scanners []scanner        `json:"scanners"`
}

// refusedTraffic is what no rule let pass, of one /64 outside, one node and one
// service.
type refusedTraffic struct {
	Mesh    string    `json:"mesh"`
	From    string    `json:"from"` // as a rule would name it
	To      string    `json:"to"`
	Service string    `json:"service"`
	Packets uint64    `json:"packets"`
	Last    time.Time `json:"last"`
	Unnamed bool      `json:"unnamed,omitempty"`
	Rule    string    `json:"rule"` // that would let it pass
}

// scanner is a /64 that asked for addresses that no node holds.
type scanner struct {
	Mesh    string       `json:"mesh"`
	Source  netip.Prefix `json:"source"`
	Packets uint64       `json:"packets"`
	Last    time.Time    `json:"last"`
}

// maxRefused is how many of each mesh are shown.
const maxRefused = 20

// refused lists what did not pass.
func (d *daemon) refused(coap.ControlRequest) (any, error) {
	out := refusedAnswer{Refused: []refusedTraffic{}, Scanners: []scanner{}}
	for _, m := range d.meshes {
		if e := m.Policy(); e != nil {
			out.Rules = e.Rules().Len()
		}
		for _, r := range m.Refusals(maxRefused) {
			p := r.Policy
			out.Refused = append(out.Refused, refusedTraffic{Mesh: m.Name(), From: p.From[0].String(), To: p.To[0].String(),
				Service: p.Services[0].String(), Packets: r.Packets, Last: *api.Time(r.Last), Unnamed: r.Unnamed, Rule: p.Text("\n")})
		}
		for _, s := range m.Scanners(maxRefused) {
			out.Scanners = append(out.Scanners, scanner{m.Name(), s.Source, s.Packets, *api.Time(s.Last)})
		}
	}
	return out, nil
}
