package nodeclient

import (
	"errors"
	"net"
	"net/netip"
	"time"

	"culvert/bridge/node"
)

// A datagram that the kernel accepted has not reached the node: it may wait in a queue of
// the mesh past the deadline of a write to an output. So the mesh gets the send deadline of
// each message of such a write before the message is sent.

// sendMargin is the time before its deadline in which a write is not transmitted any more:
// the way over the air takes time.
const sendMargin = time.Second

// errBarred says that a write must not go on.
var errBarred = errors.New("its time has passed, or the output is locked out")

// SendDeadline is the latest time at which a write may be transmitted: sendMargin before its
// deadline, at most a quarter of its time.
func SendDeadline(begun, deadline time.Time) time.Time {
	return deadline.Add(-min(sendMargin, deadline.Sub(begun)/4))
}

// SendDeadlineOf returns the function by which the mesh of a node, at an address, gets the
// send deadline of a message; nil if the mesh has no queues.
func (c *Client) SendDeadlineOf(t node.Member, to netip.AddrPort) func(port, id uint16, until time.Time) error {
	if c.opts.NotAfter == nil {
		return nil
	}
	return func(port, id uint16, until time.Time) error { return c.opts.NotAfter(t.Name, to, port, id, until) }
}

// setDeadlineLocked gives the mesh the send deadline of the current message of a write.
func (u *queues) setDeadlineLocked(x *Exchange) error {
	if x.Barred != nil && (x.Barred() || !u.now().Before(x.SendDeadline)) {
		return errBarred // a later block: the first one was checked before
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

// recall withdraws the latest message of x from the mesh's queues: its client gets an error,
// and the write must not act after a later one.
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

// recallBarred takes the writes that are locked out by now from the queues of their
// meshes.
func (u *queues) recallBarred() {
	u.mu.Lock()
	defer u.mu.Unlock()
	for p := range u.busy {
		if len(p.queue) == 0 {
			continue
		}
		if x := p.queue[0]; x.Barred != nil && x.Barred() {
			u.recallLocked(x)
		}
	}
}
