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

const checkLong = `Check this gateway and its site, and print one row for each check:

  this host  the configuration, the daemon, the rights of the service's user, IPv6,
             the disk, the clock, the interface and route of each mesh, forwarding,
             the packet filter, what [upstream] sends
  the site   the radio, silent and late nodes, strangers, places whose device is not
             the one in the file, losses of the last ten minutes, nodes that use
             another compression context, packets that no rule allowed

Each fault comes with what to do. Run the command on the gateway.

With --to it checks the path of a packet to a node step by step, from the host --from
or from this gateway, and says at which step the packet stops and what to do.

With --radio it tests a radio side instead: the one of a mesh in the configuration
(--mesh), or the one given by --serial, --stream, --process or --interface. It prints
what the radio announces, tries each record of the link protocol
(bridge/radio/PROTOCOL.md), and quotes the protocol for each record that is missing or
wrong. Stop the daemon first: it must not use the radio at the same time.

CAUTION: the radio check sends up to 20 frames over the air: echo requests (ping) to
one node and to all nodes, one frame that is too long to be sent, and to one node the
short address that it already has. They move nothing, but battery-powered nodes
receive them; --no-send sends none. Frames that wait in the radio are dropped, as at
each start of the daemon.

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

// NewCheckCommand returns the command `culvert check`.
func NewCheckCommand(g *cli.Globals) *cobra.Command {
	var o checkOptions
	cmd := &cobra.Command{
		Use:     "check [flags] [-- ARGUMENT...]",
		Short:   "Check this gateway, its radio and its site",
		Long:    checkLong,
		Example: checkExample,
		Args:    cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.side.Args = args
			return runCheck(cmd, g, o)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.from, "from", "", "check the path from the host `ADDRESS`; default: this gateway")
	f.StringVar(&o.to, "to", "", "check the path to the `NODE`, a label or an address")
	f.StringVar(&o.service, "service", "coap", "`SERVICE` of the packet, as in a [[rule]]")
	f.BoolVar(&o.radio, "radio", false, "test a radio side")
	f.StringVar(&o.side.Mesh, "mesh", "", "the radio of mesh `NAME` in the configuration; needed if there are several")
	f.StringVar(&o.side.Serial, "serial", "", "the radio at serial line `DEVICE[,SPEED]`")
	f.StringVar(&o.side.Stream, "stream", "", "the radio that listens on `ADDRESS`: HOST:PORT or unix:PATH")
	f.StringVar(&o.side.Process, "process", "", "the `PROGRAM` that is the radio side; its arguments follow --")
	f.StringVar(&o.side.Iface, "interface", "", "the Linux IEEE 802.15.4 interface `NAME`")
	f.StringVar(&o.side.Node, "node", "", "send to the node with link `ADDRESS`; default: the first that the radio lists")
	f.BoolVar(&o.side.NoSend, "no-send", false, "send no frame over the air")
	cli.TimeVar(f, &o.side.Waits.Answer, "answer-wait", 4*time.Second, "`TIME` to wait for up and alive, like the daemon")
	cli.TimeVar(f, &o.side.Waits.List, "list-wait", 10*time.Second, "`TIME` to wait for each node of the list and for its end")
	cli.TimeVar(f, &o.side.Waits.Join, "join-wait", 10*time.Second, "`TIME` to wait for a first node if none is listed")
	cli.TimeVar(f, &o.side.Waits.Result, "result-wait", 30*time.Second, "`TIME` to wait for the result of a frame")
	cli.TimeVar(f, &o.side.Waits.Listen, "listen", 2*time.Second, "`TIME` to listen for unsolicited records")
	cli.TimeVar(f, &o.side.Limit, "limit", 10*time.Minute, "`TIME` limit of the whole check")
	return cmd
}

// runCheck selects the check that the flags ask for.
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
