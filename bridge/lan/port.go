package lan

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	"culvert/bridge/lan/mdns"
)

// port serves one interface. It ends when the index, the Ethernet address or the
// link-local address changes.
type port struct {
	link         *link
	announcer    *announcer                     // nil without Advertise
	proxy        *proxy                         // nil without Proxy, or where no prefix is shared
	names        atomic.Pointer[mdns.Responder] // nil without MDNS
	namesChanged chan struct{}                  // capacity 1
	stats        *portStats
	cancel       context.CancelFunc
	wg           sync.WaitGroup
}

// The service of each node (RFC 7252, section 12.7).
const (
	coapService = "_coap._udp"
	coapPort    = 5683
)

type portStats struct {
	routes        atomic.Int64
	shared        atomic.Int64
	advertised    atomic.Uint64
	solicited     atomic.Uint64
	sendErrors    atomic.Uint64
	proxied       atomic.Int64
	solicitations atomic.Uint64
	answered      atomic.Uint64
	defended      atomic.Uint64
	conflicts     atomic.Int64
	groupsRefused atomic.Uint64
}

func newPort(ctx context.Context, l *link) (context.Context, *port) {
	ctx, cancel := context.WithCancel(ctx)
	return ctx, &port{link: l, namesChanged: make(chan struct{}, 1), stats: &portStats{}, cancel: cancel}
}

// open starts the parts that are not running. If one part fails, the others run; call it
// again to retry.
func (p *port) open(ctx context.Context, o *Options) error {
	var errs []error
	if o.Advertise && p.announcer == nil {
		a, err := newAnnouncer(p.link, o.Interval, p.stats, o.Log)
		if err == nil {
			p.announcer = a
			p.wg.Go(func() { a.run(ctx) })
		}
		errs = append(errs, err)
	}
	if o.MDNS && p.names.Load() == nil {
		conn, err := mdns.Listen(&net.Interface{Index: p.link.index, Name: p.link.name})
		if err == nil {
			r := mdns.New(mdns.Options{Service: coapService, Port: coapPort, Log: o.Log, Link: p.link.name})
			p.names.Store(r)
			p.wg.Go(func() { r.Serve(ctx, conn, p.namesChanged) })
		}
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

// setSharedPrefixes starts, changes or stops proxying on the interface.
func (p *port) setSharedPrefixes(ctx context.Context, shares []onLinkPrefix, addrs map[netip.Addr]int, routes *nodeRoutes, log *slog.Logger) error {
	p.stats.shared.Store(int64(len(shares)))
	if len(shares) == 0 {
		if p.proxy != nil {
			p.proxy.close()
			p.proxy = nil
			p.stats.proxied.Store(0)
		}
		return nil
	}
	if p.proxy == nil {
		x, err := newProxy(p.link, routes, p.stats, log)
		if err != nil {
			return err
		}
		p.proxy = x
		p.wg.Go(func() { x.run(ctx) })
	}
	p.proxy.setAddresses(shares, addrs)
	return nil
}

func (p *port) setNames(hosts []mdns.Host) {
	r := p.names.Load()
	if r == nil {
		return
	}
	r.Update(time.Now(), hosts)
	select {
	case p.namesChanged <- struct{}{}:
	default:
	}
}

// same reports whether l is the interface for which p was made.
func (p *port) same(l *link) bool {
	return l.usable() && l.index == p.link.index && l.local == p.link.local && l.mac.String() == p.link.mac.String()
}

// stopNow ends the port without withdrawals: its interface was removed or replaced.
func (p *port) stopNow() {
	p.cancel()
	if p.announcer != nil {
		// An error means that it was closed before.
		_ = p.announcer.conn.Close()
	}
	p.wg.Wait()
}
