package simulate

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/netip"
	"os/signal"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"culvert/bridge/sim"
	"culvert/cmd/culvert/internal/cli"
)

// simulateOptions are the flags of `culvert simulate`.
type simulateOptions struct {
	site    string
	seed    uint64
	ideal   int
	prefix  string
	loss    float64
	lossSet bool
	period  time.Duration
	speed   float64
	listen  string
	pty     bool
	control string
}

const simulateLong = `Plays a radio with a whole mesh of sensor nodes behind it, and speaks the radio
link protocol on its standard input and output, as a radio of the kind "process"
in the daemon's configuration does:

  [mesh.radio]
  kind    = "process"
  command = ["culvert", "simulate"]

With --listen or --pty it waits on a socket or on a pseudo-terminal instead, for
a radio of the kind "stream" or "serial". To have the daemon simulate a mesh by
itself, use the kind "simulated".

The nodes stand where the plan says (--site; without it that of the example
site) and hear each other as well as it says. They join one after the other, pass
frames on over several hops in slots of 10 ms, lose some, change parents. Each
answers ping, publishes its readings once a minute, and serves CoAP:

  /temp /hum /batt /readings  what its sensors see; may be observed
  /period                     seconds between its reports; PUT changes it
  /output                     0 or 1; PUT switches it, GET tells; may be observed
  /output/lease               seconds for which it stays on
  /label /config /log         to try PUT, DELETE, FETCH, PATCH, iPATCH and POST on
  /.well-known/core           all of them

PUT 1 to /output with the query for=1200 switches it on for 1200 seconds. Then the
node switches back to 0 by itself, whatever the radio does meanwhile. Without a
query it stays on until the next write or boot. A node whose local interlock is
engaged refuses 1 (4.09).

Nothing moves behind the output of a simulated node. On a real site an output
starts a pump or a motor: that needs an interlock beside the machine which holds
whatever arrives over the network, and local codes decide.

While it runs, nodes, links and the radio can be cut and restored over the
socket of --control, and nodes made slow, silent, forgetful and more: see
'culvert simulate tell --help'.`

const simulateExample = `  culvert simulate --listen tcp:[::1]:6283     serve the example site on a port
  culvert simulate --pty --loss 0.1            on a pseudo-terminal, one attempt in ten lost
  culvert simulate --site farm.toml --seed 7   a plan of your own, another course of chance
  culvert simulate --ideal 50000 --listen unix:/tmp/radio   very many nodes, delivered at once
  culvert simulate --control /tmp/sim --listen tcp:[::1]:6283
  culvert simulate tell /tmp/sim cut node grain-bin`

// NewSimulateCommand returns `culvert simulate`.
func NewSimulateCommand(g *cli.Globals) *cobra.Command {
	var o simulateOptions
	cmd := &cobra.Command{
		Use:     "simulate",
		Short:   "Play a radio with a whole mesh behind it",
		Long:    simulateLong,
		Example: simulateExample,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			o.lossSet = cmd.Flags().Changed("loss")
			ctx, stop := signal.NotifyContext(cmd.Context(), syscall.SIGINT, syscall.SIGTERM)
			defer stop()
			return runSimulate(ctx, cmd, o)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.site, "site", "", "the `FILE` with the plan; without it the example site's")
	f.Uint64Var(&o.seed, "seed", 1, "another `NUMBER` is another course of chance")
	f.IntVar(&o.ideal, "ideal", 0, "`N` generated nodes, without slots, losses and joins, instead of a plan")
	f.StringVar(&o.prefix, "prefix", "", "the mesh's `PREFIX`, a /64, instead of the plan's")
	f.Float64Var(&o.loss, "loss", 0, "lose this `SHARE` of all attempts, 0 to 1, on every radio link, instead of what the plan says")
	cli.TimeVar(f, &o.period, "period", time.Minute, "how often a node publishes its readings: a `TIME` in whole seconds; 0s: never")
	f.Float64Var(&o.speed, "speed", 1, "live so many `TIMES` faster than the clock")
	f.StringVar(&o.listen, "listen", "", "wait for the daemon on `ADDRESS`: tcp:HOST:PORT or unix:PATH")
	f.BoolVar(&o.pty, "pty", false, "wait for the daemon on a pseudo-terminal, whose path is printed")
	f.StringVar(&o.control, "control", "", "take commands on the Unix socket `PATH`")
	cmd.AddCommand(newTellCommand(g))
	return cmd
}

// runSimulate is `culvert simulate`.
func runSimulate(ctx context.Context, cmd *cobra.Command, o simulateOptions) error {
	mesh, err := buildSimulation(o)
	if err != nil {
		return &cli.ExitError{Code: cli.ExitUsage, Err: err}
	}
	log := slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), nil))
	radio := sim.NewRadio(mesh, sim.RadioOptions{Speed: o.speed, Log: log})
	serve, err := simulateDoor(cmd, o, radio, log)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var wg sync.WaitGroup
	defer wg.Wait()
	if o.control != "" {
		l, err := listenUnix(o.control)
		if err != nil {
			return fmt.Errorf("--control: %w", err)
		}
		wg.Go(func() { serveControl(ctx, l, radio.Exec) })
	}
	wg.Go(func() { radio.Run(ctx) })
	err = serve(ctx)
	cancel()
	return err
}

// buildSimulation makes the mesh that the flags ask for.
func buildSimulation(o simulateOptions) (*sim.Mesh, error) {
	switch {
	case !(o.speed > 0 && o.speed <= 1000):
		return nil, fmt.Errorf("--speed %v: want above 0 and at most 1000", o.speed)
	case o.ideal < 0 || o.ideal > sim.MaxNodes:
		return nil, fmt.Errorf("--ideal %d: want 1 to %d nodes", o.ideal, sim.MaxNodes)
	case o.ideal > 0 && o.site != "":
		return nil, errors.New("--ideal makes its own nodes: leave --site out")
	}
	var prefix netip.Prefix
	if o.prefix != "" {
		p, err := netip.ParsePrefix(o.prefix)
		if err != nil {
			return nil, fmt.Errorf("--prefix %q: want a prefix of 64 bits, like fd5e:2a11:77c0:1::/64", o.prefix)
		}
		prefix = p.Masked()
	}
	site, err := LoadSite(o.site)
	if err != nil {
		return nil, err
	}
	if prefix.IsValid() {
		site.Prefix = prefix
	}
	if o.ideal > 0 {
		site = sim.Generate(o.ideal, site.Prefix)
	}
	period := o.period
	if period <= 0 {
		period = -1 // none, where 0 means the default
	}
	m, err := sim.New(sim.Options{
		Site: site, Seed: o.seed, Boot: rand.Uint64() | 1, Ideal: o.ideal > 0, Start: time.Now(), Period: period,
	})
	if err != nil {
		return nil, err
	}
	if o.lossSet {
		if err := m.SetLoss(o.loss); err != nil {
			return nil, fmt.Errorf("--loss: %s", strings.TrimPrefix(err.Error(), "sim: "))
		}
	}
	return m, nil
}
