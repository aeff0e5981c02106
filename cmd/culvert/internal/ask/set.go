package ask

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/spf13/cobra"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/control"
	"culvert/coap/api"
	"culvert/coap/client"
)

// outputCaution is said before an output is driven, and in the help.
const outputCaution = `CAUTION: this moves something: a pump, a valve or a motor may start or stop. It is no
safety function. The machine must have a local interlock that holds whatever arrives
over the network, and a safe state for when nothing does. Local codes decide what may
be driven from afar, and wiring it is licensed work. Make sure that nobody is there.`

// setOptions are the flags of `culvert set`.
type setOptions struct {
	server
	yes          bool
	lease        time.Duration
	within       time.Duration
	lock         string
	unlock       bool
	of           string
	leaseChanged bool
}

// NewSetCommand returns `culvert set`.
func NewSetCommand(g *cli.Globals) *cobra.Command {
	var o setOptions
	cmd := &cobra.Command{
		Use:   "set NODE PATH VALUE",
		Short: "Write to a node, or drive its output",
		Long: `Write VALUE to a resource of a node's own, as by CoAP PUT.

What the node itself lists as an actuator, and no [[output]] declares, is asked for
first as well, and so is every write to a node that does not list its resources: see
undeclared_outputs in the configuration.

What the configuration declares as an [[output]] moves something. It is asked for
first, unless --yes says that you mean it. It does not leave this gateway after its
deadline (--within); what a relay, or the parent of a sleeping node, holds by then
cannot be called back. Where the output has a lease, the node switches back by
itself when that ends (--for); and it is read back. Its outcome is one of

  done     the node took it, and reads it back
  refused  the output did not move: the write never left, or the node said no
  unknown  whether it moved is not known: look at it, or read it again

Exit code 0 is done, 1 refused or unknown. All of it stands in the daemon's audit
log. The safe value of the output goes first: it withdraws a pending write of another
value, and is tried until the node reads it back. --lock keeps everybody from writing
another value than that until --unlock. Each user and each identity has a lock-out of
its own, and the output stays locked out until the last one is lifted. --unlock lifts
your own; with --of it lifts that of somebody else, as /outputs names them: speak to
them first, they may stand in the machine.

` + outputCaution,
		Example: `  culvert set grain-bin /period 120
  culvert set pump-house /output 1 --for 20m
  culvert set pump-house /output 0 --yes
  culvert set pump-house /output --lock "the sump is open"
  culvert set pump-house /output --unlock
  culvert set pump-house /output --unlock --of "uid 1000"`,
		Args: cli.WantArgs("NODE", "PATH", "[VALUE]"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.leaseChanged = cmd.Flags().Changed("for")
			return runSet(cmd, g, o, args)
		},
	}
	o.flags(cmd)
	f := cmd.Flags()
	f.BoolVar(&o.yes, "yes", false, "drive the output, declared or not, without asking")
	cli.TimeVar(f, &o.lease, "for", 0, "`TIME` after which the node switches back, like 20m; default: the output's lease")
	cli.TimeVar(f, &o.within, "within", 0, "`TIME` after which the write must not be delivered any more, like 30s; default 10s")
	f.StringVar(&o.lock, "lock", "", "lock the output out, for this `REASON`, instead of writing")
	f.BoolVar(&o.unlock, "unlock", false, "lift your lock-out instead of writing")
	f.StringVar(&o.of, "of", "", "with --unlock: lift the lock-out of this `IDENTITY` instead of yours")
	return cmd
}

func runSet(cmd *cobra.Command, g *cli.Globals, o setOptions, args []string) error {
	if err := nodeArg(args[0]); err != nil {
		return err
	}
	locking := cmd.Flags().Changed("lock") || o.unlock
	switch {
	case o.of != "" && !o.unlock:
		return cli.AsUsage(errors.New("--of goes with --unlock"))
	case locking && (len(args) == 3 || o.unlock && cmd.Flags().Changed("lock")):
		return cli.AsUsage(errors.New("--lock and --unlock go alone, without a VALUE"))
	case !locking && len(args) < 3:
		return cli.AsUsage(errors.New("the VALUE is missing"))
	case o.lease < 0 || o.within < 0 || o.lease%time.Second != 0 || o.within%time.Second != 0:
		return cli.AsUsage(errors.New("--for and --within take whole seconds"))
	}
	c, err := o.dial(cmd.Context(), g.Config)
	if err != nil {
		return err
	}
	defer c.Close()
	at := "/outputs/" + args[0] + "/" + strings.Trim(args[1], "/")
	state, err := findOutput(cmd.Context(), c, at)
	if err != nil {
		return err
	}
	switch {
	case locking && state == nil:
		return cli.Usagef("%s of %s is no output: the daemon's configuration has no such [[output]]", args[1], args[0])
	case locking:
		return lockOutput(cmd, c, o, at)
	case state == nil && (o.leaseChanged || o.within > 0):
		return cli.Usagef("%s of %s is no output: --for and --within have no meaning there", args[1], args[0])
	case state == nil:
		return writePlain(cmd, c, o, g.Json, args)
	}
	if !o.yes {
		if err := confirm(cmd, args, o, state); err != nil {
			return err
		}
	}
	return driveOutput(cmd, c, o, g.Json, args)
}

// findOutput returns what the daemon says of an output; nil if it is none.
func findOutput(ctx context.Context, c *client.Client, at string) (*api.OutputState, error) {
	var st api.OutputState
	err := askJSON(ctx, c, at, &st)
	if s := (*client.StatusError)(nil); errors.As(err, &s) && s.Code == codes.NotFound {
		return nil, nil
	}
	return &st, err
}

// confirm asks whoever sits there.
func confirm(cmd *cobra.Command, args []string, o setOptions, st *api.OutputState) error {
	err := cmd.ErrOrStderr()
	fmt.Fprintf(err, "%s\n\nSet %s of %s to %q", outputCaution, args[1], args[0], args[2])
	switch {
	case o.leaseChanged:
		fmt.Fprintf(err, " for %v", o.lease)
	case st.Lease > 0:
		fmt.Fprintf(err, " (what is switched on holds for %v)", time.Duration(st.Lease)*time.Second)
	}
	return typeYes(cmd)
}

// writePlain writes to a resource that is no output. Where it may move something all the
// same, the daemon holds the write back until it is confirmed.
func writePlain(cmd *cobra.Command, c *client.Client, o setOptions, asJSON bool, args []string) error {
	put := func(confirmed bool) (client.Answer, error) {
		ctx, cancel := context.WithTimeout(cmd.Context(), nodeTimeout)
		defer cancel()
		return c.Do(ctx, client.Ask{Method: codes.PUT, Path: ownPath(args[0], args[1]), Accept: -1, Body: []byte(args[2]), Confirmed: confirmed})
	}
	a, err := put(false)
	if w := heldBack(err); w != nil {
		if !w.Confirm {
			return fmt.Errorf("refused: %s, and no [[output]] declares it; undeclared_outputs is \"refuse\"", w.Reason)
		}
		if !o.yes {
			if err := confirmUndeclared(cmd, args, w); err != nil {
				return err
			}
		}
		a, err = put(true)
	}
	if err != nil {
		return control.Reached(err)
	}
	if asJSON {
		return cli.WriteJSON(cmd.OutOrStdout(), map[string]string{"node": args[0], "path": args[1], "value": args[2], "code": control.CodeText(a.Code)})
	}
	_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s of %s: %s\n", args[1], args[0], control.CodeText(a.Code))
	return err
}

// heldBack returns what the daemon says of a write that it did not let through because no
// [[output]] declares its resource; nil for every other answer.
func heldBack(err error) *api.Written {
	var w api.Written
	s := (*client.StatusError)(nil)
	if !errors.As(err, &s) || s.Code != codes.Forbidden || json.Unmarshal([]byte(s.Text), &w) != nil || w.Outcome != api.OutcomeRefused {
		return nil
	}
	if textOf([]byte(w.Reason+w.Place+w.Resource)) == "" { // no words of the daemon's: a node's, perhaps
		return nil
	}
	return &w
}

// confirmUndeclared asks whoever sits there about a write to an output that no [[output]]
// declares.
func confirmUndeclared(cmd *cobra.Command, args []string, w *api.Written) error {
	err := cmd.ErrOrStderr()
	fmt.Fprintf(err, `%s

%s, and no [[output]] of the configuration declares it. Declared as

  [[output]]
  place    = %q
  resource = %q

it would have a deadline after which the write is not delivered any more, a lease after
which the node switches back, a value read back, a lock-out, and a list of who may.

Set %s of %s to %q`, outputCaution, w.Reason, w.Place, w.Resource, args[1], args[0], args[2])
	return typeYes(cmd)
}

// typeYes reads the answer to a question that was begun on the error output.
func typeYes(cmd *cobra.Command) error {
	fmt.Fprint(cmd.ErrOrStderr(), "? Type yes: ")
	line, _ := bufio.NewReader(io.LimitReader(cmd.InOrStdin(), 256)).ReadString('\n')
	if strings.TrimSpace(line) != "yes" {
		fmt.Fprintln(cmd.ErrOrStderr())
		return cli.Usagef("nothing was sent: not confirmed; say --yes where nobody can answer")
	}
	return nil
}

// driveOutput writes to an output and says what became of it.
func driveOutput(cmd *cobra.Command, c *client.Client, o setOptions, asJSON bool, args []string) error {
	ask := client.Ask{Method: codes.PUT, Path: ownPath(args[0], args[1]), Accept: -1, Body: []byte(args[2])}
	if o.leaseChanged {
		ask.Query = append(ask.Query, fmt.Sprintf("for=%d", int(o.lease.Seconds())))
	}
	if o.within > 0 {
		ask.Query = append(ask.Query, fmt.Sprintf("within=%d", int(o.within.Seconds())))
	}
	// Not cut short by an interrupt: what was sent has an outcome, and it is worth
	// knowing. A second interrupt ends the process.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(cmd.Context()), 2*nodeTimeout)
	defer cancel()
	a, err := c.Do(ctx, ask)
	body := a.Body
	status := (*client.StatusError)(nil)
	if errors.As(err, &status) {
		body = []byte(status.Text)
	} else if err != nil {
		return fmt.Errorf("whether the output moved is not known: %w", control.Reached(err))
	}
	var w api.Written
	if json.Unmarshal(body, &w) != nil || w.Outcome == "" {
		if err == nil {
			err = fmt.Errorf("the daemon's answer %s is none that an output gives: whether it moved is not known", control.CodeText(a.Code))
		}
		return err
	}
	out := cmd.OutOrStdout()
	if asJSON {
		_, err = fmt.Fprintf(out, "%s\n", cli.PrintableJSON(body))
	} else {
		text := fmt.Sprintf("%s: %s of %s to %q", w.Outcome, w.Resource, w.Place, w.Value)
		if w.Lease > 0 {
			text += fmt.Sprintf(", for %v", time.Duration(w.Lease)*time.Second)
		}
		if w.Reads != "" {
			text += fmt.Sprintf("; reads %q", w.Reads)
		}
		if w.Reason != "" {
			reason := w.Reason
			if textOf([]byte(reason)) == "" { // a node's words may be in it
				reason = cli.Printable([]byte(reason))
			}
			text += ": " + reason
		}
		_, err = fmt.Fprintln(out, text)
	}
	if err == nil && w.Outcome != api.OutcomeDone {
		return &cli.ExitError{Code: cli.ExitBad, Err: nil}
	}
	return err
}

// lockOutput makes or lifts a lock-out.
func lockOutput(cmd *cobra.Command, c *client.Client, o setOptions, at string) error {
	ctx, cancel := context.WithTimeout(cmd.Context(), control.ControlTimeout)
	defer cancel()
	ask := client.Ask{Method: codes.PUT, Path: at + "/lock", Accept: -1, Body: []byte(o.lock)}
	said := "locked out"
	if o.unlock {
		ask.Method, ask.Body, said = codes.DELETE, nil, "the lock-out is lifted"
		if o.of != "" {
			ask.Query, said = []string{"of=" + o.of}, "the lock-out of "+o.of+" is lifted"
		}
	}
	a, err := c.Do(ctx, ask)
	if err != nil {
		return control.Reached(err)
	}
	if left := (api.LockOut{}); o.unlock && json.Unmarshal(a.Body, &left) == nil && left.By != "" {
		for _, l := range append([]api.LockOut{left}, left.Others...) {
			said += fmt.Sprintf("; still locked out by %s since %s: %s", cli.Printable([]byte(l.By)), l.Since.Local().Format("2006-01-02 15:04:05"), cli.Printable([]byte(l.Reason)))
		}
	}
	_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s: %s\n", strings.TrimPrefix(at, "/outputs/"), said)
	return err
}
