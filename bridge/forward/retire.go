package forward

import "culvert/bridge/ieee802154"

// Release ends what nodes registered or claimed from the link addresses for which is
// holds, so that other devices may have those addresses. It reports false where it
// could not, since too many changes wait for the disk. It may be called from any
// goroutine.
func (f *Forwarder) Release(is func(link ieee802154.Addr) bool) bool {
	d := &f.discovery
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.server == nil {
		return true
	}
	if !d.room() {
		return false
	}
	d.out.Reset()
	d.server.Forget(is, &d.out)
	f.carryOut(f.opt.Now())
	return true
}
