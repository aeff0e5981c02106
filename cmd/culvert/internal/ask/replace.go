package ask

import (
	"encoding/json"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"culvert/bridge/ieee802154"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/control"
)

// NewReplaceCommand returns `culvert replace`.
func NewReplaceCommand(g *cli.Globals) *cobra.Command {
	return &cobra.Command{
		Use:   "replace PLACE EUI64",
		Short: "Bind a place to a new device",
		Long: `Bind a place to another device, as when a broken one was swapped: the new device
takes over the place's name, and with it the rules that name it. The old one is
retired: it is listed under its EUI-64, and no packet passes to or from it any
more, even where it still sends. Both outlive the daemon.

Bring the configuration up to date when you can: once it names the new device for
the place, it counts again.

CAUTION: whoever drives an output names the place, and from now on means the new
device. Make sure that the right one is built in there, and that its outputs are
safe, before anything is switched; fit local interlocks, and follow the local codes.`,
		Example: `  culvert replace grain-bin 00:00:5e:ef:10:00:00:99`,
		Args:    cli.WantArgs("PLACE", "EUI64"),
		RunE:    func(cmd *cobra.Command, args []string) error { return runReplace(cmd, g, args[0], args[1]) },
	}
}

func runReplace(cmd *cobra.Command, g *cli.Globals, place, eui string) error {
	if a, err := ieee802154.ParseAddr(eui); err != nil || !a.IsExtended() {
		return cli.AsUsage(fmt.Errorf("%q: want the EUI-64 of the new device, like 00:00:5e:ef:10:00:00:99", eui))
	}
	var a control.ReplaceAnswer
	refused, err := order(cmd.Context(), g, "replace", []string{"place=" + place, "eui64=" + eui}, &a)
	if refused != "" {
		return errors.New(refused)
	}
	if err != nil {
		return err
	}
	if g.Json {
		return json.NewEncoder(cmd.OutOrStdout()).Encode(a)
	}
	old := "no device stood there before"
	if a.Retired != nil {
		old = a.Retired.String() + " is retired"
	}
	_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s of mesh %s is %v from now on, %s; %s.\n"+
		"Write it into the configuration too: eui64 = \"%v\" at that place.\n"+
		"CAUTION: what switches an output of %s means the new device now.\n", a.Place, a.Mesh, a.EUI64, a.State, old, a.EUI64, a.Place)
	return err
}
