package demo

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/signal"
	"path/filepath"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/conf"
	"culvert/tun/netns"
)

// demoLimit is how long the demo may take by itself, without --stay and --shell; the
// output is switched off and the site ended after that, within a minute altogether.
const demoLimit = 45 * time.Second

// demoOptions are the flags of `culvert demo`.
type demoOptions struct {
	stay, shell, here bool
	listen            string // where the HTTP side listens on this machine's loopback

	// Set only for the process inside the namespace.
	inside bool
	dir    string // the private folder of the site, made by the outer process
}

// httpDescriptor is the number of the open HTTP listener in the inner process.
const httpDescriptor = 3

// NewDemoCommand returns `culvert demo`.
func NewDemoCommand(g *cli.Globals) *cobra.Command {
	var o demoOptions
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Bring up a whole site on this machine, no radio needed",
		Long: `Bring up the example site, a drainage and storage estate in a fen, with a
simulated mesh: the daemon, its TUN interface, and six nodes that join, route over
several hops, lose frames and answer. The demo then does what any program could:
it pings each node, reads its temperature by CoAP, and switches the output of the
pump house on and off again. It prints what came back and ends by itself in under
a minute. Exit code 0 means that everything was reached.

The site lives in a network namespace of its own, so the network of this machine
stays as it is. Neither root nor a radio is needed where user namespaces and
/dev/net/tun are permitted; where they are not, the demo says what would permit them.

CAUTION: the pump of the demo is simulated. A real output starts a motor or opens a
valve while somebody may stand beside it. Before culvert, or anything else, drives
one, fit a local interlock that holds whatever arrives over the network, and follow
the local codes.`,
		Example: `  culvert demo            try everything once
  culvert demo --stay     keep the site up until Ctrl-C, with its web page on this machine
  culvert demo --shell    a shell inside: ping, coap-client-notls (Debian: libcoap3-bin) and culvert work there`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return runDemo(cmd, g, o) },
	}
	f := cmd.Flags()
	f.BoolVar(&o.stay, "stay", false, "keep the site up until Ctrl-C")
	f.BoolVar(&o.shell, "shell", false, "give a shell inside the site; it stays up until you leave the shell")
	f.BoolVar(&o.here, "here", false, "use the network of this machine itself, as root, instead of a namespace")
	f.StringVar(&o.listen, "http", "127.0.0.1:0", "`ADDRESS:PORT` where the web side listens; port 0 is a free one")
	f.BoolVar(&o.inside, "inside", false, "this is the process inside the namespace")
	f.StringVar(&o.dir, "dir", "", "folder of the site, for --inside")
	for _, name := range []string{"inside", "dir"} {
		if err := f.MarkHidden(name); err != nil {
			panic(err) // the flag was defined two lines above
		}
	}
	return cmd
}

// runDemo runs the demo from outside, or the part of it that is inside.
func runDemo(cmd *cobra.Command, g *cli.Globals, o demoOptions) error {
	if o.inside {
		return runDemoInside(cmd, g, o)
	}
	if o.stay && o.shell {
		return cli.AsUsage(errors.New("--stay and --shell exclude each other: with --shell the site stays up as long as the shell"))
	}
	dir, err := siteFolder()
	if err != nil {
		return fmt.Errorf("make a folder for the site: %w", err)
	}
	defer os.RemoveAll(dir)
	o.dir = dir
	listener, err := net.Listen("tcp", o.listen)
	if err != nil {
		return cli.Usagef("--http %s: %w", o.listen, err)
	}
	defer listener.Close()
	if o.here {
		return runDemoHere(cmd, g, o, listener)
	}
	file, err := listener.(*net.TCPListener).File()
	if err != nil {
		return fmt.Errorf("hand on the HTTP listener: %w", err)
	}
	defer file.Close()
	listener.Close() // the inner process has it
	code, err := runInner(cmd.Context(), inner{
		args:   demoArguments(g, o),
		env:    []string{cli.ConfigEnv + "=" + filepath.Join(dir, siteConfig)},
		files:  []*os.File{file},
		stdin:  cmd.InOrStdin(),
		stdout: cmd.OutOrStdout(),
		stderr: cmd.ErrOrStderr(),
	})
	if err != nil {
		return err
	}
	if code != cli.ExitOK {
		return &cli.ExitError{Code: code} // the inner process has said why
	}
	return nil
}

// siteFolder makes the private folder of the site, where the path of the control
// socket is not too long for one.
func siteFolder() (string, error) {
	const random = 16 // at least the octets that MkdirTemp adds
	base := os.TempDir()
	if len(filepath.Join(base, "culvert-demo-", "state/control.sock"))+random > conf.MaxControlPath {
		base = "/tmp"
	}
	return os.MkdirTemp(base, "culvert-demo-")
}

// demoArguments returns the command line of the inner process.
func demoArguments(g *cli.Globals, o demoOptions) []string {
	args := []string{"demo", "--inside", "--dir", o.dir}
	if g.Json {
		args = append(args, "--json")
	}
	if o.stay {
		args = append(args, "--stay")
	}
	if o.shell {
		args = append(args, "--shell")
	}
	return args
}

// runDemoInside is the demo inside the namespace.
func runDemoInside(cmd *cobra.Command, g *cli.Globals, o demoOptions) error {
	if o.dir == "" {
		return cli.Usagef("--inside is for the demo itself")
	}
	if err := netns.Enter(); err != nil {
		return err
	}
	file := os.NewFile(httpDescriptor, "http")
	listener, err := net.FileListener(file)
	file.Close()
	if err != nil {
		return fmt.Errorf("take over the HTTP listener: %w", err)
	}
	return siteDemo(cmd, g, o, listener)
}

// runDemoHere is the demo in the network of this machine itself.
func runDemoHere(cmd *cobra.Command, g *cli.Globals, o demoOptions, listener net.Listener) error {
	if err := checkTun(); err != nil {
		return err
	}
	if os.Geteuid() != 0 {
		return cli.Usagef("--here makes a network interface on this machine, which takes root")
	}
	return siteDemo(cmd, g, o, listener)
}

// siteDemo brings the site up, tries it, and leaves it up for as long as was asked.
func siteDemo(cmd *cobra.Command, g *cli.Globals, o demoOptions, listener net.Listener) (err error) {
	ctx, release, stop := interruptible(cmd.Context())
	defer stop()
	try, cancel := context.WithTimeout(ctx, demoLimit)
	defer cancel()
	s, err := startSite(try, o, listener)
	if err != nil {
		return err
	}
	r := &demoReport{out: cmd.OutOrStdout(), json: g.Json, options: o}
	defer func() {
		interrupted := ctx.Err() != nil
		err = errors.Join(err, s.stop())
		if interrupted && err == nil {
			r.say("\nstopped\n")
		}
	}()
	r.opening(s)
	tryAll(try, s, r)
	if ctx.Err() != nil {
		return errors.New("stopped by a signal, before everything was tried")
	}
	if try.Err() != nil {
		r.fail("not done within %v", demoLimit)
	}
	if err := r.closing(s); err != nil {
		return err
	}
	if !r.good() {
		s.printLog(cmd.ErrOrStderr())
	}
	switch {
	case o.shell:
		release() // Ctrl-C is for what runs in the shell
		if err := s.shell(ctx, cmd); err != nil {
			return err
		}
	case o.stay:
		select {
		case <-ctx.Done():
		case <-s.ended:
		}
	}
	if !r.good() {
		return &cli.ExitError{Code: cli.ExitBad} // the report has said what
	}
	return nil
}

// interruptible returns a context that the usual signals end. After release, SIGINT
// does not any more; it is not ignored either, since children would inherit that.
func interruptible(parent context.Context) (ctx context.Context, release, stop func()) {
	ctx, cancel := context.WithCancel(parent)
	var released atomic.Bool
	signals := make(chan os.Signal, 4)
	signal.Notify(signals, syscall.SIGINT, syscall.SIGTERM, syscall.SIGHUP)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for {
			select {
			case s := <-signals:
				if s != syscall.SIGINT || !released.Load() {
					cancel()
				}
			case <-ctx.Done():
				return
			}
		}
	}()
	return ctx, func() { released.Store(true) }, func() {
		cancel()
		<-ended
		signal.Stop(signals)
	}
}
