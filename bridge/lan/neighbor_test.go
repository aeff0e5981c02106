package lan

import (
	"encoding/binary"
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
	x.shares.Store(&[]share{{p, table, 7}})
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
	if got.Destination() != allNodes || !na.Router || na.Solicited || na.Override || na.TargetAddress != addr("2001:db8::5eef:1000:b") {
		t.Errorf("%v %+v", got.Destination(), na)
	}
	for _, id := range []string{"nd-ns-hl64", "nd-ns-code1", "nd-ns-optlen0"} {
		if _, ok := parseNeighbor(vector(t, id).Packets[0]); ok {
			t.Errorf("%s is taken", id)
		}
	}
}

// mutate changes a good solicitation, and puts the checksum right.
func mutate(change func(p ipv6.Packet) ipv6.Packet) []byte {
	p := ipv6.Packet(appendNeighbor(nil, ipv6.TypeNeighborSol, addr("2001:db8::99"), ipv6.SolicitedNode(addr("2001:db8::b")), addr("2001:db8::b"), 0,
		append([]byte{optionSource, 1}, hostMAC[:]...)))
	p = change(p)
	binary.BigEndian.PutUint16(p[4:], uint16(len(p)-40))
	if len(p) >= 44 {
		p[42], p[43] = 0, 0
		binary.BigEndian.PutUint16(p[42:], ipv6.Checksum(p.SourceBytes(), p.DestinationBytes(), ipv6.ProtoICMPv6, p.Payload()))
	}
	return p
}

// RFC 4861, sections 7.1.1 and 7.1.2, point by point.
func TestNeighborValidation(t *testing.T) {
	group, target, unspecified := ipv6.SolicitedNode(addr("2001:db8::b")).As16(), addr("2001:db8::b").As16(), make([]byte, 16)
	for name, tt := range map[string]struct {
		change func(p ipv6.Packet) ipv6.Packet
		want   bool
	}{
		"as it is":                 {func(p ipv6.Packet) ipv6.Packet { return p }, true},
		"without options":          {func(p ipv6.Packet) ipv6.Packet { return p[:64] }, true},
		"to the target itself":     {func(p ipv6.Packet) ipv6.Packet { copy(p[24:], target[:]); return p }, true},
		"unknown option":           {func(p ipv6.Packet) ipv6.Packet { return append(p, 200, 1, 0, 0, 0, 0, 0, 0) }, true},
		"hop limit 254":            {func(p ipv6.Packet) ipv6.Packet { p[7] = 254; return p }, false},
		"code 1":                   {func(p ipv6.Packet) ipv6.Packet { p[41] = 1; return p }, false},
		"short":                    {func(p ipv6.Packet) ipv6.Packet { return p[:63] }, false},
		"no message":               {func(p ipv6.Packet) ipv6.Packet { return p[:40] }, false},
		"multicast target":         {func(p ipv6.Packet) ipv6.Packet { p[48] = 0xff; return p }, false},
		"unspecified target":       {func(p ipv6.Packet) ipv6.Packet { copy(p[48:64], unspecified); return p }, false},
		"option of length 0":       {func(p ipv6.Packet) ipv6.Packet { p[65] = 0; return p }, false},
		"option past the end":      {func(p ipv6.Packet) ipv6.Packet { p[65] = 2; return p }, false},
		"half an option":           {func(p ipv6.Packet) ipv6.Packet { return append(p, 1) }, false},
		"multicast source":         {func(p ipv6.Packet) ipv6.Packet { p[8] = 0xff; return p }, false},
		"unspecified, with option": {func(p ipv6.Packet) ipv6.Packet { copy(p[8:24], unspecified); return p }, false},
		"unspecified":              {func(p ipv6.Packet) ipv6.Packet { copy(p[8:24], unspecified); return p[:64] }, true},
		"unspecified, to the target": {func(p ipv6.Packet) ipv6.Packet {
			copy(p[8:24], unspecified)
			copy(p[24:], target[:])
			return p[:64]
		}, false},
		"a router solicitation":     {func(p ipv6.Packet) ipv6.Packet { p[40] = ipv6.TypeRouterSol; return p }, false},
		"advertisement":             {func(p ipv6.Packet) ipv6.Packet { p[40] = ipv6.TypeNeighborAdv; p[44] = 0; return p }, true},
		"advertisement, S to group": {func(p ipv6.Packet) ipv6.Packet { p[40] = ipv6.TypeNeighborAdv; p[44] = 0x40; return p }, false},
		"advertisement from nobody": {func(p ipv6.Packet) ipv6.Packet {
			p[40] = ipv6.TypeNeighborAdv
			copy(p[8:24], unspecified)
			return p[:64]
		}, false},
		"next header UDP": {func(p ipv6.Packet) ipv6.Packet { p[6] = ipv6.ProtoUDP; return p }, false},
	} {
		if _, got := parseNeighbor(mutate(tt.change)); got != tt.want {
			t.Errorf("%s: %v, want %v", name, got, tt.want)
		}
	}
	bad := mutate(func(p ipv6.Packet) ipv6.Packet { copy(p[24:], group[:]); return p })
	bad[42] ^= 1
	if _, ok := parseNeighbor(bad); ok {
		t.Error("a wrong checksum is taken")
	}
	m, _ := parseNeighbor(mutate(func(p ipv6.Packet) ipv6.Packet { return p }))
	if !m.hasMAC || m.mac != hostMAC || m.source != addr("2001:db8::99") || m.target != addr("2001:db8::b") || m.advertisement {
		t.Errorf("%+v", m)
	}
}

func solicit(target string) []byte {
	return appendNeighbor(nil, ipv6.TypeNeighborSol, addr("2001:db8::99"), ipv6.SolicitedNode(addr(target)), addr(target), 0, nil)
}

func claim(target string, mac [6]byte) []byte {
	return appendNeighbor(nil, ipv6.TypeNeighborAdv, addr("fe80::9"), allNodes, addr(target), 0, append([]byte{optionTarget, 1}, mac[:]...))
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
		if _, out := p.receive(nil, solicit(target), hostMAC, begin); (out != nil) != want {
			t.Errorf("%s: answered %v", target, out != nil)
		}
	}
	// Without an option the answer goes to where the question came from; our own is not
	// answered.
	if to, _ := p.receive(nil, solicit(held), [6]byte{2, 1}, begin); to != [6]byte{2, 1} {
		t.Errorf("answered to %x", to)
	}
	if _, out := p.receive(nil, solicit(held), ourMAC, begin); out != nil {
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
	p.receive(nil, claim(held, ourMAC), hostMAC, begin) // our own, sent back by a reflector
	p.receive(nil, claim("2001:db8::1", hostMAC), hostMAC, begin)
	if len(p.conflicts) != 0 {
		t.Errorf("conflicts %v", p.conflicts)
	}
	for range 2 {
		p.receive(nil, claim(held, hostMAC), hostMAC, begin)
	}
	if _, out := p.receive(nil, solicit(held), hostMAC, begin.Add(conflictHold-1)); out != nil {
		t.Error("answered for an address that another host has")
	}
	if n := strings.Count(log.String(), "another host of the network has the address"); n != 1 || !strings.Contains(log.String(), "node=mast") ||
		!strings.Contains(log.String(), net.HardwareAddr(hostMAC[:]).String()) {
		t.Errorf("logged %d times:\n%s", n, log.String())
	}
	if _, out := p.receive(nil, solicit(held), hostMAC, begin.Add(conflictHold)); out == nil {
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
	ns := solicit("2001:db8::200:5eef:1000:a")
	for i := range 100_000 {
		p.receive(nil, ns, hostMAC, begin.Add(time.Duration(i)*10*time.Microsecond))
	}
	if n := p.stats.answered.Load(); n < answerRate || n > answerRate+answerBurst {
		t.Errorf("%d answers in a second", n)
	}
}

// What is sent is what RFC 4862, section 5.4.2, has, and our own parser takes it.
func TestProbe(t *testing.T) {
	target := addr("2001:db8::200:5eef:1000:a")
	b := appendProbe(nil, target)
	p, err := ipv6.Parse(b)
	if err != nil || !p.Source().IsUnspecified() || p.Destination() != addr("ff02::1:ff00:a") || p.HopLimit() != 255 {
		t.Fatalf("%x %v", b, err)
	}
	m, err := ndp.ParseMessage(p.Payload())
	if ns, ok := m.(*ndp.NeighborSolicitation); err != nil || !ok || ns.TargetAddress != target || len(ns.Options) != 0 {
		t.Errorf("%v %v", m, err)
	}
	if _, ok := parseNeighbor(b); !ok {
		t.Error("not valid")
	}
}

// What the parser takes, another library reads in the same way (mdlayher/ndp), and
// nothing makes the proxy panic or answer for what no node holds.
func FuzzNeighbor(f *testing.F) {
	for _, v := range bridgetest.Vectors(f, "nd") {
		f.Add(v.Packets[0])
	}
	f.Add(solicit("2001:db8::200:5eef:1000:a"))
	f.Add(claim("2001:db8::200:5eef:1000:a", hostMAC))
	p, table := testProxy(f, prefix("2001:db8::/64"), 0x00005eef1000000a)
	f.Fuzz(func(t *testing.T, b []byte) {
		_, out := p.receive(nil, b, hostMAC, time.Now())
		m, ok := parseNeighbor(b)
		if !ok {
			if out != nil {
				t.Fatal("an invalid message is answered")
			}
			return
		}
		if out != nil && table.ByAddress(m.target) == nil {
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
		if target != m.target {
			t.Fatal(fmt.Sprint(target, m.target))
		}
	})
}

// What one solicitation costs: for an address that a node holds, and for one of a
// scan.
func BenchmarkSolicitation(b *testing.B) {
	for name, target := range map[string]string{"held": "2001:db8::200:5eef:1000:a", "scan": "2001:db8::4:5:6:7"} {
		b.Run(name, func(b *testing.B) {
			p, _ := testProxy(b, prefix("2001:db8::/64"), 0x00005eef1000000a)
			ns, out := solicit(target), make([]byte, 0, 128)
			now := begin
			b.ReportAllocs()
			for b.Loop() {
				now = now.Add(time.Second)
				p.receive(out, ns, hostMAC, now)
			}
		})
	}
}
