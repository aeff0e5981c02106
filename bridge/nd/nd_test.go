package nd

import (
	"bytes"
	"encoding/binary"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/mdlayher/ndp"

	"culvert/bridge/bridgetest"
	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
)

// The site of the tests: the gateway of the vectors, and three nodes.
var (
	prefix    = netip.MustParsePrefix("2001:db8::/64")
	router    = ieee802154.MustParseAddr("02:12:4b:00:14:b5:d6:e7")
	nodeA     = ieee802154.MustParseAddr("02:00:5e:ef:10:00:00:0b")
	nodeB     = ieee802154.MustParseAddr("00:00:5e:ef:10:00:00:02")
	nodeC     = ieee802154.MustParseAddr("00:00:5e:ef:10:00:00:03")
	start     = time.Unix(1_800_000_000, 0)
	opaque    = netip.MustParseAddr("2001:db8::1234:5678:9abc:def0")
	routerLL  = linkLocalOf(router)
	gatewayIP = netip.MustParseAddr("2001:db8::1")
)

func linkLocalOf(a ieee802154.Addr) netip.Addr {
	iid, _ := ipv6.IIDOf(a)
	return ipv6.LinkLocal(iid)
}

// bench is a server with its table, a clock, and what it last said.
type bench struct {
	t     *testing.T
	s     *Server
	table *node.Table
	now   time.Time
	out   Out
}

func newBench(t *testing.T, change func(*Options)) *bench {
	t.Helper()
	return newBenchWith(t, node.Options{}, change)
}

func newBenchWith(t *testing.T, no node.Options, change func(*Options)) *bench {
	t.Helper()
	no.Prefix, no.Start = prefix, start
	table, err := node.New(no)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range []ieee802154.Addr{nodeA, nodeB, nodeC} {
		table.Attach(node.Joined{EUI64: a}, start)
	}
	o := Options{Prefix: prefix, EUI64: router, Table: table}
	if change != nil {
		change(&o)
	}
	return &bench{t: t, s: New(o, State{}, start), table: table, now: start}
}

// handle gives a packet to the server and carries the changes out, as the packet
// path does.
func (b *bench) handle(p []byte, from ieee802154.Addr) error {
	b.t.Helper()
	pkt, err := ipv6.Parse(p)
	if err != nil {
		b.t.Fatal(err)
	}
	b.out.Reset()
	if !IsND(pkt) {
		b.t.Fatal("not a neighbour discovery packet")
	}
	b.now = b.now.Add(2 * time.Second) // so that no rate limit speaks here
	err = b.s.Handle(pkt, from, b.now, &b.out)
	b.apply()
	return err
}

func (b *bench) apply() {
	for _, c := range b.out.Changes {
		if c.Kind == Reassigned || c.Kind == Ended {
			b.table.RemoveAddress(c.Link, c.Addr)
		} else if err := b.table.AddAddress(c.Link, c.Addr, c.Origin, b.now); err != nil && err != node.ErrNoNode {
			b.t.Errorf("change %+v: %v", c, err)
		}
	}
}

// tick moves the clock on and runs what is due.
func (b *bench) tick(d time.Duration) {
	b.now = b.now.Add(d)
	b.out.Reset()
	b.s.Tick(b.now, &b.out)
	b.apply()
}

// said returns the one packet of the last call as a message of the reference
// library, and its IPv6 header.
func (b *bench) said() (ipv6.Packet, ndp.Message) {
	b.t.Helper()
	if len(b.out.Packets) != 1 {
		b.t.Fatalf("%d packets, want 1", len(b.out.Packets))
	}
	p := b.packet(b.out.Packets[0])
	return p, reference(b.t, p)
}

// reference reads a message by the reference library. It knows link-layer address
// options of Ethernet only, so these are left out.
func reference(t *testing.T, p ipv6.Packet) ndp.Message {
	t.Helper()
	icmp := p.Payload()
	options := map[byte]int{ipv6.TypeRouterAdv: 16, ipv6.TypeNeighborSol: 24, ipv6.TypeNeighborAdv: 24}[icmp[0]]
	msg := bytes.Clone(icmp[:options])
	for o := icmp[options:]; len(o) >= 8; o = o[8*int(o[1]):] {
		if o[0] != optSourceLink && o[0] != optTargetLink {
			msg = append(msg, o[:8*int(o[1])]...)
		}
	}
	m, err := ndp.ParseMessage(msg)
	if err != nil {
		t.Fatalf("the reference library does not read %x: %v", msg, err)
	}
	return m
}

func (b *bench) packet(q Packet) ipv6.Packet {
	b.t.Helper()
	p, err := ipv6.Parse(b.out.Bytes(q))
	if err != nil {
		b.t.Fatal(err)
	}
	if !ipv6.ChecksumOK(p.SourceBytes(), p.DestinationBytes(), ipv6.ProtoICMPv6, p.Payload()) {
		b.t.Errorf("wrong checksum: %x", p)
	}
	return p
}

// registrationOf returns status, TID and verifier of the registration option in a
// neighbour advertisement, which the reference library does not know.
func registrationOf(t *testing.T, p ipv6.Packet) (Status, byte, []byte) {
	t.Helper()
	for o := p.Payload()[24:]; len(o) >= 8; o = o[8*int(o[1]):] {
		if o[0] == optRegistration {
			return Status(o[2]), o[5], o[8 : 8*int(o[1])]
		}
	}
	t.Fatalf("no registration option in %x", p)
	return 0, 0, nil
}

// solicit builds a neighbour solicitation. Options are given whole.
func solicit(src, dst, target netip.Addr, options ...[]byte) []byte {
	var o Out
	at := o.start(src, dst, hopLimitOnLink, ipv6.TypeNeighborSol, 0, 0)
	o.Buf = appendAddr(o.Buf, target)
	for _, b := range options {
		o.Buf = append(o.Buf, b...)
	}
	o.finish(at, ieee802154.Addr{}, false)
	return o.Buf
}

func sllao(a ieee802154.Addr) []byte {
	var o Out
	o.linkOption(optSourceLink, a)
	return o.Buf
}

// earo builds a registration option in the form of RFC 8505.
func earo(tid byte, minutes uint16, verifier []byte) []byte {
	b := []byte{optRegistration, byte(1 + len(verifier)/8), 0, 0, flagT | flagR, tid}
	b = binary.BigEndian.AppendUint16(b, minutes)
	return append(b, verifier...)
}

// aro builds one in the form of RFC 6775.
func aro(minutes uint16, eui ieee802154.Addr) []byte {
	b := []byte{optRegistration, 2, 0, 0, 0, 0}
	b = binary.BigEndian.AppendUint16(b, minutes)
	return eui.AppendTo(b)
}

func register(from ieee802154.Addr, addr netip.Addr, tid byte, minutes uint16, verifier []byte) []byte {
	return solicit(linkLocalOf(from), routerLL, addr, sllao(from), earo(tid, minutes, verifier))
}

func eui(a ieee802154.Addr) []byte { return a.AppendTo(nil) }

// Source: the set nd of the vectors (RFC 4861, 6775, 7400, 8505).
func TestNDVectors(t *testing.T) {
	for _, v := range bridgetest.Vectors(t, "nd") {
		t.Run(v.ID, func(t *testing.T) {
			p := v.Packets[0]
			b := newBench(t, nil)
			typ := p[ipv6.HeaderLen]
			switch {
			case v.Expect.Action == "proxy_na" || v.ID == "nd-ra-rio" || v.ID == "nd-proxy-na":
				// The site's network: package upstream. Here they must only be read.
				m, err := ndp.ParseMessage(p[ipv6.HeaderLen:])
				if err != nil || m == nil {
					t.Fatal(err)
				}
			case v.Expect.Action == "drop":
				if err := b.handle(p, nodeA); drop.Of(err) != drop.NeighborInvalid {
					t.Errorf("%s: error %v, want neighbor-invalid", v.Expect.Reason, err)
				}
				if len(b.out.Packets)+len(b.out.Changes) != 0 {
					t.Error("an invalid message had an effect")
				}
			case v.Expect.Action == "no_registration":
				if err := b.handle(p, nodeA); err != nil || len(b.out.Changes) != 0 {
					t.Errorf("error %v, changes %v: want none", err, b.out.Changes)
				}
			case typ == ipv6.TypeRouterAdv || typ == ipv6.TypeNeighborAdv || typ == ipv6.TypeDuplicateConf:
				// What a router says: ours must look the same; see the tests below. From a
				// node it is refused, or tells nothing.
				_ = b.handle(p, nodeA)
				if len(b.out.Changes) != 0 {
					t.Error("an answer that nobody asked for changed the table")
				}
			default:
				if err := b.handle(p, nodeA); err != nil {
					t.Fatal(err)
				}
				if len(b.out.Packets) != 1 {
					t.Fatalf("%d answers, want 1", len(b.out.Packets))
				}
			}
		})
	}
}

// RFC 6775, 6.1 and 6.3; RFC 4861, 4.2: judged by the reference library's parser.
func TestRouterAdvertisement(t *testing.T) {
	b := newBench(t, func(o *Options) {
		o.Contexts = []Context{{0, prefix}, {5, netip.MustParsePrefix("2001:db8:5:5:1111:2222:3333:4444/128")}}
	})
	rs := bridgetest.Vectors(t, "nd")[1].Packets[0] // nd-rs-6cio
	if err := b.handle(rs, nodeA); err != nil {
		t.Fatal(err)
	}
	p, m := b.said()
	ra, ok := m.(*ndp.RouterAdvertisement)
	if !ok {
		t.Fatalf("answer is %T", m)
	}
	if p.HopLimit() != 255 || p.Source() != routerLL || p.Destination() != linkLocalOf(nodeA) || b.out.Packets[0].To != nodeA {
		t.Errorf("from %s to %s (%s), hop limit %d", p.Source(), p.Destination(), b.out.Packets[0].To, p.HopLimit())
	}
	if ra.RouterLifetime != defaultLifetime || ra.ManagedConfiguration || ra.OtherConfiguration {
		t.Errorf("lifetime %v, flags M %v O %v", ra.RouterLifetime, ra.ManagedConfiguration, ra.OtherConfiguration)
	}
	raw := map[byte][][]byte{}
	for o := p.Payload()[16:]; len(o) >= 8; o = o[8*int(o[1]):] {
		raw[o[0]] = append(raw[o[0]], o[:8*int(o[1])])
	}
	for _, o := range ra.Options {
		switch o := o.(type) {
		case *ndp.PrefixInformation:
			if o.OnLink || !o.AutonomousAddressConfiguration || o.PrefixLength != 64 || o.Prefix != prefix.Addr() {
				t.Errorf("prefix option %+v: want A=1 L=0 (RFC 6775, 6.1)", o)
			}
		case *ndp.MTU:
			if o.MTU != 1280 {
				t.Errorf("MTU %d", o.MTU)
			}
		}
	}
	// RFC 6775, 4.2: length 2 up to 64 bits, 3 above; 4.3: the version of the border
	// router option is split low and high half.
	if got := raw[optContext]; len(got) != 2 || got[0][1] != 2 || got[0][2] != 64 || got[0][3] != 0x10 || got[1][1] != 3 || got[1][2] != 128 || got[1][3] != 0x15 {
		t.Errorf("context options %x", got)
	}
	if got := raw[optBorderRouter]; len(got) != 1 || !bytes.Equal(got[0][2:6], []byte{0, 1, 0, 0}) || netip.AddrFrom16([16]byte(got[0][8:])) != gatewayIP {
		t.Errorf("border router option %x", got)
	}
	if got := raw[optCapability]; len(got) != 1 || binary.BigEndian.Uint16(got[0][2:])&(capExtended|capGHC) != capExtended|capGHC {
		t.Errorf("6CIO %x: want E and G set, as the solicitation had the option (RFC 8505, 6; RFC 7400, 3.4)", got)
	}
	if got := raw[optSourceLink]; len(got) != 1 || got[0][1] != 2 || !bytes.Equal(got[0][2:10], eui(router)) {
		t.Errorf("source link-layer address option %x", got)
	}
}

// A solicitation without 6CIO is answered without it.
func TestNoCapabilitiesUnasked(t *testing.T) {
	b := newBench(t, nil)
	if err := b.handle(bridgetest.Vectors(t, "nd")[0].Packets[0], nodeA); err != nil {
		t.Fatal(err)
	}
	p, _ := b.said()
	if bytes.Contains(p.Payload(), []byte{optCapability, 1, 0}) {
		t.Error("6CIO in the answer")
	}
}

// RFC 6775, 6.5 and 6.5.2: a registration, its answer, a duplicate, the end.
func TestRegistrationOfRFC6775(t *testing.T) {
	b := newBench(t, nil)
	ask := func(from ieee802154.Addr, minutes uint16) []byte {
		return solicit(opaque, routerLL, routerLL, sllao(from), aro(minutes, from))
	}
	if err := b.handle(ask(nodeA, 60), nodeA); err != nil {
		t.Fatal(err)
	}
	p, _ := b.said()
	if st, _, v := registrationOf(t, p); st != Success || !bytes.Equal(v, eui(nodeA)) || p.Destination() != opaque || !b.out.Packets[0].Durable {
		t.Errorf("status %d, verifier %x, to %s, durable %v", st, v, p.Destination(), b.out.Packets[0].Durable)
	}
	if n := b.table.ByAddress(opaque); n == nil || n.EUI64() != nodeA {
		t.Fatal("the address is not in the table")
	}
	// Another EUI-64 for the same address: status 1 to the link-local address of that
	// EUI-64, and nothing changes.
	if err := b.handle(ask(nodeB, 60), nodeB); err != nil {
		t.Fatal(err)
	}
	p, _ = b.said()
	if st, _, _ := registrationOf(t, p); st != Duplicate || p.Destination() != linkLocalOf(nodeB) || b.out.Packets[0].To != nodeB || len(b.out.Changes) != 0 {
		t.Errorf("status %d to %s (%s), changes %v", st, p.Destination(), b.out.Packets[0].To, b.out.Changes)
	}
	// Lifetime 0 deletes.
	if err := b.handle(ask(nodeA, 0), nodeA); err != nil {
		t.Fatal(err)
	}
	if b.table.ByAddress(opaque) != nil || b.s.Stats().Bindings != 0 {
		t.Error("the registration is still there")
	}
}

// RFC 6775, 5.5 and 6.5.3: a lifetime that runs out ends the registration.
func TestRegistrationExpires(t *testing.T) {
	b := newBench(t, nil)
	if err := b.handle(register(nodeA, opaque, 1, 2, eui(nodeA)), nodeA); err != nil {
		t.Fatal(err)
	}
	b.tick(119 * time.Second)
	if b.table.ByAddress(opaque) == nil {
		t.Fatal("gone before its time")
	}
	b.tick(2 * time.Second)
	if b.table.ByAddress(opaque) != nil {
		t.Error("still there after its time")
	}
}

// RFC 8505, 5: one row a rule.
func TestRegistrationOfRFC8505(t *testing.T) {
	rovr16 := bytes.Repeat([]byte{7}, 16)
	outside := netip.MustParseAddr("2001:db8:1::5")
	first := register(nodeA, opaque, 5, 60, eui(nodeA))
	for _, c := range []struct {
		name   string
		before [][]byte // from nodeA
		msg    []byte
		from   ieee802154.Addr
		want   Status
		owner  ieee802154.Addr // of the address afterwards
	}{
		{"5.5: the target is registered", nil, first, nodeA, Success, nodeA},
		{"5.2: a newer TID renews", [][]byte{first}, register(nodeA, opaque, 6, 60, eui(nodeA)), nodeA, Success, nodeA},
		{"5.2: the same TID is a retry", [][]byte{first}, first, nodeA, Success, nodeA},
		{"5.2: a stale TID is moved", [][]byte{first}, register(nodeA, opaque, 4, 60, eui(nodeA)), nodeA, Moved, nodeA},
		{"5.2: a restart counts from 240", [][]byte{first}, register(nodeA, opaque, 240, 60, eui(nodeA)), nodeA, Success, nodeA},
		{"5.2: 255 goes on at 0", [][]byte{register(nodeA, opaque, 255, 60, eui(nodeA))}, register(nodeA, opaque, 0, 60, eui(nodeA)), nodeA, Success, nodeA},
		{"5.2: 127 goes on at 0", [][]byte{register(nodeA, opaque, 127, 60, eui(nodeA))}, register(nodeA, opaque, 0, 60, eui(nodeA)), nodeA, Success, nodeA},
		{"5.3: another verifier is a duplicate", [][]byte{first}, register(nodeB, opaque, 9, 60, eui(nodeB)), nodeB, Duplicate, nodeA},
		{"5.3: a verifier of another length too", [][]byte{first}, register(nodeA, opaque, 9, 60, rovr16), nodeA, Duplicate, nodeA},
		{"5.3: 128 bits", nil, register(nodeA, opaque, 9, 60, rovr16), nodeA, Success, nodeA},
		{"5.3: the node moved, with its verifier", [][]byte{register(nodeA, opaque, 5, 60, rovr16)}, register(nodeB, opaque, 6, 60, rovr16), nodeB, Success, nodeB},
		{"the verifier is another node's EUI-64", nil, register(nodeB, opaque, 6, 60, eui(nodeA)), nodeB, ValidationFailed, ieee802154.Addr{}},
		{"so is it where that node registered the address", [][]byte{first}, register(nodeB, opaque, 6, 60, eui(nodeA)), nodeB, ValidationFailed, nodeA},
		{"and it ends no registration", [][]byte{first}, register(nodeB, opaque, 6, 0, eui(nodeA)), nodeB, ValidationFailed, nodeA},
		{"the verifier is the gateway's EUI-64", nil, register(nodeB, opaque, 6, 60, eui(router)), nodeB, ValidationFailed, ieee802154.Addr{}},
		{"the verifier is nobody's EUI-64", nil, register(nodeB, opaque, 6, 60, bytes.Repeat([]byte{4}, 8)), nodeB, Success, nodeB},
		{"4.1: outside the prefix", nil, register(nodeA, outside, 1, 60, eui(nodeA)), nodeA, TopologyIncorrect, ieee802154.Addr{}},
		{"the gateway's address", nil, register(nodeA, gatewayIP, 1, 60, eui(nodeA)), nodeA, Duplicate, ieee802154.Addr{}},
		{"another node's derived address", nil, register(nodeA, ipv6.Join(prefix.Addr(), ipv6.IIDIn(linkLocalOf(nodeB))), 1, 60, eui(nodeA)), nodeA, Duplicate, nodeB},
		{"4.1: the source is another node's", nil, solicit(linkLocalOf(nodeB), routerLL, opaque, sllao(nodeA), earo(1, 60, eui(nodeA))), nodeA, DuplicateSource, ieee802154.Addr{}},
		{"4.1: a global source that is nobody's", nil, solicit(netip.MustParseAddr("2001:db8::9"), routerLL, opaque, sllao(nodeA), earo(1, 60, eui(nodeA))), nodeA, InvalidSource, ieee802154.Addr{}},
		{"5.5: lifetime 0 ends it", [][]byte{first}, register(nodeA, opaque, 6, 0, eui(nodeA)), nodeA, Success, ieee802154.Addr{}},
		{"a stale lifetime 0 ends nothing", [][]byte{first}, register(nodeA, opaque, 4, 0, eui(nodeA)), nodeA, Moved, nodeA},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t, nil)
			for _, m := range c.before {
				if err := b.handle(m, nodeA); err != nil {
					t.Fatal(err)
				}
			}
			if err := b.handle(c.msg, c.from); err != nil {
				t.Fatal(err)
			}
			p, _ := b.said()
			st, tid, v := registrationOf(t, p)
			msg := ipv6.Packet(c.msg).Payload()[24+16:]
			if st != c.want || tid != msg[5] || !bytes.Equal(v, msg[8:8*int(msg[1])]) {
				t.Errorf("status %d tid %d verifier %x, want %d %d %x", st, tid, v, c.want, msg[5], msg[8:])
			}
			target := netip.AddrFrom16([16]byte(ipv6.Packet(c.msg).Payload()[8:24]))
			n := b.table.ByAddress(target)
			if c.owner.IsNone() != (n == nil) || n != nil && n.EUI64() != c.owner {
				t.Errorf("the address belongs to %v, want %s", n, c.owner)
			}
		})
	}
}

// RFC 6550, 7.2, by way of RFC 8505, 5.2. The rows are worked by hand.
func TestNewerTID(t *testing.T) {
	for _, c := range []struct {
		a, b uint8
		want bool
	}{
		// 16 is 17 ahead of 127 in the circle of 128, past the window: it cannot be
		// compared, and the later message stands.
		{5, 5, true}, {6, 5, true}, {5, 6, false}, {0, 127, true}, {127, 0, false}, {16, 127, true},
		{15, 127, true}, {0, 255, true}, {255, 0, false}, {240, 5, true}, {5, 240, false},
		{0, 240, true}, {1, 240, false}, {250, 240, true}, {240, 250, false}, {200, 240, true}, {60, 5, true},
	} {
		if got := newerTID(c.a, c.b); got != c.want {
			t.Errorf("newerTID(%d, %d) = %v, want %v", c.a, c.b, got, c.want)
		}
	}
}

// RFC 6775, 6.5.3: a full cache refuses, and evicts nothing that is registered.
func TestRegistrationsAreBounded(t *testing.T) {
	b := newBench(t, func(o *Options) { o.MaxPerNode = 2; o.MaxAddresses = 3 })
	at := func(i byte) netip.Addr { return ipv6.Join(prefix.Addr(), ipv6.IID(0x1000+uint64(i))) }
	for i, c := range []struct {
		from ieee802154.Addr
		want Status
	}{{nodeA, Success}, {nodeA, Success}, {nodeA, CacheFull}, {nodeB, Success}, {nodeC, CacheFull}} {
		if err := b.handle(register(c.from, at(byte(i)), 1, 60, eui(c.from)), c.from); err != nil {
			t.Fatal(err)
		}
		p, _ := b.said()
		if st, _, _ := registrationOf(t, p); st != c.want {
			t.Errorf("registration %d: status %d, want %d", i, st, c.want)
		}
	}
	for _, i := range []byte{0, 1, 3} {
		if b.table.ByAddress(at(i)) == nil {
			t.Errorf("registration %d was evicted", i)
		}
	}
}

// RFC 6775, 8.2; RFC 8505, 4.2: a relay asks on behalf of a node.
func TestDuplicateAddressRequest(t *testing.T) {
	relay := nodeC
	relayIP := ipv6.Join(prefix.Addr(), ipv6.IIDIn(linkLocalOf(relay)))
	ask := func(code byte, tid byte, verifier []byte) []byte {
		var o Out
		at := o.start(relayIP, gatewayIP, 63, ipv6.TypeDuplicateReq, code, uint32(tid)<<16|60)
		o.Buf = append(o.Buf, verifier...)
		o.Buf = appendAddr(o.Buf, opaque)
		o.finish(at, ieee802154.Addr{}, false)
		return o.Buf
	}
	b := newBench(t, nil)
	for _, c := range []struct {
		name string
		msg  []byte
		want Status
	}{
		{"the first", ask(0, 0, eui(nodeA)), Success},
		{"again", ask(0, 0, eui(nodeA)), Success},
		{"another EUI-64", ask(0, 0, eui(nodeB)), Duplicate},
		{"extended, another verifier", ask(2, 3, bytes.Repeat([]byte{9}, 16)), Duplicate},
		{"extended, the same verifier", ask(1, 3, eui(nodeA)), Success},
	} {
		if err := b.handle(c.msg, relay); err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if len(b.out.Packets) != 1 {
			t.Fatalf("%s: %d answers", c.name, len(b.out.Packets))
		}
		p := b.packet(b.out.Packets[0])
		icmp := p.Payload()
		if icmp[0] != ipv6.TypeDuplicateConf || Status(icmp[4]) != c.want || p.Destination() != relayIP || b.out.Packets[0].To != relay {
			t.Errorf("%s: %x to %s, want status %d", c.name, icmp[:8], p.Destination(), c.want)
		}
	}
	if n := b.table.ByAddress(opaque); n == nil || n.EUI64() != nodeA {
		t.Error("the address is not the node's in the table")
	}
}

// relayed is a duplicate address request of RFC 6775, 4.4, or RFC 8505, 4.2 (code 1),
// for an address, with a verifier of 8 octets.
func relayed(relay ieee802154.Addr, code, tid byte, minutes uint16, verifier ieee802154.Addr, target netip.Addr) []byte {
	var o Out
	at := o.start(ipv6.Join(prefix.Addr(), ipv6.IIDIn(linkLocalOf(relay))), gatewayIP, 63, ipv6.TypeDuplicateReq, code, uint32(tid)<<16|uint32(minutes))
	o.Buf = append(o.Buf, eui(verifier)...)
	o.Buf = appendAddr(o.Buf, target)
	o.finish(at, ieee802154.Addr{}, false)
	return o.Buf
}

// What a relay registers counts against the relay, and not against the node that it
// names: it can neither fill the registry nor use up what that node may register.
func TestRelaysAreBounded(t *testing.T) {
	at := func(i int) netip.Addr { return ipv6.Join(prefix.Addr(), ipv6.IID(0x7000+i)) }
	ask := func(b *bench, relay, verifier ieee802154.Addr, i int) Status {
		t.Helper()
		if err := b.handle(relayed(relay, 0, 0, 60, verifier, at(i)), relay); err != nil {
			t.Fatal(err)
		}
		return Status(b.packet(b.out.Packets[0]).Payload()[4])
	}
	b := newBench(t, func(o *Options) { o.MaxAddresses = 64 })
	accepted := 0
	for i := range 100 {
		if ask(b, nodeC, ieee802154.Extended(0x0200_0000_0000_0000+uint64(i)), i) == Success {
			accepted++
		}
	}
	if accepted != 8 || b.table.Len() != 3 {
		t.Errorf("%d addresses were registered by one relay, want an eighth of 64; %d nodes, want 3", accepted, b.table.Len())
	}
	b = newBench(t, nil)
	for i := range 100 {
		ask(b, nodeC, nodeA, i)
	}
	if n := b.s.Stats().Bindings; n != defaultPerNode {
		t.Errorf("%d addresses of one node by relays, want %d", n, defaultPerNode)
	}
	for i := range defaultPerNode {
		if err := b.handle(register(nodeA, at(200+i), 1, 60, eui(nodeA)), nodeA); err != nil {
			t.Fatal(err)
		}
		p, _ := b.said()
		if st, _, _ := registrationOf(t, p); st != Success || b.table.ByAddress(at(200+i)) == nil {
			t.Errorf("the node's own registration %d: status %d", i, st)
		}
	}
}

// A relay has no more rights on an address than its own registrations give it.
func TestRelayedRegistration(t *testing.T) {
	own := register(nodeA, opaque, 5, 600, eui(nodeA))
	other := nodeB
	for _, c := range []struct {
		name   string
		before []byte
		from   ieee802154.Addr
		msg    []byte // from nodeC
		want   Status
		life   time.Duration // of the registration afterwards; 0: it has ended
	}{
		{"a new one", nil, nodeC, relayed(nodeC, 0, 0, 60, nodeA, opaque), Success, time.Hour},
		{"its own ends", relayed(nodeC, 0, 0, 60, nodeA, opaque), nodeC, relayed(nodeC, 0, 0, 0, nodeA, opaque), Success, 0},
		{"the node's own does not end", own, nodeA, relayed(nodeC, 0, 0, 0, nodeA, opaque), Duplicate, 10 * time.Hour},
		{"nor in the extended form", own, nodeA, relayed(nodeC, 1, 9, 0, nodeA, opaque), ValidationFailed, 10 * time.Hour},
		{"nor is it made shorter", own, nodeA, relayed(nodeC, 1, 9, 1, nodeA, opaque), Success, 10 * time.Hour},
		{"that of another relay does not end", relayed(other, 0, 0, 60, nodeA, opaque), other, relayed(nodeC, 0, 0, 0, nodeA, opaque), Duplicate, time.Hour},
		{"the node moves to another relay", relayed(other, 1, 1, 60, nodeA, opaque), other, relayed(nodeC, 1, 2, 120, nodeA, opaque), Success, 2 * time.Hour},
		{"the gateway's EUI-64", nil, nodeC, relayed(nodeC, 0, 0, 60, router, opaque), Duplicate, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t, nil)
			if c.before != nil {
				if err := b.handle(c.before, c.from); err != nil {
					t.Fatal(err)
				}
			}
			made := b.now
			if err := b.handle(c.msg, nodeC); err != nil {
				t.Fatal(err)
			}
			if st := Status(b.packet(b.out.Packets[0]).Payload()[4]); st != c.want {
				t.Errorf("status %d, want %d", st, c.want)
			}
			if c.before == nil || c.want == Success && c.from != nodeA {
				made = b.now
			}
			var left time.Duration
			b.s.Bindings(func(r Binding) bool {
				left = r.Until.Sub(made)
				if r.Link != nodeA {
					t.Errorf("registered to %v", r.Link)
				}
				return true
			})
			if left != c.life {
				t.Errorf("lives for %v, want %v", left, c.life)
			}
			if n := b.table.ByAddress(opaque); (n != nil) != (c.life != 0) || n != nil && n.EUI64() != nodeA {
				t.Error("the table says otherwise")
			}
		})
	}
}

// A node that registers nothing: RFC 4862, 5.4, and RFC 6620 in spirit.
func TestClaims(t *testing.T) {
	dad := func(a netip.Addr) []byte { return solicit(netip.IPv6Unspecified(), ipv6.SolicitedNode(a), a) }
	const period = time.Hour
	b := newBenchWith(t, node.Options{Report: node.Reporting{Period: period}}, nil)
	heard := func() { b.table.ByLink(nodeA).Heard(b.now, 0, 0) }
	defended := func(why string) {
		t.Helper()
		if p, m := b.said(); p.Destination() != ipv6.AllNodes || m.(*ndp.NeighborAdvertisement).TargetAddress != opaque || b.out.Packets[0].To != ieee802154.Broadcast {
			t.Errorf("%s: the claimant was not told that the address is taken", why)
		}
		if n := b.table.ByAddress(opaque); n == nil || n.EUI64() != nodeA {
			t.Errorf("%s: the address changed hands", why)
		}
	}
	if err := b.handle(dad(opaque), nodeA); err != nil || len(b.out.Packets) != 0 {
		t.Fatalf("error %v, %d packets: a free address is met with silence", err, len(b.out.Packets))
	}
	if n := b.table.ByAddress(opaque); n == nil || n.EUI64() != nodeA {
		t.Fatal("the claim is not in the table")
	}
	// Another wants it while its owner is not overdue, though it sleeps: it is defended.
	for _, quiet := range []time.Duration{3 * time.Second, 9 * period} {
		heard()
		b.now = b.now.Add(quiet)
		if err := b.handle(dad(opaque), nodeB); err != nil {
			t.Fatal(err)
		}
		defended("within the owner's period")
		for range 2 * probeTries {
			b.tick(probeInterval)
		}
		if n := b.table.ByAddress(opaque); n == nil || n.EUI64() != nodeA {
			t.Fatal("a sleeping owner lost its address")
		}
	}
	// The owner is overdue: it is asked; it answers, and keeps it.
	b.now = b.now.Add(2 * period)
	if err := b.handle(dad(opaque), nodeB); err != nil {
		t.Fatal(err)
	}
	if p, m := b.said(); p.Destination() != opaque || b.out.Packets[0].To != nodeA || m.Type() != ndpSolicitation {
		t.Errorf("the owner was not asked: to %s", p.Destination())
	}
	answer := func(from ieee802154.Addr, target netip.Addr) []byte {
		var o Out
		o.neighbourAdvert(neighbourAdvert{src: target, dst: routerLL, target: target, flags: naSolicited, link: from}, router, false)
		return o.Buf
	}
	if err := b.handle(answer(nodeA, opaque), nodeA); err != nil {
		t.Fatal(err)
	}
	defended("its owner answered")
	// Once more; the owner says nothing, but was heard before the last question ended.
	ask := func() {
		t.Helper()
		if err := b.handle(dad(opaque), nodeB); err != nil {
			t.Fatal(err)
		}
		if p, m := b.said(); p.Destination() != opaque || m.Type() != ndpSolicitation {
			t.Fatal("the owner was not asked")
		}
	}
	ask()
	heard()
	for range probeTries {
		b.tick(probeInterval)
	}
	if n := b.table.ByAddress(opaque); n.EUI64() != nodeA {
		t.Error("the address changed hands though its owner was heard")
	}
	// Now the owner is gone.
	b.now = b.now.Add(11 * period)
	ask()
	for range probeTries {
		b.tick(probeInterval)
	}
	if n := b.table.ByAddress(opaque); n == nil || n.EUI64() != nodeB {
		t.Error("the address of a node that is gone did not go to the next")
	}
	// Derived and registered addresses are defended at once.
	derived := ipv6.Join(prefix.Addr(), ipv6.IIDIn(linkLocalOf(nodeA)))
	if err := b.handle(dad(derived), nodeB); err != nil {
		t.Fatal(err)
	}
	if p, _ := b.said(); p.Destination() != ipv6.AllNodes {
		t.Error("a derived address was not defended")
	}
	if err := b.handle(dad(gatewayIP), nodeB); err != nil {
		t.Fatal(err)
	}
	if _, m := b.said(); !m.(*ndp.NeighborAdvertisement).Override {
		t.Error("the gateway's own address was not defended with Override")
	}
}

// Data from an address that nobody claimed starts one probe; the answer claims it.
func TestUnclaimedDataIsProbedOnce(t *testing.T) {
	b := newBench(t, nil)
	b.out.Reset()
	for range 5 {
		b.s.Unclaimed(opaque, nodeA, b.now, &b.out)
	}
	if p, m := b.said(); m.Type() != ndpSolicitation || p.Destination() != opaque {
		t.Fatalf("said %v", m)
	}
	var o Out
	o.neighbourAdvert(neighbourAdvert{src: opaque, dst: routerLL, target: opaque, flags: naSolicited}, router, false)
	// From another node: refused.
	if err := b.handle(o.Buf, nodeB); drop.Of(err) != drop.NeighborInvalid || b.table.ByAddress(opaque) != nil {
		t.Errorf("an answer of another node: %v", err)
	}
	if err := b.handle(o.Buf, nodeA); err != nil {
		t.Fatal(err)
	}
	if n := b.table.ByAddress(opaque); n == nil || n.EUI64() != nodeA {
		t.Error("the answer did not claim the address")
	}
}

const ndpSolicitation = 135

// RFC 4861, 7.2.4 and 7.2.8: who answers for which target.
func TestResolve(t *testing.T) {
	b := newBench(t, nil)
	if err := b.handle(register(nodeB, opaque, 1, 60, eui(nodeB)), nodeB); err != nil {
		t.Fatal(err)
	}
	src := linkLocalOf(nodeA)
	for _, c := range []struct {
		name     string
		target   netip.Addr
		answer   bool
		override bool
	}{
		{"the gateway's link-local address", routerLL, true, true},
		{"the gateway's address", gatewayIP, true, true},
		{"another node's registered address", opaque, true, false},
		{"another node's derived address", ipv6.Join(prefix.Addr(), ipv6.IIDIn(linkLocalOf(nodeB))), true, false},
		{"one's own", ipv6.Join(prefix.Addr(), ipv6.IIDIn(src)), false, false},
		{"a link-local neighbour", linkLocalOf(nodeB), false, false},
		{"nobody's", netip.MustParseAddr("2001:db8::dead"), false, false},
	} {
		if err := b.handle(solicit(src, ipv6.SolicitedNode(c.target), c.target, sllao(nodeA)), nodeA); err != nil {
			t.Fatal(err)
		}
		if (len(b.out.Packets) == 1) != c.answer {
			t.Errorf("%s: %d answers, want answer %v", c.name, len(b.out.Packets), c.answer)
			continue
		}
		if c.answer {
			_, m := b.said()
			na := m.(*ndp.NeighborAdvertisement)
			if na.Override != c.override || !na.Solicited || !na.Router || na.TargetAddress != c.target {
				t.Errorf("%s: %+v", c.name, na)
			}
		}
	}
}

// RFC 6775, 7.2 and 4.3: a change of contexts goes step by step, and the version
// goes up with each.
func TestContextLife(t *testing.T) {
	second := netip.MustParsePrefix("2001:db8:77:2::/64")
	b := newBench(t, func(o *Options) { o.Contexts = []Context{{0, prefix}} })
	if _, ok := b.s.Contexts().Lookup(0); !ok || b.s.Version() != 1 {
		t.Fatalf("context 0 %v, version %d", ok, b.s.Version())
	}
	phase := func(id int) Phase { return b.s.contexts.entry[id].phase }
	b.s.SetContexts([]Context{{0, prefix}, {1, second}}, b.now)
	if _, ok := b.s.Contexts().Lookup(1); !ok || phase(1) != PhaseLearn || b.s.Version() != 2 {
		t.Errorf("new context: known %v, phase %d, version %d", ok, phase(1), b.s.Version())
	}
	b.tick(299 * time.Second)
	if phase(1) != PhaseLearn {
		t.Error("used for compression before all nodes can know it")
	}
	b.tick(time.Second)
	if phase(1) != PhaseUse || b.s.Version() != 3 {
		t.Errorf("phase %d, version %d", phase(1), b.s.Version())
	}
	// Its bits change: the identifier lives out first.
	third := netip.MustParsePrefix("2001:db8:77:3::/64")
	b.s.SetContexts([]Context{{0, prefix}, {1, third}}, b.now)
	if p, _ := b.s.Contexts().Lookup(1); p != second || phase(1) != PhaseRetire {
		t.Errorf("context 1 stands for %v in phase %d: the old bits must be decompressed still", p, phase(1))
	}
	b.tick(300 * time.Second)
	if _, ok := b.s.Contexts().Lookup(1); ok || phase(1) != PhaseForget {
		t.Errorf("known %v, phase %d", ok, phase(1))
	}
	b.tick(300 * time.Second)
	b.tick(300 * time.Second)
	if p, _ := b.s.Contexts().Lookup(1); p != third || phase(1) != PhaseUse {
		t.Errorf("context 1 stands for %v in phase %d", p, phase(1))
	}
}

// RFC 6775, 4.3 and 8.1: the version survives a restart, and so do registrations.
func TestRestart(t *testing.T) {
	b := newBench(t, func(o *Options) { o.Contexts = []Context{{0, prefix}} })
	if err := b.handle(register(nodeA, opaque, 5, 60, eui(nodeA)), nodeA); err != nil {
		t.Fatal(err)
	}
	state := b.s.State(b.now)
	b.s.Bindings(func(x Binding) bool { state.Bindings = append(state.Bindings, x); return true })

	again := New(Options{Prefix: prefix, EUI64: router, Table: b.table, Contexts: []Context{{0, prefix}}}, state, b.now)
	if again.Version() != state.Version {
		t.Errorf("version %d after a restart without change, want %d", again.Version(), state.Version)
	}
	c := &bench{t: t, s: again, table: b.table, now: b.now}
	if err := c.handle(register(nodeA, opaque, 4, 60, eui(nodeA)), nodeA); err != nil {
		t.Fatal(err)
	}
	p, _ := c.said()
	if st, _, _ := registrationOf(t, p); st != Moved {
		t.Errorf("status %d: the TID was forgotten", st)
	}
	changed := New(Options{Prefix: prefix, EUI64: router, Contexts: []Context{{0, prefix}, {1, prefix}}}, state, b.now)
	if changed.Version() <= state.Version {
		t.Errorf("version %d after a change of contexts, want more than %d", changed.Version(), state.Version)
	}
}

// A storm costs a bounded number of answers (RFC 4861, 6.2.6).
func TestSolicitationStorm(t *testing.T) {
	b := newBench(t, nil)
	rs, err := ipv6.Parse(bridgetest.Vectors(t, "nd")[0].Packets[0])
	if err != nil {
		t.Fatal(err)
	}
	answered := 0
	for i := range 1000 {
		b.out.Reset()
		if b.s.Handle(rs, nodeA, start.Add(time.Duration(i)*time.Millisecond), &b.out) == nil {
			answered += len(b.out.Packets)
		}
	}
	if answered > solicitBurst+1 {
		t.Errorf("%d answers within a second", answered)
	}
}

// Data from unclaimed addresses is limited as solicitations are: each probe costs the
// mesh a packet, and a node may have any number of addresses (RFC 4861, 6.2.6).
func TestUnclaimedDataIsLimited(t *testing.T) {
	b := newBench(t, func(o *Options) { o.MaxPerNode = 1000 })
	b.out.Reset()
	for i := range 50 {
		b.s.Unclaimed(ipv6.Join(prefix.Addr(), ipv6.IID(0x1000+i)), nodeA, b.now, &b.out)
	}
	if n := len(b.out.Packets); n != solicitBurst {
		t.Errorf("%d probes at once, want %d", n, solicitBurst)
	}
}

// A registered address is defended at once (RFC 6775, 6.5; RFC 4862, 5.4.4): its owner
// asked for it with a lifetime, and is not asked again.
func TestRegisteredAddressIsDefended(t *testing.T) {
	b := newBench(t, nil)
	if err := b.handle(register(nodeA, opaque, 1, 60, eui(nodeA)), nodeA); err != nil {
		t.Fatal(err)
	}
	if err := b.handle(solicit(netip.IPv6Unspecified(), ipv6.SolicitedNode(opaque), opaque), nodeB); err != nil {
		t.Fatal(err)
	}
	p, m := b.said()
	if p.Destination() != ipv6.AllNodes || m.(*ndp.NeighborAdvertisement).TargetAddress != opaque || b.s.Stats().Probes != 0 {
		t.Errorf("%T to %v, %d probes", m, p.Destination(), b.s.Stats().Probes)
	}
}

// A message may carry 32 options; one with more is not read on (our own bound).
func TestManyOptions(t *testing.T) {
	nonce := []byte{optNonce, 1, 1, 2, 3, 4, 5, 6}
	for _, n := range []int{maxNDOptions, maxNDOptions + 1} {
		b := newBench(t, nil)
		options := [][]byte{sllao(nodeA)}
		for len(options) < n {
			options = append(options, nonce)
		}
		err := b.handle(solicit(linkLocalOf(nodeA), routerLL, gatewayIP, options...), nodeA)
		if (err == nil) != (n <= maxNDOptions) || err != nil && drop.Of(err) != drop.NeighborInvalid {
			t.Errorf("%d options: %v", n, err)
		}
	}
}

// The state file may be old, or another configuration's: an address that is the
// gateway's own now goes to no node.
func TestRestartLeavesOutTheGatewaysAddresses(t *testing.T) {
	kept := func(a netip.Addr) Binding {
		return Binding{Addr: a, Link: nodeA, Origin: node.Registered, ROVR: NewROVR(eui(nodeA)), Until: start.Add(time.Hour), Life: time.Hour}
	}
	anycast := prefix.Addr()
	s := New(Options{Prefix: prefix, EUI64: router}, State{Version: 1, Bindings: []Binding{
		kept(gatewayIP), kept(anycast), kept(routerLL), kept(opaque)}}, start)
	s.Bindings(func(r Binding) bool {
		if r.Addr != opaque {
			t.Errorf("%v was given to %v", r.Addr, r.Link)
		}
		return true
	})
	if n := s.Stats().Bindings; n != 1 {
		t.Errorf("%d bindings are back, want 1", n)
	}
}

// Every octet string is met with a packet, a change or an error, never a panic, and
// nothing grows past its bound.
func FuzzHandle(f *testing.F) {
	f.Add(register(nodeA, opaque, 1, 60, eui(nodeA)))
	f.Add(solicit(netip.IPv6Unspecified(), ipv6.SolicitedNode(opaque), opaque))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := ipv6.Parse(b)
		if err != nil || !IsND(p) {
			return
		}
		msg := p.Payload()
		msg[2], msg[3] = 0, 0 // a right checksum, so that the rest is reached
		binary.BigEndian.PutUint16(msg[2:], ipv6.Checksum(p.SourceBytes(), p.DestinationBytes(), ipv6.ProtoICMPv6, msg))
		s := New(Options{Prefix: prefix, EUI64: router}, State{}, start)
		var out Out
		for i := range 3 {
			_ = s.Handle(p, nodeA, start.Add(time.Duration(i)*time.Minute), &out)
			s.Tick(start.Add(time.Duration(i)*time.Hour), &out)
		}
		for _, q := range out.Packets {
			if _, err := ipv6.Parse(out.Bytes(q)); err != nil {
				t.Fatalf("sent a bad packet: %v", err)
			}
		}
	})
}

// A stored verifier is read back as it was written, and one longer than 32 octets (RFC 8505,
// 4.1) is an error, not a shorter verifier.
func TestROVRText(t *testing.T) {
	want := NewROVR(bytes.Repeat([]byte{7}, 16))
	text, err := want.MarshalText()
	if err != nil {
		t.Fatal(err)
	}
	var got ROVR
	if err := got.UnmarshalText(text); err != nil || got != want {
		t.Errorf("%s: read back as %x, %v", text, got.Bytes(), err)
	}
	for _, bad := range []string{strings.Repeat("07", 33), "0", "zz"} {
		if err := got.UnmarshalText([]byte(bad)); err == nil {
			t.Errorf("%q was accepted", bad)
		}
	}
}
