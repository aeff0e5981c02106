package forward

// The packet path's use of policy. It asks the engine about packets between the mesh and
// outside and between nodes, charges airtime for packets forwarded to a node, and records
// packets that no rule allowed for the log and `culvert check`. Packets from and to the
// gateway itself are exempt.

import (
	"encoding/binary"
	"net/netip"
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/bridge/radio"
)

// errProhibited answers a denied packet if the rule asks for an answer (RFC 4443, section
// 3.1, code 1).
var errProhibited = ipv6.ICMPError{Type: ipv6.TypeUnreachable, Code: ipv6.CodeProhibited}

// permit returns why the rules drop a packet, drop.None if they allow it. from and to are
// nodes, nil for outside. The caller passes v to beginFlow once the packet is queued.
func (f *Forwarder) permit(p ipv6.Packet, u ipv6.Upper, from, to *node.Node, at int64, with *replies, v *policy.Verdict) drop.Reason {
	e := f.opt.Policy
	if e == nil {
		return drop.None
	}
	e.Decide(v, p, u, from, to, f.start.Add(time.Duration(at)))
	if v.Allow {
		return drop.None
	}
	if v.Answer {
		f.reply(errProhibited, p, &f.errors, with)
	}
	switch v.Why {
	case policy.OverRate, policy.OverErrors:
		return drop.RateLimited
	case policy.BadFragment:
		return drop.PacketFragment
	case policy.ByDefault, policy.Unnamed:
		f.refused.add(policy.Parse(p, u), v.Why, from, to, at)
	}
	return drop.Policy
}

// beginFlow opens the flow of an allowed packet that has a place in a queue.
func (f *Forwarder) beginFlow(v *policy.Verdict) {
	if e := f.opt.Policy; e != nil {
		e.Begin(v)
	}
}

// cutError returns the first keep octets of an ICMPv6 error, in scratch.
func cutError(p ipv6.Packet, u ipv6.Upper, keep int, scratch *[]byte) ipv6.Packet {
	*scratch = append((*scratch)[:0], p[:keep]...)
	p = *scratch
	binary.BigEndian.PutUint16(p[4:], uint16(keep-ipv6.HeaderLen))
	msg := p[u.Offset:]
	if t := msg[0]; t == ipv6.TypeUnreachable || t == ipv6.TypeTimeExceeded {
		msg[4] = 0 // where extensions begin behind what is quoted (RFC 4884, section 4): they are gone
	}
	msg[2], msg[3] = 0, 0
	binary.BigEndian.PutUint16(msg[2:], ipv6.Checksum(p.SourceBytes(), p.DestinationBytes(), ipv6.ProtoICMPv6, msg))
	return p
}

// charge takes the airtime of a packet to a node from the buckets of node and mesh.
func (f *Forwarder) charge(n *node.Node, octets int, at int64) drop.Reason {
	e := f.opt.Policy
	if e == nil {
		return drop.None
	}
	info := f.sender.info.Load()
	if info == nil {
		return drop.RadioDown
	}
	if !e.Air(n, airOctets(octets, f.roomTo(n, info)), f.start.Add(time.Duration(at))) {
		return drop.AirLimited
	}
	return drop.None
}

// roomTo returns how many octets of MAC payload a frame to a node holds.
func (f *Forwarder) roomTo(n *node.Node, info *radio.Info) int {
	if to := n.SendTo(); to.IsExtended() || info.MaxShort == 0 {
		return info.MaxExtended
	}
	return info.MaxShort
}

// Cost of a packet on the air, in octets. The compressed size is not known yet, so this is
// an estimate, too high rather than too low for packets from outside:
//
//	compressed = packet - 20    a 40-octet header in 20: dispatch 2, hop limit 1, next
//	                            header 1, a global source in line 16, the destination
//	                            from the context and the link address 0 (RFC 6282, 3.1.1)
//	frames     = 1              if that fits, else as many as fragments of whole units of
//	                            8 octets need; 4 octets of header in the first and 5 in
//	                            each other (RFC 4944, 5.3)
//	a frame    = 6              preamble, start of frame, length (IEEE Std 802.15.4, the 2.4 GHz
//	                            PHY; its figures from memory)
//	           + 127 - room     addresses, security and check sequence: what the radio
//	                            leaves of 127 octets is room; at least 11, with two short
//	                            addresses
//	           + 11             the acknowledgement: 6 of PHY, 5 of MAC
//
// Transmissions by relays are not counted, since they use other cells of the mesh; nor are
// retransmissions after a lost acknowledgement.
const (
	headerSaved   = 20
	phyOverhead   = 6
	phyPacket     = 127
	macLeast      = 11
	acknowledged  = 11
	firstFragment = 4
	nextFragment  = 5
)

// airOctets estimates what a packet of some octets costs on the air, where frames hold
// room octets of MAC payload.
func airOctets(octets, room int) int {
	compressed := max(octets-headerSaved, 1)
	each := phyOverhead + max(phyPacket-room, macLeast) + acknowledged
	if compressed <= room {
		return compressed + each
	}
	unit := max((room-nextFragment)&^7, 8)
	frames := (compressed + unit - 1) / unit
	return compressed + firstFragment + nextFragment*(frames-1) + frames*each
}

// Refusal counts packets that no rule allowed, by /64 outside, node and service.
type Refusal struct {
	Policy   policy.Rule // that would open it, for the first packet
	From, To string      // labels of nodes; empty is outside
	Tuple    policy.Tuple
	Unnamed  bool // a rule says "any", which is not enough between a unique local and a global address
	Packets  uint64
	Last     time.Time
}

// Scanner is a /64 that sends to addresses that no node has.
type Scanner struct {
	Source  netip.Prefix
	Packets uint64
	Last    time.Time
}

// Refusals returns at most n refusals, those with most packets first.
func (f *Forwarder) Refusals(n int) []Refusal {
	return top(&f.refused.table, n, func(k refusedKey, e refusedPacket, c counted) Refusal {
		r := Refusal{Tuple: e.tuple, Unnamed: e.why == policy.Unnamed, Packets: c.count, Last: f.start.Add(time.Duration(c.last))}
		r.From, r.To = labelOf(e.from), labelOf(e.to)
		r.Policy = policy.Suggest(e.tuple, f.opt.Name, r.From, r.To)
		return r
	})
}

// ForgetRefusals clears the refusals, so that they are logged again.
func (f *Forwarder) ForgetRefusals() { f.refused.table.clear() }

// Scanners returns at most n scanners, those with most packets first.
func (f *Forwarder) Scanners(n int) []Scanner {
	return top(&f.scans, n, func(k uint64, _ struct{}, c counted) Scanner {
		return Scanner{Source: prefix64(k), Packets: c.count, Last: f.start.Add(time.Duration(c.last))}
	})
}

func labelOf(n *node.Node) string {
	if n == nil {
		return ""
	}
	return n.Label()
}
