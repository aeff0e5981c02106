package nodeclient

import (
	"bytes"
	"errors"
	"net"
	"net/netip"
	"slices"
	"time"

	"github.com/plgd-dev/go-coap/v3/message/codes"
	"golang.org/x/sys/unix"

	"culvert/coap/msg"
)

// ICMPv6 errors about requests to nodes. RFC 7252, section 4.2, lets them end an
// exchange if they quote its message: code, Message ID and token are compared. One error
// may be transient (RFC 1122, section 4.2.3.9), as when a radio restarts: an exchange ends
// when its transmissions have been returned for unreachableGrace, each of them.

// unreachableGrace is our choice. With the default parameters it ends at the third
// transmission, after 6 to 9 s.
const unreachableGrace = 5 * time.Second

// maxErrors is how many errors are read at once. It is our choice.
const maxErrors = 256

// icmpError is an ICMPv6 error about a datagram of this socket.
type icmpError struct {
	to         netip.AddrPort // where the datagram went
	kind, code uint8
	quoted     []byte // of the datagram
}

// wantErrors makes the kernel keep ICMPv6 errors (IPV6_RECVERR of Linux).
func wantErrors(c *net.UDPConn) error {
	return control(c, func(fd int) error { return unix.SetsockoptInt(fd, unix.IPPROTO_IPV6, unix.IPV6_RECVERR, 1) })
}

// control runs f with c's descriptor, also while somebody reads.
func control(c *net.UDPConn, f func(fd int) error) error {
	raw, err := c.SyscallConn()
	if err != nil {
		return err
	}
	var inner error
	if err := raw.Control(func(fd uintptr) { inner = f(int(fd)) }); err != nil {
		return err
	}
	return inner
}

// nextError takes an error that the kernel has kept, and does not wait for one. What
// is returned aliases buf.
func nextError(c *net.UDPConn, buf, oob []byte) (e icmpError, ok bool) {
	var n, nOOB int
	var from unix.Sockaddr
	if err := control(c, func(fd int) (err error) {
		n, nOOB, _, from, err = unix.Recvmsg(fd, buf, oob, unix.MSG_ERRQUEUE|unix.MSG_DONTWAIT)
		return err
	}); err != nil {
		return e, false
	}
	to, isV6 := from.(*unix.SockaddrInet6)
	cmsgs, err := unix.ParseSocketControlMessage(oob[:nOOB])
	if err != nil || !isV6 {
		return e, true
	}
	for _, m := range cmsgs {
		// struct sock_extended_err of linux/errqueue.h: errno, origin, type, code.
		if m.Header.Level == unix.IPPROTO_IPV6 && m.Header.Type == unix.IPV6_RECVERR && len(m.Data) >= 16 && m.Data[4] == unix.SO_EE_ORIGIN_ICMP6 {
			e.kind, e.code = m.Data[5], m.Data[6]
			e.to = netip.AddrPortFrom(netip.AddrFrom16(to.Addr), uint16(to.Port))
			e.quoted = buf[:n]
		}
	}
	return e, true
}

// errorsLocked takes what ICMPv6 said since the last time.
func (u *queues) errorsLocked(now time.Time) {
	if u.conn == nil || u.closed {
		return
	}
	var buf [256]byte // more than header and token are not needed
	var oob [256]byte
	for range maxErrors {
		e, ok := nextError(u.conn, buf[:], oob[:])
		if !ok {
			return
		}
		u.icmpLocked(e, now)
	}
}

// icmpLocked takes one error. Those about sizes, and about hops, are none that RFC
// 7252 acts on.
func (u *queues) icmpLocked(e icmpError, now time.Time) {
	const unreachable, parameterProblem = 1, 4 // RFC 4443, sections 3.1 and 3.4
	p := u.peers[e.to]
	if p == nil || e.kind != unreachable && e.kind != parameterProblem {
		return
	}
	at := slices.IndexFunc(p.sent(), func(x *Exchange) bool {
		n := min(len(e.quoted), len(x.msg))
		return x.phase == awaitsAck && n >= 4+len(x.token) && bytes.Equal(e.quoted[:n], x.msg[:n])
	})
	if at < 0 {
		return // of an earlier message, or of another sender
	}
	x := p.sent()[at]
	r := msg.Errorf(codes.GatewayTimeout, "the node cannot be reached (ICMPv6 type 1 code %d): it is silent, or the radio of its mesh is down", e.code)
	switch {
	case e.kind == parameterProblem:
		r = msg.Errorf(codes.BadGateway, "the node does not take the packet: ICMPv6 type 4 code %d", e.code)
	case e.code == 1, e.code == 5, e.code == 6:
		r = msg.Errorf(codes.BadGateway, "a rule on the way to the node keeps the request off: ICMPv6 type 1 code %d", e.code)
	case e.code == 4:
		r = msg.Errorf(codes.BadGateway, "nothing listens at the node's port %d: ICMPv6 type 1 code 4", e.to.Port())
	}
	x.returned(r, now)
}

// returned notes that the latest transmission of x did not get to the node, and what
// to tell the client if others do not either.
func (x *Exchange) returned(r msg.Response, now time.Time) {
	nth := x.resent + 1
	if x.returnedNth == nth {
		return
	}
	if x.returnedNth == 0 || x.returnedNth < nth-1 {
		x.returnedSince = now // the one before did not
	}
	x.returnedNth, x.returnedFor, x.returnedResponse = nth, now.Sub(x.returnedSince), r
}

// unreachable reports whether there is no more to be hoped for.
func (x *Exchange) unreachable() bool {
	return x.phase == awaitsAck && x.returnedNth == x.resent+1 && x.returnedFor >= unreachableGrace
}

// writeLocked sends a datagram. An ICMPv6 error about an earlier one makes the kernel
// refuse the next one, whoever it is for: so once more, and once more.
func (u *queues) writeLocked(b []byte, to netip.AddrPort) (err error) {
	for range 3 {
		if _, err = u.conn.WriteToUDPAddrPort(b, to); err == nil || errors.Is(err, net.ErrClosed) {
			return err
		}
	}
	return err
}
