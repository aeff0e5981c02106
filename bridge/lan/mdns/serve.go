package mdns

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"sync"
	"time"

	"golang.org/x/net/ipv6"
	"golang.org/x/sys/unix"
)

var group = netip.MustParseAddr("ff02::fb")

const goodbyeTimeout = 2 * time.Second // bounds sending all goodbyes

// Conn is a socket on one link.
type Conn struct {
	conn *ipv6.PacketConn
	ifi  *net.Interface
}

// Listen opens a socket on an interface that has a link-local address. The socket is
// bound to the multicast group, so other responders on this host keep their port and
// their unicast messages.
func Listen(ifi *net.Interface) (*Conn, error) {
	conn, err := listen(ifi)
	if err != nil {
		return nil, fmt.Errorf("mdns: %s: %w", ifi.Name, err)
	}
	return &Conn{conn, ifi}, nil
}

// Serve answers until ctx ends, sends goodbyes for two seconds at
// most, and closes the socket. The caller sends on changed after each Update.
func (r *Responder) Serve(ctx context.Context, c *Conn, changed <-chan struct{}) {
	wake := make(chan struct{}, 1)
	var wg sync.WaitGroup
	wg.Go(func() { r.read(ctx, c, wake) })
	defer wg.Wait()
	defer c.conn.Close()
	send := func(to netip.AddrPort, b []byte) {
		// A lost answer is requested again.
		_ = c.write(to, b)
	}
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		if next := r.Tick(time.Now(), send); next.IsZero() {
			timer.Stop()
		} else {
			timer.Reset(time.Until(next))
		}
		select {
		case <-ctx.Done():
			r.sendGoodbyes(c)
			return
		case <-timer.C:
		case <-wake:
		case <-changed:
		}
	}
}

// sendGoodbyes sends goodbyes until goodbyeTimeout.
func (r *Responder) sendGoodbyes(c *Conn) {
	r.Close(time.Now())
	end := time.Now().Add(goodbyeTimeout)
	var failed error // the interface may be gone
	send := func(to netip.AddrPort, b []byte) { failed = errors.Join(failed, c.write(to, b)) }
	for next := r.Tick(time.Now(), send); failed == nil && !next.IsZero() && next.Before(end); next = r.Tick(time.Now(), send) {
		time.Sleep(time.Until(next))
	}
}

// read receives messages until the socket is closed.
func (r *Responder) read(ctx context.Context, c *Conn, wake chan<- struct{}) {
	b := make([]byte, 9000) // RFC 6762, section 17
	send := func(to netip.AddrPort, b []byte) { _ = c.write(to, b) }
	for {
		n, cm, src, err := c.conn.ReadFrom(b)
		if errors.Is(err, net.ErrClosed) {
			return
		}
		from, ok := src.(*net.UDPAddr)
		if err != nil || !ok {
			select { // the interface is going down
			case <-ctx.Done():
			case <-time.After(10 * time.Millisecond):
			}
			continue
		}
		if cm == nil || cm.IfIndex != c.ifi.Index {
			continue
		}
		at := from.AddrPort()
		r.Receive(time.Now(), netip.AddrPortFrom(at.Addr().WithZone(""), at.Port()), b[:n], send)
		select {
		case wake <- struct{}{}:
		default:
		}
	}
}

func (c *Conn) write(to netip.AddrPort, b []byte) error {
	dst := &net.UDPAddr{IP: group.AsSlice(), Port: Port, Zone: c.ifi.Name}
	if to.IsValid() {
		dst.IP, dst.Port = to.Addr().AsSlice(), int(to.Port())
	}
	_, err := c.conn.WriteTo(b, &ipv6.ControlMessage{IfIndex: c.ifi.Index}, dst)
	return err
}

// listen opens the socket. Package net cannot bind it to the group alone.
func listen(ifi *net.Interface) (*ipv6.PacketConn, error) {
	fd, err := unix.Socket(unix.AF_INET6, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, 0)
	if err != nil {
		return nil, os.NewSyscallError("socket", err)
	}
	err = errors.Join(
		os.NewSyscallError("setsockopt", unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_REUSEADDR, 1)),
		os.NewSyscallError("setsockopt", unix.SetsockoptInt(fd, unix.IPPROTO_IPV6, unix.IPV6_V6ONLY, 1)),
		os.NewSyscallError("bind", unix.Bind(fd, &unix.SockaddrInet6{Port: Port, Addr: group.As16(), ZoneId: uint32(ifi.Index)})),
	)
	f := os.NewFile(uintptr(fd), "mdns")
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	c, err := net.FilePacketConn(f)
	if err := errors.Join(err, f.Close()); err != nil {
		return nil, err
	}
	conn := ipv6.NewPacketConn(c)
	err = errors.Join(
		conn.JoinGroup(ifi, &net.UDPAddr{IP: group.AsSlice()}),
		conn.SetMulticastInterface(ifi),
		conn.SetMulticastHopLimit(255), // RFC 6762, section 11
		conn.SetHopLimit(255),
		conn.SetControlMessage(ipv6.FlagInterface, true),
	)
	if err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	return conn, nil
}
