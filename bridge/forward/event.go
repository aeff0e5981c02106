package forward

import (
	"context"
	"log/slog"
	"strings"
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/bridge/radio"
)

// Event takes one event of the radio, from the goroutine that reads the radio.
func (f *Forwarder) Event(ev *radio.Event) {
	s := &f.sender
	switch ev.Kind {
	case radio.EventFrame:
		f.fromMesh(&ev.Frame)
	case radio.EventResult:
		if s.flights.land(ev.ID, ev.Outcome) {
			f.kick()
		}
	case radio.EventCredits:
		s.credits.Store(int64(ev.Credits))
		f.kick()
	case radio.EventUp:
		f.up(ev)
	case radio.EventDown:
		f.down(ev.Cause)
	case radio.EventDiscard:
		f.discarded(ev)
	case radio.EventText:
		f.radioText(ev.Text)
	default:
		f.nodeEvent(ev)
	}
}

// nodeEvent takes what the radio says of nodes.
func (f *Forwarder) nodeEvent(ev *radio.Event) {
	now := f.opt.Now()
	switch a := ev.Node.Addr; ev.Kind {
	case radio.EventAttached:
		j := node.Joined{EUI64: a, Short: ev.Node.Short, Parents: ev.Node.Parents, Hops: ev.Node.Hops}
		if a.IsShort() {
			j.EUI64 = ev.Node.Short // none, or an EUI-64 that the table will refuse
			j.Short = a
		}
		c := f.table.Attach(j, now)
		f.log(c)
		f.shortMoved(c, now)
		f.appeared(c, now)
	case radio.EventDetached:
		f.log(f.table.Detach(a, now))
	case radio.EventParent:
		f.table.SetParents(a, ev.Node.Parents, ev.Node.Hops)
	case radio.EventBattery:
		f.table.SetBattery(a, ev.Battery.Millivolts, ev.Battery.Percent)
	case radio.EventLink:
		l := ev.Link
		f.table.SetLink(l.From, l.To, node.Link{Channel: l.Channel, Attempts: l.Attempts, Acked: l.Acked, Signal: l.Signal})
	case radio.EventSnapshot:
		f.table.EndSnapshot(now, f.log)
	}
}

// up takes note of a radio that came up, and of its own addresses.
func (f *Forwarder) up(ev *radio.Event) {
	s := &f.sender
	info := ev.Info
	if s.info.Load() != nil { // it booted, and nobody had noticed that it was gone
		s.session.Add(1)
	}
	f.setOwn(info)
	f.receiveMu.Lock()
	f.receiver.SetOwn(info.EUI64, info.Short)
	f.receiveMu.Unlock()
	f.table.SetGateway(info.EUI64, info.Short)
	samePAN := f.table.PAN() == info.PAN
	f.table.SetPAN(info.PAN)
	f.table.BeginSnapshot()
	s.credits.Store(int64(ev.Credits))
	s.info.Store(&info)
	f.radioChange.Store(&radioChange{at: f.opt.Now()})
	f.kick()
	f.discoveryUp(info, samePAN, f.opt.Now())
	f.opt.Log.Info("radio up", "radio", printable(info.Name), "eui64", info.EUI64.String(), "short", info.Short.String(),
		"pan", info.PAN, "boot", info.Boot, "max_short", info.MaxShort, "max_extended", info.MaxExtended, "credits", ev.Credits)
}

// down ends what was under way.
func (f *Forwarder) down(cause error) {
	s := &f.sender
	if s.info.Swap(nil) != nil || f.radioChange.Load() == nil {
		f.radioChange.Store(&radioChange{at: f.opt.Now(), cause: cause})
	}
	f.table.RadioDown(f.opt.Now())
	s.session.Add(1)
	f.counters.downs.Add(1)
	f.kick()
	f.opt.Log.Warn("radio down: packets to its nodes are refused until it is back", "cause", cause)
}

// discarded counts frames that the radio received and threw away.
func (f *Forwarder) discarded(ev *radio.Event) {
	r := ev.Reason
	if r == drop.None {
		r = drop.RadioDiscard
	}
	k := uint64(max(1, ev.Count))
	c := &f.counters.from
	c.frames.Add(k)
	c.framesDropped[r].Add(k)
	if !f.opt.Log.Enabled(context.Background(), slog.LevelDebug) {
		return
	}
	f.opt.Log.Debug("the radio threw frames away", "count", k, "reason", r.String(), "node", ev.Node.Addr.String(), "text", printable(ev.Text))
}

// Tick lets what is too old end: datagrams in reassembly now, packets in the queues
// as soon as the sender can. What neighbour discovery has to do by itself is done.
// Call it a few times a second.
func (f *Forwarder) Tick() {
	now := f.start.Add(time.Duration(f.now()))
	f.expireReassembly(now)
	f.tickDiscovery(now)
	f.tickChallenges(now)
	f.logRefusals()
	f.deadlines.expire(f.cachedNow())
	if f.counters.to.queued.Load() > 0 || f.counters.to.framesInFlight.Load() > 0 {
		f.sender.ticked.Store(true)
		f.kick()
	}
}

// TickNodes brings the states of the nodes in line with the time, and ends what
// forgotten nodes had registered. Call it about once a second.
func (f *Forwarder) TickNodes() {
	if f.forgotten == nil {
		f.forgotten = map[ieee802154.Addr]bool{}
	}
	forgot, names := 0, []string(nil)
	f.table.Tick(f.opt.Now(), func(c node.Change) {
		if !c.Removed {
			f.log(c)
			return
		}
		if forgot++; forgot <= namedChanges {
			names = append(names, c.Node.Label())
		}
		f.forgotten[c.Node.EUI64()], f.forgotten[c.Node.Short()] = true, true
	})
	if forgot > 0 {
		f.opt.Log.Info("nodes without a place removed: silent for too long", "count", forgot, "nodes", strings.Join(names, ", "))
	}
	delete(f.forgotten, ieee802154.Addr{})
	// A node that is heard again meanwhile keeps what it has registered since.
	if len(f.forgotten) > 0 && f.Release(func(a ieee802154.Addr) bool { return f.forgotten[a] && f.table.ByLink(a) == nil }) {
		f.forgotten = nil
	}
	f.logChanges()
}
