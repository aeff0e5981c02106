package tun

import (
	"errors"
	"fmt"
	"net"
	"os"
	"syscall"
	"time"

	"github.com/vishvananda/netlink"
	"github.com/vishvananda/netlink/nl"
	"golang.org/x/sys/unix"
)

// Notification groups of the kernel (linux/rtnetlink.h, RTNLGRP_...).
const (
	groupLink        = 1
	groupIPv6Address = 9
	groupIPv6Route   = 11
	groupIPv6Rule    = 19
)

// restorePause is the least time between two restorations of rules or routes that
// another program removed.
const restorePause = time.Second

// watch receives notifications of changes to the interface, its rules and its routes.
type watch struct {
	events *nl.NetlinkSocket
	quit   chan struct{} // closed by stop
	done   chan struct{} // closed by run when it has ended
}

func subscribe() (*nl.NetlinkSocket, error) {
	return nl.Subscribe(unix.NETLINK_ROUTE, groupLink, groupIPv6Address, groupIPv6Route, groupIPv6Rule)
}

func (d *Device) startWatch(events *nl.NetlinkSocket) *watch {
	w := &watch{events: events, quit: make(chan struct{}), done: make(chan struct{})}
	go func() {
		defer close(w.done)
		d.follow(w)
	}()
	return w
}

func (w *watch) stop() {
	close(w.quit)
	w.events.Close() // wakes Receive
	<-w.done
}

// follow reads notifications until the watch is stopped. A notification only triggers a
// check: the state found by the check decides.
func (d *Device) follow(w *watch) {
	for {
		messages, _, err := w.events.Receive()
		changed := d.concerns(messages)
		switch {
		case errors.Is(err, unix.ENOBUFS): // notifications were lost
			changed = changes{true, true, true}
		case err != nil:
			if !errors.Is(err, os.ErrClosed) && !d.closed.Load() {
				d.opts.Log.Error("kernel notifications failed: changes to the interface are no longer detected", "err", err)
			}
			return
		}
		if changed.link || changed.routes {
			// The reader gets the fault. The kernel removes routes with their interface or address.
			_ = d.verify()
		}
		restored := changed.rules && d.fault.Load() == nil && d.restoreRules()
		if changed.routes && d.fault.Load() == nil && d.restoreRoutes() {
			restored = true
		}
		if restored {
			select {
			case <-w.quit:
			case <-time.After(restorePause):
			}
		}
	}
}

// changes are the subjects of notifications: our interface, a removed rule, a removed
// route to our interface.
type changes struct{ link, rules, routes bool }

// concerns returns what the notifications report about us.
func (d *Device) concerns(messages []syscall.NetlinkMessage) (c changes) {
	for _, m := range messages {
		switch m.Header.Type {
		case unix.RTM_NEWLINK, unix.RTM_DELLINK:
			if len(m.Data) >= unix.SizeofIfInfomsg && int(nl.DeserializeIfInfomsg(m.Data).Index) == d.index {
				c.link = true
			}
		case unix.RTM_DELADDR:
			if len(m.Data) >= unix.SizeofIfAddrmsg && int(nl.DeserializeIfAddrmsg(m.Data).Index) == d.index {
				c.link = true
			}
		case unix.RTM_DELRULE:
			c.rules = true
		case unix.RTM_DELROUTE:
			c.routes = c.routes || d.aboutRoute(m.Data)
		}
	}
	return c
}

// verify checks that the interface is as Open left it, and records a fault otherwise.
func (d *Device) verify() error {
	if err := d.verifyLink(); err != nil {
		return err
	}
	addrs, err := d.addresses()
	if err != nil {
		return err
	}
	for _, a := range addrs {
		if a.IP.Equal(d.opts.Gateway.AsSlice()) {
			return nil
		}
	}
	if err := d.verifyLink(); err != nil { // the address may have gone with the link
		return err
	}
	return d.fail(ErrDown, "address "+d.opts.Gateway.String()+" was removed by another program")
}

func (d *Device) verifyLink() error {
	link, err := d.handle.LinkByIndex(d.index)
	switch {
	case errors.As(err, new(netlink.LinkNotFoundError)):
		return d.fail(ErrGone, "deleted, or moved to another network namespace, by another program")
	case err != nil:
		return err
	case link.Attrs().Name != d.opts.Name:
		return d.fail(ErrGone, "renamed to "+link.Attrs().Name+" by another program")
	case link.Attrs().Flags&net.FlagUp == 0:
		return d.fail(ErrDown, "set down by another program")
	}
	return nil
}

// restoreRules installs the rules again if another program removed some, and reports
// whether it did. Until then sources in the mesh can be forged.
func (d *Device) restoreRules() bool {
	r, restored := d.rules(), false
	err := r.locked(func() error {
		if ok, err := r.complete(); ok || err != nil {
			return err
		}
		restored = true
		if err := r.remove(); err != nil {
			return err
		}
		return r.install()
	})
	switch {
	case err != nil:
		_ = d.fail(ErrDown, fmt.Sprintf("its policy rules were removed by another program and could not be restored (%v)", err))
	case restored:
		d.opts.Log.Warn("policy rules of the mesh were removed by another program; restored")
	}
	return restored
}
