package main

import (
	"encoding/json"
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"culvert/coap"
)

// newNodesCommand returns `culvert nodes`.
func newNodesCommand(g *globals) *cobra.Command {
	var s server
	cmd := &cobra.Command{
		Use:   "nodes",
		Short: "List what the daemon knows of its nodes",
		Long: `List every node of the running daemon: what it is called, what state it is in,
the IPv6 address at which any host can reach it, its link addresses, how many radio
links away it is, and when it was last heard.

A number behind the address counts the others: from the short address, and those
that the node registered or claimed. --json lists them.

States: expected (configured, never heard), joining (frames seen, no packet yet),
up, late (one report overdue), silent (gone, or long overdue), retired.`,
		Example: `  culvert nodes
  culvert nodes --config deploy/fenland/culvert.toml
  culvert nodes --json | jq -r '.[] | select(.state != "up") | .node'`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := s.dial(cmd.Context(), g.config)
			if err != nil {
				return err
			}
			defer c.Close()
			nodes := []coap.NodeState{}
			if err := askJSON(cmd.Context(), c, "/nodes", &nodes); err != nil {
				return err
			}
			if g.json {
				return json.NewEncoder(cmd.OutOrStdout()).Encode(nodes)
			}
			return printNodes(cmd.OutOrStdout(), nodes, time.Now())
		},
	}
	s.flags(cmd)
	return cmd
}

// printNodes prints the nodes as a table for people.
func printNodes(out io.Writer, nodes []coap.NodeState, now time.Time) error {
	if len(nodes) == 0 {
		_, err := fmt.Fprintln(out, "No nodes yet: none is configured as a place, and none has joined.")
		return err
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "NODE\tSTATE\tADDRESS\tEUI-64\tSHORT\tHOPS\tSIGNAL\tHEARD\tMESH")
	for _, n := range nodes {
		address, eui, short := "-", "-", "-"
		if n.Address != nil {
			address = n.Address.String()
			if k := len(n.Others); k > 0 {
				address += fmt.Sprintf(" +%d", k)
			}
		}
		if n.EUI64 != nil {
			eui = n.EUI64.String()
		}
		if n.Short != nil {
			short = n.Short.String()
		}
		state := n.State
		if n.Strangers {
			state += " (not admitted)"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n",
			n.Node, state, address, eui, short, known(int(n.Hops), ""), known(int(n.Signal), " dBm"), ago(n.Heard, now), n.Mesh)
	}
	return w.Flush()
}

// known returns a number with its unit, or a dash for 0, which is unknown.
func known(n int, unit string) string {
	if n == 0 {
		return "-"
	}
	return fmt.Sprint(n) + unit
}

// ago returns how long before now something was, in the unit that reads best.
func ago(t *time.Time, now time.Time) string {
	if t == nil {
		return "not yet"
	}
	d := now.Sub(*t)
	switch {
	case d < 0:
		return "just now"
	case d < 10*time.Second:
		return fmt.Sprintf("%.1f s ago", d.Seconds())
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s ago", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min ago", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f h ago", d.Hours())
	}
	return fmt.Sprintf("%.0f days ago", d.Hours()/24)
}
