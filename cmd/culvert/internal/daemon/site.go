package daemon

import (
	"culvert/bridge"
	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/bridge/store"
	"culvert/cmd/culvert/internal/conf"
	"culvert/cmd/culvert/internal/control"
	"culvert/coap"
	"culvert/coap/api"
)

// siteNow answers how the site does.
func (d *daemon) siteNow(coap.ControlRequest) (any, error) {
	since, rose := d.drops.lately()
	a := control.SiteAnswer{State: newSiteState(d.state), Since: *api.Time(since), Meshes: make([]control.SiteMesh, 0, len(d.meshes))}
	for i, m := range d.meshes {
		s := control.SiteMesh{Mesh: m.Name(), Interface: d.cfg.Meshes[i].Iface, Admit: admitWord(d.cfg.Meshes[i]),
			Nodes: map[string]int{}, Silent: []control.SiteNode{}, Late: []control.SiteNode{}, Strangers: []control.SiteNode{},
			Places: []control.SitePlace{}, Lost: []control.SiteLoss{}, Contexts: []control.SiteContext{}, Unanswered: []control.SiteContext{}}
		stats := m.Stats()
		s.AdmitWhy = admitWhy(d.cfg.Meshes[i])
		s.TunUp, s.RadioUp = stats.TunUp, stats.Forward.Radio.Up
		s.RadioSince, s.RadioCause = api.Time(stats.Forward.Radio.Since), stats.Forward.Radio.Cause
		addNodes(&s, m)
		addLosses(&s, "to_mesh", &rose[i].toMesh)
		addLosses(&s, "from_mesh", &rose[i].fromMesh)
		a.Meshes = append(a.Meshes, s)
	}
	if o := d.coap.Stats(); o.Outputs > 0 {
		a.Outputs = &control.SiteOutputs{Declared: o.Outputs, Locked: o.OutputsLocked, NotSafe: o.LockOutsNotSafe, Full: o.AuditFull, Shut: o.AuditShut, Unread: o.AuditUnread,
			Failures: o.AuditFailures, Unknown: o.OutputsUnknown}
	}
	if d.site != nil {
		for _, n := range d.site.Stats().Interfaces {
			a.Upstream = append(a.Upstream, control.SiteUpstream{Interface: n.Name, Up: n.Up, Advertised: n.Advertised, Errors: n.SendErrors})
		}
	}
	return a, nil
}

// admitWord is the admission that is in force.
func admitWord(c conf.MeshConfig) string {
	if c.Listed {
		return "listed"
	}
	return "any"
}

// addNodes looks at every node of a mesh.
func addNodes(s *control.SiteMesh, m *bridge.Mesh) {
	listed := map[string]ieee802154.Addr{}
	for _, p := range m.Places() {
		listed[p.Name] = p.EUI64
	}
	for n := range m.Nodes().All() {
		one := control.SiteNode{Node: n.Label(), State: n.State().String(), Heard: api.Time(n.LastHeard())}
		if p := n.Place(); p != nil && p.Name != "" && listed[p.Name] != n.EUI64() && len(s.Places) < control.MaxSiteNodes {
			s.Places = append(s.Places, control.SitePlace{Place: p.Name, Listed: listed[p.Name], Device: n.EUI64()})
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
		addTraffic(s, n)
	}
}

func appendNode(list []control.SiteNode, n control.SiteNode) []control.SiteNode {
	if len(list) < control.MaxSiteNodes {
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
func addTraffic(s *control.SiteMesh, n *node.Node) {
	t := n.Traffic()
	one := control.SiteContext{Node: n.Label(), Tried: t.ChecksumsTried.Load(), Wrong: t.ChecksumsWrong.Load()}
	switch {
	case one.Tried >= contextTried && 2*one.Wrong > one.Tried && len(s.Contexts) < control.MaxSiteNodes:
		s.Contexts = append(s.Contexts, one)
	case t.PacketsReceived.Load() == 0 && t.PacketsDelivered.Load() >= contextUnsaid && len(s.Unanswered) < control.MaxSiteNodes:
		s.Unanswered = append(s.Unanswered, control.SiteContext{Node: n.Label(), Tried: t.PacketsDelivered.Load()})
	}
}

// addLosses lists what rose lately.
func addLosses(s *control.SiteMesh, direction string, c *directionCounts) {
	for r := drop.None + 1; r < drop.Count; r++ {
		if n := c.dropped[r]; n > 0 {
			s.Lost = append(s.Lost, control.SiteLoss{Direction: direction, Reason: r.String(), Count: n, Of: c.offered, Frames: false, Fault: isFault(r)})
		}
		if n := c.framesDropped[r]; n > 0 {
			s.Lost = append(s.Lost, control.SiteLoss{Direction: direction, Reason: r.String(), Count: n, Of: c.frames, Frames: true, Fault: isFault(r)})
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

func newSiteState(s *store.Store) *control.SiteState {
	stats := s.Stats()
	out := &control.SiteState{Kept: stats.Failing == nil, Restart: s.Fault() != nil, Failures: stats.Failures}
	if stats.Failing != nil {
		out.Cause = stats.Failing.Error()
	}
	return out
}
