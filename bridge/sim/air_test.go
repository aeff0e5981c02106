package sim

import (
	"math"
	"testing"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/radio"
)

// sendAll sends n frames to a node, one after the other, and returns how many
// arrived.
func sendAll(m *Mesh, r *recorder, to string, n int) int {
	for i := range n {
		r.events = r.events[:0]
		m.sendTo(to, junk, uint32(i))
		for r.count(radio.EventResult) == 0 {
			m.Advance(m.Now() + m.air.Slot)
		}
	}
	return int(m.stats.Outcomes[radio.OutcomeDelivered])
}

// The share of frames that arrive over h hops, each attempt lost with p and tried
// 1+R times, is (1-p^(1+R))^h, and a hop takes (1-p^(1+R))/(1-p) attempts: the
// geometric distribution cut off after 1+R trials. The bounds are five standard
// deviations wide.
func TestDeliveryIsTheClosedForm(t *testing.T) {
	for _, c := range []struct {
		loss    float64
		retries int
		hops    int
		frames  int
	}{
		{0.1, 3, 1, 4000},
		{0.1, 3, 3, 2000},
		{0.5, 3, 1, 4000},
		{0.5, 3, 3, 2000},
		{0.3, -1, 2, 4000},
		{0, 3, 3, 200},
		{1, 3, 1, 50},
	} {
		s := chain(c.hops)
		s.Air.Retries = c.retries
		s.Air.Beat = time.Hour // no parent is given up
		m, r := start(t, Options{Site: s, Seed: 11})
		joined(t, m)
		if err := m.SetLoss(c.loss); err != nil {
			t.Fatal(err)
		}
		m.ResetStats()
		name := s.Nodes[c.hops-1].Name
		got := float64(sendAll(m, r, name, c.frames)) / float64(c.frames)
		hop := 1 - math.Pow(c.loss, float64(1+max(c.retries, 0)))
		want := math.Pow(hop, float64(c.hops))
		bound := 5*math.Sqrt(want*(1-want)/float64(c.frames)) + 1e-12
		if math.Abs(got-want) > bound {
			t.Errorf("loss %v, retries %d, %d hops: delivered %.4f, want %.4f +- %.4f", c.loss, c.retries, c.hops, got, want, bound)
		}
		first := m.Hops()[0]
		if first.Attempts == 0 {
			t.Fatal("no attempt was counted")
		}
		share := float64(first.Attempts-first.Acked) / float64(first.Attempts)
		if b := 5*math.Sqrt(c.loss*(1-c.loss)/float64(first.Attempts)) + 1e-12; math.Abs(share-c.loss) > b {
			t.Errorf("loss %v: of %d attempts over the first hop %.4f were lost", c.loss, first.Attempts, share)
		}
		if c.loss < 1 {
			perFrame, expect := float64(first.Attempts)/float64(c.frames), hop/(1-c.loss)
			if math.Abs(perFrame-expect) > 0.05*expect {
				t.Errorf("loss %v: %.3f attempts a frame over the first hop, want %.3f", c.loss, perFrame, expect)
			}
		}
	}
}

// A node's own frames, the other way, and the sum of all ends.
func TestFramesAddUp(t *testing.T) {
	s := chain(3)
	m, r := start(t, Options{Site: s, Seed: 4, Period: time.Second})
	joined(t, m)
	m.SetLoss(0.45)
	m.Advance(m.Now() + 10*time.Minute)
	queued := uint64(0)
	for _, n := range m.Nodes() {
		queued += uint64(n.Queued)
	}
	st := m.Stats()
	if st.FromNodes != st.ToDaemon+st.NodesLost+queued || st.ToDaemon == 0 || st.NodesLost == 0 {
		t.Errorf("nodes sent %d frames, %d arrived, %d were lost, %d are queued", st.FromNodes, st.ToDaemon, st.NodesLost, queued)
	}
	if got := uint64(r.count(radio.EventFrame)); got != st.ToDaemon {
		t.Errorf("%d frames were told, %d counted", got, st.ToDaemon)
	}
	if m.plan.waiting != int(queued) {
		t.Errorf("waiting %d, queued %d", m.plan.waiting, queued)
	}
}

// In the stationary two-state process the share of bad time is Length/(Every +
// Length), and a bad stay lasts Length on average.
func TestBursts(t *testing.T) {
	s := chain(1)
	s.Air.Bursts = Bursts{Every: 8 * time.Second, Length: 2 * time.Second, Delivery: 0}
	m, _ := start(t, Options{Site: s, Seed: 9})
	l := &m.links[0]
	const step = 10 * time.Millisecond
	bad, stays, was, samples := 0, 0, false, 4_000_000
	for range samples {
		m.now += step
		is := m.burst(l)
		if is {
			bad++
			if !was {
				stays++
			}
		}
		was = is
	}
	if share := float64(bad) / float64(samples); math.Abs(share-0.2) > 0.02 {
		t.Errorf("bad for %.3f of the time, want 0.2", share)
	}
	if mean := time.Duration(bad) * step / time.Duration(stays); mean < 1800*time.Millisecond || mean > 2200*time.Millisecond {
		t.Errorf("a bad stay lasts %v, want about 2 s", mean)
	}
	// However seldom it is asked, the share is the same.
	bad = 0
	for range 20000 {
		m.now += time.Minute
		if m.burst(l) {
			bad++
		}
	}
	if share := float64(bad) / 20000; math.Abs(share-0.2) > 0.02 {
		t.Errorf("asked once a minute: bad for %.3f of the time, want 0.2", share)
	}
}

// A relay that cannot get rid of its frames fills its queue, never more, and the
// daemon is told queue-full.
func TestQueuesAreBounded(t *testing.T) {
	s := chain(2)
	s.Air.Queue = 4
	s.Air.Beat = time.Hour
	s.Air.Retries = 15
	s.Links[1].Delivery = 0.01
	s.Links[1].Back = 1
	m, r := start(t, Options{Site: s, Seed: 2})
	joined(t, m)
	most, id := 0, uint32(0)
	relay := m.nodes[m.names["n1"]].station
	root := m.nodes[gateway].station
	rootMost := 0
	for range 6000 {
		id++
		m.sendTo("n2", junk, id)
		m.Advance(m.Now() + 10*time.Millisecond)
		most, rootMost = max(most, len(relay.queue)), max(rootMost, len(root.queue))
	}
	if most != 4 {
		t.Errorf("the relay's queue held %d frames, its bound is 4", most)
	}
	if rootMost != credits {
		t.Errorf("the gateway's queue held %d frames, its bound is %d", rootMost, credits)
	}
	if n, _ := m.Node("n1"); n.QueueFull == 0 {
		t.Error("no frame found the relay's queue full")
	}
	m.Advance(m.Now() + time.Minute)
	out := r.outcomes()
	sum := 0
	for _, n := range out {
		sum += n
	}
	if sum != int(id) {
		t.Errorf("%d results for %d frames: %v", sum, id, out)
	}
	if out[radio.OutcomeQueueFull] == 0 || out[radio.OutcomeNoAck] == 0 || out[radio.OutcomeExpired] == 0 {
		t.Errorf("outcomes %v: want queue-full, no-ack and expired among them", out)
	}
}

func TestOutcomes(t *testing.T) {
	m, r := start(t, Options{Site: chain(2), Seed: 1})
	m.sendTo("n1", junk, 1) // not joined yet
	joined(t, m)
	m.sendTo("n1", make([]byte, MaxExtended+1), 2)
	m.Send(radio.Frame{To: place(99, "").EUI64, Payload: junk}, 3)
	m.sendTo("n2", junk, 4)
	m.sendTo("n2", junk, 5)
	m.Cancel(5)
	m.Advance(m.Now() + time.Second)
	got := map[uint32]radio.Outcome{}
	for _, e := range r.events {
		if e.Kind == radio.EventResult {
			got[e.ID] = e.Outcome
		}
	}
	want := map[uint32]radio.Outcome{1: radio.OutcomeNoRoute, 2: radio.OutcomeTooLong, 3: radio.OutcomeNoRoute,
		4: radio.OutcomeDelivered, 5: radio.OutcomeCancelled}
	for id, o := range want {
		if got[id] != o {
			t.Errorf("frame %d: %v, want %v", id, got[id], o)
		}
	}
}

// Where the radio knows the first hop only, that is what a result tells.
func TestFirstHopResults(t *testing.T) {
	s := chain(2)
	s.Air.Beat = time.Hour
	m, r := start(t, Options{Site: s, Seed: 1, FirstHop: true})
	joined(t, m)
	if err := m.CutLink("n1", "n2"); err != nil {
		t.Fatal(err)
	}
	m.sendTo("n2", junk, 1)
	m.Advance(m.Now() + 5*time.Second)
	if got := r.outcomes(); got[radio.OutcomeFirstHop] != 1 || len(got) != 1 {
		t.Errorf("outcomes %v, want first-hop once", got)
	}
	if m.Stats().DaemonLost != 1 {
		t.Errorf("lost %d, want 1", m.Stats().DaemonLost)
	}
}

// A frame of higher priority overtakes those that wait.
func TestPriority(t *testing.T) {
	m, r := start(t, Options{Site: chain(1), Seed: 1})
	joined(t, m)
	to := m.nodes[1].eui64
	for id := range uint32(3) {
		m.Send(radio.Frame{To: to, Payload: junk}, id)
	}
	m.Send(radio.Frame{To: to, Payload: junk, Priority: radio.PriorityNetwork}, 9)
	m.Advance(m.Now() + 2*time.Second)
	var order []uint32
	for _, e := range r.events {
		if e.Kind == radio.EventResult {
			order = append(order, e.ID)
		}
	}
	if len(order) != 4 || order[0] != 9 {
		t.Errorf("order %v, want 9 first", order)
	}
}

// One cell a slotframe: ten frames over one hop take ten slotframes.
func TestSlotframe(t *testing.T) {
	m, r := start(t, Options{Site: chain(1), Seed: 1})
	joined(t, m)
	began := m.Now()
	for id := range uint32(10) {
		m.sendTo("n1", junk, id)
	}
	until(t, m, 5*time.Second, "ten results", func() bool { return r.count(radio.EventResult) == 10 })
	if took, frame := m.Now()-began, 13*m.air.Slot; took < 9*frame || took > 10*frame+2*m.air.Slot {
		t.Errorf("ten frames took %v, want between nine and ten slotframes of %v", took, frame)
	}
}

// With more cells than slots every link still gets its turn.
func TestMoreCellsThanSlots(t *testing.T) {
	s := testSite("a b c d e f g h i j k l")
	for _, n := range s.Nodes {
		s.Links = append(s.Links, Link{A: GatewayName, B: n.Name, Delivery: 1})
	}
	m, r := start(t, Options{Site: s, Seed: 1})
	joined(t, m)
	for i, n := range s.Nodes {
		m.sendTo(n.Name, junk, uint32(2*i))
		m.sendTo(n.Name, junk, uint32(2*i+1))
	}
	m.Advance(m.Now() + 3*time.Second)
	if got := r.outcomes()[radio.OutcomeDelivered]; got != 24 {
		t.Errorf("delivered %d of 24", got)
	}
}

func TestBroadcastReachesAll(t *testing.T) {
	m, r := start(t, Options{Site: chain(3), Seed: 1})
	joined(t, m)
	m.ResetStats()
	m.Send(radio.Frame{To: ieee802154.Broadcast, Payload: junk}, 1)
	m.Advance(m.Now() + 5*time.Second)
	if m.Stats().ToNodes != 3 {
		t.Errorf("reached %d of 3 nodes", m.Stats().ToNodes)
	}
	if got := r.outcomes(); got[radio.OutcomeDelivered] != 1 || len(got) != 1 {
		t.Errorf("outcomes %v, want one: on the air", got)
	}
	if len(m.floods) != 0 {
		t.Errorf("%d broadcasts are still under way", len(m.floods))
	}
	for id := range uint32(20) {
		m.Send(radio.Frame{To: ieee802154.Broadcast, Payload: junk}, 2+id)
	}
	if n := r.outcomes()[radio.OutcomeQueueFull]; n != 20-maxFloods {
		t.Errorf("%d of 20 broadcasts found no room, want %d", n, 20-maxFloods)
	}
}
