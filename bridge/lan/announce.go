package lan

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/netip"
	"time"

	"culvert/bridge/ipv6"

	"github.com/mdlayher/ndp"
	"golang.org/x/net/icmp"
	netipv6 "golang.org/x/net/ipv6"
)

// withdrawalTimeout bounds the withdrawal of the routes: three advertisements, three
// seconds apart, of which the first may have to wait three seconds after the last one.
const withdrawalTimeout = (maxFinalAdverts + 1) * minDelayBetweenRAs

// receiveQueue bounds the messages that wait for the announcer. Further messages are
// dropped.
const receiveQueue = 32

// announcer sends the router advertisements of one interface.
type announcer struct {
	ifi    *net.Interface
	conn   *netipv6.PacketConn
	local  netip.Addr
	source *ndp.LinkLayerAddress // nil if the link-layer address has not 6 octets
	plan   *schedule
	routes chan []netip.Prefix // the latest routes; capacity 1
	stats  *portStats
	log    *slog.Logger
}

// received is a message from another host on the network.
type received struct {
	message ndp.Message
	from    netip.Addr
}

// newAnnouncer opens the socket on an interface that has a link-local address. It
// needs CAP_NET_RAW.
func newAnnouncer(l *link, interval time.Duration, stats *portStats, log *slog.Logger) (*announcer, error) {
	a := &announcer{ifi: &net.Interface{Index: l.index, Name: l.name, HardwareAddr: l.mac}, local: l.local,
		plan: newSchedule(interval), routes: make(chan []netip.Prefix, 1), stats: stats, log: log}
	if len(l.mac) == 6 {
		a.source = &ndp.LinkLayerAddress{Direction: ndp.Source, Addr: l.mac}
	}
	c, err := icmp.ListenPacket("ip6:ipv6-icmp", l.local.WithZone(l.name).String())
	if err != nil {
		return nil, fmt.Errorf("open an ICMPv6 socket on %v%%%s: %w%s", l.local, l.name, err, permission(err, "CAP_NET_RAW"))
	}
	a.conn = c.IPv6PacketConn()
	var filter netipv6.ICMPFilter
	filter.SetAll(true)
	filter.Accept(netipv6.ICMPTypeRouterSolicitation)
	filter.Accept(netipv6.ICMPTypeRouterAdvertisement)
	const checksumAt = 2
	err = errors.Join(
		a.conn.SetICMPFilter(&filter),
		a.conn.SetChecksum(true, checksumAt),
		a.conn.SetHopLimit(ndp.HopLimit),
		a.conn.SetMulticastHopLimit(ndp.HopLimit),
		a.conn.SetMulticastLoopback(false), // this host must not use its own advertisements
		a.conn.SetControlMessage(netipv6.FlagHopLimit|netipv6.FlagInterface, true),
		a.conn.JoinGroup(a.ifi, &net.IPAddr{IP: ipv6.AllRouters.AsSlice()}),
	)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("set up the ICMPv6 socket on %s: %w", l.name, err), a.conn.Close())
	}
	return a, nil
}

// setRoutes replaces the routes that are advertised.
func (a *announcer) setRoutes(routes []netip.Prefix) {
	select {
	case <-a.routes:
	default:
	}
	a.routes <- routes // never blocks: this is the only sender
}

// run advertises until ctx ends and then withdraws the advertised routes. It returns
// at once when the socket is closed.
func (a *announcer) run(ctx context.Context) {
	messages := make(chan received, receiveQueue)
	go a.listen(messages)
	defer func() {
		// An error means that it was closed before.
		_ = a.conn.Close()
		for range messages { // drain until listen returns
		}
	}()
	timer := time.NewTimer(0)
	defer timer.Stop()
	stop := ctx.Done()
	var end time.Time
	for {
		now := time.Now()
		for to := a.plan.due(now); to.IsValid(); to = a.plan.due(now) {
			a.plan.sent(now, to, a.send(now, to))
		}
		if !end.IsZero() && (a.plan.done() || now.After(end)) {
			return
		}
		if t := a.plan.wait(); t.IsZero() {
			timer.Stop()
		} else {
			timer.Reset(t.Sub(now))
		}
		select {
		case <-timer.C:
		case <-stop:
			stop, end = nil, time.Now().Add(withdrawalTimeout)
			a.plan.stop(time.Now())
		case routes := <-a.routes:
			if end.IsZero() {
				a.plan.setRoutes(time.Now(), routes)
			}
		case m, ok := <-messages:
			if !ok {
				return
			}
			a.take(time.Now(), m)
		}
		a.stats.routes.Store(int64(len(a.plan.routes)))
	}
}

func (a *announcer) take(now time.Time, m received) {
	switch m := m.message.(type) {
	case *ndp.RouterSolicitation:
		a.stats.solicited.Add(1)
	case *ndp.RouterAdvertisement:
		a.plan.observeRouter(now, m)
		return
	}
	a.plan.solicited(now, m.from)
}

func (a *announcer) send(now time.Time, to netip.Addr) bool {
	if to.IsUnspecified() {
		to = ipv6.AllNodes
	}
	b, err := ndp.MarshalMessage(a.plan.message(now, a.source))
	if err == nil {
		cm := &netipv6.ControlMessage{HopLimit: ndp.HopLimit, Src: a.local.AsSlice(), IfIndex: a.ifi.Index}
		_, err = a.conn.WriteTo(b, cm, &net.IPAddr{IP: to.AsSlice(), Zone: a.ifi.Name})
	}
	if err != nil {
		a.stats.sendErrors.Add(1)
		a.log.Debug("router advertisement not sent", "to", to, "err", err)
		return false
	}
	a.stats.advertised.Add(1)
	return true
}

// listen receives until the socket is closed, and then closes messages.
func (a *announcer) listen(messages chan<- received) {
	defer close(messages)
	b := make([]byte, 2048)
	for {
		n, cm, src, err := a.conn.ReadFrom(b)
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			// The interface went down. The site goroutine will close the socket; do not spin
			// until then.
			time.Sleep(100 * time.Millisecond)
			continue
		}
		m, ok := a.parse(b[:n], cm, src)
		if !ok {
			continue
		}
		select {
		case messages <- m:
		default:
		}
	}
}

// parse validates a message (RFC 4861, sections 6.1.1 and 6.1.2). The kernel has
// verified the checksum.
func (a *announcer) parse(b []byte, cm *netipv6.ControlMessage, src net.Addr) (received, bool) {
	ip, ok := src.(*net.IPAddr)
	if !ok || cm == nil || cm.HopLimit != ndp.HopLimit || cm.IfIndex != a.ifi.Index || len(b) < 8 || b[1] != 0 {
		return received{}, false
	}
	from, ok := netip.AddrFromSlice(ip.IP)
	if !ok || from == a.local {
		return received{}, false
	}
	m, err := ndp.ParseMessage(b)
	if err != nil {
		return received{}, false
	}
	switch m := m.(type) {
	case *ndp.RouterSolicitation:
		if from.IsUnspecified() {
			for _, o := range m.Options {
				if o.Code() == byte(ndp.Source) {
					return received{}, false
				}
			}
		}
	case *ndp.RouterAdvertisement:
		ok = from.IsLinkLocalUnicast()
	default:
		ok = false
	}
	return received{m, from}, ok
}

// permission returns a hint on how to permit a socket that the kernel refused.
func permission(err error, capability string) string {
	if errors.Is(err, fs.ErrPermission) {
		return "; it takes " + capability + " (under systemd: AmbientCapabilities= and CapabilityBoundingSet=)"
	}
	return ""
}
