package daemon

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"
)

// group is parts of the daemon that are started and stopped together. One goroutine
// calls start and stop.
type group struct {
	fail   func(error) // ends the daemon
	cancel context.CancelFunc
	wait   time.Duration // how long it may take to stop, as errors say
	ended  sync.WaitGroup

	mu      sync.Mutex // guards what follows
	running []string   // names of parts
	errs    []error    // of parts that ended after stop
}

// newGroup returns a group without parts, and the context with which they are to be
// started. A part that ends before stop ends the whole daemon through fail.
func newGroup(fail func(error)) (*group, context.Context) {
	ctx, cancel := context.WithCancel(context.Background())
	return &group{fail: fail, cancel: cancel, wait: StopWait}, ctx
}

// start starts a part, which must end when ctx does.
func (g *group) start(ctx context.Context, p part) {
	g.mu.Lock()
	g.running = append(g.running, p.name)
	g.mu.Unlock()
	g.ended.Go(func() {
		err := p.run(ctx)
		switch {
		case err != nil:
			err = fmt.Errorf("%s: %w", p.name, err)
		case ctx.Err() == nil:
			err = fmt.Errorf("%s has ended without being told to", p.name)
		}
		g.mu.Lock()
		i := slices.Index(g.running, p.name)
		g.running = slices.Delete(g.running, i, i+1)
		if ctx.Err() != nil && err != nil {
			g.errs = append(g.errs, err)
		}
		g.mu.Unlock()
		if ctx.Err() == nil {
			g.fail(err)
		}
	})
}

// stop tells the parts to end and waits for them until the deadline of ctx. It
// returns what they ended with, and which of them hang.
func (g *group) stop(ctx context.Context) error {
	g.cancel()
	done := make(chan struct{})
	go func() { // ends with the parts; if they hang, so does it, and the process ends soon
		g.ended.Wait()
		close(done)
	}()
	select {
	case <-done:
	case <-ctx.Done():
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if len(g.running) > 0 {
		return errors.Join(append(g.errs, fmt.Errorf("not stopped within %v: %s", g.wait, strings.Join(g.running, ", ")))...)
	}
	return errors.Join(g.errs...)
}
