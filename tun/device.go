// Package tun opens the TUN interface between the kernel's IPv6 stack and a mesh. It
// sets the gateway's addresses, keeps the kernel from configuring others (RFC 4862), and
// installs policy rules: packets with a source in the mesh prefix are accepted from this
// host and from the interface only. Close undoes all changes. Open removes what a killed
// run left behind. Everything is done over netlink and /proc/sys.
package tun

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"github.com/vishvananda/netlink"
	"github.com/vishvananda/netlink/nl"
	"github.com/vishvananda/netns"
	"golang.org/x/sys/unix"
)

// Faults of an open interface. Once Read has returned one it returns it again on every
// call: close the device and open it again.
var (
	// ErrGone: the interface was deleted, renamed or moved to another namespace.
	ErrGone = errors.New("interface is gone")
	// ErrDown: the interface was set down, or lost the gateway's address, its rules or
	// its routes and they could not be restored.
	ErrDown = errors.New("interface is down")
)

// Device is an open TUN interface. One goroutine may call Read while another calls
// Write. The other methods may be called from any goroutine.
type Device struct {
	opts    Options // as checked by Open; SetLinkLocal does not update LinkLocal
	file    *os.File
	index   int
	handle  *netlink.Handle
	raw     map[int]*nl.SocketHandle
	lock    *os.File
	watch   *watch
	adopted bool           // the interface existed before Open and remains after Close
	ruled   bool           // Close must remove the rules for our prefix
	undo    []func() error // undone by Close in reverse order

	fault     atomic.Pointer[error] // ErrGone or ErrDown with its cause; nil before a fault
	closed    atomic.Bool
	errClosed error
	closing   sync.Once
	closeErr  error

	mu        sync.Mutex // guards linkLocal
	linkLocal netip.Addr
}

// Open creates and configures the interface in the network namespace of the calling
// thread, and removes what a killed run left behind. It needs read and write permission
// on /dev/net/tun and CAP_NET_ADMIN in that namespace. The device watches its interface
// until Close.
func Open(o Options) (*Device, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	d := &Device{opts: o, errClosed: fmt.Errorf("tun: %s: %w", o.Name, net.ErrClosed)}
	if err := d.open(); err != nil {
		d.closed.Store(true)
		return nil, errors.Join(fmt.Errorf("tun: %s: %w", o.Name, err), d.putBack())
	}
	return d, nil
}

func (d *Device) open() error {
	if err := d.openNetlink(); err != nil {
		return fmt.Errorf("open netlink: %w", err)
	}
	var err error
	if d.lock, err = openLock(); err != nil {
		return err
	}
	d.undo = append(d.undo, d.lock.Close)
	// Subscribe before the interface exists: no change to it is missed.
	events, err := subscribe()
	if err != nil {
		return fmt.Errorf("open netlink: %w", err)
	}
	d.undo = append(d.undo, func() error { events.Close(); return nil })
	// Close removes the rules after the interface: they protect it while it exists.
	d.undo = append(d.undo, d.dropRules)
	if err := d.create(); err != nil {
		return err
	}
	if err := d.configure(); err != nil {
		return err
	}
	if err := d.verify(); err != nil {
		return err
	}
	d.watch = d.startWatch(events)
	return nil
}

func (d *Device) openNetlink() (err error) {
	if d.handle, err = netlink.NewHandle(unix.NETLINK_ROUTE); err != nil {
		return err
	}
	d.undo = append(d.undo, func() error { d.handle.Close(); return nil })
	s, err := nl.GetNetlinkSocketAt(netns.None(), netns.None(), unix.NETLINK_ROUTE)
	if err != nil {
		return err
	}
	d.raw = map[int]*nl.SocketHandle{unix.NETLINK_ROUTE: {Socket: s}}
	d.undo = append(d.undo, func() error { s.Close(); return nil })
	return nil
}

// create creates the interface, or attaches to an existing persistent one.
func (d *Device) create() error {
	prepared, err := d.existing()
	if err != nil {
		return err
	}
	if d.file, err = openTUN(d.opts.Name, prepared != nil); err != nil {
		return err
	}
	d.undo = append(d.undo, d.file.Close)
	link, err := d.handle.LinkByName(d.opts.Name)
	if err != nil {
		return fmt.Errorf("find the new interface: %w", err)
	}
	d.index = link.Attrs().Index
	if prepared != nil {
		return d.adopt(prepared)
	}
	// Deletion returns when the interface is gone. Closing the file does not wait if a
	// reader still holds it.
	d.undo = append(d.undo, d.removeLink)
	return nil
}

// existing returns an existing persistent interface, nil if there is none.
func (d *Device) existing() (*netlink.Tuntap, error) {
	link, err := d.handle.LinkByName(d.opts.Name)
	if errors.As(err, new(netlink.LinkNotFoundError)) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("look for the interface: %w", err)
	}
	t, ok := link.(*netlink.Tuntap)
	switch {
	case !ok || t.Mode != netlink.TUNTAP_MODE_TUN:
		return nil, fmt.Errorf("an interface of this name exists and is no TUN interface (it is %s); choose another name", link.Type())
	case t.NonPersist:
		return nil, errBusy
	}
	return t, nil
}

// adopt records the state of an existing interface for Close, and removes its IPv6
// addresses, which may come from a killed run.
func (d *Device) adopt(t *netlink.Tuntap) error {
	d.adopted = true
	wasUp, mtu := t.Attrs().Flags&net.FlagUp != 0, t.MTU
	d.undo = append(d.undo, func() error {
		err := d.flush()
		if !wasUp {
			err = errors.Join(err, d.handle.LinkSetDown(t))
		}
		return errors.Join(err, d.handle.LinkSetMTU(t, mtu))
	})
	return d.flush()
}

// Name returns the name of the interface.
func (d *Device) Name() string { return d.opts.Name }

// Read reads one IPv6 packet that the kernel routed to the interface. b must have
// room for the MTU. It blocks until a packet arrives. The error is net.ErrClosed after
// Close, and wraps ErrGone or ErrDown after a fault.
func (d *Device) Read(b []byte) (int, error) {
	n, err := d.file.Read(b)
	if err != nil {
		return 0, d.explain("read", err)
	}
	return n, nil
}

// Write hands one whole IPv6 packet to the kernel, as if it had arrived on the
// interface. Errors are as for Read; any other error concerns this packet only.
func (d *Device) Write(b []byte) (int, error) {
	n, err := d.file.Write(b)
	if err != nil {
		return 0, d.explain("write", err)
	}
	return n, nil
}

// explain maps an error of the descriptor to the fault of the interface.
func (d *Device) explain(op string, err error) error {
	switch {
	case d.closed.Load() || errors.Is(err, os.ErrClosed):
		return d.errClosed
	case errors.Is(err, unix.EBADFD):
		return d.fail(ErrGone, "deleted by another program")
	case errors.Is(err, unix.EIO):
		return d.fail(ErrDown, "set down by another program")
	case d.fault.Load() != nil:
		return *d.fault.Load()
	case d.deleted():
		return d.fail(ErrGone, "deleted by another program")
	}
	return fmt.Errorf("tun: %s: %s: %w", d.opts.Name, op, err)
}

// deleted asks the descriptor whether the interface was deleted. A reader may see only
// an error of the runtime poller during the deletion.
func (d *Device) deleted() bool {
	conn, err := d.file.SyscallConn()
	if err != nil {
		return false
	}
	gone := false
	err = conn.Control(func(fd uintptr) {
		p := []unix.PollFd{{Fd: int32(fd)}}
		if n, err := unix.Poll(p, 0); err == nil && n == 1 {
			gone = p[0].Revents&unix.POLLERR != 0
		}
	})
	return err == nil && gone
}

// fail records a fault, wakes a blocked reader, and returns the recorded fault. The first
// fault is kept, except that ErrGone replaces ErrDown.
func (d *Device) fail(what error, cause string) error {
	err := fmt.Errorf("tun: %s: %w: %s; close it and open it again", d.opts.Name, what, cause)
	if !d.fault.CompareAndSwap(nil, &err) {
		old := d.fault.Load()
		if what != ErrGone || errors.Is(*old, ErrGone) || !d.fault.CompareAndSwap(old, &err) {
			return *d.fault.Load()
		}
	}
	d.wakeReader()
	return err
}

// wakeReader ends a blocked Read and all later ones, by a deadline in the past.
func (d *Device) wakeReader() {
	// An error means that the file is closed: no reader is blocked.
	_ = d.file.SetReadDeadline(time.Unix(1, 0))
}

// SetLinkLocal replaces this host's link-local address on the mesh, which is derived
// from the radio's EUI-64 and so may become known, or change, after Open.
func (d *Device) SetLinkLocal(a netip.Addr) error {
	if err := checkLinkLocal(a); err != nil {
		return fmt.Errorf("tun: %s: %w", d.opts.Name, err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed.Load() {
		return d.errClosed
	}
	if err := d.setLinkLocalLocked(a); err != nil {
		return fmt.Errorf("tun: %s: %w", d.opts.Name, err)
	}
	return nil
}

// Close undoes what Open did, and waits until the interface is gone.
// A blocked Read returns net.ErrClosed. Further calls give the same result.
func (d *Device) Close() error {
	d.closing.Do(func() {
		d.closed.Store(true)
		d.wakeReader() // else the reader would be the one to wait for the kernel to close the device
		d.watch.stop()
		d.mu.Lock()
		defer d.mu.Unlock()
		if err := d.putBack(); err != nil {
			d.closeErr = fmt.Errorf("tun: %s: close: %w", d.opts.Name, err)
		}
	})
	return d.closeErr
}

func (d *Device) putBack() error {
	var errs []error
	for i := len(d.undo) - 1; i >= 0; i-- {
		if err := d.undo[i](); err != nil && !errors.Is(err, os.ErrClosed) {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}
