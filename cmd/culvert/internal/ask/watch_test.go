package ask

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"culvert/coap/client"
)

// lostAsker gives one reading to each observer, and is lost then.
type lostAsker struct{ n int }

func (a lostAsker) Observe(_ context.Context, _ client.Ask, take func(client.Answer) error) error {
	if err := take(client.Answer{Body: fmt.Appendf(nil, `[{"n":"temp","v":%d,"t":%d}]`, a.n, 1795600800+a.n)}); err != nil {
		return err
	}
	return fmt.Errorf("%w: it has ended", client.ErrUnreachable)
}

func (lostAsker) Close() error { return nil }

// A daemon that is lost is dialled again, also while it is not there at once; one that
// was never reached is not.
func TestWatchAgain(t *testing.T) {
	var out strings.Builder
	w := watcher{every: time.Millisecond, out: &out, json: true, left: 3, seen: map[string]time.Time{}}
	dials, told := 0, []string{}
	err := w.keep(t.Context(), []string{"mast"}, func() (observer, error) {
		if dials++; dials%2 == 0 {
			return nil, fmt.Errorf("%w: not there yet", client.ErrUnreachable)
		}
		return lostAsker{n: dials}, nil
	}, func(s string) { told = append(told, s) })
	if err != nil || dials != 5 || strings.Count(out.String(), "\n") != 3 {
		t.Errorf("%v, dialled %d times, printed\n%s", err, dials, out.String())
	}
	if len(told) != 4 || !strings.Contains(told[0], "trying again") || told[1] != "the daemon is back" {
		t.Errorf("told %q", told)
	}
	err = w.keep(t.Context(), []string{"mast"}, func() (observer, error) { return nil, client.ErrUnreachable }, func(string) {})
	if !errors.Is(err, client.ErrUnreachable) {
		t.Errorf("never reached: %v", err)
	}
}
