package nodeclient

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

// quietBefore is how long before its deadline a write is sent no more: what is on its way
// takes time.
const sendMargin = time.Second

// errBarred says that a write must not go on.
var errBarred = errors.New("its time has passed, or the output is locked out")

// SendDeadline is until when a write may leave for the node: a little before its deadline,
// since what is on its way takes time.
func SendDeadline(begun, deadline time.Time) time.Time {
	return deadline.Add(-min(sendMargin, deadline.Sub(begun)/4))
}

// SendDeadlineOf returns what tells the mesh of a node, at an address, until when a message may
// leave; nil if the mesh cannot be told.
func (c *Client) SendDeadlineOf(t node.Member, to netip.AddrPort) func(port, id uint16, until time.Time) error {
	if c.opts.NotAfter == nil {
		return nil
	}
	return func(port, id uint16, until time.Time) error { return c.opts.NotAfter(t.Name, to, port, id, until) }
}

// holdLocked tells the mesh of the message under way, where it drives an output.
func (u *queues) setDeadlineLocked(x *Exchange) error {
	if x.Barred != nil && (x.Barred() || !u.now().Before(x.SendDeadline)) {
		return errBarred // a later block: the first one was looked at before
	}
	if x.SetSendDeadline == nil {
		return nil
	}
	return x.SetSendDeadline(u.portLocked(), x.mid, x.SendDeadline)
}

func (u *queues) portLocked() uint16 { return u.conn.LocalAddr().(*net.UDPAddr).AddrPort().Port() }

func (u *queues) localAddr() netip.AddrPort {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.conn.LocalAddr().(*net.UDPAddr).AddrPort()
}

// recall withdraws what x sent last: its client is told that it did not get through,
// and a later write must not meet it.
func (u *queues) recall(x *Exchange) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.recallLocked(x)
}

func (u *queues) recallLocked(x *Exchange) {
	if x.SetSendDeadline == nil || x.msg == nil {
		return
	}
	if err := x.SetSendDeadline(u.portLocked(), x.mid, u.now()); err != nil {
		u.log.Error("write to an output not withdrawn", "error", err)
	}
}

// withdraw takes the writes that are locked out by now from the queues of their
// meshes.
func (u *queues) recallBarred() {
	u.mu.Lock()
	defer u.mu.Unlock()
	for p := range u.busy {
		if x := p.queue[0]; x.Barred != nil && x.Barred() {
			u.recallLocked(x)
		}
	}
}
