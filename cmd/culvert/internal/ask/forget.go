package ask

import (
	"encoding/json"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/control"
)

// NewForgetCommand returns `culvert forget`.
func NewForgetCommand(g *cli.Globals) *cobra.Command {
	return &cobra.Command{
		Use:   "forget NODE",
		Short: "Forget what is known of a node",
		Long: `Forget a device that was carried away: its record, its addresses, its report
period, in the state too. It is gone from 'culvert nodes', the page and the metrics.

A place of the configuration stays: its device is expected again, and its report
period learned anew. A retired device stays retired, also if it is heard again. Any
other device that still sends comes back with its next frame.

Devices that stand at no place are forgotten by themselves when nothing was heard of
them for a day.`,
		Example: `  culvert forget 00:00:5e:ef:10:00:00:99`,
		Args:    cli.WantArgs("NODE"),
		RunE:    func(cmd *cobra.Command, args []string) error { return runForget(cmd, g, args[0]) },
	}
}

func runForget(cmd *cobra.Command, g *cli.Globals, node string) error {
	if err := nodeArg(node); err != nil {
		return err
	}
	var a control.Forgotten
	refused, err := order(cmd.Context(), g, "forget", []string{"node=" + node}, &a)
	if refused != "" {
		return errors.New(refused)
	}
	if err != nil {
		return err
	}
	if g.Json {
		return json.NewEncoder(cmd.OutOrStdout()).Encode(a)
	}
	line := fmt.Sprintf("%s of mesh %s is forgotten; it was %s", a.Node, a.Mesh, a.Was)
	if a.Place {
		line = fmt.Sprintf("what was known of the device at %s of mesh %s is forgotten; it was %s, and is expected again", a.Node, a.Mesh, a.Was)
	}
	_, err = fmt.Fprintln(cmd.OutOrStdout(), line)
	return err
}
