package main

import (
	"time"

	"culvert/bridge"
	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/coap"
	"culvert/coap/api"
)

// siteAnswer is how the running site does: the answer of /control/site, which
// `culvert check` turns into rows.
type siteAnswer struct {
	Since  time.Time  `json:"since"` // from when on Lost counts
	Meshes []siteMesh `json:"meshes"`
	State  *siteState `json:"state,omitempty"`
	// Upstream is what [upstream] did, by interface; nil where it is not configured.
	Upstream []siteUpstream `json:"upstream,omitempty"`
}

// siteMesh is one mesh of it.
type siteMesh struct {
	Mesh       string     `json:"mesh"`
	Interface  string     `json:"interface"`
	TunUp      bool       `json:"tun_up"`
	RadioUp    bool       `json:"radio_up"`
	RadioSince *time.Time `json:"radio_since,omitempty"` // it is up, or down
	RadioCause string     `json:"radio_cause,omitempty"` // why it is down

	Nodes  map[string]int `json:"nodes"` // by state, strangers left out
	Silent []siteNode     `json:"silent"`
	Late   []siteNode     `json:"late"`
	// Strangers are devices that are no place, where places are configured.
	Strangers []siteNode  `json:"strangers"`
	Admit     string      `json:"admit"`               // "listed" or "any"
	AdmitWhy  string      `json:"admit_why,omitempty"` // why that is in force
	Places    []sitePlace `json:"places"`              // that another device than the configured one holds
	Lost      []siteLoss  `json:"lost"`
	// Contexts are nodes whose sampled packets have wrong checksums, Unanswered nodes
	// that took packets and never sent one.
	Contexts   []siteContext `json:"contexts"`
	Unanswered []siteContext `json:"unanswered"`
}

// siteNode is a node that is not as it should be.
type siteNode struct {
	Node  string     `json:"node"`
	State string     `json:"state"`
	Heard *time.Time `json:"heard,omitempty"`
}

// sitePlace is a place whose device is not the one that the configuration names.
type sitePlace struct {
	Place  string          `json:"place"`
	Listed ieee802154.Addr `json:"configured"`
	Device ieee802154.Addr `json:"device"`
}

// siteLoss are packets or frames that ended lately for one reason.
type siteLoss struct {
	Direction string `json:"direction"`
	Reason    string `json:"reason"`
	Count     uint64 `json:"count"`
	Of        uint64 `json:"of"` // offered, or received, in that time
	Frames    bool   `json:"frames,omitempty"`
	Fault     bool   `json:"fault"` // the reason is one that a well site does not have
}

// siteContext are packets of a node, and how many of them were bad.
type siteContext struct {
	Node  string `json:"node"`
	Tried uint64 `json:"tried"`
	Wrong uint64 `json:"wrong"`
}

// siteUpstream is what was sent on one interface of the site's network.
type siteUpstream struct {
	Interface  string `json:"interface"`
	Up         bool   `json:"up"`
	Advertised uint64 `json:"advertised"`
	Errors     uint64 `json:"errors"`
}

// maxSiteNodes bounds each list of nodes in a siteAnswer.
const maxSiteNodes = 50

// siteNow answers how the site does.
func (d *daemon) siteNow(coap.ControlRequest) (any, error) {
	since, rose := d.drops.lately()
	a := siteAnswer{State: newSiteState(d.state), Since: *api.Time(since), Meshes: make([]siteMesh, 0, len(d.meshes))}
	for i, m := range d.meshes {
		s := siteMesh{Mesh: m.Name(), Interface: d.cfg.meshes[i].iface, Admit: admitWord(d.cfg.meshes[i]),
			Nodes: map[string]int{}, Silent: []siteNode{}, Late: []siteNode{}, Strangers: []siteNode{},
			Places: []sitePlace{}, Lost: []siteLoss{}, Contexts: []siteContext{}, Unanswered: []siteContext{}}
		stats := m.Stats()
		s.AdmitWhy = admitWhy(d.cfg.meshes[i])
		s.TunUp, s.RadioUp = stats.TunUp, stats.Forward.Radio.Up
		s.RadioSince, s.RadioCause = api.Time(stats.Forward.Radio.Since), stats.Forward.Radio.Cause
		s.addNodes(m)
		s.addLosses("to_mesh", &rose[i].toMesh)
		s.addLosses("from_mesh", &rose[i].fromMesh)
		a.Meshes = append(a.Meshes, s)
	}
	if d.site != nil {
		for _, n := range d.site.Stats().Interfaces {
			a.Upstream = append(a.Upstream, siteUpstream{n.Name, n.Up, n.Advertised, n.SendErrors})
		}
	}
	return a, nil
}

// admitWord is the admission that is in force.
func admitWord(c meshConfig) string {
	if c.listed {
		return "listed"
	}
	return "any"
}

// addNodes looks at every node of a mesh.
func (s *siteMesh) addNodes(m *bridge.Mesh) {
	listed := map[string]ieee802154.Addr{}
	for _, p := range m.Places() {
		listed[p.Name] = p.EUI64
	}
	for n := range m.Nodes().All() {
		one := siteNode{Node: n.Label(), State: n.State().String(), Heard: api.Time(n.LastHeard())}
		if p := n.Place(); p != nil && p.Name != "" && listed[p.Name] != n.EUI64() && len(s.Places) < maxSiteNodes {
			s.Places = append(s.Places, sitePlace{p.Name, listed[p.Name], n.EUI64()})
		}
		if n.State() == node.Retired {
			continue
		}
		if m.Nodes().Stranger(n) {
			s.Strangers = appendNode(s.Strangers, one)
			continue
		}
		s.Nodes[one.State]++
		switch n.State() {
		case node.Silent:
			s.Silent = appendNode(s.Silent, one)
		case node.Late:
			s.Late = appendNode(s.Late, one)
		}
		s.addTraffic(n)
	}
}

func appendNode(list []siteNode, n siteNode) []siteNode {
	if len(list) < maxSiteNodes {
		return append(list, n)
	}
	return list
}

// Our own figures: from how many packets on a node's are judged.
const (
	contextTried  = 2 // verified checksums, of 16 packets each
	contextUnsaid = 8 // delivered packets, none of which brought one back
)

// addTraffic looks for signs that a node holds another context 0 than the gateway.
func (s *siteMesh) addTraffic(n *node.Node) {
	t := n.Traffic()
	one := siteContext{Node: n.Label(), Tried: t.ChecksumsTried.Load(), Wrong: t.ChecksumsWrong.Load()}
	switch {
	case one.Tried >= contextTried && 2*one.Wrong > one.Tried && len(s.Contexts) < maxSiteNodes:
		s.Contexts = append(s.Contexts, one)
	case t.PacketsReceived.Load() == 0 && t.PacketsDelivered.Load() >= contextUnsaid && len(s.Unanswered) < maxSiteNodes:
		s.Unanswered = append(s.Unanswered, siteContext{Node: n.Label(), Tried: t.PacketsDelivered.Load()})
	}
}

// addLosses lists what rose lately.
func (s *siteMesh) addLosses(direction string, c *directionCounts) {
	for r := drop.None + 1; r < drop.Count; r++ {
		if n := c.dropped[r]; n > 0 {
			s.Lost = append(s.Lost, siteLoss{direction, r.String(), n, c.offered, false, isFault(r)})
		}
		if n := c.framesDropped[r]; n > 0 {
			s.Lost = append(s.Lost, siteLoss{direction, r.String(), n, c.frames, true, isFault(r)})
		}
	}
}

// isFault reports whether packets that end so are lost to the site, and not turned away
// on purpose.
func isFault(r drop.Reason) bool {
	switch r {
	case drop.RadioFailed, drop.LinkRecord, drop.FrameTooLong, drop.Secured, drop.UnknownContext, drop.GHCNotOffered,
		drop.ChecksumElided, drop.ReassemblyTimeout, drop.ReassemblyFull, drop.FragmentMismatch, drop.RegistryBusy,
		drop.QueueFull, drop.QueueExpired, drop.NotSent, drop.TunDown, drop.TunWrite:
		return true
	}
	return false
}
