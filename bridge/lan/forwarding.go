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

// Linux forwards IPv6 only where net.ipv6.conf.all.forwarding says so; setting it
// for an interface alone forwards nothing. When it goes on, the kernel removes the
// default routes that it took from router advertisements, and takes no more,
// except on interfaces whose accept_ra is 2. So accept_ra comes first.
//
// Writing it for all writes it for each interface and for later ones (default).

const (
	keyForwarding = "forwarding"
	keyAcceptRA   = "accept_ra"
)

const parameterRoot = "/proc/sys/net/ipv6/conf"

// A forwarding keeps this host forwarding.
type forwarding struct {
	root       string // parameterRoot, or that of a test
	path       string // of the state file
	log        *slog.Logger
	saved      saved
	known      map[string]int // index of each interface that was looked at, by name; nil before the first
	done       bool           // forwarding was on once
	lastLogged string         // the last complaint
}

// adopt takes over what a killed run changed and nobody has changed since.
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

// follow brings the parameters in line with the host as it is now: it switches
// forwarding on, once, and later looks after interfaces that have come since.
// Where forwarding goes off again it was somebody else, who has a reason.
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

// switchedOn reports whether it was us who switched forwarding on.
func (f *forwarding) enabledByUs() bool { return f.has("all", keyForwarding) }

// planOn is what switches forwarding on: accept_ra on each interface that takes
// advertisements now, and on those to come, before forwarding.
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

// planNew is for the interfaces that came while we forward: they have what we set
// for those to come, and are to lose it with us. After a kill nobody knows which
// those are; that an interface keeps accept_ra=2 then changes nothing.
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

// apply writes the plan down, and then carries it out. What fails is not ours to
// put back.
func (f *forwarding) apply(plan []parameter) error {
	for i := range plan { // an entry made anew, as of an interface made again
		f.drop(plan[i])
	}
	f.saved.Parameters = append(f.saved.Parameters, plan...)
	if err := f.saved.store(f.path); err != nil {
		f.saved.Parameters = f.saved.Parameters[:len(f.saved.Parameters)-len(plan)]
		if f.checkWritable() == nil {
			return fmt.Errorf("%w: forwarding stays as it is, since it could not be put back after a kill", err)
		}
	}
	var failed []string
	var cause error
	for _, p := range plan {
		if p.Interface == "all" && failed != nil {
			// Forwarding now would cost the default route.
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
			continue // the interface went away meanwhile
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

// line is the parameter as sysctl.d(5) has it. A dot in an interface's name is a
// slash there.
func (p parameter) line() string {
	return fmt.Sprintf("net.ipv6.conf.%s.%s = %s", strings.ReplaceAll(p.Interface, ".", "/"), p.Key, p.Set)
}

// putBack undoes what was saved where it is still as we set it, and keeps what
// could not be undone.
func (f *forwarding) putBack() error {
	var ours []parameter
	for _, p := range f.saved.Parameters {
		if v, err := f.read(p.Interface, p.Key); err == nil && v == p.Set {
			ours = append(ours, p)
		}
	}
	// Forwarding for all takes that of each interface along, so it is first; what
	// each had follows, and accept_ra comes when nothing is forwarded any more.
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

// complain logs what the interfaces' parameters still lack, once.
func (f *forwarding) logOnChange(h host, interfaces []string, err error) {
	var s string
	switch {
	case err != nil && !h.forwarding:
		s = "this host does not forward IPv6, so nothing from the site's network reaches the meshes: " + err.Error()
	case err != nil:
		s = err.Error()
	case !h.forwarding:
		s = "forwarding was switched off by another program; routes are withdrawn until it is on again"
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

// writable returns why no parameter can be written.
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

// Restore puts back the kernel parameters and routes that a killed run left
// changed, those that still are as that run set them, and removes the file. It is
// for a start without a Network; Run does the same by itself. A file that does
// not exist is no error.
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
