package forward

import (
	"errors"
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/frag"
)

// toKernel writes a packet to the TUN.
func (f *Forwarder) toKernel(p []byte) drop.Reason {
	t := f.tun.Load()
	if t == nil {
		return drop.TunDown
	}
	if _, err := t.w.Write(p); err != nil {
		return tunReason(err)
	}
	c := &f.counters.from
	c.delivered.Add(1)
	c.octets.Add(uint64(len(p)))
	return drop.None
}

// ErrTunDown is what a TUN's Write gives, wrapped or not, when the interface is gone
// or down, rather than this packet refused.
var ErrTunDown = errors.New("forward: the TUN interface is gone or down")

func tunReason(err error) drop.Reason {
	if errors.Is(err, ErrTunDown) {
		return drop.TunDown
	}
	return drop.TunWrite
}

// lostDatagram counts a datagram that ended in reassembly: one packet.
func (f *Forwarder) lostDatagram(e frag.End) {
	c := &f.counters.from
	c.offered.Add(1)
	c.dropped[e.Err.Reason].Add(1)
	if n := f.table.ByLink(e.From); n != nil {
		n.Traffic().PacketsDropped.Add(1)
	}
}

// expireReassembly ends the datagrams whose fragments did not come in time.
func (f *Forwarder) expireReassembly(now time.Time) {
	for {
		f.receiveMu.Lock()
		e, ok := f.receiver.Expire(now)
		f.receiveMu.Unlock()
		if !ok {
			return
		}
		f.lostDatagram(e)
	}
}
