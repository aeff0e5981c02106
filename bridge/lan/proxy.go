package lan

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"culvert/bridge/ipv6"
	"culvert/bridge/lan/membership"
	"culvert/bridge/lan/neighbor"
	"culvert/bridge/node"
	"culvert/bridge/rate"

	"github.com/mdlayher/packet"
	"golang.org/x/net/bpf"
	"golang.org/x/sys/unix"
)

// Limits of one proxied interface, our choice.
const (
	maxConflicts   = 1024
	conflictHold   = 10 * time.Minute // how long an address that another host uses is not answered for
	answerRate     = 1000             // answers a second
	answerBurst    = 200
	probeInterval  = 50 * time.Millisecond // between our own solicitations; one for each address
	maxProbes      = maxHostRoutes
	etherTypeIPv6  = unix.ETH_P_IPV6
	maxSolicitSize = 1500
	receiveBuffer  = 1 << 20 // octets
)

// onLinkPrefix is a mesh prefix that is also on-link on the network.
type onLinkPrefix struct {
	prefix netip.Prefix
	table  *node.Table
	index  int // of the TUN interface
}

// proxy answers neighbour solicitations on one interface for the addresses of admitted
// nodes, and for no others: a scan of the prefix finds nothing and creates no state. It
// probes each new address once. If another host uses the address, it does not answer.
type proxy struct {
	conn   *packet.Conn
	name   string
	mac    [6]byte
	local  netip.Addr
	shares atomic.Pointer[[]onLinkPrefix]
	routes *nodeRoutes
	groups *membership.Groups
	stats  *portStats
	log    *slog.Logger
	bucket rate.Bucket // used by run only

	mu        sync.Mutex // guards what follows
	known     map[netip.Addr]struct{}
	probes    []netip.Addr // addresses to be probed
	conflicts map[netip.Addr]time.Time
}

// newProxy opens the sockets. It needs CAP_NET_RAW and the address family AF_PACKET:
// unicast solicitations for a node's address never reach an ICMPv6 socket of this host.
func newProxy(l *link, routes *nodeRoutes, stats *portStats, log *slog.Logger) (*proxy, error) {
	if len(l.mac) != 6 {
		return nil, fmt.Errorf("%s has no Ethernet address: neighbours cannot be proxied on it", l.name)
	}
	filter, err := bpf.Assemble([]bpf.Instruction{
		bpf.LoadAbsolute{Off: 6, Size: 1}, // next header
		bpf.JumpIf{Cond: bpf.JumpNotEqual, Val: unix.IPPROTO_ICMPV6, SkipTrue: 6},
		bpf.LoadAbsolute{Off: 7, Size: 1}, // hop limit
		bpf.JumpIf{Cond: bpf.JumpNotEqual, Val: neighbor.HopLimit, SkipTrue: 4},
		bpf.LoadAbsolute{Off: 40, Size: 1}, // ICMPv6 type
		bpf.JumpIf{Cond: bpf.JumpEqual, Val: 135, SkipTrue: 1},
		bpf.JumpIf{Cond: bpf.JumpNotEqual, Val: 136, SkipTrue: 1},
		bpf.RetConstant{Val: maxSolicitSize},
		bpf.RetConstant{Val: 0},
	})
	if err != nil {
		return nil, err
	}
	p := &proxy{name: l.name, mac: [6]byte(l.mac), local: l.local, routes: routes, stats: stats, log: log,
		known: map[netip.Addr]struct{}{}, conflicts: map[netip.Addr]time.Time{}, bucket: rate.New(answerRate, answerBurst)}
	p.shares.Store(new([]onLinkPrefix))
	p.groups = membership.New(l.index)
	ifi := &net.Interface{Index: l.index, Name: l.name, HardwareAddr: l.mac}
	if p.conn, err = packet.Listen(ifi, packet.Datagram, etherTypeIPv6, &packet.Config{Filter: filter}); err != nil {
		return nil, fmt.Errorf("open a packet socket on %s: %w%s", l.name, err,
			permission(err, "CAP_NET_RAW, and AF_PACKET in RestrictAddressFamilies="))
	}
	p.control(func(fd int) error {
		// A burst from a scanner must not displace other solicitations.
		return unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, receiveBuffer)
	})
	return p, nil
}

// control sets a socket option. A failure is logged and otherwise ignored.
func (p *proxy) control(set func(fd int) error) {
	conn, err := p.conn.SyscallConn()
	if err == nil {
		var failed error
		err = conn.Control(func(fd uintptr) { failed = set(int(fd)) })
		err = errors.Join(err, failed)
	}
	if err != nil {
		p.log.Warn("an option of the socket for neighbour solicitations could not be set", "interface", p.name, "err", err)
	}
}

// run answers until ctx ends or the socket is closed.
func (p *proxy) run(ctx context.Context) {
	stop := context.AfterFunc(ctx, p.close)
	defer stop()
	probing, done := context.WithCancel(ctx)
	var wg sync.WaitGroup
	wg.Go(func() { p.probe(probing) })
	defer wg.Wait()
	defer done()
	b := make([]byte, maxSolicitSize)
	out := make([]byte, 0, 128)
	for {
		n, addr, err := p.conn.ReadFrom(b)
		if errors.Is(err, net.ErrClosed) || ctx.Err() != nil {
			return
		}
		from, ok := addr.(*packet.Addr)
		if err != nil || !ok || len(from.HardwareAddr) != 6 {
			select { // the interface is going down
			case <-ctx.Done():
			case <-time.After(10 * time.Millisecond):
			}
			continue
		}
		to, answer := p.receive(out[:0], b[:n], [6]byte(from.HardwareAddr), time.Now())
		if answer != nil {
			p.send(answer, to)
		}
	}
}

// close ends run. It may be called twice.
func (p *proxy) close() {
	_ = p.conn.Close()
	p.mu.Lock()
	defer p.mu.Unlock()
	_ = p.groups.Close()
}

func (p *proxy) send(b []byte, to [6]byte) {
	if _, err := p.conn.WriteTo(b, &packet.Addr{HardwareAddr: to[:]}); err != nil {
		p.stats.sendErrors.Add(1)
	}
}

// receive handles a packet from the Ethernet address from. It appends the answer to out
// and returns its destination; a nil answer means none.
func (p *proxy) receive(out, b []byte, from [6]byte, now time.Time) (to [6]byte, answer []byte) {
	m, ok := neighbor.Parse(b)
	if !ok || from == p.mac {
		return to, nil
	}
	s := p.prefixFor(m.Target)
	if s == nil {
		return to, nil
	}
	n := s.table.ByAddress(m.Target)
	if m.Advertisement {
		if n != nil && n.Admitted() && !(m.HasMAC && m.MAC == p.mac) {
			p.conflict(m.Target, n, from, now)
		}
		return to, nil
	}
	p.stats.solicitations.Add(1)
	if n == nil || !n.Admitted() || n.State() == node.Retired || p.conflicting(m.Target, now) || !p.routes.ensure(m.Target, s.index) {
		return to, nil
	}
	if !p.bucket.Take(now) {
		return to, nil
	}
	p.stats.answered.Add(1)
	if m.Source.IsUnspecified() { // RFC 4862, section 5.4.3
		p.stats.defended.Add(1)
		return neighbor.MulticastMAC(ipv6.AllNodes), neighbor.AppendAdvertisement(out, p.local, ipv6.AllNodes, m.Target, p.mac, false)
	}
	if to = from; m.HasMAC {
		to = m.MAC
	}
	return to, neighbor.AppendAdvertisement(out, p.local, m.Source, m.Target, p.mac, true)
}

func (p *proxy) prefixFor(a netip.Addr) *onLinkPrefix {
	shares := *p.shares.Load()
	for i := range shares {
		if shares[i].prefix.Contains(a) {
			return &shares[i]
		}
	}
	return nil
}

// conflict records that another host uses an address of a node.
func (p *proxy) conflict(a netip.Addr, n *node.Node, mac [6]byte, now time.Time) {
	p.mu.Lock()
	_, old := p.conflicts[a]
	if !old && len(p.conflicts) >= maxConflicts {
		p.mu.Unlock()
		return
	}
	p.conflicts[a] = now.Add(conflictHold)
	p.stats.conflicts.Store(int64(len(p.conflicts)))
	p.mu.Unlock()
	if !old {
		p.log.Warn("another host of the network has the address of a node; it is not answered for: give that host another address",
			"interface", p.name, "node", n.Label(), "address", a, "ethernet", net.HardwareAddr(mac[:]).String(), "again", conflictHold)
	}
}

func (p *proxy) conflicting(a netip.Addr, now time.Time) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	until, ok := p.conflicts[a]
	if ok && !until.After(now) {
		delete(p.conflicts, a)
		p.stats.conflicts.Store(int64(len(p.conflicts)))
		return false
	}
	return ok
}

// setAddresses replaces the set of node addresses. It joins their solicited-node groups,
// so that switches with MLD snooping forward solicitations, and queues a probe for each
// new address. receive does not use the set.
func (p *proxy) setAddresses(shares []onLinkPrefix, addrs map[netip.Addr]int) {
	p.shares.Store(&shares)
	mine := func(a netip.Addr) bool {
		return slices.ContainsFunc(shares, func(s onLinkPrefix) bool { return s.prefix.Contains(a) })
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.groups.Closed() {
		return
	}
	for a := range p.known {
		if _, ok := addrs[a]; !ok || !mine(a) {
			delete(p.known, a)
			delete(p.conflicts, a)
			p.groups.Leave(ipv6.SolicitedNode(a))
		}
	}
	for a := range addrs {
		if _, ok := p.known[a]; ok || !mine(a) {
			continue
		}
		p.known[a] = struct{}{}
		if err := p.groups.Join(ipv6.SolicitedNode(a)); err != nil {
			p.stats.groupsRefused.Add(1)
			p.allMulticast(err)
		}
		if len(p.probes) < maxProbes {
			p.probes = append(p.probes, a)
		}
	}
	p.stats.proxied.Store(int64(len(p.known)))
	p.stats.conflicts.Store(int64(len(p.conflicts)))
}

// allMulticast makes the interface receive every group, once single groups cannot be
// joined.
func (p *proxy) allMulticast(cause error) {
	if !p.groups.ReceiveAll(p.control) {
		return
	}
	p.log.Warn("more nodes than multicast groups can be joined: a switch that snoops on joins may not forward solicitations "+
		"for some of them to this host", "interface", p.name, "groups", p.groups.Len(), "err", cause)
}

// probe sends the queued probes, one each probeInterval, until ctx ends.
func (p *proxy) probe(ctx context.Context) {
	t := time.NewTicker(probeInterval)
	defer t.Stop()
	b := make([]byte, 0, 128)
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		p.mu.Lock()
		var a netip.Addr
		if len(p.probes) > 0 {
			a, p.probes = p.probes[0], p.probes[1:]
		}
		_, known := p.known[a]
		p.mu.Unlock()
		if known {
			p.send(neighbor.AppendProbe(b[:0], a), neighbor.MulticastMAC(ipv6.SolicitedNode(a)))
		}
	}
}
