package daemon

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/conf"
)

// runOptions are the flags of `culvert run`.
type runOptions struct {
	check     bool
	logFormat string
	logLevel  string
}

// NewRunCommand returns `culvert run`.
func NewRunCommand(g *cli.Globals) *cobra.Command {
	var o runOptions
	cmd := &cobra.Command{
		Use:   "run",
		Short: "Run the daemon",
		Long: `Run the daemon in the foreground: for each mesh of the configuration it makes a
TUN interface, attaches the radio, and carries IPv6 between the two until it is
told to stop (Ctrl-C, SIGTERM). It then removes the interface and what belongs to
it. It needs root, or CAP_NET_ADMIN and /dev/net/tun; a service manager is told
when it is ready, that it is alive, and how the meshes do (sd_notify). In systemd's
journal each line has its priority.

Between nodes and other hosts only that passes which a [[rule]] of the
configuration names, and the answers to it; SIGHUP, or 'culvert reload', reads the
rules again without losing a packet.

CAUTION: whom a rule lets in can switch outputs that move pumps, valves and motors,
and so can whoever may open the control socket, or has an [[access]] that may write.
Fit local interlocks that hold whatever arrives over the network, and follow the
local codes.`,
		Example: `  culvert run --config culvert.toml
  culvert run --config culvert.toml --check-config   only say what is wrong with the file
  culvert run --log json --log-level debug`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return runRun(cmd, g, o) },
	}
	f := cmd.Flags()
	f.BoolVar(&o.check, "check-config", false, "only check the configuration file")
	f.StringVar(&o.logFormat, "log", "text", "`FORMAT` of the log on standard error: text or json")
	f.StringVar(&o.logLevel, "log-level", "info", "`LEVEL` from which to log: debug, info, warn or error")
	return cmd
}

// runRun checks the command line and the configuration, and runs the daemon.
func runRun(cmd *cobra.Command, g *cli.Globals, o runOptions) error {
	log, err := newLogger(cmd.ErrOrStderr(), o)
	if err != nil {
		return err
	}
	cfg, err := conf.LoadConfig(g.Config)
	if err != nil {
		return err
	}
	if o.check {
		_, err := fmt.Fprintf(cmd.OutOrStdout(), "%s: no fault found, %s\n", g.Config, cli.MeshCount(len(cfg.Meshes)))
		return err
	}
	ctx, stop := signal.NotifyContext(cmd.Context(), syscall.SIGINT, syscall.SIGTERM)
	defer stop()
	reload := make(chan os.Signal, 1)
	signal.Notify(reload, syscall.SIGHUP)
	defer signal.Stop(reload)
	context.AfterFunc(ctx, stop) // a second signal ends the process at once
	return RunDaemon(ctx, cfg, DaemonOptions{Log: log, notify: newNotifier(log), reload: reload})
}

// newLogger returns the logger that the flags ask for.
func newLogger(w io.Writer, o runOptions) (*slog.Logger, error) {
	var level slog.Level
	switch o.logLevel {
	case "debug", "info", "warn", "error":
		if err := level.UnmarshalText([]byte(strings.ToUpper(o.logLevel))); err != nil {
			return nil, cli.AsUsage(fmt.Errorf("--log-level: %w", err))
		}
	default:
		return nil, cli.AsUsage(fmt.Errorf("--log-level %q: want debug, info, warn or error", o.logLevel))
	}
	var format func(io.Writer) slog.Handler
	journal := isJournal(w)
	switch o.logFormat {
	case "text":
		ho := &slog.HandlerOptions{Level: level}
		if journal {
			ho.ReplaceAttr = withoutTime
		}
		format = func(w io.Writer) slog.Handler { return slog.NewTextHandler(w, ho) }
	case "json":
		format = func(w io.Writer) slog.Handler { return slog.NewJSONHandler(w, &slog.HandlerOptions{Level: level}) }
	default:
		return nil, cli.AsUsage(fmt.Errorf("--log %q: want text or json", o.logFormat))
	}
	if journal {
		return slog.New(newJournalHandler(w, format)), nil
	}
	return slog.New(format(w)), nil
}
