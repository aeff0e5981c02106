package radiocheck

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"strings"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/radio"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/findings"
)

// probe speaks the radio link protocol with a radio side as the daemon does, and at
// times as a daemon would not. One goroutine uses it.
type probe struct {
	*radioTrial
	dial     radio.Dial
	document string                               // of the sections
	give     func(f radio.Frame, id uint32) error // hands a frame to the radio
	line     *radioLine
	gone     bool // the line has ended

	up       radio.Record // what the radio said of itself
	live     bool         // an up has come on this line
	taken    bool         // and was taken for the one that holds
	session  uint32
	credits  int
	lastID   uint32
	nodes    []radio.NodeInfo // since the last up, keptNodes at most
	listed   int              // how many were said
	complete bool             // their list is
	target   radio.NodeInfo   // of what is sent to a node; none: there is none
	began    time.Time

	broken  bool  // the radio has to be set up again
	endErr  error // how the connection ended that reopen closed
	greeted greeting

	// What stands in the way of later checks; empty: nothing.
	dead     string // of all
	deaf     string // of those that ask by keepalive
	mute     string // of those that send
	sessions string // of those that say hello anew

	seen observations
}

// sentFrame is a frame that was given to the radio.
type sentFrame struct {
	id      uint32
	at      time.Time
	results int
	outcome radio.Outcome // of the first result
	after   time.Duration // when it came
	over    bool          // its session is over: there need be no result
	refused error         // why it was not taken: there is no result
}

// id returns a number that was not used before.
func (p *probe) id() uint32 {
	p.lastID++
	return p.lastID
}

// say sends a record.
func (p *probe) say(r *radio.Record) { p.line.say(framed(r)) }

// until hears what comes until want reports true, and reports that. It gives up
// after d, at the end of the line, and at that of ctx.
func (p *probe) until(ctx context.Context, d time.Duration, want func(*heard) bool) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	for !p.gone {
		select {
		case h, ok := <-p.line.in:
			if !ok {
				p.gone = true
				return false
			}
			p.observe(&h)
			if want != nil && want(&h) {
				return true
			}
		case <-timer.C:
			return false
		case <-ctx.Done():
			return false
		}
		select { // whoever never stops talking does not stop the clock
		case <-timer.C:
			return false
		case <-ctx.Done():
			return false
		default:
		}
	}
	return false
}

// silence says why something did not come in time: the line has ended, or the time
// has.
func (p *probe) silence(ctx context.Context, d time.Duration) string {
	switch {
	case p.gone:
		_, cause := p.line.seen()
		return ended(cause)
	case ctx.Err() != nil:
		return findings.Expired(ctx)
	}
	return fmt.Sprintf("nothing within %v", d)
}

// ended says how a line ended.
func ended(cause error) string {
	if cause == nil || errors.Is(cause, io.EOF) {
		return "the radio side ended the connection"
	}
	return "the connection ended: " + cause.Error()
}

// ping says keepalive in the octets that wire makes of it, and waits for the answer.
// It returns what came instead; empty: the answer.
func (p *probe) ping(ctx context.Context, wire func(id uint32) []byte) (time.Duration, string) {
	return p.pingID(ctx, p.id(), wire)
}

func (p *probe) pingID(ctx context.Context, id uint32, wire func(id uint32) []byte) (time.Duration, string) {
	if wire == nil {
		wire = keepalive
	}
	strays := p.seen.aliveStrays.n
	p.seen.asked[id] = false
	at := time.Now()
	p.line.say(wire(id))
	var boot uint64
	if p.until(ctx, p.waits.Answer, func(h *heard) bool {
		boot = h.rec.Info.Boot
		return h.is(radio.RecordAlive) && h.rec.ID == id
	}) {
		if boot != p.up.Info.Boot {
			return 0, fmt.Sprintf("alive with the boot number %d, where up had %d", boot, p.up.Info.Boot)
		}
		return time.Since(at), ""
	}
	p.broken = true
	if p.seen.aliveStrays.n > strays {
		return 0, fmt.Sprintf("%s, where keepalive had %d", p.seen.aliveStrays.last, id)
	}
	return 0, "no alive: " + p.silence(ctx, p.waits.Answer)
}

func keepalive(id uint32) []byte {
	return framed(&radio.Record{Kind: radio.RecordKeepalive, ID: id})
}

// is reports whether a whole record of a kind was heard.
func (h *heard) is(k radio.RecordKind) bool { return h.err == nil && h.rec.Kind == k }

// open connects to the radio.
func (p *probe) open(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, p.waits.Answer)
	defer cancel()
	l, err := openLine(ctx, p.dial)
	if err != nil {
		return err
	}
	p.line, p.gone, p.live, p.taken = l, false, false, false
	return nil
}

// close ends the connection, keeps what it carried, and returns how it ended.
func (p *probe) close() error {
	if p.line == nil {
		return nil
	}
	err := p.line.close()
	stats, _ := p.line.seen()
	p.seen.addLine(stats)
	p.line = nil
	p.abandon()
	return err
}

// abandon gives up the frames that have no result yet.
func (p *probe) abandon() {
	for _, s := range p.seen.sent {
		if s.results == 0 {
			s.over = true
		}
	}
}

// greeting is what came upon hello.
type greeting struct {
	up     *radio.Record // with the session of the hello, or of another version; nil: none came
	other  *radio.Record // one that answers another hello, or none
	cannot error         // why an up could not be read
	after  time.Duration
}

// helloEvery is how often hello is said until it is answered.
const helloEvery = time.Second

// hello says hello under a session number, again and again, until up comes.
func (p *probe) hello(ctx context.Context, version uint8, session uint32) greeting {
	r := radio.Record{Kind: radio.RecordHello, Session: session, Text: []byte("culvert check")}
	r.Info.Version = version
	wire := framed(&r)
	var g greeting
	booted := false
	began := time.Now()
	for g.up == nil && !p.gone && ctx.Err() == nil {
		left := p.waits.Answer - time.Since(began)
		if left <= 0 {
			break
		}
		p.line.say(wire)
		p.until(ctx, min(helloEvery, left), func(h *heard) bool {
			switch {
			case h.rec.Kind != radio.RecordUp:
				return false
			case h.err != nil:
				g.cannot = h.err
			case h.rec.Info.Version == radio.Version && h.rec.Session != session:
				g.other = &h.rec
				at := !booted && h.rec.Session == 0 // it has just booted: say hello again at once
				booted = booted || at
				return at
			default:
				g.up, g.after = &h.rec, time.Since(began)
				return true
			}
			return false
		})
	}
	return g
}

// newSession returns a session number that differs from those of other runs too.
func (p *probe) newSession() uint32 {
	p.session = max(p.session+1, uint32(time.Now().UnixMilli()), 1)
	return p.session
}

// list hears the list of nodes that follows up, to its end. It returns what was
// wrong; empty: nothing.
func (p *probe) list(ctx context.Context) string {
	for {
		if p.complete {
			return ""
		}
		before := p.seen.attached
		if p.until(ctx, p.waits.List, func(h *heard) bool { return h.is(radio.RecordSnapshot) }) {
			return ""
		}
		if p.gone || ctx.Err() != nil || p.seen.attached == before {
			return "no snapshot: " + p.silence(ctx, p.waits.List)
		}
	}
}

// take makes an up the one that holds.
func (p *probe) take(up *radio.Record) {
	p.up, p.credits, p.taken = *up, up.Credits, true
	p.up.Info.Name = cli.Printable(up.Text)
}

// mend begins anew with a radio that does not answer any more. It returns why that
// failed; empty: it did not.
func (p *probe) mend(ctx context.Context) string {
	if p.dial == nil {
		return p.silence(ctx, p.waits.Answer) // an attachment mends itself, or is down
	}
	p.close()
	if err := p.open(ctx); err != nil {
		return err.Error()
	}
	g := p.hello(ctx, radio.Version, p.newSession())
	if g.up == nil {
		g.up = g.other
	}
	if g.up == nil {
		return "no up: " + p.silence(ctx, p.waits.Answer)
	}
	p.take(g.up)
	p.list(ctx)
	return ""
}

// address returns the address of the target of a kind, none if it has none to which
// the radio can send.
func (p *probe) address(extended bool) ieee802154.Addr {
	i := &p.up.Info
	for _, a := range []ieee802154.Addr{p.target.Addr, p.target.Short} {
		switch {
		case extended && a.IsExtended() && i.MaxExtended > 0, !extended && a.IsShort() && i.MaxShort > 0:
			return a
		}
	}
	return ieee802154.Addr{}
}

// reachable returns an address of the target, none if there is no target.
func (p *probe) reachable() ieee802154.Addr {
	if a := p.address(true); !a.IsNone() {
		return a
	}
	return p.address(false)
}

// unresolved returns how many frames have no result.
func (p *probe) unresolved() int {
	n := 0
	for _, s := range p.seen.sent {
		if s.results == 0 && !s.over {
			n++
		}
	}
	return n
}

// send gives a frame to the radio.
func (p *probe) send(to ieee802154.Addr, payload []byte) *sentFrame {
	s := &sentFrame{id: p.id(), at: time.Now()}
	p.seen.sent[s.id] = s
	if s.refused = p.give(radio.Frame{To: to, Payload: payload}, s.id); s.refused != nil {
		s.over = true
	}
	return s
}

// giveRecord hands a frame over as the daemon does on the line.
func (p *probe) giveRecord(f radio.Frame, id uint32) error {
	p.say(&radio.Record{Kind: radio.RecordSend, ID: id, Frame: f})
	return nil
}

// results waits for a result of each frame. It returns what was wrong.
func (p *probe) results(ctx context.Context, frames ...*sentFrame) string {
	for _, s := range frames {
		if s.refused != nil {
			return fmt.Sprintf("id %d was not taken: %v", s.id, s.refused)
		}
	}
	left := func() []uint32 {
		var ids []uint32
		for _, s := range frames {
			if s.results == 0 {
				ids = append(ids, s.id)
			}
		}
		return ids
	}
	if len(left()) == 0 || p.until(ctx, p.waits.Result, func(*heard) bool { return len(left()) == 0 }) {
		return ""
	}
	ids := left()
	text := fmt.Sprintf("no result for id %d: %s", ids[0], p.silence(ctx, p.waits.Result))
	if len(ids) > 1 {
		text = fmt.Sprintf("no result for %d of %d frames: %s", len(ids), len(frames), p.silence(ctx, p.waits.Result))
	}
	if p.seen.resultStrays.n > 0 {
		text += "; but " + p.seen.resultStrays.last
	}
	return text
}

// noise returns octets without a flag, always the same.
func noise(n int) []byte {
	r := rand.New(rand.NewPCG(4944, 6282))
	b := make([]byte, n)
	for i := range b {
		if b[i] = byte(r.UintN(256)); b[i] == 0x7e {
			b[i] = 0x55
		}
	}
	return b
}

// outcomes lists what became of frames: "2 delivered, 1 no-ack".
func outcomes(frames []*sentFrame) string {
	counts := map[radio.Outcome]int{}
	for _, s := range frames {
		counts[s.outcome]++
	}
	var parts []string
	for o := range radio.OutcomeLost + 1 {
		if counts[o] > 0 {
			parts = append(parts, fmt.Sprintf("%d %v", counts[o], o))
			delete(counts, o)
		}
	}
	rest := 0
	for _, n := range counts {
		rest += n
	}
	if rest > 0 {
		parts = append(parts, fmt.Sprintf("%d of an unknown outcome", rest))
	}
	return strings.Join(parts, ", ")
}
