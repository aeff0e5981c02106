package sim

import (
	"fmt"

	"culvert/bridge/radio"
)

// CutNode switches a node off, as if its supply had failed.
func (m *Mesh) CutNode(name string) error {
	n, err := m.device(name)
	if err != nil {
		return err
	}
	nd := &m.nodes[n]
	if nd.state == stateOff && nd.station != nil && nd.station.cut || nd.station == nil && nd.state == stateOff {
		return fmt.Errorf("sim: node %q is cut already", name)
	}
	nd.state = stateOff
	nd.reportAt = 0
	nd.receiver = nil
	m.forgetAll(n)
	if nd.station == nil {
		nd.known = false
		m.tell(radio.Event{Kind: radio.EventDetached, Node: radio.NodeInfo{Addr: nd.eui64, Short: nd.short}})
		return nil
	}
	nd.station.cut = true
	m.leave(n)
	return nil
}

// RestoreNode switches a node on again: it boots, with its defaults, and joins.
func (m *Mesh) RestoreNode(name string) error {
	n, err := m.device(name)
	if err != nil {
		return err
	}
	nd := &m.nodes[n]
	if nd.station == nil {
		if nd.state == stateJoined {
			return fmt.Errorf("sim: node %q is not cut", name)
		}
		nd.state, nd.known = stateJoined, true
		m.powerUp(n)
		m.renumber(n)
		m.scheduleReport(n, m.now+m.between(0, nd.period))
		m.tell(radio.Event{Kind: radio.EventAttached, Node: m.info(n)})
		return nil
	}
	if !nd.station.cut {
		return fmt.Errorf("sim: node %q is not cut", name)
	}
	nd.station.cut = false
	m.renumber(n)
	m.switchOn(n)
	return nil
}

// device finds a node that is not the gateway's radio.
func (m *Mesh) device(name string) (int32, error) {
	n, ok := m.find(name)
	switch {
	case !ok:
		return none, fmt.Errorf("sim: there is no node %q", name)
	case n == gateway:
		return none, fmt.Errorf("sim: %q is the gateway's radio: cut the radio instead", name)
	}
	return n, nil
}

// CutLink makes the radio link between two nodes, or a node and the gateway, carry
// nothing, both ways.
func (m *Mesh) CutLink(a, b string) error { return m.setLink(a, b, true) }

// RestoreLink ends what CutLink began.
func (m *Mesh) RestoreLink(a, b string) error { return m.setLink(a, b, false) }

func (m *Mesh) setLink(a, b string, cut bool) error {
	if m.ideal {
		return fmt.Errorf("sim: an ideal mesh has no radio links")
	}
	na, ok := m.find(a)
	if !ok {
		return fmt.Errorf("sim: there is no node %q", a)
	}
	nb, ok := m.find(b)
	if !ok {
		return fmt.Errorf("sim: there is no node %q", b)
	}
	there, back := m.linkTo(na, nb), m.linkTo(nb, na)
	if there == none || back == none {
		return fmt.Errorf("sim: %q and %q have no radio link in the plan", a, b)
	}
	m.links[there].cut, m.links[back].cut = cut, cut
	return nil
}

// SetLoss makes every attempt on every radio link fail with probability p, whatever
// the plan says of deliveries and bursts: 0 loses nothing.
func (m *Mesh) SetLoss(p float64) error {
	if !(p >= 0 && p <= 1) {
		return fmt.Errorf("sim: loss %v: want 0 to 1", p)
	}
	if m.ideal && p > 0 {
		return fmt.Errorf("sim: an ideal mesh loses nothing")
	}
	m.loss = p
	return nil
}

// SiteLoss gives the radio links their own deliveries and bursts again.
func (m *Mesh) SiteLoss() { m.loss = -1 }

// CutRadio switches the gateway's radio off: it says nothing more, and the nodes
// lose it. What it had in its queue is gone.
func (m *Mesh) CutRadio() error {
	if m.off {
		return fmt.Errorf("sim: the radio is cut already")
	}
	m.off = true
	m.forget()
	return nil
}

// RestoreRadio boots the gateway's radio: a new boot id, and counts of the links from
// zero. A daemon that is joined is told that it is up, and Connects again.
func (m *Mesh) RestoreRadio() error {
	if !m.off {
		return fmt.Errorf("sim: the radio is not cut")
	}
	m.off = false
	m.boot, m.bootAt = m.random.Uint64()|1, m.now
	for i := range m.links {
		l := &m.links[i]
		l.boot, l.told = l.hop, l.hop
	}
	m.tellUp()
	return nil
}
