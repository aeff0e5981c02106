package tun

import (
	"errors"
	"fmt"
	"log/slog"
	"net/netip"
	"os"
	"time"

	"github.com/vishvananda/netlink"
	"github.com/vishvananda/netlink/nl"
	"golang.org/x/sys/unix"

	"culvert/tun/rtnl"
)

// Protocol marks our policy rules. It is an unregistered routing protocol number of
// rtnetlink.
const Protocol = 108

// Linux does not check the source address of an IPv6 packet against the interface on
// which it arrived. So these rules of each mesh precede all others:
//
//	0: from PREFIX iif lo         goto 1         this host's own packets
//	0: from PREFIX iif INTERFACE  goto 1         the mesh's
//	0: from PREFIX                blackhole      all others
//	0: from all                   lookup local   the kernel's own rule
//	1: from PREFIX                lookup local   then on through the host's rules
//
// If the prefix is also on-link on another network (Options.Shared), two more kinds
// precede the third rule:
//
//	0: from GATEWAY               blackhole      nobody else has that address
//	0: from PREFIX iif NETWORK    goto 1         hosts of that network
//
// The kernel's rule for local addresses comes first by default. It is moved behind ours:
// else this host would accept a forged packet to one of its own addresses, and answer it
// into the mesh.
const (
	priorityMesh   = 0
	priorityResume = 1
)

// lockWait bounds the wait for another daemon's lock, which is held for milliseconds.
const lockWait = 10 * time.Second

const actionNop = 3 // FR_ACT_NOP (linux/fib_rules.h)

// ruleSet is the policy rules of one mesh.
type ruleSet struct {
	handle *netlink.Handle
	raw    map[int]*nl.SocketHandle // for requests that handle does not offer
	lock   *os.File                 // the network namespace itself
	log    *slog.Logger
	name   string
	prefix netip.Prefix
	own    netip.Prefix // the gateway's address alone
	shared []string
}

func (d *Device) rules() ruleSet {
	return ruleSet{handle: d.handle, raw: d.raw, lock: d.lock, log: d.opts.Log, name: d.opts.Name, prefix: d.opts.Prefix,
		own: netip.PrefixFrom(d.opts.Gateway, 128), shared: d.opts.Shared}
}

// setRules installs the rules of the mesh in place of those that an earlier run left.
func (d *Device) setRules() error {
	r := d.rules()
	return r.locked(func() error {
		if err := r.unclaimed(); err != nil {
			return err
		}
		d.ruled = true
		if err := r.remove(); err != nil {
			return err
		}
		return r.install()
	})
}

// dropRules removes the rules after the interface is gone, unless another
// process has opened one of the same name since.
func (d *Device) dropRules() error {
	if !d.ruled {
		return nil
	}
	link, err := d.handle.LinkByName(d.opts.Name)
	if err == nil && link.Attrs().Index != d.index {
		return nil
	}
	r := d.rules()
	return r.locked(r.remove)
}

// openLock opens the file of the calling thread's network namespace, which all processes
// in it share.
func openLock() (*os.File, error) {
	f, err := os.Open("/proc/thread-self/ns/net")
	if err != nil {
		return nil, fmt.Errorf("network namespaces need a mounted /proc: %w", err)
	}
	return f, nil
}

// locked runs f while it holds the lock on the rules of the namespace against other
// daemons. The kernel releases the lock of a killed process.
func (r ruleSet) locked(f func() error) error {
	for deadline := time.Now().Add(lockWait); ; time.Sleep(time.Millisecond) {
		err := unix.Flock(int(r.lock.Fd()), unix.LOCK_EX|unix.LOCK_NB)
		if err == nil {
			break
		}
		if !errors.Is(err, unix.EWOULDBLOCK) || time.Now().After(deadline) {
			return fmt.Errorf("lock the policy rules against other daemons: %w", err)
		}
	}
	err := f()
	return errors.Join(err, unix.Flock(int(r.lock.Fd()), unix.LOCK_UN))
}

// mesh returns the rules of the mesh in their order.
func (r ruleSet) mesh() []*netlink.Rule {
	rule := func(priority int, source netip.Prefix) *netlink.Rule {
		rule := netlink.NewRule()
		rule.Priority, rule.Protocol, rule.Src = priority, Protocol, rtnl.IPNet(source)
		return rule
	}
	from := func(interfaceName string) *netlink.Rule {
		rule := rule(priorityMesh, r.prefix)
		rule.IifName, rule.Goto = interfaceName, priorityResume
		return rule
	}
	blackhole := func(source netip.Prefix) *netlink.Rule {
		rule := rule(priorityMesh, source)
		rule.Type = unix.RTN_BLACKHOLE
		return rule
	}
	rules := []*netlink.Rule{from("lo"), from(r.name)}
	if len(r.shared) > 0 {
		rules = append(rules, blackhole(r.own))
		for _, name := range r.shared {
			rules = append(rules, from(name))
		}
	}
	resume := rule(priorityResume, r.prefix)
	resume.Table = unix.RT_TABLE_LOCAL
	return append(rules, blackhole(r.prefix), resume)
}

// unclaimed returns an error if another interface serves the prefix.
func (r ruleSet) unclaimed() error {
	all, err := r.list()
	if err != nil {
		return err
	}
	for _, rule := range all {
		if rule.Protocol != Protocol || source(rule) != r.prefix || rule.Goto < 0 ||
			rule.IifName == "lo" || rule.IifName == r.name {
			continue
		}
		// A killed run may have left rules for a network that shared the prefix.
		if link, err := r.handle.LinkByName(rule.IifName); err == nil && link.Type() == (&netlink.Tuntap{}).Type() {
			return fmt.Errorf("prefix %v already belongs to interface %s", r.prefix, rule.IifName)
		}
	}
	return nil
}

// install adds the rules, none of which may exist.
func (r ruleSet) install() error {
	all, err := r.list()
	if err != nil {
		return err
	}
	rules := r.mesh()
	resume := rules[len(rules)-1]
	if !hasLocal(all) {
		// A host with virtual routing tables (VRF) looks local addresses up later.
		resume.Table, resume.Type = unix.RT_TABLE_UNSPEC, actionNop
	}
	// The rule to which the others jump is added first. Rules of one priority keep the
	// order in which they are added.
	for _, rule := range append([]*netlink.Rule{resume}, rules[:len(rules)-1]...) {
		if err := r.handle.RuleAdd(rule); err != nil {
			return refused(fmt.Sprintf("add policy rule %v", rule), err)
		}
	}
	return r.moveLocal()
}

// remove deletes the rules of the mesh, and those of an earlier run in which the
// interface had another prefix.
func (r ruleSet) remove() error {
	all, err := r.list()
	if err != nil {
		return err
	}
	mine := map[netip.Prefix]bool{r.prefix: true}
	for _, rule := range all {
		if rule.Protocol == Protocol && rule.IifName == r.name {
			mine[source(rule)] = true
		}
	}
	for i := range all {
		rule := &all[i]
		if rule.Protocol != Protocol || rule.Src == nil || !belongs(source(*rule), mine) {
			continue
		}
		if err := r.handle.RuleDel(rule); err != nil && !errors.Is(err, unix.ENOENT) {
			return refused(fmt.Sprintf("remove policy rule %v", rule), err)
		}
	}
	return nil
}

// belongs reports whether source is a prefix of mine, or the gateway's address in one.
func belongs(source netip.Prefix, mine map[netip.Prefix]bool) bool {
	return mine[source] || source.IsSingleIP() && mine[netip.PrefixFrom(source.Addr(), 64).Masked()]
}

// complete reports whether all rules are installed in their order and the kernel's rule
// for local addresses follows them.
func (r ruleSet) complete() (bool, error) {
	all, err := r.list()
	if err != nil {
		return false, err
	}
	want, next := r.mesh(), 0
	for _, rule := range all {
		switch {
		case isLocal(rule) && next < len(want)-1:
			return false, nil
		case rule.Protocol != Protocol || source(rule) != r.prefix && (source(rule) != r.own || len(r.shared) == 0):
		case next == len(want) || rule.IifName != want[next].IifName || rule.Priority != want[next].Priority ||
			source(rule) != source(*want[next]):
			return false, nil
		default:
			next++
		}
	}
	return next == len(want), nil
}

// moveLocal moves the kernel's rule for local addresses behind ours. It adds a second
// rule before it removes the first, so that one exists at any time. It lists the rules
// before each step: other programs change rules too, and a run that was killed in between
// has left two.
func (r ruleSet) moveLocal() error {
	const step, steps = "move the policy rule for local addresses", 10
	had := false
	for range steps {
		all, err := r.list()
		if err != nil {
			return err
		}
		count, first, last := 0, -1, -1 // of the local rules; the last of ours that must precede them
		for i, rule := range all {
			switch {
			case isLocal(rule):
				if count++; first < 0 {
					first = i
				}
			case rule.Protocol == Protocol && rule.Priority == priorityMesh:
				last = i
			case rule.Priority == priorityMesh && rule.Table == unix.RT_TABLE_LOCAL:
				// Removing the first local rule might remove this one.
				r.log.Warn("another program's policy rule keeps the mesh's rules from preceding local addresses: "+
					"this host accepts packets to its own addresses with a forged source in the mesh", "rule", rule.String())
				return nil
			}
		}
		had = had || count > 0
		switch {
		case count > 1:
			rule := netlink.NewRule()
			rule.Family, rule.Priority, rule.Table = unix.AF_INET6, priorityMesh, unix.RT_TABLE_LOCAL
			err = r.handle.RuleDel(rule)
		case count == 1 && first < last, count == 0 && had:
			err = r.addLocal()
		default:
			return nil
		}
		if err != nil {
			return refused(step, err)
		}
	}
	return fmt.Errorf("%s: other programs keep changing the policy rules", step)
}

// addLocal adds a copy of the kernel's rule behind all rules of its priority. Unlike
// Handle.RuleAdd it does not set the flag that forbids duplicates.
func (r ruleSet) addLocal() error {
	req := nl.NewNetlinkRequest(unix.RTM_NEWRULE, unix.NLM_F_CREATE|unix.NLM_F_ACK)
	req.Sockets = r.raw
	msg := nl.NewRtMsg()
	msg.Family, msg.Table, msg.Type = unix.AF_INET6, unix.RT_TABLE_LOCAL, unix.RTN_UNICAST
	req.AddData(msg)
	req.AddData(nl.NewRtAttr(nl.FRA_PRIORITY, nl.Uint32Attr(priorityMesh)))
	req.AddData(nl.NewRtAttr(nl.FRA_PROTOCOL, nl.Uint8Attr(unix.RTPROT_KERNEL)))
	_, err := req.Execute(unix.NETLINK_ROUTE, 0)
	return err
}

func (r ruleSet) list() ([]netlink.Rule, error) {
	all, err := rtnl.Dump(func() ([]netlink.Rule, error) { return r.handle.RuleList(unix.AF_INET6) })
	if err != nil {
		return nil, refused("list policy rules", err)
	}
	return all, nil
}

// isLocal reports whether r is the kernel's rule for local addresses.
func isLocal(r netlink.Rule) bool {
	return r.Priority == 0 && r.Table == unix.RT_TABLE_LOCAL && r.Src == nil && r.Dst == nil &&
		r.IifName == "" && r.OifName == "" && r.Mark == 0 && r.Mask == nil && r.Tos == 0 && r.IPProto == 0 &&
		r.UIDRange == nil && r.Sport == nil && r.Dport == nil && !r.Invert && r.Goto < 0
}

func hasLocal(all []netlink.Rule) bool {
	for _, r := range all {
		if isLocal(r) {
			return true
		}
	}
	return false
}

// source returns the prefix of a rule's source; the zero prefix if it has none.
func source(r netlink.Rule) netip.Prefix { return rtnl.Prefix(r.Src) }
