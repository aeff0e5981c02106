package forward

import (
	"errors"
	"fmt"
	"net/netip"
	"testing"
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
	"culvert/bridge/radio"
)

// listed is a rig that admits node A only, whose radio lists A and B.
func listed(t testing.TB) *rig { return listedWith(t, Options{}) }

func listedWith(t testing.TB, o Options) *rig {
	r := newRig(t, o, node.Options{Admit: node.AdmitListed, Places: []node.Place{{Name: "mast", EUI64: nodeA}}})
	r.radio.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA}, radio.NodeInfo{Addr: nodeB})
	r.run()
	return r
}

// ext puts an extension header of 8 octets and a given type before the payload.
func ext(p ipv6.Packet, typ byte, body [6]byte) ipv6.Packet {
	out := append(ipv6.Packet(nil), p[:40]...)
	out[4], out[5] = byte((len(p)-32)>>8), byte(len(p)-32)
	out[6] = typ
	out = append(out, p[6], 0)
	out = append(out, body[:]...)
	return append(out, p[40:]...)
}

func echo(src, dst netip.Addr) ipv6.Packet { return icmp(src, dst, 64, 128, 0, 0, 0, 0, 1, 0, 1) }

// end is one way in which a packet or frame ends.
type end struct {
	name   string
	reason drop.Reason
	make   func(testing.TB) *rig // nil: up
	do     func(*rig)
	frame  bool // a frame from the mesh ends, not a packet
	mesh   bool // a packet from the mesh ends
	reply  *ipv6.ICMPError
}

var (
	all1     = ipv6.AllNodes
	routers  = ipv6.AllRouters
	noNode   = netip.MustParseAddr("2001:db8::dead:beef:1:1")
	ula      = netip.MustParseAddr("fd00:1:2:3::9")
	mldGroup = netip.MustParseAddr("ff02::16")
	opaque   = netip.MustParseAddr("2001:db8::1234:5678:9abc:def0")
)

var ends = []end{
	{name: "nothing", reason: drop.NotIPv6, do: func(r *rig) { r.down(nil) }},
	{name: "IPv4", reason: drop.NotIPv6, do: func(r *rig) { r.down([]byte{0x45, 39: 0}) }},
	{name: "shorter than it says", reason: drop.NotIPv6, do: func(r *rig) { r.down(udp(outside, global(nodeA), 64, 9)[:56]) }},

	{name: "router solicitation of the kernel", reason: drop.KernelOwn,
		do: func(r *rig) { r.down(icmp(gwLocal, routers, 255, 133, 0, 0, 0, 0, 0, 0, 0)) }},
	{name: "listener report of the kernel", reason: drop.KernelOwn,
		do: func(r *rig) {
			r.down(ext(icmp(netip.IPv6Unspecified(), mldGroup, 1, 143, 0, 0, 0, 0, 0, 0, 0), 0, [6]byte{5, 2}))
		}},
	{name: "solicitation of the kernel for a node", reason: drop.KernelOwn,
		do: func(r *rig) { r.down(icmp(gateway, global(nodeA), 255, 135, 0, 0, 0)) }},
	{name: "kernel's own, before the radio told the gateway's EUI-64", reason: drop.KernelOwn,
		make: func(t testing.TB) *rig { return newRig(t, Options{}, node.Options{}) },
		do:   func(r *rig) { r.down(icmp(gwLocal, routers, 255, 133, 0, 0, 0, 0, 0, 0, 0)) }},

	{name: "multicast from the gateway", reason: drop.Multicast, do: func(r *rig) { r.down(udp(gwLocal, all1, 1, 4)) }},
	{name: "multicast from outside", reason: drop.Multicast,
		do: func(r *rig) { r.down(udp(outside, netip.MustParseAddr("ff0e::1"), 9, 4)) }},
	{name: "multicast of a node to a group that the gateway is not in", reason: drop.Multicast, mesh: true,
		do: func(r *rig) { r.up(nodeA, echo(local(nodeA), netip.MustParseAddr("ff02::fd"))) }},
	{name: "multicast of a node beyond the link", reason: drop.Multicast, mesh: true,
		do: func(r *rig) { r.up(nodeA, echo(global(nodeA), netip.MustParseAddr("ff05::2"))) }},
	{name: "group report of a node", reason: drop.GroupReport, mesh: true,
		do: func(r *rig) {
			r.up(nodeA, ext(icmp(local(nodeA), mldGroup, 1, 143, 0, 0, 0, 0, 0, 0, 0), 0, [6]byte{5, 2}))
		}},
	{name: "group report of a node that has no address yet", reason: drop.GroupReport, mesh: true,
		do: func(r *rig) {
			r.up(nodeA, ext(icmp(netip.IPv6Unspecified(), mldGroup, 1, 143, 0, 0, 0, 0, 0, 0, 0), 0, [6]byte{5, 2}))
		}},
	{name: "router solicitation where there is no neighbour discovery", reason: drop.NeighborInvalid, mesh: true,
		do: func(r *rig) { r.up(nodeA, icmp(local(nodeA), routers, 255, 133, 0, 0, 0, 0, 0, 0, 0)) }},
	{name: "router solicitation that came over a router", reason: drop.NeighborInvalid, mesh: true, make: discovering,
		do: func(r *rig) { r.up(nodeA, icmp(local(nodeA), routers, 254, 133, 0, 0, 0, 0, 0, 0, 0)) }},
	{name: "registration for which the disk is too slow", reason: drop.RegistryBusy, mesh: true, make: discovering,
		do: func(r *rig) {
			for range cap(r.unsaved) {
				r.f.opt.Keep <- &Unsaved{}
			}
			r.up(nodeA, register(nodeA, opaque, 1))
		}},
	{name: "neighbour discovery while the radio has no EUI-64", reason: drop.NoLinkAddress, mesh: true,
		make: func(t testing.TB) *rig {
			r := newDiscovering(t)
			info := forwardtest.Info()
			info.EUI64, info.Short = ieee802154.Addr{}, ieee802154.Short(1)
			r.radio.Up(info, 8, radio.NodeInfo{Addr: nodeA})
			r.run()
			return r
		},
		do: func(r *rig) { r.up(nodeA, icmp(local(nodeA), routers, 255, 133, 0, 0, 0, 0, 0, 0, 0)) }},

	{name: "to the unspecified address", reason: drop.DestinationInvalid, do: func(r *rig) { r.down(udp(outside, netip.IPv6Unspecified(), 9, 4)) }},
	{name: "to the loopback address", reason: drop.DestinationInvalid, mesh: true,
		do: func(r *rig) { r.up(nodeA, udp(global(nodeA), netip.IPv6Loopback(), 9, 4)) }},
	{name: "to an IPv4-mapped address", reason: drop.DestinationInvalid, mesh: true,
		do: func(r *rig) { r.up(nodeA, udp(global(nodeA), netip.MustParseAddr("::ffff:192.0.2.1"), 9, 4)) }},
	{name: "from the loopback address", reason: drop.SourceInvalid, do: func(r *rig) { r.down(udp(netip.IPv6Loopback(), global(nodeA), 9, 4)) }},
	{name: "from the unspecified address", reason: drop.SourceInvalid, mesh: true,
		do: func(r *rig) { r.up(nodeA, udp(netip.IPv6Unspecified(), outside, 9, 4)) }},
	{name: "from a group", reason: drop.SourceInvalid, mesh: true, do: func(r *rig) { r.up(nodeA, udp(all1, outside, 9, 4)) }},

	{name: "link-local to outside", reason: drop.LinkLocal, mesh: true, reply: &errBeyond,
		do: func(r *rig) { r.up(nodeA, udp(local(nodeA), outside, 64, 4)) }},
	{name: "link-local to another node", reason: drop.LinkLocal, mesh: true,
		do: func(r *rig) { r.up(nodeA, udp(local(nodeA), local(nodeB), 64, 4)) }},
	{name: "outside to link-local", reason: drop.LinkLocal, do: func(r *rig) { r.down(udp(outside, local(nodeA), 64, 4)) }},
	{name: "the gateway's global address to link-local", reason: drop.LinkLocal, do: func(r *rig) { r.down(udp(gateway, local(nodeA), 64, 4)) }},
	{name: "another link-local source on the TUN", reason: drop.LinkLocal,
		do: func(r *rig) { r.down(udp(netip.MustParseAddr("fe80::bad"), global(nodeA), 64, 4)) }},

	{name: "another node's address", reason: drop.NotOwnAddress, mesh: true, do: func(r *rig) { r.up(nodeA, udp(global(nodeB), outside, 64, 4)) }},
	{name: "another node's link-local address", reason: drop.NotOwnAddress, mesh: true,
		do: func(r *rig) { r.up(nodeA, udp(local(nodeB), gwLocal, 64, 4)) }},
	{name: "the gateway's address", reason: drop.NotOwnAddress, mesh: true, do: func(r *rig) { r.up(nodeA, udp(gateway, outside, 64, 4)) }},
	{name: "an address of no node", reason: drop.NotOwnAddress, mesh: true, do: func(r *rig) { r.up(nodeA, udp(noNode, outside, 64, 4)) }},
	{name: "a source outside the mesh, from the mesh", reason: drop.SourceForeign, mesh: true,
		do: func(r *rig) { r.up(nodeA, udp(ula, outside, 64, 4)) }},
	{name: "a node's address, from outside", reason: drop.SourceForeign, do: func(r *rig) { r.down(udp(global(nodeB), global(nodeA), 64, 4)) }},

	{name: "type 0 routing header to a node", reason: drop.RoutingType0,
		do: func(r *rig) { r.down(ext(udp(outside, global(nodeA), 64, 4), 43, [6]byte{0, 0})) }},
	{name: "type 3 routing header to a node", reason: drop.RoutingType3,
		do: func(r *rig) { r.down(ext(udp(outside, global(nodeA), 64, 4), 43, [6]byte{3, 1})) }},
	{name: "type 3 routing header from a node", reason: drop.RoutingType3, mesh: true,
		do: func(r *rig) { r.up(nodeA, ext(udp(global(nodeA), outside, 64, 4), 43, [6]byte{3, 1})) }},
	{name: "type 3 routing header from a node to the gateway", reason: drop.RoutingType3, mesh: true,
		do: func(r *rig) { r.up(nodeA, ext(udp(global(nodeA), gateway, 64, 4), 43, [6]byte{3, 1})) }},
	{name: "type 3 routing header from node to node", reason: drop.RoutingType3, mesh: true,
		do: func(r *rig) { r.up(nodeA, ext(udp(global(nodeA), global(nodeB), 64, 4), 43, [6]byte{3, 1})) }},
	{name: "type 4 routing header to a node", reason: drop.RoutingType4,
		do: func(r *rig) { r.down(ext(udp(outside, global(nodeA), 64, 4), 43, [6]byte{4, 2})) }},
	{name: "type 4 routing header from a node", reason: drop.RoutingType4, mesh: true,
		do: func(r *rig) { r.up(nodeA, ext(udp(global(nodeA), outside, 64, 4), 43, [6]byte{4, 1})) }},
	{name: "type 4 routing header behind options", reason: drop.RoutingType4,
		do: func(r *rig) {
			r.down(ext(ext(udp(outside, global(nodeA), 64, 4), 43, [6]byte{4, 1}), 60, [6]byte{1, 4}))
		}},
	{name: "RPL option from outside", reason: drop.RPLOption,
		do: func(r *rig) { r.down(ext(udp(outside, global(nodeA), 64, 4), 0, [6]byte{0x63, 4})) }},
	{name: "RPL option of RFC 9008 from outside", reason: drop.RPLOption,
		do: func(r *rig) { r.down(ext(udp(outside, global(nodeA), 64, 4), 0, [6]byte{0, 0, 0x23, 2})) }},
	{name: "RPL option of a node in a header that is not the first", reason: drop.RPLOption, mesh: true,
		do: func(r *rig) {
			r.up(nodeA, ext(ext(udp(global(nodeA), outside, 64, 4), 0, [6]byte{0x63, 4}), 60, [6]byte{1, 4}))
		}},
	{name: "RPL option of a node that ends beyond its header", reason: drop.RPLOption, mesh: true,
		do: func(r *rig) { r.up(nodeA, ext(udp(global(nodeA), outside, 64, 4), 0, [6]byte{0x63, 5})) }},
	// RFC 8200, section 4.2: both headers of options have the same numbers.
	{name: "RPL option among destination options from outside", reason: drop.RPLOption,
		do: func(r *rig) { r.down(ext(udp(outside, global(nodeA), 64, 4), 60, [6]byte{0x63, 4})) }},
	{name: "RPL option of a node among destination options", reason: drop.RPLOption, mesh: true,
		do: func(r *rig) { r.up(nodeA, ext(udp(global(nodeA), outside, 64, 4), 60, [6]byte{0x23, 4})) }},
	{name: "type 0 routing header from a node", reason: drop.RoutingType0, mesh: true,
		do: func(r *rig) { r.up(nodeA, ext(udp(global(nodeA), outside, 64, 4), 43, [6]byte{0, 0})) }},
	{name: "router advertisement from outside", reason: drop.NeighborInvalid,
		do: func(r *rig) { r.down(icmp(outside, global(nodeA), 255, 134, 0, 0, 0, 64, 0, 0, 0)) }},
	{name: "redirect from node to node", reason: drop.NeighborInvalid, mesh: true,
		do: func(r *rig) { r.up(nodeA, icmp(global(nodeA), global(nodeB), 255, 137, 0, 0, 0)) }},
	{name: "listener report from outside, behind a header", reason: drop.NeighborInvalid,
		do: func(r *rig) { r.down(ext(icmp(outside, global(nodeA), 1, 143, 0, 0, 0), 0, [6]byte{5, 2})) }},
	{name: "duplicate address request from outside", reason: drop.NeighborInvalid,
		do: func(r *rig) { r.down(icmp(outside, global(nodeA), 64, 157, 0, 0, 0)) }},

	{name: "unknown node", reason: drop.UnknownNode, reply: &errAddress, do: func(r *rig) { r.down(udp(outside, noNode, 64, 4)) }},
	{name: "unknown node, from the gateway", reason: drop.UnknownNode, reply: &errAddress, do: func(r *rig) { r.down(echo(gateway, noNode)) }},
	{name: "outside the mesh, from the TUN", reason: drop.UnknownNode, reply: &errNoRoute, do: func(r *rig) { r.down(udp(outside, ula, 64, 4)) }},
	{name: "silent node", reason: drop.NodeSilent, reply: &errAddress, do: func(r *rig) {
		r.radio.Push(radio.Event{Kind: radio.EventDetached, Node: radio.NodeInfo{Addr: nodeA}})
		r.run()
		r.down(udp(outside, global(nodeA), 64, 4))
	}},
	{name: "to a stranger", reason: drop.NotAdmitted, reply: &errAddress, make: listed, do: func(r *rig) { r.down(udp(outside, global(nodeB), 64, 4)) }},
	{name: "frame of a stranger", reason: drop.NotAdmitted, frame: true, make: listed, do: func(r *rig) { r.up(nodeB, echo(global(nodeB), gateway)) }},
	{name: "frame without a sender", reason: drop.NoLinkAddress, frame: true, do: func(r *rig) { r.up(ieee802154.Addr{}, echo(global(nodeB), gateway)) }},
	{name: "frame of a broadcaster", reason: drop.NoLinkAddress, frame: true, do: func(r *rig) { r.up(ieee802154.Broadcast, echo(global(nodeB), gateway)) }},
	{name: "no room for another node", reason: drop.NotAdmitted, frame: true,
		make: func(t testing.TB) *rig {
			r := newRig(t, Options{}, node.Options{Max: 1})
			r.radio.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA})
			r.run()
			return r
		},
		do: func(r *rig) { r.up(nodeB, echo(global(nodeB), gateway)) }},
	{name: "stranger as originator of a mesh header", reason: drop.NotAdmitted, mesh: true, make: func(t testing.TB) *rig {
		return listedWith(t, Options{MeshHeaders: true})
	}, do: func(r *rig) { r.relayed(nodeA, nodeB, r.frames(nodeB, gwEUI, echo(global(nodeB), gateway))...) }},
	{name: "another node as originator of a mesh header", reason: drop.MeshOriginator, frame: true,
		do: func(r *rig) { r.relayed(nodeA, nodeB, r.frames(nodeB, gwEUI, echo(global(nodeB), gateway))...) }},

	{name: "hop limit to a node", reason: drop.HopLimit, reply: &errHopLimit, do: func(r *rig) { r.down(udp(outside, global(nodeA), 1, 4)) }},
	{name: "hop limit from a node", reason: drop.HopLimit, mesh: true, reply: &errHopLimit, do: func(r *rig) { r.up(nodeA, udp(global(nodeA), outside, 1, 4)) }},
	{name: "over the MTU", reason: drop.PacketTooBig, reply: &errTooBig, do: func(r *rig) { r.down(udp(outside, global(nodeA), 9, 1233)) }},
	{name: "over the MTU, from the gateway", reason: drop.PacketTooBig, reply: &errTooBig, do: func(r *rig) { r.down(udp(gateway, global(nodeA), 9, 1233)) }},

	{name: "radio down", reason: drop.RadioDown, reply: &errAddress, do: func(r *rig) {
		r.radio.Push(radio.Event{Kind: radio.EventDown, Cause: errors.New("unplugged")})
		r.run()
		r.down(udp(outside, global(nodeA), 64, 4))
	}},
	{name: "radio goes down with the frame under way", reason: drop.RadioDown, do: func(r *rig) {
		r.down(udp(outside, global(nodeA), 64, 4))
		r.radio.Push(radio.Event{Kind: radio.EventDown, Cause: errors.New("unplugged")})
		r.run()
	}},
	{name: "no acknowledgement", reason: drop.RadioFailed, do: func(r *rig) {
		r.down(udp(outside, global(nodeA), 64, 4))
		r.answer(radio.OutcomeNoAck)
	}},
	{name: "the radio knows no route", reason: drop.RadioFailed, reply: &errAddress, do: func(r *rig) {
		r.down(udp(outside, global(nodeA), 64, 4))
		r.answer(radio.OutcomeNoRoute)
	}},
	{name: "the radio never answers", reason: drop.RadioFailed, do: func(r *rig) {
		r.down(udp(outside, global(nodeA), 64, 4))
		r.step(59 * time.Second)
		r.step(2 * time.Second)
	}},
	{name: "queue full", reason: drop.QueueFull, do: func(r *rig) {
		for range 32 + 1 { // half of the queue is for forwarded packets, those under way included
			r.down(udp(outside, global(nodeA), 64, 4))
		}
	}},
	{name: "queue full by octets", reason: drop.QueueFull, do: func(r *rig) {
		for range (16<<10)/1280 + 1 {
			r.down(udp(outside, global(nodeA), 64, 1232))
		}
	}},
	{name: "no buffer left", reason: drop.QueueFull,
		make: func(t testing.TB) *rig {
			r := newRig(t, Options{Buffers: 6}, node.Options{})
			r.radio.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA}, radio.NodeInfo{Addr: nodeB})
			r.run()
			return r
		},
		do: func(r *rig) {
			r.down(udp(outside, global(nodeA), 64, 4))
			r.down(udp(outside, global(nodeB), 64, 4))
			r.down(udp(outside, global(nodeA), 64, 4))
			r.down(udp(outside, global(nodeB), 64, 4))
		}},
	{name: "too old", reason: drop.QueueExpired, do: func(r *rig) {
		for range 3 { // the third waits, since two are without a result
			r.down(udp(outside, global(nodeA), 64, 4))
		}
		r.step(10 * time.Second)
		if n := r.f.Stats().ToMesh.Dropped[drop.QueueExpired]; n != 0 {
			r.t.Error("it ended before its time")
		}
		r.step(time.Millisecond)
	}},
	{name: "the node's short address went to another", reason: drop.NodeRemoved, do: func(r *rig) {
		short := ieee802154.Short(7)
		r.radio.Push(radio.Event{Kind: radio.EventAttached, Node: radio.NodeInfo{Addr: short}})
		r.run()
		for range 3 {
			r.down(udp(outside, global(short), 64, 4))
		}
		r.radio.Push(radio.Event{Kind: radio.EventAttached, Node: radio.NodeInfo{Addr: nodeA, Short: short}})
		r.step(time.Second)
		r.answer(radio.OutcomeDelivered)
	}},
	{name: "no room in a frame", reason: drop.NotSent,
		make: func(t testing.TB) *rig {
			r := newRig(t, Options{}, node.Options{})
			info := forwardtest.Info()
			info.MaxExtended = 5
			r.radio.Up(info, 8, radio.NodeInfo{Addr: nodeA})
			r.run()
			return r
		},
		do: func(r *rig) { r.down(udp(outside, global(nodeA), 64, 4)) }},

	{name: "no TUN", reason: drop.TunDown, mesh: true, do: func(r *rig) {
		r.f.SetTun(nil)
		r.up(nodeA, echo(global(nodeA), gateway))
	}},
	{name: "the TUN was deleted", reason: drop.TunDown, mesh: true, do: func(r *rig) {
		r.tun.Fail(fmt.Errorf("%w: deleted", ErrTunDown))
		r.up(nodeA, echo(global(nodeA), gateway))
	}},
	{name: "the kernel refuses", reason: drop.TunWrite, mesh: true, do: func(r *rig) {
		r.tun.Fail(errors.New("invalid argument"))
		r.up(nodeA, echo(global(nodeA), gateway))
	}},
	{name: "fragments that never come", reason: drop.ReassemblyTimeout, mesh: true, do: func(r *rig) {
		first := r.frames(nodeA, gwEUI, udp(global(nodeA), outside, 64, 300))[0]
		r.radio.Push(radio.Event{Kind: radio.EventFrame, Frame: radio.Frame{From: nodeA, To: gwEUI, Payload: first}})
		r.run()
		r.step(59 * time.Second)
		r.step(2 * time.Second)
	}},
	{name: "thrown away by the radio", reason: drop.RadioDiscard, frame: true, do: func(r *rig) {
		r.radio.Push(radio.Event{Kind: radio.EventDiscard})
		r.run()
	}},
	{name: "secured frame, reported by the attachment", reason: drop.Secured, frame: true, do: func(r *rig) {
		r.radio.Push(radio.Event{Kind: radio.EventDiscard, Reason: drop.Secured, Count: 1})
		r.run()
	}},
	{name: "no frame of this adaptation layer", reason: drop.NotLowpan, frame: true, do: func(r *rig) {
		r.radio.Push(radio.Event{Kind: radio.EventFrame, Frame: radio.Frame{From: nodeA, To: gwEUI, Payload: []byte{0x00}}})
		r.run()
	}},
	{name: "stopped while it waited", reason: drop.Shutdown, do: func(r *rig) {
		r.down(udp(outside, global(nodeA), 64, 4))
		r.f.Close()
	}},
}

// Every way to end is counted once, under its reason, in its direction; and it is
// answered by the right ICMPv6 error, or by none.
func TestEnds(t *testing.T) {
	for _, e := range ends {
		t.Run(e.name, func(t *testing.T) {
			make := e.make
			if make == nil {
				make = up
			}
			r := make(t)
			e.do(r)
			s := r.f.Stats()
			r.sums()
			counts := s.ToMesh.Dropped
			if e.mesh {
				counts = s.FromMesh.Dropped
			}
			if e.frame {
				counts = s.FromMesh.FramesDropped
			}
			if counts[e.reason] != 1 || total(counts) != 1 {
				t.Errorf("counted %v, want one %v", reasons(counts), e.reason)
			}
			if !e.frame {
				if n := total(s.ToMesh.Dropped) + total(s.FromMesh.Dropped); n != 1 {
					t.Errorf("%d packets dropped in all", n)
				}
			}
			var want []ErrorCount
			if e.reply != nil {
				want = []ErrorCount{{e.reply.Type, e.reply.Code, 1}}
			}
			if fmt.Sprint(s.Errors) != fmt.Sprint(want) {
				t.Errorf("errors %v, want %v", s.Errors, want)
			}
		})
	}
}

// Where nothing is owed, no ICMPv6 error goes out, whatever the reason (RFC 4443,
// section 2.4 e).
func TestNoErrorAbout(t *testing.T) {
	unreachable := icmp(outside, noNode, 64, 1, 4, 0, 0, 0, 0, 0, 0)
	for _, tt := range []struct {
		name string
		pkt  ipv6.Packet
	}{
		{"an error", unreachable},
		{"an error behind an extension header", ext(unreachable, 60, [6]byte{1, 4})},
		{"a redirect", icmp(outside, noNode, 64, 137, 0, 0, 0)},
		{"an unknown error", icmp(outside, noNode, 64, 99, 0, 0, 0, 0, 0, 0, 0)},
		{"a packet cut before its type", icmp(outside, noNode, 64, 128, 0, 0, 0)[:40]},
	} {
		r := up(t)
		p := tt.pkt
		if len(p) == 40 {
			p[5] = 0
		}
		r.down(p)
		if s := r.f.Stats(); len(s.Errors) != 0 || len(r.tun.Up()) != 0 || total(s.ToMesh.Dropped) != 1 {
			t.Errorf("about %s: errors %v, dropped %v", tt.name, s.Errors, reasons(s.ToMesh.Dropped))
		}
	}
}

// A scan of the prefix costs no frame, no node and no buffer, is answered at the
// rate set, and leaves the tokens of other errors alone (RFC 4443, section 2.4 f;
// RFC 6583, section 6).
func TestScan(t *testing.T) {
	r := newRig(t, Options{ErrorRate: 10, ErrorBurst: 5}, node.Options{})
	r.radio.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA})
	r.run()
	for i := range 1000 {
		r.now = r.now.Add(time.Millisecond)
		r.down(udp(outside, ipv6.Join(prefix.Addr(), 1<<40+ipv6.IID(i)), 64, 4))
	}
	s := r.f.Stats()
	if n := len(r.tun.Up()); n < 14 || n > 15 { // 5 at once, and 10 in the second
		t.Errorf("%d answers", n)
	}
	if s.ToMesh.Dropped[drop.UnknownNode] != 1000 || s.Limited < 985 || s.Buffers.InUse != 0 || s.ToMesh.Frames != 0 || r.table.Len() != 1 {
		t.Errorf("%v, limited %d, %d buffers, %d nodes", reasons(s.ToMesh.Dropped), s.Limited, s.Buffers.InUse, r.table.Len())
	}
	r.down(udp(outside, global(nodeA), 1, 4))
	if n := len(r.tun.Up()); n != 1 {
		t.Errorf("%d answers to a hop limit that ran out", n)
	}
	r.sums()
}

// What passes, both ways: the packet, where it goes, and its hop limit.
func TestPasses(t *testing.T) {
	short := ieee802154.Short(0x0007)
	for _, tt := range []struct {
		name    string
		from    ieee802154.Addr // none: from the TUN
		in      ipv6.Packet
		to      ieee802154.Addr // none: to the kernel
		outHops byte
	}{
		{"from outside", ieee802154.Addr{}, udp(outside, global(nodeA), 64, 4), nodeA, 63},
		{"from outside, largest", ieee802154.Addr{}, udp(outside, global(nodeA), 2, 1232), nodeA, 1},
		{"from the gateway", ieee802154.Addr{}, udp(gateway, global(nodeA), 64, 4), nodeA, 64},
		{"from the gateway's link-local address", ieee802154.Addr{}, udp(gwLocal, local(nodeA), 64, 4), nodeA, 64},
		{"to an address of a short address", ieee802154.Addr{}, udp(outside, global(short), 64, 4), short, 63},
		{"to an EUI-64's address of a node with a short address", ieee802154.Addr{}, udp(outside, global(nodeB), 64, 4), short, 63},
		{"to outside", nodeA, udp(global(nodeA), outside, 64, 4), ieee802154.Addr{}, 63},
		{"to outside, largest", nodeA, udp(global(nodeA), outside, 64, 1232), ieee802154.Addr{}, 63},
		{"to the gateway", nodeA, udp(global(nodeA), gateway, 1, 4), ieee802154.Addr{}, 1},
		{"to the subnet-router anycast address", nodeA, udp(global(nodeA), prefix.Addr(), 1, 4), ieee802154.Addr{}, 1},
		{"to the gateway's link-local address", nodeA, udp(local(nodeA), gwLocal, 255, 4), ieee802154.Addr{}, 255},
		{"to the gateway's link-local address from a global one", nodeA, udp(global(nodeA), gwLocal, 255, 4), ieee802154.Addr{}, 255},
		{"from a short address", short, udp(global(short), outside, 64, 4), ieee802154.Addr{}, 63},
		{"node to node", nodeA, udp(global(nodeA), global(short), 64, 4), short, 63},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := newRig(t, Options{}, node.Options{})
			r.radio.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA}, radio.NodeInfo{Addr: nodeB, Short: short})
			r.run()
			want := append(ipv6.Packet(nil), tt.in...)
			want[7] = tt.outHops
			if tt.from.IsNone() {
				r.down(tt.in)
			} else {
				r.up(tt.from, tt.in)
			}
			nodes, kernel := r.answer(radio.OutcomeFirstHop), r.tun.Up()
			var got []byte
			switch {
			case tt.to.IsNone() && len(kernel) == 1 && len(nodes) == 0:
				got = kernel[0]
			case !tt.to.IsNone() && len(kernel) == 0 && len(nodes) == 1:
				got = nodes[0].pkt
				if nodes[0].to != tt.to {
					t.Errorf("to link address %v, want %v", nodes[0].to, tt.to)
				}
			default:
				t.Fatalf("%d packets to nodes, %d to the kernel; dropped %v, %v", len(nodes), len(kernel),
					reasons(r.f.Stats().ToMesh.Dropped), reasons(r.f.Stats().FromMesh.Dropped))
			}
			if string(got) != string(want) {
				t.Errorf("got  %x\nwant %x", got, want)
			}
			r.sums()
			if s := r.f.Stats(); s.Buffers.InUse != 0 || s.ToMesh.Queued != 0 {
				t.Errorf("%d buffers in use, %d queued", s.Buffers.InUse, s.ToMesh.Queued)
			}
		})
	}
}
