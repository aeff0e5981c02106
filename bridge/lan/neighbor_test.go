package lan

import (
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"culvert/bridge/bridgetest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lan/neighbor"
	"culvert/bridge/node"
	"culvert/bridge/rate"

	"github.com/mdlayher/ndp"
)

var (
	ourMAC   = [6]byte{2, 0, 0, 0, 0, 0xfe}
	ourLocal = addr("fe80::fe")
	hostMAC  = [6]byte{2, 0, 0, 0, 0, 0x99}
)

// testProxy has no sockets: the nodes' routes are there, and nothing is joined.
func testProxy(t testing.TB, p netip.Prefix, nodes ...uint64) (*proxy, *node.Table) {
	t.Helper()
	table, err := node.New(node.Options{Prefix: p, Admit: node.AdmitListed, Places: []node.Place{
		{Name: "grain-bin", EUI64: ieee802154.Extended(0x00005eef10000005)}, {Name: "mast", EUI64: ieee802154.Extended(nodes[0])}}})
	if err != nil {
		t.Fatal(err)
	}
	routes := &nodeRoutes{refused: new(atomic.Uint64), have: map[netip.Addr]int{}}
	for _, eui := range nodes {
		n := table.Attach(node.Joined{EUI64: ieee802154.Extended(eui)}, begin).Node
		for _, a := range table.Addresses(n) {
			routes.have[a.Addr] = 7
		}
	}
	x := &proxy{name: "eth0", mac: ourMAC, local: ourLocal, routes: routes, stats: &portStats{}, log: slog.New(slog.DiscardHandler),
		known: map[netip.Addr]struct{}{}, conflicts: map[netip.Addr]time.Time{}, bucket: rate.New(answerRate, answerBurst)}
	x.shares.Store(&[]onLinkPrefix{{p, table, 7}})
	return x, table
}

// vector returns one of the vectors of neighbour discovery made from the RFCs; its
// source names the section.
func vector(t testing.TB, id string) bridgetest.Vector {
	t.Helper()
	for _, v := range bridgetest.Vectors(t, "nd") {
		if v.ID == id {
			return v
		}
	}
	t.Fatalf("no vector %s", id)
	return bridgetest.Vector{}
}

// message reads an answer with another project's library (mdlayher/ndp).
func advertised(t *testing.T, b []byte) (ipv6.Packet, *ndp.NeighborAdvertisement) {
	t.Helper()
	p, err := ipv6.Parse(b)
	if err != nil || len(p) != len(b) || p.HopLimit() != 255 ||
		!ipv6.ChecksumOK(p.SourceBytes(), p.DestinationBytes(), ipv6.ProtoICMPv6, p.Payload()) {
		t.Fatalf("%x: %v", b, err)
	}
	m, err := ndp.ParseMessage(p.Payload())
	if err != nil {
		t.Fatal(err)
	}
	na, ok := m.(*ndp.NeighborAdvertisement)
	if !ok {
		t.Fatalf("%T", m)
	}
	return p, na
}

// The three vectors for a proxy: a host asks and is answered as the third one has
// it (RFC 4861, sections 7.2.3 and 7.2.8; RFC 8929, section 8), and duplicate
// address detection is answered to all (RFC 4862, section 5.4.3).
func TestProxyVectors(t *testing.T) {
	p, _ := testProxy(t, prefix("2001:db8::/64"), 0x02005eef1000000b)
	to, out := p.receive(nil, vector(t, "nd-proxy-ns").Packets[0], hostMAC, begin)
	if out == nil || to != hostMAC {
		t.Fatalf("answer %x to %x", out, to)
	}
	got, na := advertised(t, out)
	want := ipv6.Packet(vector(t, "nd-proxy-na").Packets[0])
	// The vector's source is the target; RFC 4861, section 4.4, wants one of the
	// sending interface's addresses.
	gotMsg, wantMsg := append([]byte(nil), got.Payload()...), append([]byte(nil), want.Payload()...)
	copy(gotMsg[2:4], wantMsg[2:4]) // the checksum covers the source
	if string(gotMsg) != string(wantMsg) || got.Destination() != want.Destination() || got.Source() != ourLocal {
		t.Errorf("%x, want %x", out, want)
	}
	if !na.Router || !na.Solicited || na.Override {
		t.Errorf("flags %+v", na)
	}

	to, out = p.receive(nil, vector(t, "nd-proxy-dad").Packets[0], hostMAC, begin)
	if out == nil || to != [6]byte{0x33, 0x33, 0, 0, 0, 1} {
		t.Fatalf("answer %x to %x", out, to)
	}
	got, na = advertised(t, out)
	if got.Destination() != ipv6.AllNodes || !na.Router || na.Solicited || na.Override || na.TargetAddress != addr("2001:db8::5eef:1000:b") {
		t.Errorf("%v %+v", got.Destination(), na)
	}
	for _, id := range []string{"nd-ns-hl64", "nd-ns-code1", "nd-ns-optlen0"} {
		if _, ok := neighbor.Parse(vector(t, id).Packets[0]); ok {
			t.Errorf("%s is taken", id)
		}
	}
}

// packetOf returns m as an IPv6 packet, encoded by another project's library
// (mdlayher/ndp).
func packetOf(t testing.TB, m ndp.Message, from, to netip.Addr) []byte {
	t.Helper()
	b, err := ndp.MarshalMessageChecksum(m, from, to)
	if err != nil {
		t.Fatal(err)
	}
	return append(ipv6.Header{PayloadLen: len(b), NextHeader: ipv6.ProtoICMPv6, HopLimit: 255, Source: from, Destination: to}.AppendTo(nil), b...)
}

// solicitation returns a solicitation of target from a host, with the option for its
// Ethernet address unless mac is nil.
func solicitation(t testing.TB, from, target netip.Addr, mac net.HardwareAddr) []byte {
	m := &ndp.NeighborSolicitation{TargetAddress: target}
	if mac != nil {
		m.Options = []ndp.Option{&ndp.LinkLayerAddress{Direction: ndp.Source, Addr: mac}}
	}
	return packetOf(t, m, from, ipv6.SolicitedNode(target))
}

func solicit(t testing.TB, target string) []byte {
	return solicitation(t, addr("2001:db8::99"), addr(target), nil)
}

func claim(t testing.TB, target string, mac [6]byte) []byte {
	return packetOf(t, &ndp.NeighborAdvertisement{TargetAddress: addr(target),
		Options: []ndp.Option{&ndp.LinkLayerAddress{Direction: ndp.Target, Addr: mac[:]}}}, addr("fe80::9"), ipv6.AllNodes)
}

// Only what an admitted node holds is answered for.
func TestProxyAnswersForNodesOnly(t *testing.T) {
	p, table := testProxy(t, prefix("2001:db8::/64"), 0x00005eef1000000a, 0x00005eef1000000c)
	const held, stranger = "2001:db8::200:5eef:1000:a", "2001:db8::200:5eef:1000:c"
	if n := table.ByAddress(addr(stranger)); n == nil || n.Admitted() {
		t.Fatal("the stranger is none")
	}
	for target, want := range map[string]bool{
		held: true, stranger: false, "2001:db8::1": false, "2001:db8::200:5eef:1000:d": false,
		"2001:db8:0:1:200:5eef:1000:a": false, "fe80::200:5eef:1000:a": false,
		"2001:db8::200:5eef:1000:5": false, // a place that nobody was seen at: there is no route, and no room for one here
	} {
		p.routes.handle = nil
		if target == "2001:db8::200:5eef:1000:5" {
			for i := range maxHostRoutes {
				p.routes.have[netip.AddrFrom16([16]byte{1, 14: byte(i >> 8), 15: byte(i)})] = 7
			}
		}
		if _, out := p.receive(nil, solicit(t, target), hostMAC, begin); (out != nil) != want {
			t.Errorf("%s: answered %v", target, out != nil)
		}
	}
	// Without an option the answer goes to where the question came from; our own is not
	// answered.
	if to, _ := p.receive(nil, solicit(t, held), [6]byte{2, 1}, begin); to != [6]byte{2, 1} {
		t.Errorf("answered to %x", to)
	}
	if _, out := p.receive(nil, solicit(t, held), ourMAC, begin); out != nil {
		t.Error("answered itself")
	}
	if s := p.stats; s.answered.Load() != 2 || s.solicitations.Load() != 6 {
		t.Errorf("%d answered of %d", s.answered.Load(), s.solicitations.Load())
	}
}

// An address that another host says it has is left to it for a while, said once, and
// the list of such addresses is bounded.
func TestProxyConflict(t *testing.T) {
	p, table := testProxy(t, prefix("2001:db8::/64"), 0x00005eef1000000a)
	var log strings.Builder
	p.log = slog.New(slog.NewTextHandler(&log, nil))
	const held = "2001:db8::200:5eef:1000:a"
	p.receive(nil, claim(t, held, ourMAC), hostMAC, begin) // our own, sent back by a reflector
	p.receive(nil, claim(t, "2001:db8::1", hostMAC), hostMAC, begin)
	if len(p.conflicts) != 0 {
		t.Errorf("conflicts %v", p.conflicts)
	}
	for range 2 {
		p.receive(nil, claim(t, held, hostMAC), hostMAC, begin)
	}
	if _, out := p.receive(nil, solicit(t, held), hostMAC, begin.Add(conflictHold-1)); out != nil {
		t.Error("answered for an address that another host has")
	}
	if n := strings.Count(log.String(), "another host of the network has the address"); n != 1 || !strings.Contains(log.String(), "node=mast") ||
		!strings.Contains(log.String(), net.HardwareAddr(hostMAC[:]).String()) {
		t.Errorf("logged %d times:\n%s", n, log.String())
	}
	if _, out := p.receive(nil, solicit(t, held), hostMAC, begin.Add(conflictHold)); out == nil {
		t.Error("not answered after the time is over")
	}
	n := table.ByAddress(addr(held))
	for i := range 3 * maxConflicts {
		p.conflict(netip.AddrFrom16([16]byte{0x20, 1, 14: byte(i >> 8), 15: byte(i)}), n, hostMAC, begin)
	}
	if len(p.conflicts) != maxConflicts {
		t.Errorf("%d conflicts are remembered", len(p.conflicts))
	}
}

// A flood of good solicitations is answered at a bounded rate.
func TestProxyRate(t *testing.T) {
	p, _ := testProxy(t, prefix("2001:db8::/64"), 0x00005eef1000000a)
	ns := solicit(t, "2001:db8::200:5eef:1000:a")
	for i := range 100_000 {
		p.receive(nil, ns, hostMAC, begin.Add(time.Duration(i)*10*time.Microsecond))
	}
	if n := p.stats.answered.Load(); n < answerRate || n > answerRate+answerBurst {
		t.Errorf("%d answers in a second", n)
	}
}

// What the parser takes, another library reads in the same way (mdlayher/ndp), and
// nothing makes the proxy panic or answer for what no node holds.
func FuzzNeighbor(f *testing.F) {
	for _, v := range bridgetest.Vectors(f, "nd") {
		f.Add(v.Packets[0])
	}
	f.Add(solicit(f, "2001:db8::200:5eef:1000:a"))
	f.Add(claim(f, "2001:db8::200:5eef:1000:a", hostMAC))
	p, table := testProxy(f, prefix("2001:db8::/64"), 0x00005eef1000000a)
	f.Fuzz(func(t *testing.T, b []byte) {
		_, out := p.receive(nil, b, hostMAC, time.Now())
		m, ok := neighbor.Parse(b)
		if !ok {
			if out != nil {
				t.Fatal("an invalid message is answered")
			}
			return
		}
		if out != nil && table.ByAddress(m.Target) == nil {
			t.Fatal("answered for nobody")
		}
		x, err := ndp.ParseMessage(ipv6.Packet(b)[40:])
		if err != nil {
			return // it knows more options than we read, and their rules
		}
		var target netip.Addr
		switch x := x.(type) {
		case *ndp.NeighborSolicitation:
			target = x.TargetAddress
		case *ndp.NeighborAdvertisement:
			target = x.TargetAddress
		}
		if target != m.Target {
			t.Fatal(fmt.Sprint(target, m.Target))
		}
	})
}

// What one solicitation costs: for an address that a node holds, and for one of a
// scan.
func BenchmarkSolicitation(b *testing.B) {
	for name, target := range map[string]string{"held": "2001:db8::200:5eef:1000:a", "scan": "2001:db8::4:5:6:7"} {
		b.Run(name, func(b *testing.B) {
			p, _ := testProxy(b, prefix("2001:db8::/64"), 0x00005eef1000000a)
			ns, out := solicit(b, target), make([]byte, 0, 128)
			now := begin
			b.ReportAllocs()
			for b.Loop() {
				now = now.Add(time.Second)
				p.receive(out, ns, hostMAC, now)
			}
		})
	}
}
