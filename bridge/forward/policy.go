package forward

// What of policy the packet path knows: it asks an engine about packets between the
// mesh and outside and between nodes, charges the air for those that it forwards to
// a node, and remembers what no rule let pass, so that the log and `culvert check`
// can say so. Packets of the gateway itself, and to it, are not asked about.

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

// errProhibited answers what a rule denies, where the rule says so (RFC 4443, section
// 3.1, code 1).
var errProhibited = ipv6.ICMPError{Type: ipv6.TypeUnreachable, Code: ipv6.CodeProhibited}

// permit asks whether a packet may pass, from the node from, nil for outside, to the
// node to, nil for outside. The engine is told v when the packet has found room.
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
		f.refused.note(policy.Parse(p, u), v.Why, from, to, at)
	}
	return drop.Policy
}

// passed tells the engine that a packet has found room.
func (f *Forwarder) passed(v *policy.Verdict) {
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

// charge asks for the air that a packet to a node costs.
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

// What a packet costs on the air, in octets. The size after compression is not known
// before it was compressed, so this is an estimate, on the dear side for what comes
// from outside:
//
//	compressed = packet - 20    a 40-octet header in 20: dispatch 2, hop limit 1, next
//	                            header 1, a global source in line 16, the destination
//	                            from the context and the link address 0 (RFC 6282, 3.1.1)
//	frames     = 1              if that fits, else as many as fragments of whole units of
//	                            8 octets need; 4 octets of header in the first and 5 in
//	                            each other (RFC 4944, 5.3)
//	a frame    = 6              preamble, start of frame, length (IEEE Std 802.15.4, the 2.4 GHz
//	                            PHY; its figures from memory)
//	           + 127 - room     addresses, security and check sequence, by the radio's word
//	                            of what room is left in 127 octets; 11 with two short
//	                            addresses are the least
//	           + 11             the acknowledgement: 6 of PHY, 5 of MAC
//
// What relays repeat further on is their cells' and not counted; nor are repetitions
// after a lost acknowledgement.
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

// Refusal is what no rule let pass, of one /64 outside, one node and one service.
type Refusal struct {
	Policy   policy.Rule // that would open it, for the first packet
	From, To string      // labels of nodes; empty is outside
	Tuple    policy.Tuple
	Unnamed  bool // a rule says "any", which is not enough between a unique local and a global address
	Packets  uint64
	Last     time.Time
}

// Scanner is a /64 that asks for addresses that no node holds.
type Scanner struct {
	Source  netip.Prefix
	Packets uint64
	Last    time.Time
}

// Refusals returns what no rule let pass, most packets first, at most n.
func (f *Forwarder) Refusals(n int) []Refusal {
	return top(&f.refused.table, n, func(k refusedKey, e refusedAbout, c counted) Refusal {
		r := Refusal{Tuple: e.tuple, Unnamed: e.why == policy.Unnamed, Packets: c.count, Last: f.start.Add(time.Duration(c.last))}
		r.From, r.To = labelOf(e.from), labelOf(e.to)
		r.Policy = policy.Suggest(e.tuple, f.opt.Name, r.From, r.To)
		return r
	})
}

// ForgetRefusals forgets what no rule let pass, so that it is said again.
func (f *Forwarder) ForgetRefusals() { f.refused.table.clear() }

// Scanners returns who asks for addresses that no node holds, most packets first, at
// most n.
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
