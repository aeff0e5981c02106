package forward

import (
	"encoding/binary"
	"log/slog"
	"net/netip"
	"testing"
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/nd"
	"culvert/bridge/node"
	"culvert/bridge/radio"
)

// newDiscovering is a rig with neighbour discovery whose changes the test commits.
func newDiscovering(t testing.TB, change ...func(*nd.Options, *node.Options)) *rig {
	t.Helper()
	var no node.Options
	do := nd.Options{Prefix: prefix, Contexts: []nd.Context{{ID: 0, Prefix: prefix}}}
	for _, c := range change {
		c(&do, &no)
	}
	r := newRig(t, Options{}, no)
	do.Table, do.Gateway = r.table, gateway
	r.unsaved = make(chan *Unsaved, 4)
	o := r.f.opt
	o.Discovery, o.Keep, o.Log = nd.New(do, nd.State{}, r.now), r.unsaved, slog.New(slog.DiscardHandler)
	r.f = New(o)
	r.f.SetTun(r.tun)
	return r
}

// discovering is newDiscovering with a radio that can broadcast, and lists A and B.
func discovering(t testing.TB) *rig {
	r := newDiscovering(t)
	info := forwardtest.Info()
	info.Feature = radio.FeatureBroadcast
	r.radio.Up(info, 8, radio.NodeInfo{Addr: nodeA}, radio.NodeInfo{Addr: nodeB})
	r.run()
	return r
}

// save commits what waits, and returns how many changes that were.
func (r *rig) save() (changes int) {
	for {
		select {
		case u := <-r.unsaved:
			changes += len(u.Changes)
			r.f.Saved(u)
			r.run()
		default:
			return changes
		}
	}
}

// solicit is a neighbour solicitation with options (RFC 4861, section 4.3).
func solicit(src, dst, target netip.Addr, options ...[]byte) ipv6.Packet {
	msg := []byte{135, 0, 0, 0, 0, 0, 0, 0}
	a := target.As16()
	msg = append(msg, a[:]...)
	for _, o := range options {
		msg = append(msg, o...)
	}
	return icmp(src, dst, 255, msg...)
}

func sourceLink(a ieee802154.Addr) []byte {
	o := a.AppendTo([]byte{1, 1})
	if a.IsExtended() {
		o[1] = 2
	}
	return append(o, make([]byte, int(o[1])*8-len(o))...)
}

// register is a registration of RFC 8505, section 5.6, for an hour.
func register(from ieee802154.Addr, addr netip.Addr, tid byte) ipv6.Packet {
	o := binary.BigEndian.AppendUint16([]byte{33, 2, 0, 0, 1, tid}, 60)
	return solicit(local(from), gwLocal, addr, sourceLink(from), from.AppendTo(o))
}

// types are the ICMPv6 types of packets that arrived at nodes.
func types(got []arrived) (out []byte) {
	for _, a := range got {
		out = append(out, a.pkt[40])
	}
	return out
}

// A router solicitation is answered, and nobody waits for the disk for it.
func TestRouterSolicitation(t *testing.T) {
	r := discovering(t)
	r.up(nodeA, icmp(local(nodeA), routers, 255, append([]byte{133, 0, 0, 0, 0, 0, 0, 0}, sourceLink(nodeA)...)...))
	got := r.answer(radio.OutcomeFirstHop)
	if len(got) != 1 || got[0].to != nodeA || got[0].pkt[40] != ipv6.TypeRouterAdv || got[0].pkt.Destination() != local(nodeA) {
		t.Fatalf("answered by %v", got)
	}
	s := r.f.Stats()
	if s.FromMesh.Handled != 1 || s.Discovery.Solicitations != 1 || r.save() != 0 || len(r.tun.Up()) != 0 {
		t.Errorf("%+v", s.Discovery)
	}
	r.sums()
}

// A registration is acknowledged only when it is on disk; the address serves both
// ways from then on, and ends with its lifetime.
func TestRegistrationWaitsForTheDisk(t *testing.T) {
	r := discovering(t)
	r.step(0)
	r.answer(radio.OutcomeFirstHop) // the advertisement of the start
	r.up(nodeA, register(nodeA, opaque, 1))
	if got := r.answer(radio.OutcomeFirstHop); len(got) != 0 {
		t.Fatalf("acknowledged before it is on disk: %v", types(got))
	}
	if n := r.save(); n != 1 {
		t.Errorf("%d changes to be kept", n)
	}
	got := r.answer(radio.OutcomeFirstHop)
	if len(got) != 1 || got[0].to != nodeA || got[0].pkt[40] != ipv6.TypeNeighborAdv {
		t.Fatalf("acknowledged by %v", types(got))
	}
	r.down(udp(outside, opaque, 64, 4))
	if got := r.answer(radio.OutcomeFirstHop); len(got) != 1 || got[0].to != nodeA {
		t.Errorf("a packet to the address came to %v", got)
	}
	r.up(nodeA, udp(opaque, outside, 64, 4))
	if got := r.tun.Up(); len(got) != 1 {
		t.Errorf("%d packets from the address came to the kernel", len(got))
	}
	r.step(61 * time.Minute)
	r.save()
	r.down(udp(outside, opaque, 64, 4))
	if s := r.f.Stats(); s.ToMesh.Dropped[drop.UnknownNode] != 1 || s.Discovery.Expired != 1 {
		t.Errorf("after its lifetime: %v", reasons(s.ToMesh.Dropped))
	}
	r.sums()
}

// Another node's registration of the address is refused at once (RFC 6775, 6.5.2);
// data from it ends as not its own.
func TestForgedRegistration(t *testing.T) {
	r := discovering(t)
	r.step(0)
	r.up(nodeA, register(nodeA, opaque, 1))
	r.save()
	r.answer(radio.OutcomeFirstHop)
	r.up(nodeB, register(nodeB, opaque, 9))
	got := r.answer(radio.OutcomeFirstHop)
	if len(got) != 1 || got[0].to != nodeB || got[0].pkt[40+24+2] != byte(nd.Duplicate) {
		t.Fatalf("the forger is told %v", got)
	}
	r.up(nodeB, udp(opaque, outside, 64, 4))
	if s := r.f.Stats(); s.FromMesh.Dropped[drop.NotOwnAddress] != 1 || s.Discovery.Probes != 0 {
		t.Errorf("%v, %d probes", reasons(s.FromMesh.Dropped), s.Discovery.Probes)
	}
	if n := r.table.ByAddress(opaque); n != r.table.ByLink(nodeA) {
		t.Error("the address is no longer its owner's")
	}
	r.sums()
}

// Data from an address that nobody has ends, starts one probe, and serves once the
// node has answered it.
func TestUnclaimedDataIsProbed(t *testing.T) {
	r := discovering(t)
	r.step(0)
	r.answer(radio.OutcomeFirstHop)
	for range 5 {
		r.up(nodeA, udp(opaque, outside, 64, 4))
	}
	got := r.answer(radio.OutcomeFirstHop)
	if len(got) != 1 || got[0].to != nodeA || got[0].pkt[40] != ipv6.TypeNeighborSol {
		t.Fatalf("probed by %v", types(got))
	}
	a := opaque.As16()
	r.up(nodeA, icmp(opaque, gwLocal, 255, append([]byte{136, 0, 0, 0, 0x40, 0, 0, 0}, a[:]...)...))
	r.save()
	r.tun.Up()
	r.up(nodeA, udp(opaque, outside, 64, 4))
	if got := r.tun.Up(); len(got) != 1 {
		t.Errorf("%d packets passed after the claim", len(got))
	}
	s := r.f.Stats()
	if s.FromMesh.Dropped[drop.NotOwnAddress] != 5 || s.Discovery.Probes != 1 || s.Discovery.Claims != 1 {
		t.Errorf("%v, %d probes, %d claims", reasons(s.FromMesh.Dropped), s.Discovery.Probes, s.Discovery.Claims)
	}
	r.sums()
}

// A claim lives on while its address is in use, and the server hears of that seldom.
func TestClaimInUse(t *testing.T) {
	r := discovering(t)
	r.step(0)
	r.answer(radio.OutcomeFirstHop)
	r.up(nodeA, solicit(netip.IPv6Unspecified(), ipv6.SolicitedNode(opaque), opaque))
	if r.save() != 1 {
		t.Fatal("not claimed")
	}
	renewals := 0
	for range 100 { // four days
		r.step(time.Hour)
		r.up(nodeA, udp(opaque, outside, 64, 4))
		r.up(nodeA, udp(opaque, outside, 64, 4))
		renewals += r.save()
		r.answer(radio.OutcomeFirstHop)
	}
	if n := len(r.tun.Up()); n != 200 {
		t.Errorf("%d of 200 packets passed", n)
	}
	if renewals < 7 || renewals > 9 { // once in half of a day's life
		t.Errorf("%d renewals to be kept", renewals)
	}
}

// An advertisement of the start goes to all nodes in one frame or train of frames, by
// the broadcast address, where the radio can do that; else nobody is told unasked.
func TestAdvertisementToAll(t *testing.T) {
	r := discovering(t)
	r.step(0)
	got := r.answer(radio.OutcomeFirstHop)
	if len(got) != 1 || got[0].to != ieee802154.Broadcast || got[0].pkt[40] != ipv6.TypeRouterAdv || got[0].pkt.Destination() != ipv6.AllNodes {
		t.Fatalf("sent %v", got)
	}
	r.sums()

	r = newDiscovering(t)
	r.radio.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA})
	r.run()
	r.step(0)
	if got := r.answer(radio.OutcomeFirstHop); len(got) != 0 || r.f.Stats().ToMesh.Offered != 0 {
		t.Errorf("a radio that cannot broadcast was given %v", got)
	}
}

// While the radio is down nothing is advertised; when it is up, at once.
func TestAdvertisementAfterUp(t *testing.T) {
	r := newDiscovering(t)
	r.step(time.Minute)
	if s := r.f.Stats(); s.Discovery.Advertisements != 0 {
		t.Error("advertised without a radio")
	}
	info := forwardtest.Info()
	info.Feature = radio.FeatureBroadcast
	for range 2 { // it boots anew, too
		r.radio.Up(info, 8)
		r.run()
		r.step(time.Second)
		if got := r.answer(radio.OutcomeFirstHop); len(got) != 1 {
			t.Errorf("%d advertisements after up", len(got))
		}
	}
}

// A new context is announced first, and used by the packet path when its time has
// come; the version that says so waits for the disk (RFC 6775, 7.2 and 8.1.3).
func TestContextsReachThePacketPath(t *testing.T) {
	r := discovering(t)
	r.step(0)
	r.answer(radio.OutcomeFirstHop)
	r.save()
	other := netip.MustParsePrefix("2001:db8:9::/64")
	r.f.discovery.server.SetContexts([]nd.Context{{ID: 0, Prefix: prefix}, {ID: 3, Prefix: other}}, r.now)
	r.f.discovery.due.Store(0)
	r.step(0)
	if p, ok := r.f.contexts.Load().Lookup(3); !ok || p != other {
		t.Error("the packet path does not know the new context")
	}
	if got := r.answer(radio.OutcomeFirstHop); len(got) != 0 {
		t.Fatal("a version is announced that is not on disk")
	}
	u := <-r.unsaved
	if u.State.Version == 0 || len(u.State.Contexts) != 2 || len(u.Changes) != 0 {
		t.Errorf("to be kept: %+v", u.State)
	}
	r.f.Saved(u)
	r.run()
	if got := r.answer(radio.OutcomeFirstHop); len(got) != 1 || got[0].to != ieee802154.Broadcast {
		t.Errorf("announced by %v", got)
	}
	r.sums()
}

// A node that says in its solicitation that a short address is its own too, and proves
// it, is one node from then on, and is sent to at the short address. It may send from the form
// with the PAN (RFC 4944, section 6), as some kernels prefer.
func TestTwoLinkAddresses(t *testing.T) {
	r := discovering(t)
	r.step(0)
	r.answer(radio.OutcomeFirstHop)
	short, c := ieee802154.Short(0x0011), eui(0x44)
	msg := append([]byte{133, 0, 0, 0, 0, 0, 0, 0}, sourceLink(c)...)
	r.up(short, icmp(local(c), routers, 255, append(msg, sourceLink(short)...)...))
	got := r.answer(radio.OutcomeFirstHop)
	if len(got) != 2 || got[0].to != short || got[0].pkt[40] != ipv6.TypeRouterAdv || got[1].to != c || got[1].pkt[40] != ipv6.TypeEchoRequest {
		t.Fatalf("answered by %v", types(got))
	}
	r.prove(short, got)
	n := r.table.ByLink(c)
	if n == nil || n != r.table.ByLink(short) || n.State() != node.Up {
		t.Fatal("not one node")
	}
	pan := ipv6.Join(prefix.Addr(), ipv6.IIDOfPAN(0xbeef, 0x0011))
	r.up(short, udp(pan, outside, 64, 4))
	r.up(short, udp(global(c), outside, 64, 4))
	if got := r.tun.Up(); len(got) != 2 {
		t.Errorf("%d of 2 packets passed", len(got))
	}
	r.down(udp(outside, pan, 64, 4))
	if got := r.answer(radio.OutcomeFirstHop); len(got) != 1 || got[0].to != short {
		t.Errorf("an answer came to %v", got)
	}
}

// What a node sends to the groups of the link that the gateway is in is for the
// kernel, as it was sent (RFC 4291, section 2.8).
func TestGroupsOfTheGateway(t *testing.T) {
	r := discovering(t)
	for _, g := range []netip.Addr{ipv6.AllNodes, ipv6.AllRouters, ipv6.SolicitedNode(gateway), ipv6.SolicitedNode(gwLocal)} {
		for _, src := range []netip.Addr{local(nodeA), global(nodeA)} {
			want := icmp(src, g, 1, 128, 0, 0, 0, 0, 1, 0, 1)
			r.up(nodeA, append(ipv6.Packet(nil), want...))
			if got := r.tun.Up(); len(got) != 1 || string(got[0]) != string(want) {
				t.Errorf("from %v to %v: %x", src, g, got)
			}
		}
		r.up(nodeA, echo(local(nodeB), g))
		if s := r.f.Stats(); len(r.tun.Up()) != 0 || s.FromMesh.Dropped[drop.NotOwnAddress] == 0 {
			t.Errorf("a forged source passes to %v", g)
		}
	}
	r.sums()
}

// addresses = "registered": a derived address is not served before it is claimed.
func TestRegisteredOnly(t *testing.T) {
	r := newDiscovering(t, func(d *nd.Options, n *node.Options) { d.Registered, n.Registered = true, true })
	r.radio.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA}, radio.NodeInfo{Addr: nodeB})
	r.run()
	r.down(udp(outside, global(nodeA), 64, 4))
	r.up(nodeB, solicit(netip.IPv6Unspecified(), ipv6.SolicitedNode(global(nodeA)), global(nodeA)))
	if s := r.f.Stats(); s.ToMesh.Dropped[drop.UnknownNode] != 1 || r.save() != 0 {
		t.Errorf("%v; or another node claimed the address", reasons(s.ToMesh.Dropped))
	}
	r.answer(radio.OutcomeFirstHop)
	r.up(nodeA, solicit(netip.IPv6Unspecified(), ipv6.SolicitedNode(global(nodeA)), global(nodeA)))
	if r.save() != 1 {
		t.Error("its own node cannot claim it")
	}
	r.down(udp(outside, global(nodeA), 64, 4))
	if got := r.answer(radio.OutcomeFirstHop); len(got) != 1 || got[0].to != nodeA {
		t.Errorf("after the claim it came to %v", got)
	}
}

// Ordinary data waits for nothing in neighbour discovery, either way.
func TestDataPassesWhileDiscoveryIsLocked(t *testing.T) {
	r := discovering(t)
	r.f.discovery.mu.Lock()
	defer r.f.discovery.mu.Unlock()
	r.up(nodeA, udp(global(nodeA), outside, 64, 4))
	r.down(udp(outside, global(nodeA), 64, 4))
	if n, m := len(r.tun.Up()), len(r.answer(radio.OutcomeFirstHop)); n != 1 || m != 1 {
		t.Errorf("%d and %d packets passed", n, m)
	}
}

// What a node registered under its short address alone ends when the address becomes
// another node's, by the radio's word or with another PAN.
func TestShortAddressTakesNothingAlong(t *testing.T) {
	short := ieee802154.Short(0x0021)
	for _, tt := range []struct {
		name string
		then func(*rig)
	}{
		{"the radio gives it to another node", func(r *rig) {
			r.radio.Push(radio.Event{Kind: radio.EventAttached, Node: radio.NodeInfo{Addr: nodeB, Short: short}})
		}},
		{"the radio comes up in another PAN", func(r *rig) {
			info := forwardtest.Info()
			info.PAN++
			r.radio.Up(info, 8)
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := discovering(t)
			r.step(0)
			r.answer(radio.OutcomeFirstHop)
			r.up(short, solicit(netip.IPv6Unspecified(), ipv6.SolicitedNode(opaque), opaque))
			if r.save() != 1 || r.table.ByAddress(opaque) == nil {
				t.Fatal("not claimed")
			}
			tt.then(r)
			r.run()
			if n := r.table.ByAddress(opaque); n != nil {
				t.Errorf("the address is %s's now", n.Label())
			}
			if n := r.save(); n != 1 || r.f.Stats().Discovery.Bindings != 0 {
				t.Errorf("%d changes to be kept, %d addresses left", n, r.f.Stats().Discovery.Bindings)
			}
			r.answer(radio.OutcomeFirstHop)
			r.sums()
		})
	}
}

// A claim outlives a record of its node that the table lost: the node's next packet
// ends, and gives it back.
func TestClaimOfALostRecord(t *testing.T) {
	r := discovering(t)
	r.step(0)
	r.up(nodeA, solicit(netip.IPv6Unspecified(), ipv6.SolicitedNode(opaque), opaque))
	r.save()
	r.answer(radio.OutcomeFirstHop)
	r.table.RemoveAddress(nodeA, opaque)
	r.up(nodeA, udp(opaque, outside, 64, 4))
	r.up(nodeA, udp(opaque, outside, 64, 4))
	s := r.f.Stats()
	if s.FromMesh.Dropped[drop.NotOwnAddress] != 1 || len(r.tun.Up()) != 1 || s.Discovery.Probes != 0 {
		t.Errorf("%v, %d probes", reasons(s.FromMesh.Dropped), s.Discovery.Probes)
	}
	r.sums()
}
