package forward

import (
	"bytes"
	"encoding/binary"
	"net/netip"
	"testing"
	"time"

	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/nd"
	"culvert/bridge/node"
	"culvert/bridge/radio"
)

// registerOld is a registration of RFC 6775, section 5.5: of the source, with an EUI-64
// as its verifier.
func registerOld(src netip.Addr, from, verifier ieee802154.Addr, minutes uint16) ipv6.Packet {
	o := binary.BigEndian.AppendUint16([]byte{33, 2, 0, 0, 0, 0}, minutes)
	return solicit(src, gwLocal, gateway, sourceLink(from), verifier.AppendTo(o))
}

// duplicateRequest is the request of a relay for an address on behalf of the node with
// an EUI-64 (RFC 6775, section 4.4).
func duplicateRequest(relay, eui ieee802154.Addr, target netip.Addr, minutes uint16) ipv6.Packet {
	msg := binary.BigEndian.AppendUint16([]byte{157, 0, 0, 0, 0, 0}, minutes)
	msg = eui.AppendTo(msg)
	a := target.As16()
	return icmp(global(relay), gateway, 64, append(msg, a[:]...)...)
}

// settled is a rig after the advertisement of the start.
func settled(t *testing.T, change ...func(*nd.Options, *node.Options)) *rig {
	t.Helper()
	r := newDiscovering(t, change...)
	r.radio.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA}, radio.NodeInfo{Addr: nodeB})
	r.run()
	r.step(0)
	r.answer(radio.OutcomeFirstHop)
	return r
}

// opaqueGoesTo returns where packets for the address opaque go.
func (r *rig) opaqueGoesTo() ieee802154.Addr {
	r.t.Helper()
	r.down(udp(outside, opaque, 64, 4))
	for _, g := range r.answer(radio.OutcomeFirstHop) {
		if g.pkt[6] == ipv6.ProtoUDP {
			return g.to
		}
	}
	return ieee802154.Addr{}
}

// Whoever knows a node's EUI-64 can neither take over nor end what the node registered
// (RFC 6775, section 6.5; RFC 8505, section 5), itself or as a relay.
func TestVerifierOfAnotherNode(t *testing.T) {
	for name, msg := range map[string]ipv6.Packet{
		"registers it":                  registerOld(opaque, nodeB, nodeA, 60),
		"ends it":                       registerOld(opaque, nodeB, nodeA, 0),
		"registers it as a relay":       duplicateRequest(nodeB, nodeA, opaque, 60),
		"ends it as a relay":            duplicateRequest(nodeB, nodeA, opaque, 0),
		"asks for it in its own name":   duplicateRequest(nodeB, nodeB, opaque, 60),
		"registers it in its own name":  register(nodeB, opaque, 9),
		"claims it":                     solicit(netip.IPv6Unspecified(), ipv6.SolicitedNode(opaque), opaque),
		"says that it has it, unasked":  icmp(local(nodeB), gwLocal, 255, advertisement(opaque, nodeB)...),
		"registers it from a stolen LL": solicit(local(nodeA), gwLocal, opaque, sourceLink(nodeB), registrationOption(nodeA, 9)),
	} {
		r := settled(t)
		r.up(nodeA, register(nodeA, opaque, 1))
		r.save()
		r.answer(radio.OutcomeFirstHop)
		r.up(nodeB, msg)
		for range 6 {
			r.save()
			r.answer(radio.OutcomeFirstHop)
			r.step(time.Second)
		}
		if to := r.opaqueGoesTo(); to != nodeA {
			t.Errorf("another node %s: packets go to %v", name, to)
		}
		r.sums()
	}
}

// The same where the gateway knows the victim by its short address alone, so that its
// EUI-64 is no known node's: the verifier says no more than the addresses of a node may.
func TestVerifierOfANodeKnownByShortAddress(t *testing.T) {
	victim, verifier := ieee802154.Short(0x0011), eui(0x55)
	own := map[string]ipv6.Packet{
		"RFC 6775": registerOld(opaque, victim, verifier, 60),
		"RFC 8505": solicit(local(victim), gwLocal, opaque, sourceLink(victim), registrationOption(verifier, 1)),
	}
	extended := bytes.Clone(duplicateRequest(nodeB, verifier, opaque, 60)) // RFC 8505, section 4.2
	extended = icmp(global(nodeB), gateway, 64, append([]byte{157, 1, 0, 0, 0, 9}, extended[46:]...)...)
	for name, msg := range map[string]ipv6.Packet{
		"registers it":                          registerOld(opaque, nodeB, verifier, 60),
		"ends it":                               registerOld(opaque, nodeB, verifier, 0),
		"registers it by RFC 8505":              solicit(local(nodeB), gwLocal, opaque, sourceLink(nodeB), registrationOption(verifier, 9)),
		"registers it as a relay":               duplicateRequest(nodeB, verifier, opaque, 60),
		"ends it as a relay":                    duplicateRequest(nodeB, verifier, opaque, 0),
		"registers it as a relay by RFC 8505":   extended,
		"registers it from a short address too": registerOld(opaque, ieee802154.Short(0x0666), verifier, 60),
	} {
		for form, reg := range own {
			r := settled(t)
			r.up(victim, reg)
			r.save()
			r.answer(radio.OutcomeFirstHop)
			from := nodeB
			if name == "registers it from a short address too" {
				from = ieee802154.Short(0x0666)
			}
			r.up(from, msg)
			for range 6 {
				r.save()
				r.answer(radio.OutcomeFirstHop)
				r.step(time.Second)
			}
			if to := r.opaqueGoesTo(); to != victim {
				t.Errorf("%s, then another node %s: packets go to %v", form, name, to)
			}
			r.sums()
		}
	}
}

// A node that comes back under another short address has its registration there when it
// has proved that its verifier is its own EUI-64.
func TestRegistrationMovesWithItsNode(t *testing.T) {
	before, after, verifier := ieee802154.Short(0x0011), ieee802154.Short(0x0022), eui(0x55)
	r := settled(t)
	r.up(before, registerOld(opaque, before, verifier, 60))
	r.save()
	r.answer(radio.OutcomeFirstHop)
	for range 2 {
		r.up(after, registerOld(opaque, after, verifier, 60))
		r.save()
		r.prove(after, r.answer(radio.OutcomeFirstHop))
	}
	if to := r.opaqueGoesTo(); to != after {
		t.Errorf("packets go to %v", to)
	}
	r.sums()
}

// A relay that knows a node's EUI-64 cannot end what that node claimed, and cannot have the
// node's next registration refused by a transaction number that is ahead of its own.
func TestRelayDoesNotSpeakAgainstTheNode(t *testing.T) {
	for minutes := range uint16(2) {
		r := settled(t)
		r.up(nodeA, solicit(netip.IPv6Unspecified(), ipv6.SolicitedNode(opaque), opaque))
		r.save()
		r.up(nodeB, duplicateRequest(nodeB, nodeA, opaque, minutes))
		r.save()
		r.up(nodeB, solicit(netip.IPv6Unspecified(), ipv6.SolicitedNode(opaque), opaque))
		r.save()
		r.answer(radio.OutcomeFirstHop)
		if to := r.opaqueGoesTo(); to != nodeA {
			t.Errorf("a relay gave the claimed address %d minutes: packets go to %v", minutes, to)
		}
		r.step(2 * time.Minute)
		r.save()
		r.answer(radio.OutcomeFirstHop)
		if to := r.opaqueGoesTo(); to != nodeA {
			t.Errorf("a relay gave the claimed address %d minutes: after two packets go to %v", minutes, to)
		}
		r.sums()
	}
	r := settled(t)
	r.up(nodeA, register(nodeA, opaque, 1))
	r.save()
	ahead := duplicateRequest(nodeB, nodeA, opaque, 60) // RFC 8505, section 4.2: transaction 10
	r.up(nodeB, icmp(global(nodeB), gateway, 64, append([]byte{157, 1, 0, 0, 0, 10}, ahead[46:]...)...))
	r.save()
	r.answer(radio.OutcomeFirstHop)
	r.up(nodeA, register(nodeA, opaque, 2))
	r.save()
	if got := r.answer(radio.OutcomeFirstHop); len(got) != 1 || got[0].pkt[64] != 33 || got[0].pkt[66] != 0 {
		t.Errorf("the node's own registration was refused: %d packets", len(got))
	}
	r.sums()
}

// Who claimed or registered the derived address of a node before that node appeared does
// not speak in its name from then on.
func TestDerivedAddressTakenEarlier(t *testing.T) {
	for _, victim := range []ieee802154.Addr{eui(0x55), ieee802154.Short(0x0055)} {
		a := global(victim)
		for name, take := range map[string]ipv6.Packet{
			"claimed":    solicit(netip.IPv6Unspecified(), ipv6.SolicitedNode(a), a),
			"registered": register(nodeB, a, 1),
		} {
			r := settled(t)
			r.up(nodeB, take)
			r.save()
			r.answer(radio.OutcomeFirstHop)
			r.up(victim, udp(a, gateway, 64, 4))
			r.tun.Up()
			r.up(nodeB, udp(a, gateway, 64, 4))
			if got := r.tun.Up(); len(got) != 0 {
				t.Errorf("%s: another node speaks as %v", name, a)
			}
			r.up(victim, udp(a, gateway, 64, 4))
			if got := r.tun.Up(); len(got) != 1 {
				t.Errorf("%s: %v cannot speak", name, victim)
			}
			if to := r.comesTo(victim); to != victim {
				t.Errorf("%s: packets for %v go to %v", name, victim, to)
			}
			r.sums()
		}
	}
}

func registrationOption(verifier ieee802154.Addr, tid byte) []byte {
	return verifier.AppendTo(binary.BigEndian.AppendUint16([]byte{33, 2, 0, 0, 1, tid}, 60))
}

// advertisement is a neighbour advertisement with Solicited and Override set (RFC 4861,
// section 4.4).
func advertisement(target netip.Addr, link ieee802154.Addr) []byte {
	a := target.As16()
	o := sourceLink(link)
	o[0] = 2
	return append(append([]byte{136, 0, 0, 0, 0x60, 0, 0, 0}, a[:]...), o...)
}

// The duplicate address requests of one node leave the registry to the others, and make
// no nodes.
func TestRelayCannotFillTheRegistry(t *testing.T) {
	r := settled(t, func(o *nd.Options, no *node.Options) { o.MaxAddresses, no.Max = 64, 200 })
	for i := range 100 {
		target := ipv6.Join(prefix.Addr(), 0x7700_0000_0000_0000+ipv6.IID(i))
		r.up(nodeB, duplicateRequest(nodeB, ieee802154.Extended(0x0200_0000_0000_0000+uint64(i)), target, 0xffff))
		r.save()
		r.step(time.Second)
		r.answer(radio.OutcomeFirstHop)
	}
	if n := r.table.Len(); n != 2 {
		t.Errorf("%d nodes, want 2: the word of a relay makes none", n)
	}
	r.up(nodeA, register(nodeA, opaque, 1))
	r.save()
	r.answer(radio.OutcomeFirstHop)
	if to := r.opaqueGoesTo(); to != nodeA {
		t.Errorf("the registration of another node was refused; %d bindings", r.f.Stats().Discovery.Bindings)
	}
	r.sums()
}

// A node for which a relay spoke has its address from when it is there: it is heard, or
// the radio lists it.
func TestRelayedNodeAppears(t *testing.T) {
	far := eui(0x77)
	for name, appear := range map[string]func(*rig){
		"it is heard": func(r *rig) { r.up(far, udp(local(far), gwLocal, 64, 4)) },
		"the radio lists it": func(r *rig) {
			r.radio.Push(radio.Event{Kind: radio.EventAttached, Node: radio.NodeInfo{Addr: far, Short: ieee802154.Short(0x77)}})
			r.run()
		},
	} {
		r := settled(t)
		r.up(nodeB, duplicateRequest(nodeB, far, opaque, 60))
		r.save()
		if got := r.answer(radio.OutcomeFirstHop); len(got) != 1 || got[0].pkt[40] != ipv6.TypeDuplicateConf || got[0].pkt[44] != 0 {
			t.Fatalf("the relay was answered %v", types(got))
		}
		if r.table.ByLink(far) != nil || r.opaqueGoesTo() != (ieee802154.Addr{}) {
			t.Errorf("%s: the node is there before", name)
		}
		r.tun.Up()
		appear(r)
		if n := r.table.ByAddress(opaque); n == nil || n.EUI64() != far {
			t.Errorf("%s: it does not have the address", name)
		}
		if to := r.opaqueGoesTo(); to != far && to != ieee802154.Short(0x77) {
			t.Errorf("%s: packets go to %v", name, to)
		}
		r.sums()
	}
}

// A node that registers from a short address with its own EUI-64, by which the gateway
// knows it, is asked to prove that the short address is its own too; then it registers.
func TestVerifierIsProved(t *testing.T) {
	short := ieee802154.Short(0x0011)
	r := settled(t)
	r.up(short, registerOld(opaque, short, nodeA, 60))
	asked := r.answer(radio.OutcomeFirstHop)
	if n := r.save(); n != 0 {
		t.Fatalf("registered before the proof: %d changes", n)
	}
	r.prove(short, asked)
	r.up(short, registerOld(opaque, short, nodeA, 60))
	r.save()
	r.answer(radio.OutcomeFirstHop)
	if n := r.table.ByAddress(opaque); n == nil || n.EUI64() != nodeA || n.Short() != short {
		t.Error("not registered after the proof")
	}
	r.sums()
}

// A claimed address stays its owner's though the owner sleeps through every probe.
func TestClaimOfASleeper(t *testing.T) {
	r := settled(t)
	r.up(nodeA, solicit(netip.IPv6Unspecified(), ipv6.SolicitedNode(opaque), opaque))
	r.save()
	r.up(nodeA, udp(opaque, gateway, 64, 4))
	r.tun.Up()
	for range 3 {
		r.up(nodeB, solicit(netip.IPv6Unspecified(), ipv6.SolicitedNode(opaque), opaque))
		for range 6 {
			r.answer(radio.OutcomeFirstHop)
			r.step(time.Second)
			r.save()
		}
		if to := r.opaqueGoesTo(); to != nodeA {
			t.Fatalf("packets go to %v, %v after the owner was heard", to, r.now.Sub(start))
		}
		r.step(7 * time.Hour)
	}
	r.sums()
}
