package host

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/conf"
	"culvert/cmd/culvert/internal/control"
	"culvert/cmd/culvert/internal/findings"
	"culvert/coap/client"
)

// hostCheck is one check of this host. It fills in the finding.
type hostCheck struct {
	name string
	run  func(*host, context.Context, *findings.Finding)
}

// hostChecks lists the checks in order: later ones use what earlier ones found.
var hostChecks = []hostCheck{
	{"configuration", (*host).checkConfiguration},
	{"daemon", (*host).checkDaemon},
	{"service", (*host).checkService},
	{"tun", (*host).checkTun},
	{"capabilities", (*host).checkCapabilities},
	{"ipv6", (*host).checkIPv6},
	{"disk", (*host).checkDisk},
	{"state", (*host).checkState},
	{"outputs", (*host).checkOutputs},
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
	file    string              // the configuration
	cfg     *conf.Config        // nil if it is not valid
	running bool                // a daemon answers on the control socket
	site    *control.SiteAnswer // its answer to "site"; nil: not asked yet
	siteErr error               // why there is no answer

	tun   string // path of the TUN device
	proc  string // where procfs is mounted
	root  string // prefix of unitFolders, for tests
	caps  func() (effective uint64, err error)
	clock func() (now time.Time, synchronized bool, err error)
}

// checkHost runs `culvert check` without --radio.
func checkHost(ctx context.Context, g *cli.Globals, r *findings.CheckReport) error {
	h := newHost(g.Config)
	if err := h.run(ctx, r); err != nil {
		return err
	}
	return r.End(nil)
}

// newHost returns this machine, with the configuration in file.
func newHost(file string) *host {
	return &host{file: file, tun: cli.TunDevice, proc: "/proc", caps: effectiveCapabilities, clock: systemClock}
}

// run runs every check.
func (h *host) run(ctx context.Context, r *findings.CheckReport) error {
	for _, c := range hostChecks {
		f := findings.Finding{Check: c.name}
		c.run(h, ctx, &f)
		if err := r.Add(f); err != nil {
			return err
		}
	}
	return nil
}

// checkConfiguration reads the configuration file.
func (h *host) checkConfiguration(_ context.Context, f *findings.Finding) {
	cfg, err := conf.LoadConfig(h.file)
	var invalid conf.ConfigErrors
	switch {
	case err == nil:
		h.cfg = cfg
		f.OK("%s: %s", h.file, cli.MeshCount(len(cfg.Meshes)))
	case errors.As(err, &invalid):
		f.Wrong("%v", err).
			Do("correct these lines")
	default:
		f.Wrong("%v", err).
			Do("create the file, or name the file that the daemon reads: --config FILE")
	}
}

// checkDaemon connects to the daemon. A stopped daemon is no fault before its first run.
func (h *host) checkDaemon(ctx context.Context, f *findings.Finding) {
	path := ""
	if h.cfg != nil {
		path = h.cfg.Control
	} else {
		p, err := control.ControlPath(h.file)
		if err != nil {
			f.NotTried("the control socket is not known without a configuration")
			return
		}
		path = p
	}
	ctx, cancel := context.WithTimeout(ctx, control.ControlTimeout)
	defer cancel()
	c, err := client.DialControl(ctx, path)
	if err != nil {
		f.Note("%v", err)
		if f.Remedy = h.startRemedy(); errors.Is(unix.Access(path, unix.W_OK), os.ErrPermission) {
			f.Verdict, f.Remedy = findings.VerdictWrong, permissionRemedy(path)
		} else if h.hasRunBefore() {
			f.Verdict = findings.VerdictWrong
			f.Found += "\na daemon has run with this state_dir before; while it is stopped, no node can be reached"
		}
		return
	}
	defer c.Close()
	s, err := c.Status(ctx)
	if err != nil {
		f.Wrong("something listens at %s, but it does not answer like a culvert daemon: %v", path, err).
			Do("read the daemon's log, then restart it")
		return
	}
	h.running = true
	f.OK("version %s, running since %s with %s and %s", s.Version, s.Started.Format(time.DateTime),
		cli.MeshCount(len(s.Meshes)), cli.Plural(s.Nodes, "node"))
	if h.cfg != nil && !h.sameMeshes(s.Meshes) {
		f.Verdict = findings.VerdictNote
		f.Found += fmt.Sprintf("; it serves the meshes %s, which are not those of the file", strings.Join(s.Meshes, ", "))
		f.Remedy = "restart the daemon, so that it reads the changed file"
	}
}

// hasRunBefore reports whether a daemon has used this configuration's state_dir.
func (h *host) hasRunBefore() bool {
	if h.cfg == nil {
		return false
	}
	_, err := os.Stat(filepath.Join(h.cfg.StateDir, conf.StateFile))
	return err == nil
}

// sameMeshes reports whether the running daemon serves the meshes of the file.
func (h *host) sameMeshes(names []string) bool {
	var own []string
	for _, m := range h.cfg.Meshes {
		own = append(own, m.Name)
	}
	slices.Sort(own)
	return slices.Equal(own, slices.Sorted(slices.Values(names)))
}

// checkTun opens the TUN device, which creates no interface yet.
func (h *host) checkTun(_ context.Context, f *findings.Finding) {
	file, err := os.OpenFile(h.tun, os.O_RDWR, 0)
	switch {
	case err == nil:
		file.Close()
		f.OK("%s can be opened", h.tun)
	case errors.Is(err, os.ErrPermission):
		h.missingRight(f, err.Error(), "run the daemon as root; as a service, with DeviceAllow=/dev/net/tun rw")
	case errors.Is(err, os.ErrNotExist), errors.Is(err, unix.ENODEV), errors.Is(err, unix.ENXIO):
		f.Wrong("%v", err).
			Do("load the driver (modprobe tun); a container must be given the device")
	default:
		f.Wrong("%v", err).
			Do(fmt.Sprintf("check that %s is the kernel's TUN device (character device 10, 200)", h.tun))
	}
}

// checkCapabilities checks the capabilities that the daemon needs (capabilities(7)).
func (h *host) checkCapabilities(_ context.Context, f *findings.Finding) {
	have, err := h.caps()
	if err != nil {
		f.Wrong("%v", err).
			Do("the kernel did not report the capabilities of this process: try 'culvert run'")
		return
	}
	need := []struct {
		bit  uint
		name string
		what string
	}{{unix.CAP_NET_ADMIN, "CAP_NET_ADMIN", "needed for the TUN interface and its routes"}}
	if h.cfg != nil && slices.ContainsFunc(h.cfg.Meshes, func(m conf.MeshConfig) bool { return m.Radio.Kind == conf.RadioInterface }) {
		need = append(need, struct {
			bit  uint
			name string
			what string
		}{unix.CAP_NET_RAW, "CAP_NET_RAW", "needed for the radio interface"})
	}
	var names, missing []string
	for _, n := range need {
		names = append(names, n.name)
		if have>>n.bit&1 == 0 {
			missing = append(missing, n.name+" ("+n.what+")")
		}
	}
	if len(missing) == 0 {
		f.OK("%s", strings.Join(names, ", "))
		return
	}
	h.missingRight(f, "this process lacks "+strings.Join(missing, " and "),
		"run the daemon as root; as a service, with AmbientCapabilities="+strings.Join(names, " "))
}

// missingRight reports a right that this process lacks. It is no fault while a daemon runs:
// the daemon has the right.
func (h *host) missingRight(f *findings.Finding, what, remedy string) {
	if h.running {
		f.Note("%s; the running daemon has the rights that it needs", what)
		return
	}
	f.Wrong("%s", what).
		Do(remedy)
}

// effectiveCapabilities returns the capabilities that this process may use.
func effectiveCapabilities() (uint64, error) {
	head := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
	var data [2]unix.CapUserData
	if err := unix.Capget(&head, &data[0]); err != nil {
		return 0, os.NewSyscallError("capget", err)
	}
	return uint64(data[1].Effective)<<32 | uint64(data[0].Effective), nil
}
