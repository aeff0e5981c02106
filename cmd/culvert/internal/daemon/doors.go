package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"

	"culvert/bridge/lan"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/metrics"
	"culvert/cmd/culvert/internal/web"
)

// openDoors opens what others ask through, and serves it with the group.
func (d *daemon) openDoors(ctx context.Context, doors *group) error {
	if err := d.coap.Listen(); err != nil {
		return err
	}
	doors.start(ctx, part{"CoAP front", d.coap.Run})
	if d.http == nil && d.cfg.HttpListen != "" {
		l, err := ListenHTTP(d.cfg.HttpListen, d.log)
		if err != nil {
			return err
		}
		d.http = l
	}
	if d.http != nil {
		doors.start(ctx, part{"HTTP side", d.web().Run})
	}
	return nil
}

// ListenHTTP opens the HTTP listener. Where this host has no [::1], since IPv6 is
// disabled, 127.0.0.1 takes its place: the same host, and nobody else, reaches it.
func ListenHTTP(at string, log *slog.Logger) (net.Listener, error) {
	l, err := net.Listen("tcp", at)
	host, port, _ := net.SplitHostPort(at)
	if err != nil && host == "::1" && (errors.Is(err, unix.EADDRNOTAVAIL) || errors.Is(err, unix.EAFNOSUPPORT)) {
		log.Warn("IPv6 is disabled on the loopback interface: HTTP listens at 127.0.0.1 in the place of [::1]",
			"do", "sysctl net.ipv6.conf.lo.disable_ipv6=0; 'culvert check' says more")
		l, err = net.Listen("tcp4", net.JoinHostPort("127.0.0.1", port))
	}
	if err != nil {
		return nil, fmt.Errorf("http.listen: %w", err)
	}
	return l, nil
}

// web makes the HTTP side.
func (d *daemon) web() *web.Server {
	build := cli.ReadBuildInfo()
	var siteStats func() lan.Stats
	if d.site != nil {
		siteStats = d.site.Stats
	}
	o := web.Options{
		Listener: d.http,
		Names:    d.cfg.HttpNames,
		Version:  build.Version,
		Log:      d.log,
		CoAP:     d.coap.HTTP(),
		Metrics: metrics.New(metrics.Options{Meshes: d.meshes, CoAP: d.coap, State: d.state.Stats, Upstream: siteStats,
			Reload: d.rules.last, Version: build.Version, Revision: build.Revision, GoVersion: build.Go, Log: d.log}).Handler(),
	}
	for i, m := range d.meshes {
		o.Meshes = append(o.Meshes, web.Mesh{
			Name:      m.Name(),
			Interface: d.cfg.Meshes[i].Iface,
			Table:     m.Nodes(),
			Up: func() (mesh, radio bool) {
				s := m.Stats()
				return s.Up, s.Forward.Radio.Up
			},
		})
	}
	return web.New(o)
}

// lockState makes the folder of the state, and makes sure that no other daemon uses
// it. A folder that cannot be written is no error: the daemon then keeps nothing.
func lockState(dir string, log *slog.Logger) (unlock func(), err error) {
	f, err := openLock(dir)
	switch {
	case errors.Is(err, unix.EMFILE), errors.Is(err, unix.ENFILE), errors.Is(err, unix.ENOMEM):
		return nil, fmt.Errorf("state_dir: %w", err)
	case err != nil:
		log.Warn("state_dir cannot be locked: nothing keeps another daemon from using it", "state_dir", dir, "cause", err)
		return func() {}, nil
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		defer f.Close()
		if !errors.Is(err, unix.EWOULDBLOCK) {
			return nil, fmt.Errorf("state_dir: lock %s: %w", f.Name(), err)
		}
		who := "another daemon"
		b := make([]byte, 16)
		if n, _ := f.Read(b); n > 0 {
			who += " (process " + strings.TrimSpace(string(b[:n])) + ")"
		}
		return nil, fmt.Errorf("state_dir: %s runs with %s already; stop it, or give this one its own state_dir", who, dir)
	}
	if err := f.Truncate(0); err == nil {
		fmt.Fprintln(f, os.Getpid()) // only a hint for whoever finds it locked
	}
	return func() { f.Close() }, nil
}

// openLock opens the file that a daemon locks, for reading where it may not be written.
func openLock(dir string) (*os.File, error) {
	path := filepath.Join(dir, "lock")
	err := os.MkdirAll(dir, 0o700)
	if err != nil {
		return nil, err
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if errors.Is(err, unix.EROFS) || errors.Is(err, os.ErrPermission) {
		if r, rerr := os.Open(path); rerr == nil {
			return r, nil
		}
	}
	return f, err
}
