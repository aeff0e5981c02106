package ask

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"culvert/bridge/reading"
	"culvert/bridge/senml"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/control"
	"culvert/coap/api"
	"culvert/coap/client"
	"culvert/coap/msg"
)

// nodeTimeout bounds a question that goes on to a node: the daemon's own limit, and
// some.
const nodeTimeout = 70 * time.Second

// NewReadCommand returns `culvert read`.
func NewReadCommand(g *cli.Globals) *cobra.Command {
	var s server
	var last int
	cmd := &cobra.Command{
		Use:   "read NODE [PATH]",
		Short: "Read a node",
		Long: `Print the latest readings of a node, as it sent them to the daemon; this costs the
mesh nothing. With --last, print the last ones of each name, the newest last. With
PATH, ask the node for that resource of its own, as by CoAP GET:
the daemon answers from what it kept as long as that is fresh.`,
		Example: `  culvert read grain-bin
  culvert read grain-bin --last 5
  culvert read pump-house /output
  culvert read grain-bin --server coaps://[2001:db8:5::1] --identity ops-laptop --psk-file ops-laptop.key`,
		Args: cli.WantArgs("NODE", "[PATH]"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := nodeArg(args[0]); err != nil {
				return err
			}
			if last < 1 || last > reading.MaxLast || last > 1 && len(args) == 2 {
				return cli.AsUsage(fmt.Errorf("--last takes a number from 1 to %d, and no PATH", reading.MaxLast))
			}
			c, err := s.dial(cmd.Context(), g.Config)
			if err != nil {
				return err
			}
			defer c.Close()
			if len(args) == 2 {
				return readOwn(cmd.Context(), cmd.OutOrStdout(), c, args[0], args[1], g.Json)
			}
			body, readings, err := readReadings(cmd.Context(), c, args[0], last)
			if err != nil {
				return err
			}
			if g.Json {
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s\n", cli.PrintableJSON(body))
				return err
			}
			if len(readings) == 0 {
				return printNoReadings(cmd.Context(), cmd.OutOrStdout(), c, args[0])
			}
			return printReadings(cmd.OutOrStdout(), args[0], readings, time.Now())
		},
	}
	s.flags(cmd)
	cmd.Flags().IntVar(&last, "last", 1, "print the last `N` readings of each name, as far as they are kept")
	return cmd
}

// readOwn prints a resource of a node's own.
func readOwn(ctx context.Context, out io.Writer, c *client.Client, node, path string, asJSON bool) error {
	ctx, cancel := context.WithTimeout(ctx, nodeTimeout)
	defer cancel()
	a, err := c.Do(ctx, client.Ask{Path: ownPath(node, path), Accept: -1})
	if err != nil {
		return control.Reached(err)
	}
	if asJSON {
		return cli.WriteJSON(out, struct {
			Node   string `json:"node"`
			Path   string `json:"path"`
			Format int    `json:"format"`
			Value  string `json:"value,omitempty"`
			Octets []byte `json:"octets,omitempty"` // in base64, where it is no text
		}{node, path, a.Format, textOf(a.Body), octetsOf(a.Body)})
	}
	if text := textOf(a.Body); text != "" || len(a.Body) == 0 {
		_, err = fmt.Fprintln(out, text)
	} else {
		_, err = fmt.Fprintf(out, "%x\n", a.Body)
	}
	return err
}

// textOf returns b if it is text that a terminal can show.
func textOf(b []byte) string {
	s := string(b)
	if !utf8.ValidString(s) || strings.ContainsFunc(s, func(r rune) bool { return cli.MovesTerminal(r) && r != '\n' && r != '\t' }) {
		return ""
	}
	return s
}

func octetsOf(b []byte) []byte {
	if textOf(b) == "" {
		return b
	}
	return nil
}

// readingsOf asks for a node's latest readings.
func readingsOf(node string) client.Ask {
	return client.Ask{Path: "/nodes/" + node + "/readings", Accept: msg.FormatSenMLJSON}
}

// readReadings returns the last readings of each name of a node, and the pack that
// they came in.
func readReadings(ctx context.Context, c *client.Client, node string, last int) ([]byte, []senml.Reading, error) {
	ctx, cancel := context.WithTimeout(ctx, control.ControlTimeout)
	defer cancel()
	ask := readingsOf(node)
	if last > 1 {
		ask.Query = []string{fmt.Sprintf("last=%d", last)}
	}
	a, err := c.Do(ctx, ask)
	if err != nil {
		return nil, nil, control.Reached(err)
	}
	readings, err := parseReadings(a)
	return a.Body, readings, err
}

func parseReadings(a client.Answer) ([]senml.Reading, error) {
	pack, err := senml.ParseJSON(a.Body)
	if err != nil {
		return nil, fmt.Errorf("the daemon's answer: %w", err)
	}
	if len(pack) == 0 {
		return nil, nil
	}
	return senml.Resolve(pack, time.Now())
}

// printNoReadings says that a node has sent no readings, and where it has to send them.
func printNoReadings(ctx context.Context, out io.Writer, c *client.Client, node string) error {
	var st api.NodeState
	if err := askJSON(ctx, c, "/nodes/"+node, &st); err != nil {
		return err
	}
	text := node + " has sent no readings yet. "
	if st.Sink == "" {
		text += "The gateway has no door for them in this mesh: the daemon's log says why."
	} else {
		text += "It has to send them as SenML, in a CoAP POST to\n" + st.Sink +
			"\nor as datagrams that a [[mesh.decode]] describes. With a PATH, 'culvert read' asks the node itself."
	}
	_, err := fmt.Fprintln(out, text)
	return err
}

// printReadings prints readings as a table for people.
func printReadings(out io.Writer, node string, readings []senml.Reading, now time.Time) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "NAME\tVALUE\tUNIT\tMEASURED")
	for _, r := range readings {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", lastPart(r.Name), valueOf(r), cli.Printable([]byte(r.Unit)), cli.Ago(&r.Time, now))
	}
	return w.Flush()
}

// lastPart is a reading's name without the node's (RFC 8428, section 4.5.1).
func lastPart(name string) string { return name[strings.LastIndexAny(name, ":/")+1:] }

// valueOf writes a reading's value.
func valueOf(r senml.Reading) string {
	switch r.Kind {
	case senml.Value:
		return strconv.FormatFloat(r.Value, 'g', 6, 64)
	case senml.StringValue:
		return strconv.Quote(r.String)
	case senml.BoolValue:
		return strconv.FormatBool(r.Bool)
	}
	if r.Kind == 0 && r.HasSum {
		return "sum " + strconv.FormatFloat(r.Sum, 'g', 6, 64)
	}
	return fmt.Sprintf("%x", r.Data)
}
