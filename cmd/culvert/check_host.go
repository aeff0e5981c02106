package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"culvert/coap/client"

	"golang.org/x/sys/unix"
)

// hostCheck is one check of this host. Each sets the verdict of a finding, says
// what it found, and what to do.
type hostCheck struct {
	name string
	run  func(*host, context.Context, *finding)
}

// hostChecks are the checks of this host, in order: later ones build on what the
// earlier ones found.
var hostChecks = []hostCheck{
	{"configuration", (*host).checkConfiguration},
	{"daemon", (*host).checkDaemon},
	{"service", (*host).checkService},
	{"tun", (*host).checkTun},
	{"capabilities", (*host).checkCapabilities},
	{"ipv6", (*host).checkIPv6},
	{"disk", (*host).checkDisk},
	{"state", (*host).checkState},
	{"clock", (*host).checkClock},
	{"interface", (*host).checkInterfaces},
	{"mesh route", (*host).checkMeshRoutes},
	{"source rules", (*host).checkSourceRules},
	{"forwarding", (*host).checkForwarding},
	{"firewall", (*host).checkForwardChains},
	{"route", (*host).checkRouteLine},
	{"upstream", (*host).checkUpstream},
	{"radio", (*host).checkRadios},
	{"nodes", (*host).checkNodes},
	{"strangers", (*host).checkStrangers},
	{"places", (*host).checkPlaces},
	{"losses", (*host).checkLosses},
	{"contexts", (*host).checkContexts},
	{"rules", (*host).checkRefused},
}

// host is this machine, as the checks see it.
type host struct {
	file    string      // the configuration
	cfg     *config     // nil if it is not valid
	running bool        // a daemon answers on the control socket
	site    *siteAnswer // what it says of the site; nil: not asked yet
	siteErr error       // why it could not be asked

	tun   string // path of the TUN driver
	proc  string // where the kernel's files are mounted
	root  string // before the folders of units; empty but in tests
	caps  func() (effective uint64, err error)
	clock func() (now time.Time, synchronized bool, err error)
}

// checkHost is `culvert check` without --radio.
func checkHost(ctx context.Context, g *globals, r *checkReport) error {
	h := newHost(g.config)
	if err := h.run(ctx, r); err != nil {
		return err
	}
	return r.end(nil)
}

// newHost returns this machine, with the configuration in file.
func newHost(file string) *host {
	return &host{file: file, tun: tunDevice, proc: "/proc", caps: effectiveCaps, clock: systemClock}
}

// run makes every check.
func (h *host) run(ctx context.Context, r *checkReport) error {
	for _, c := range hostChecks {
		f := finding{Check: c.name}
		c.run(h, ctx, &f)
		if err := r.add(f); err != nil {
			return err
		}
	}
	return nil
}

// checkConfiguration reads the configuration file.
func (h *host) checkConfiguration(_ context.Context, f *finding) {
	cfg, err := loadConfig(h.file)
	var invalid configErrors
	switch {
	case err == nil:
		h.cfg = cfg
		f.set(verdictOK, "%s: %s", h.file, meshCount(len(cfg.meshes)))
	case errors.As(err, &invalid):
		f.set(verdictWrong, "%v", err)
		f.Remedy = "correct what these lines name"
	default:
		f.set(verdictWrong, "%v", err)
		f.Remedy = "write the file, or name the one that the daemon reads with --config FILE"
	}
}

// checkDaemon asks a running daemon. That there is none is no fault: it may not have
// been started yet.
func (h *host) checkDaemon(ctx context.Context, f *finding) {
	path := ""
	if h.cfg != nil {
		path = h.cfg.control
	} else {
		p, err := controlPath(h.file)
		if err != nil {
			f.set(verdictNotTried, "without a configuration it is not known where the daemon listens")
			return
		}
		path = p
	}
	ctx, cancel := context.WithTimeout(ctx, controlTimeout)
	defer cancel()
	c, err := client.DialControl(ctx, path)
	if err != nil {
		f.set(verdictNote, "%v", err)
		if f.Remedy = h.startRemedy(); errors.Is(unix.Access(path, unix.W_OK), os.ErrPermission) {
			f.Verdict, f.Remedy = verdictWrong, deniedRemedy(path)
		} else if h.ranHere() {
			f.Verdict = verdictWrong
			f.Found += "\nit ran with this state_dir before: no node can be reached"
		}
		return
	}
	defer c.Close()
	s, err := c.Status(ctx)
	if err != nil {
		f.set(verdictWrong, "something listens at %s, and does not answer as a daemon does: %v", path, err)
		f.Remedy = "look into the daemon's log, and start it anew"
		return
	}
	h.running = true
	f.set(verdictOK, "version %s runs since %s with %s and %s", s.Version, s.Started.Format(time.DateTime),
		meshCount(len(s.Meshes)), plural(s.Nodes, "node"))
	if h.cfg != nil && !h.sameMeshes(s.Meshes) {
		f.Verdict = verdictNote
		f.Found += fmt.Sprintf("; its meshes are %s, and not those of the file", strings.Join(s.Meshes, ", "))
		f.Remedy = "start the daemon anew, so that it reads the file as it is now"
	}
}

// ranHere reports whether a daemon has run with this configuration's state: from then
// on one that does not run is a fault.
func (h *host) ranHere() bool {
	if h.cfg == nil {
		return false
	}
	_, err := os.Stat(filepath.Join(h.cfg.stateDir, stateFile))
	return err == nil
}

// sameMeshes reports whether a running daemon has the meshes of the file.
func (h *host) sameMeshes(names []string) bool {
	var own []string
	for _, m := range h.cfg.meshes {
		own = append(own, m.name)
	}
	slices.Sort(own)
	return slices.Equal(own, slices.Sorted(slices.Values(names)))
}

// checkTun opens the TUN driver, which makes no interface yet.
func (h *host) checkTun(_ context.Context, f *finding) {
	file, err := os.OpenFile(h.tun, os.O_RDWR, 0)
	switch {
	case err == nil:
		file.Close()
		f.set(verdictOK, "%s can be opened", h.tun)
	case errors.Is(err, os.ErrPermission):
		h.lacking(f, err.Error(), "run the daemon as root; as a service, with DeviceAllow=/dev/net/tun rw")
	case errors.Is(err, os.ErrNotExist), errors.Is(err, unix.ENODEV), errors.Is(err, unix.ENXIO):
		f.set(verdictWrong, "%v", err)
		f.Remedy = "load the driver (modprobe tun); in a container, let it have the device"
	default:
		f.set(verdictWrong, "%v", err)
		f.Remedy = fmt.Sprintf("see that %s is the kernel's TUN driver: character device 10, 200", h.tun)
	}
}

// checkCapabilities looks for the rights that the daemon needs (capabilities(7)).
func (h *host) checkCapabilities(_ context.Context, f *finding) {
	have, err := h.caps()
	if err != nil {
		f.set(verdictWrong, "%v", err)
		f.Remedy = "this kernel does not say which rights a process has: try culvert run itself"
		return
	}
	need := []struct {
		bit  uint
		name string
		what string
	}{{unix.CAP_NET_ADMIN, "CAP_NET_ADMIN", "makes the TUN interface and its routes"}}
	if h.cfg != nil && slices.ContainsFunc(h.cfg.meshes, func(m meshConfig) bool { return m.radio.kind == radioInterface }) {
		need = append(need, struct {
			bit  uint
			name string
			what string
		}{unix.CAP_NET_RAW, "CAP_NET_RAW", "opens the radio interface"})
	}
	var names, missing []string
	for _, n := range need {
		names = append(names, n.name)
		if have>>n.bit&1 == 0 {
			missing = append(missing, n.name+", which "+n.what)
		}
	}
	if len(missing) == 0 {
		f.set(verdictOK, "%s", strings.Join(names, ", "))
		return
	}
	h.lacking(f, "this process has no "+strings.Join(missing, "; no "),
		"run the daemon as root; as a service, with AmbientCapabilities="+strings.Join(names, " "))
}

// lacking sets what a finding says of a right that this process does not have. Where
// a daemon runs, it has that right, whoever asks here.
func (h *host) lacking(f *finding, what, remedy string) {
	if h.running {
		f.set(verdictNote, "%s; the daemon, which runs, has what it needs", what)
		return
	}
	f.set(verdictWrong, "%s", what)
	f.Remedy = remedy
}

// effectiveCaps returns the capabilities that this process may use.
func effectiveCaps() (uint64, error) {
	head := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
	var data [2]unix.CapUserData
	if err := unix.Capget(&head, &data[0]); err != nil {
		return 0, os.NewSyscallError("capget", err)
	}
	return uint64(data[1].Effective)<<32 | uint64(data[0].Effective), nil
}
