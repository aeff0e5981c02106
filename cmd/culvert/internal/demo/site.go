package demo

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"culvert/bridge/node"
	"culvert/cmd/culvert/internal/conf"
	"culvert/cmd/culvert/internal/control"
	"culvert/cmd/culvert/internal/daemon"
	"culvert/coap/api"
	"culvert/coap/client"
	"culvert/deploy/fenland"
)

// The names of the site's files in its folder.
const (
	siteConfig = "culvert.toml"
	sitePlan   = "site.toml"
	siteLog    = "culvert.log"
)

// How long the site may take for its steps.
const (
	siteUpWait   = 10 * time.Second // until the control socket answers
	siteJoinWait = 25 * time.Second // until all nodes have joined
	siteDownWait = 10 * time.Second // until the daemon has stopped
)

// site is the example site while it runs in this process.
type site struct {
	cfg    *conf.Config
	dir    string
	inside bool // in a namespace of its own
	web    net.Addr
	log    *os.File
	client *client.Client
	cancel context.CancelFunc
	ended  chan struct{} // closed once the daemon has stopped
	err    error         // of the daemon; read after ended
}

// startSite writes the files of the site into its folder and starts the daemon on them, in
// this process and this network namespace. The HTTP listener becomes the daemon's,
// and is closed on an error too.
func startSite(ctx context.Context, o demoOptions, listener net.Listener) (*site, error) {
	s := &site{dir: o.dir, inside: o.inside, web: listener.Addr(), ended: make(chan struct{})}
	if err := s.prepare(); err != nil {
		listener.Close()
		return nil, fmt.Errorf("prepare the site: %w", err)
	}
	run, cancel := context.WithCancel(context.WithoutCancel(ctx))
	s.cancel = cancel
	log := slog.New(slog.NewTextHandler(s.log, nil))
	go func() {
		defer close(s.ended)
		s.err = daemon.RunDaemon(run, s.cfg, daemon.DaemonOptions{Log: log, Http: listener})
	}()
	if err := s.dial(ctx); err != nil {
		return nil, errors.Join(err, s.stop())
	}
	return s, nil
}

// prepare writes the files and reads the configuration back.
func (s *site) prepare() error {
	for name, data := range map[string][]byte{siteConfig: fenland.Config, sitePlan: fenland.Site} {
		if err := os.WriteFile(filepath.Join(s.dir, name), data, 0o600); err != nil {
			return err
		}
	}
	var err error
	if s.cfg, err = conf.LoadConfig(filepath.Join(s.dir, siteConfig)); err != nil {
		return err
	}
	s.log, err = os.OpenFile(filepath.Join(s.dir, siteLog), os.O_CREATE|os.O_RDWR|os.O_APPEND, 0o600)
	return err
}

// dial waits for the control socket.
func (s *site) dial(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, siteUpWait)
	defer cancel()
	tick := time.NewTicker(pollInterval / 4)
	defer tick.Stop()
	for {
		c, err := client.DialControl(ctx, s.cfg.Control)
		if err == nil {
			s.client = c
			return nil
		}
		select {
		case <-s.ended:
			return errors.New("the daemon did not start") // stop returns why
		case <-ctx.Done():
			return fmt.Errorf("the daemon is not up after %v: %w", siteUpWait, err)
		case <-tick.C:
		}
	}
}

// stop ends the daemon and waits for it. It returns what the daemon ended with, or
// that it hangs.
func (s *site) stop() error {
	if s.client != nil {
		s.client.Close()
	}
	s.cancel()
	defer s.log.Close()
	select {
	case <-s.ended:
		return s.err
	case <-time.After(siteDownWait):
		return fmt.Errorf("the daemon has not stopped within %v", siteDownWait)
	}
}

// waitJoined waits until every place of the site has a node that is up, and calls
// joined for each as it comes. It returns the nodes that are up in the order of the
// configuration, with an error if some are missing.
func (s *site) waitJoined(ctx context.Context, joined func(api.NodeState, time.Duration)) ([]api.NodeState, error) {
	start := time.Now()
	ctx, cancel := context.WithTimeout(ctx, siteJoinWait)
	defer cancel()
	tick := time.NewTicker(pollInterval)
	defer tick.Stop()
	up := map[string]api.NodeState{}
	places := s.cfg.Meshes[0].Places
	for len(up) < len(places) {
		nodes, err := control.ListNodes(ctx, s.client)
		if err != nil && ctx.Err() == nil {
			return s.inOrder(up), err
		}
		for _, n := range nodes {
			there := n.State == node.Up.String() || n.State == node.Joining.String() // it may have sent nothing yet
			if _, known := up[n.Node]; there && n.Address != nil && !known {
				up[n.Node] = n
				joined(n, time.Since(start))
			}
		}
		select {
		case <-ctx.Done():
			return s.inOrder(up), fmt.Errorf("%d of %d nodes have joined after %v", len(up), len(places), time.Since(start).Round(time.Second))
		case <-s.ended:
			return nil, errors.New("the daemon has stopped")
		case <-tick.C:
		}
	}
	return s.inOrder(up), nil
}

// inOrder returns the nodes of the places in the order of the configuration.
func (s *site) inOrder(up map[string]api.NodeState) []api.NodeState {
	var out []api.NodeState
	for _, p := range s.cfg.Meshes[0].Places {
		if n, ok := up[p.Name]; ok {
			out = append(out, n)
		}
	}
	return out
}

// printLog prints the end of the daemon's log.
func (s *site) printLog(w io.Writer) {
	const lines = 20
	b, err := os.ReadFile(s.log.Name())
	if err != nil || len(b) == 0 {
		return
	}
	all := strings.Split(string(bytes.TrimSpace(b)), "\n")
	fmt.Fprintf(w, "\nThe last lines of the daemon's log:\n%s\n", strings.Join(all[max(0, len(all)-lines):], "\n"))
}
