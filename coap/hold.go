package coap

import (
	"errors"
	"net"
	"net/netip"
	"time"

	"culvert/bridge/node"
)

// A datagram that the kernel has taken is not at the node yet: it may wait in a queue
// of the mesh for longer than a write to an output has time. So the mesh is told of
// each message of such a write before it is sent.

// errBarred says that a write must not go on.
var errBarred = errors.New("its time has passed, or the output is locked out")

// lastCall is until when a write may leave for the node: a little before its deadline,
// since what is on its way takes time.
func lastCall(begun, deadline time.Time) time.Time {
	return deadline.Add(-min(quietBefore, deadline.Sub(begun)/4))
}

// hold returns what tells the mesh of a node, at an address, until when a message may
// leave; nil if the mesh cannot be told.
func (s *Server) hold(t node.Member, to netip.AddrPort) func(port, id uint16, until time.Time) error {
	if s.opts.NotAfter == nil {
		return nil
	}
	return func(port, id uint16, until time.Time) error { return s.opts.NotAfter(t.Name, to, port, id, until) }
}

// holdLocked tells the mesh of the message under way, where it drives an output.
func (u *upstream) holdLocked(x *exchange) error {
	if x.barred != nil && (x.barred() || !time.Now().Before(x.notAfter)) {
		return errBarred // a later block: the first one was looked at before
	}
	if x.hold == nil {
		return nil
	}
	return x.hold(u.portLocked(), x.mid, x.notAfter)
}

func (u *upstream) portLocked() uint16 {
	if a, ok := u.conn.LocalAddr().(*net.UDPAddr); ok {
		return uint16(a.Port)
	}
	return 0
}

// recall withdraws what x sent last: its client is told that it did not get through,
// and a later write must not meet it.
func (u *upstream) recall(x *exchange) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.recallLocked(x)
}

func (u *upstream) recallLocked(x *exchange) {
	if x.hold == nil || x.msg == nil {
		return
	}
	if err := x.hold(u.portLocked(), x.mid, time.Now()); err != nil {
		u.s.log.Error("write to an output not withdrawn", "error", err)
	}
}

// withdraw takes the writes that are locked out by now from the queues of their
// meshes.
func (u *upstream) withdraw() {
	u.mu.Lock()
	defer u.mu.Unlock()
	for p := range u.busy {
		if x := p.queue[0]; x.barred != nil && x.barred() {
			u.recallLocked(x)
		}
	}
}
