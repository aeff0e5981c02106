package main

import (
	"context"
	"errors"
	"fmt"
	"os/exec"
	"syscall"
	"time"

	"culvert/bridge/radio"
)

// again says hello once more on the open line, and hears the list.
func (p *probe) again(ctx context.Context, f *finding, session uint32) bool {
	g := p.hello(ctx, radio.Version, session)
	switch {
	case g.up != nil:
	case g.other != nil:
		f.set(verdictWrong, "up with the session %d, where hello had %d", g.other.Session, session)
		return false
	default:
		f.set(verdictWrong, "no up: %s", p.silence(ctx, p.waits.answer))
		p.broken = true
		return false
	}
	if session != p.up.Session {
		p.abandon()
	}
	p.take(g.up)
	if why := p.list(ctx); why != "" {
		f.set(verdictWrong, "%s came, and %s", plural(p.listed, "node"), why)
		return false
	}
	f.set(verdictOK, "up and %s", plural(p.listed, "node"))
	return true
}

// few sends as many echo requests as there are credits for, two at most; none where
// nothing can be sent.
func (p *probe) few(f *finding) []*sentFrame {
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
func (p *probe) checkHelloAgain(ctx context.Context, f *finding) {
	frames := p.few(f)
	f.Tried = "the same hello again"
	if len(frames) > 0 {
		f.Tried = fmt.Sprintf("%s, and the same hello again", plural(len(frames), "echo request"))
	}
	if !p.again(ctx, f, p.up.Session) || len(frames) == 0 {
		return
	}
	if why := p.results(ctx, frames...); why != "" {
		f.set(verdictWrong, "%s", why)
		return
	}
	f.Found += ", and " + outcomes(frames)
}

// checkNewSession begins anew while frames are unresolved.
func (p *probe) checkNewSession(ctx context.Context, f *finding) {
	frames := p.few(f)
	f.Tried = "hello with a new number"
	if len(frames) > 0 {
		f.Tried = fmt.Sprintf("%s, and hello with a new number", plural(len(frames), "echo request"))
	}
	stale := p.seen.resultStale.n
	credits := p.greeted.up.Credits
	if !p.again(ctx, f, p.newSession()) {
		return
	}
	p.until(ctx, p.waits.listen, nil)
	switch {
	case p.seen.resultStale.n > stale:
		f.set(verdictWrong, "after up came %s", p.seen.resultStale.last)
	case p.up.Credits != credits:
		f.set(verdictOK, "%s; credits are %d now, and were %d", f.Found, p.up.Credits, credits)
	}
}

// laterVersion is one that no radio speaks.
const laterVersion = 200

// checkOtherVersion says hello as a later daemon would.
func (p *probe) checkOtherVersion(ctx context.Context, f *finding) {
	f.Tried = fmt.Sprintf("hello of version %d", laterVersion)
	g := p.hello(ctx, laterVersion, p.newSession())
	p.abandon()
	switch {
	case g.up == nil && g.other == nil:
		f.set(verdictWrong, "no up: %s", p.silence(ctx, p.waits.answer))
		p.broken = true
		return
	case g.up != nil && g.up.Info.Version != radio.Version:
		f.set(verdictWrong, "up of version %d, where the first was of version %d", g.up.Info.Version, radio.Version)
	default:
		f.set(verdictOK, "up of version %d", radio.Version)
	}
	var ignored finding
	if !p.again(ctx, &ignored, p.newSession()) {
		p.broken = true
	}
}

// reopenAfter is how long the daemon waits before it opens a line again.
const reopenAfter = 250 * time.Millisecond

// checkReopen listens for a while, closes the line and opens it again.
func (p *probe) checkReopen(ctx context.Context, f *finding) {
	f.Tried = "closed, opened again, hello"
	p.until(ctx, p.waits.listen, nil)
	if p.deaf == "" && !p.gone {
		p.ping(ctx, nil) // reads the clock
		p.broken = false
	}
	if p.gone {
		f.set(verdictWrong, "before it was closed: %s", p.silence(ctx, 0))
		return
	}
	p.endErr = p.close()
	select {
	case <-time.After(reopenAfter):
	case <-ctx.Done():
	}
	if err := p.open(ctx); err != nil {
		f.set(verdictWrong, "%v", err)
		p.dead = "the radio cannot be opened again"
		return
	}
	g := p.hello(ctx, radio.Version, p.newSession())
	if g.up == nil && g.other == nil {
		f.set(verdictWrong, "no up: %s", p.silence(ctx, p.waits.answer))
		p.dead = "the radio does not answer any more"
		return
	}
	if g.up == nil {
		g.up = g.other
	}
	p.take(g.up)
	if why := p.list(ctx); why != "" && p.sessions == "" {
		f.set(verdictWrong, "%s came, and %s", plural(p.listed, "node"), why)
		return
	}
	f.set(verdictOK, "up and %s", plural(p.listed, "node"))
}

// checkProgramEnd looks at how a program ended when its standard input did.
func (p *probe) checkProgramEnd(_ context.Context, f *finding) {
	var exit *exec.ExitError
	switch {
	case !p.program:
		f.set(verdictNotOffered, "the radio side is no program that was started here")
	case p.endErr == nil:
		f.set(verdictNotTried, "its standard input was not closed")
	case errors.As(p.endErr, &exit) && killed(exit):
		f.set(verdictWrong, "it went on, and was killed")
	default:
		f.set(verdictOK, "%v", p.endErr)
	}
}

// killed reports whether a program was ended by SIGKILL.
func killed(e *exec.ExitError) bool {
	s, ok := e.Sys().(syscall.WaitStatus)
	return ok && s.Signaled() && s.Signal() == syscall.SIGKILL
}
