package host

import (
	"errors"
	"os/signal"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/findings"
	"culvert/cmd/culvert/internal/radiocheck"
)

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

// NewCheckCommand returns `culvert check`.
func NewCheckCommand(g *cli.Globals) *cobra.Command {
	var o checkOptions
	cmd := &cobra.Command{
		Use:     "check [flags] [-- ARGUMENT...]",
		Short:   "Is this gateway, its radio, its site well?",
		Long:    checkLong,
		Example: checkExample,
		Args:    cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.side.Args = args
			return runCheck(cmd, g, o)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.from, "from", "", "the host's `ADDRESS`; without it, this gateway")
	f.StringVar(&o.to, "to", "", "the `NODE`, by its label or an address")
	f.StringVar(&o.service, "service", "coap", "the `SERVICE` that is asked for, as in a [[rule]]")
	f.BoolVar(&o.radio, "radio", false, "try a radio side")
	f.StringVar(&o.side.Mesh, "mesh", "", "the radio of the mesh `NAME` of the configuration; not needed where there is one mesh")
	f.StringVar(&o.side.Serial, "serial", "", "the radio at a serial line: `DEVICE[,SPEED]`")
	f.StringVar(&o.side.Stream, "stream", "", "the radio that listens at `ADDRESS`: HOST:PORT or unix:PATH")
	f.StringVar(&o.side.Process, "process", "", "the `PROGRAM` that is the radio side; its arguments stand behind --")
	f.StringVar(&o.side.Iface, "interface", "", "the Linux IEEE 802.15.4 interface `NAME`")
	f.StringVar(&o.side.Node, "node", "", "send to the node with this link `ADDRESS`, instead of the first that the radio lists")
	f.BoolVar(&o.side.NoSend, "no-send", false, "put no frame on the air")
	cli.TimeVar(f, &o.side.Waits.Answer, "answer-wait", 4*time.Second, "`TIME` for up and alive, as the daemon gives it")
	cli.TimeVar(f, &o.side.Waits.List, "list-wait", 10*time.Second, "`TIME` for the next node of the list, or its end")
	cli.TimeVar(f, &o.side.Waits.Join, "join-wait", 10*time.Second, "`TIME` for a first node, where none is listed")
	cli.TimeVar(f, &o.side.Waits.Result, "result-wait", 30*time.Second, "`TIME` for the result of a frame")
	cli.TimeVar(f, &o.side.Waits.Listen, "listen", 2*time.Second, "`TIME` to listen for what comes by itself")
	cli.TimeVar(f, &o.side.Limit, "limit", 10*time.Minute, "`TIME` for all together")
	return cmd
}

// runCheck is `culvert check`.
func runCheck(cmd *cobra.Command, g *cli.Globals, o checkOptions) error {
	ctx, stop := signal.NotifyContext(cmd.Context(), syscall.SIGINT, syscall.SIGTERM)
	defer stop()
	r := &findings.CheckReport{W: cmd.OutOrStdout(), Json: g.Json}
	given, err := o.side.Given()
	if err != nil {
		return cli.AsUsage(err)
	}
	if o.to != "" || o.from != "" {
		if o.radio || given > 0 || o.side.Node != "" || o.side.NoSend {
			return cli.AsUsage(errors.New("--from and --to check the path of a packet and cannot be combined with a radio check"))
		}
		if o.to == "" {
			return cli.AsUsage(errors.New("--from needs --to NODE"))
		}
		return checkPath(ctx, g, o, r)
	}
	if !o.radio && given == 0 {
		if o.side.Node != "" || o.side.NoSend {
			return cli.AsUsage(errors.New("--node and --no-send need --radio, --serial, --stream, --process or --interface"))
		}
		return checkHost(ctx, g, r)
	}
	return radiocheck.CheckRadio(ctx, cmd, g, o.side, r)
}

// checkOptions are the flags of `culvert check`.
type checkOptions struct {
	from    string
	to      string
	service string
	radio   bool
	side    radiocheck.RadioOptions
}
