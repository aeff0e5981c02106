package coap

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/pool"
)

// The client side of observation (RFC 7641), for the commands.

// ErrNotObserved says that a resource was read, and that the daemon will not tell when
// it changes: it has no room for another observer.
var ErrNotObserved = errors.New("the daemon does not tell of changes of this resource now")

// errSilent says that a notification is overdue: the daemon may have forgotten who
// observes (RFC 7641, section 3.3.1).
var errSilent = errors.New("a notification is overdue")

// errLost says that the connection ended.
var errLost = errors.New("the connection was lost")

const (
	overdueAfter = 10 * time.Second // past the Max-Age of what was told last
	firstAnswer  = 30 * time.Second
)

// told is one answer to who observes.
type told struct {
	Answer
	err      error
	observed bool          // more will follow
	life     time.Duration // its Max-Age
}

// latest hands over the newest answer alone: who reads slowly skips the others (RFC
// 7641, section 4.5). One goroutine calls put.
type latest chan told

func (l latest) put(t told) {
	select {
	case <-l:
	default:
	}
	l <- t
}

// follow calls take with what comes, until it says otherwise.
func (l latest) follow(ctx context.Context, path string, lost <-chan struct{}, take func(Answer) error) error {
	due := time.NewTimer(firstAnswer)
	defer due.Stop()
	for {
		var t told
		select {
		case t = <-l:
		case <-ctx.Done():
			return fmt.Errorf("coap: %s: %w", path, context.Cause(ctx))
		case <-due.C:
			return errSilent
		case <-lost:
			select {
			case t = <-l: // it came as the connection ended
			default:
				return errLost
			}
		}
		if t.err != nil {
			return t.err
		}
		if err := take(t.Answer); err != nil {
			return err
		}
		if !t.observed {
			return ErrNotObserved
		}
		due.Reset(t.life + overdueAfter)
	}
}

// again registers once more whenever a notification is overdue; a second silence is
// that of a daemon which is gone.
func again(path string, observe func(answered *bool) error) error {
	for {
		answered := false
		err := observe(&answered)
		switch {
		case !errors.Is(err, errSilent):
			return err
		case !answered:
			return fmt.Errorf("%w: %s: no answer", ErrUnreachable, path)
		}
	}
}

// noting has answered say that something was taken.
func noting(answered *bool, take func(Answer) error) func(Answer) error {
	return func(a Answer) error {
		*answered = true
		return take(a)
	}
}

func lifeOf(o message.Options) time.Duration {
	if v := uintOption(o, message.MaxAge); v >= 0 {
		return time.Duration(v) * time.Second
	}
	return defaultMaxAge * time.Second
}

// Observe asks for a resource, and calls take with its state now and with each that
// follows. It returns what take returned, when ctx ends, when the daemon is lost
// (ErrUnreachable), when it answers with class 4 or 5 (*StatusError), and with
// ErrNotObserved, after a first answer, where it will not tell of changes.
func (c *Client) Observe(ctx context.Context, a Ask, take func(Answer) error) error {
	return again(a.Path, func(answered *bool) error {
		l := make(latest, 1)
		var token [tokenSize]byte
		c.mu.Lock()
		c.next++
		binary.BigEndian.PutUint64(token[:], c.next)
		if c.following == nil {
			c.following = map[[tokenSize]byte]func(message.Message){}
		}
		c.following[token] = func(m message.Message) {
			ans, err := a.answer(&m)
			l.put(told{ans, err, uintOption(m.Options, message.Observe) >= 0, lifeOf(m.Options)})
		}
		c.mu.Unlock()
		m := a.message(token[:])
		m.Options = with(m.Options, message.Observe, nil)
		err := errLost
		if c.write(m) == nil {
			err = l.follow(ctx, a.Path, c.done, noting(answered, take))
		}
		c.mu.Lock()
		delete(c.following, token)
		c.mu.Unlock()
		if s := (*StatusError)(nil); !errors.As(err, &s) && !errors.Is(err, ErrNotObserved) && !errors.Is(err, errLost) {
			m = a.message(token[:])
			m.Options = with(m.Options, message.Observe, uintBytes(1))
			_ = c.write(m) // where it fails there is nobody left to tell
		}
		if errors.Is(err, errLost) {
			return c.lost(a.Path, nil)
		}
		return err
	})
}

// Observe is Client.Observe over DTLS.
func (r *remote) Observe(ctx context.Context, a Ask, take func(Answer) error) error {
	return again(a.Path, func(answered *bool) error {
		l := make(latest, 1)
		token, err := message.GetToken()
		if err != nil {
			return err
		}
		in := a.message(token)
		first, cancel := context.WithTimeout(ctx, firstAnswer)
		defer cancel()
		m := r.conn.AcquireMessage(first)
		defer r.conn.ReleaseMessage(m)
		m.SetCode(in.Code)
		m.SetToken(token)
		m.ResetOptionsTo(with(in.Options, message.Observe, nil))
		if a.Body != nil {
			m.SetBody(bytes.NewReader(a.Body))
		}
		obs, err := r.conn.DoObserve(m, func(n *pool.Message) { l.put(a.told(n)) })
		if err != nil {
			if ctx.Err() != nil {
				return fmt.Errorf("coap: %s: %w", a.Path, context.Cause(ctx))
			}
			if first.Err() != nil {
				return fmt.Errorf("%w: %s: no answer", ErrUnreachable, a.Path)
			}
			// The library tells only that it is no observation: what is it then?
			ans, err := r.Do(ctx, a)
			if err != nil {
				return err
			}
			return cmp.Or(take(ans), ErrNotObserved)
		}
		err = l.follow(ctx, a.Path, r.conn.Done(), noting(answered, take))
		if !errors.Is(err, errLost) && !obs.Canceled() {
			ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), handshakeTime)
			defer cancel()
			_ = obs.Cancel(ctx) // an observer that is not there drops out by itself
		}
		if errors.Is(err, errLost) {
			return fmt.Errorf("%w: %s: the session ended", ErrUnreachable, a.Path)
		}
		return err
	})
}

// told reads an answer before its owner takes it back.
func (a *Ask) told(m *pool.Message) told {
	t := told{Answer: Answer{Code: m.Code(), Format: -1}, observed: m.HasOption(message.Observe), life: lifeOf(m.Options())}
	if f, err := m.ContentFormat(); err == nil {
		t.Format = int(f)
	}
	if b := m.Body(); b != nil {
		if t.Body, t.err = io.ReadAll(io.LimitReader(b, maxAnswer)); t.err != nil {
			t.err = fmt.Errorf("coap: %s: %w", a.Path, t.err)
		}
	}
	if t.err == nil && t.Code>>5 != 2 {
		t.err = &StatusError{a.Path, t.Code, string(t.Body)}
	}
	return t
}
