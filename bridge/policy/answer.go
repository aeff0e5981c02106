package policy

import (
	"encoding/binary"

	"culvert/bridge/ipv6"
)

// answers reports whether a packet answers a live flow that the rules still allow, and
// takes note of it there. It does not prolong the flow: only its opener does.
func (e *Engine) answers(q *query) bool {
	k := q.key.reverse()
	set, mu, tag := e.flows.at(q.hash)
	mu.Lock()
	defer mu.Unlock()
	f := set.find(&k, tag)
	if f == nil || f.until <= q.now || !e.stands(f, q.rules, q.to, q.from) || !f.takes(q) {
		return false
	}
	f.used, f.answered = q.now, true
	return true
}

// takes reports whether a packet of the other side may be an answer. On the ports of CoAP
// it must not ask for anything itself: a node that reports from its own server's port
// would else be reachable there.
func (f *flow) takes(q *query) bool {
	switch {
	case q.t.Echo || f.echo:
		return q.t.Reply
	case q.t.Proto == ipv6.ProtoTCP:
		return f.takesTCP(q)
	case q.t.isCoAP() && !f.takesCoAP(q):
		return false
	case q.t.isDTLS() && !f.takesDTLS(q):
		return false
	}
	return true
}

// takesTCP refuses to open a connection to the ports of CoAP over TCP (RFC 8323, section
// 11.1 and 11.2). On other ports both sides may open one (RFC 6092, REC-31).
func (f *flow) takesTCP(q *query) bool {
	const flags, syn, ack = 13, 0x02, 0x10 // RFC 9293, section 3.1
	switch {
	case q.t.DestinationPort != PortCoAP && q.t.DestinationPort != PortCoAPS:
		return true
	case q.u.Offset+flags >= len(q.p):
		return false
	}
	return q.p[q.u.Offset+flags]&(syn|ack) != syn
}

// takesCoAP lets responses and empty messages pass (RFC 7252, sections 4.1 and 5.9).
func (f *flow) takesCoAP(q *query) bool {
	b, octets, ok := udpPayload(q.p, q.u, q.fragment.more)
	if !ok {
		return false
	}
	m := parseCoAP(b)
	if m.valid && m.code == codeEmpty {
		return octets == coapHeaderLen && m.typ != typeNON
	}
	if !m.response() {
		return false
	}
	f.response(&m)
	return true
}

// takesDTLS lets records pass that do not begin a session. To a node they pass only in a
// flow in which it has begun one itself: those of a session that the other side began,
// when the rules still let it, may carry its requests. Fragments would hide records.
func (f *flow) takesDTLS(q *query) bool {
	b, _, ok := udpPayload(q.p, q.u, false)
	if !ok || q.fragment.more {
		return false
	}
	hello, readable := readRecords(b)
	return !hello && readable && (q.to == nil || f.hello)
}

// udpPayload returns the payload of a UDP datagram, as much of it as is there, and how
// many octets it has by its header (RFC 768). Where it is not cut into fragments, the two
// must be the same.
func udpPayload(p ipv6.Packet, u ipv6.Upper, cut bool) (b []byte, octets int, ok bool) {
	const header = 8
	b = p[min(u.Offset, len(p)):]
	if len(b) < header {
		return nil, 0, false
	}
	octets = int(binary.BigEndian.Uint16(b[4:])) - header
	b = b[header:]
	if octets < 0 || octets < len(b) || octets > len(b) && !cut {
		return nil, 0, false
	}
	return b, octets, true
}

// icmpError decides about an ICMPv6 error. RFC 4890, section 4.3.1: those about a live
// flow pass, whichever end they come from. To a node goes one a second of each flow,
// with no more quoted than it needs: whoever knows the addresses and ports of a flow
// can make them up.
func (e *Engine) icmpError(v *Verdict, q *query) {
	v.Why = BadICMP
	quoted, keep, ok := quotedTuple(q.p, q.u)
	if !ok || quoted.Source != q.t.Destination || q.fragment.more || q.toNode != nil && keep > maxError {
		return
	}
	if q.toNode != nil && !ipv6.ChecksumOK(q.p.SourceBytes(), q.p.DestinationBytes(), ipv6.ProtoICMPv6, q.p[q.u.Offset:]) {
		return // to cut it would make a wrong checksum right
	}
	k := flowKey(&quoted)
	back, h := k.reverse(), k.flowHash(e.flows.secret)
	if (e.errorAbout(v, q, &k, h) || e.errorAbout(v, q, &back, h)) && v.Allow && q.toNode != nil && keep < len(q.p) {
		v.Keep = keep
	}
}

// errorAbout decides about an ICMPv6 error if the flow with the key is live.
func (e *Engine) errorAbout(v *Verdict, q *query, k *key, h uint64) bool {
	set, mu, tag := e.flows.at(h)
	mu.Lock()
	defer mu.Unlock()
	f := set.find(k, tag)
	if f == nil || f.until <= q.now || f.rules != q.rules && !e.stands(f, q.rules, e.classes.under(q.rules.set, f.from), e.classes.under(q.rules.set, f.to)) {
		return false
	}
	if q.toNode != nil {
		if f.errorAt != 0 && q.now-f.errorAt < errorEvery {
			v.Why = OverErrors
			return true
		}
		f.errorAt = q.now
	}
	v.Allow, v.Why = true, ByFlow
	return true
}
