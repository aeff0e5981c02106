package forward

import "culvert/bridge/ieee802154"

// Retire ends what the node with an EUI-64 registered or claimed, so that another
// device may have its addresses. It may be called from any goroutine.
func (f *Forwarder) Retire(eui ieee802154.Addr) {
	d := &f.discovery
	n := f.table.ByLink(eui)
	if d.server == nil || n == nil {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.room() {
		d.out.Reset()
		d.server.Forget(n.HasLink, &d.out)
		f.carryOut(f.opt.Now())
	}
}
