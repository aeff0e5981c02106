package radiocheck

import (
	"context"
	"fmt"
	"time"

	"culvert/bridge/adapt"
	"culvert/bridge/radio"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/findings"
)

// radioCheck is one check of a radio side.
type radioCheck struct {
	name    string
	section string              // of the document
	says    string              // what that asks of the radio
	needs   func(*probe) string // why the check cannot be made; nil: it always can
	run     func(*probe, context.Context, *findings.Finding)
	back    bool // it only looks back: nothing stands in its way
}

// protocolDocument is the document that the sections are of.
const protocolDocument = "bridge/radio/PROTOCOL.md"

// linkChecks are the checks in their order: what the daemon does first, what it does
// all day, what a line does to both, and at last what was seen meanwhile.
var linkChecks = []radioCheck{
	{name: "hello", section: "Up and down", run: (*probe).checkHello,
		says: "hello is answered with up; the daemon waits 4 s for it"},
	{name: "version", section: "Up and down", run: (*probe).checkVersion,
		says: "up carries the version that the radio speaks, and nothing is read behind another one"},
	{name: "session", section: "8 up", run: (*probe).checkSession,
		says: "up carries the session number of the hello that it answers; the daemon ignores an up with another"},
	{name: "announcement", section: "8 up", run: (*probe).checkAnnouncement,
		says: "the EUI-64 is a device's, the short address a node's or none, and a frame must have room in one of the payloads"},
	{name: "credits", section: "Credits and results", run: (*probe).checkCredits,
		says: "credits is how many frames the radio can hold; at 0 the daemon sends nothing until a larger number comes"},
	{name: "list", section: "Up and down", run: (*probe).checkList,
		says: "after up come attached for each node and then snapshot; what comes before up is dropped"},

	{name: "keepalive", section: "5 keepalive", run: (*probe).checkKeepalive,
		says: "answer with alive, at once, with the id that was asked with and the boot number of up"},
	{name: "time", section: "6 time", run: (*probe).checkTime, needs: needPing,
		says: "it needs no answer, and a radio without a use for it passes over it"},
	{name: "send", section: "Credits and results", run: (*probe).checkSend, needs: needTarget,
		says: "for each send there is one result within 30 s"},
	{name: "send-short", section: "Credits and results", run: (*probe).checkSendShort, needs: needTarget,
		says: "for each send there is one result within 30 s, whichever address of a node it names"},
	{name: "send-unknown", section: "10 result", run: (*probe).checkSendUnknown, needs: needSend,
		says: "a send to a node that the radio does not know ends with a result too: 6, no-route, or 3, no-ack; 2 promises that the node has the frame"},
	{name: "broadcast", section: "2 send", run: (*probe).checkBroadcast, needs: needSend,
		says: "ffff is for all; result 2 says that the frame was on the air"},
	{name: "too-long", section: "10 result", run: (*probe).checkTooLong, needs: needTarget,
		says: "a payload over max_short or max_extended ends with result 7, too-long"},
	{name: "burst", section: "Credits and results", run: (*probe).checkBurst, needs: needTarget,
		says: "the radio holds as many frames as it gave credits for, and says a result for each"},
	{name: "cancel", section: "3 cancel", run: (*probe).checkCancel, needs: needTarget,
		says: "a frame that waits ends with result 8; one that is on its way or done with no other result than before"},
	{name: "assign", section: "4 assign", run: (*probe).checkAssign, needs: needPing,
		says: "when the node has the short address, say attached again"},

	{name: "escapes", section: "Framing", run: (*probe).checkEscapes, needs: needPing,
		says: "7e, 7d, 11 and 13 within a frame are sent as 7d and the octet with bit 20 flipped, and a receiver undoes any escape"},
	{name: "flags", section: "Framing", run: (*probe).checkFlags, needs: needPing,
		says: "one flag may stand between two frames, and any number while the line is idle"},
	{name: "line-control", section: "Framing", run: (*probe).checkLineControl, needs: needPing,
		says: "a receiver ignores a 11 or 13 that was not escaped"},
	{name: "encodings", section: "Records", run: (*probe).checkEncodings, needs: needPing,
		says: "integers may be longer than need be (18 05 for 05), and the array may have an indefinite length (9f ... ff)"},
	{name: "extra-elements", section: "Records", run: (*probe).checkExtraElements, needs: needPing,
		says: "pass over elements beyond those that you know, of whatever type they are"},
	{name: "unknown-kind", section: "Records", run: (*probe).checkUnknownKind, needs: needPing,
		says: "pass over kinds that you do not know"},
	{name: "noise", section: "Framing", run: (*probe).checkNoise, needs: needPing,
		says: "after any garbage the next whole frame is understood"},
	{name: "bad-fcs", section: "Framing", run: (*probe).checkBadFCS, needs: needPing,
		says: "a frame with a wrong FCS is dropped, and the next whole one understood"},

	{name: "hello-again", section: "Up and down", run: (*probe).checkHelloAgain, needs: needSessions,
		says: "upon a hello with the number that it knows already the radio says up and the list again, and drops nothing"},
	{name: "new-session", section: "Up and down", run: (*probe).checkNewSession, needs: needSessions,
		says: "upon a hello with a new number the radio says up and the list, and no more results of the session before"},
	{name: "other-version", section: "Up and down", run: (*probe).checkOtherVersion, needs: needSessions,
		says: "a hello of a version that the radio does not speak is answered with up and the radio's own"},
	{name: "reopen", section: "The stream", run: (*probe).checkReopen,
		says: "whenever the stream breaks, the daemon opens it again and says hello"},
	{name: "program-end", section: "The stream", run: (*probe).checkProgramEnd, back: true,
		says: "when its standard input ends the program should end; half a second later it is killed"},

	{name: "results", section: "Credits and results", run: (*probe).checkResults, back: true,
		says: "for each send there is one result, with its id and an outcome of the table, and none else"},
	{name: "frames", section: "9 frame", run: (*probe).checkFrames, back: true,
		says: "from and to are the addresses that the frame has: a node's, and the radio's own or a group's"},
	{name: "clock", section: "Clocks", run: (*probe).checkClock, back: true,
		says: "at and now count microseconds since the radio's boot and never run back"},
	{name: "reports", section: "To the daemon", run: (*probe).checkReports, back: true,
		says: "the addresses and numbers of attached, detached, parents, link, battery and discard are of nodes, and possible"},
	{name: "text", section: "18 text", run: (*probe).checkText, back: true,
		says: "one line at boot is welcome, one for each frame is not"},
	{name: "records", section: "Records", run: (*probe).checkRecords, back: true,
		says: "each record is one CBOR array whose first element is its kind, from 8 on"},
	{name: "framing", section: "Framing", run: (*probe).checkFraming, back: true,
		says: "on the stream stand frames with their check sequence between flags, and nothing else"},
}

func needPing(p *probe) string { return p.deaf }

func needSessions(p *probe) string { return p.sessions }

// needSend says why nothing can be sent.
func needSend(p *probe) string {
	switch {
	case p.noSend:
		return "--no-send"
	case p.mute != "":
		return p.mute
	case p.unresolved() >= p.credits:
		return "there is no credit left"
	}
	return ""
}

// needTarget says why nothing can be sent to a node.
func needTarget(p *probe) string {
	if why := needSend(p); why != "" {
		return why
	}
	if p.target.Addr.IsNone() {
		return "no node is listed; --node names one"
	}
	if p.reachable().IsNone() {
		return fmt.Sprintf("to %v the radio allows no payload", p.target.Addr)
	}
	return ""
}

// tryLink makes every check over the link protocol. Its error is a radio that cannot
// be reached; what is wrong with one that can goes into the report.
func tryLink(ctx context.Context, t *radioTrial, dial radio.Dial) error {
	p := newProbe(t)
	p.dial, p.give, p.document = dial, p.giveRecord, protocolDocument
	if err := p.open(ctx); err != nil {
		return cli.Unreachablef("%s: %w", t.what, err)
	}
	defer p.close()
	return p.makeAll(ctx, linkChecks, "list")
}

func newProbe(t *radioTrial) *probe {
	return &probe{radioTrial: t, seen: newObservations(), began: time.Now(), lastID: 1000}
}

// makeAll makes the checks one after the other. After the one that is named, the radio
// is introduced.
func (p *probe) makeAll(ctx context.Context, checks []radioCheck, introduced string) error {
	for _, c := range checks {
		f := findings.Finding{Check: c.name}
		p.make(ctx, c, &f)
		if err := p.report.Add(f); err != nil {
			return err
		}
		if c.name == introduced && p.dead == "" {
			if err := p.introduce(ctx); err != nil {
				return err
			}
		}
	}
	if ctx.Err() != nil {
		return p.report.Add(findings.Finding{Check: "limit", Verdict: findings.VerdictWrong, Found: findings.Expired(ctx)})
	}
	return nil
}

// make makes one check, and sets the radio up again if that was too much for it.
func (p *probe) make(ctx context.Context, c radioCheck, f *findings.Finding) {
	switch {
	case c.back:
	case ctx.Err() != nil:
		f.Set(findings.VerdictNotTried, "%s", findings.Expired(ctx))
		return
	case p.dead != "":
		f.Set(findings.VerdictNotTried, "%s", p.dead)
		return
	}
	if c.needs != nil {
		if why := c.needs(p); why != "" {
			f.Set(findings.VerdictNotTried, "%s", why)
			return
		}
	}
	reboots := p.seen.reboots.n
	c.run(p, ctx, f)
	if p.seen.reboots.n > reboots {
		p.broken = true
		f.Set(findings.VerdictWrong, "the radio booted anew, and said %s", p.seen.reboots.last)
	}
	if f.Verdict == findings.VerdictWrong {
		f.Asked = &findings.Clause{Document: p.document, Section: c.section, Says: c.says}
	}
	if p.dead == "" && ctx.Err() == nil && (p.gone || p.broken && p.deaf == "") {
		if why := p.mend(ctx); why != "" {
			p.dead = "the radio did not come back: " + why
		}
	}
	p.broken = false
}

// introduce shows what the radio announces, and chooses the node to send to.
func (p *probe) introduce(ctx context.Context) error {
	a := announce(p.what, p.up.Info, p.credits)
	for _, n := range p.nodes {
		a.addNode(n)
	}
	if p.dial == nil {
		a.Version = 0 // no protocol is spoken
	}
	a.NodeCount = max(p.listed, a.NodeCount)
	if err := p.show(a); err != nil {
		return err
	}
	switch {
	case !p.node.IsNone():
		p.target = radio.NodeInfo{Addr: p.node}
		for _, n := range p.nodes {
			if n.Addr == p.node || n.Short == p.node {
				p.target = n
			}
		}
	case p.noSend || p.dial == nil && len(p.nodes) == 0:
	case len(p.nodes) > 0 || p.until(ctx, p.waits.Join, func(*heard) bool { return len(p.nodes) > 0 }):
		p.target = p.nodes[0]
	}
	return nil
}

// checkHello opens the conversation.
func (p *probe) checkHello(ctx context.Context, f *findings.Finding) {
	f.Tried = fmt.Sprintf("hello of version %d", radio.Version)
	p.greeted = p.hello(ctx, radio.Version, p.newSession())
	g := &p.greeted
	switch {
	case g.up != nil:
		f.Set(findings.VerdictOK, "up after %v", millis(g.after))
	case g.other != nil:
		f.Set(findings.VerdictOK, "up")
		g.up = g.other
	default:
		f.Set(findings.VerdictWrong, "no up: %s", p.silence(ctx, p.waits.Answer))
		stats, _ := p.line.seen()
		switch {
		case g.cannot != nil:
			f.Set(findings.VerdictWrong, "an up that cannot be read: %s", p.seen.malformed.last)
		case p.seen.records > 0:
			f.Found += fmt.Sprintf("; %s came", cli.Plural(p.seen.records, "other record"))
		case stats.Garbage > 0:
			f.Found += fmt.Sprintf("; %d octets came that make no frame: another speed, or another protocol", stats.Garbage)
		}
		p.dead = "the radio said no up"
	}
}

// checkVersion looks at the version of up.
func (p *probe) checkVersion(_ context.Context, f *findings.Finding) {
	if v := p.greeted.up.Info.Version; v != radio.Version {
		f.Set(findings.VerdictWrong, "version %d; this program speaks %d", v, radio.Version)
		p.dead = "the radio speaks another version"
		return
	}
	f.Set(findings.VerdictOK, "version %d", radio.Version)
	p.take(p.greeted.up)
}

// checkSession looks at the session number of up.
func (p *probe) checkSession(_ context.Context, f *findings.Finding) {
	switch s := p.up.Session; s {
	case p.session:
		f.Set(findings.VerdictOK, "that of the hello")
		return
	case 0:
		f.Set(findings.VerdictWrong, "0, which answers no hello, where hello had %d", p.session)
	default:
		f.Set(findings.VerdictWrong, "%d, where hello had %d", s, p.session)
	}
	p.sessions = "up has a wrong session number"
}

// checkAnnouncement looks at what up says of the radio.
func (p *probe) checkAnnouncement(_ context.Context, f *findings.Finding) {
	if what := wrongInfo(&p.up.Info); what != "" {
		f.Set(findings.VerdictWrong, "%s", what)
		return
	}
	f.Set(findings.VerdictOK, "EUI-64, short address and payloads can be")
}

// wrongInfo says what cannot be in what a radio says of itself; empty: nothing.
func wrongInfo(i *radio.Info) string {
	switch {
	case !i.EUI64.IsExtended() || !i.EUI64.IsNode():
		return fmt.Sprintf("%v as the EUI-64", i.EUI64)
	case !i.Short.IsNone() && !(i.Short.IsShort() && i.Short.IsNode()):
		return fmt.Sprintf("%v as the short address", i.Short)
	case i.MaxShort == 0 && i.MaxExtended == 0:
		return "no payload to any address"
	case i.MaxShort > 0 && i.MaxShort < adapt.MinRoom, i.MaxExtended > 0 && i.MaxExtended < adapt.MinRoom:
		return fmt.Sprintf("payloads of %d octets to a short address and %d to an EUI-64: no fragment has room in less than %d", i.MaxShort, i.MaxExtended, adapt.MinRoom)
	}
	return ""
}

// checkCredits looks for a credit.
func (p *probe) checkCredits(ctx context.Context, f *findings.Finding) {
	if p.credits == 0 {
		p.until(ctx, p.waits.Answer, func(*heard) bool { return p.credits > 0 })
	}
	if p.credits == 0 {
		f.Set(findings.VerdictWrong, "0, and no credits came within %v", p.waits.Answer)
		p.mute = "the radio gives no credit"
		return
	}
	f.Set(findings.VerdictOK, "%d", p.credits)
	if p.credits > radio.MaxCredits {
		f.Found += fmt.Sprintf(", of which the daemon uses %d", radio.MaxCredits)
	}
}

// checkList hears the list of nodes.
func (p *probe) checkList(ctx context.Context, f *findings.Finding) {
	began := time.Now()
	why := p.list(ctx)
	switch {
	case why != "":
		f.Set(findings.VerdictWrong, "%s came, and %s", cli.Plural(p.listed, "node"), why)
	case p.listed == 0 && p.seen.early > 0:
		f.Set(findings.VerdictWrong, "no node; %s came before up", cli.Plural(p.seen.early, "record"))
	default:
		f.Set(findings.VerdictOK, "%s, and its end after %v", cli.Plural(p.listed, "node"), millis(time.Since(began)))
	}
}

// checkKeepalive asks three times.
func (p *probe) checkKeepalive(ctx context.Context, f *findings.Finding) {
	const times = 3
	f.Tried = fmt.Sprintf("%d keepalives", times)
	var most time.Duration
	for range times {
		after, why := p.ping(ctx, nil)
		if why != "" {
			f.Set(findings.VerdictWrong, "%s", why)
			p.deaf = "keepalive is not answered, by which this is seen"
			return
		}
		most = max(most, after)
	}
	f.Set(findings.VerdictOK, "answered after %v at most", millis(most))
}

// checkTime tells the radio the time.
func (p *probe) checkTime(ctx context.Context, f *findings.Finding) {
	f.Tried = "the time, and a keepalive"
	p.say(&radio.Record{Kind: radio.RecordTime, Clock: uint64(time.Now().UnixMicro())})
	p.answered(ctx, f, nil)
}

// answered says keepalive in the octets that wire makes of it, and sets the verdict
// by the answer.
func (p *probe) answered(ctx context.Context, f *findings.Finding, wire func(id uint32) []byte) bool {
	if _, why := p.ping(ctx, wire); why != "" {
		f.Set(findings.VerdictWrong, "%s", why)
		return false
	}
	f.Set(findings.VerdictOK, "answered")
	return true
}
