package radiocheck

import (
	"fmt"
	"strings"
	"time"

	"culvert/bridge/adapt"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/radio"
	"culvert/cmd/culvert/internal/cli"
)

// tally counts something, and remembers the first and the last of it in words.
type tally struct {
	n           int
	first, last string
}

func (t *tally) add(format string, args ...any) {
	t.last = fmt.Sprintf(format, args...)
	if t.n++; t.n == 1 {
		t.first = t.last
	}
}

// String returns "what was first (and 3 more)".
func (t *tally) String() string {
	if t.n > 1 {
		return fmt.Sprintf("%s (and %d more)", t.first, t.n-1)
	}
	return t.first
}

// observations are what a radio side did while it was being tried, whatever for.
type observations struct {
	sent  map[uint32]*sentFrame
	asked map[uint32]bool // keepalives, and whether they were answered

	records      int
	kinds        [radio.RecordAlive + 1]int
	unknown      int // of a kind that this version does not know
	early        int // before up
	attached     int
	replies      int // to our echo requests
	texts        int
	firstText    string
	line         radio.LineStats // of lines that are closed
	clock        clockSeen
	malformed    tally
	ours         tally // records that only the daemon says
	reboots      tally // up without a hello
	aliveStrays  tally
	resultStrays tally
	resultTwice  tally
	resultOdd    tally // an outcome that does not exist
	resultStale  tally // of a session that is over
	badFrames    tally
	badReports   tally

	receiver *adapt.Receiver
}

// clockSeen is what is known of the radio's clock.
type clockSeen struct {
	boot        uint64
	first, last uint64 // microseconds; 0: none came
	firstAt     time.Time
	wall, own   time.Duration // the longest time that it was watched for, by our clock and by its own
	frameAt     uint64        // the last frame's
	values      int
	back        tally
}

// clockJitter is how far, in microseconds, one time may lie before that of the record
// before: a radio side of several threads may say things in another order than it read
// its clock.
const clockJitter = 20_000

func newObservations() observations {
	return observations{
		sent: map[uint32]*sentFrame{}, asked: map[uint32]bool{},
		receiver: adapt.NewReceiver(adapt.Options{}),
	}
}

// addLine adds what a line carried that is closed now.
func (o *observations) addLine(s radio.LineStats) {
	o.line.Frames += s.Frames
	o.line.BadFCS += s.BadFCS
	o.line.Short += s.Short
	o.line.Aborted += s.Aborted
	o.line.TooLong += s.TooLong
	o.line.Garbage += s.Garbage
}

// observe takes account of whatever the radio says.
func (p *probe) observe(h *heard) {
	o, r := &p.seen, &h.rec
	o.records++
	switch {
	case h.err != nil:
		o.malformed.add("%s: %s", strings.TrimPrefix(h.err.Error(), "radio: "), shortHex(h.body))
		return
	case r.Kind == radio.RecordNone:
		o.unknown++
		return
	}
	o.kinds[r.Kind]++
	switch {
	case r.Kind < radio.RecordUp:
		o.ours.add("kind %d, which only the daemon says", r.Kind)
	case r.Kind == radio.RecordUp:
		if r.Info.Version != radio.Version {
			return // nothing behind the version is read
		}
		if p.taken && r.Session == 0 {
			o.reboots.add("up with session 0")
		}
		p.live = true
		p.nodes, p.listed, p.complete = p.nodes[:0], 0, false
		o.clock.now(r.Info.Boot, r.Clock, h.at)
	case !p.live:
		o.early++
	default:
		p.observeLive(h)
	}
}

// observeLive takes account of a record that came after up.
func (p *probe) observeLive(h *heard) {
	o, r := &p.seen, &h.rec
	switch r.Kind {
	case radio.RecordAlive:
		if _, ok := o.asked[r.ID]; ok {
			o.asked[r.ID] = true
		} else {
			o.aliveStrays.add("alive with the id %d", r.ID)
		}
		o.clock.now(r.Info.Boot, r.Clock, h.at)
	case radio.RecordResult:
		o.result(r, h.at)
	case radio.RecordCredits:
		p.credits = r.Credits
	case radio.RecordFrame:
		o.frame(&p.up.Info, r)
	case radio.RecordSnapshot:
		p.complete = true
	case radio.RecordText:
		if o.texts++; o.texts == 1 {
			o.firstText = cli.Printable(r.Text)
		}
	case radio.RecordAttached:
		p.listed++
		o.attached++
		o.node(r)
		if len(p.nodes) < keptNodes && r.Node.Addr.IsNode() {
			p.nodes = append(p.nodes, r.Node)
		}
	case radio.RecordDetached, radio.RecordParents, radio.RecordBattery:
		o.node(r)
	case radio.RecordLink:
		l := &r.Link
		switch {
		case !l.From.IsNode() || !l.To.IsNode():
			o.badReports.add("link from %v to %v", l.From, l.To)
		case l.Acked > l.Attempts:
			o.badReports.add("link from %v to %v with %d frames acknowledged of %d", l.From, l.To, l.Acked, l.Attempts)
		}
	case radio.RecordDiscard:
		if r.Discard > radio.DiscardForeign {
			o.badReports.add("discard with the reason %d", r.Discard)
		}
	}
}

// result takes account of what became of a frame.
func (o *observations) result(r *radio.Record, at time.Time) {
	if r.Outcome == radio.OutcomeNone || r.Outcome > radio.OutcomeLost {
		o.resultOdd.add("outcome %d for id %d", r.Outcome, r.ID)
	}
	s := o.sent[r.ID]
	switch {
	case s == nil:
		o.resultStrays.add("a result for id %d, which was not sent", r.ID)
		return
	case s.over && s.results == 0:
		o.resultStale.add("a result for id %d, which was sent in the session before", r.ID)
	case s.results > 0:
		o.resultTwice.add("a second result for id %d", r.ID)
	default:
		s.outcome, s.after = r.Outcome, at.Sub(s.at)
	}
	s.results++
}

// node looks at the addresses of a record that speaks of a node.
func (o *observations) node(r *radio.Record) {
	n := &r.Node
	word := map[radio.RecordKind]string{
		radio.RecordAttached: "attached", radio.RecordDetached: "detached",
		radio.RecordParents: "parents", radio.RecordBattery: "battery",
	}[r.Kind]
	switch {
	case !n.Addr.IsNode():
		o.badReports.add("%s of %v, which is no address of a node", word, n.Addr)
	case !n.Short.IsNone() && !(n.Short.IsShort() && n.Short.IsNode()):
		o.badReports.add("%s with %v as a short address", word, n.Short)
	}
	for _, a := range n.Parents {
		if !a.IsNone() && !a.IsNode() {
			o.badReports.add("%s with %v as a parent", word, a)
		}
	}
}

// frame looks at a frame from the mesh.
func (o *observations) frame(own *radio.Info, r *radio.Record) {
	from, to := r.Frame.From, r.Frame.To
	group := to.IsShort() && !to.IsNode() && to != ieee802154.Short(ieee802154.ShortNone)
	switch {
	case !from.IsNode():
		o.badFrames.add("from %v, which is no address of a node", from)
	case from == own.EUI64, from == own.Short:
		o.badFrames.add("from %v, which is this radio itself", from)
	case to != own.EUI64 && (to.IsNone() || to != own.Short) && !group:
		o.badFrames.add("to %v, which is neither this radio (%v, short %v) nor a group", to, own.EUI64, own.Short)
	}
	o.clock.frame(r.Clock)
	got, err := o.receiver.Receive(lowpan.Peer{From: from, To: to}, r.Frame.Payload, nil, time.Now())
	if err != nil || got.Packet == nil || got.Packet.NextHeader() != ipv6.ProtoICMPv6 {
		return
	}
	if b := got.Packet.Payload(); len(b) >= 8 && b[0] == ipv6.TypeEchoReply && string(b[4:6]) == echoIdentifier {
		o.replies++
	}
}

// now takes a reading of the radio's clock.
func (c *clockSeen) now(boot, v uint64, at time.Time) {
	if v == 0 {
		return
	}
	if c.values == 0 || boot != c.boot {
		c.boot, c.first, c.firstAt, c.frameAt, c.last = boot, v, at, 0, 0
	}
	c.values++
	switch {
	case v+clockJitter < c.last:
		c.back.add("now is %d us after it was %d us, with the same boot number", v, c.last)
	case v+clockJitter < c.frameAt:
		c.back.add("now is %d us after a frame at %d us", v, c.frameAt)
	}
	c.last = max(c.last, v)
	if wall := at.Sub(c.firstAt); wall > c.wall {
		c.wall, c.own = wall, time.Duration(v-c.first)*time.Microsecond
	}
}

// frame takes the arrival of a frame by the radio's clock.
func (c *clockSeen) frame(v uint64) {
	if v == 0 {
		return
	}
	c.values++
	if v+clockJitter < c.frameAt {
		c.back.add("a frame at %d us after one at %d us", v, c.frameAt)
	}
	c.frameAt = max(c.frameAt, v)
}

// millis returns a time in the unit that reads best.
func millis(d time.Duration) string {
	if d >= 10*time.Second {
		return fmt.Sprintf("%.1f s", d.Seconds())
	}
	return fmt.Sprintf("%.1f ms", float64(d)/float64(time.Millisecond))
}

// shortHex returns the beginning of octets in hex.
func shortHex(b []byte) string {
	const most = 24
	if len(b) > most {
		return fmt.Sprintf("%x... (%d octets)", b[:most], len(b))
	}
	return fmt.Sprintf("%x", b)
}
