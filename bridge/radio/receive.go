package radio

import (
	"bytes"
	"fmt"
	"time"
)

// Receive waits for the next event, and connects where there is no connection. See
// Attachment.
func (l *Link) Receive(b []byte) (Event, error) {
	if len(b) < MaxRecord {
		return Event{}, fmt.Errorf("radio: buffer of %d octets for Receive: %d are needed", len(b), MaxRecord)
	}
	l.calls.Add(1)
	l.inside.Store(true)
	defer l.inside.Store(false)
	for {
		ln, err := l.connect()
		if err != nil {
			return Event{}, err
		}
		if ev, ok := l.overdue(); ok {
			return ev, nil
		}
		body, err := ln.dec.next()
		if err != nil {
			if ev, ok := l.lost(ln, err); ok {
				return ev, nil
			}
			continue
		}
		// The event aliases b, not the decoder.
		known := ln.dec.parse(&l.rec, b[:copy(b, body)])
		now := time.Now()
		l.mu.Lock()
		l.stats.decoder(&l.past, ln.dec.Stats())
		var ev Event
		if known {
			ev = l.recordLocked(ln, now)
		}
		refused := ln.refused
		l.mu.Unlock()
		if refused != nil {
			l.lost(ln, refused)
		}
		if ev.Kind != EventNone {
			return ev, nil
		}
	}
}

// recordLocked takes one record in, and makes an event of it if it is one.
func (l *Link) recordLocked(ln *line, now time.Time) Event {
	r := &l.rec
	switch {
	case r.Kind == RecordUp:
		return l.upLocked(ln, now)
	case r.Kind == RecordAlive && l.up:
		return l.aliveLocked(ln, now)
	case r.Kind < RecordUp: // of the other direction: our own, echoed
		l.stats.Stray++
	case !l.up:
		l.stats.Early++
		if r.Kind == RecordFrame {
			l.stats.EarlyFrames++
		}
	case r.Kind == RecordFrame:
		r.Frame.At = l.clock.at(r.Clock, now)
		l.stats.FramesIn++
		l.stats.PayloadIn += uint64(len(r.Frame.Payload))
		return Event{Kind: EventFrame, Frame: r.Frame}
	case r.Kind == RecordResult:
		if !l.unresolved.remove(r.ID) {
			l.stats.Stray++
			break
		}
		return Event{Kind: EventResult, ID: r.ID, Outcome: r.Outcome}
	case r.Kind == RecordCredits:
		l.credits = min(r.Credits, MaxCredits)
		return Event{Kind: EventCredits, Credits: l.credits}
	default:
		return r.event()
	}
	return Event{}
}

// event returns the event for a record that does not change the state of the link.
func (r *Record) event() Event {
	switch r.Kind {
	case RecordAttached:
		return Event{Kind: EventAttached, Node: r.Node}
	case RecordDetached:
		return Event{Kind: EventDetached, Node: r.Node}
	case RecordParents:
		return Event{Kind: EventParent, Node: r.Node}
	case RecordSnapshot:
		return Event{Kind: EventSnapshot}
	case RecordLink:
		return Event{Kind: EventLink, Link: r.Link}
	case RecordBattery:
		return Event{Kind: EventBattery, Node: r.Node, Battery: r.Battery}
	case RecordText:
		return Event{Kind: EventText, Text: valid(r.Text)}
	case RecordDiscard:
		text := r.Discard.String() // a constant: a discard may come for each frame
		if len(r.Text) > 0 {
			text += ": " + valid(r.Text)
		}
		return Event{Kind: EventDiscard, Node: r.Node, Reason: r.Discard.Reason(), Count: r.Count, Text: text}
	}
	return Event{}
}

// valid returns a copy of a text from the radio as valid UTF-8.
func valid(text []byte) string { return string(bytes.ToValidUTF8(text, []byte("\uFFFD"))) }

// upLocked handles an up record.
func (l *Link) upLocked(ln *line, now time.Time) Event {
	r := &l.rec
	if !l.up {
		if cause := r.usable(); cause != nil {
			ln.refused = cause
			l.stats.Refused++
			return Event{}
		}
	}
	switch {
	case r.Session == 0 && !l.up: // has just booted, and may have missed our hello
		l.helloLocked(ln)
		return Event{}
	case l.up && (r.Session == 0 || r.Session == l.session && r.Info.Boot != l.info.Boot):
		return l.rebootLocked(ln, now)
	case r.Session != l.session || l.up: // of an earlier session, or to a hello that was said again
		l.stats.Stray++
		return Event{}
	}
	l.up = true
	l.info = r.Info
	l.info.Name = valid(r.Text)
	l.credits = min(r.Credits, MaxCredits)
	ln.heard, ln.since = now, now
	l.said = [2]string{}
	l.stats.Ups++
	l.clock = clock{}
	l.clock.at(r.Clock, now)
	l.timeLocked(ln)
	return Event{Kind: EventUp, Info: l.info, Credits: l.credits}
}

// usable returns an error if the radio cannot be used.
func (r *Record) usable() error {
	i := &r.Info
	switch {
	case i.Version != Version:
		return fmt.Errorf("the radio speaks version %d of the link protocol, this daemon version %d: bring the older of the two up to date", i.Version, Version)
	case !i.EUI64.IsExtended() || !i.EUI64.IsNode():
		return fmt.Errorf("the radio's up gives %v as its EUI-64", i.EUI64)
	case i.MaxShort == 0 && i.MaxExtended == 0:
		return fmt.Errorf("the radio's up allows no MAC payload to any address")
	}
	return nil
}

func (l *Link) aliveLocked(ln *line, now time.Time) Event {
	if l.rec.Info.Boot != l.info.Boot {
		return l.rebootLocked(ln, now)
	}
	ln.heard = now
	l.clock.at(l.rec.Clock, now)
	return Event{}
}

// rebootLocked starts a new session with a radio that rebooted while the line stayed up.
func (l *Link) rebootLocked(ln *line, now time.Time) Event {
	l.downLocked()
	l.stats.Reboots++
	l.sessionLocked(ln, now)
	return Event{Kind: EventDown, Cause: fmt.Errorf("%s: %w", l.what, errRebooted)}
}

// overdue returns OutcomeLost for a frame without a result in time: the frame or the
// result was lost on the line. It checks once per keepalive.
func (l *Link) overdue() (Event, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	wait := uint64(l.opt.ResultTimeout/l.opt.Keepalive) + 1
	if !l.up || l.tick == l.overdued || l.tick < wait {
		return Event{}, false
	}
	id, ok := l.unresolved.before(l.tick - wait)
	if !ok {
		l.overdued = l.tick
		return Event{}, false
	}
	l.unresolved.remove(id)
	l.stats.Lost++
	if l.info.Feature&FeatureCancel != 0 {
		r := Record{Kind: RecordCancel, ID: id}
		l.body = r.AppendTo(l.body[:0])
		l.sayLocked(l.line)
	}
	return Event{Kind: EventResult, ID: id, Outcome: OutcomeLost}, true
}
