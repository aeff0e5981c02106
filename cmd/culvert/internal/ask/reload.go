package ask

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/control"
	"culvert/coap/client"
)

// NewReloadCommand returns `culvert reload`.
func NewReloadCommand(g *cli.Globals) *cobra.Command {
	return &cobra.Command{
		Use:   "reload",
		Short: "Let the daemon read its rules, places, identities and outputs again",
		Long: `Let the running daemon read its configuration again and put the rules in force,
the limits of the air and the life of flows with them, all at once and without
losing a packet. Conversations that an earlier rule let begin go on: their answers
pass, new packets are judged anew.

[[access]] and its keys, and [[output]], are read again too. Who was taken out, or has
another key, may do no more at the next request. What is known of an output stays, a
lock-out above all, also while it is not declared; a write under way ends as it began.

[[mesh.place]] is read again too. The device of a new place becomes that place, known
as a stranger before or not; one whose place is gone is a stranger from then on; a place
that names another device means that one. What 'culvert replace' bound stays bound, as
long as the file names the device that it named then. Whether strangers are served
(admit) never changes before the next start, and a line says where it will change then.

CAUTION: an output is named by its place. Where the file gives the place another device,
whoever drives the output drives that device from now on; fit local interlocks, and
follow the local codes.

If anything in the file is wrong, nothing changes, and each error is printed with
its line. Other keys that have changed are named: they count from the next start.
SIGHUP does the same, and says what came of it in the log.`,
		Example: `  culvert reload
  culvert reload --config deploy/fenland/culvert.toml`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return runReload(cmd, g) },
	}
}

// order has the local daemon change something, and decodes what it says into out.
// refused is why it would not.
func order(ctx context.Context, g *cli.Globals, resource string, query []string, out any) (refused string, err error) {
	ctx, cancel := context.WithTimeout(ctx, control.ControlTimeout)
	defer cancel()
	c, err := control.DialControl(ctx, g.Config)
	if err != nil {
		return "", err
	}
	defer c.Close()
	err = c.Control(ctx, resource, true, query, out)
	if s := (*client.StatusError)(nil); errors.As(err, &s) && s.Text != "" {
		return s.Text, nil
	}
	if err != nil {
		return "", control.Reached(err)
	}
	return "", nil
}

func runReload(cmd *cobra.Command, g *cli.Globals) error {
	var out control.Reloaded
	refused, err := order(cmd.Context(), g, "reload", nil, &out)
	if refused != "" {
		return fmt.Errorf("nothing has changed:\n%s", refused)
	}
	if err != nil {
		return err
	}
	if g.Json {
		return json.NewEncoder(cmd.OutOrStdout()).Encode(out)
	}
	line := "the same " + cli.Plural(out.Rules, "rule") + " as before in force"
	if out.Changed {
		line = cli.Plural(out.Rules, "rule") + " in force"
	}
	line += "\n" + cli.Plural(out.Outputs, "output") + " declared; who may do what is as the file says, in " + fmt.Sprint(out.Identities) + " [[access]]; " + cli.Plural(out.Places, "place")
	if len(out.Restart) > 0 {
		line += "\nchanged too, and in force from the next start on: " + strings.Join(out.Restart, ", ")
	}
	for _, w := range out.Warnings {
		line += "\nwarning: " + w
	}
	_, err = fmt.Fprintln(cmd.OutOrStdout(), line)
	return err
}
