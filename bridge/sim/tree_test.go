package sim

import (
	"testing"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/radio"
)

// A node whose parent fails takes the other one, and the daemon is told; frames
// find the new way; the node goes back when the better parent has returned.
func TestParentChangesWhenOneFails(t *testing.T) {
	s := diamond()
	m, r := start(t, Options{Site: s, Seed: 1})
	joined(t, m)
	m.Advance(m.Now() + 15*time.Second)
	far, _ := m.Node("far")
	if far.Parents != [2]string{"left", "right"} {
		t.Fatalf("parents %v, want left, and right behind it", far.Parents)
	}
	r.events = nil
	if err := m.CutNode("left"); err != nil {
		t.Fatal(err)
	}
	took := until(t, m, 4*m.air.Beat, "another parent", func() bool {
		far, _ := m.Node("far")
		return far.Parents[0] == "right"
	})
	if took > 3*m.air.Beat {
		t.Errorf("the change took %v, want at most three beats", took)
	}
	var told bool
	for _, e := range r.events {
		told = told || e.Kind == radio.EventParent && e.Node.Addr == s.Nodes[2].EUI64 && e.Node.Parents[0] == s.Nodes[1].EUI64
	}
	if !told {
		t.Errorf("the daemon was not told:\n%s", r.log.String())
	}
	until(t, m, 5*m.air.Beat, "left is given up", func() bool { return r.count(radio.EventDetached) == 1 })
	m.sendTo("far", junk, 1)
	until(t, m, time.Second, "delivery by the other way", func() bool { return r.outcomes()[radio.OutcomeDelivered] == 1 })
	if right, _ := m.Node("right"); right.Relayed != 1 {
		t.Errorf("right relayed %d frames, want 1", right.Relayed)
	}
	m.sendTo("left", junk, 2)
	if r.outcomes()[radio.OutcomeNoRoute] != 1 {
		t.Error("a frame to a node that was given up: want no-route")
	}
	if err := m.RestoreNode("left"); err != nil {
		t.Fatal(err)
	}
	joined(t, m)
	if r.count(radio.EventAttached) != 1 {
		t.Error("left joined again and the daemon was not told")
	}
	until(t, m, 3*m.air.Beat, "right behind left again", func() bool {
		far, _ := m.Node("far")
		return far.Parents == [2]string{"right", "left"} || far.Parents == [2]string{"left", "right"}
	})
}

// The same for a link: both ends live, and the way changes.
func TestCutLink(t *testing.T) {
	m, r := start(t, Options{Site: diamond(), Seed: 1})
	joined(t, m)
	m.Advance(m.Now() + 15*time.Second)
	if err := m.CutLink("far", "left"); err != nil {
		t.Fatal(err)
	}
	m.sendTo("far", junk, 1)
	until(t, m, 2*time.Second, "a result", func() bool { return r.count(radio.EventResult) == 1 })
	if r.outcomes()[radio.OutcomeNoAck] != 1 {
		t.Errorf("over a cut link: %v, want no-ack", r.outcomes())
	}
	until(t, m, 4*m.air.Beat, "another parent", func() bool { far, _ := m.Node("far"); return far.Parents[0] == "right" })
	if r.count(radio.EventDetached) != 0 {
		t.Error("a node that only changed its parent was given up")
	}
	if err := m.RestoreLink("left", "far"); err != nil {
		t.Fatal(err)
	}
	until(t, m, 4*m.air.Beat, "two parents again", func() bool { far, _ := m.Node("far"); return far.Parents[1] != "" })
	for _, bad := range [][2]string{{"left", "right"}, {"left", "nobody"}, {"nobody", "left"}} {
		if m.CutLink(bad[0], bad[1]) == nil {
			t.Errorf("cutting %v: no error", bad)
		}
	}
}

// A node whose only way is gone is given up, and comes back by itself.
func TestOrphanComesBack(t *testing.T) {
	m, r := start(t, Options{Site: chain(3), Seed: 1})
	joined(t, m)
	r.events = nil
	if err := m.CutNode("n1"); err != nil {
		t.Fatal(err)
	}
	until(t, m, time.Minute, "all three are given up", func() bool { return r.count(radio.EventDetached) == 3 })
	if m.Joined() != 0 {
		t.Errorf("%d nodes still believe that they are joined", m.Joined())
	}
	if err := m.RestoreNode("n1"); err != nil {
		t.Fatal(err)
	}
	joined(t, m)
	if r.count(radio.EventAttached) != 3 {
		t.Errorf("attached %d times, want 3", r.count(radio.EventAttached))
	}
	if m.CutNode("gateway") == nil || m.CutNode("nobody") == nil || m.RestoreNode("n1") == nil {
		t.Error("no error for the gateway, an unknown node, and one that is not cut")
	}
	m.CutNode("n1")
	if m.CutNode("n1") == nil {
		t.Error("no error for cutting twice")
	}
}

// No way ever goes in a circle, whatever fails in whatever order.
func TestNoCircles(t *testing.T) {
	s := Generate(48, testPrefix)
	for i := range s.Links {
		s.Links[i].Delivery = 0.7
	}
	m, _ := start(t, Options{Site: s, Seed: 6})
	for step := range 400 {
		m.Advance(time.Duration(step) * time.Second)
		n := s.Nodes[m.random.IntN(len(s.Nodes))].Name
		if m.CutNode(n) != nil {
			m.RestoreNode(n)
		}
		for i := 1; i < len(m.nodes); i++ {
			at, steps := int32(i), 0
			for at != none && at != gateway {
				at = m.nodes[at].station.parents[0]
				if steps++; steps > len(m.nodes) {
					t.Fatalf("at %v: the way of %s is a circle", m.Now(), m.nodes[i].name)
				}
			}
		}
	}
}

// The gateway's radio switched off: silence, lost frames, and all nodes back under
// a new boot id.
func TestCutRadio(t *testing.T) {
	m, r := start(t, Options{Site: chain(2), Seed: 1})
	joined(t, m)
	boot := m.boot
	m.sendTo("n2", junk, 1)
	if err := m.CutRadio(); err != nil {
		t.Fatal(err)
	}
	r.events = nil
	m.sendTo("n2", junk, 2)
	m.Advance(m.Now() + time.Minute)
	if len(r.events) != 0 {
		t.Errorf("the radio is off and said: %v", r.events)
	}
	if m.Joined() != 0 {
		t.Errorf("%d nodes are joined to a radio that is off", m.Joined())
	}
	if err := m.RestoreRadio(); err != nil {
		t.Fatal(err)
	}
	joined(t, m)
	if r.events[0].Kind != radio.EventUp || r.events[0].Info.Boot == boot {
		t.Errorf("after the boot: %+v, want up with another boot id", r.events[0])
	}
	if r.count(radio.EventAttached) != 2 {
		t.Errorf("attached %d, want 2", r.count(radio.EventAttached))
	}
	if m.RestoreRadio() == nil {
		t.Error("restoring a radio that is not cut: no error")
	}
}

func TestAssign(t *testing.T) {
	s := chain(2)
	m, r := start(t, Options{Site: s, Seed: 1})
	joined(t, m)
	r.events = nil
	short := place(0x42, "").EUI64
	if m.Assign(s.Nodes[0].EUI64, short) || m.Assign(s.Gateway.EUI64, ieee802154.Short(0x42)) || m.Assign(place(77, "").EUI64, ieee802154.Short(1)) {
		t.Error("took an EUI-64 as short address, or the gateway's, or an unknown node")
	}
	if !m.Assign(s.Nodes[0].EUI64, ieee802154.Short(0x42)) || m.Assign(s.Nodes[1].EUI64, ieee802154.Short(0x42)) {
		t.Error("want the address given once, and refused to another node")
	}
	if r.count(radio.EventAttached) != 1 || r.events[0].Node.Short != ieee802154.Short(0x42) {
		t.Errorf("told: %+v", r.events)
	}
	m.Send(radio.Frame{To: ieee802154.Short(0x42), Payload: junk}, 1)
	m.Advance(m.Now() + time.Second)
	if r.outcomes()[radio.OutcomeDelivered] != 1 {
		t.Error("the short address is not reached")
	}
	if !m.Assign(s.Nodes[0].EUI64, ieee802154.Addr{}) || !m.Assign(s.Nodes[1].EUI64, ieee802154.Short(0x42)) {
		t.Error("an address that was taken away is not free")
	}
}
