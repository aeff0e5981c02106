package ask

import (
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"culvert/bridge/node"
	"culvert/cmd/culvert/internal/cli"
	"culvert/coap/api"
)

// NewNodesCommand returns `culvert nodes`.
func NewNodesCommand(g *cli.Globals) *cobra.Command {
	var s server
	var wide bool
	cmd := &cobra.Command{
		Use:   "nodes",
		Short: "List what the daemon knows of its nodes",
		Long: `List every node of the running daemon: what it is called, its state, how long ago a
frame of it arrived, and its last reading where its report period is known, how many
radio links away it is, its parent, and the signal on its own link to that parent.
Below, in words, what is wrong with those that are late or silent, and which devices
are strangers: they stand at no place. --wide adds addresses; --json has all.

States: expected (a place, never heard), joining (listed by the radio and not heard
yet, or heard without a whole packet), up, late (two reports overdue), silent (gone by
the radio's word, or ten reports and 5 minutes overdue), unknown (its radio is down),
retired. What counts for late and silent is a report, where a node reports at all: one
that still answers but reports no more is late. [[mesh]] report says how often that
should be; without it the period is learned from the last eight gaps. A node that
reports at irregular times is never late. One that is silent stays so when its radio,
or the daemon, was away meanwhile.`,
		Example: `  culvert nodes
  culvert nodes --wide
  culvert nodes --json | jq -r '.[] | select(.state != "up") | .status'`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := s.dial(cmd.Context(), g.Config)
			if err != nil {
				return err
			}
			defer c.Close()
			nodes := []api.NodeState{}
			if err := askJSON(cmd.Context(), c, "/nodes", &nodes); err != nil {
				return err
			}
			if g.Json {
				return cli.WriteJSON(cmd.OutOrStdout(), nodes)
			}
			return PrintNodes(cmd.OutOrStdout(), nodes, wide, time.Now())
		},
	}
	cmd.Flags().BoolVar(&wide, "wide", false, "add addresses, and shorten nothing, however long the lines")
	s.flags(cmd)
	return cmd
}

// What the table of nodes may have of a line of 100 columns. An EUI-64 is 23 long.
const (
	nodeColumn   = 23
	agoColumn    = 11
	parentColumn = 14
)

// PrintNodes prints the nodes as a table for people, and in words what is wrong.
func PrintNodes(out io.Writer, nodes []api.NodeState, wide bool, now time.Time) error {
	if len(nodes) == 0 {
		_, err := fmt.Fprintln(out, "No nodes yet: none is configured as a place, and none has joined.")
		return err
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	head := "NODE\tSTATE\tHEARD\tREADING\tHOPS\tPARENT\tSIGNAL"
	if wide {
		head = "NODE\tSTATE\tHEARD\tREADING\tHOPS\tPARENTS\tSIGNAL\tADDRESS\tEUI-64\tSHORT\tMESH"
	}
	fmt.Fprintln(w, head)
	for i := range nodes {
		if wide {
			fmt.Fprintln(w, strings.Join(wideRow(&nodes[i], now), "\t"))
		} else {
			fmt.Fprintln(w, strings.Join(nodeRow(&nodes[i], now), "\t"))
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	return printTrouble(out, nodes)
}

// nodeRow is a row of at most 100 columns.
func nodeRow(n *api.NodeState, now time.Time) []string {
	parent := "-"
	if len(n.Parents) > 0 {
		parent = shorten(n.Parents[0], parentColumn)
	}
	state := n.State
	if n.Stranger {
		state += ", stranger"
	}
	return []string{shorten(n.Node, nodeColumn), state, shorten(cli.Ago(n.Heard, now), agoColumn),
		shorten(readingAge(n, now), agoColumn), known(int(n.Hops), ""), parent, known(int(n.Signal), " dBm")}
}

// wideRow is a row with all there is.
func wideRow(n *api.NodeState, now time.Time) []string {
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
	parents := strings.Join(n.Parents, " ")
	if parents == "" {
		parents = "-"
	}
	state := n.Status
	if n.Stranger {
		state += ", stranger"
	}
	if n.Unserved && n.State != node.Retired.String() {
		state += ", not served"
	}
	return []string{n.Node, state, cli.Ago(n.Heard, now), readingAge(n, now), known(int(n.Hops), ""), parents,
		known(int(n.Signal), " dBm"), address, eui, short, n.Mesh}
}

// readingAge is how old the last report is, where the period is known.
func readingAge(n *api.NodeState, now time.Time) string {
	if n.Period == 0 {
		return "-"
	}
	return cli.Ago(n.Reported, now)
}

// shorten cuts a text to so many columns: a name at its end, an address at its
// beginning, since addresses differ in their ends.
func shorten(s string, columns int) string {
	r := []rune(s)
	switch {
	case len(r) <= columns:
		return s
	case strings.Contains(s, ":"):
		return "…" + string(r[len(r)-columns+1:])
	}
	return string(r[:columns-1]) + "…"
}

// printTrouble says in words what is wrong.
func printTrouble(out io.Writer, nodes []api.NodeState) error {
	var lines []string
	unknown, strangers, unserved := map[string]int{}, 0, 0
	for i := range nodes {
		n := &nodes[i]
		switch n.State {
		case node.Late.String(), node.Silent.String():
			lines = append(lines, shorten(n.Node, nodeColumn)+": "+n.Status)
		case node.Unknown.String():
			unknown[n.Mesh]++
		}
		if n.Stranger {
			strangers++
		}
		if n.Stranger && n.Unserved {
			unserved++
		}
	}
	for _, mesh := range slices.Sorted(maps.Keys(unknown)) {
		lines = append(lines, fmt.Sprintf("%s of mesh %s unknown: its radio is down; 'culvert check' says more",
			cli.Plural(unknown[mesh], "node"), shorten(mesh, nodeColumn)))
	}
	if strangers > 0 {
		lines = append(lines, fmt.Sprintf("%s at no [[mesh.place]], %d not served", cli.Plural(strangers, "stranger"), unserved))
	}
	if len(lines) == 0 {
		return nil
	}
	_, err := fmt.Fprintf(out, "\n%s\n", strings.Join(lines, "\n"))
	return err
}

// known returns a number with its unit, or a dash for 0, which is unknown.
func known(n int, unit string) string {
	if n == 0 {
		return "-"
	}
	return fmt.Sprint(n) + unit
}
