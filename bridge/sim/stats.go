package sim

import (
	"encoding/hex"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
)

// Stats are the counts of a whole mesh since it was made, or since ResetStats.
// Beats are not frames: only their attempts are counted.
type Stats struct {
	FromDaemon   uint64 // frames handed to Send
	DaemonLost   uint64 // of these, those that did not arrive
	ToNodes      uint64 // frames that reached their node; a broadcast at each
	FromNodes    uint64 // frames that nodes sent
	NodesLost    uint64 // of these, those that did not arrive
	ToDaemon     uint64 // frames that reached the gateway
	Attempts     uint64 // transmissions over one hop, beats included
	AttemptsLost uint64
	Beats        uint64 // attempts of nodes that make sure of their parent

	PacketsReceived uint64 // by nodes, restored from frames
	PacketsSent     uint64 // by nodes
	Malformed       uint64 // packets to nodes with a cut message or a wrong checksum
	Echoes          uint64 // requests answered
	Reports         uint64 // of readings
	ParentChanges   uint64

	Outcomes [16]uint64         // results told, by radio.Outcome
	Drops    [drop.Count]uint64 // frames and packets that ended in a node, by reason
}

// NodeStats is one node's state and counts.
type NodeStats struct {
	Name      string          `json:"name"`
	EUI64     ieee802154.Addr `json:"eui64"`
	Short     ieee802154.Addr `json:"short"`
	State     string          `json:"state"` // off, joining, joined
	Parents   [2]string       `json:"parents"`
	Hops      int             `json:"hops"`       // 0: no way to the gateway
	Sent      uint32          `json:"sent"`       // frames of its own
	Received  uint32          `json:"received"`   // frames for it
	Relayed   uint32          `json:"relayed"`    // frames for others
	Lost      uint32          `json:"lost"`       // frames of its own that did not arrive
	QueueFull uint32          `json:"queue_full"` // frames and packets that found its queue full
	Queued    int             `json:"queued"`     // frames now
	Output    string          `json:"output"`     // off, on

	CoAPReceived  uint32 `json:"coap_received"` // messages at its CoAP port, of every kind
	CoAPSent      uint32 `json:"coap_sent"`     // messages from it: answers, notifications, reports, repetitions
	Notifications uint32 `json:"notifications"` // of these, those to observers, each counted once
	Observers     int    `json:"observers"`     // now
	Lease         int    `json:"lease"`         // seconds for which the output stays on, rounded up; 0: no lease
	Interlock     bool   `json:"interlock"`     // the local one of the output
	OutputWrites  uint32 `json:"output_writes"` // that its output took and acted on since its boot
}

// ObserverStats is one observation of a node.
type ObserverStats struct {
	Node          string `json:"node"`
	Client        string `json:"client"` // address and port
	Token         string `json:"token"`  // in hex
	Path          string `json:"path"`
	Notifications uint32 `json:"notifications"`
}

// HopStats are the counts of one direction of a radio link.
type HopStats struct {
	From     string `json:"from"`
	To       string `json:"to"`
	Attempts uint64 `json:"attempts"`
	Acked    uint64 `json:"acked"`
	Cut      bool   `json:"cut"`
}

// Stats returns the counts of the mesh.
func (m *Mesh) Stats() Stats { return m.stats }

// ResetStats sets all counts to zero, those of nodes and links too.
func (m *Mesh) ResetStats() {
	m.stats = Stats{}
	for i := range m.nodes {
		m.nodes[i].stats = counters{}
	}
	for i := range m.links {
		m.links[i].reset = m.links[i].hop
	}
}

// Node returns the state and counts of the node with the given name or link address.
func (m *Mesh) Node(name string) (NodeStats, bool) {
	n, ok := m.find(name)
	if !ok || n == gateway {
		return NodeStats{}, false
	}
	return m.nodeStats(n), true
}

// Nodes returns the state and counts of all nodes, in the order of the Site.
func (m *Mesh) Nodes() []NodeStats {
	out := make([]NodeStats, 0, len(m.nodes)-1)
	for n := 1; n < len(m.nodes); n++ {
		out = append(out, m.nodeStats(int32(n)))
	}
	return out
}

func (m *Mesh) nodeStats(n int32) NodeStats {
	nd := &m.nodes[n]
	s := NodeStats{
		Name: nd.name, EUI64: nd.eui64, Short: nd.short, State: nd.state.String(),
		Sent: nd.stats.Sent, Received: nd.stats.Received, Relayed: nd.stats.Relayed,
		Lost: nd.stats.Lost, QueueFull: nd.stats.QueueFull, Output: nd.outputOf(),
		CoAPReceived: nd.stats.CoAPReceived, CoAPSent: nd.stats.CoAPSent, Notifications: nd.stats.Notifications,
		Lease: leaseSeconds(m.leaseLeft(n)),
	}
	if x := nd.extra; x != nil {
		s.Interlock, s.OutputWrites = x.interlock, x.writes
		if x.watch != nil {
			s.Observers = len(x.watch.observers)
		}
	}
	if nd.station == nil {
		s.Parents[0], s.Hops = GatewayName, 1
		return s
	}
	for i, p := range nd.station.parents {
		if p != none {
			s.Parents[i] = m.nodes[p].name
		}
	}
	s.Hops, s.Queued = m.hops(n), len(nd.station.queue)
	return s
}

// Observers returns who observes which node, in the order of the Site.
func (m *Mesh) Observers() []ObserverStats {
	out := []ObserverStats{}
	for i := range m.nodes {
		x := m.nodes[i].extra
		if x == nil || x.watch == nil {
			continue
		}
		for _, o := range x.watch.observers {
			out = append(out, ObserverStats{
				Node: m.nodes[i].name, Client: o.peer.String(), Token: hex.EncodeToString(o.token), Path: o.path, Notifications: o.told,
			})
		}
	}
	return out
}

// Hops returns the counts of each direction of each radio link, in the order of the
// Site's links; none of an ideal mesh.
func (m *Mesh) Hops() []HopStats {
	out := make([]HopStats, 0, len(m.links))
	for i := range m.links {
		l := &m.links[i]
		out = append(out, HopStats{
			From: m.nodes[l.from].name, To: m.nodes[l.to].name,
			Attempts: l.hop.attempts - l.reset.attempts, Acked: l.hop.acked - l.reset.acked, Cut: l.cut,
		})
	}
	return out
}

// Joined returns how many nodes have joined.
func (m *Mesh) Joined() int {
	count := 0
	for i := 1; i < len(m.nodes); i++ {
		if m.nodes[i].state == stateJoined {
			count++
		}
	}
	return count
}
