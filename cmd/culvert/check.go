package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"
)

// verdict says how a check ended.
type verdict string

// The verdicts. Only verdictWrong is a fault.
const (
	verdictOK         verdict = "ok"
	verdictWrong      verdict = "wrong"
	verdictNote       verdict = "note"        // no fault, but something to know
	verdictNotOffered verdict = "not offered" // the radio side says that it cannot
	verdictNotSeen    verdict = "not seen"    // it did not happen while the check ran
	verdictNotTried   verdict = "not tried"   // something else stood in the way
)

// finding is what one check found.
type finding struct {
	Check   string  `json:"check"`
	Verdict verdict `json:"verdict"`
	Tried   string  `json:"tried,omitempty"`
	Found   string  `json:"found"`
	Asked   *clause `json:"asked,omitempty"`  // what the contract says, where the verdict is wrong
	Remedy  string  `json:"remedy,omitempty"` // what to do
}

// set gives the finding a verdict and says why.
func (f *finding) set(v verdict, format string, args ...any) {
	f.Verdict, f.Found = v, fmt.Sprintf(format, args...)
}

// clause is a place in a document of the project.
type clause struct {
	Document string `json:"document"`
	Section  string `json:"section"`
	Says     string `json:"says"`
}

// checkReport takes the findings. In text each is printed as it comes, since a
// check may wait for long.
type checkReport struct {
	w        io.Writer
	json     bool
	blocked  string // the step at which a packet stops; empty: none does, or none was asked for
	findings []finding
}

// add takes a finding.
func (r *checkReport) add(f finding) error {
	r.findings = append(r.findings, f)
	if r.json {
		return nil
	}
	text := f.Found
	if f.Tried != "" {
		text = f.Tried + ": " + text
	}
	const indent = "\n                            "
	var b strings.Builder
	fmt.Fprintf(&b, "%-11s  %-14s %s", f.Verdict, f.Check, strings.ReplaceAll(text, "\n", indent))
	if f.Asked != nil {
		fmt.Fprintf(&b, "%s%s, %q: %s", indent, f.Asked.Document, f.Asked.Section, f.Asked.Says)
	}
	if f.Remedy != "" {
		fmt.Fprintf(&b, "%sdo: %s", indent, strings.ReplaceAll(f.Remedy, "\n", indent))
	}
	_, err := fmt.Fprintln(r.w, b.String())
	return err
}

// faults returns the names of the checks that found something wrong.
func (r *checkReport) faults() []string {
	var out []string
	for _, f := range r.findings {
		if f.Verdict == verdictWrong {
			out = append(out, f.Check)
		}
	}
	return out
}

// end prints the sum of a report, or as JSON all of it, of which head is the first
// part. Its error ends the program with exitBad if a fault was found.
func (r *checkReport) end(head any) error {
	faults := r.faults()
	if r.json {
		err := json.NewEncoder(r.w).Encode(struct {
			Radio  any       `json:"radio,omitempty"`
			Checks []finding `json:"checks"`
			Faults int       `json:"faults"`
			Stops  string    `json:"stops_at,omitempty"`
		}{head, r.findings, len(faults), r.blocked})
		if err != nil {
			return err
		}
	} else {
		line := "no fault found"
		if len(faults) > 0 {
			line = fmt.Sprintf("%s: %s", plural(len(faults), "fault"), strings.Join(faults, ", "))
		}
		if r.blocked != "" {
			line = "the packet stops at: " + r.blocked
		}
		if _, err := fmt.Fprintf(r.w, "\n%s\n", line); err != nil {
			return err
		}
	}
	if len(faults) > 0 {
		return &exitError{code: exitBad} // all is said
	}
	return nil
}

// checkOptions are the flags of `culvert check`.
type checkOptions struct {
	from    string
	to      string
	service string
	radio   bool
	mesh    string
	serial  string
	stream  string
	process string
	args    []string // of process
	iface   string
	node    string
	noSend  bool
	waits   radioWaits
	limit   time.Duration
}

const checkLong = `Says whether this gateway and its site are well, a row for each thing:

  this host  the configuration, the daemon, the rights of the service's user, IPv6,
             the disk, the clock, the interface and route of each mesh, forwarding,
             the packet filter, what [upstream] sends
  the site   the radio, nodes that are silent or late, strangers, places whose device
             is not the one in the file, what was lost in the last ten minutes, nodes
             that hold another compression context, what the rules refused

For each fault it says what to do. Run it on the gateway.

With --to it goes the way of a packet to a node step by step, from the host --from,
or else from this gateway, and says at which step it stops and what to do.

With --radio it tries a radio side instead, for whoever writes one or puts one up:
that of a mesh of the configuration (--mesh), or one that is given by --serial,
--stream, --process or --interface. It says what the radio announces, tries each
record that the link protocol (bridge/radio/PROTOCOL.md) asks a radio to deal
with, and for what is missing or wrong quotes the place of the protocol. The daemon
must not be using that radio meanwhile.

CAUTION: the check of a radio puts up to 20 frames on the air: echo requests (ping)
to one node and to all nodes, one frame that is too long to be sent, and to a node
the short address that it has already. They move nothing, but nodes on batteries
hear them; --no-send leaves all of them out. Frames that wait in the radio are
dropped, as at a start of the daemon.

Exit codes: 0 no fault, 1 a fault, 2 used wrongly, 3 the radio cannot be reached.`

const checkExample = `  culvert check --config culvert.toml
  culvert check --from fd5e:2a11:77c0:5::2 --to grain-bin
  culvert check --from fd5e:2a11:77c0:5::2 --to grain-bin --service echo
  culvert check --radio --mesh fenland
  culvert check --serial /dev/ttyUSB0,115200
  culvert check --process ./my-adapter -- --port 1
  culvert check --process culvert -- simulate      try it without a radio
  culvert check --stream [fd00::5]:6283 --json
  culvert check --interface wpan0 --node 00:00:5e:ef:10:00:00:05`

// newCheckCommand returns `culvert check`.
func newCheckCommand(g *globals) *cobra.Command {
	var o checkOptions
	cmd := &cobra.Command{
		Use:     "check [flags] [-- ARGUMENT...]",
		Short:   "Is this gateway, its radio, its site well?",
		Long:    checkLong,
		Example: checkExample,
		Args:    cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.args = args
			return runCheck(cmd, g, o)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.from, "from", "", "the host's `ADDRESS`; without it, this gateway")
	f.StringVar(&o.to, "to", "", "the `NODE`, by its label or an address")
	f.StringVar(&o.service, "service", "coap", "the `SERVICE` that is asked for, as in a [[rule]]")
	f.BoolVar(&o.radio, "radio", false, "try a radio side")
	f.StringVar(&o.mesh, "mesh", "", "the radio of the mesh `NAME` of the configuration; not needed where there is one mesh")
	f.StringVar(&o.serial, "serial", "", "the radio at a serial line: `DEVICE[,SPEED]`")
	f.StringVar(&o.stream, "stream", "", "the radio that listens at `ADDRESS`: HOST:PORT or unix:PATH")
	f.StringVar(&o.process, "process", "", "the `PROGRAM` that is the radio side; its arguments stand behind --")
	f.StringVar(&o.iface, "interface", "", "the Linux IEEE 802.15.4 interface `NAME`")
	f.StringVar(&o.node, "node", "", "send to the node with this link `ADDRESS`, instead of the first that the radio lists")
	f.BoolVar(&o.noSend, "no-send", false, "put no frame on the air")
	timeVar(f, &o.waits.answer, "answer-wait", 4*time.Second, "`TIME` for up and alive, as the daemon gives it")
	timeVar(f, &o.waits.list, "list-wait", 10*time.Second, "`TIME` for the next node of the list, or its end")
	timeVar(f, &o.waits.join, "join-wait", 10*time.Second, "`TIME` for a first node, where none is listed")
	timeVar(f, &o.waits.result, "result-wait", 30*time.Second, "`TIME` for the result of a frame")
	timeVar(f, &o.waits.listen, "listen", 2*time.Second, "`TIME` to listen for what comes by itself")
	timeVar(f, &o.limit, "limit", 10*time.Minute, "`TIME` for all together")
	return cmd
}

// runCheck is `culvert check`.
func runCheck(cmd *cobra.Command, g *globals, o checkOptions) error {
	ctx, stop := signal.NotifyContext(cmd.Context(), syscall.SIGINT, syscall.SIGTERM)
	defer stop()
	r := &checkReport{w: cmd.OutOrStdout(), json: g.json}
	given, err := o.given()
	if err != nil {
		return asUsage(err)
	}
	if o.to != "" || o.from != "" {
		if o.radio || given > 0 || o.node != "" || o.noSend {
			return asUsage(errors.New("--from and --to go the way of a packet; a radio is tried by itself"))
		}
		if o.to == "" {
			return asUsage(errors.New("--from needs --to: the way to which node?"))
		}
		return checkPath(ctx, g, o, r)
	}
	if !o.radio && given == 0 {
		if o.node != "" || o.noSend {
			return asUsage(errors.New("--node and --no-send belong to the check of a radio: --radio, or the flag of one"))
		}
		return checkHost(ctx, g, r)
	}
	return checkRadio(ctx, cmd, g, o, r)
}

// given returns how many radios the flags name, and what is wrong with the flags.
func (o checkOptions) given() (int, error) {
	n := 0
	for _, s := range []string{o.mesh, o.serial, o.stream, o.process, o.iface} {
		if s != "" {
			n++
		}
	}
	switch {
	case n > 1:
		return n, errors.New("--mesh, --serial, --stream, --process and --interface: only one of them")
	case len(o.args) > 0 && o.process == "":
		return n, fmt.Errorf("argument %q: only the program of --process has arguments", o.args[0])
	}
	for _, w := range []struct {
		flag string
		wait time.Duration
	}{
		{"answer-wait", o.waits.answer}, {"list-wait", o.waits.list}, {"join-wait", o.waits.join},
		{"result-wait", o.waits.result}, {"listen", o.waits.listen}, {"limit", o.limit},
	} {
		if w.wait <= 0 || w.wait > 24*time.Hour {
			return n, fmt.Errorf("--%s %v: want above 0s and at most 24h", w.flag, w.wait)
		}
	}
	return n, nil
}

// expired says why ctx ended.
func expired(ctx context.Context) string {
	if errors.Is(ctx.Err(), context.DeadlineExceeded) {
		return "the time is up (--limit)"
	}
	return "interrupted"
}
