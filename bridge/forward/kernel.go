package forward

import (
	"errors"
	"io/fs"
	"syscall"
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

// tunReason tells a TUN that is gone or down from one that refused a packet. Linux:
// EIO while the interface is down, EBADFD after it was deleted.
func tunReason(err error) drop.Reason {
	for _, gone := range [...]error{fs.ErrClosed, syscall.EIO, syscall.EBADFD, syscall.EBADF, syscall.ENODEV} {
		if errors.Is(err, gone) {
			return drop.TunDown
		}
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
