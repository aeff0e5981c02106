package radio

import (
	"fmt"
	"net"
	"time"

	"culvert/bridge/ieee802154"
)

// Send hands one frame to the writer. See Attachment.
func (l *Link) Send(f Frame, id uint32) error {
	if f.To.IsNone() {
		return ErrAddress
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	limit := l.info.MaxShort
	if f.To.IsExtended() {
		limit = l.info.MaxExtended
	}
	switch {
	case l.closed:
		return net.ErrClosed
	case !l.up:
		return ErrDown
	case len(f.Payload) > limit:
		return ErrTooLong
	case l.unresolved.len() >= l.credits || len(l.line.out) > outLimit:
		l.stats.NoCredit++
		return ErrNoCredit
	case !l.unresolved.add(id, l.tick):
		return ErrID
	}
	l.body = appendSend(l.body[:0], id, &f)
	l.stats.FramesOut++
	l.stats.PayloadOut += uint64(len(f.Payload))
	l.sayLocked(l.line)
	return nil
}

// Cancel asks the radio to drop a frame that waits. Its result comes either way:
// OutcomeCancelled, or what became of it before. A radio without FeatureCancel is
// not asked.
func (l *Link) Cancel(id uint32) error {
	return l.say(FeatureCancel, &Record{Kind: RecordCancel, ID: id})
}

// Assign gives a node a short address, or takes it away where short is none. A
// radio without FeatureAssign is not asked.
func (l *Link) Assign(node, short ieee802154.Addr) error {
	return l.say(FeatureAssign, &Record{Kind: RecordAssign, Node: NodeInfo{Addr: node, Short: short}})
}

func (l *Link) say(need Features, r *Record) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case l.closed:
		return net.ErrClosed
	case !l.up:
		return ErrDown
	case l.info.Feature&need != need:
		return fmt.Errorf("radio: record kind %d: %w", r.Kind, ErrNotAble)
	case len(l.line.out) > outLimit:
		return ErrNoCredit
	}
	l.body = r.AppendTo(l.body[:0])
	l.sayLocked(l.line)
	return nil
}

// sayLocked gives the record in l.body to the writer.
func (l *Link) sayLocked(ln *line) {
	ln.out = AppendFramed(ln.out, l.body)
	l.stats.RecordsOut++
	select {
	case ln.kick <- struct{}{}:
	default:
	}
}

// sessionLocked starts a session. Its number differs from all earlier ones, also of an
// earlier process, so that the radio can tell a new session from a repeated hello.
func (l *Link) sessionLocked(ln *line, now time.Time) {
	l.session = max(l.session+1, uint32(now.UnixMilli()), 1)
	ln.asked = now
	l.helloLocked(ln)
}

func (l *Link) helloLocked(ln *line) {
	r := Record{Kind: RecordHello, Session: l.session, Text: []byte(l.opt.Name)}
	r.Info.Version = Version
	l.body = r.AppendTo(l.body[:0])
	l.sayLocked(ln)
}

func (l *Link) timeLocked(ln *line) {
	r := Record{Kind: RecordTime, Clock: uint64(time.Now().UnixMicro())}
	l.body = r.AppendTo(l.body[:0])
	l.sayLocked(ln)
}

// write writes the queued octets, as many as there are in one call, until the line ends.
func (l *Link) write(ln *line) {
	var buf []byte
	for {
		select {
		case <-ln.kick:
		case <-ln.done:
			return
		}
		l.mu.Lock()
		buf, ln.out = ln.out, buf[:0]
		l.mu.Unlock()
		n, err := ln.conn.Write(buf)
		l.mu.Lock()
		l.stats.OctetsOut += uint64(n)
		l.mu.Unlock()
		if err != nil {
			l.fail(ln, err)
			return
		}
	}
}

// watch sends the keepalives, and ends the line if they are not answered.
func (l *Link) watch(ln *line) {
	t := time.NewTicker(l.opt.Keepalive)
	defer t.Stop()
	calls, asked := uint64(0), time.Now()
	for {
		select {
		case <-t.C:
		case <-ln.done:
			return
		}
		// Nobody takes events, so nobody can have heard an answer; or the whole daemon
		// was held up (a suspended machine), so nobody has asked.
		now := l.calls.Load()
		stalled := !l.inside.Load() && now == calls || time.Since(asked) >= 2*l.opt.Keepalive
		calls, asked = now, time.Now()
		if cause := l.ask(ln, stalled); cause != nil {
			l.fail(ln, cause)
			return
		}
	}
}

// ask sends a keepalive, or hello again. An error ends the line.
func (l *Link) ask(ln *line, stalled bool) error {
	limit := silentAfter * l.opt.Keepalive
	now := time.Now()
	l.mu.Lock()
	defer l.mu.Unlock()
	l.tick++
	if stalled {
		ln.heard, ln.asked = now, now
	}
	if !l.up {
		if now.Sub(ln.asked) >= limit {
			return l.noAnswerLocked(ln, limit)
		}
		l.helloLocked(ln)
		return nil
	}
	if now.Sub(ln.heard) >= limit {
		return errSilent
	}
	r := Record{Kind: RecordKeepalive, ID: uint32(l.tick)}
	l.body = r.AppendTo(l.body[:0])
	l.sayLocked(ln)
	if l.tick%timeEvery == 0 {
		l.timeLocked(ln)
	}
	return nil
}

// noAnswerLocked returns an error that says what arrived instead of an answer to hello.
func (l *Link) noAnswerLocked(ln *line, limit time.Duration) error {
	octets := ln.octets.Load()
	switch {
	case octets == 0:
		return fmt.Errorf("no answer to hello within %v", limit)
	case l.stats.Line.Frames == l.past.Line.Frames:
		return fmt.Errorf("no answer to hello within %v, only octets that make no frame: another speed, or another protocol", limit)
	}
	return fmt.Errorf("no answer to hello within %v, though other records came", limit)
}

// unresolved holds the frames without a result, unordered. There are at most MaxCredits,
// so a scan is faster than a map.
type unresolved struct {
	ids  []uint32
	sent []uint64 // ticks
}

func (u *unresolved) len() int { return len(u.ids) }

func (u *unresolved) reset() { u.ids, u.sent = u.ids[:0], u.sent[:0] }

// add reports whether id was free.
func (u *unresolved) add(id uint32, tick uint64) bool {
	if u.find(id) >= 0 {
		return false
	}
	u.ids, u.sent = append(u.ids, id), append(u.sent, tick)
	return true
}

func (u *unresolved) find(id uint32) int {
	for i, v := range u.ids {
		if v == id {
			return i
		}
	}
	return -1
}

// remove reports whether id was unresolved.
func (u *unresolved) remove(id uint32) bool {
	i := u.find(id)
	if i < 0 {
		return false
	}
	last := len(u.ids) - 1
	u.ids[i], u.sent[i] = u.ids[last], u.sent[last]
	u.ids, u.sent = u.ids[:last], u.sent[:last]
	return true
}

// before returns a frame that was sent before the tick.
func (u *unresolved) before(tick uint64) (id uint32, ok bool) {
	for i, t := range u.sent {
		if t < tick {
			return u.ids[i], true
		}
	}
	return 0, false
}
