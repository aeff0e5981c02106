package client

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/plgd-dev/go-coap/v3/message/pool"
)

// ErrNotObserved says that a resource was read, but that the daemon will not notify of
// its changes: it has no room for another observer.
var ErrNotObserved = errors.New("the daemon does not tell of changes of this resource now")

var (
	// errOverdue says that no notification came in time: the daemon may have forgotten
	// its observer (RFC 7641, section 3.3.1).
	errOverdue = errors.New("a notification is overdue")
	errLost    = errors.New("the connection was lost")
)

const (
	overdueAfter  = 10 * time.Second // after the Max-Age of the latest state
	firstResponse = 30 * time.Second
)

// state is one state of an observed resource.
type state struct {
	Answer
	err      error
	observed bool   // notifications will follow
	echo     []byte // value of the Echo option, nil for none
	maxAge   time.Duration
}

// latest holds the newest state only: a slow reader skips the others (RFC 7641, section
// 4.5). One goroutine calls put.
type latest chan state

func (l latest) put(s state) {
	select {
	case <-l:
	default:
	}
	l <- s
}

// follow calls take with each state until it returns an error.
func (l latest) follow(ctx context.Context, path string, lost <-chan struct{}, take func(Answer) error) error {
	due := time.NewTimer(firstResponse)
	defer due.Stop()
	for {
		var s state
		select {
		case s = <-l:
		case <-ctx.Done():
			return fmt.Errorf("coap: %s: %w", path, context.Cause(ctx))
		case <-due.C:
			return errOverdue
		case <-lost:
			select {
			case s = <-l: // it came as the connection ended
			default:
				return errLost
			}
		}
		if s.err != nil {
			return s.err
		}
		if err := take(s.Answer); err != nil {
			return err
		}
		if !s.observed {
			return ErrNotObserved
		}
		due.Reset(s.maxAge + overdueAfter)
	}
}

// renewing registers again whenever a notification is overdue. A registration without
// any answer means that the daemon is gone.
func renewing(path string, take func(Answer) error, register func(take func(Answer) error) error) error {
	for {
		answered := false
		err := register(func(a Answer) error {
			answered = true
			return take(a)
		})
		switch {
		case !errors.Is(err, errOverdue):
			return err
		case !answered:
			return fmt.Errorf("%w: %s: no answer", ErrUnreachable, path)
		}
	}
}

// Observe asks for a resource (RFC 7641), and calls take with its state now and with
// each that follows. It returns what take returned, or when ctx ends, the daemon is lost
// (ErrUnreachable), or the daemon answers with class 4 or 5 (*StatusError); and
// ErrNotObserved, after a first answer, where no notifications will follow.
func (c *Client) Observe(ctx context.Context, a Ask, take func(Answer) error) error {
	return renewing(a.Path, take, func(take func(Answer) error) error {
		l := make(latest, 1)
		first, cancel := context.WithTimeout(ctx, firstResponse)
		defer cancel()
		m, err := c.request(first, a)
		if err != nil {
			return err
		}
		defer c.conn.ReleaseMessage(m)
		m.SetObserve(0)
		obs, err := c.conn.DoObserve(m, func(n *pool.Message) { l.put(a.state(n)) })
		if err != nil {
			if ctx.Err() != nil {
				return fmt.Errorf("coap: %s: %w", a.Path, context.Cause(ctx))
			}
			if first.Err() != nil {
				return fmt.Errorf("%w: %s: no answer", ErrUnreachable, a.Path)
			}
			// The library says only that it is no observation: ask for the response.
			ans, err := c.Do(ctx, a)
			if err != nil {
				return err
			}
			return cmp.Or(take(ans), ErrNotObserved)
		}
		err = l.follow(ctx, a.Path, c.conn.Done(), take)
		if errors.Is(err, errLost) {
			return fmt.Errorf("%w: %s: %w", ErrUnreachable, a.Path, err)
		}
		if !obs.Canceled() {
			ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), handshakeTimeout)
			defer cancel()
			_ = obs.Cancel(ctx) // where it fails the daemon drops the observer at its next notification
		}
		return err
	})
}
