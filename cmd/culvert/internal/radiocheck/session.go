package radiocheck

import (
	"context"
	"errors"
	"fmt"
	"os/exec"
	"syscall"
	"time"

	"culvert/bridge/radio"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/findings"
)

// again says hello once more on the open line, and hears the list.
func (p *probe) again(ctx context.Context, f *findings.Finding, session uint32) bool {
	g := p.hello(ctx, radio.Version, session)
	switch {
	case g.up != nil:
	case g.other != nil:
		f.Set(findings.VerdictWrong, "up with the session %d, where hello had %d", g.other.Session, session)
		return false
	default:
		f.Set(findings.VerdictWrong, "no up: %s", p.silence(ctx, p.waits.Answer))
		p.broken = true
		return false
	}
	if session != p.up.Session {
		p.abandon()
	}
	p.take(g.up)
	if why := p.list(ctx); why != "" {
		f.Set(findings.VerdictWrong, "%s came, and %s", cli.Plural(p.listed, "node"), why)
		return false
	}
	f.Set(findings.VerdictOK, "up and %s", cli.Plural(p.listed, "node"))
	return true
}

// few sends as many echo requests as there are credits for, two at most; none where
// nothing can be sent.
func (p *probe) few(f *findings.Finding) []*sentFrame {
	if needTarget(p) != "" {
		return nil
	}
	var frames []*sentFrame
	for range min(p.credits-p.unresolved(), 2) {
		if s := p.ask(f, p.target, p.reachable()); s != nil {
			frames = append(frames, s)
		}
	}
	return frames
}

// checkHelloAgain says the same hello again, as the daemon does when the answer is
// slow.
func (p *probe) checkHelloAgain(ctx context.Context, f *findings.Finding) {
	frames := p.few(f)
	f.Tried = "the same hello again"
	if len(frames) > 0 {
		f.Tried = fmt.Sprintf("%s, and the same hello again", cli.Plural(len(frames), "echo request"))
	}
	if !p.again(ctx, f, p.up.Session) || len(frames) == 0 {
		return
	}
	if why := p.results(ctx, frames...); why != "" {
		f.Set(findings.VerdictWrong, "%s", why)
		return
	}
	f.Found += ", and " + outcomes(frames)
}

// checkNewSession begins anew while frames are unresolved.
func (p *probe) checkNewSession(ctx context.Context, f *findings.Finding) {
	frames := p.few(f)
	f.Tried = "hello with a new number"
	if len(frames) > 0 {
		f.Tried = fmt.Sprintf("%s, and hello with a new number", cli.Plural(len(frames), "echo request"))
	}
	stale := p.seen.resultStale.n
	credits := p.greeted.up.Credits
	if !p.again(ctx, f, p.newSession()) {
		return
	}
	p.until(ctx, p.waits.Listen, nil)
	switch {
	case p.seen.resultStale.n > stale:
		f.Set(findings.VerdictWrong, "after up came %s", p.seen.resultStale.last)
	case p.up.Credits != credits:
		f.Set(findings.VerdictOK, "%s; credits are %d now, and were %d", f.Found, p.up.Credits, credits)
	}
}

// laterVersion is one that no radio speaks.
const laterVersion = 200

// checkOtherVersion says hello as a later daemon would.
func (p *probe) checkOtherVersion(ctx context.Context, f *findings.Finding) {
	f.Tried = fmt.Sprintf("hello of version %d", laterVersion)
	g := p.hello(ctx, laterVersion, p.newSession())
	p.abandon()
	switch {
	case g.up == nil && g.other == nil:
		f.Set(findings.VerdictWrong, "no up: %s", p.silence(ctx, p.waits.Answer))
		p.broken = true
		return
	case g.up != nil && g.up.Info.Version != radio.Version:
		f.Set(findings.VerdictWrong, "up of version %d, where the first was of version %d", g.up.Info.Version, radio.Version)
	default:
		f.Set(findings.VerdictOK, "up of version %d", radio.Version)
	}
	var ignored findings.Finding
	if !p.again(ctx, &ignored, p.newSession()) {
		p.broken = true
	}
}

// reopenAfter is how long the daemon waits before it opens a line again.
const reopenAfter = 250 * time.Millisecond

// checkReopen listens for a while, closes the line and opens it again.
func (p *probe) checkReopen(ctx context.Context, f *findings.Finding) {
	f.Tried = "closed, opened again, hello"
	p.until(ctx, p.waits.Listen, nil)
	if p.deaf == "" && !p.gone {
		p.ping(ctx, nil) // reads the clock
		p.broken = false
	}
	if p.gone {
		f.Set(findings.VerdictWrong, "before it was closed: %s", p.silence(ctx, 0))
		return
	}
	p.endErr = p.close()
	select {
	case <-time.After(reopenAfter):
	case <-ctx.Done():
	}
	if err := p.open(ctx); err != nil {
		f.Set(findings.VerdictWrong, "%v", err)
		p.dead = "the radio cannot be opened again"
		return
	}
	g := p.hello(ctx, radio.Version, p.newSession())
	if g.up == nil && g.other == nil {
		f.Set(findings.VerdictWrong, "no up: %s", p.silence(ctx, p.waits.Answer))
		p.dead = "the radio does not answer any more"
		return
	}
	if g.up == nil {
		g.up = g.other
	}
	p.take(g.up)
	if why := p.list(ctx); why != "" && p.sessions == "" {
		f.Set(findings.VerdictWrong, "%s came, and %s", cli.Plural(p.listed, "node"), why)
		return
	}
	f.Set(findings.VerdictOK, "up and %s", cli.Plural(p.listed, "node"))
}

// checkProgramEnd looks at how a program ended when its standard input did.
func (p *probe) checkProgramEnd(_ context.Context, f *findings.Finding) {
	var exit *exec.ExitError
	switch {
	case !p.program:
		f.Set(findings.VerdictNotOffered, "the radio side is no program that was started here")
	case p.endErr == nil:
		f.Set(findings.VerdictNotTried, "its standard input was not closed")
	case errors.As(p.endErr, &exit) && killed(exit):
		f.Set(findings.VerdictWrong, "it went on, and was killed")
	default:
		f.Set(findings.VerdictOK, "%v", p.endErr)
	}
}

// killed reports whether a program was ended by SIGKILL.
func killed(e *exec.ExitError) bool {
	s, ok := e.Sys().(syscall.WaitStatus)
	return ok && s.Signaled() && s.Signal() == syscall.SIGKILL
}
