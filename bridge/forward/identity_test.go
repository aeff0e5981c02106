package forward

import (
	"bytes"
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

// echoReply is the answer to an Echo Request (RFC 4443, section 4.2).
func echoReply(request ipv6.Packet) ipv6.Packet {
	msg := bytes.Clone(request[40:])
	msg[0], msg[2], msg[3] = ipv6.TypeEchoReply, 0, 0
	return icmp(request.Destination(), request.Source(), 64, msg...)
}

// prove answers the Echo Requests among the packets that arrived, from a link address.
func (r *rig) prove(from ieee802154.Addr, got []arrived) {
	r.t.Helper()
	for _, a := range got {
		if a.pkt[6] == ipv6.ProtoICMPv6 && a.pkt[40] == ipv6.TypeEchoRequest {
			r.up(from, echoReply(a.pkt))
		}
	}
}

// saysBoth is a router solicitation that names two link addresses (RFC 4861, section
// 4.1; RFC 4944, section 8).
func saysBoth(from, eui, short ieee802154.Addr) ipv6.Packet {
	msg := append([]byte{133, 0, 0, 0, 0, 0, 0, 0}, sourceLink(eui)...)
	return icmp(local(from), routers, 255, append(msg, sourceLink(short)...)...)
}

// comesTo returns where a packet for the address of a node goes.
func (r *rig) comesTo(a ieee802154.Addr) ieee802154.Addr {
	r.t.Helper()
	r.down(udp(outside, global(a), 64, 4))
	got := r.answer(radio.OutcomeFirstHop)
	for _, g := range got {
		if g.pkt[6] == ipv6.ProtoUDP {
			return g.to
		}
	}
	return ieee802154.Addr{}
}

// One solicitation must not draw another node's packets to its sender, however long
// that node was quiet. The sender cannot prove that it receives at the victim's
// address: it never sees what is sent there.
func TestOneSolicitationTakesNoTraffic(t *testing.T) {
	attacker, victimShort := ieee802154.Short(0x0666), ieee802154.Short(0x0011)
	for _, c := range []struct {
		name  string
		lists []radio.NodeInfo
		heard bool // the victim sent something before
		quiet time.Duration
	}{
		{"the radio lists both", []radio.NodeInfo{{Addr: nodeA, Short: victimShort}, {Addr: nodeB, Short: attacker}}, true, time.Hour},
		{"the radio lists the victim with no short address", []radio.NodeInfo{{Addr: nodeA}}, true, time.Hour},
		{"the radio lists nothing", nil, true, 31 * time.Second},
		{"the radio lists nothing, the victim is quiet for days", nil, true, 72 * time.Hour},
		{"the victim was never heard", nil, false, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newDiscovering(t)
			info := forwardtest.Info()
			r.radio.Up(info, 8, c.lists...)
			r.run()
			if c.heard {
				r.up(nodeA, udp(global(nodeA), gateway, 64, 4))
			}
			r.tun.Up()
			r.step(c.quiet)
			r.answer(radio.OutcomeFirstHop)
			r.up(attacker, saysBoth(attacker, nodeA, attacker))
			for range 30 { // the attacker answers what it gets, and guesses what it does not get
				for _, g := range r.answer(radio.OutcomeFirstHop) {
					if g.to == attacker {
						r.prove(attacker, []arrived{g})
					}
				}
				guess := icmp(local(nodeA), gwLocal, 64, append([]byte{129, 0, 0, 0}, make([]byte, secretLen)...)...)
				r.up(attacker, guess)
				r.step(time.Second)
			}
			r.tun.Up()
			if to := r.comesTo(nodeA); to == attacker {
				t.Error("the victim's packets go to the attacker")
			}
			r.tun.Up()
			r.up(attacker, udp(global(nodeA), gateway, 64, 4))
			if got := r.tun.Up(); len(got) != 0 {
				t.Errorf("the attacker speaks as %v", ipv6.Packet(got[0]).Source())
			}
			r.up(nodeA, udp(global(nodeA), gateway, 64, 4))
			if got := r.tun.Up(); len(got) != 1 {
				t.Errorf("the victim is locked out: %v", reasons(r.f.Stats().FromMesh.Dropped))
			}
			if to := r.comesTo(nodeA); to != nodeA && to != victimShort {
				t.Errorf("the victim's packets go to %v", to)
			}
			r.sums()
		})
	}
}

// A node that comes back under another short address, where the radio lists nothing,
// is asked at its EUI-64 and has its packets there at once.
func TestShortAddressIsProved(t *testing.T) {
	r := newDiscovering(t)
	r.radio.Up(forwardtest.Info(), 8)
	r.run()
	for _, short := range []ieee802154.Addr{ieee802154.Short(0x0011), ieee802154.Short(0x0022)} {
		r.up(nodeA, udp(global(nodeA), gateway, 64, 4))
		r.up(short, saysBoth(short, nodeA, short))
		asked := r.answer(radio.OutcomeFirstHop)
		var echoes int
		for _, g := range asked {
			if g.pkt[40] == ipv6.TypeEchoRequest {
				echoes++
				if g.to != nodeA || g.pkt.Source() != gwLocal || g.pkt.Destination() != local(nodeA) {
					t.Errorf("asked %v at %v", g.pkt.Destination(), g.to)
				}
			}
		}
		if echoes != 1 {
			t.Fatalf("%d questions, want 1", echoes)
		}
		if n := r.table.ByLink(short); n == nil || n == r.table.ByLink(nodeA) {
			t.Fatal("believed before the proof")
		}
		r.prove(short, asked)
		if n := r.table.ByLink(nodeA); n == nil || n != r.table.ByLink(short) {
			t.Fatal("not one node after the proof")
		}
		if to := r.comesTo(nodeA); to != short {
			t.Errorf("packets go to %v, not to %v", to, short)
		}
	}
	if n := r.table.ByLink(ieee802154.Short(0x0011)); n != nil {
		t.Errorf("the old short address is still %s's", n.Label())
	}
	if got := r.tun.Up(); len(got) != 2 {
		t.Errorf("%d packets came to the kernel: the proofs are no business of its", len(got))
	}
	r.sums()
}

// A proof is asked for a few times, and then given up; it makes no node, and no more
// than a fixed number are awaited.
func TestProofsAreBounded(t *testing.T) {
	r := newDiscovering(t, func(_ *nd.Options, no *node.Options) { no.Max = 1000 })
	r.radio.Up(forwardtest.Info(), 8)
	r.run()
	for i := range 200 {
		short := ieee802154.Short(uint16(0x1000 + i))
		r.up(short, saysBoth(short, eui(uint64(0x5000+i)), short))
	}
	if n := len(r.f.discovery.challenges.out); n != maxChallenges {
		t.Errorf("%d proofs are awaited, want %d", n, maxChallenges)
	}
	if n := r.table.Len(); n != 200 {
		t.Errorf("%d nodes, 200 sent something", n)
	}
	questions := 0
	for range 60 {
		for _, g := range r.answer(radio.OutcomeFirstHop) {
			if g.pkt[40] == ipv6.TypeEchoRequest {
				questions++
			}
		}
		r.step(time.Second)
	}
	if want := maxChallenges * challengeTries; questions != want {
		t.Errorf("%d questions, want %d", questions, want)
	}
	if n := r.f.discovery.challenges.pending.Load(); n != 0 {
		t.Errorf("%d proofs are still awaited", n)
	}
	if s := r.f.Stats(); total(s.ToMesh.Dropped) != 0 || s.FromMesh.Dropped[drop.NeighborInvalid] != 0 {
		t.Errorf("%v %v", reasons(s.ToMesh.Dropped), reasons(s.FromMesh.Dropped))
	}
	r.sums()
}
