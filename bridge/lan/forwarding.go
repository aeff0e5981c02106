package lan

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/vishvananda/netlink"
	"golang.org/x/sys/unix"
)

// Linux forwards IPv6 only if net.ipv6.conf.all.forwarding is set; the parameter of a
// single interface does not suffice. When it is set, the kernel removes the default
// routes that it learned from router advertisements and learns no more, except on
// interfaces with accept_ra=2. So accept_ra is written first.
//
// Writing all also writes each interface, and default for later ones.

const (
	keyForwarding = "forwarding"
	keyAcceptRA   = "accept_ra"
)

const parameterRoot = "/proc/sys/net/ipv6/conf"

// forwarding enables forwarding on this host, and restores the parameters at the end.
type forwarding struct {
	root       string // parameterRoot, or that of a test
	path       string // of the state file
	log        *slog.Logger
	saved      saved
	known      map[string]int // index of each interface seen by follow, by name; nil before the first call
	done       bool           // forwarding was on at some time
	lastLogged string         // last warning
}

// adopt takes over the changes of a killed run that are still in effect.
func (f *forwarding) adopt() {
	s, err := load(f.path)
	if err != nil {
		f.log.Warn("kernel parameters that an earlier run changed will not be put back", "err", err)
	}
	f.saved = s
	f.saved.Parameters = slices.DeleteFunc(f.saved.Parameters, func(p parameter) bool {
		v, err := f.read(p.Interface, p.Key)
		return err != nil || v != p.Set
	})
}

// follow adjusts the parameters to the current state of the host. It enables forwarding
// once, and later handles new interfaces. If another program disables forwarding it stays
// disabled.
func (f *forwarding) follow(h host) error {
	first := f.known == nil
	if first {
		f.adopt()
		f.known = map[string]int{}
		if err := f.saved.store(f.path); err != nil {
			f.log.Warn("an old state file stays", "err", err)
		}
	}
	var plan []parameter
	switch {
	case !f.done && !h.forwarding:
		plan = f.planEnable(h)
	case !first && f.enabledByUs():
		plan = f.planNewInterfaces(h)
	}
	clear(f.known)
	for name, l := range h.links {
		f.known[name] = l.index
	}
	if len(plan) == 0 {
		f.done = true
		return nil
	}
	err := f.apply(plan)
	f.done = f.done || err == nil
	return err
}

// enabledByUs reports whether this daemon enabled forwarding.
func (f *forwarding) enabledByUs() bool { return f.has("all", keyForwarding) }

// planEnable returns the writes that enable forwarding: first accept_ra=2 on each
// interface that accepts advertisements, and as the default for new ones.
func (f *forwarding) planEnable(h host) []parameter {
	var plan, forwarded []parameter
	for _, name := range sortedLinks(h) {
		l := h.links[name]
		if name != "lo" && l.acceptRA == 1 && l.forwarding == 0 {
			plan = append(plan, parameter{name, keyAcceptRA, "1", "2"})
		}
		if l.forwarding > 0 {
			forwarded = append(forwarded, parameter{name, keyForwarding, strconv.Itoa(l.forwarding), "1"})
		}
	}
	if h.defaultForwarding {
		forwarded = append(forwarded, parameter{"default", keyForwarding, "1", "1"})
	} else if v, err := f.read("default", keyAcceptRA); err == nil && v == "1" {
		plan = append(plan, parameter{"default", keyAcceptRA, "1", "2"})
	}
	plan = append(plan, parameter{"all", keyForwarding, "0", "1"})
	return append(plan, forwarded...)
}

// planNewInterfaces returns the writes for interfaces that appeared since forwarding was
// enabled. They inherited our defaults, which are to be restored at the end. After a kill
// they cannot be identified: they keep accept_ra=2, which is harmless.
func (f *forwarding) planNewInterfaces(h host) []parameter {
	var plan []parameter
	for _, name := range sortedLinks(h) {
		l := h.links[name]
		if index, known := f.known[name]; known && index == l.index || name == "lo" {
			continue
		}
		inherited := l.acceptRA == 2 && f.has("default", keyAcceptRA)
		if inherited || l.acceptRA == 1 && !f.has("default", keyForwarding) {
			plan = append(plan, parameter{name, keyAcceptRA, "1", "2"})
		}
	}
	return plan
}

func (f *forwarding) has(name, key string) bool {
	return slices.ContainsFunc(f.saved.Parameters, func(p parameter) bool { return p.Interface == name && p.Key == key })
}

// apply records the plan in the state file and then writes it. Parameters whose write
// failed are not restored later.
func (f *forwarding) apply(plan []parameter) error {
	for i := range plan { // replace entries of an interface that was created again
		f.drop(plan[i])
	}
	f.saved.Parameters = append(f.saved.Parameters, plan...)
	if err := f.saved.store(f.path); err != nil {
		f.saved.Parameters = f.saved.Parameters[:len(f.saved.Parameters)-len(plan)]
		if f.checkWritable() == nil {
			return fmt.Errorf("%w: forwarding is not changed, since it could not be restored after a kill", err)
		}
	}
	var failed []string
	var cause error
	for _, p := range plan {
		if p.Interface == "all" && failed != nil {
			// Enabling forwarding now would remove the default route.
			failed = append(failed, p.line())
			f.drop(p)
			continue
		}
		err := f.write(p.Interface, p.Key, p.Set)
		if err == nil {
			continue
		}
		f.drop(p)
		if errors.Is(err, fs.ErrNotExist) && f.checkWritable() == nil {
			continue // the interface was removed meanwhile
		}
		failed, cause = append(failed, p.line()), err
	}
	if failed == nil {
		return nil
	}
	err := f.saved.store(f.path)
	return errors.Join(err, fmt.Errorf("lan: kernel parameters cannot be written (%w): set them beforehand, "+
		"in a file /etc/sysctl.d/60-culvert.conf with the lines %q, or let the daemon write them "+
		"(under systemd ReadWritePaths=/proc/sys/net/ipv6/conf and no ProcSubset=pid); see deploy/UPSTREAM.md", cause, failed))
}

func (f *forwarding) drop(p parameter) {
	f.saved.Parameters = slices.DeleteFunc(f.saved.Parameters, func(q parameter) bool {
		return q.Interface == p.Interface && q.Key == p.Key && q.Set == p.Set
	})
}

// line returns the parameter in the form of sysctl.d(5), where a dot in an interface's
// name is a slash.
func (p parameter) line() string {
	return fmt.Sprintf("net.ipv6.conf.%s.%s = %s", strings.ReplaceAll(p.Interface, ".", "/"), p.Key, p.Set)
}

// putBack restores the saved parameters that still have our value. It keeps the entries
// that could not be restored.
func (f *forwarding) putBack() error {
	var ours []parameter
	for _, p := range f.saved.Parameters {
		if v, err := f.read(p.Interface, p.Key); err == nil && v == p.Set {
			ours = append(ours, p)
		}
	}
	// Writing forwarding for all overwrites each interface, so all comes first. accept_ra
	// comes last, when forwarding is off.
	rank := func(p parameter) int {
		switch {
		case p.Key != keyForwarding:
			return 2
		case p.Interface != "all":
			return 1
		}
		return 0
	}
	slices.SortStableFunc(ours, func(a, b parameter) int { return rank(a) - rank(b) })
	var left []parameter
	var errs []error
	for _, p := range ours {
		err := f.write(p.Interface, p.Key, p.Was)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			left = append(left, p)
			errs = append(errs, fmt.Errorf("lan: put net.ipv6.conf.%s.%s back to %s: %w", p.Interface, p.Key, p.Was, err))
		}
	}
	f.saved.Parameters = left
	return errors.Join(append(errs, f.saved.store(f.path))...)
}

// logOnChange warns about what is wrong with the parameters, once for each state.
func (f *forwarding) logOnChange(h host, interfaces []string, err error) {
	var s string
	switch {
	case err != nil && !h.forwarding:
		s = "this host does not forward IPv6, so nothing from the site's network reaches the meshes: " + err.Error()
	case err != nil:
		s = err.Error()
	case !h.forwarding:
		s = "another program disabled forwarding; routes are withdrawn until it is enabled again"
	default:
		for _, name := range interfaces {
			if l := h.links[name]; l != nil && l.acceptRA == 1 && l.forwarding == 1 {
				s = fmt.Sprintf("%s takes no router advertisements, since this host forwards and accept_ra is 1; "+
					"if its default route is to come from them, set net.ipv6.conf.%s.accept_ra=2", name, name)
			}
		}
	}
	if s != "" && s != f.lastLogged {
		f.log.Warn(s)
	}
	f.lastLogged = s
}

func (f *forwarding) read(name, key string) (string, error) {
	b, err := os.ReadFile(filepath.Join(f.root, name, key))
	return strings.TrimSpace(string(b)), err
}

func (f *forwarding) write(name, key, value string) error {
	file, err := os.OpenFile(filepath.Join(f.root, name, key), os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = file.WriteString(value)
	return errors.Join(err, file.Close())
}

// checkWritable returns an error if parameters cannot be written.
func (f *forwarding) checkWritable() error {
	file, err := os.OpenFile(filepath.Join(f.root, "all", keyForwarding), os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	return file.Close()
}

func sortedLinks(h host) []string {
	names := make([]string, 0, len(h.links))
	for name := range h.links {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// Restore restores the kernel parameters and routes that a killed run changed and no
// other program has changed since, and removes the state file. Call it at a start without
// a Network; Run does the same. It is no error if the file does not exist.
func Restore(state string) error {
	s, err := load(state)
	if err != nil {
		return err
	}
	f := forwarding{root: parameterRoot, path: state, log: slog.New(slog.DiscardHandler), saved: s}
	if s.empty() {
		return s.store(state) // removes one of another boot
	}
	var errs []error
	if len(s.Routes) > 0 {
		h, err := netlink.NewHandle(unix.NETLINK_ROUTE)
		if err != nil {
			return fmt.Errorf("lan: open netlink: %w", err)
		}
		defer h.Close()
		errs = append(errs, removeRoutes(h, &f.saved))
	}
	return errors.Join(append(errs, f.putBack())...)
}
