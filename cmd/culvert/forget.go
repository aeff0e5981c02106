package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"culvert/coap"
)

// forgotten is what came of `culvert forget`: the answer of /control/forget.
type forgotten struct {
	Mesh  string `json:"mesh"`
	Node  string `json:"node"`
	Was   string `json:"was"`             // its state
	Place bool   `json:"place,omitempty"` // it is a place, which stays, and is expected again
}

// forget ends the record of a node: node=LABEL.
func (d *daemon) forget(r coap.ControlRequest) (any, error) {
	label := r.Query.Get("node")
	ctx, cancel := context.WithTimeout(context.Background(), controlTimeout/2)
	defer cancel()
	for _, m := range d.meshes {
		n := m.Nodes().ByLabel(label)
		if n == nil {
			continue
		}
		a := forgotten{Mesh: m.Name(), Node: label, Was: n.State().String(), Place: n.Place() != nil}
		return a, m.Forget(ctx, n)
	}
	return nil, fmt.Errorf("no node is called %q: %s", label, d.someNodes())
}

// newForgetCommand returns `culvert forget`.
func newForgetCommand(g *globals) *cobra.Command {
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
		Args:    wantArgs("NODE"),
		RunE:    func(cmd *cobra.Command, args []string) error { return runForget(cmd, g, args[0]) },
	}
}

func runForget(cmd *cobra.Command, g *globals, node string) error {
	if err := nodeArg(node); err != nil {
		return err
	}
	var a forgotten
	refused, err := order(cmd.Context(), g, "forget", []string{"node=" + node}, &a)
	if refused != "" {
		return errors.New(refused)
	}
	if err != nil {
		return err
	}
	if g.json {
		return json.NewEncoder(cmd.OutOrStdout()).Encode(a)
	}
	line := fmt.Sprintf("%s of mesh %s is forgotten; it was %s", a.Node, a.Mesh, a.Was)
	if a.Place {
		line = fmt.Sprintf("what was known of the device at %s of mesh %s is forgotten; it was %s, and is expected again", a.Node, a.Mesh, a.Was)
	}
	_, err = fmt.Fprintln(cmd.OutOrStdout(), line)
	return err
}
