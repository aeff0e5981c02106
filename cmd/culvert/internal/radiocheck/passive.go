package radiocheck

import (
	"context"
	"fmt"
	"strings"
	"time"

	"culvert/bridge/radio"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/findings"
)

// These checks look at what the radio said meanwhile.

func (p *probe) checkResults(_ context.Context, f *findings.Finding) {
	o := &p.seen
	var wrong []string
	for _, t := range []*tally{&o.resultStrays, &o.resultTwice, &o.resultOdd} {
		if t.n > 0 {
			wrong = append(wrong, t.String())
		}
	}
	var ended []*sentFrame
	for _, s := range o.sent {
		if s.results > 0 {
			ended = append(ended, s)
		}
	}
	f.Tried = cli.Plural(len(o.sent), "frame")
	switch {
	case len(wrong) > 0:
		f.Set(findings.VerdictWrong, "%s", strings.Join(wrong, "; "))
	case len(o.sent) == 0:
		f.Set(findings.VerdictNotSeen, "nothing was sent")
	case len(ended) == 0:
		f.Set(findings.VerdictNotSeen, "no result")
	default:
		f.Set(findings.VerdictOK, "%s", outcomes(ended))
	}
}

func (p *probe) checkFrames(_ context.Context, f *findings.Finding) {
	o := &p.seen
	n := o.kinds[radio.RecordFrame]
	switch {
	case o.badFrames.n > 0:
		f.Set(findings.VerdictWrong, "of %s: %s", cli.Plural(n, "frame"), o.badFrames.String())
	case n == 0:
		f.Set(findings.VerdictNotSeen, "no frame came from the mesh")
	default:
		f.Set(findings.VerdictOK, "%s", cli.Plural(n, "frame"))
		if o.replies > 0 {
			f.Found += fmt.Sprintf(", of which %d answer the echo requests", o.replies)
		}
	}
}

// clockAtLeast is how long a clock must have run before its pace is judged; it is
// wrong if it is off by more than clockFactor and clockSlack, as one is that counts
// in another unit.
const (
	clockAtLeast = 300 * time.Millisecond
	clockFactor  = 10
	clockSlack   = 2 * time.Second
)

func (p *probe) checkClock(_ context.Context, f *findings.Finding) {
	c := &p.seen.clock
	switch {
	case c.values == 0:
		f.Set(findings.VerdictNotOffered, "the radio gives no times")
	case c.back.n > 0:
		f.Set(findings.VerdictWrong, "%s", c.back.String())
	case c.wall < clockAtLeast:
		f.Set(findings.VerdictOK, "%s in order; too few to judge the pace", cli.Plural(c.values, "time"))
	case c.own < c.wall/clockFactor || c.own > c.wall*clockFactor+clockSlack:
		f.Set(findings.VerdictWrong, "it counted %d in %s: microseconds?", c.own.Microseconds(), millis(c.wall))
	default:
		f.Set(findings.VerdictOK, "%s in order; %s counted in %s", cli.Plural(c.values, "time"), millis(c.own), millis(c.wall))
	}
}

// reportKinds are the records of the mesh, in the order in which they are told.
var reportKinds = []struct {
	kind    radio.RecordKind
	word    string
	feature radio.Features // that promises it
}{
	{radio.RecordAttached, "attached", 0},
	{radio.RecordDetached, "detached", 0},
	{radio.RecordParents, "parents", radio.FeatureParents},
	{radio.RecordLink, "link", radio.FeatureLinkStats},
	{radio.RecordBattery, "battery", 0},
	{radio.RecordDiscard, "discard", 0},
}

func (p *probe) checkReports(_ context.Context, f *findings.Finding) {
	o := &p.seen
	if o.badReports.n > 0 {
		f.Set(findings.VerdictWrong, "%s", o.badReports.String())
		return
	}
	var came, promised []string
	for _, k := range reportKinds {
		if n := o.kinds[k.kind]; n > 0 {
			came = append(came, fmt.Sprintf("%d %s", n, k.word))
		} else if p.up.Info.Feature&k.feature != 0 {
			promised = append(promised, k.word)
		}
	}
	note := ""
	if len(promised) > 0 {
		note = "; announced, and not seen in this time: " + strings.Join(promised, ", ")
	}
	if len(came) == 0 {
		f.Set(findings.VerdictNotSeen, "none came%s", note)
		return
	}
	f.Set(findings.VerdictOK, "%s%s", strings.Join(came, ", "), note)
}

// textsFree is how many texts are no matter, beside one a second.
const textsFree = 10

func (p *probe) checkText(_ context.Context, f *findings.Finding) {
	o := &p.seen
	took := time.Since(p.began)
	switch {
	case o.texts > textsFree+int(took/time.Second):
		f.Set(findings.VerdictWrong, "%d texts in %v; the first: %s", o.texts, took.Round(time.Millisecond), o.firstText)
	case o.texts == 0:
		f.Set(findings.VerdictNotSeen, "none came")
	default:
		f.Set(findings.VerdictOK, "%s; the first: %s", cli.Plural(o.texts, "text"), o.firstText)
	}
}

func (p *probe) checkRecords(_ context.Context, f *findings.Finding) {
	o := &p.seen
	f.Tried = cli.Plural(o.records, "record")
	var wrong []string
	if o.malformed.n > 0 {
		wrong = append(wrong, o.malformed.String())
	}
	if o.ours.n > 0 {
		wrong = append(wrong, o.ours.String()+": does the line send back what it is given?")
	}
	switch {
	case len(wrong) > 0:
		f.Set(findings.VerdictWrong, "%s", strings.Join(wrong, "; "))
	case o.unknown > 0:
		f.Set(findings.VerdictOK, "well-formed; %d of kinds that this version passes over", o.unknown)
	default:
		f.Set(findings.VerdictOK, "well-formed")
	}
}

func (p *probe) checkFraming(_ context.Context, f *findings.Finding) {
	s := p.seen.line
	if p.line != nil {
		now, _ := p.line.seen()
		o := observations{line: s}
		o.addLine(now)
		s = o.line
	}
	var wrong []string
	for _, k := range []struct {
		n    uint64
		what string
	}{
		{s.BadFCS, "with a wrong check sequence"}, {s.Short, "too short"},
		{s.Aborted, "that end in 7d 7e"}, {s.TooLong, fmt.Sprintf("of more than %d octets", radio.MaxRecord)},
	} {
		if k.n > 0 {
			wrong = append(wrong, fmt.Sprintf("%d %s", k.n, k.what))
		}
	}
	if len(wrong) > 0 {
		f.Set(findings.VerdictWrong, "beside %s of the line %s; %d octets in all", cli.Plural(int(s.Frames), "good frame"), strings.Join(wrong, ", "), s.Garbage)
		return
	}
	f.Set(findings.VerdictOK, "%s, and nothing else", cli.Plural(int(s.Frames), "frame"))
}
