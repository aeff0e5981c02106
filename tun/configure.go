package tun

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/vishvananda/netlink"
	"golang.org/x/sys/unix"

	"culvert/tun/rtnl"
)

// addressWait bounds the wait until an address is usable, which takes milliseconds.
const addressWait = 5 * time.Second

// queueLength is the length in packets of the kernel's queue to the reader, 9 MB at most.
// The kernel drops further packets. Its default of 500 fills in a few milliseconds if a
// flood arrives while the processor is busy.
const queueLength = 4096

const addrGenNone = 1 // IN6_ADDR_GEN_MODE_NONE (linux/if_link.h)

// parameters are the settings of the interface that have no netlink message. The last
// three keep packets from the mesh from configuring this host.
var parameters = [...]struct{ name, value string }{
	{"disable_ipv6", "0"}, // some hosts set it on every new interface
	{"accept_ra", "0"},
	{"autoconf", "0"},
	{"accept_redirects", "0"},
}

// configure configures the interface. It installs the rules before it sets the interface
// up, so that no packet with a forged source precedes them.
func (d *Device) configure() error {
	link, err := d.link()
	if err != nil {
		return err
	}
	d.setParameters()
	// Written through the file so that Close restores it; netlink works where the file is
	// read-only.
	_ = d.setParameter("addr_gen_mode", strconv.Itoa(addrGenNone))
	if err := d.handle.LinkSetIP6AddrGenMode(link, addrGenNone); err != nil {
		return refused("keep the kernel from making link-local addresses", err)
	}
	if err := d.handle.LinkSetMTU(link, d.opts.MTU); err != nil {
		return refused(fmt.Sprintf("set the MTU to %d", d.opts.MTU), err)
	}
	if err := d.handle.LinkSetTxQLen(link, queueLength); err != nil {
		d.opts.Log.Info("the queue length of the interface could not be set: a burst may overflow it", "error", err)
	}
	if err := d.setRules(); err != nil {
		return err
	}
	if err := d.handle.LinkSetUp(link); err != nil {
		return refused("set the interface up", err)
	}
	// The kernel adds the route for the prefix together with the address.
	if err := d.addAddress(link, d.opts.Gateway); err != nil {
		return err
	}
	if !d.opts.LinkLocal.IsValid() {
		return nil
	}
	return d.setLinkLocalLocked(d.opts.LinkLocal)
}

func (d *Device) link() (netlink.Link, error) {
	link, err := d.handle.LinkByIndex(d.index)
	if err != nil {
		return nil, fmt.Errorf("find the interface: %w", err)
	}
	return link, nil
}

func (d *Device) setLinkLocalLocked(a netip.Addr) error {
	link, err := d.link()
	if err != nil {
		return err
	}
	if err := d.addAddress(link, a); err != nil {
		return err
	}
	if old := d.linkLocal; old.IsValid() && old != a {
		if err := d.handle.AddrDel(link, address(old)); err != nil && !errors.Is(err, unix.EADDRNOTAVAIL) {
			return refused(fmt.Sprintf("remove address %v", old), err)
		}
	}
	d.linkLocal = a
	return nil
}

// addAddress adds an address and waits until it is usable: the kernel adds the local
// route for it after it has acknowledged the request.
func (d *Device) addAddress(link netlink.Link, a netip.Addr) error {
	if err := d.handle.AddrReplace(link, address(a)); err != nil {
		return refused(fmt.Sprintf("add address %v", a), err)
	}
	want := &netlink.Route{
		Dst:   rtnl.IPNet(netip.PrefixFrom(a, a.BitLen())),
		Table: unix.RT_TABLE_LOCAL, LinkIndex: d.index,
	}
	const fields = netlink.RT_FILTER_DST | netlink.RT_FILTER_TABLE | netlink.RT_FILTER_OIF
	for deadline := time.Now().Add(addressWait); ; time.Sleep(time.Millisecond) {
		found, err := rtnl.Dump(func() ([]netlink.Route, error) {
			return d.handle.RouteListFiltered(unix.AF_INET6, want, fields)
		})
		switch {
		case err != nil:
			return fmt.Errorf("list routes: %w", err)
		case len(found) > 0:
			return nil
		case time.Now().After(deadline):
			return fmt.Errorf("address %v is not usable after %v", a, addressWait)
		}
	}
}

// addresses returns the IPv6 addresses of the interface.
func (d *Device) addresses() ([]netlink.Addr, error) {
	link := &netlink.Device{LinkAttrs: netlink.LinkAttrs{Index: d.index}}
	all, err := rtnl.Dump(func() ([]netlink.Addr, error) { return d.handle.AddrList(link, unix.AF_INET6) })
	if err != nil {
		return nil, fmt.Errorf("list addresses: %w", err)
	}
	return all, nil
}

// flush removes all IPv6 addresses of the interface.
func (d *Device) flush() error {
	all, err := d.addresses()
	if err != nil {
		return err
	}
	link := &netlink.Device{LinkAttrs: netlink.LinkAttrs{Index: d.index}}
	for i := range all {
		err := d.handle.AddrDel(link, &all[i])
		if err != nil && !errors.Is(err, unix.EADDRNOTAVAIL) && !errors.Is(err, unix.ENODEV) {
			return refused(fmt.Sprintf("remove address %v", all[i].IPNet), err)
		}
	}
	return nil
}

// removeLink deletes the interface. It is no error if the interface is gone already.
func (d *Device) removeLink() error {
	link, err := d.handle.LinkByIndex(d.index)
	if err == nil {
		err = d.handle.LinkDel(link)
	}
	if err == nil || errors.As(err, new(netlink.LinkNotFoundError)) || errors.Is(err, unix.ENODEV) {
		return nil
	}
	return refused("remove the interface", err)
}

// address returns a in the form of package netlink, without duplicate address detection:
// the interface has no other host.
func address(a netip.Addr) *netlink.Addr {
	return &netlink.Addr{
		IPNet: &net.IPNet{IP: a.AsSlice(), Mask: net.CIDRMask(64, 128)},
		Flags: unix.IFA_F_NODAD,
	}
}

// setParameters writes the parameters whose values differ. A failure is logged only: the
// interface works without them.
func (d *Device) setParameters() {
	var failed []string
	for _, p := range parameters {
		key := strings.Join([]string{"net", "ipv6", "conf", d.opts.Name, p.name}, ".")
		if err := d.setParameter(p.name, p.value); err != nil {
			failed = append(failed, fmt.Sprintf("%s=%s (%v)", key, p.value, err))
		}
	}
	if failed != nil {
		d.opts.Log.Warn("kernel parameters of the interface could not be set; router advertisements "+
			"and redirects from the mesh may configure this host unless it forwards; make /proc/sys/net "+
			"writable (systemd: ProtectKernelTunables=no, no ProcSubset=pid) or have sysctl.d set them",
			"parameters", strings.Join(failed, ", "))
	}
}

// setParameter writes a parameter if its value differs. For an adopted interface it keeps
// the file open for Close, which restores the old value: the thread may be in another
// namespace by then.
func (d *Device) setParameter(name, value string) error {
	path := filepath.Join("/proc/sys/net/ipv6/conf", d.opts.Name, name)
	b, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	old := strings.TrimSpace(string(b))
	if old == value {
		return nil
	}
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	if _, err := f.WriteAt([]byte(value), 0); err != nil || !d.adopted {
		return errors.Join(err, f.Close())
	}
	d.undo = append(d.undo, func() error {
		_, err := f.WriteAt([]byte(old), 0)
		if errors.Is(err, unix.ENODEV) || errors.Is(err, unix.ENOENT) {
			err = nil // the interface is gone, and the parameter with it
		}
		return errors.Join(err, f.Close())
	})
	return nil
}

// refused adds to an error of the kernel what would permit the step.
func refused(step string, err error) error {
	switch {
	case errors.Is(err, unix.EPERM):
		return fmt.Errorf("%s: %w: %w", step, errCapability, err)
	case errors.Is(err, unix.EACCES):
		return fmt.Errorf("%s: %w: IPv6 is disabled on the interface (sysctl net.ipv6.conf.default.disable_ipv6=0)", step, err)
	case errors.Is(err, unix.EOPNOTSUPP), errors.Is(err, unix.EAFNOSUPPORT):
		return fmt.Errorf("%s: %w: does this kernel have IPv6 (it was not started with ipv6.disable=1) with policy rules (CONFIG_IPV6_MULTIPLE_TABLES)?", step, err)
	}
	return fmt.Errorf("%s: %w", step, err)
}
