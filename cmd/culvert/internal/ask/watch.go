package ask

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os/signal"
	"sync"
	"syscall"
	"time"

	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/spf13/cobra"

	"culvert/bridge/senml"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/control"
	"culvert/coap/client"
)

// NewWatchCommand returns `culvert watch`.
func NewWatchCommand(g *cli.Globals) *cobra.Command {
	var s server
	var every time.Duration
	var count int
	cmd := &cobra.Command{
		Use:   "watch NODE...",
		Short: "Print readings as they come",
		Long: `Print each reading of the nodes as it comes, a line each, until you stop it
(Ctrl-C). What the nodes sent to the daemon anyway is observed there, so this costs
the mesh nothing. With --json each line is one reading. Where the daemon is lost, for
example because it starts anew, it is asked again until it is back.`,
		Example: `  culvert watch grain-bin cold-store
  culvert watch grain-bin --json --count 3 | jq .value`,
		Args: cli.WantArgs("NODE..."),
		RunE: func(cmd *cobra.Command, args []string) error {
			for _, n := range args {
				if err := nodeArg(n); err != nil {
					return err
				}
			}
			if every < 500*time.Millisecond || every > time.Hour || count < 0 {
				return cli.AsUsage(errors.New("--every takes 500ms to 1h, --count a number from 0 (no end)"))
			}
			ctx, stop := signal.NotifyContext(cmd.Context(), syscall.SIGINT, syscall.SIGTERM)
			defer stop()
			w := watcher{every: every, out: cmd.OutOrStdout(), json: g.Json, left: count, seen: map[string]time.Time{}}
			err := w.keep(ctx, args, func() (observer, error) { return dialObserver(ctx, &s, g.Config) },
				func(text string) { fmt.Fprintf(cmd.ErrOrStderr(), "%s: %s\n", cmd.CommandPath(), text) })
			if ctx.Err() != nil && cmd.Context().Err() == nil {
				return nil // somebody asked for the end
			}
			return err
		},
	}
	s.flags(cmd)
	cli.TimeVar(cmd.Flags(), &every, "every", 2*time.Second, "ask again after `TIME` where the daemon is lost, or has no room for an observer")
	cmd.Flags().IntVar(&count, "count", 0, "end after so many readings; 0: do not")
	return cmd
}

// observer is the part of a client that a watch needs.
type observer interface {
	Observe(context.Context, client.Ask, func(client.Answer) error) error
	Close() error
}

// dialObserver connects to the daemon.
func dialObserver(ctx context.Context, s *server, config string) (observer, error) {
	c, err := s.dial(ctx, config)
	if err != nil {
		return nil, err // not a nil *client.Client in an interface
	}
	return c, nil
}

// watcher prints what it has not printed yet.
type watcher struct {
	ask   observer
	every time.Duration
	out   io.Writer
	json  bool

	mu   sync.Mutex // guards what follows, and out
	left int        // readings until the end; 0: there is none
	seen map[string]time.Time
}

// errEnough ends a watch after as many readings as were asked for.
var errEnough = errors.New("enough readings")

// keep watches until ctx ends, or enough was printed. A daemon that was reached once, and
// is lost, is dialled again until it is back; tell gets a line when it is lost, and when it
// is back.
func (w *watcher) keep(ctx context.Context, nodes []string, dial func() (observer, error), tell func(string)) error {
	for again := false; ; again = true {
		c, err := dial()
		for again && errors.Is(err, client.ErrUnreachable) && ctx.Err() == nil {
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-time.After(w.every):
			}
			c, err = dial()
		}
		if err != nil {
			return err
		}
		if again {
			tell("the daemon is back")
		}
		w.ask = c
		err = w.run(ctx, nodes)
		c.Close()
		if !errors.Is(err, client.ErrUnreachable) || ctx.Err() != nil {
			return err
		}
		tell(fmt.Sprintf("%v; trying again until it is back", err))
	}
}

// run observes the nodes until ctx ends, the daemon is lost, or enough was printed.
func (w *watcher) run(ctx context.Context, nodes []string) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var wg sync.WaitGroup
	for _, n := range nodes {
		wg.Go(func() {
			if err := w.node(ctx, n); err != nil {
				cancel(err)
			}
		})
	}
	wg.Wait()
	if err := context.Cause(ctx); !errors.Is(err, errEnough) {
		return err
	}
	return nil
}

// node prints the readings of one node. Where the daemon is busy it is asked again a
// while later, and where it has no room for another observer it is asked each time.
func (w *watcher) node(ctx context.Context, n string) error {
	for {
		err := w.ask.Observe(ctx, readingsOf(n), func(a client.Answer) error { return w.take(n, a) })
		var s *client.StatusError
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case errors.Is(err, client.ErrNotObserved), errors.As(err, &s) && s.Code == codes.ServiceUnavailable:
		default:
			return control.Reached(err)
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(w.every):
		}
	}
}

// take prints what is new in an answer.
func (w *watcher) take(node string, a client.Answer) error {
	readings, err := parseReadings(a)
	if err != nil {
		return err
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, r := range readings {
		if done, err := w.show(node, r); err != nil {
			return err
		} else if done {
			return errEnough
		}
	}
	return nil
}

// show prints a reading that is new, and reports whether it was the last one.
func (w *watcher) show(node string, r senml.Reading) (done bool, err error) {
	key := node + "/" + r.Name
	if last, ok := w.seen[key]; ok && !r.Time.After(last) {
		return false, nil
	}
	w.seen[key] = r.Time
	if w.json {
		line := struct {
			Node  string    `json:"node"`
			Name  string    `json:"name"`
			Value any       `json:"value"`
			Unit  string    `json:"unit,omitempty"`
			Time  time.Time `json:"time"`
		}{node, lastPart(r.Name), valueOf(r), r.Unit, r.Time.UTC()}
		switch r.Kind {
		case senml.Value:
			line.Value = r.Value
		case senml.BoolValue:
			line.Value = r.Bool
		case senml.StringValue:
			line.Value = r.String
		}
		err = cli.WriteJSON(w.out, line)
	} else {
		_, err = fmt.Fprintf(w.out, "%s  %-16s %-8s %s %s\n", r.Time.Local().Format("15:04:05"), node, lastPart(r.Name), valueOf(r), r.Unit)
	}
	if w.left > 0 {
		w.left--
		done = w.left == 0
	}
	return done, err
}
