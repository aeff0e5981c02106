package simulate

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"culvert/bridge/sim"
	"culvert/cmd/culvert/internal/cli"
)

// The control socket of a simulation takes a line for a command. Its answer is
// lines that start with a blank, then one line "ok", or "error: " and why.
const (
	controlOK    = "ok"
	controlError = "error: "
	maxCommand   = 4096 // octets of a line
	maxTellers   = 16   // connections at once
)

// serveControl takes commands until ctx is done. It closes the listener.
func serveControl(ctx context.Context, l net.Listener, exec func(string) (string, error)) {
	stop := context.AfterFunc(ctx, func() { l.Close() })
	defer stop()
	var wg sync.WaitGroup
	defer wg.Wait()
	places := make(chan struct{}, maxTellers)
	for {
		conn, err := l.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			continue
		}
		select {
		case places <- struct{}{}:
		default:
			conn.Close()
			continue
		}
		wg.Go(func() {
			defer func() { <-places }()
			serveTeller(ctx, conn, exec)
		})
	}
}

// serveTeller takes the commands of one connection.
func serveTeller(ctx context.Context, conn net.Conn, exec func(string) (string, error)) {
	defer conn.Close()
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	defer stop()
	lines := bufio.NewScanner(conn)
	lines.Buffer(nil, maxCommand)
	for lines.Scan() {
		if strings.TrimSpace(lines.Text()) == "" {
			continue
		}
		var b strings.Builder
		text, err := exec(lines.Text())
		for line := range strings.Lines(text) {
			b.WriteString(" " + line)
		}
		if err != nil {
			b.WriteString(controlError + strings.ReplaceAll(err.Error(), "\n", "; ") + "\n")
		} else {
			b.WriteString(controlOK + "\n")
		}
		if _, err := io.WriteString(conn, b.String()); err != nil {
			return
		}
	}
}

// newTellCommand returns `culvert simulate tell`.
func newTellCommand(g *cli.Globals) *cobra.Command {
	return &cobra.Command{
		Use:   "tell SOCKET COMMAND...",
		Short: "Cut, restore, disturb and look at what a running simulation simulates",
		Long: `Gives one command to a simulation that runs with --control SOCKET, and prints
the answer. The commands:

` + indent(sim.Commands),
		Example: `  culvert simulate tell /tmp/sim list
  culvert simulate tell /tmp/sim cut link mast grain-bin
  culvert simulate tell /tmp/sim loss 0.1
  culvert simulate tell /tmp/sim slow pump-house 8
  culvert simulate tell /tmp/sim interlock pump-house on
  culvert simulate tell /tmp/sim links --json`,
		Args: cobra.MinimumNArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			command := strings.Join(args[1:], " ")
			if g.Json {
				command = "json " + command
			}
			return tell(cmd.OutOrStdout(), args[0], command)
		},
	}
}

func indent(text string) string {
	var b strings.Builder
	for line := range strings.Lines(text) {
		b.WriteString("  " + line)
	}
	return strings.TrimRight(b.String(), "\n")
}

// tell gives one command to a simulation and prints its answer.
func tell(out io.Writer, socket, command string) error {
	conn, err := net.Dial("unix", socket)
	if err != nil {
		return cli.Unreachablef("no simulation answers at %s (start one with --control): %w", socket, err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(10 * time.Second))
	if _, err := fmt.Fprintln(conn, strings.ReplaceAll(command, "\n", " ")); err != nil {
		return cli.Unreachablef("%s: %w", socket, err)
	}
	lines := bufio.NewScanner(conn)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		line := lines.Text()
		if line == controlOK {
			return nil
		}
		if why, ok := strings.CutPrefix(line, controlError); ok {
			return cli.Usagef("%s", strings.TrimPrefix(why, "sim: "))
		}
		fmt.Fprintln(out, strings.TrimPrefix(line, " "))
	}
	return cli.Unreachablef("%s: the simulation ended without an answer", socket)
}
